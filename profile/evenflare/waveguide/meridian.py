"""The wall of a round waveguide in the (z, r) half-plane: smooth pieces, joined end to end."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray

if TYPE_CHECKING:
    from shapely import LineString

TOUCH = 1e-9
"""m; pieces whose ends are closer meet."""
SAME = 1e-12
"""m; points that are closer differ by rounding."""


class Frame(NamedTuple):
    """The wall at some of its points, arrays of one shape.

    z, r      : m, along the axis from the throat plane, and away from the axis.
    angle     : rad, wall against axis; 0 runs forward, pi/2 outward.
    curvature : 1/m, change of angle along the arc; negative where the wall is concave seen from the air.
    speed     : m, arc length per unit of the piece's parameter.
    """

    z: FloatArray
    r: FloatArray
    angle: FloatArray
    curvature: FloatArray
    speed: FloatArray


class Piece(Protocol):
    """A smooth stretch of wall over a parameter t from 0 (throat side) to 1 (mouth side)."""

    def frame_at(self, t: FloatArray) -> Frame:
        """The wall at parameters `t`, any shape."""
        ...


@dataclass(frozen=True)
class Meridian:
    """Smooth pieces of wall from throat to mouth; a jump of the angle between two pieces is a sharp corner.

    Errors: ValueError if a piece does not begin where the one before it ends, or the wall meets the axis.
    """

    pieces: tuple[Piece, ...]

    def __post_init__(self) -> None:
        ends = [piece.frame_at(np.array([0.0, 1.0])) for piece in self.pieces]
        if not ends:
            raise ValueError("a meridian needs at least one piece of wall")
        for before, after in itertools.pairwise(ends):
            gap = np.hypot(after.z[0] - before.z[1], after.r[0] - before.r[1])
            if gap > TOUCH:
                raise ValueError(f"the wall has a gap of {gap:g} m at z = {after.z[0]:g} m")
        lowest = min(ends, key=lambda end: float(end.r.min()))
        if lowest.r.min() <= 0:
            place = float(lowest.z[lowest.r.argmin()]) / MILLIMETRE
            raise ValueError(
                f"the wall meets the axis at z_mm = {place:.4g}: must stay above it."
                " Raise throat_angle_deg or curvature_per_m"
            )

    @cached_property
    def ends(self) -> Frame:
        """The wall at its throat and at its mouth: arrays of two values."""
        return joined([self.pieces[0].frame_at(np.array([0.0])), self.pieces[-1].frame_at(np.array([1.0]))])

    @property
    def throat_radius(self) -> float:
        """M."""
        return float(self.ends.r[0])

    @property
    def mouth_radius(self) -> float:
        """m, at the rim."""
        return float(self.ends.r[1])

    @property
    def depth(self) -> float:
        """m, throat plane to mouth plane."""
        return float(self.ends.z[1] - self.ends.z[0])

    @cached_property
    def dense(self) -> Frame:
        """The wall at 129 points per piece, for measures that need no closed form. Piece ends appear twice."""
        t = np.linspace(0.0, 1.0, 129)
        return joined([piece.frame_at(t) for piece in self.pieces])


def sampled(meridian: Meridian, *, chord_error: float) -> list[Frame]:
    """Points along every piece so that no chord departs from the wall by more than `chord_error` (m, > 0).

    The sagitta of a chord of length s on curvature K is K s^2 / 8, so points are spread with a density of
    sqrt(K / (8 chord_error)); the count is then raised until the measured departure is within the bound.
    """
    return sampled_pieces(meridian.pieces, chord_error=chord_error)


def sampled_pieces(pieces: Sequence[Piece], *, chord_error: float) -> list[Frame]:
    """The same of pieces that need not be a wall: they may end on the axis."""
    if not chord_error > 0:
        raise ValueError(f"chord_error = {chord_error:g} m: must be above 0")
    return [piece.frame_at(_parameters(piece, chord_error)) for piece in pieces]


def _parameters(piece: Piece, chord_error: float) -> FloatArray:
    fine = np.linspace(0.0, 1.0, 2001)
    middle = piece.frame_at(0.5 * (fine[1:] + fine[:-1]))
    density = np.sqrt(np.abs(middle.curvature) / (8.0 * chord_error)) * middle.speed
    # A floor on the density keeps points on straight parts next to bends of a free curve.
    density += 0.02 * density.mean() + 1e-12
    along = np.concatenate([[0.0], np.cumsum(density) / (fine.size - 1)])
    count = max(1, int(np.ceil(along[-1])))
    while True:
        t = np.interp(np.linspace(0.0, along[-1], count + 1), along, fine)
        if _departure(piece, t) <= chord_error:
            return t
        count = count + 1 + count // 16


def _departure(piece: Piece, t: FloatArray) -> float:
    """m, the largest distance between the wall and its chords, probed at 9 places of each."""
    inner = t[:-1, None] + np.diff(t)[:, None] * np.linspace(0.1, 0.9, 9)
    wall, ends = piece.frame_at(inner), piece.frame_at(t)
    dz, dr = np.diff(ends.z)[:, None], np.diff(ends.r)[:, None]
    across = (wall.z - ends.z[:-1, None]) * dr - (wall.r - ends.r[:-1, None]) * dz
    return float(np.max(np.abs(across) / np.hypot(dz, dr)))


def joined(frames: Sequence[Frame]) -> Frame:
    """Frames one after the other, as one."""
    return Frame(*(np.concatenate(columns) for columns in zip(*frames, strict=True)))


def path(z: FloatArray, r: FloatArray) -> LineString:
    """A line through points, without those that repeat, as they do where pieces join."""
    from shapely import LineString

    points = np.column_stack([z, r])
    apart = np.hypot(*np.diff(points, axis=0).T) > SAME
    return LineString(points[np.concatenate([[True], apart])])
