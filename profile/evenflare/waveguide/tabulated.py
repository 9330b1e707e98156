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
        """Coefficients (4, NODES - 1, 2) of z and r in each stretch, of the highest power first."""
        from scipy.interpolate import CubicSpline

        t = np.linspace(0.0, 1.0, NODES)
        wall = self.piece.frame_at(t)
        points = np.stack([wall.z, wall.r], axis=1)
        ends = [wall.speed[i] * np.array([np.cos(wall.angle[i]), np.sin(wall.angle[i])]) for i in (0, -1)]
        return np.asarray(CubicSpline(t, points, bc_type=((1, ends[0]), (1, ends[1]))).c)

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        t = np.asarray(t, dtype=np.float64)
        k = np.clip((t * (NODES - 1)).astype(int), 0, NODES - 2)
        a, b, c, d = self._powers[:, k]
        x = (t - k / (NODES - 1))[..., None]
        at, first, second = ((a * x + b) * x + c) * x + d, (3.0 * a * x + 2.0 * b) * x + c, 6.0 * a * x + 2.0 * b
        speed = np.hypot(first[..., 0], first[..., 1])
        turn = first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0]
        return Frame(at[..., 0], at[..., 1], np.arctan2(first[..., 1], first[..., 0]), turn / speed**3, speed)
