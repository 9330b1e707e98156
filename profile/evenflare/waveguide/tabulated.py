"""A wall by splines through points of it: for shapes whose own formulas take long, solved many times over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.compiled import njit
from evenflare.units import FloatArray
from evenflare.waveguide.meridian import Frame, Meridian, Piece

NODES = 65
"""Of each piece: a smooth wall is met to a tenth of a micrometre."""


def by_splines(meridian: Meridian) -> Meridian:
    """A wall by splines, a piece each."""
    return Meridian(tuple(Spline(piece) for piece in meridian.pieces))


@dataclass(frozen=True)
class Spline:
    """A piece of wall by a spline through NODES points of it."""

    piece: Piece

    @cached_property
    def _powers(self) -> FloatArray:
        """Coefficients (8, NODES - 1) in each stretch, of the highest power first: z's four, then r's."""
        from scipy.interpolate import CubicSpline

        t = np.linspace(0.0, 1.0, NODES)
        wall = self.piece.frame_at(t)
        points = np.stack([wall.z, wall.r], axis=1)
        ends = [wall.speed[i] * np.array([np.cos(wall.angle[i]), np.sin(wall.angle[i])]) for i in (0, -1)]
        powers = CubicSpline(t, points, bc_type=((1, ends[0]), (1, ends[1]))).c
        return np.concatenate([powers[:, :, 0], powers[:, :, 1]])

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        t = np.asarray(t, dtype=np.float64)
        return Frame(*_frames(self._powers, t.ravel()).reshape(5, *t.shape))


@njit(cache=True)
def _frames(powers, t):  # type: ignore[no-untyped-def]
    """(5, N) rows of a Frame at parameters t (N,). Compiled: a sweep asks for few points, hundreds of times."""
    found = np.empty((5, t.size))
    for i in range(t.size):
        k = min(int(t[i] * (NODES - 1)), NODES - 2)
        x = t[i] - k / (NODES - 1)
        a, b, c, d = powers[0, k], powers[1, k], powers[2, k], powers[3, k]
        z, z1, z2 = ((a * x + b) * x + c) * x + d, (3.0 * a * x + 2.0 * b) * x + c, 6.0 * a * x + 2.0 * b
        a, b, c, d = powers[4, k], powers[5, k], powers[6, k], powers[7, k]
        r, r1, r2 = ((a * x + b) * x + c) * x + d, (3.0 * a * x + 2.0 * b) * x + c, 6.0 * a * x + 2.0 * b
        speed = np.sqrt(z1 * z1 + r1 * r1)
        found[0, i], found[1, i], found[2, i] = z, r, np.arctan2(r1, z1)
        found[3, i], found[4, i] = (z1 * r2 - r1 * z2) / speed**3, speed
    return found
