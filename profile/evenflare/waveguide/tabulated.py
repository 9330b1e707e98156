"""A wall by splines through points of it: for shapes whose own formulas take long, solved many times over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Frame, Meridian, Piece

NODES = 65
"""Of each piece: a smooth wall is met to a tenth of a micrometre."""


@dataclass(frozen=True)
class Tabulated:
    """A shape, each of whose pieces is a cubic spline through points of it with its own directions at the ends."""

    family: ClassVar[str] = "tabulated"
    shape: Shape

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        return Meridian(tuple(_Spline(piece) for piece in self.shape.meridian(exit_radius).pieces))


@dataclass(frozen=True)
class _Spline:
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
        k = np.minimum((t * (NODES - 1)).astype(int), NODES - 2)
        x = t - k / (NODES - 1)
        (z, z1, z2), (r, r1, r2) = (_at(self._powers[i : i + 4], k, x) for i in (0, 4))
        speed = np.sqrt(z1 * z1 + r1 * r1)
        return Frame(z, r, np.arctan2(r1, z1), (z1 * r2 - r1 * z2) / speed**3, speed)


def _at(powers: FloatArray, k: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """A cubic's value and first two derivatives at x in the stretches k."""
    a, b, c, d = (each.take(k) for each in powers)
    ax, slope = a * x, 2.0 * b
    return ((ax + b) * x + c) * x + d, (3.0 * ax + slope) * x + c, 6.0 * ax + slope
