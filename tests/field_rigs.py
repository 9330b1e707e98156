"""Rigs whose truth is known and mistakes that are made with them. Invented data; sources in closed form."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare.air import air_at
from evenflare.closed_forms import cap_pattern
from evenflare.units import CELSIUS_ZERO
from synthetic_rig import Pressure, SyntheticRig, driver

RIG = SyntheticRig(samples=2048)
SPEED = air_at(CELSIUS_ZERO + 16.0, 0.7).speed_of_sound


def exponential(
    duration: float, lowest: float, highest: float, *, rise: float, fall: float, rate: int = 48000
) -> np.ndarray:
    """Sweep (Farina 2000), faded over `rise` and `fall` s as sin^2; the usual kind ends below half the rate."""
    time = np.arange(round(duration * rate)) / rate
    slow = duration / np.log(highest / lowest)
    fade = np.ones(time.size)
    if rise:
        fade = np.minimum(fade, time / rise)
    if fall:
        fade = np.minimum(fade, (time[-1] - time) / fall)
    return np.sin(2.0 * np.pi * lowest * slow * np.expm1(time / slow)) * np.sin(0.5 * np.pi * fade) ** 2


@cache
def radial_cap(radius: float, half_angle: float) -> Pressure:
    """A radially moving cap on a rigid sphere (Aarts and Janssen, 2011), seen from its pole; splined over the angle.

    Every 1.5 degrees about the sphere's centre, from which its phase changes slowly: to 1e-4 of the pressure.
    """
    frequency = np.fft.rfftfreq(RIG.samples, 1.0 / RIG.sample_rate)
    size = np.maximum(2.0 * np.pi * frequency * radius / SPEED, 1e-3)
    angle = np.linspace(0.0, np.pi, 121)
    curve = CubicSpline(angle, cap_pattern(size, angle, half_angle=half_angle, motion="radial"), axis=1)

    def pressure(at: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        assert np.array_equal(at, frequency)
        away = abs((off_axis + np.pi) % (2.0 * np.pi) - np.pi)
        return driver(frequency) * curve(away) * np.exp(-1j * size * np.cos(away))

    return pressure


def slot(half_width: float) -> Pressure:
    """A narrow strip in a baffle, across the plane: sin x / x (Kinsler et al., chapter 7, from memory)."""

    def pressure(at: np.ndarray, azimuth: float, off_axis: float) -> np.ndarray:
        if abs(off_axis) > 0.5 * np.pi + 1e-9:
            return np.zeros(at.size, dtype=complex)
        return driver(at) * np.sinc(2.0 * at * half_width * np.sin(off_axis) / SPEED)

    return pressure
