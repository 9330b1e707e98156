"""How far a wall departs from the drawn one, place by place, and what of the drawn one that takes.

Where a rim rolls over to 90 degrees the mouth's plane moves with it, and there the wall's departure is level and alike
all round: a plane cuts it, and no wave turns the wall beyond that plane. How soon before the rim that begins follows
from the angle that the wall has still to turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.meridian import Piece

ROLLED = 80.0 * DEGREE
"""rad, angle of the wall at the mouth from which on it is rolled over: the mouth plane moves with it."""
LEVEL = 10.0 * DEGREE
"""rad that the wall has still to turn where its departure begins to be level, at least; and"""
STEEPEST, WIDEST = 3.0, 5.0
"""times its slope, and times what is to be levelled over the way: then it rises less than the wall has still to turn,
for a wall that turns evenly or sooner (by calculus, of the curve that levels it)."""
_FLAT = 1e-6
"""rad; what has less still to turn is the mouth's plane already."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_CELLS, _MOST = 64, 1024
_EXACT = 1e-11
"""Of a piece's arc, to which it is tabulated."""


@dataclass(frozen=True)
class WallDeviation:
    """How a wall departs from the drawn one: lengths in m along its normal, positive where it lies further from the
    axis. Kinds add up. The driver's exit stays as it is: between it and a wall that begins wider lies a ledge.

    offset      : everywhere alike.
    bow         : amplitude of a half sine over the depth, nothing at throat and mouth.
    scale       : of the whole part about the throat's centre, as a share: 0.01 is one per cent larger.
    ovality     : amplitude of cos(2 azimuth), alike over the depth: wider across x, narrower across y.
    throat_step : by which the wall's radius at the throat is larger than drawn; nothing from one exit's radius on.
    shares      : (N,) shares of the arc from throat, 0, to mouth, 1, rising; at these, in
    azimuths    : (M,) azimuths, rad, 0 to pi/2, rising, both planes of symmetry among them where there are several;
                  one alone: alike all round;
    waves       : (N, M), the departure there. From one share to the next it goes as 10 v^3 - 15 v^4 + 6 v^5, so that
                  it never leaves what is between them; around the section a cosine series in twice the azimuth.

    The arc is the wall's own, of an oblong one that of the mean wall, whose radius is the root of the product of the
    sections' semi-axes.
    """

    offset: float = 0.0
    bow: float = 0.0
    scale: float = 0.0
    ovality: float = 0.0
    throat_step: float = 0.0
    shares: tuple[float, ...] = ()
    azimuths: tuple[float, ...] = (0.0,)
    waves: tuple[tuple[float, ...], ...] = ()

    @property
    def is_round(self) -> bool:
        """Whether it is alike all round."""
        return self.ovality == 0.0 and len(self.azimuths) == 1


def risen(v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """From 0 to 1 as v (any shape) does, level at both ends, and its slope."""
    v = np.minimum(np.maximum(v, 0.0), 1.0)
    return v * v * v * (10.0 + v * (6.0 * v - 15.0)), 30.0 * (v * (1.0 - v)) ** 2


def series_of(deviation: WallDeviation) -> FloatArray:
    """(N, M) of its waves at their knots: coefficients of cos(2 k azimuth), k from 0 on."""
    azimuths = np.array(deviation.azimuths)
    cosines = np.cos(2.0 * azimuths[:, None] * np.arange(azimuths.size))
    waves = np.array(deviation.waves).reshape(len(deviation.shares), azimuths.size)
    return np.asarray(np.linalg.solve(cosines, waves.T).T) if azimuths.size > 1 else waves


def waves_at(
    knots: FloatArray, series: FloatArray, arc: FloatArray, azimuth: float | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """m, and its slope by the arc, of waves with knots (N,) and their `series_of`, at places: arc, in the knots' unit,
    and azimuth, rad. Shapes broadcast.
    """
    # Of one azimuth, as in a meridian, the cosines are worked out once.
    every = np.ndim(azimuth) > 0
    shape = np.broadcast_shapes(np.shape(arc), np.shape(azimuth)) if every else np.shape(arc)
    if not series.size:
        return np.zeros(shape), np.zeros(shape)
    from evenflare.waveguide.moving import waves

    turn = np.array([[azimuth]])
    if every:
        arc, turn = np.broadcast_to(arc, shape), np.broadcast_to(azimuth, shape).reshape(-1, 1)
    around = np.cos(2.0 * np.arange(series.shape[1]) * turn)
    found = waves(knots, series, np.ravel(arc), around)
    return found[0].reshape(shape), found[1].reshape(shape)


@dataclass(frozen=True)
class Arcs:
    """The arc length of a piece from its throat side: by Gauss's rule over cells, within them Hermite's cubic."""

    piece: Piece

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Over even parameters the arc, and its slope over a cell."""
        cells = _CELLS
        while True:
            t = np.linspace(0.0, 1.0, cells + 1)
            # In halves, so that the cubic is tried against the arc half-way.
            inner = np.linspace(0.0, 1.0, 2 * cells + 1)[:-1, None] + 0.25 / cells * (1.0 + _NODES)
            halves = self.piece.frame_at(inner).speed @ (0.25 / cells * _WEIGHTS)
            arc = np.concatenate([[0.0], np.cumsum(halves)])
            whole, slope = arc[::2], self.piece.frame_at(t).speed / cells
            middle = 0.5 * (whole[1:] + whole[:-1]) + 0.125 * (slope[:-1] - slope[1:])
            if cells >= _MOST or np.abs(middle - arc[1::2]).max() <= _EXACT * whole[-1]:
                return whole, slope
            cells *= 2

    @cached_property
    def _cubics(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Coefficients of each cell's, from the constant on."""
        arc, slope = self._table
        rise = arc[1:] - arc[:-1]
        return arc[:-1], slope[:-1], 3.0 * rise - 2.0 * slope[:-1] - slope[1:], slope[:-1] + slope[1:] - 2.0 * rise

    @property
    def length(self) -> float:
        """M."""
        return float(self._table[0][-1])

    def arc_at(self, t: FloatArray) -> FloatArray:
        """m, from the piece's throat side to parameters t, any shape."""
        arc, slope, bend, twist = self._cubics
        place = t * arc.size
        k = np.minimum(np.maximum(place.astype(np.int64), 0), arc.size - 1)
        v = place - k
        return np.asarray(arc[k] + v * (slope[k] + v * (bend[k] + v * twist[k])))


@dataclass(frozen=True)
class DrawnWall:
    """What of a drawn wall its departure takes.

    length      : m, of the whole arc; start, depth : m, of the wall along the axis; exit_radius : m.
    throat      : rad, angle of the wall at the throat in the plane of x and in that of y.
    rolled      : whether the mouth is rolled over, in either plane.
    before, left : (N,) m of arc before the rim, from 0 on, and rad that the wall has still to turn there to 90 degrees.
    """

    length: float
    start: float
    depth: float
    exit_radius: float
    throat: tuple[float, float]
    rolled: bool
    before: FloatArray
    left: FloatArray

    @cached_property
    def flat(self) -> float:
        """m of arc before the rim that lie in the mouth's plane."""
        return float(self.before[np.argmax(self.left > _FLAT)])


@dataclass(frozen=True)
class Departure:
    """A deviation of a drawn wall: but for its scale, which is of the whole part."""

    deviation: WallDeviation
    drawn: DrawnWall

    @cached_property
    def knots(self) -> FloatArray:
        """(N,) m of arc."""
        return np.array(self.deviation.shares) * self.drawn.length

    @cached_property
    def series(self) -> FloatArray:
        """(N, M) at the knots: coefficients of cos(2 k azimuth), k from 0 on."""
        return series_of(self.deviation)

    @cached_property
    def at_rim(self) -> float:
        """m, of a rim that is rolled over, but for the offset: the mean all round."""
        return float(self.series[-1, 0]) if self.series.size else 0.0

    @property
    def mouth_plane(self) -> float:
        """m by which the mouth's plane moves toward the throat."""
        return self.deviation.offset + self.at_rim if self.drawn.rolled else 0.0

    @cached_property
    def levelled(self) -> float:
        """m of arc before the rim, or what of it lies in the mouth's plane, over which the departure becomes level."""
        drawn = self.drawn
        before = drawn.before - drawn.flat
        uneven = abs(self.deviation.ovality)
        slope = np.zeros_like(before)
        if len(self.knots) > 1:
            uneven += float(np.abs(self.series[-1, 1:]).sum())
            slopes = 1.875 * np.abs(np.diff(self.series, axis=0)).sum(axis=1) / np.diff(self.knots)
            # The steepest of what lies between a place and the rim.
            reached = np.maximum.accumulate(slopes[::-1])[::-1]
            after = np.searchsorted(self.knots, drawn.length - drawn.before, side="right") - 1
            slope = np.where(after < slopes.size, reached[np.clip(after, 0, slopes.size - 1)], 0.0)
        wanted = np.maximum(LEVEL, STEEPEST * slope + WIDEST * uneven / np.maximum(before, 1e-9))
        enough = (drawn.left >= wanted) & (before > 0.0)
        return float(before[np.argmax(enough)] if enough.any() else 0.5 * before[-1])

    def off_at(
        self, arc: FloatArray, z: FloatArray, azimuth: float | FloatArray = 0.0
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """m, and its slopes by the arc and by the depth, at places of the drawn wall: arc and z, m, and azimuth, rad.

        Arrays of one shape; or of shapes that broadcast.
        """
        deviation, drawn = self.deviation, self.drawn
        off, slope = waves_at(self.knots, self.series, arc, azimuth)
        if deviation.ovality != 0.0:
            off = off + deviation.ovality * np.cos(2.0 * np.asarray(azimuth))
        if drawn.rolled and (len(deviation.shares) > 0 or deviation.ovality != 0.0):
            away = drawn.length - drawn.flat - arc
            share, rate = risen(away / self.levelled)
            slope = slope * share - (off - self.at_rim) * rate / self.levelled
            off = self.at_rim + (off - self.at_rim) * share
        off = off + deviation.offset
        if deviation.throat_step != 0.0:
            across = np.cos(np.asarray(azimuth)) ** 2
            step = deviation.throat_step * (np.cos(drawn.throat[0]) * across + np.cos(drawn.throat[1]) * (1.0 - across))
            share, rate = risen(arc / drawn.exit_radius)
            off, slope = off + step * (1.0 - share), slope - step * rate / drawn.exit_radius
        if deviation.bow == 0.0:
            return off, slope, np.zeros_like(off)
        turn = np.pi * (z - drawn.start) / drawn.depth
        along = deviation.bow * np.pi / drawn.depth * np.cos(turn)
        return off + deviation.bow * np.sin(turn), slope, along + 0.0 * off
