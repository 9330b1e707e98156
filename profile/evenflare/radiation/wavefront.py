"""The family of spherical caps that sweeps the air of a waveguide, from the driver's exit to the last cap.

A cap is centred on the axis, meets the wall at (z, r) and has half-angle b there; b = 0 is a flat disc. Where the
wall's angle rises the cap follows it and stands at right angles to the wall. At a sharp edge that turns outward the
cap pivots about the edge. Where the wall's angle falls the cap's relaxes along the wall more slowly, for caps must
not cross: the apex moves by less than nothing once db/ds < -2 cos(b/2) cos(a - b/2) / r, with a the wall's angle.
The wall being rigid, its condition is natural in the weak form, and any smooth family of caps will do.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np

from evenflare.radiation.calmed import SMOOTH, calmed
from evenflare.radiation.falling import march_angle
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import divided_alike, drawn_of
from evenflare.waveguide.meridian import Frame, Meridian, Piece
from evenflare.waveguide.moved import drawn_frame, unbent

FLAT = 1e-7
"""rad; flatter caps are given this half-angle, which moves no point by more than 1e-14 of the radius squared."""
HALF_SPACE = 0.5 * np.pi - 1e-3
"""rad of half-angle, from which on a cap counts as a hemisphere."""
LARGEST_TURN = 0.6
"""rad of cap half-angle or wall in an element, whatever the frequency."""
LARGEST_GROWTH = 0.7
"""Natural logarithm of the growth of the radius in an element, whatever the frequency."""
LARGEST_NEARING = 1.0
"""Natural logarithm of the share by which an element comes nearer to a sharp corner, whatever the frequency."""
LARGEST_MISS = 2e-6
"""m by which an element, a cubic through four caps, may miss a wall as made between them, whatever the frequency. Walls
as drawn are mostly followed closer."""
SHARPNESS = 0.15
"""rad; over the turn of a corner, the share of the radius about it in which elements shrink no further."""
FINE = 1601
"""Points along a piece on which a falling cap angle is worked out. Where it comes down to the wall's it has a kink that
is only known to lie within a step: elements a few steps long do not see it go away (measured at 20 kHz over ripples:
0.14 dB with 401 points, 0.008 with these)."""


class Caps(NamedTuple):
    """Caps of one or many points, m and rad: wall point (z, r) and half-angle b."""

    z: FloatArray
    r: FloatArray
    b: FloatArray

    @property
    def apex(self) -> FloatArray:
        """m, z of the cap's top on the axis."""
        return np.asarray(self.z + self.r * np.tan(0.5 * self.b))


class Path(Protocol):
    """A smooth family of caps over a parameter t within [0, 1]."""

    def caps(self, t: FloatArray) -> Caps:
        """The caps at parameters t."""
        ...


@dataclass(frozen=True)
class Following:
    """Caps at right angles to a piece of wall."""

    piece: Piece

    def caps(self, t: FloatArray) -> Caps:
        """See Path."""
        wall = self.piece.frame_at(t)
        return Caps(wall.z, wall.r, wall.angle)


@dataclass(frozen=True)
class Guided:
    """A piece of wall as made, and the drawn one, whose angle the caps go by: they need not follow its waves, which
    far from the wall would move them more than they lie apart.
    """

    piece: Piece
    drawn: Piece

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        return Frame(*unbent(self.piece, t)[:2], *drawn_frame(self.drawn, t)[2:])


@dataclass(frozen=True)
class Relaxing:
    """Caps along a piece of wall whose half-angle is its own function of the piece's parameter.

    share : (N,) of the arc's length, in which the sweep advances evenly: at a cusp the piece's own parameter stands
            still; parameter, half_angle : (N,) there, straight between. An element takes four caps from here and is
            smooth through them, whatever lies between.
    """

    piece: Piece
    share: FloatArray
    parameter: FloatArray
    half_angle: FloatArray

    def caps(self, t: FloatArray) -> Caps:
        """See Path."""
        along = np.interp(t, self.share, self.parameter)
        wall = self.piece.frame_at(along)
        return Caps(wall.z, wall.r, np.interp(along, self.parameter, self.half_angle))


@dataclass(frozen=True)
class Pivot:
    """Caps through one edge, turning from b0 to b1 evenly in tan(b/2), so that the apex moves evenly."""

    z: float
    r: float
    b0: float
    b1: float

    def caps(self, t: FloatArray) -> Caps:
        """See Path."""
        h0, h1 = np.tan(0.5 * self.b0), np.tan(0.5 * self.b1)
        return Caps(np.full_like(t, self.z), np.full_like(t, self.r), 2.0 * np.arctan(h0 + (h1 - h0) * t))


GRID = read_only(np.linspace(0.0, 1.0, 65))
"""Shares of a stretch at which the change of its caps is tabulated."""


class Stretch(NamedTuple):
    """A smooth part of the sweep: caps along a path between two of its parameters, and how they change on the way.

    t      : (N,) parameters of the path, rising.
    radius : (N,) m, of the caps there.
    wall   : (N - 1,) m, travel of the wall point between them, and
    travel : (N - 1,) m, the larger of it and the apex's; turn (N - 1,) rad of the half-angle.
    bent   : (N - 1,) elements that turn, growth and corners ask for, whatever the frequency.
    """

    path: Path
    t: FloatArray
    radius: FloatArray
    wall: FloatArray
    travel: FloatArray
    turn: FloatArray
    bent: FloatArray

    def part(self, first: int, last: int) -> Stretch:
        """From the parameter of index `first` to that of index `last`."""
        points, cells = slice(first, last + 1), slice(first, last)
        return Stretch(self.path, *(each[points] for each in self[1:3]), *(each[cells] for each in self[3:]))


class Corner(NamedTuple):
    """A sharp turn of the wall: after how many stretches of the sweep, by how much (rad, > 0), at what radius (m)."""

    before: int
    turn: float
    radius: float


Sweep = tuple[Stretch, ...]
"""From the driver's exit to the last cap."""


def along(path: Path, t0: float = 0.0, t1: float = 1.0) -> Stretch:
    """The stretch of a path between two of its parameters."""
    t = t0 + (t1 - t0) * GRID
    return _tabulated(path, t, path.caps(t))


def _tabulated(path: Path, t: FloatArray, caps: Caps) -> Stretch:
    z, r, apex = caps.z, caps.r, caps.apex
    wall = np.hypot(z[1:] - z[:-1], r[1:] - r[:-1])
    travel = np.maximum(wall, np.abs(apex[1:] - apex[:-1]))
    turn = np.abs(caps.b[1:] - caps.b[:-1])
    bent = np.maximum(turn / LARGEST_TURN, np.abs(np.log(r[1:] / r[:-1])) / LARGEST_GROWTH)
    return Stretch(path, t, r, wall, travel, turn, bent)


def followed(stretch: Stretch) -> Stretch:
    """The stretch with elements enough to follow a wall that has waves."""
    caps = stretch.path.caps(stretch.t)
    return stretch._replace(bent=np.maximum(stretch.bent, missing(caps.z, caps.r)))


def missing(z: FloatArray, r: FloatArray) -> FloatArray:
    """(N - 1,) elements between points (N,), m, even in the parameter of a smooth wall, so that none misses it by more
    than LARGEST_MISS: a cubic at Lobatto's points leaves a curve by a 1920th of its fourth difference over the element.
    """
    along = np.hypot(z[4:] - z[:-4], r[4:] - r[:-4])
    # Only what lies across the wall counts.
    across = np.abs(np.diff(r, 4) * (z[4:] - z[:-4]) - np.diff(z, 4) * (r[4:] - r[:-4])) / np.maximum(along, 1e-15)
    widest = np.maximum(across[1:], across[:-1])
    return np.asarray(np.pad(np.sqrt(np.sqrt(widest / (1920.0 * LARGEST_MISS))), 2, mode="edge"))


def _graded(stretches: Sequence[Stretch], corners: Sequence[Corner]) -> Sweep:
    """The stretches with the elements that the sharp corners between them ask for.

    The pressure about a corner is as singular as a power of the distance from it, whatever the frequency: elements must
    shrink toward it in proportion to that distance, down to a share of the radius that the corner's turn decides.
    """
    if not corners:
        return tuple(stretches)
    wall = np.concatenate([stretch.wall for stretch in stretches])
    ends = np.cumsum(wall)
    cuts = np.cumsum([0, *(stretch.wall.size for stretch in stretches)])
    place = np.array([ends[cuts[corner.before] - 1] if corner.before else 0.0 for corner in corners])
    least = np.array([SHARPNESS * corner.radius / corner.turn for corner in corners])
    nearing = np.max(wall / (np.abs(ends - 0.5 * wall - place[:, None]) + least[:, None]), axis=0)
    return tuple(
        stretch._replace(bent=np.maximum(stretch.bent, nearing[first:beyond] / LARGEST_NEARING))
        for stretch, (first, beyond) in zip(stretches, itertools.pairwise(cuts), strict=True)
    )


def launched(whole: Sweep) -> tuple[Sweep, Sweep]:
    """The sweep up to the launching cap (empty if that is the first) and from it on.

    The launching cap is the last from which the cap angle turns by no more than a radian per local radius of
    travel along the wall: beyond it, in a roundover, at a sharp rim or where a free curve bends away, the wall
    leaves the wave behind. A hemisphere, on a flat flange or on the baffle, has already been left.
    """
    for i in range(len(whole) - 1, -1, -1):
        stretch = whole[i]
        narrower = stretch.path.caps(stretch.t[1:]).b < HALF_SPACE
        slow = np.flatnonzero((stretch.turn * stretch.radius[1:] <= stretch.wall) & narrower)
        if slow.size == 0:
            continue
        end, cells = int(slow[-1]) + 1, stretch.wall.size
        # A sweep that ends on the launching cap still needs air to launch into: its last cell is enough.
        after = (
            whole[i + 1 :]
            if end == cells and i + 1 < len(whole)
            else (stretch.part(min(end, cells - 1), cells), *whole[i + 1 :])
        )
        return (*whole[:i], stretch.part(0, end)), after
    return (), whole


def sweep(waveguide: Waveguide) -> Sweep:
    """The sweep of a round waveguide: to a hemisphere in a baffle, to the sphere's own cap on a sphere.

    Errors: ValueError if the wall turns beyond 90 degrees (an undercut) or the caps would cross.
    """
    meridian, radius = waveguide.meridian, waveguide.mounting.radius
    refuse_undercut(meridian)
    if radius is None:
        end_angle = beyond = 0.5 * np.pi
    else:
        end_angle = float(np.arcsin(meridian.mouth_radius / radius))
        beyond = 0.5 * np.pi + end_angle
    half_angle = waveguide.driver.exit_half_angle
    pieces: Sequence[Piece] = meridian.pieces
    if (drawn := drawn_of(waveguide)) is not None:
        pieces = [Guided(piece, guide) for piece, guide in zip(pieces, drawn.meridian.pieces, strict=True)]
        if divided_alike(waveguide) and (as_drawn := _as_drawn(drawn, end_angle, beyond)) is not None:
            return moved_with(as_drawn, drawn.meridian.pieces, pieces)
    pieces, wavy = calmed(pieces)
    found = swept(pieces, half_angle, end_angle, beyond=beyond)
    return tuple(followed(stretch) for stretch in found) if wavy or drawn is not None else found


@lru_cache(maxsize=4)
def _as_drawn(drawn: Waveguide, end_angle: float, beyond: float) -> Sweep | None:
    """Kept for the walls as made, of which there are several; None where the drawn wall has waves of its own."""
    if calmed(drawn.meridian.pieces)[1]:
        return None
    return swept(drawn.meridian.pieces, drawn.driver.exit_half_angle, end_angle, beyond=beyond)


def moved_with(sweep: Sweep, drawn: Sequence[Piece], made: Sequence[Piece]) -> Sweep:
    """A sweep along drawn pieces of wall taken to those as made, a piece each: its division stays."""
    found: list[Stretch] = []
    behind, at = made[-1], 1.0
    for stretch in reversed(sweep):  # an edge is where the piece behind it begins, or the rim
        path = stretch.path
        if isinstance(path, Following | Relaxing):
            behind, at = made[next(i for i, each in enumerate(drawn) if each is path.piece)], 0.0
            path = replace(path, piece=behind)
        elif isinstance(path, Pivot):
            edge = behind.frame_at(np.array([at]))
            path = replace(path, z=float(edge.z[0]), r=float(edge.r[0]))
        found.append(stretch._replace(path=path))
    return tuple(reversed(found))


def refuse_undercut(meridian: Meridian) -> None:
    """ValueError if the wall turns beyond 90 degrees."""
    wall = meridian.dense
    if wall.angle.max() > 0.5 * np.pi + 1e-6:
        worst = int(wall.angle.argmax())
        raise ValueError(
            f"the wall turns to {wall.angle[worst] / DEGREE:.4g} degrees at z = {wall.z[worst] / MILLIMETRE:.4g} mm:"
            " must be at most 90, the caps cannot follow an undercut"
        )


def swept(pieces: Sequence[Piece], angle: float, end_angle: float, *, beyond: float) -> Sweep:
    """The sweep along pieces of wall from a cap of half-angle `angle` to one of half-angle `end_angle`, rad.

    beyond : rad, the angle at which what the mouth is mounted in goes on from the rim.
    """
    stretches: list[Stretch] = []
    corners: list[Corner] = []
    heading = angle
    bounds = _approach(pieces, end_angle)
    for piece, bound in zip(pieces, bounds, strict=True):
        ends = piece.frame_at(np.array([0.0, 1.0]))
        if abs(ends.angle[0] - heading) > SMOOTH:
            corners.append(Corner(len(stretches), abs(float(ends.angle[0]) - heading), float(ends.r[0])))
        heading = float(ends.angle[1])
        added, angle = _along_piece(piece, angle, bound)
        stretches += added
    rim = pieces[-1].frame_at(np.array([1.0]))
    if beyond - heading > SMOOTH:
        corners.append(Corner(len(stretches), beyond - heading, float(rim.r[0])))
    if end_angle > angle + 1e-9:
        stretches.append(along(Pivot(float(rim.z[0]), float(rim.r[0]), angle, end_angle)))
    return _graded(stretches, corners)


def _along_piece(piece: Piece, angle: float, bound: FloatArray | None) -> tuple[list[Stretch], float]:
    """The stretches of one piece of wall that caps of half-angle `angle` reach, and the half-angle they leave with."""
    wall = piece.frame_at(GRID)
    start = float(wall.angle[0]) if bound is None else min(float(wall.angle[0]), float(bound[0]))
    added: list[Stretch] = []
    if start > angle + 1e-9:
        added.append(along(Pivot(float(wall.z[0]), float(wall.r[0]), angle, start)))
        angle = start
    if bound is None and angle <= start + 1e-9 and np.all(wall.angle[1:] >= wall.angle[:-1]):
        followed = _tabulated(Following(piece), GRID, Caps(wall.z, wall.r, wall.angle))
        return [*added, followed], float(wall.angle[-1])
    t = np.linspace(0.0, 1.0, FINE)
    wall = piece.frame_at(t)
    half_angle = _relaxed(piece, wall, t, angle)
    if bound is not None:
        half_angle = np.minimum(half_angle, bound)
    follows = np.abs(half_angle - wall.angle) < 1e-12
    # Cells of the grid that follow the wall at both ends follow it; runs of the others are relaxing stretches.
    cells = follows[1:] & follows[:-1]
    cuts = [0, *(1 + np.flatnonzero(np.diff(cells))).tolist(), FINE - 1]
    for i, j in itertools.pairwise(cuts):
        if cells[i]:
            added.append(along(Following(piece), float(t[i]), float(t[j])))
        else:
            run = slice(i, j + 1)
            share = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z[run]), np.diff(wall.r[run])))])
            share /= share[-1]
            relaxing = along(Relaxing(piece, share, t[run], half_angle[run]))
            # The caps may hardly turn where the wall does, as over ripples, which elements must follow.
            turned = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(wall.angle[run])))])
            bent = np.diff(np.interp(relaxing.t, share, turned)) / LARGEST_TURN
            added.append(relaxing._replace(bent=np.maximum(relaxing.bent, bent)))
    return added, float(half_angle[-1])


def _relaxed(piece: Piece, wall: Frame, t: FloatArray, start: float) -> FloatArray:
    """The cap angle on the grid: the wall's where it can be followed, falling at the allowed rate where it cannot."""
    middle = piece.frame_at(0.5 * (t[1:] + t[:-1]))
    return np.asarray(march_angle(start, np.stack(wall), np.stack(middle), t[1] - t[0], True))


def _approach(pieces: Sequence[Piece], end_angle: float) -> list[FloatArray | None]:
    """Per piece the largest cap angle on the grid from which `end_angle` can be reached at the rim; None: any.

    In a baffle the sweep ends at 90 degrees, which no wall exceeds, so nothing bounds it.
    """
    if end_angle >= 0.5 * np.pi - 1e-12:
        return [None] * len(pieces)
    bounds: list[FloatArray | None] = []
    angle = end_angle
    t = np.linspace(0.0, 1.0, FINE)
    for piece in reversed(pieces):
        # Against the wall's direction: the arrays reversed, and time running backward.
        wall, middle = np.stack(piece.frame_at(t)), np.stack(piece.frame_at(0.5 * (t[1:] + t[:-1])))
        bound = march_angle(angle, wall[:, ::-1].copy(), middle[:, ::-1].copy(), t[0] - t[1], False)[::-1]
        bounds.append(bound)
        angle = float(bound[0])
    return bounds[::-1]
