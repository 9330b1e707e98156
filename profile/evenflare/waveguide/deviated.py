"""A wall as a machine or a foundry leaves it: the drawn one, moved along its normal, and scaled.

Every point of the drawn wall moves by the deviation there, along the normal that points away from the axis. Where that
would leave a gap, at a sharp corner, or would leave a plane that another surface makes, at the throat and at a mouth
that is not rolled over, it also slides along the wall, by the tangent of the angle that is wanting, and less and less
on the way to the piece's other end: to first order only the movement along the normal changes a wall.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Frame, Meridian, Piece
from evenflare.waveguide.waveguide import Waveguide

ROLLED = 80.0 * np.pi / 180.0
"""rad, angle of the wall at the mouth from which on it is rolled over: the mouth plane moves with it."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_FINE = 64
"""Stretches of a piece over which its arc is measured."""
_STEP = 1e-4
"""Of a piece's parameter, for the curvature by differences."""


@dataclass(frozen=True)
class WallDeviation:
    """How a wall departs from the drawn one: lengths in m along its normal, positive where it lies further from the
    axis. Kinds add up.

    offset      : everywhere alike.
    bow         : amplitude of a half sine over the depth, nothing at throat and mouth.
    scale       : of the whole part about the throat's centre, as a share: 0.01 is one per cent larger.
    ovality     : amplitude of cos(2 azimuth), alike over the depth: wider across x, narrower across y.
    throat_step : by which the wall begins wider than the driver's exit.
    shares      : (N,) shares of the arc from throat, 0, to mouth, 1, rising; at these, in
    azimuths    : (M,) azimuths, rad, 0 to pi/2, rising, both planes of symmetry among them where there are several;
                  one alone: alike all round;
    waves       : (N, M), the departure there. From one share to the next it goes as 10 v^3 - 15 v^4 + 6 v^5, so that
                  it never leaves what is between them; around the section a cosine series in twice the azimuth.
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


def deviated(waveguide: Waveguide, deviation: WallDeviation) -> Waveguide:
    """The waveguide with its wall as `deviation` says; driver and mounting stay.

    ValueError if that leaves no wall (later, when the wall is asked for), or for what cannot be made yet.
    """
    if deviation == WallDeviation():
        return waveguide
    shape = waveguide.shape
    if not (waveguide.is_round and deviation.is_round):
        raise ValueError("a wall that is not round cannot be moved yet")
    return replace(waveguide, shape=Deviated(shape, deviation))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Deviated:
    """A shape of a meridian, moved along its normal by a deviation that is alike all round."""

    family: ClassVar[str] = "deviated"
    shape: Shape
    deviation: WallDeviation

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        drawn = self.shape.meridian(exit_radius)
        moved = moved_along_normal(drawn, self.deviation)
        return moved if self.deviation.scale == 0.0 else scaled(moved, 1.0 + self.deviation.scale)


def scaled(meridian: Meridian, factor: float) -> Meridian:
    """The wall made larger by a factor, about the throat's centre."""
    return Meridian(tuple(_Scaled(piece, factor) for piece in meridian.pieces))


@dataclass(frozen=True)
class _Scaled:
    piece: Piece
    factor: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        z, r, angle, curvature, speed = self.piece.frame_at(t)
        by = self.factor
        return Frame(z * by, r * by, angle, curvature / by, speed * by)


def moved_along_normal(drawn: Meridian, deviation: WallDeviation) -> Meridian:
    """The wall moved along its normal: offset, bow and waves of the deviation."""
    ends = [piece.frame_at(np.array([0.0, 1.0])).angle for piece in drawn.pieces]
    corners = [np.tan(0.5 * (before[1] - after[0])) for before, after in itertools.pairwise(ends)]
    mouth = float(ends[-1][1])
    slides = [float(np.tan(ends[0][0])), *(float(each) for each in corners), np.tan(mouth) if mouth < ROLLED else 0.0]
    arcs = [Arcs(piece) for piece in drawn.pieces]
    starts = np.concatenate([[0.0], np.cumsum([each.length for each in arcs])])
    wave = _Waves(deviation, float(starts[-1]), float(drawn.ends.z[0]), drawn.depth)
    return Meridian(
        tuple(
            _Moved(piece, arc, float(start), wave, -slide if i else slide, after)
            for i, (piece, arc, start, slide, after) in enumerate(
                zip(drawn.pieces, arcs, starts[:-1], slides[:-1], slides[1:], strict=True)
            )
        )
    )


@dataclass(frozen=True)
class Arcs:
    """The arc length of a piece from its throat side, by Gauss's rule over 64 stretches and Hermite's cubic between."""

    piece: Piece

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        t = np.linspace(0.0, 1.0, _FINE + 1)
        inner = t[:-1, None] + 0.5 / _FINE * (1.0 + _NODES)
        cells = self.piece.frame_at(inner).speed @ (0.5 / _FINE * _WEIGHTS)
        return t, np.concatenate([[0.0], np.cumsum(cells)])

    @property
    def length(self) -> float:
        """M."""
        return float(self._table[1][-1])

    def arc_at(self, t: FloatArray) -> FloatArray:
        """m, from the piece's throat side to parameters t, any shape."""
        nodes, arc = self._table
        k = np.clip((t * _FINE).astype(int), 0, _FINE - 1)
        inner = nodes[k][..., None] + 0.5 * (t - nodes[k])[..., None] * (1.0 + _NODES)
        return np.asarray(arc[k] + 0.5 * (t - nodes[k]) * (self.piece.frame_at(inner).speed @ _WEIGHTS))


@dataclass(frozen=True)
class _Waves:
    """The departure of a wall alike all round, and its derivative by the arc.

    length : m, of the whole arc; start, depth : m, of the wall along the axis.
    """

    deviation: WallDeviation
    length: float
    start: float
    depth: float

    @cached_property
    def _knots(self) -> tuple[FloatArray, FloatArray]:
        return np.array(self.deviation.shares) * self.length, np.array(self.deviation.waves)[:, 0]

    def __call__(self, arc: FloatArray, wall: Frame) -> tuple[FloatArray, FloatArray]:
        """m, and its derivative by the arc, at arcs (m) from the throat where the wall is that."""
        turn = np.pi * (wall.z - self.start) / self.depth
        off = self.deviation.offset + self.deviation.bow * np.sin(turn)
        slope = self.deviation.bow * np.pi / self.depth * np.cos(turn) * np.cos(wall.angle)
        if len(self.deviation.shares) < 2:
            return off, slope
        knots, values = self._knots
        k = np.clip(np.searchsorted(knots, arc, side="right") - 1, 0, knots.size - 2)
        width, rise = knots[k + 1] - knots[k], values[k + 1] - values[k]
        v = np.clip((arc - knots[k]) / width, 0.0, 1.0)
        off = off + values[k] + rise * v**3 * (10.0 - 15.0 * v + 6.0 * v**2)
        return off, slope + rise / width * 30.0 * (v * (1.0 - v)) ** 2


@dataclass(frozen=True)
class _Moved:
    """A piece of wall moved along its normal, and slid along itself: by the slides times the departure at its ends.

    before, after : tangents of the slides at the throat's side and at the mouth's, toward the mouth.
    """

    piece: Piece
    arcs: Arcs
    start: float
    waves: _Waves
    before: float
    after: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece. The curvature is by differences of the angle."""
        t = np.asarray(t, dtype=np.float64)
        z, r, angle, speed = self._placed(t)
        low, high = np.maximum(t - _STEP, 0.0), np.minimum(t + _STEP, 1.0)
        turn = self._placed(high)[2] - self._placed(low)[2]
        return Frame(z, r, angle, turn / ((high - low) * speed), speed)

    def _placed(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        wall = self.piece.frame_at(t)
        off, slope = self.waves(self.start + self.arcs.arc_at(t), wall)
        blend = t * t * (3.0 - 2.0 * t)
        slide = self.before + (self.after - self.before) * blend
        slide_slope = (self.after - self.before) * 6.0 * t * (1.0 - t) / wall.speed
        cosine, sine = np.cos(wall.angle), np.sin(wall.angle)
        along = 1.0 + slope * slide + off * (slide_slope - wall.curvature)
        across = slope + off * wall.curvature * slide
        return (
            wall.z + off * (slide * cosine - sine),
            wall.r + off * (slide * sine + cosine),
            wall.angle + np.arctan2(across, along),
            wall.speed * np.hypot(along, across),
        )


def shares_of(drawn: Meridian, z: Sequence[float] | FloatArray) -> FloatArray:
    """Shares of the arc at which a wall that advances along the axis passes depths z (m, any) from the throat plane."""
    frames = [piece.frame_at(np.linspace(0.0, 1.0, 257)) for piece in drawn.pieces]
    arcs = [Arcs(piece) for piece in drawn.pieces]
    starts = np.concatenate([[0.0], np.cumsum([each.length for each in arcs])])
    along = [start + each.arc_at(np.linspace(0.0, 1.0, 257)) for start, each in zip(starts[:-1], arcs, strict=True)]
    places = np.concatenate([frame.z for frame in frames]) - drawn.ends.z[0]
    return np.asarray(np.interp(z, places, np.concatenate(along) / starts[-1]))
