"""Points that are rough, probed or scanned, drawn to a smooth curve that leaves none of them by more than allowed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import solveh_banded

from evenflare.units import FloatArray
from evenflare.waveguide.vertices import LONG, chords, noise

ROUNDS = 3
"""Of smoothing, each along the arc of the curve from before: rough points make it too long."""
WAVES = 1.0, 100.0
"""Mean chords: the wave lengths between which smoothing may begin. Up to there the equations are well conditioned."""
SHORTEST = 6.0
"""Of these waves that cross-validation is asked about: it takes the chords for infinitely short."""
SHORTEST_STEP = 0.125
"""Of the mean: chords that are shorter are taken to be as long, or the equations were too ill-conditioned."""
MOST_NOISE = 1.5
"""Times the noise that the points seem to have: what smoothing leaves them by, rms, at most."""
TRIED = 48
"""Stiffnesses of the curve within them."""
LEAST = 3e-9
"""m; less noise than that is none."""
PULLS = 100
"""Times that points which are left too far behind gain weight,"""
PULL = 4
"""by this power of how much too far."""
BANDS = 5
"""Of the equations, with the diagonal's: a tie goes over five points."""
KINK = 3e-3
"""rad, by which slopes at a jump of curvature may differ where points are off by their noise."""
HELD = 1e8
"""Weight of what stays as it is."""


def smoothed(
    points: FloatArray, tolerance: float, *, corners: Sequence[int], jumps: Sequence[tuple[int, int]]
) -> FloatArray:
    """Points (N, 2), m, each moved across the curve by `tolerance` (m) at most, so that curvature changes little.

    By no more than their noise asks, nor, rms, than even noise within the tolerance has: what is smooth stays as it is.
    Chords much longer than those beside them stay straight, and move with their neighbours.
    jumps  : of curvature, from one point to the next, or of one point twice.
    Source : penalised least squares, Whittaker (1923), On a new method of graduation, Proc. Edinburgh Math. Soc. 41,
             63-75, here with third divided differences along the arc; as stiff as generalised cross-validation has it,
             Craven and Wahba (1979), Smoothing noisy data with spline functions, Numer. Math. 31, 377-403 (citations
             from memory).
    """
    rough = noise(points)
    most = min(tolerance / np.sqrt(3.0), MOST_NOISE * rough)
    if most < LEAST:
        return points
    kept = _rows(points, [*((index, index) for index in corners), *jumps])
    ties, even = [before for before, after in jumps if before == after], np.ones(len(points))
    found, weight = points, even
    for _ in range(ROUNDS):
        steps = np.hypot(*np.diff(found, axis=0).T)
        along = np.concatenate([[0.0], np.cumsum(np.maximum(steps, SHORTEST_STEP * steps.mean()))])
        stiff = _stiffness(along, kept)
        step = along[-1] / (len(points) - 1)
        waves = np.geomspace(*WAVES, TRIED)
        factors = (waves * step / (2 * np.pi)) ** 6 / step
        tied = _tied(along, ties, (rough / KINK) ** 2)
        left = np.array([np.mean(moved(points, _drawn(points, each * stiff + tied, even)) ** 2) for each in factors])
        allowed = np.count_nonzero(left <= most**2)
        if allowed == 0:
            return points
        doubt = left / (1.0 - _freedom(factors * step, along[-1], len(points))) ** 2
        best = int(np.argmin(np.where(waves < SHORTEST, np.inf, doubt)))
        form = factors[min(best, allowed - 1)] * stiff + tied
        back = _end_slope(along)
        level = bool(back @ _drawn(points, form, even)[-3:, 0] < 0.0 and _runs_forward(points, tolerance))
        for _ in range(PULLS):
            found = _drawn(points, form, weight, level=back if level else None)
            left = moved(points, found)
            if left.max() <= tolerance:
                break
            weight = weight * np.maximum(left / (0.98 * tolerance), 1.0) ** PULL
    return found


def _runs_forward(points: FloatArray, tolerance: float) -> bool:
    """Whether rough points run toward the mouth throughout: then the smooth wall does not turn beyond 90 degrees."""
    return bool((np.maximum.accumulate(points[:, 0]) - points[:, 0]).max() <= 2.0 * tolerance)


def _end_slope(along: FloatArray) -> FloatArray:
    """(3,) what makes of the last three values of a curve its slope at the end."""
    a, b, c = along[-3:]
    return np.array([(c - b) / ((a - b) * (a - c)), (c - a) / ((b - a) * (b - c)), 1.0 / (c - a) + 1.0 / (c - b)])


def _freedom(factors: FloatArray, length: float, count: int) -> FloatArray:
    """Share of what the points say that a curve of each stiffness still follows: of waves over the length 1 over 1 plus
    stiffness times wave number to the sixth, and a parabola whole.
    """
    wave = np.pi * np.arange(1, count - 2) / length
    return np.asarray((3.0 + np.sum(1.0 / (1.0 + factors[:, None] * wave**6), axis=1)) / count)


def moved(points: FloatArray, smooth: FloatArray) -> FloatArray:
    """(N,) m: how far each point lies from the smooth curve through the others (N, 2), across it."""
    slope = np.gradient(smooth, axis=0)
    off = points - smooth
    return np.asarray(np.abs(off[:, 0] * slope[:, 1] - off[:, 1] * slope[:, 0]) / np.hypot(*slope.T))


def _rows(points: FloatArray, free: list[tuple[int, int]]) -> FloatArray:
    """(N - 3,) 1 for each four points in a row whose curvature is to change little, else 0."""
    length, _ = chords(points)
    beside = np.maximum(np.append(length[1:], 0.0), np.insert(length[:-1], 0, 0.0))
    straight = length > LONG * beside
    kept = np.where(straight[:-2] | straight[1:-1] | straight[2:], 0.0, 1.0)
    for before, after in free:
        kept[max(0, before - 2) : after] = 0.0
    return kept


def _stiffness(along: FloatArray, kept: FloatArray) -> FloatArray:
    """(BANDS, N) upper bands of the form whose value is the integral of the third derivative's square, over the arc."""
    x = [along[i : along.size - 3 + i] for i in range(4)]
    rows = np.empty((4, kept.size))
    for k in range(4):
        apart = np.ones(kept.size)
        for m in range(4):
            if m != k:
                apart *= x[k] - x[m]
        rows[k] = 6.0 / apart
    rows *= kept * np.sqrt((x[3] - x[0]) / 3.0)
    bands = np.zeros((BANDS, along.size))
    for i in range(4):
        for j in range(i, 4):
            bands[i - j - 1, j : j + kept.size] += rows[i] * rows[j]
    return bands


def _tied(along: FloatArray, places: Sequence[int], weight: float) -> FloatArray:
    """(BANDS, N) of the form that keeps the slopes on both sides of each place close, where curvatures may differ."""
    bands = np.zeros((BANDS, along.size))
    for place in places:
        if 2 <= place < along.size - 2:
            row = np.zeros(5)
            row[:3] = _end_slope(along[place - 2 : place + 1])
            row[2:] += _end_slope(-along[place + 2 : place - 1 : -1])[::-1]
            _add(bands, row, place - 2, weight)
    return bands


def _add(bands: FloatArray, row: FloatArray, first: int, weight: float) -> None:
    """Adds the square of what a row makes of the values from the first on."""
    for i in range(row.size):
        for j in range(i, row.size):
            bands[i - j - 1, first + j] += weight * row[i] * row[j]


def _drawn(points: FloatArray, stiff: FloatArray, weight: FloatArray, *, level: FloatArray | None = None) -> FloatArray:
    """The curve (N, 2) of that stiffness by points of that weight; `level`: at whose end z rises no more.

    It begins at the first point, the throat or the rim; a last one on the axis stays there.
    """
    columns: list[FloatArray] = []
    for values, held in ((points[:, 0], [0]), (points[:, 1], [0, -1] if points[-1, 1] == 0.0 else [0])):
        weights = weight.copy()
        weights[held] = HELD
        form = stiff.copy()
        form[-1] += weights
        if level is not None and not columns:
            _add(form, level / np.abs(level).max(), len(points) - 3, HELD)
        drawn = solveh_banded(form, weights * values, check_finite=False)
        drawn[held] = values[held]
        columns.append(drawn)
    return np.stack(columns, axis=1)
