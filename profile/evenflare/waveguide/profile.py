"""A drawn profile that runs on past the mouth and round the back to the axis: a waveguide, and a body around it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.optimize import brentq

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.body import BodyPoints
from evenflare.waveguide.points import CORNER, Points

FRONT = 1e-6
"""m; points that are no farther behind the foremost lie in the mouth plane with it."""
SHORT_OF_FRONT = tuple(0.1 * DEGREE * 2**i for i in range(6))
"""How much the wall of a rolled rim still has to turn to 90 degrees where it is cut, the least that serves: on its way
on a spline may turn past that, and a wall that turns back is refused. On a radius of 20 mm the first is 30 nm of depth.
"""
CLOSE = 0.05
"""Of the way between two points: a place of the cut that is closer to one of them replaces it."""


def divided(points: FloatArray, *, corner: float = CORNER) -> tuple[Points, BodyPoints]:
    """The waveguide and the body of points (N, 2) of z and r in m, from the throat to the axis behind.

    The mouth is the point farthest forward, the first of those where they are several; where a smooth rim rolls over
    there, it is the place between the points at which the curve through them lies so.
    Errors : ValueError if there is no wall before that point, or `Points` or `BodyPoints` refuses its share.
    """
    front = int(np.argmax(points[:, 0] >= points[:, 0].max() - FRONT))
    if front == 0:
        raise ValueError(
            "the throat lies farthest forward: z must rise from the throat to the mouth. Give the points in order, and"
            " z from the throat plane"
        )
    if front == len(points) - 1:
        raise ValueError(
            "the last point, on the axis, lies farthest forward: must lie behind the throat. Lead the points round the"
            " back, or end them at the mouth"
        )
    for before, after in _rolled(points, front, corner):
        wall = Points(_pairs(before), corner)
        if wall.meridian(0.0).dense.angle.max() <= 0.5 * np.pi:
            return wall, BodyPoints(_pairs(after), corner)
    return Points(_pairs(points[: front + 1]), corner), BodyPoints(_pairs(points[front:]), corner)


def _rolled(points: FloatArray, front: int, corner: float) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Points before and after the places where a smooth rim has turned to almost 90 degrees; none at a sharp one."""
    cuts = [0, *with_straights(points, corners_of(points, corner=corner)), len(points) - 1]
    low, high = max(cut for cut in cuts if cut <= front), min(cut for cut in cuts if cut >= front)
    # Where the front goes on flat, the wall ends there and the curve of what follows is another.
    flat = points[front + 1, 0] >= points[front, 0] - FRONT
    run = points[low : (front if flat else high) + 1]
    if front in cuts or len(run) < 4:
        return
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))])
    along /= along[-1]
    curve, at = SplineWall(_pairs(run)), front - low
    ends = float(along[at - 1]), float(along[min(at + 1, len(run) - 1)])
    for short in SHORT_OF_FRONT:

        def beyond(t: float, wanted: float = 0.5 * np.pi - short) -> float:
            return float(curve.at(np.array([t])).angle[0]) % (2 * np.pi) - wanted

        if not beyond(ends[0]) < 0.0 < beyond(ends[1]) < np.pi:
            continue
        t = brentq(beyond, *ends, xtol=1e-12)
        frame = curve.at(np.array([t]))
        place = [float(frame.z[0]), float(frame.r[0])]
        index = low + int(np.searchsorted(along, t))
        before, after = np.vstack([points[:index], place]), np.vstack([place, points[front + 1 if flat else index :]])
        yield _apart(before[::-1])[::-1], _apart(after)


def _apart(points: FloatArray) -> FloatArray:
    """Without the second point where it is so close to the first that a curve through both would be rough."""
    if len(points) > 2:
        first, second = np.hypot(*np.diff(points[:3], axis=0).T)
        if first < CLOSE * second:
            return np.delete(points, 1, axis=0)
    return points


def _pairs(points: FloatArray) -> tuple[tuple[float, float], ...]:
    return tuple((float(z), float(r)) for z, r in points)
