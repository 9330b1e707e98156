"""A drawn profile that runs on past the mouth and round the back to the axis: a waveguide, and a body around it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from evenflare.units import FloatArray
from evenflare.waveguide.body import BodyPoints
from evenflare.waveguide.curve import drawn
from evenflare.waveguide.meridian import Piece
from evenflare.waveguide.points import Points
from evenflare.waveguide.vertices import CORNER

FRONT = 1e-6
"""m; points that are no farther behind the foremost lie in the mouth plane with it."""
FLAT = 1e-4
"""rad, by which what follows the mouth may leave its plane and still be a flat front."""
CLOSE = 0.05
"""Of the way between two points: a place of the cut that is closer to one of them replaces it."""
FINE = 33
"""Places of a piece between which an angle is sought."""


def divided(points: FloatArray, *, corner: float = CORNER, smooth: float = 0.0) -> tuple[Points, BodyPoints]:
    """The waveguide and the body of points (N, 2) of z and r in m, from the throat to the axis behind.

    corner, smooth : see Points.

    The mouth is the point farthest forward, the first of those where they are several; where a smooth rim rolls over
    there, it is the place between the points at which the curve through them lies so.
    Errors : ValueError if there is no wall before that point, or `Points` or `BodyPoints` refuses its share.
    """
    curve = drawn(points, corner=corner, smooth=smooth)
    given, points = points, curve.points
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
    before, after = given[: front + 1], given[front:]
    # Where the front goes on flat, the wall ends there and the curve of what follows is another.
    behind, away = np.abs(points[front + 1] - points[front])
    flat = behind <= FLAT * away
    place = None if flat else _rolled(curve.pieces, points[front])
    if place is not None:
        index = front if place[1] < points[front, 1] else front + 1
        before = _apart(np.vstack([given[:index], place])[::-1])[::-1]
        after = _apart(np.vstack([place, given[index:]]))
    return Points(_pairs(before), corner, smooth), BodyPoints(_pairs(after), corner, smooth)


def _rolled(pieces: tuple[Piece, ...], front: FloatArray) -> FloatArray | None:
    """(2,) z and r where a smooth rim, within one piece of curve, has turned to 90 degrees; None at a sharp one.

    front : (2,) the point that lies farthest forward.
    """
    wanted = 0.5 * np.pi
    for piece in pieces:
        t = np.linspace(0.0, 1.0, FINE)
        wall = piece.frame_at(t)
        turned = np.flatnonzero((wall.angle[:-1] < wanted) & (wall.angle[1:] >= wanted))
        if turned.size == 0:
            continue

        def beyond(t: float, piece: Piece = piece) -> float:
            return float(piece.frame_at(np.array([t])).angle[0]) - wanted

        k = int(turned[-1])
        frame = piece.frame_at(np.array([brentq(beyond, t[k], t[k + 1], xtol=1e-12)]))
        if frame.z[0] >= front[0] - FRONT:
            return np.array([frame.z[0], frame.r[0]])
    return None


def _apart(points: FloatArray) -> FloatArray:
    """Without the second point where it is so close to the first that a curve through both would be rough."""
    if len(points) > 2:
        first, second = np.hypot(*np.diff(points[:3], axis=0).T)
        if first < CLOSE * second:
            return np.delete(points, 1, axis=0)
    return points


def _pairs(points: FloatArray) -> tuple[tuple[float, float], ...]:
    return tuple((float(z), float(r)) for z, r in points)
