"""What is heard between the angles of a run: told by its neighbours, and moved to where it should have been read."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline, make_interp_spline

from evenflare.units import BoolArray, ComplexArray, FloatArray

SAME_ANGLE = 1e-6
"""rad."""
WORST = 2
"""Angles that may be told wrong: those beside a wrong file."""
LARGEST_REACH = 0.5
"""m from the turntable's axis within which sound seems to come from."""
TRIED = 50
"""Places tried on either side of that axis."""
TOLD_BY_HALF = 0.12
"""rms error, of the rms pressure, of a spline through every second angle up to which all of them are close enough: a
cubic through all errs some sixteen times less."""


def corrected(
    off_axis: FloatArray,
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    angle: float,
    lateral: float,
    distance: float,
    speed_of_sound: float,
    half_space: bool = False,
) -> ComplexArray:
    """Pressure (A, F) as it would have been at the nominal angles and distance from the reference point.

    angle, lateral : rad and m, as `Alignment`.
    Level and phase are moved from the true distance to the nominal as a spherical wave's; between the angles a cubic
    spline of the complex pressure, all round where the angles go all round. In half space what was read behind the
    baffle is left out, and the mirror image in the baffle carries on from its plane.
    """
    true = off_axis + angle
    across, ahead = distance * np.sin(true) - lateral, distance * np.cos(true)
    path = np.hypot(across, ahead)
    seen = true + _wrapped(np.arctan2(across, ahead) - true)
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    moved = pressure * (path / distance)[:, None] * np.exp(1j * np.outer(path - distance, wavenumber))
    if angle == 0.0 and lateral == 0.0:
        return np.asarray(pressure)
    along = wavenumber * evenest(seen, moved, wavenumber=wavenumber)
    even = moved * np.exp(-1j * np.outer(np.cos(seen), along))
    if half_space:
        before = np.abs(seen) <= 0.5 * np.pi + SAME_ANGLE
        image = np.flatnonzero(before & (np.abs(seen) < 0.5 * np.pi - SAME_ANGLE) & (np.abs(seen) > SAME_ANGLE))
        # Its phase is even about the baffle but for the point from which it was counted.
        behind = moved[image] * np.exp(1j * np.outer(np.cos(seen[image]), along))
        seen = np.concatenate([seen[before], np.sign(seen[image]) * np.pi - seen[image]])
        order = np.argsort(seen)
        seen, even = seen[order], np.concatenate([even[before], behind])[order]
    return np.asarray(at_angles(seen, even, off_axis) * np.exp(1j * np.outer(np.cos(off_axis), along)))


def evenest(off_axis: FloatArray, pressure: ComplexArray, *, wavenumber: FloatArray) -> FloatArray:
    """Where along the axis (F,) m, ahead of the turntable's, the phase (A, F) changes least from angle to angle."""
    tried = np.linspace(-LARGEST_REACH, LARGEST_REACH, 2 * TRIED + 1)
    neighbours = pressure[1:] * np.conj(pressure[:-1])
    turn = np.outer(np.diff(np.cos(off_axis)), wavenumber) * (LARGEST_REACH / TRIED)
    # The real part of the neighbours turned back for each place: from one to the next by Chebyshev's recurrence, which
    # takes a tenth of the time that exponentials do.
    double, now = 2.0 * np.cos(turn), neighbours.real
    ahead = 0.5 * double * now + neighbours.imag * np.sin(turn)
    agreed = np.empty((tried.size, wavenumber.size))
    np.sum(now, axis=0, out=agreed[TRIED])
    for way, first in ((1, ahead), (-1, double * now - ahead)):
        before, at = now.copy(), first
        for k in range(1, TRIED + 1):
            np.sum(at, axis=0, out=agreed[TRIED + way * k])
            before, at = at, np.subtract(double * at, before, out=before)
    return np.asarray(tried[np.argmax(agreed, axis=0)])


def sampled_enough(
    off_axis: FloatArray, pressure: ComplexArray, *, frequency: FloatArray, speed_of_sound: float, worst: int = WORST
) -> BoolArray:
    """Frequencies (F,) below the first at which every second angle no longer tells the others, to `TOLD_BY_HALF`.

    worst : angles that are told worst and do not count.
    """
    if off_axis.size < 5:
        return np.ones(frequency.size, dtype=np.bool_)
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    along = wavenumber * evenest(off_axis, pressure, wavenumber=wavenumber)
    even = pressure * np.exp(-1j * np.outer(np.cos(off_axis), along))
    told = at_angles(off_axis[::2], even[::2], off_axis[1:-1:2])
    # The worst are left out, so that one wrong file and its neighbours do not speak for all frequencies.
    missed = np.sort(np.abs(told - even[1:-1:2]) ** 2, axis=0)[: max(told.shape[0] - worst, 1)]
    missed = np.sum(missed, axis=0) / np.maximum(np.sum(np.abs(even[1:-1:2]) ** 2, axis=0), np.finfo(float).tiny)
    # Upward from where it is told best: below, what is missed is noise.
    best = int(np.argmin(missed))
    bad = best + np.flatnonzero(missed[best:] > TOLD_BY_HALF**2)
    return np.asarray(np.arange(frequency.size) < (bad[0] if bad.size else frequency.size))


def at_angles(known: FloatArray, values: ComplexArray, wanted: FloatArray) -> ComplexArray:
    """Values (A, F) known at rising angles (A,), rad, by cubic spline at others (B,); periodic if they go all round."""
    if known.size < 2:
        return np.repeat(values, wanted.size, axis=0)
    gap = 2.0 * np.pi - (known[-1] - known[0])
    widest = float(np.diff(known).max())
    if gap < SAME_ANGLE:  # both -180 and 180 were measured: one direction
        known, values = known[:-1], np.concatenate([[0.5 * (values[0] + values[-1])], values[1:-1]])
        gap = 2.0 * np.pi - (known[-1] - known[0])
    if gap <= 1.5 * widest:
        known = np.append(known, known[0] + 2.0 * np.pi)
        values = np.concatenate([values, values[:1]])
        turns = known[0] + np.mod(wanted - known[0], 2.0 * np.pi)
        return np.asarray(CubicSpline(known, values, bc_type="periodic")(turns))
    return np.asarray(make_interp_spline(known, values, k=min(3, known.size - 1))(wanted))


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.asarray(np.mod(angle + np.pi, 2.0 * np.pi) - np.pi)
