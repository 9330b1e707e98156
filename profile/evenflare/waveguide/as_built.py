"""A wall as it came out of the machine: the drawn one, a little wider or narrower along its depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Frame, Meridian, Piece


@dataclass(frozen=True)
class AsBuilt:
    """A shape whose radius is off by growth u + 4 bow u (1 - u), u = z / depth; right at the bolted throat.

    growth : m, at the mouth.
    bow    : m, half-way down; nothing at throat and mouth.
    """

    family: ClassVar[str] = "as_built"
    shape: Shape
    growth: float = 0.0
    bow: float = 0.0

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        drawn = self.shape.meridian(exit_radius)
        if self.growth == 0.0 and self.bow == 0.0:
            return drawn
        start, depth = float(drawn.ends.z[0]), drawn.depth
        return Meridian(tuple(_Displaced(each, start, depth, self.growth, self.bow) for each in drawn.pieces))


@dataclass(frozen=True)
class _Displaced:
    """A piece of wall moved away from the axis; its angle and curvature follow from those of the drawn one."""

    piece: Piece
    start: float
    depth: float
    growth: float
    bow: float

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        drawn = self.piece.frame_at(t)
        u = (drawn.z - self.start) / self.depth
        off = self.growth * u + 4.0 * self.bow * u * (1.0 - u)
        slope = (self.growth + 4.0 * self.bow * (1.0 - 2.0 * u)) / self.depth
        forward, outward = np.cos(drawn.angle), np.sin(drawn.angle) + slope * np.cos(drawn.angle)
        stretch = np.hypot(forward, outward)
        bend = -8.0 * self.bow / self.depth**2
        return Frame(
            drawn.z,
            drawn.r + off,
            np.arctan2(outward, forward),
            (drawn.curvature + bend * forward**3) / stretch**3,
            drawn.speed * stretch,
        )
