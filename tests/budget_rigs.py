"""Rigs and mouths whose index is known, drawn at random, for the coverage of stated intervals. Invented data."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare.air import air_at
from evenflare.closed_forms import cap_index, cap_pattern, elliptical_piston_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.measurement.assemble import Assembled, assemble
from evenflare.measurement.between_planes import planes_uncertainty
from evenflare.measurement.session import read_session
from evenflare.metrics import directivity_index
from evenflare.units import DEGREE
from synthetic_rig import Pressure, SyntheticRig, driver, impulse, sweep, write_session_files
from wavs import write_wav

Pattern = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]
"""(k, angles, azimuths) to (F, P, A) re on axis."""
SPEED = 343.2
FREQUENCY = np.geomspace(500.0, 20000.0, 33)


def ellipse(half_width: float, half_height: float) -> Pattern:
    """Closed form, as the product's."""
    sizes = {"half_width": half_width, "half_height": half_height}
    return lambda k, angle, azimuth: elliptical_piston_pattern(k, angle, azimuth=azimuth, **sizes)


def rectangle(half_width: float, half_height: float) -> Pattern:
    """Product of sin x / x (Kinsler et al., Fundamentals of Acoustics, chapter 7, from memory)."""

    def pattern(k: np.ndarray, angle: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
        across = k[:, None, None] * np.sin(angle) * np.cos(azimuth)[:, None]
        up = k[:, None, None] * np.sin(angle) * np.sin(azimuth)[:, None]
        return np.sinc(across * half_width / np.pi) * np.sinc(up * half_height / np.pi)

    return pattern


def superellipse(half_width: float, half_height: float, exponent: float) -> Pattern:
    """Even piston with the outline |x|^n + |y|^n = 1: Rayleigh's integral, in closed form across, by Gauss upward."""
    node, share = np.polynomial.legendre.leggauss(60)
    reach = (1.0 - np.abs(node) ** exponent) ** (1.0 / exponent)

    def pattern(k: np.ndarray, angle: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
        across = k[:, None, None] * np.sin(angle) * np.cos(azimuth)[:, None] * half_width
        up = k[:, None, None] * np.sin(angle) * np.sin(azimuth)[:, None] * half_height
        parts = (
            s * r * np.sinc(across * r / np.pi) * np.cos(up * y) for y, r, s in zip(node, reach, share, strict=True)
        )
        return np.asarray(sum(parts) / np.sum(share * reach))

    return pattern


def mouths(count: int, *, seed: int) -> list[Pattern]:
    """Oblong mouths 100 to 240 mm wide, 0.45 to 0.9 as high, of three outlines in turn."""
    rng = np.random.default_rng(seed)
    found = []
    for index in range(count):
        width = rng.uniform(0.05, 0.12)
        height = width * rng.uniform(0.45, 0.9)
        if index % 3 == 0:
            found.append(ellipse(width, height))
        elif index % 3 == 1:
            found.append(rectangle(width, height))
        else:
            found.append(superellipse(width, height, rng.uniform(2.5, 5.0)))
    return found


def seen_in(pattern: Pattern, azimuth: np.ndarray, *, step: float = 2.5) -> Directivity:
    """A mouth in a baffle in some planes."""
    angle = np.arange(0.0, 90.0 + 0.5 * step, step) * DEGREE
    seen = Observation(FREQUENCY, angle, plane=azimuth, symmetry="two_planes")
    pressure = pattern(2.0 * np.pi * FREQUENCY / SPEED, angle, azimuth).astype(complex)
    return Directivity(seen, pressure, np.ones(FREQUENCY.size, dtype=bool), 1.2, SPEED, half_space=True)


def oblong_errors(patterns: list[Pattern]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True error of the index of two planes (M, F), dB, what was stated (M, F), and Hz (F,).

    The truth is the same quadrature over 17 planes of a quarter turn: mean squares there are smooth and periodic.
    """
    fine = np.arange(17) * np.pi / 32
    errors, sizes = [], []
    for pattern in patterns:
        two = seen_in(pattern, np.array([0.0, 0.5 * np.pi]))
        errors.append(directivity_index(two) - directivity_index(seen_in(pattern, fine)))
        sizes.append(planes_uncertainty(two, "oblong"))
    return np.array(errors), np.array(sizes), FREQUENCY


def coverage(errors: np.ndarray, half_widths: np.ndarray) -> float:
    """Share of errors inside."""
    return float(np.mean(np.abs(errors) <= half_widths))


@cache
def smooth_cap(radius: float, half_angle: float, speed: float, rate: int, samples: int) -> Pressure:
    """`cap_on_sphere` at the frequencies of one length of record, splined over the angle: many directions are asked.

    Every 1.5 degrees about the sphere's centre, from which its phase changes slowly: good to 1e-4 of the pressure.
    """
    frequency = np.fft.rfftfreq(samples, 1.0 / rate)
    size = np.maximum(2.0 * np.pi * frequency * radius / speed, 1e-3)
    angle = np.linspace(0.0, np.pi, 121)
    curve = CubicSpline(angle, cap_pattern(size, angle, half_angle=half_angle), axis=1)

    def pressure(at: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        assert np.array_equal(at, frequency)
        away = abs((off_axis + np.pi) % (2.0 * np.pi) - np.pi)
        return driver(frequency) * curve(away) * np.exp(-1j * size * np.cos(away))

    return pressure


def drawn_session(
    folder: Path, *, seed: int, kind: str = "impulse_response", radius: float = 0.1, half_angle: float = 0.6
) -> tuple[Assembled, np.ndarray, np.ndarray]:
    """A cap on a sphere, measured by a rig whose errors are drawn as its session states them; index, Hz.

    Angles 0.3 degrees, position 4 mm, level 0.05 dB from reading to reading, all normal; noise; with "sweep" also hum
    of 50 Hz and its odd harmonics at a phase of its own in every reading.
    """
    rng = np.random.default_rng(1000 + seed)
    rig = SyntheticRig(centre=tuple(rng.normal(scale=4e-3, size=2)), samples=4096, noise_db=-60.0, seed=seed)
    speed = air_at(rig.temperature, rig.humidity).speed_of_sound
    cap = smooth_cap(radius, half_angle, speed, rig.sample_rate, rig.samples)
    stated: dict[str, dict[str, Any]] = {
        "uncertainty": {"angle_deg": 0.3, "position_mm": 4.0, "drift_db": 0.05},
        "analysis": {"from_hz": 300.0, "to_hz": 8000.0, "per_octave": 6},
        "rig": {"mounting": "sphere"},
    }
    angles = range(-170, 181, 10)
    path = write_session_files(folder, cap, rig=rig, off_axis_deg=[0], tables=stated, kind=kind)
    played = sweep(rig)
    count = rig.samples + played.size
    spectrum, time = np.fft.rfft(played, count), np.arange(count) / rig.sample_rate
    odd = np.array([1, 3, 5, 7])
    harmonics = np.exp(2j * np.pi * 50.0 * np.outer(odd, time)) / odd[:, None] if kind == "sweep" else None
    peak = float(np.abs(impulse(cap, rig, azimuth=0.0, off_axis=0.0)).max())
    for azimuth, name in ((0.0, "turn"), (90.0, "tilt")):
        for angle in angles:
            true = (angle + rng.normal(scale=0.3)) * DEGREE
            samples = impulse(cap, rig, azimuth=azimuth * DEGREE, off_axis=true) * 10.0 ** (rng.normal(scale=0.05) / 20)
            if harmonics is not None:
                samples = np.fft.irfft(spectrum * np.fft.rfft(samples, count), count)
                hum = (np.exp(1j * odd * rng.uniform(0.0, 2.0 * np.pi)) @ harmonics).imag
                samples = samples + 10.0 ** (-50.0 / 20.0) * np.abs(samples).max() * hum
                scale = np.abs(samples).max() * 1e-3
            else:
                scale = peak * 1e-3
            samples = samples + rng.normal(scale=scale, size=samples.size)
            write_wav(folder / f"{name}_{angle:+g}.wav", samples, rig.sample_rate)
    found = assemble(read_session(path), mouth="round")
    frequency = found.directivity.observation.frequency
    truth = cap_index(2.0 * np.pi * frequency * radius / speed, half_angle=half_angle)
    return found, truth, frequency
