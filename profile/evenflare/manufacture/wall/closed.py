"""A round wall as far as a ball or nose reaches it: what it does not reach keeps stock, as round as the ball.

Of the air above the wall the ball's middle may have what is a radius off it. What is a radius off all of that stays:
the wall is closed by the ball (morphological closing; the parallel curve without its swallowtails).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from evenflare.manufacture.wall.offset import Reach, too_large
from evenflare.manufacture.wall.spacing import SMOOTH, corner_turns, parallel
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Frame, Meridian, Waveguide, joined, sampled
from evenflare.waveguide.meridian import Piece, path
from evenflare.waveguide.walls import Arc
from evenflare.words import mm

_STEP = 0.02 * MILLIMETRE
_FINEST = 1e-8
_SEEN = 2e-7
"""m, by which a centre may seem too near the wall: its polygon's chords."""


class Stays(NamedTuple):
    """Stock that a ball leaves in a hollow, m.

    z, thick    : where it is thickest and how thick, along the way to the ball's middle.
    first, last : z of its ends, where the ball touches the wall.
    azimuth     : rad, where it is thickest; None of a round wall.
    """

    z: float
    thick: float
    first: float
    last: float
    azimuth: float | None = None


@dataclass(frozen=True)
class Reached:
    """A shape whose wall is another's as far as a ball reaches it."""

    family: str
    wall: Meridian

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        return self.wall


@dataclass(frozen=True)
class _Trimmed:
    """A piece from `start` to `end` of its parameter."""

    piece: Piece
    start: float
    end: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        share = self.end - self.start
        found = self.piece.frame_at(self.start + share * t)
        return found._replace(speed=share * found.speed)


@dataclass(frozen=True)
class _Edge:
    """An edge that a ball rolls round, as the wall turns on the spot."""

    z: float
    r: float
    angle: float
    turn: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        still = np.zeros_like(t)
        return Frame(self.z + still, self.r + still, self.angle + self.turn * t, still, still)


class _Joint(NamedTuple):
    """Two ways of a ball's middle that meet: number and parameter of either, and which nodes lie between."""

    before: tuple[int, float]
    after: tuple[int, float]
    between: slice


def reached(waveguide: Waveguide, radius: float) -> tuple[Waveguide, tuple[Stays, ...]]:
    """A round waveguide whose wall is as a ball of `radius` (m) leaves it, and what stays.

    Errors : NoRoomError where the ball does not get down to the throat.
    """
    wall, stays = closed(waveguide.meridian, radius)
    if not stays:
        return waveguide, ()
    return replace(waveguide, shape=Reached(waveguide.shape.family, wall)), stays


def stays_words(stays: Sequence[Stays], tool: str) -> list[str]:
    """Where stock stays, and how thick, in words; mm."""
    return [
        f"stock stays in a hollow that tool {tool} does not reach: {each.thick / MILLIMETRE:.3f} thick at"
        f" {mm(each.z)} from the throat plane{_around(each)}, from {mm(each.first)} to {mm(each.last)}; take it off by"
        " hand if it must go"
        for each in stays
    ]


def _around(stays: Stays) -> str:
    return "" if stays.azimuth is None else f" and azimuth {stays.azimuth / DEGREE:.0f} deg in each quarter"


def closed(meridian: Meridian, radius: float) -> tuple[Meridian, tuple[Stays, ...]]:
    """The wall closed by a ball of `radius` (m), and what that adds. Errors: NoRoomError as `reached`."""
    import shapely

    ways = _ways(meridian)
    lengths = [float(np.max(way.frame_at(np.linspace(0.0, 1.0, 17)).speed)) for way in ways]
    shares = [np.linspace(0.0, 1.0, 2 + int(np.clip(length / _STEP, 62, 8000))) for length in lengths]
    nodes = joined([way.frame_at(t) for way, t in zip(ways, shares, strict=True)])
    number = np.repeat(np.arange(len(ways)), [t.size for t in shares])
    share = np.concatenate(shares)
    fine = joined(sampled(meridian, chord_error=_FINEST))
    wall = shapely.union_all([path(fine.z, fine.r), path(fine.z, -fine.r)])
    shapely.prepare(wall)
    z, r = parallel(nodes, radius)
    free = ~shapely.dwithin(wall, shapely.points(z, r), radius - _SEEN)
    if not (free[0] and free[-1]):
        blocked = float(nodes.z[0 if not free[0] else -1])
        short = Reach(radius, blocked, "the ball does not pass, with a radius of")
        raise too_large("its radius", short, f"z_mm = {mm(blocked)}")
    edges = np.flatnonzero(np.diff(free.astype(int)))
    joints = [
        _joint(ways, radius, (int(number[a]), float(share[a])), (int(number[b + 1]), float(share[b + 1])), a + 1, b + 1)
        for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]
    pieces, stays, at = list[Piece](), list[Stays](), (0, 0.0)
    for joint in joints:
        pieces += _kept(ways, at, joint.before)
        first, last = (ways[k].frame_at(np.array([t])) for k, t in (joint.before, joint.after))
        turn = (last.angle[0] - first.angle[0] + np.pi) % (2.0 * np.pi) - np.pi
        pieces.append(
            Arc(float(first.z[0]), float(first.r[0]), float(first.angle[0]), float(first.angle[0] + turn), radius)
        )
        middle_z, middle_r = parallel(first, radius)
        off = np.hypot(nodes.z[joint.between] - middle_z, nodes.r[joint.between] - middle_r) - radius
        thickest = int(off.argmax())
        place = float(nodes.z[joint.between][thickest])
        stays.append(Stays(place, float(off[thickest]), float(first.z[0]), float(last.z[0])))
        at = joint.after
    pieces += _kept(ways, at, (len(ways) - 1, 1.0))
    return (Meridian(tuple(pieces)), tuple(stays)) if stays else (meridian, ())


def _ways(meridian: Meridian) -> list[Piece]:
    """The wall's pieces, and between them the edges that a ball rolls round."""
    frames = [piece.frame_at(np.array([0.0, 1.0])) for piece in meridian.pieces]
    ways = [meridian.pieces[0]]
    for piece, before, turn in zip(meridian.pieces[1:], frames, corner_turns(frames).tolist(), strict=False):
        if turn > SMOOTH:
            ways.append(_Edge(float(before.z[1]), float(before.r[1]), float(before.angle[1]), turn))
        ways.append(piece)
    return ways


def _joint(
    ways: Sequence[Piece], radius: float, before: tuple[int, float], after: tuple[int, float], low: int, high: int
) -> _Joint:
    """Where two ways of the ball's middle cross, sought from the last free place and the next."""
    from scipy.optimize import fsolve

    one, other = ways[before[0]], ways[after[0]]

    def apart(at: FloatArray) -> FloatArray:
        frames = (one.frame_at(at[:1]), other.frame_at(at[1:]))
        here, there = (np.concatenate(parallel(frame, radius)) for frame in frames)
        return np.asarray((here - there) / radius)

    found, _, _, _ = fsolve(apart, [before[1], after[1]], xtol=1e-14, full_output=True)
    off = float(np.abs(apart(found)).max())
    if off > 1e-9 or not (found.min() >= -1e-9 and found.max() <= 1.0 + 1e-9):
        z = float(one.frame_at(np.array([before[1]])).z[0])
        short = Reach(radius, z, "the ball's ways round a hollow do not meet, with a radius of")
        raise too_large("its radius", short, f"z_mm = {mm(z)}")
    first, last = np.clip(found, 0.0, 1.0).tolist()
    return _Joint((before[0], first), (after[0], last), slice(low, high))


def _kept(ways: Sequence[Piece], start: tuple[int, float], end: tuple[int, float]) -> list[Piece]:
    """The pieces of wall from one place to another."""
    pieces = list[Piece]()
    for k in range(start[0], end[0] + 1):
        low, high = start[1] if k == start[0] else 0.0, end[1] if k == end[0] else 1.0
        if not isinstance(ways[k], _Edge) and high - low > 1e-9:
            pieces.append(ways[k] if (low, high) == (0.0, 1.0) else _Trimmed(ways[k], low, high))
    return pieces
