"""A waveguide: the shape of its wall, the driver behind it, and what its mouth is mounted in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import MILLIMETRE
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.sections import Superellipse
from evenflare.waveguide.surface import Surface


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

    Errors: ValueError from `meridian` and `surface` if the parameters give no wall, the sphere is smaller than the
            mouth, or an oblong mouth is mounted in one.
    """

    shape: Shape | Oblong
    driver: Driver = Driver()
    mounting: Mounting = Mounting()

    @property
    def is_round(self) -> bool:
        """Whether every section is a circle by construction: one meridian says all."""
        return not isinstance(self.shape, Oblong)

    @cached_property
    def meridian(self) -> Meridian:
        """The wall of a round waveguide from throat to mouth. TypeError for an oblong one: it has two, in `surface`."""
        if isinstance(self.shape, Oblong):
            raise TypeError("an oblong waveguide has no one meridian: take surface.horizontal and surface.vertical")
        meridian = self.shape.meridian(self.driver.exit_radius)
        radius = self.mounting.radius
        if radius is not None and radius < meridian.mouth_radius:
            raise ValueError(
                f"[mounting] radius_mm = {radius / MILLIMETRE:g}: must be at least the mouth's radius,"
                f" {meridian.mouth_radius / MILLIMETRE:.4g}. Raise it, or make the mouth smaller"
            )
        return meridian

    @cached_property
    def surface(self) -> Surface:
        """The wall in space; a round one has its meridian in both planes.

        ValueError, for a round one too, if the wall does not advance along the axis everywhere.
        """
        if not isinstance(self.shape, Oblong):
            return Surface(self.meridian, self.meridian, Superellipse())
        if self.mounting.kind != "baffle":
            raise ValueError(
                f'[mounting] kind = "{self.mounting.kind}": must be "baffle" for a mouth that is not round, whose rim'
                " no sphere meets. Change it, or make the waveguide round"
            )
        horizontal, vertical = (
            self._in_plane(name, shape)
            for name, shape in (("horizontal", self.shape.horizontal), ("vertical", self.shape.vertical))
        )
        return Surface(horizontal, vertical, self.shape.section)

    def _in_plane(self, name: str, shape: Shape) -> Meridian:
        try:
            return shape.meridian(self.driver.exit_radius)
        except ValueError as fault:
            raise ValueError(f"{name}: {fault}") from fault

    @property
    def depth(self) -> float:
        """m, throat plane to mouth plane."""
        return self.meridian.depth if self.is_round else self.surface.depth

    @property
    def mouth_width(self) -> float:
        """m, from rim to rim in the horizontal plane."""
        return 2.0 * self.meridian.mouth_radius if self.is_round else self.surface.mouth_width

    @property
    def mouth_height(self) -> float:
        """m, from rim to rim in the vertical plane."""
        return 2.0 * self.meridian.mouth_radius if self.is_round else self.surface.mouth_height
