"""A waveguide: the shape of its wall, the driver behind it, and what its mouth is mounted in."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from evenflare.units import MILLIMETRE
from evenflare.waveguide.body import Body, RolledShell, outside
from evenflare.waveguide.cabinet import Cabinet
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import Shape
from evenflare.waveguide.meridian import Meridian, Piece
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.sections import Superellipse
from evenflare.waveguide.solid import SolidCabinet
from evenflare.waveguide.surface import Surface


@dataclass(frozen=True)
class Mounting:
    """What surrounds the mouth: an infinite rigid baffle, a rigid sphere (of `radius`, m) whose surface meets the rim,
    the outside of a free-standing `body`, or the flat front of a `cabinet`.

    slack  : m, by which the mouth, or the depth, of a wall as made may take more than the cabinet has room for.
    Errors: ValueError for more than one of them.
    """

    radius: float | None = None
    body: Body | None = None
    cabinet: Cabinet | SolidCabinet | None = None
    slack: float = 0.0

    def __post_init__(self) -> None:
        if sum(each is not None for each in (self.radius, self.body, self.cabinet)) > 1:
            raise ValueError("a mounting is a sphere, a body or a cabinet: give a radius, a body or a cabinet")

    @property
    def kind(self) -> Literal["baffle", "sphere", "free_standing", "cabinet"]:
        """What it is, in a word."""
        if self.cabinet is not None:
            return "cabinet"
        if self.body is not None:
            return "free_standing"
        return "baffle" if self.radius is None else "sphere"


@dataclass(frozen=True)
class Waveguide:
    """A shape behind a driver, in a mounting. A frozen value; its wall is worked out once, when first asked for.

    Errors: ValueError from `meridian` and `surface` if the parameters give no wall, the sphere is smaller than the
            mouth, the body does not fit round the wall, or an oblong mouth is mounted in either.
    """

    shape: Shape | Oblong
    driver: Driver = Driver()
    mounting: Mounting = Mounting()

    @property
    def is_round(self) -> bool:
        """Whether every section is a circle by construction: one meridian says all."""
        return not isinstance(self.shape, Oblong)

    @property
    def symmetry(self) -> Literal["round", "two_planes", "left_right", "none"]:
        """Of its sound: its own, and that of what the mouth is mounted in."""
        if self.mounting.cabinet is not None:
            return self.mounting.cabinet.symmetry
        return "round" if self.is_round else "two_planes"

    @property
    def meridian(self) -> Meridian:
        """The wall of a round waveguide from throat to mouth. TypeError for an oblong one: it has two, in `surface`."""
        return self._mounted[0]

    @property
    def outside(self) -> tuple[Piece, ...]:
        """The stretches of the body's outline from the mouth's rim round to the axis; none where there is no body."""
        return self._mounted[1]

    @cached_property
    def _mounted(self) -> tuple[Meridian, tuple[Piece, ...]]:
        """The wall, and what is outside it, which must fit."""
        if isinstance(self.shape, Oblong):
            raise TypeError("an oblong waveguide has no one meridian: take surface.horizontal and surface.vertical")
        meridian = self.shape.meridian(self.driver.exit_radius)
        radius, body = self.mounting.radius, self.mounting.body
        if radius is not None and radius < meridian.mouth_radius:
            raise ValueError(
                f"[mounting] radius_mm = {radius / MILLIMETRE:g}: must be at least the mouth's radius,"
                f" {meridian.mouth_radius / MILLIMETRE:.4g}. Raise it, or make the mouth smaller"
            )
        self._check_cabinet(meridian.mouth_radius, meridian.mouth_radius, meridian.depth)
        return meridian, () if body is None else outside(meridian, body)

    @cached_property
    def surface(self) -> Surface:
        """The wall in space; a round one has its meridian in both planes.

        ValueError, for a round one too, if the wall does not advance along the axis everywhere.
        """
        if not isinstance(self.shape, Oblong):
            return Surface(self.meridian, self.meridian, Superellipse())
        return self._in_space[0]

    @property
    def oblong_body(self) -> OblongBody | None:
        """What an oblong waveguide that stands free is outside; None where there is none, or a round one."""
        return None if self.is_round else self._in_space[1]

    @cached_property
    def _in_space(self) -> tuple[Surface, OblongBody | None]:
        """The wall of an oblong waveguide, and what is outside it, which must fit."""
        assert isinstance(self.shape, Oblong)  # nothing else is asked for
        if self.mounting.kind == "sphere":
            raise ValueError(
                '[mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for a mouth that is not'
                " round, whose rim no sphere meets. Change it, or make the waveguide round"
            )
        horizontal, vertical = (
            self._in_plane(name, shape)
            for name, shape in (("horizontal", self.shape.horizontal), ("vertical", self.shape.vertical))
        )
        shapes = self.shape.horizontal, self.shape.vertical
        slack = sum(abs(getattr(shape, "depth_moved", 0.0)) for shape in shapes)
        found = Surface(horizontal, vertical, self.shape.section, slack, self.shape.round_throat)
        self._check_cabinet(0.5 * found.mouth_width, 0.5 * found.mouth_height, found.depth)
        body = self.mounting.body
        if body is None:
            return found, None
        if not isinstance(body, RolledShell):
            raise ValueError(
                f'[mounting] outline = "{body.outline}": must be "rolled_shell" for a mouth that is not round. Change'
                " it, or make the waveguide round"
            )
        return found, OblongBody(found, body)

    def _check_cabinet(self, half_width: float, half_height: float, depth: float) -> None:
        cabinet, slack = self.mounting.cabinet, self.mounting.slack
        if cabinet is not None:
            cabinet.check(half_width - slack, half_height - slack, depth - slack, is_round=self.is_round)

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
