"""A meridian moved along its normal.

Every point of the drawn wall moves by the departure there, along the normal that points away from the axis. Where that
would leave a gap, at a sharp corner, or would leave a plane that another surface makes, at the throat and at the mouth,
it also slides along the wall, by the tangent of the angle that is wanting, and less and less on the way to the piece's
other end: to first order only the movement along the normal changes a wall.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from evenflare.units import MILLIMETRE, BoolArray, FloatArray, read_only
from evenflare.waveguide.departure import ROLLED, Arcs, Departure, DrawnWall, WallDeviation
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Frame, Meridian, Piece

_STEP = 1e-4
"""Of a piece's parameter, for the curvature by differences."""
_CLOSE = 1000
"""Even steps over a piece that are close enough for that."""
_SAMPLES = 257
SHARP = 1e5
"""1/m; what bends more than that is an edge, which a movement along its normal rounds or folds for itself."""
_CORNER = 0.1
"""Of the departure: a bend that folds over less of the arc is as good as a corner."""
KEPT = 96
"""Frames of drawn pieces: a solve asks for some fifty, most of them of a few kilobytes."""


class AlongWall(Protocol):
    """Where on the wall, by the arc that a deviation is given over, the points of a piece lie."""

    def arc_and_rate(self, t: FloatArray, wall: Frame) -> tuple[FloatArray, FloatArray]:
        """m from the throat at parameters t, where the wall is that, and its slope by the piece's own arc."""
        ...


@dataclass(frozen=True)
class OwnArc:
    """By the piece's own arc, which begins `start`, m, from the throat."""

    arcs: Arcs
    start: float

    def arc_and_rate(self, t: FloatArray, wall: Frame) -> tuple[FloatArray, FloatArray]:
        """See AlongWall."""
        return self.start + self.arcs.arc_at(t), np.ones_like(wall.z)


@dataclass(frozen=True, eq=False)
class Moved:
    """A piece of wall in the plane at `azimuth` (rad), moved along its normal, and slid along itself: by the slides
    times the departure at its ends.

    before, after : tangents of the slides at the throat's side and at the mouth's, toward the mouth.
    pushed        : m at either side, by which it slides besides.
    """

    piece: Piece
    place: AlongWall
    departure: Departure
    azimuth: float
    before: float
    after: float
    pushed: tuple[float, float] = (0.0, 0.0)

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece. The curvature is by differences of the angle: of those asked for, where they are close."""
        t = np.asarray(t, dtype=np.float64)
        if t.ndim == 1 and t.size > _CLOSE and t[1] > t[0] and np.ptp(np.diff(t)) < 1e-12:
            z, r, angle, speed = self._placed(t)
            return Frame(z, r, angle, np.gradient(angle, t[1] - t[0], edge_order=2) / speed, speed)
        low, high = np.maximum(t - _STEP, 0.0), np.minimum(t + _STEP, 1.0)
        (z, _, _), (r, _, _), (angle, first, last), (speed, _, _) = self._placed(np.stack([t, low, high]))
        with np.errstate(divide="ignore"):  # at a cusp
            return Frame(z, r, angle, (last - first) / ((high - low) * speed), speed)

    def _placed(self, t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        from evenflare.waveguide.moving import slid

        wall = drawn_frame(self.piece, t)
        arc, rate = self.place.arc_and_rate(t, wall)
        off, by_arc, by_depth = self.departure.off_at(arc, wall.z, self.azimuth)
        drawn = np.array([*wall, t, rate, off, by_arc, by_depth]).reshape(10, -1)
        z, r, angle, speed = slid(drawn, self.before, self.after, *self.pushed).reshape(4, *np.shape(t))
        return z, r, angle, speed


@dataclass(frozen=True, eq=False)
class _Scaled:
    piece: Piece
    factor: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        return self.larger(self.piece.frame_at(t))

    def larger(self, frame: Frame) -> Frame:
        """A frame of the piece, scaled."""
        z, r, angle, curvature, speed = frame
        by = self.factor
        return Frame(z * by, r * by, angle, curvature / by, speed * by)


def unbent(piece: Piece, t: FloatArray) -> Frame:
    """A piece at parameters t, any shape, whose curvature is not asked for and may be wanting, (0,): that of a moved
    one takes twice as much again.
    """
    if isinstance(piece, _Scaled):
        return piece.larger(unbent(piece.piece, t))
    if isinstance(piece, Moved):
        z, r, angle, speed = piece._placed(t)
        return Frame(z, r, angle, np.empty(0), speed)
    return piece.frame_at(t)


def drawn_frame(piece: Piece, t: FloatArray) -> Frame:
    """A drawn piece at parameters t, any shape; kept, for walls as made are asked at the same places of it."""
    return _drawn_frame(piece, t.tobytes(), t.shape)  # type: ignore[arg-type]  # pieces are frozen dataclasses


@lru_cache(maxsize=KEPT)
def _drawn_frame(piece: Piece, places: bytes, shape: tuple[int, ...]) -> Frame:
    return Frame(*(read_only(each) for each in piece.frame_at(np.frombuffer(places).reshape(shape))))


def scaled(meridian: Meridian, factor: float) -> Meridian:
    """The wall made larger by a factor, about the throat's centre."""
    return meridian if factor == 1.0 else Meridian(tuple(_Scaled(piece, factor) for piece in meridian.pieces))


def slides_of(meridian: Meridian, *, rolled: bool) -> list[float]:
    """Tangents of the slides at throat, joints and mouth, toward the mouth.

    rolled : whether the mouth's plane moves toward the throat by as much as the wall departs there.
    """
    ends = [piece.frame_at(np.array([0.0, 1.0])).angle.tolist() for piece in meridian.pieces]
    corners = [float(np.tan(0.5 * (before[1] - after[0]))) for before, after in itertools.pairwise(ends)]
    mouth = ends[-1][1]
    return [
        float(np.tan(ends[0][0])),
        *corners,
        float(-np.tan(0.5 * (0.5 * np.pi - mouth)) if rolled else np.tan(mouth)),
    ]


def shifted(
    meridian: Meridian,
    places: tuple[AlongWall, ...],
    departure: Departure,
    *,
    slides: Sequence[float],
    azimuth: float = 0.0,
    pushed: Sequence[float] = (),
) -> Meridian:
    """The meridian in the plane at `azimuth` moved by a departure, its pieces at those places.

    slides : see slides_of. pushed : m, by which each joint slides besides.
    """
    # Of the piece behind a corner the way is the other.
    begins = [slides[0], *(-each for each in slides[1:-1])]
    pushes = [0.0, *(pushed or [0.0] * (len(slides) - 2)), 0.0]
    return Meridian(
        tuple(
            Moved(piece, place, departure, azimuth, before, after, push)
            for piece, place, before, after, push in zip(
                meridian.pieces, places, begins, slides[1:], itertools.pairwise(pushes), strict=True
            )
        )
    )


@dataclass(frozen=True)
class RoundWall:
    """A drawn round wall, and what of it is the same for every deviation.

    arc, z     : (N,) m from the throat, along the wall and along the axis, at points of it, and
    curvatures : (N,) 1/m each there, of the meridian and of the circumference.
    """

    meridian: Meridian
    places: tuple[AlongWall, ...]
    drawn: DrawnWall
    slides: tuple[float, ...]
    arc: FloatArray
    z: FloatArray
    curvatures: tuple[FloatArray, FloatArray]


@lru_cache(maxsize=16)
def round_wall(shape: Shape, exit_radius: float) -> RoundWall:
    """The drawn wall of a shape behind an exit of that radius, m; kept, for it is moved many times."""
    meridian = shape.meridian(exit_radius)
    arcs = [Arcs(piece) for piece in meridian.pieces]
    starts = np.concatenate([[0.0], np.cumsum([each.length for each in arcs])])
    t = np.linspace(0.0, 1.0, _SAMPLES)
    frames = [piece.frame_at(t) for piece in meridian.pieces]
    arc = np.concatenate([start + each.arc_at(t) for start, each in zip(starts[:-1], arcs, strict=True)])
    z, r, angle, curvature = (np.concatenate([frame[i] for frame in frames]) for i in (0, 1, 2, 3))
    around = -np.cos(angle) / r
    ends = meridian.ends.angle.tolist()
    rolled = ends[1] >= ROLLED
    drawn = DrawnWall(
        length=float(starts[-1]),
        start=float(meridian.ends.z[0]),
        depth=meridian.depth,
        exit_radius=exit_radius,
        throat=(ends[0], ends[0]),
        rolled=rolled,
        before=(starts[-1] - arc)[::-1],
        left=np.maximum(0.5 * np.pi - angle, 0.0)[::-1],
    )
    places = tuple(OwnArc(each, float(start)) for each, start in zip(arcs, starts[:-1], strict=True))
    return RoundWall(meridian, places, drawn, tuple(slides_of(meridian, rolled=rolled)), arc, z, (curvature, around))


def moved_along_normal(shape: Shape, deviation: WallDeviation, *, exit_radius: float) -> Meridian:
    """The wall of a shape moved along its normal: all of a deviation that is alike all round but its scale.

    ValueError where it folds.
    """
    wall = round_wall(shape, exit_radius)  # type: ignore[arg-type]  # shapes are frozen dataclasses
    departure = Departure(deviation, wall.drawn)
    for curvature in wall.curvatures:
        refuse_folds(departure, wall.arc, wall.z, curvature)
    return shifted(wall.meridian, wall.places, departure, slides=wall.slides)


def folds(off: FloatArray, curvature: FloatArray) -> BoolArray:
    """Where a wall folds that moves by so much, m, and bends so, 1/m; any shape."""
    return (off * np.where(np.isfinite(curvature), curvature, SHARP) >= 1.0) & (np.abs(curvature) < SHARP)


def refuse_folds(
    departure: Departure, arc: FloatArray, z: FloatArray, curvature: FloatArray, azimuth: float | FloatArray = 0.0
) -> None:
    """ValueError where a wall moved by a departure folds: at places (N,) in order, arc and z in m, curvature in 1/m."""
    off, _, _ = departure.off_at(arc, z, azimuth)
    folded = folds(off, curvature)
    if not folded.any():
        return
    long = np.abs(np.gradient(arc))[folded].sum()
    worst = int(np.argmax(np.where(folded, np.abs(off), 0.0)))
    if long > _CORNER * abs(off[worst]):
        raise ValueError(
            f"a wall moved by {off[worst] / MILLIMETRE:.4g} mm along its normal folds at z_mm ="
            f" {z[worst] / MILLIMETRE:.4g}, where it bends on {1.0 / abs(curvature[worst]) / MILLIMETRE:.4g} mm: must"
            " move by less. Lower the deviation, or round that bend more"
        )
