"""A body's outside as its programs see it: from the mouth plane and from the back, each as far as the widest place."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.outline import FLAT
from evenflare.manufacture.wall.spacing import SMOOTH, parallel, rolled
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Body, Frame, Meridian
from evenflare.waveguide.body import outside
from evenflare.waveguide.meridian import sampled_pieces
from evenflare.words import mm

LINE = 0.1e-6
"""m, chord error of the points that stand for the exact outside."""
ROLL = 0.5 * DEGREE
"""Between the normals at a sharp edge: a ball of 3 mm rolls round it within 0.03 um."""
TOUCHED = 2e-6
"""m, by which a round tool may seem to reach into the outside, of which straight lines between points are known."""


class Side(NamedTuple):
    """One side of a body's outside; z = 0 at its end, the mouth plane or the back, rising out of the part; m.

    line : from where it leaves that plane out- and downward to the widest place; angles from pi/2, where the normal
           rises, to pi, where it points away from the axis.
    end  : which.
    """

    line: Frame
    end: Literal["front", "back"]

    @property
    def inner(self) -> float:
        """m, the radius at which it leaves the plane of its end."""
        return float(self.line.r[0])

    @property
    def widest(self) -> float:
        """m, the radius of the widest place."""
        return float(self.line.r[-1])

    @property
    def lowest(self) -> float:
        """m, z of the widest place."""
        return float(self.line.z[-1])

    def touching(self, radius: float, *, what: str) -> tuple[FloatArray, FloatArray]:
        """(z, r) of the centre of a ball or nose of `radius` (m) along the line.

        what : the tool, for the message. Errors : InputError where the outside is too hollow for it.
        """
        import shapely

        z, r = parallel(self.line, radius)
        around = shapely.LineString(np.column_stack([self.line.z, self.line.r]))
        away = shapely.distance(around, shapely.points(z, r))
        if away.min() < radius - TOUCHED:
            worst = int(away.argmin())
            raise InputError(
                f"{what}: a radius of {mm(radius)} would cut into the body's outside {mm(-float(self.line.z[worst]))}"
                f" behind its {self.end}, {mm(float(self.line.r[worst]))} off the axis, which is hollow there. Take a"
                " smaller one"
            )
        return z, r


def sides_of(meridian: Meridian, body: Body, *, share: float) -> tuple[Side, Side]:
    """The front and the back of a body's outside.

    share  : of a stretch that is as wide as the widest place, which the front takes: 1 of a lathe, 0.5 of a router.
    Errors : InputError if a side hides from its end anywhere: a straight tool does not reach it.
    """
    line = rolled(sampled_pieces(outside(meridian, body), chord_error=LINE), step=ROLL)
    back = -float(line.z.min())
    on = slice(0, int(np.flatnonzero(line.z <= FLAT - back)[0]) + 1)
    angle = np.unwrap(line.angle)
    angle -= 2.0 * np.pi * np.round((angle[0] - 0.5 * np.pi) / (2.0 * np.pi))
    line = Frame(*(column[on] for column in line._replace(angle=angle)))
    place = _widest(line, share)
    ahead = Frame(*(np.append(column[:k], value) for (column, k), value in zip(_cut(line, place), place, strict=True)))
    behind = Frame(*(np.append(value, column[k:]) for (column, k), value in zip(_cut(line, place), place, strict=True)))
    ahead.angle[-1] = min(float(ahead.angle[-1]), np.pi)  # A sharp rim that is the widest place turns on behind it.
    turned = Frame(*(column[::-1] for column in behind))
    turned = turned._replace(z=-turned.z - back, angle=2.0 * np.pi - turned.angle)
    start = int(np.flatnonzero(ahead.z >= meridian.depth - FLAT)[-1])
    ahead = Frame(*(column[start:] for column in ahead))._replace(z=ahead.z[start:] - meridian.depth)
    return _checked(Side(_ended(ahead), "front")), _checked(Side(_ended(turned), "back"))


def _cut(line: Frame, place: Frame) -> list[tuple[FloatArray, int]]:
    """Each column, and where `place` stands in it."""
    along = np.arange(line.z.size, dtype=float)
    before = int(np.searchsorted(along, float(place.speed)))
    return [(column, before) for column in line]


def _widest(line: Frame, share: float) -> Frame:
    """The widest place; `speed` has where among the points it lies."""
    near = np.flatnonzero(line.r >= line.r.max() - FLAT)
    low, high = max(int(near[0]) - 1, 0), min(int(near[-1]) + 1, line.r.size - 1)
    span = np.arange(low, high + 1)
    past = span[line.angle[span] >= np.pi - SMOOTH]
    upto = span[line.angle[span] <= np.pi + SMOOTH]
    first = int(past[0]) if past.size else high
    last = int(upto[-1]) if upto.size else low
    if last > first and line.z[first] - line.z[last] > FLAT:  # straight along the axis
        z = line.z[first] + share * (line.z[last] - line.z[first])
        where = float(np.interp(-z, -line.z[first : last + 1], np.arange(first, last + 1)))
    elif first > 0 and line.angle[first] > np.pi and line.angle[first - 1] < np.pi:
        a, b = line.angle[first - 1], line.angle[first]
        where = first - 1 + float((np.pi - a) / (b - a))
    else:
        where = float(first)
    along = np.arange(line.z.size, dtype=float)
    found = Frame(*(np.asarray(np.interp(where, along, column)) for column in line))
    return found._replace(speed=np.asarray(where))


def _ended(line: Frame) -> Frame:
    """The line with its ends turned from the normal that rises, and to the one that points away from the axis."""
    first = np.arange(0.5 * np.pi, line.angle[0], ROLL)
    last = np.append(np.arange(line.angle[-1] + ROLL, np.pi, ROLL), np.pi)

    def still(value: float, angles: FloatArray) -> FloatArray:
        return np.full(angles.size, value)

    return Frame(
        np.concatenate([still(line.z[0], first), line.z, still(line.z[-1], last)]),
        np.concatenate([still(line.r[0], first), line.r, still(line.r[-1], last)]),
        np.concatenate([first, line.angle, last]),
        np.concatenate([0.0 * first, line.curvature, 0.0 * last]),
        np.concatenate([0.0 * first, line.speed, 0.0 * last]),
    )


def _checked(side: Side) -> Side:
    line = side.line
    hidden = (line.angle < 0.5 * np.pi - SMOOTH) | (line.angle > np.pi + SMOOTH)
    if hidden.any():
        worst = int(hidden.argmax())
        raise InputError(
            f'[solid] kind = "body": the outside hides from the {side.end} {line.z[worst] / -MILLIMETRE:.4g} mm behind'
            " it: a straight tool does not reach it, nor does a pattern draw. Let it widen steadily to its widest"
            " place, or take --process print"
        )
    return side
