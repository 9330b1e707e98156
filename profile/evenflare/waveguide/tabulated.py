"""A wall by splines through points of it: for shapes whose own formulas take long, solved many times over."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

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
    def _along(self) -> Any:
        from scipy.interpolate import CubicSpline

        t = np.linspace(0.0, 1.0, NODES)
        wall = self.piece.frame_at(t)
        points = np.stack([wall.z, wall.r], axis=1)
        ends = [wall.speed[i] * np.array([np.cos(wall.angle[i]), np.sin(wall.angle[i])]) for i in (0, -1)]
        return CubicSpline(t, points, bc_type=((1, ends[0]), (1, ends[1])))

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        spline = self._along
        at, first, second = spline(t), spline(t, 1), spline(t, 2)
        speed = np.hypot(first[..., 0], first[..., 1])
        turn = first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0]
        return Frame(at[..., 0], at[..., 1], np.arctan2(first[..., 1], first[..., 0]), turn / speed**3, speed)
