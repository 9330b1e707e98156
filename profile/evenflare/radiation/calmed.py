"""What caps go by along a wall that has waves: its angle without them.

A cap that follows waves of the wall moves far from it by more than caps lie apart, and where it cannot follow them it
keeps falling behind and catching up. Both ask for far more elements than the sound does: walls of 0.1 mm of waves were
off by up to a dB. Any smooth family of caps will do, so caps go by an angle of which waves are left out and roundovers
are not: piecewise parabolic over the arc, with no more parabolas than the wall's own shape needs.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from evenflare.units import FloatArray
from evenflare.waveguide.meridian import Frame, Piece

SMOOTH = 0.02
"""rad between two pieces of wall, up to which they are one smooth wall."""
FALLS, SOON = 1e-3, 0.5
"""rad by which the angle of a wall with waves falls somewhere, and within how many of its radii; a wall whose angle
never falls, or does so as slowly as that of a designed one, is followed as it is."""
STIFFNESS = 12.0
"""The wall's radius over the length whose cube weighs the third derivative of the angle. Chosen: indices of 36 walls
of nine shapes with waves of 3 to 35 mm, and bumps, came out within 0.035 dB of boundary elements with 8 to 12, within
0.08 with 6 to 20; up to 1 dB off while caps followed the waves."""
SAMPLES, PLACES = 257, 201
"""Along a piece, and along a smooth run of pieces."""
ROUNDS = 30
STRAIGHT = 1e-3
"""Of the largest third difference, below which one counts as none; and"""
STIFFEST = 1e9
"""the greatest weight of a square, beyond which the equations lose their digits."""
_THIRD = np.array([-1.0, 3.0, -3.0, 1.0])


@dataclass(frozen=True, eq=False)
class Calmed:
    """A piece of wall, and another angle for the caps to go by: angle (N,), rad, at parameters t (N,)."""

    piece: Piece
    t: FloatArray
    angle: FloatArray

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece; of the curvature nothing is known."""
        wall = self.piece.frame_at(t)
        return wall._replace(angle=np.interp(t, self.t, self.angle), curvature=np.full_like(wall.z, np.nan))


def calmed(pieces: Sequence[Piece]) -> tuple[list[Piece], bool]:
    """Pieces of wall, with a calmer angle for the caps where a smooth run of them has waves; and whether any has.

    Elements must then be short enough to follow the wall for themselves.
    """
    t = np.linspace(0.0, 1.0, SAMPLES)
    walls = [piece.frame_at(t) for piece in pieces]
    turns = [abs(float(after.angle[0] - before.angle[-1])) > SMOOTH for before, after in itertools.pairwise(walls)]
    cuts = [0, *(i + 1 for i, sharp in enumerate(turns) if sharp), len(pieces)]
    found: list[Piece] = []
    for first, beyond in itertools.pairwise(cuts):
        run = walls[first:beyond]
        z, r, angle = (np.concatenate([getattr(wall, name) for wall in run]) for name in ("z", "r", "angle"))
        arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)))])
        if not _has_waves(arc, angle, r):
            found += pieces[first:beyond]
            continue
        guide = np.minimum(_parabolic(arc, angle, r), 0.5 * np.pi).reshape(len(run), SAMPLES)
        found += [Calmed(piece, t, row) for piece, row in zip(pieces[first:beyond], guide, strict=True)]
    return found, any(isinstance(each, Calmed) for each in found)


def _has_waves(arc: FloatArray, angle: FloatArray, radius: FloatArray) -> bool:
    falls = np.concatenate([[False], np.diff(angle) < 0.0, [False]])
    begin, end = (np.flatnonzero(each) for each in (falls[1:] & ~falls[:-1], falls[:-1] & ~falls[1:]))
    return bool(np.any((angle[begin] - angle[end] > FALLS) & (arc[end] - arc[begin] < SOON * radius[begin])))


def _parabolic(arc: FloatArray, angle: FloatArray, radius: FloatArray) -> FloatArray:
    """(N,) rad at arcs (N,), rising: near an angle (N,), rad, of parabolas as few as the weight of a length for a wall
    of those radii (N,), m, leaves.

    The least of half the integral of the square of what is left and the integral of the third derivative's magnitude
    times the cube of radius over STIFFNESS, by squares that are weighted again and again. Source: trend filtering, Kim,
    Koh, Boyd and Gorinevsky (2009), SIAM Review 51, 339 (citation from memory).
    """
    place = np.linspace(0.0, arc[-1], PLACES)
    given, across = (np.interp(place, arc, each) for each in (angle, radius))
    weight = (0.5 * (across[1:-2] + across[2:-1]) / (STIFFNESS * place[1])) ** 3
    rows = place.size - _THIRD.size + 1
    found = given
    for _ in range(ROUNDS):
        bend = np.convolve(found, _THIRD[::-1], "valid")
        pull = np.minimum(weight / np.hypot(bend, max(STRAIGHT * float(np.abs(bend).max()), 1e-12)), STIFFEST)
        bands = np.zeros((_THIRD.size, place.size))
        bands[-1] = 1.0
        for i, j in itertools.combinations_with_replacement(range(_THIRD.size), 2):
            bands[i - j - 1, j : j + rows] += _THIRD[i] * _THIRD[j] * pull
        found = solveh_banded(bands, given, check_finite=False)
    return np.asarray(np.interp(arc, place, found))
