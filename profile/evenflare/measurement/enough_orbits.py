"""How many orbits about a mouth tell its directivity index how well, before anything is measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.closed_forms import elliptical_piston_pattern
from evenflare.measurement.budget import uniform
from evenflare.units import DEGREE, FloatArray, power_db

ORBITS = (2, 4, 6, 8, 12, 16, 24)
FINE = 48
"""Orbits that stand for all."""
STEP = 2.5 * DEGREE


@dataclass(frozen=True)
class Enough:
    """Standard uncertainty of the index, dB, that each number of orbits leaves open up to a frequency.

    orbits : of `ORBITS`. uncertainty : the largest at any frequency, of the worse of two outlines.
    """

    orbits: tuple[int, ...]
    uncertainty: FloatArray

    def least(self, wanted: float) -> int | None:
        """The fewest orbits that leave `wanted` dB at most; None if none of them does."""
        return next((n for n, each in zip(self.orbits, self.uncertainty, strict=True) if each <= wanted), None)


def enough_orbits(width: float, height: float, *, to: float, speed_of_sound: float) -> Enough:
    """Of even pistons in a baffle as wide and high as the mouth (m), elliptical and rectangular, up to `to` Hz.

    Orbits are whole circles through the axis, evenly turned about it, one of them horizontal: 2 are the standard's. The
    index takes the mean over azimuth from them; the truth is taken to lie anywhere within the error of either piston.
    A waveguide's mouth has a beam as wide as its walls make it: this is the bound that its size sets.
    Sources: elliptical piston as `closed_forms`; rectangular one: product of sin x / x (from memory).
    """
    frequency: FloatArray = np.asarray(to * 2.0 ** (-0.25 * np.arange(16.0))[::-1])
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    off_axis: FloatArray = np.asarray((np.arange(round(0.5 * np.pi / STEP)) + 0.5) * STEP)
    every: FloatArray = np.asarray(np.arange(FINE) * np.pi / FINE)
    ring: FloatArray = np.sin(off_axis)
    found = np.zeros(len(ORBITS))
    for pattern in (_elliptical, _rectangular):
        square = np.abs(pattern(wavenumber, off_axis, every, 0.5 * width, 0.5 * height)) ** 2 @ ring
        whole = square.mean(axis=1)
        for i, count in enumerate(ORBITS):
            error = power_db(square[:, :: FINE // count].mean(axis=1) / whole)
            found[i] = max(found[i], float(np.abs(error).max()))
    return Enough(ORBITS, uniform(found))


def _elliptical(
    wavenumber: FloatArray, off_axis: FloatArray, azimuth: FloatArray, half_width: float, half_height: float
) -> FloatArray:
    return np.asarray(
        elliptical_piston_pattern(wavenumber, off_axis, azimuth=azimuth, half_width=half_width, half_height=half_height)
    )


def _rectangular(
    wavenumber: FloatArray, off_axis: FloatArray, azimuth: FloatArray, half_width: float, half_height: float
) -> FloatArray:
    across, up = np.cos(azimuth)[:, None] * np.sin(off_axis), np.sin(azimuth)[:, None] * np.sin(off_axis)
    k = wavenumber[:, None, None] / np.pi
    return np.asarray(np.sinc(k * half_width * across) * np.sinc(k * half_height * up))
