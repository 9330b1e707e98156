"""Where the curvature of a curve jumps, told from points on it: a straight wall that runs into an arc, two arcs.

Over the arc of a chord the mean of the curve's angle is the chord's heading. So the curve's angle, and its curvature,
follow from headings as in a finite-volume scheme from the means of cells; and a jump of curvature lies where the
angles that follow from the chords on its two sides are equal.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.vertices import chords, grid, noise
from evenflare.waveguide.walls import WIDEST

JUMP = 6.0
"""A change of curvature across a chord this many times as large as those beside it is a jump,"""
SUDDEN = 0.45
"""if this much of it comes about between the ends of the chord: over even steps half of a jump and more does, and a
third of a steady change,"""
LEAST_JUMP = 1.0
"""1/m, if it is larger than this,"""
CLEAR = 12.0
"""and than this many times what a point's noise makes of curvature."""
SOUGHT = 8.0
"""1/m, a jump that should be told in spite of noise: of a radius of 120 mm."""
SNAPPED = 0.02
"""Of a chord: a jump this close to an end of it is at that point."""
BESIDE = 0.25
"""Of a chord: a jump found farther outside it is none."""
MISFIT = 0.1
"""Of a chord's sagitta: how far apart the curves from both sides may pass a jump between points."""
STENCIL = 7
"""Points whose chords give angle and curvature at one of them."""
SIDE = 4
"""Points whose chords give them beyond the last of them."""

_nodes, _weights = np.polynomial.legendre.leggauss(4)
_GAUSS_NODES, _GAUSS_WEIGHTS = 0.5 * (_nodes + 1.0), 0.5 * _weights


@dataclass(frozen=True)
class Run:
    """Points (N, 2) between two corners, and of their N - 1 chords the lengths in m and the headings in rad.

    turn   : (N,) rad, at each point; 0 at the ends.
    along  : (N,) m of arc, from the first.
    turned : (N,) m rad, integral of the curve's angle over it.
    close  : m; points as close as this to a straight line are on it.
    """

    points: FloatArray
    length: FloatArray
    heading: FloatArray
    turn: FloatArray
    along: FloatArray
    turned: FloatArray
    close: float

    def is_straight(self, first: int, last: int) -> bool:
        """Whether the points between these two lie on a straight line."""
        points = self.points[first : last + 1]
        chord = points[-1] - points[0]
        across = (points[:, 0] - points[0, 0]) * chord[1] - (points[:, 1] - points[0, 1]) * chord[0]
        return bool(np.abs(across).max() <= self.close * np.hypot(*chord))


class Jump(NamedTuple):
    """Of curvature, between the points `before` and `after`, or at the point that is both.

    place, along : (2,) m z and r, and m along the run, between points; None and 0 at a point.
    """

    before: int
    after: int
    place: FloatArray | None
    along: float


def run_of(points: FloatArray, close: float) -> Run:
    """The run through points (N, 2)."""
    length, heading = chords(points)
    turn = np.zeros(len(points))
    turn[1:-1] = np.diff(heading)
    bend = turn.copy()
    bend[1:-1] /= 0.5 * (length[1:] + length[:-1])
    bend[0], bend[-1] = bend[min(1, bend.size - 1)], bend[max(-2, -bend.size)]
    half = 0.25 * length * np.abs(bend[1:] + bend[:-1])
    half = np.minimum(half, np.minimum(np.maximum(np.abs(turn[1:]), np.abs(turn[:-1])), WIDEST))
    arc = length / np.sinc(half / np.pi)
    along, turned = np.zeros(len(points)), np.zeros(len(points))
    np.cumsum(arc, out=along[1:])
    np.cumsum(arc * heading, out=turned[1:])
    return Run(points, length, heading, turn, along, turned, close)


def slopes(run: Run, first: int, last: int, at: FloatArray, *, points: int = STENCIL) -> tuple[FloatArray, FloatArray]:
    """Angle (rad) and curvature (1/m) at places `at` (m along the run), from the points `first` to `last` alone.

    points : how many of them count for a place, the nearest.
    """
    count = min(points, last - first + 1)
    near = np.searchsorted(run.along[first : last + 1], at - 1e-12) + first
    start = np.clip(near - count // 2, first, last + 1 - count)
    x = [run.along[start + k] for k in range(count)]
    c = [run.turned[start + k] for k in range(count)]
    # Newton's divided differences, and the polynomial's first two derivatives by Horner's rule.
    for order in range(1, count):
        for k in range(count - 1, order - 1, -1):
            c[k] = (c[k] - c[k - 1]) / (x[k] - x[k - order])
    value, slope, bend = c[-1], np.zeros_like(at), np.zeros_like(at)
    for k in range(count - 2, -1, -1):
        apart = at - x[k]
        bend = bend * apart + 2.0 * slope
        slope = slope * apart + value
        value = value * apart + c[k]
    return slope, bend


def jumps_of(points: FloatArray, *, corners: tuple[int, ...]) -> list[Jump]:
    """Of the curve through points (N, 2) between its corners, in their order; their points count from the first of all.

    Where noise would feign a jump of more than SOUGHT, they are told from every second, third ... point.
    """
    rough, close = noise(points), grid(points)
    found: list[Jump] = []
    for i, j in itertools.pairwise((0, *corners, len(points) - 1)):
        run = points[i : j + 1]
        mean = float(np.hypot(*np.diff(run, axis=0).T).mean())
        stride = max(1, int(np.ceil(np.sqrt(CLEAR * rough / SOUGHT) / mean)))
        if stride == 1:
            here = _jumps(run_of(run, close), rough)
            found += [each._replace(before=each.before + i, after=each.after + i) for each in here]
            continue
        taken = np.unique(np.append(np.arange(0, len(run) - stride // 2, stride), len(run) - 1))
        coarse = run_of(run[taken], close)
        for each in _jumps(coarse, rough):
            place = coarse.points[each.before] if each.place is None else each.place
            nearest = i + int(np.argmin(np.hypot(*(run - place).T)))
            found.append(Jump(nearest, nearest, None, 0.0))
    return found


def _jumps(run: Run, rough: float) -> list[Jump]:
    """With two whole chords at least beside each. `rough`: m, the noise of the points."""
    count = len(run.points)
    if count < 6:
        return []
    arc = np.diff(run.along)
    bend = np.full(count, np.nan)
    bend[1:-1] = run.turn[1:-1] / (0.5 * (arc[1:] + arc[:-1]))
    change = np.diff(bend)
    # Of each chord from point j to j + 1: curvature at j + 2 less that at j - 1, neither of which it is part of.
    chord = np.arange(2, count - 3)
    jump = np.abs(bend[chord + 2] - bend[chord - 1])
    beside = np.fmax(np.abs(change[chord - 2]), np.abs(change[chord + 2]))
    sudden = change[chord] * np.sign(bend[chord + 2] - bend[chord - 1]) > SUDDEN * jump
    least = np.maximum(LEAST_JUMP, CLEAR * rough / arc[chord] ** 2)
    found: list[Jump] = []
    taken = np.zeros(count, dtype=bool)
    likely = np.flatnonzero(sudden & (jump > np.maximum(JUMP * np.nan_to_num(beside), least)))
    for j in chord[likely[np.argsort(-jump[likely], kind="stable")]].tolist():
        if taken[j - 1 : j + 3].any():
            continue
        here = _joint(run, j)
        if here is not None:
            found.append(here)
            taken[here.before : here.after + 1] = True
    return sorted(found, key=lambda each: each.before)


def _joint(run: Run, j: int) -> Jump | None:
    """The jump in or at the ends of the chord from point j to j + 1, if the curves from its two sides meet there."""
    begin, end = float(run.along[j]), float(run.along[j + 1])
    length = end - begin
    sides = (max(0, j - SIDE + 1), j), (j + 1, min(len(run.points) - 1, j + SIDE))
    at = 0.5 * (begin + end)
    for _ in range(4):
        (left, bend_left), (right, bend_right) = (slopes(run, *side, np.array([at]), points=SIDE) for side in sides)
        at -= float((right[0] - left[0]) / (bend_right[0] - bend_left[0]))
        if not begin - length < at < end + length:
            return None
    if not begin - BESIDE * length <= at <= end + BESIDE * length:
        return None
    nearest = j if at < 0.5 * (begin + end) else j + 1
    if not begin + SNAPPED * length < at < end - SNAPPED * length:
        return Jump(nearest, nearest, None, 0.0)
    one, other = (
        run.points[k] + _moved(run, side, float(run.along[k]), at) for k, side in zip((j, j + 1), sides, strict=True)
    )
    sagitta = 0.125 * length * max(abs(run.turn[j]), abs(run.turn[j + 1]))
    if np.hypot(*(one - other)) > MISFIT * sagitta + run.close:
        return Jump(nearest, nearest, None, 0.0)
    straight = [run.is_straight(*side) for side in sides]
    place = one if straight[0] else other if straight[1] else 0.5 * (one + other)
    return Jump(j, j + 1, place, at)


def _moved(run: Run, side: tuple[int, int], begin: float, end: float) -> FloatArray:
    """(2,) m from one place to another along the curve that follows from the points of one side."""
    angle, _ = slopes(run, *side, begin + (end - begin) * _GAUSS_NODES, points=SIDE)
    return (end - begin) * np.array([np.cos(angle) @ _GAUSS_WEIGHTS, np.sin(angle) @ _GAUSS_WEIGHTS])
