"""What is drawn of a part: its sizes in mm, wherever a view or a table needs them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.bolts import front_places
from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.rings import radius_at as round_radius
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.process.types import Process
from evenflare.report.kit import wall
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Meridian, Oblong, Shape, Waveguide
from evenflare.waveguide.oblong_body import OblongBody

SAME = 1e-6
"""mm; places that are closer are one."""


@dataclass(frozen=True)
class DrawnPart:
    """What is drawn."""

    waveguide: Waveguide
    solid: SolidFile
    process: Process
    asked: WallAsked

    @property
    def depth(self) -> float:
        """mm."""
        return self.waveguide.depth / MILLIMETRE

    @property
    def half(self) -> tuple[float, float]:
        """mm, half its width and height."""
        x, y = extent(self.solid.sizes)
        return 0.5 * x / MILLIMETRE, 0.5 * y / MILLIMETRE

    @property
    def back(self) -> float:
        """mm, z of its back face."""
        return float(self.solid.mesh.vertices[:, 2].min()) / MILLIMETRE

    @property
    def is_round_outside(self) -> bool:
        """Whether its outside is a circle."""
        return self.solid.sizes.flange_diameter is not None

    @property
    def oblong_body(self) -> OblongBody | None:
        """What an oblong part is outside that is a body; None of any other."""
        sizes = self.solid.sizes
        return sizes.body if isinstance(sizes, OblongSizes) else None

    @property
    def front_holes(self) -> FloatArray:
        """(N, 2), mm, middles of the front's holes, or of the places for screws that are marked only."""
        sizes, front = self.solid.sizes, self.solid.features.front
        places = front_places(sizes, front) if front.count else list(flange_bolts(sizes))
        return np.array(places).reshape(-1, 2) / MILLIMETRE

    def across(self, z: float, azimuth: float) -> float:
        """mm, from the axis to the wall at a depth in mm."""
        if self.waveguide.is_round:
            return round_radius(self.waveguide.meridian, z * MILLIMETRE) / MILLIMETRE
        return wall.radius_at(self.waveguide.surface, z * MILLIMETRE, azimuth) / MILLIMETRE

    def meridian(self, azimuth: float) -> tuple[Shape, Meridian]:
        """What gives the wall in a plane, and the wall."""
        shape = self.waveguide.shape
        if not isinstance(shape, Oblong):
            return shape, self.waveguide.meridian
        surface = self.waveguide.surface
        return (shape.horizontal, surface.horizontal) if azimuth == 0.0 else (shape.vertical, surface.vertical)


def circle_of(places: FloatArray) -> float | None:
    """mm, of holes evenly round the axis; None of others."""
    away = np.hypot(*places.T)
    return 2.0 * float(away.mean()) if np.ptp(away) < SAME else None
