"""Write the readings that an invented prototype would give, so that the way from measuring to filters can be walked.

    python examples/invented_readings.py DESIGN.toml FOLDER

No prototype stands behind them. The design is solved by boundary elements with a driver that the design does not know
of: its wavefront is curved at the exit. The air is colder, too. A microphone two metres away hears it every ten degrees
in both planes, with the ground's echo, some noise and 0.05 dB of scatter from reading to reading. FOLDER receives a WAV
for each direction, the impulse response in Pa, and nothing else: `evenflare measure --write-session FOLDER` drafts the
session file.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from scipy.interpolate import CubicSpline

from evenflare import read_design, solve
from evenflare.air import air_at
from evenflare.directivity.types import Directivity, Observation
from evenflare.units import DEGREE

EXIT_HALF_ANGLE = 12 * DEGREE
"""Of the wavefront at the exit, which the design takes for flat."""
TEMPERATURE, HUMIDITY = 289.15, 0.6
DISTANCE, HEIGHT = 2.0, 3.0
"""m, from the mouth's centre to the microphone, and of both above the ground."""
SAMPLE_RATE, SAMPLES = 48000, 2048
FADING = 20e3
"""Hz, from where the recorder's filter takes everything away up to half the sample rate."""
LOUD = 0.2
"""Pa on axis, about."""
NOISE, SCATTER_DB = 5e-7, 0.05
GROUND = 0.7
"""Share of the pressure that the ground sends back."""


def prototype(design_file: Path) -> Directivity:
    """What really sounds, at 2 m, in both planes."""
    design = read_design(design_file)
    driver = replace(design.waveguide.driver, exit_half_angle=EXIT_HALF_ANGLE)
    seen = Observation(
        np.geomspace(200, SAMPLE_RATE / 2, 83),
        np.arange(-170, 181, 10) * DEGREE,
        plane=np.array([0.0, 90.0]) * DEGREE,
        distance=DISTANCE,
        reference_z=design.waveguide.depth,
        symmetry="none",
    )
    waveguide = replace(design.waveguide, driver=driver)
    real = replace(design, waveguide=waveguide, observation=seen, air=air_at(TEMPERATURE, HUMIDITY))
    return solve(real, method="boundary_elements", setting="screen")


def driver_response(frequency: np.ndarray) -> np.ndarray:
    """Of an invented driver, without unit: it falls below 700 Hz and above 18 kHz."""
    s = 1j * np.maximum(frequency, 1.0)
    high = (s / 700) ** 2 / ((s / 700) ** 2 + 1.4 * s / 700 + 1)
    return np.asarray(high / ((s / 18e3) ** 2 + 1.4 * s / 18e3 + 1))


def recorder_response(frequency: np.ndarray) -> np.ndarray:
    """Of an invented recorder: an edge, at half the sample rate or before it, would ring like a resonance."""
    way = np.clip((frequency - FADING) / (SAMPLE_RATE / 2 - FADING), 0.0, 1.0)
    return np.asarray(np.cos(0.5 * np.pi * way) ** 2)


def impulse_response(pressure: np.ndarray, known: np.ndarray, *, speed_of_sound: float) -> np.ndarray:
    """Of the way from the recorder's output to the microphone in one direction, with the ground's echo.

    pressure : at the frequencies `known`, up to half the sample rate, travel time taken out; held below them.
    """
    frequency = np.fft.rfftfreq(SAMPLES, 1 / SAMPLE_RATE)
    at = np.log(np.clip(frequency, known[0], known[-1]))
    sound = LOUD * CubicSpline(np.log(known), pressure)(at) * driver_response(frequency) * recorder_response(frequency)
    paths = {DISTANCE: 1.0, float(np.hypot(DISTANCE, 2 * HEIGHT)): GROUND}
    spectrum = sum(
        share * DISTANCE / path * sound * np.exp(-2j * np.pi * frequency * path / speed_of_sound)
        for path, share in paths.items()
    )
    return np.fft.irfft(spectrum, SAMPLES)


def main(design_file: Path, folder: Path) -> None:
    """Write one file for each direction."""
    heard = prototype(design_file)
    seen, speed = heard.observation, heard.speed_of_sound
    travel = np.exp(1j * heard.wavenumber * DISTANCE)
    usual = np.mean(np.abs(heard.on_axis))
    scatter = np.random.default_rng(1)
    folder.mkdir(parents=True, exist_ok=True)
    for p, name in enumerate(("turn", "tilt")):
        for a, angle in enumerate(np.round(seen.off_axis / DEGREE)):
            pressure = heard.pressure[:, p, a] * travel / usual
            samples = impulse_response(pressure, seen.frequency, speed_of_sound=speed)
            samples = samples * 10 ** (SCATTER_DB / 20 * scatter.standard_normal())
            samples = samples + NOISE * scatter.standard_normal(SAMPLES)
            soundfile.write(folder / f"{name}_{angle:+.0f}.wav", samples, SAMPLE_RATE, subtype="FLOAT")
    print(f"{2 * seen.off_axis.size} readings of an invented prototype in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
