"""Runs of short moves as circular arcs, and arcs as short moves again."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.units import BoolArray, FloatArray

FEWEST = 4
"""Points of an arc."""
LONGEST_SWEEP = 0.9 * np.pi
"""rad: controllers disagree about half circles and more."""
LARGEST_RADIUS = 2.0
"""m; flatter runs stay straight moves."""
_LONGEST = 512


class ArcMove(NamedTuple):
    """The moves after row `first` up to row `last` as one arc about `centre` (2,), m, in the program's plane."""

    first: int
    last: int
    centre: FloatArray
    counter_clockwise: bool


def arcs(
    plane: FloatArray, height: FloatArray, joinable: BoolArray, *, tolerance: float, chord: float = 0.0
) -> list[ArcMove]:
    """The longest arcs, or helices, from which points depart by at most `tolerance`, and straight moves between them by
    `chord` more: as much as these depart from the smooth path already (both m).

    plane    : (M, 2), m, the axes of the arc's plane, so that counter-clockwise is from the first to the second.
    height   : (M,), m, along the third axis.
    joinable : (M,), whether the move that ends there may become part of an arc with the move before it.
    """
    found, row, count = list[ArcMove](), 0, plane.shape[0]
    runs, able = np.flatnonzero(~joinable), _able(plane, joinable, tolerance + chord)
    while row < able.size:
        if not able[row]:
            row += 1
            continue
        after = np.searchsorted(runs, row, side="right")
        end = int(runs[after]) - 1 if after < runs.size else count - 1
        best = _longest(plane, height, row, min(end, row + _LONGEST), tolerance, chord)
        if best is None:
            row += 1
            continue
        found.append(best)
        row = best.last
    return found


def _able(plane: FloatArray, joinable: BoolArray, bound: float) -> BoolArray:
    """(M - FEWEST + 1,): where an arc of the fewest points may begin, roughly: moves turn one way, and not much."""
    count = plane.shape[0] - FEWEST + 1
    if count <= 0:
        return np.zeros(0, dtype=np.bool_)
    move = np.diff(plane, axis=0)
    length = np.maximum(np.hypot(*move.T), 1e-15)
    turn = (move[:-1, 0] * move[1:, 1] - move[:-1, 1] * move[1:, 0]) / (length[:-1] * length[1:])
    first, second = turn[:count], turn[1 : count + 1]
    able = (first * second > 0.0) & (np.abs(first) * length[1 : count + 1] < 16.0 * bound)
    for k in range(1, FEWEST):
        able &= joinable[k : k + count]
    return np.asarray(able)


def _longest(
    plane: FloatArray, height: FloatArray, first: int, end: int, tolerance: float, chord: float
) -> ArcMove | None:
    size, good, bad = FEWEST - 1, None, end - first + 1
    while size < bad:
        arc = _fitted(plane, height, first, first + size, tolerance, chord)
        if arc is None:
            bad = size
        else:
            good = arc
        low = good.last - first if good else FEWEST - 2
        size = min(2 * size, end - first) if bad > end - first and arc is not None else (low + bad) // 2
        if size <= low:
            break
    return good


def _fitted(
    plane: FloatArray, height: FloatArray, first: int, last: int, tolerance: float, chord: float
) -> ArcMove | None:
    points = plane[first : last + 1]
    middle = points[len(points) // 2]
    one, other = middle - points[0], points[-1] - points[0]
    cross = one[0] * other[1] - one[1] * other[0]
    if abs(cross) < 1e-15:
        return None
    squares = np.array([one @ one, other @ other])
    centre = points[0] + np.array([squares @ [other[1], -one[1]], squares @ [-other[0], one[0]]]) / (2.0 * cross)
    away = points - centre
    radius = float(np.hypot(*away[0]))
    if radius > LARGEST_RADIUS:
        return None
    # First what most of those that are too long fail by.
    off = np.abs(np.hypot(*away.T) - radius).max()
    if off > tolerance:
        return None
    angle = np.arctan2(away[:, 1], away[:, 0])
    turn = np.diff(angle)
    if np.abs(turn).max() > np.pi:
        turn = np.diff(np.unwrap(angle))
    if not ((turn > 0.0).all() or (turn < 0.0).all()) or abs(turn.sum()) > LONGEST_SWEEP:
        return None
    chords = np.hypot(*(0.5 * (away[1:] + away[:-1])).T)
    off = max(off, np.abs(chords - radius).max() - chord)
    share = np.concatenate([[0.0], np.cumsum(turn)]) / turn.sum()
    rise = np.abs(height[first : last + 1] - height[first] - share * (height[last] - height[first])).max()
    if np.hypot(off, rise) > tolerance:
        return None
    return ArcMove(first, last, centre, bool(turn[0] > 0.0))


def expanded(
    start: FloatArray, end: FloatArray, centre: FloatArray, *, counter_clockwise: bool, chord: float
) -> FloatArray:
    """(N, 3), m: straight moves after `start`, up to `end`, within `chord` of an arc in the plane of the first two
    axes; the third rises evenly. Start and end the same is a full circle.

    Where start and end are not equally far from the centre the radius goes over from one to the other.
    """
    from_, to = start[:2] - centre, end[:2] - centre
    radii = np.hypot(*from_), np.hypot(*to)
    sweep = (np.arctan2(to[1], to[0]) - np.arctan2(from_[1], from_[0])) % (2.0 * np.pi)
    if sweep < 1e-9:
        sweep = 2.0 * np.pi
    elif not counter_clockwise:
        sweep = 2.0 * np.pi - sweep
    step = 2.0 * np.arccos(max(1.0 - chord / max(radii), 0.5))
    share = np.linspace(0.0, 1.0, 1 + max(1, int(np.ceil(sweep / step))))[1:]
    angle = np.arctan2(from_[1], from_[0]) + (1.0 if counter_clockwise else -1.0) * sweep * share
    radius = radii[0] + share * (radii[1] - radii[0])
    height = start[2] + share * (end[2] - start[2])
    points = np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle), height])
    points[-1] = end
    return points
