"""A waveguide: the shape of its wall, the driver behind it, and what its mouth is mounted in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import MILLIMETRE
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian


@dataclass(frozen=True)
class Driver:
    """What radiates into the throat.

    exit_radius     : m.
    exit_half_angle : rad, half-angle of the exit's cone: the wavefront at the exit is a cap of that half-angle,
                      flat for 0.
    """

    exit_radius: float = 12.7e-3
    exit_half_angle: float = 0.0

    @property
    def exit_area(self) -> float:
        """m2, of the flat exit disc: predicted levels are for 1 m/s rms times this area."""
        return float(np.pi * self.exit_radius**2)


@dataclass(frozen=True)
class Mounting:
    """What surrounds the mouth: an infinite rigid baffle, or a rigid sphere (of `radius`, m) whose surface meets
    the rim.
    """

    radius: float | None = None

    @property
    def kind(self) -> str:
        """ "baffle" or "sphere"."""
        return "baffle" if self.radius is None else "sphere"


@dataclass(frozen=True)
class Waveguide:
    """A shape behind a driver, in a mounting. A frozen value; its wall is worked out once, when first asked for.

    Errors: ValueError from `meridian` if the parameters give no wall, or the sphere is smaller than the mouth.
    """

    shape: Shape
    driver: Driver = Driver()
    mounting: Mounting = Mounting()

    @cached_property
    def meridian(self) -> Meridian:
        """The wall from throat to mouth."""
        meridian = self.shape.meridian(self.driver.exit_radius)
        radius = self.mounting.radius
        if radius is not None and radius < meridian.mouth_radius:
            raise ValueError(
                f"[mounting] radius_mm = {radius / MILLIMETRE:g}: must be at least the mouth's radius,"
                f" {meridian.mouth_radius / MILLIMETRE:.4g}. Raise it, or make the mouth smaller"
            )
        return meridian
