"""A rig that never was: writes the files that a turntable, a microphone and a recorder would have written.

Invented data throughout. What sounds is a function `pressure(frequency, azimuth, off_axis) -> (F,) complex`, Pa m: the
limit of p r exp(j k r) about the reference point, off_axis signed, rad. `piston`, `cap_on_sphere`, `point` are closed
forms; `field_of` is a solver's directivity.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import RectBivariateSpline

from evenflare.air import absorption, air_at
from evenflare.closed_forms import cap_pattern, piston_pattern
from evenflare.directivity.types import Directivity
from evenflare.units import CELSIUS_ZERO, DEGREE, KILOPASCAL, MILLIMETRE, PERCENT, amplitude_db
from wavs import write_wav

Pressure = Callable[[np.ndarray, float, float], np.ndarray]
NAMES = {0.0: "turn", 90.0: "tilt"}
"""What a file's name begins with, by azimuth in degrees."""
KEYS = {0.0: "horizontal", 90.0: "vertical"}


@dataclass(frozen=True)
class SyntheticRig:
    """What is so, and where what the session file states differs from it. SI and rad.

    angle_offset      : what must be added to a file's angle to have the true one.
    centre            : x, z of the reference point as seen from the turntable's axis (0, 0: where it should be).
    temperature_error : K, stated less true.
    gain, delay       : of the recorder: digital units per Pa; s from the first sample until the sound leaves.
    ground            : reflection factor of the ground, 0 for none.
    noise_db          : rms of the noise re the largest sample on axis, or None.
    spread_db         : standard deviation of the level from reading to reading.
    microphone        : (F,) complex response of the microphone at frequencies; its calibration file is written.
    """

    distance: float = 2.0
    source_height: float = 3.0
    microphone_height: float = 3.0
    temperature: float = CELSIUS_ZERO + 16.0
    humidity: float = 0.7
    air_pressure: float = 101325.0
    temperature_error: float = 0.0
    angle_offset: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    rotation_centre_z: float | None = None
    sample_rate: int = 48000
    samples: int = 4096
    gain: float = 1.0
    delay: float = 1.2345e-3
    ground: float = 0.0
    noise_db: float | None = None
    spread_db: float = 0.0
    microphone: Callable[[np.ndarray], np.ndarray] | None = None
    absorbing: bool = True
    seed: int = 1


def driver(frequency: np.ndarray) -> np.ndarray:
    """Response of an invented loudspeaker, without unit: falls below 300 Hz and above 21 kHz, minimum phase."""
    s = 1j * np.asarray(frequency, dtype=float)
    high = (s / 300.0) ** 2 / ((s / 300.0) ** 2 + np.sqrt(2.0) * s / 300.0 + 1.0)
    low = s / 21e3
    return high / (low**2 + np.sqrt(2.0) * low + 1.0) ** 2


def point(frequency: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
    """A point source: the driver's response in every direction."""
    return driver(frequency)


def piston(radius: float, speed_of_sound: float, *, times: Callable[[np.ndarray], np.ndarray] = driver) -> Pressure:
    """A round piston in a baffle (Kinsler et al., section 7.4); nothing behind."""

    def pressure(frequency: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        if abs(off_axis) > 0.5 * np.pi + 1e-9:
            return np.zeros(frequency.size, dtype=complex)
        size = 2.0 * np.pi * frequency * radius / speed_of_sound
        return times(frequency) * piston_pattern(size, [off_axis])[:, 0]

    return pressure


def cap_on_sphere(
    radius: float,
    half_angle: float,
    speed_of_sound: float,
    *,
    times: Callable[[np.ndarray], np.ndarray] = driver,
) -> Pressure:
    """An axially moving cap on a rigid sphere (Beranek and Mellow, 12.6), phase counted from the cap's pole.

    The reference point is the pole: where the mouth of a waveguide on that sphere would be.
    """

    @lru_cache(maxsize=256)
    def pattern(count: int, highest: float, off_axis: float) -> np.ndarray:
        frequency = np.linspace(0.0, highest, count)
        size = np.maximum(2.0 * np.pi * frequency * radius / speed_of_sound, 1e-3)
        moved = np.exp(-1j * size * np.cos(off_axis))  # r from the centre is r from the pole, plus radius cos
        return cap_pattern(size, [off_axis], half_angle=half_angle)[:, 0] * moved

    def pressure(frequency: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        even = np.linspace(0.0, frequency[-1], frequency.size)
        if np.allclose(frequency, even):
            found = pattern(frequency.size, float(frequency[-1]), abs(off_axis))
        else:
            size = np.maximum(2.0 * np.pi * frequency * radius / speed_of_sound, 1e-3)
            moved = np.exp(-1j * size * np.cos(off_axis))
            found = cap_pattern(size, [off_axis], half_angle=half_angle)[:, 0] * moved
        return times(frequency) * found

    return pressure


def field_of(directivity: Directivity, *, times: Callable[[np.ndarray], np.ndarray] = driver) -> Pressure:
    """A solver's directivity as what sounds, re the mean of its on-axis level; between its points splined.

    Beyond its frequencies the nearest is taken. One-sided angles are mirrored. At a finite distance the solver's
    pressure there is scaled as a spherical wave, so set the rig to the same distance.
    """
    seen = directivity.observation
    frequency, angle = np.log(seen.frequency), seen.off_axis
    travel = 0.0 if seen.far_field else directivity.wavenumber[:, None, None] * seen.distance
    pressure = directivity.pressure * np.exp(1j * travel)
    pressure = pressure / np.mean(np.abs(directivity.on_axis))
    if angle[0] > -1e-9:
        angle = np.concatenate([-angle[:0:-1], angle])
        pressure = np.concatenate([pressure[:, :, :0:-1], pressure], axis=2)
    splines = [
        [RectBivariateSpline(frequency, angle, part) for part in (pressure[:, p].real, pressure[:, p].imag)]
        for p in range(seen.plane.size)
    ]

    def sounding(at: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        plane = int(np.argmin(np.abs(seen.plane - azimuth)))
        where = np.clip(np.log(np.maximum(at, 1.0)), frequency[0], frequency[-1])
        real, imaginary = (spline(where, [off_axis], grid=True)[:, 0] for spline in splines[plane])
        return times(at) * (real + 1j * imaginary)

    return sounding


def impulse(
    pressure: Pressure, rig: SyntheticRig, *, azimuth: float, off_axis: float, noisy: np.random.Generator | None = None
) -> np.ndarray:
    """What is recorded (N,) at a nominal off-axis angle, without noise unless a generator is given."""
    frequency = np.fft.rfftfreq(rig.samples, 1.0 / rig.sample_rate)
    true = off_axis + rig.angle_offset
    microphone = rig.distance * np.array([np.sin(true), np.cos(true)]) - np.array(rig.centre)
    across, along = microphone
    level = rig.source_height - rig.microphone_height
    direct = float(np.hypot(across, along))
    found = _arrival(pressure, rig, frequency, azimuth, float(np.arctan2(across, along)), direct)
    if rig.ground:
        path = float(np.sqrt(max(direct**2 - level**2, 0.0) + (rig.source_height + rig.microphone_height) ** 2))
        lean = np.arccos(np.clip(np.cos(np.arctan2(across, along)) * direct / path, -1.0, 1.0))
        found = found + rig.ground * _arrival(pressure, rig, frequency, azimuth, float(lean), path)
    if rig.microphone is not None:
        found = found * rig.microphone(frequency)
    found = found * rig.gain * np.exp(-2j * np.pi * frequency * rig.delay)
    if noisy is not None and rig.spread_db:
        found = found * 10.0 ** (0.05 * noisy.normal(scale=rig.spread_db))
    samples = np.fft.irfft(found, rig.samples)
    if noisy is not None and rig.noise_db is not None:
        samples = samples + noisy.normal(scale=_peak(pressure, rig) * 10.0 ** (0.05 * rig.noise_db), size=samples.size)
    return samples


def _arrival(
    pressure: Pressure, rig: SyntheticRig, frequency: np.ndarray, azimuth: float, off_axis: float, path: float
) -> np.ndarray:
    air = air_at(rig.temperature, rig.humidity, pressure=rig.air_pressure)
    found = pressure(frequency, azimuth, off_axis) / path * np.exp(-2j * np.pi * frequency * path / air.speed_of_sound)
    if rig.absorbing:
        lost = absorption(frequency, rig.temperature, humidity=rig.humidity, pressure=rig.air_pressure)
        found = found * 10.0 ** (-0.05 * lost * path)
    return np.asarray(found)


_peaks: dict[tuple[int, SyntheticRig], float] = {}


def _peak(pressure: Pressure, rig: SyntheticRig) -> float:
    key = (id(pressure), rig)
    if key not in _peaks:
        _peaks[key] = float(np.abs(impulse(pressure, rig, azimuth=0.0, off_axis=0.0)).max())
    return _peaks[key]


def sweep(rig: SyntheticRig, *, duration: float = 1.0, lowest: float = 100.0, highest: float = 22e3) -> np.ndarray:
    """Exponential sine sweep (Farina 2000, eq. for x(t)), faded over 20 ms and 1 ms at its ends."""
    time = np.arange(round(duration * rig.sample_rate)) / rig.sample_rate
    rate = np.log(highest / lowest)
    swept = np.sin(2.0 * np.pi * lowest * duration / rate * np.expm1(time / duration * rate))
    fade = np.minimum(1.0, np.minimum(time / 20e-3, (time[-1] - time) / 1e-3))
    return swept * np.sin(0.5 * np.pi * fade) ** 2


def write_session_files(
    folder: Path,
    pressure: Pressure,
    *,
    rig: SyntheticRig = SyntheticRig(),
    off_axis_deg: Sequence[float] = tuple(range(-180, 180, 10)),
    azimuth_deg: Sequence[float] = (0.0, 90.0),
    symmetry: str = "left_right",
    kind: str = "impulse_response",
    repeats: int = 1,
    swept: np.ndarray | None = None,
    squared: float = 0.0,
    tables: Mapping[str, Mapping[str, Any]] | None = None,
    design: str | None = None,
    name: str = "invented prototype",
) -> Path:
    """Write the readings of every angle and plane, and session.toml; its path.

    kind    : "impulse_response" and "sweep" write WAV (64-bit floating point), "response" writes text (Hz, dB, deg).
    swept   : the sweep that is played; default `sweep(rig)`. squared: its distortion, times the sweep's square.
    tables  : more keys for session.toml by table, over what would stand there: {"gate": {"length_ms": 5.0}}.
    The transform of a WAV impulse response is `gain` times the pressure at the microphone, Pa.
    """
    folder.mkdir(parents=True, exist_ok=True)
    noisy = np.random.default_rng(rig.seed)
    played = sweep(rig) if swept is None else swept
    for azimuth in azimuth_deg:
        for angle in off_axis_deg:
            for repeat in range(1, repeats + 1):
                stem = f"{NAMES[azimuth]}_{angle:+g}" + (f"_{repeat}" if repeats > 1 else "")
                place = {"azimuth": azimuth * DEGREE, "off_axis": angle * DEGREE}
                if kind == "response":
                    _write_response(folder / f"{stem}.txt", pressure, rig, place, noisy)
                    continue
                samples = impulse(pressure, rig, **place, noisy=noisy if kind == "impulse_response" else None)
                if kind == "sweep":
                    samples = _recorded(samples, played, squared)
                    if rig.noise_db is not None:
                        rms = np.abs(samples).max() * 10.0 ** (0.05 * rig.noise_db)
                        samples = samples + noisy.normal(scale=rms, size=samples.size)
                write_wav(folder / f"{stem}.wav", samples, rig.sample_rate)
    if kind == "sweep":
        write_wav(folder / "reference.wav", played, rig.sample_rate)
    if rig.microphone is not None:
        at = np.geomspace(20.0, 0.5 * rig.sample_rate, 300)
        _write_text(folder / "microphone.txt", at, rig.microphone(at))
    path = folder / "session.toml"
    path.write_text(_session_text(rig, azimuth_deg, symmetry, kind, repeats, tables or {}, design, name))
    return path


def _recorded(impulse_response: np.ndarray, played: np.ndarray, squared: float) -> np.ndarray:
    count = impulse_response.size + played.size
    spectrum = np.fft.rfft(played + squared * played**2, count) * np.fft.rfft(impulse_response, count)
    return np.fft.irfft(spectrum, count)


def _write_response(
    path: Path, pressure: Pressure, rig: SyntheticRig, place: dict[str, float], noisy: np.random.Generator
) -> None:
    samples = impulse(pressure, rig, **place, noisy=noisy)
    spectrum = np.fft.rfft(samples)
    frequency = np.fft.rfftfreq(samples.size, 1.0 / rig.sample_rate)
    _write_text(path, frequency[1:-1], spectrum[1:-1])


def _write_text(path: Path, frequency: np.ndarray, response: np.ndarray) -> None:
    level, phase = amplitude_db(np.maximum(np.abs(response), 1e-15)), np.angle(response) / DEGREE
    rows = [f"{f:.6f}\t{a:.6f}\t{p:.5f}" for f, a, p in zip(frequency, level, phase, strict=True)]
    path.write_text("# invented data\n" + "\n".join(rows) + "\n")


def _session_text(
    rig: SyntheticRig,
    azimuth_deg: Sequence[float],
    symmetry: str,
    kind: str,
    repeats: int,
    more: Mapping[str, Mapping[str, Any]],
    design: str | None,
    name: str,
) -> str:
    ending = "_{repeat}" if repeats > 1 else ""
    suffix = "txt" if kind == "response" else "wav"
    tables: dict[str, dict[str, Any]] = {
        "rig": {
            "distance_m": rig.distance,
            "source_height_m": rig.source_height,
            "microphone_height_m": rig.microphone_height,
            "temperature_c": rig.temperature + rig.temperature_error - CELSIUS_ZERO,
            "humidity_percent": rig.humidity / PERCENT,
            "pressure_kpa": rig.air_pressure / KILOPASCAL,
        },
        "files": {
            "kind": kind,
            **{KEYS[a]: f"{NAMES[a]}_{{off_axis_deg}}{ending}.{suffix}" for a in azimuth_deg},
            "symmetry": symmetry,
        },
    }
    if rig.rotation_centre_z is not None:
        tables["rig"]["rotation_centre_z_mm"] = rig.rotation_centre_z / MILLIMETRE
    if kind == "sweep":
        tables["files"]["reference"] = "reference.wav"
    if rig.microphone is not None:
        tables["microphone"] = {"calibration": "microphone.txt"}
    for table, keys in more.items():
        tables[table] = {**tables.get(table, {}), **keys}
    lines = [f'name = "{name}"', *([f'design = "{design}"'] if design else [])]
    for table, keys in tables.items():
        lines += [f"[{table}]", *(f"{key} = {_value(value)}" for key, value in keys.items())]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else f"{value}"
