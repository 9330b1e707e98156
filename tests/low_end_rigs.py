"""Sources in closed form, read close to the mouth and far away through a gate. Invented data.

The near record is long and has no reflection; the far ones are those of a rig with a reflecting ground.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.air import Air, air_at
from evenflare.closed_forms import cap_pattern, piston_axis_pressure, piston_pattern
from evenflare.directivity.types import Observation
from near_field import cap_near
from synthetic_rig import Pressure, SyntheticRig, write_session_files
from wavs import write_wav

RIG = SyntheticRig(samples=8192, source_height=2.5, microphone_height=2.5, ground=0.8)
AIR: Air = air_at(RIG.temperature, RIG.humidity)
DRIVER = """[waveguide]
family = "conical"
depth_mm = 5
wall_angle_deg = 0.5
[driver]
exit_diameter_mm = 100
"""
"""Of a design: next to no waveguide, so that the exit is the piston."""
NEAR = 5e-3
HIGHEST = 3000.0
"""Hz, above which sources sound as there: the series close to a sphere need more terms than the low end is worth."""
Axis = Callable[[np.ndarray, float], np.ndarray]
"""(Hz, m from the mouth plane) to the pressure on axis for 1 m/s."""


def box(frequency: np.ndarray) -> np.ndarray:
    """Velocity of an invented driver in a closed box: pressure far away falls below 60 Hz, minimum phase."""
    s = 1j * np.maximum(frequency, 1e-3) / 60.0
    low = 1j * frequency / 18e3
    return s / (s * s + 1.2 * s + 1.0) / (low**2 + np.sqrt(2.0) * low + 1.0) ** 2


def piston_axis(radius: float) -> Axis:
    """Closed form (Kinsler et al., section 7.4)."""

    def pressure(frequency: np.ndarray, distance: float) -> np.ndarray:
        return piston_axis_pressure(frequency, distance, radius=radius, velocity=1.0, air=AIR)

    return pressure


def cap_axis(radius: float, half_angle: float, *, degrees: int = 60) -> Axis:
    """A cap on a rigid sphere at any distance by its series (Beranek and Mellow, 12.6): -j rho c sum U h / h' P."""

    @cache
    def at(own: bytes, distance: float) -> np.ndarray:
        seen = Observation(np.frombuffer(own), np.zeros(1), distance=distance)
        with np.errstate(all="ignore"):  # degrees that overflow have faded
            found = cap_near(seen, radius=radius, half_angle=half_angle, air=AIR, degrees=degrees)
        return -1j * AIR.impedance * found.pressure[:, 0, 0]

    def pressure(frequency: np.ndarray, distance: float) -> np.ndarray:
        own, back = np.unique(frequency, return_inverse=True)
        return at(own.tobytes(), distance)[back]

    return pressure


def write_rig(
    folder: Path,
    axis: Axis,
    pattern: Pressure,
    *,
    rig: SyntheticRig = RIG,
    noise_db: float | None = -75.0,
    gain: float = 0.05,
    near_delay: float = 2e-3,
    overlap: tuple[float, float] = (250.0, 500.0),
    tables: dict[str, dict[str, Any]] | None = None,
    near_keys: dict[str, Any] | None = None,
    **more: Any,
) -> Path:
    """Files of both, and the session; its path. The near microphone stands at NEAR, its recorder's gain is `gain`."""
    sounding: Pressure = lambda f, azimuth, off_axis: box(f) * pattern(f, azimuth, off_axis)  # noqa: E731
    near_table = {"file": "near.wav", "overlap_from_hz": overlap[0], "overlap_to_hz": overlap[1], **(near_keys or {})}
    path = write_session_files(folder, sounding, rig=rig, tables={**(tables or {}), "near_field": near_table}, **more)
    write_wav(
        folder / "near.wav",
        near_record(axis, gain=gain, delay=near_delay, noise_db=noise_db, seed=rig.seed + 100),
        rig.sample_rate,
    )
    return path


def near_record(
    axis: Axis, *, gain: float, delay: float, noise_db: float | None, seed: int, distance: float = NEAR
) -> np.ndarray:
    """What the near microphone recorded, 1 s."""
    count, rate = 48000, RIG.sample_rate
    frequency = np.fft.rfftfreq(count, 1.0 / rate)
    heard = np.where(frequency > 0.0, gain * box(frequency) * axis(np.clip(frequency, 5.0, HIGHEST), distance), 0.0)
    heard *= np.exp(-0.5 * (frequency / 2000.0) ** 4 - 2j * np.pi * frequency * delay)
    samples = np.fft.irfft(heard, count)
    if noise_db is not None:
        scale = np.abs(samples).max() * 10.0 ** (0.05 * noise_db)
        samples = samples + np.random.default_rng(seed).normal(scale=scale, size=count)
    return samples


def far_pattern(axis: Axis, angles: Callable[[np.ndarray, float], np.ndarray], distance: float) -> Pressure:
    """What sounds, Pa m about the mouth at the rig's distance, from the pressure on axis there and a pattern."""

    def pressure(frequency: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        low = np.clip(frequency, 5.0, HIGHEST)
        k = 2.0 * np.pi * low / AIR.speed_of_sound
        there = axis(low, distance) * distance * np.exp(1j * k * distance)
        return np.where(frequency > 0.0, there * angles(frequency, off_axis), 0.0)

    return pressure


def piston_angles(radius: float) -> Callable[[np.ndarray, float], np.ndarray]:
    """Of a piston in a baffle; nothing behind."""

    def angles(frequency: np.ndarray, off_axis: float) -> np.ndarray:
        if abs(off_axis) > 0.5 * np.pi + 1e-9:
            return np.zeros(frequency.size)
        return piston_pattern(2.0 * np.pi * frequency * radius / AIR.speed_of_sound, [abs(off_axis)])[:, 0]

    return angles


def cap_angles(radius: float, half_angle: float) -> Callable[[np.ndarray, float], np.ndarray]:
    """Of a cap on a rigid sphere, seen from its pole."""

    def angles(frequency: np.ndarray, off_axis: float) -> np.ndarray:
        k = np.maximum(2.0 * np.pi * frequency * radius / AIR.speed_of_sound, 1e-3)
        found = cap_pattern(k, [0.0, abs(off_axis)], half_angle=half_angle)
        return found[:, 1] / found[:, 0] * np.exp(-1j * k * (np.cos(off_axis) - 1.0))

    return angles
