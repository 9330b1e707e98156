"""A wall as a machine or a foundry leaves it: the drawn one, moved along its normal, and scaled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import ClassVar

from evenflare.waveguide.body import RolledShell
from evenflare.waveguide.departure import ROLLED as ROLLED
from evenflare.waveguide.departure import Arcs as Arcs
from evenflare.waveguide.departure import WallDeviation as WallDeviation
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.moved import moved_along_normal, scaled
from evenflare.waveguide.moved_oblong import MovedSection, moved_wall
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.remounted import remounted
from evenflare.waveguide.tabulated import by_splines
from evenflare.waveguide.waveguide import Waveguide


def deviated(
    waveguide: Waveguide, deviation: WallDeviation, *, splined: bool = False, alike: bool = False
) -> Waveguide:
    """The waveguide with its wall as `deviation` says. The driver stays, with a ledge between its exit and a wall that
    begins wider or narrower. A round one that is not alike all round becomes an oblong one.

    splined : by splines, to a tenth of a micrometre: quicker to be solved, once.
    alike   : whether the march divides the air as within the drawn wall, whatever waves there are: the errors of a
              coarse one are then nearly the same in both, and cancel.

    ValueError where that leaves no wall (later, when the wall is asked for), or the mounting takes none that is not
    round.
    """
    if deviation == WallDeviation():
        return waveguide
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        if deviation.is_round:
            return remounted(waveguide, replace(waveguide, shape=Deviated(shape, deviation, splined, alike)))
        _refuse_round_only(waveguide)
        shape = Oblong(shape, shape)
    section = MovedSection(shape, deviation, waveguide.driver.exit_radius, splined)
    horizontal, vertical = (DeviatedInPlane(shape, deviation, each, splined, alike) for each in (False, True))
    made = replace(waveguide, shape=Oblong(horizontal, vertical, section, round_throat=False))
    return remounted(waveguide, made)


def _refuse_round_only(waveguide: Waveguide) -> None:
    mounting = waveguide.mounting
    if mounting.kind == "sphere" or not isinstance(mounting.body, RolledShell | None):
        where = "a sphere" if mounting.body is None else f'the outline "{mounting.body.outline}"'
        raise ValueError(
            f"a round mouth in {where} cannot become oval, which only a baffle, a cabinet and a rolled shell take: must"
            " depart alike all round. Leave out ovality and take one azimuth, or change the mounting"
        )


@dataclass(frozen=True)
class Deviated:
    """A shape of a meridian, moved along its normal by a deviation that is alike all round."""

    family: ClassVar[str] = "deviated"
    shape: Shape
    deviation: WallDeviation
    splined: bool = False
    alike: bool = False

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        return _meridian_of(self, exit_radius)


@lru_cache(maxsize=16)
def _meridian_of(shape: Deviated, exit_radius: float) -> Meridian:
    """Kept: what the wall is mounted in is fitted to it first."""
    moved = moved_along_normal(shape.shape, shape.deviation, exit_radius=exit_radius)
    moved = scaled(moved, 1.0 + shape.deviation.scale)
    return by_splines(moved) if shape.splined else moved


@dataclass(frozen=True)
class DeviatedInPlane:
    """The meridian in one plane of an oblong shape that is moved along its normal."""

    family: ClassVar[str] = "deviated"
    shape: Oblong
    deviation: WallDeviation
    vertical: bool
    splined: bool = False
    alike: bool = False

    @property
    def depth_moved(self) -> float:
        """m, see Points: of the drawn one."""
        drawn = self.shape.vertical if self.vertical else self.shape.horizontal
        return float(getattr(drawn, "depth_moved", 0.0))

    def meridian(self, exit_radius: float) -> Meridian:
        """See Shape."""
        wall = moved_wall(self.shape, self.deviation, exit_radius, splined=self.splined)
        moved = wall.meridians[int(self.vertical)]
        return scaled(moved, 1.0 + self.deviation.scale)


def drawn_of(waveguide: Waveguide) -> Waveguide | None:
    """The waveguide as drawn, in a baffle, of one that `deviated` made; None of any other."""
    shape = waveguide.shape
    if isinstance(shape, Oblong):
        shape = shape.horizontal
    if not isinstance(shape, Deviated | DeviatedInPlane):
        return None
    return _in_baffle(shape.shape, waveguide.driver)  # type: ignore[arg-type]  # shapes are frozen dataclasses


def moved_alike(waveguide: Waveguide) -> WallDeviation | None:
    """That of an oblong waveguide that `deviated` made alike, where it departs alike all round; None of any other."""
    shape = waveguide.shape
    made = shape.horizontal if isinstance(shape, Oblong) else None
    if not isinstance(made, DeviatedInPlane) or not made.alike or not made.deviation.is_round:
        return None
    return made.deviation


def divided_alike(waveguide: Waveguide) -> bool:
    """Whether `deviated` made it alike."""
    shape = waveguide.shape.horizontal if isinstance(waveguide.shape, Oblong) else waveguide.shape
    return isinstance(shape, Deviated | DeviatedInPlane) and shape.alike


@lru_cache(maxsize=16)
def _in_baffle(shape: Shape | Oblong, driver: Driver) -> Waveguide:
    """Kept with its wall, for it is moved many times."""
    return Waveguide(shape, driver)
