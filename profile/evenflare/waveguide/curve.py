"""The smooth curve through points: no farther from their chords than their own turns allow, cut where curvature jumps.

Over the arc of a chord the mean of the curve's angle is the chord's heading. So angles and curvatures at the points
follow from headings as in a finite-volume scheme from the means of cells: from six chords at most, none of them
beyond a jump of curvature. A circle and a straight line come back as they are, whatever the spacing.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from evenflare.units import FloatArray, IntArray
from evenflare.waveguide.jumps import Jump, Run, jumps_of, run_of, slopes
from evenflare.waveguide.meridian import Piece
from evenflare.waveguide.smoothing import smoothed
from evenflare.waveguide.vertices import CORNER, FEWEST, LONG, corners_of, grid
from evenflare.waveguide.walls import Line, SplineWall

CURVED = 0.25
"""Of the angle by which a curve of their curvature would leave the chords beside a long one: if that leaves them by
less, it is straight.
"""
SEEN_ABOVE = 4.0
"""Times what points are exact to: a sagitta that would show. Without one, a straight part is as good as an arc."""
STEEPER = 1.0
"""Times the larger turn at the ends of a chord: the largest angle of the curve against it."""
TIGHTER = 3.0
"""Times that turn over the chord's length: the largest curvature. Together they keep the curve within 3.3 sagittas,
length times turn over 8, of its chord; for an arc it is 1.
"""
CUSP = 1.15
"""From chord to chord the growth of a curvature that goes to infinity at the end of a wall: as the root of the distance
from there, by 1.22 between even steps from the second on.
"""
GROWN = 1.4
"""Within a part of such a wall: by no more than that."""
SEEN = 0.01
"""rad; what bends a part by less away from an arc needs no cut."""
LEVEL = 1e-9
"""rad by which a chord may run beyond 90 degrees, or inward, and the curve is still kept from doing so."""


@dataclass(frozen=True)
class _Stretch:
    """Points of a run from `first` to `last`, between two jumps of curvature.

    straight   : it is a line.
    begin, end : of the jump before it and behind it where that is between points.
    """

    first: int
    last: int
    straight: bool = False
    begin: Jump | None = None
    end: Jump | None = None


@dataclass(frozen=True)
class _Nodes:
    """What becomes of a stretch: its points (N, 2), angles and curvatures there, and of each chord its number."""

    points: FloatArray
    angle: FloatArray
    curvature: FloatArray
    chord: IntArray
    straight: bool


@dataclass(frozen=True)
class Drawn:
    """The points (N, 2) of z and r in m that a curve passes through, its corners among them, and where its curvature
    jumps.
    """

    points: FloatArray
    corners: tuple[int, ...]
    jumps: tuple[Jump, ...]

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """The curve: smooth from corner to corner, and cut into pieces where its curvature jumps."""
        close, found = grid(self.points), []
        for i, j in itertools.pairwise((0, *self.corners, len(self.points) - 1)):
            jumps = (each for each in self.jumps if i < each.before < j)
            own = [each._replace(before=each.before - i, after=each.after - i) for each in jumps]
            found += _pieces(run_of(self.points[i : j + 1], close), own)
        return tuple(found)


def drawn(points: FloatArray, *, corner: float = CORNER, smooth: float = 0.0) -> Drawn:
    """What is drawn through points (N, 2), m. `corner` (rad), `smooth` (m): see Points.

    Points are no more exact than the decimals they were written with: by as much they may be left in any case.
    """
    corners = corners_of(points, corner=corner)
    jumps = tuple(jumps_of(points, corners=corners))
    between = [(jump.before, jump.after) for jump in jumps]
    return Drawn(smoothed(points, max(smooth, grid(points)), corners=corners, jumps=between), corners, jumps)


def _pieces(run: Run, jumps: list[Jump]) -> list[Piece]:
    last = len(run.points) - 1
    if run.is_straight(0, last):
        return [Line(*run.points[0].tolist(), *run.points[-1].tolist())]
    nodes = [_nodes(run, stretch) for stretch in _stretches(run, jumps)]
    ends = [each.angle[[0, -1]] for each in nodes]
    for k, (before, after) in enumerate(itertools.pairwise(nodes)):
        if before.straight and after.straight:
            continue
        angle = 0.5 * (before.angle[-1] + after.angle[0])
        if before.straight or after.straight:
            angle = before.angle[-1] if before.straight else after.angle[0]
        ends[k][1] = ends[k + 1][0] = angle
    return [part for each in zip(nodes, ends, strict=True) for part in _graded(_piece(run, *each))]


def _stretches(run: Run, jumps: list[Jump]) -> list[_Stretch]:
    """A run cut at jumps of curvature and at the ends of straight parts."""
    found: list[_Stretch] = []
    first, begin = 0, None
    for jump in jumps:
        between = jump if jump.place is not None else None
        found += _with_straights(run, _Stretch(first, jump.before, begin=begin, end=between))
        first, begin = jump.after, between
    return found + _with_straights(run, _Stretch(first, len(run.points) - 1, begin=begin))


def _with_straights(run: Run, stretch: _Stretch) -> list[_Stretch]:
    """A stretch, cut at both ends of each chord, or row of chords in one line, that stands for a straight part.

    Who gives a curve closely and then nothing over a long way means a straight wall.
    """
    first, last = stretch.first, stretch.last
    if last - first < 2:
        return [stretch]
    if run.is_straight(first, last):
        return [replace(stretch, straight=True)]
    flat = np.abs(run.turn[1:-1]) <= 2.0 * run.close / np.minimum(run.length[1:], run.length[:-1])
    ends = [first, *(i for i in range(first + 1, last) if not flat[i - 1]), last]
    straight: set[int] = set()
    for k, (i, j) in enumerate(itertools.pairwise(ends)):
        beside = [run.length[i - 1]] * (k > 0) + [run.length[min(j, last - 1)]] * (k + 2 < len(ends))
        long = beside and float(run.length[i:j].sum()) > LONG * max(beside)
        if long and run.is_straight(i, j) and _tangent(run, stretch, i, j):
            straight.add(k)
    # What is left between straight parts stays whole.
    edges = sorted({first, last, *(end for k in straight for end in ends[k : k + 2])})
    starts = {ends[k] for k in straight}
    parts = [_Stretch(i, j, straight=i in starts) for i, j in itertools.pairwise(edges)]
    parts[0] = replace(parts[0], begin=stretch.begin)
    parts[-1] = replace(parts[-1], end=stretch.end)
    return parts


def _tangent(run: Run, stretch: _Stretch, i: int, j: int) -> bool:
    """Whether the curves on both sides of the way from point i to j run into it, not past it in an arc, and an arc
    would be seen.
    """
    heading, length = float(run.heading[i:j].mean()), float(run.length[i:j].sum())
    sagitta = 0.0
    for low, high, at in ((max(stretch.first, i - 3), i, i), (j, min(stretch.last, j + 3), j)):
        if high - low < 2:
            continue
        angle, curvature = slopes(run, low, high, run.along[[at]])
        left, curved = abs(float(angle[0]) - heading), 0.5 * length * abs(float(curvature[0]))
        if left > CURVED * curved + run.close / length:
            return False
        sagitta = max(sagitta, 0.25 * length * curved)
    return sagitta > SEEN_ABOVE * run.close


def _nodes(run: Run, stretch: _Stretch) -> _Nodes:
    first, last = stretch.first, stretch.last
    points, along = run.points[first : last + 1], run.along[first : last + 1]
    chord = np.arange(first, last)
    for jump, at_end in ((stretch.begin, False), (stretch.end, True)):
        if jump is not None and jump.place is not None:
            points = np.insert(points, len(points) if at_end else 0, jump.place, axis=0)
            along = np.insert(along, len(along) if at_end else 0, jump.along)
            chord = np.insert(chord, len(chord) if at_end else 0, jump.before)
    if stretch.straight:
        (dz, dr), heading = points[-1] - points[0], float(run.heading[first])
        angle = heading + np.arctan2(np.sin(np.arctan2(dr, dz) - heading), np.cos(np.arctan2(dr, dz) - heading))
        return _Nodes(points[[0, -1]], np.full(2, angle), np.zeros(2), chord[:1], True)
    return _Nodes(points, *slopes(run, first, last, along), chord, False)


def _piece(run: Run, nodes: _Nodes, ends: FloatArray) -> Piece:
    """The wall through nodes, with these angles at its ends, kept within what the turns at the points allow."""
    if nodes.straight:
        return Line(*nodes.points[0].tolist(), *nodes.points[-1].tolist())
    length, heading = run.length[nodes.chord], run.heading[nodes.chord]
    turn = np.maximum(np.abs(run.turn[nodes.chord]), np.abs(run.turn[nodes.chord + 1]))
    angle, curvature = nodes.angle.copy(), nodes.curvature.copy()
    angle[[0, -1]] = ends
    # Of a point the chords on both sides count.
    low, high = _both(heading - STEEPER * turn, np.maximum), _both(heading + STEEPER * turn, np.minimum)
    # Where no chord runs inward or back toward the throat, the curve does not.
    least, most = _both(heading, np.minimum), _both(heading, np.maximum)
    low = np.where(least >= -LEVEL, np.maximum(low, 0.0), low)
    high = np.where(most <= 0.5 * np.pi + LEVEL, np.minimum(high, 0.5 * np.pi), high)
    angle = np.maximum(np.minimum(angle, high), low)
    # So that the mean over the first and the last chord stays what it is.
    step = np.hypot(*np.diff(nodes.points, axis=0).T)
    moved = angle - nodes.angle
    curvature[0] -= 4.0 * moved[0] / step[0]
    curvature[-1] += 4.0 * moved[-1] / step[-1]
    if step.size == 1:
        curvature += np.array([-2.0 * moved[-1], 2.0 * moved[0]]) / step[0]
    tightest = _both(TIGHTER * turn / length, np.minimum)
    curvature = np.maximum(np.minimum(curvature, tightest), -tightest)
    pairs = tuple((float(z), float(r)) for z, r in nodes.points)
    return SplineWall(pairs, tuple(angle.tolist()), tuple(curvature.tolist()))


def _graded(piece: Piece) -> list[Piece]:
    """A piece; toward a cusp at its end, where curvature grows without bound, cut each time it has grown so much."""
    if not isinstance(piece, SplineWall) or len(piece.points) < FEWEST:
        return [piece]
    bend = np.abs(piece.curvatures)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.array(piece.points), axis=0).T))])
    last = bend.size - 1
    cuts = _growths(bend, along) | {last - i for i in _growths(bend[::-1], along[-1] - along[::-1])}
    return [
        SplineWall(piece.points[i : j + 1], piece.angles[i : j + 1], piece.curvatures[i : j + 1])
        for i, j in itertools.pairwise(sorted({0, *cuts, last}))
    ]


def _growths(bend: FloatArray, along: FloatArray) -> set[int]:
    """Indices, from a cusp at the begin of a piece on, up to where its curvature falls no more."""
    found: set[int] = set()
    # At the end itself it is not known.
    if bend[1] < 0.9 * bend[1:].max() or bend[1] < CUSP * bend[2]:
        return found
    edge = 1
    found.add(edge)
    for i in range(2, bend.size - 1):
        if bend[i] > bend[i - 1]:
            break
        if bend[edge] > GROWN * bend[i] and (bend[edge] - bend[i]) * (along[i] - along[edge]) > SEEN:
            found.add(i)
            edge = i
    return found


def _both(values: FloatArray, chosen: Callable[[FloatArray, FloatArray], FloatArray]) -> FloatArray:
    """At each point, of the chords before and behind it; at an end of the one there is."""
    return np.concatenate([values[:1], chosen(values[1:], values[:-1]), values[-1:]])
