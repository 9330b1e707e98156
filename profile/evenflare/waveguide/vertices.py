"""What the vertices of a polygon of points tell: how each chord runs, how noisy the points are, where corners are."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, FloatArray

CORNER = 8 * DEGREE
"""Default of the turn above which a vertex is a corner."""
FINEST_GRID = 1e-9
"""m; points closer than this to a place are there, whatever the decimals of a file."""
COARSEST_GRID = 0.01 * MILLIMETRE
"""Decimals that are fewer say nothing of rounding: 12.7 and 40 are meant as they stand."""
NOISE_SHARE = 0.25
"""Of the least corner, what noise may feign; where it would feign more, turns are taken between points apart."""
LONG = 4.0
"""A chord this many times as long as those beside it stands for a straight part, unless it leaves them as a curve."""
LARGEST_NOISE = 0.5 * MILLIMETRE
"""What zigzags by more is meant so."""
FEWEST = 9
"""Points from which their noise can be told."""


class Chords(NamedTuple):
    """Chords (N,) between points (N + 1, 2): lengths in m, and headings against the axis in rad, unwrapped."""

    length: FloatArray
    heading: FloatArray


def chords(points: FloatArray) -> Chords:
    """Of points (N, 2) of z and r in m."""
    dz, dr = np.diff(points, axis=0).T
    return Chords(np.hypot(dz, dr), np.unwrap(np.arctan2(dr, dz)))


def grid(points: FloatArray) -> float:
    """m, step of the decimal grid in mm on which all points (N, 2) lie: what they were rounded to.

    Between FINEST_GRID and COARSEST_GRID.
    """
    in_mm = points / MILLIMETRE
    step = COARSEST_GRID
    while step > FINEST_GRID:
        on = in_mm / (step / MILLIMETRE)
        if np.abs(on - np.round(on)).max() < 1e-4:
            return step
        step *= 0.1
    return FINEST_GRID


def noise(points: FloatArray) -> float:
    """m, rms of what points (N, 2) leave a smooth curve by, across it; 0 for fewer than FEWEST, or what must be meant.

    Each point is compared to the cubic through two neighbours on either side: over even steps it leaves that by 1.39
    times its own noise (the root of 1 + 34/36). Their median knows nothing of a few corners.
    """
    if len(points) < FEWEST:
        return 0.0
    around = np.stack([points[i : len(points) - 4 + i] for i in range(5)], axis=1)
    base = around[:, 4] - around[:, 0]
    unit = base / np.maximum(np.hypot(*base.T), FINEST_GRID)[:, None]
    relative = around - around[:, 2:3]
    along = np.einsum("nki,ni->nk", relative, unit)
    across = relative[:, :, 1] * unit[:, None, 0] - relative[:, :, 0] * unit[:, None, 1]
    x, y = along[:, [0, 1, 3, 4]], across[:, [0, 1, 3, 4]]
    weight = np.ones_like(x)
    for k in range(4):
        for m in range(4):
            if m != k:
                apart = x[:, k] - x[:, m]
                weight[:, k] *= x[:, m] / np.where(np.abs(apart) < FINEST_GRID, FINEST_GRID, apart)
    left = np.abs(np.sum(weight * y, axis=1)) / np.sqrt(1.0 + np.sum(weight**2, axis=1))
    found = float(np.median(left)) / 0.6745
    return found if found <= LARGEST_NOISE else 0.0


def corners_of(points: FloatArray, *, corner: float) -> tuple[int, ...]:
    """Indices of those points (N, 2) of z and r, m, that are corners.

    A corner turns by more than `corner` (rad) beyond what the curvature on either side of it explains, taken a chord
    away from it: so the spacing of the points does not matter. Where noise would feign more than NOISE_SHARE of that,
    chords run to every second, third ... point.
    """
    from scipy.ndimage import maximum_filter1d  # takes a while to load

    stride, count = 1, len(points)
    if count < 3:
        return ()
    mean = float(np.hypot(*np.diff(points, axis=0).T).mean())
    # Of the five points that make an excess, over even steps: the root of 2 (1/4 + 4) + 9.
    feigned = 4.2 * noise(points) / mean
    while feigned / stride > NOISE_SHARE * corner and 6 * (stride + 1) < count:
        stride += 1
    turn, length = _turns(points, stride)
    found: set[int] = set()
    # As far as a corner shows in what others turn beyond their neighbours.
    reach = 2 * stride - 1
    while True:
        excess = _excess(turn, length, stride, found)
        # The sharpest first, for beside a corner the turn of others is not known yet; and first those that do turn.
        for turning in (np.nan_to_num(turn) * np.sign(excess) > 0.1 * np.abs(excess), excess != 0.0):
            size = np.where(turning, np.abs(excess), 0.0)
            largest = maximum_filter1d(size, 2 * reach + 1, mode="constant")
            new = np.flatnonzero((size > corner) & (size >= largest * (1.0 - 1e-9))).tolist()
            if new:
                break
        else:
            return tuple(sorted(found))
        for index in new:
            if not found & set(range(index - stride + 1, index + stride)):
                found.add(index)


def _turns(points: FloatArray, stride: int) -> tuple[FloatArray, FloatArray]:
    """(N,) rad: the turn at each point between the chords from and to the points `stride` before and behind; and
    (N - stride,) m: those chords' lengths. No number where either is missing.
    """
    dz, dr = (points[stride:] - points[:-stride]).T
    heading, turn = np.arctan2(dr, dz), np.full(len(points), np.nan)
    turn[stride:-stride] = (heading[stride:] - heading[:-stride] + np.pi) % (2 * np.pi) - np.pi
    return turn, np.hypot(dz, dr)


def _excess(turn: FloatArray, length: FloatArray, stride: int, corners: set[int]) -> FloatArray:
    """(N,) rad: by how much each point turns beyond what the curvature beside it explains; 0 where that is unknown."""
    clean = turn.copy()
    for index in corners:
        clean[max(0, index - stride + 1) : index + stride] = np.nan
    inner = slice(stride, -stride)
    before, behind = length[:-stride], length[stride:]
    bend = np.full(turn.size, np.nan)
    bend[inner] = clean[inner] / (0.5 * (before + behind))
    one, other = np.roll(bend, stride)[inner], np.roll(bend, -stride)[inner]
    # Beyond an end or a corner nothing is known: there any curvature between none and the other side's will do.
    least = np.nan_to_num(one) * before + np.nan_to_num(other) * behind
    one, other = np.where(np.isnan(one), other, one), np.where(np.isnan(other), one, other)
    most = np.nan_to_num(one) * before + np.nan_to_num(other) * behind
    low, high = clean[inner] - 0.5 * least, clean[inner] - 0.5 * most
    excess = np.zeros(turn.size)
    excess[inner] = np.where(low * high <= 0.0, 0.0, np.where(np.abs(low) < np.abs(high), low, high))
    return np.nan_to_num(excess)
