"""A wall as a machine or a foundry leaves it: the drawn one, moved along its normal, and scaled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from evenflare.waveguide.departure import WallDeviation as WallDeviation
from evenflare.waveguide.departure import shares_of as shares_of
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.moved import moved_along_normal, scaled
from evenflare.waveguide.moved_oblong import MovedSection, moved_wall
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.waveguide import Waveguide


def deviated(waveguide: Waveguide, deviation: WallDeviation) -> Waveguide:
    """The waveguide with its wall as `deviation` says. The driver stays, with a ledge between its exit and a wall that
    begins wider or narrower. A round one that is not alike all round becomes an oblong one.

    ValueError where that leaves no wall (later, when the wall is asked for), or the mounting takes none that is not
    round.
    """
    if deviation == WallDeviation():
        return waveguide
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        if deviation.is_round:
            return replace(waveguide, shape=Deviated(shape, deviation))
        shape = Oblong(shape, shape)
    section = MovedSection(shape, deviation, waveguide.driver.exit_radius)
    planes = (DeviatedInPlane(shape, deviation, vertical=vertical) for vertical in (False, True))
    return replace(waveguide, shape=Oblong(*planes, section, round_throat=False))


@dataclass(frozen=True)
class Deviated:
    """A shape of a meridian, moved along its normal by a deviation that is alike all round."""

    family: ClassVar[str] = "deviated"
    shape: Shape
    deviation: WallDeviation

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        moved = moved_along_normal(self.shape, self.deviation, exit_radius=exit_radius)
        return scaled(moved, 1.0 + self.deviation.scale)


@dataclass(frozen=True)
class DeviatedInPlane:
    """The meridian in one plane of an oblong shape that is moved along its normal."""

    family: ClassVar[str] = "deviated"
    shape: Oblong
    deviation: WallDeviation
    vertical: bool

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        moved = moved_wall(self.shape, self.deviation, exit_radius).meridians[int(self.vertical)]
        return scaled(moved, 1.0 + self.deviation.scale)


def drawn_of(waveguide: Waveguide) -> Waveguide | None:
    """The waveguide as drawn, in a baffle, of one that `deviated` made; None of any other."""
    shape = waveguide.shape
    if isinstance(shape, Deviated):
        return Waveguide(shape.shape, waveguide.driver)
    if isinstance(shape, Oblong) and isinstance(shape.horizontal, DeviatedInPlane):
        return Waveguide(shape.horizontal.shape, waveguide.driver)
    return None
