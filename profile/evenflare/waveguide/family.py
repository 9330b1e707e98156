"""What a family of meridian is made of: its shape, its parameters as files hold them, and its members by size."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.air import Air
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import SMALLEST_ROUNDOVER, Shape
from evenflare.waveguide.limits import Limits, Range
from evenflare.waveguide.meridian import Meridian, Piece


@dataclass(frozen=True)
class Parameter:
    """One parameter of a family: a field of its shape in SI, and a key of files and a column of tables.

    name     : of the shape's field.
    key      : in a file, its unit at the end.
    allowed  : range there, in the key's unit.
    unit     : SI per unit of the key; None for a cutoff in Hz, whose field is the length c / (2 pi cutoff), in m.
    example  : of a key that must be given, in messages.
    default  : of a key that may be left out; None leaves the field None.
    count    : fewest and most values, where it is a list.
    full_key : of an angle against the axis, the key that may give the full angle, twice it, in its place.
    symbol   : in the family's formula; empty where it is not in it.
    """

    name: str
    key: str
    allowed: Range
    unit: float | None = 1.0
    example: float | tuple[float, ...] | None = None
    default: float | None = None
    count: tuple[int, int] | None = None
    full_key: str = ""
    symbol: str = ""

    def value(self, number: float, air: Air) -> float:
        """In SI, of a number in the key's unit."""
        return _flare_length(number, air) if self.unit is None else number * self.unit

    def number(self, value: float, air: Air) -> float:
        """In the key's unit, of a value in SI."""
        return _flare_length(value, air) if self.unit is None else value / self.unit

    def columns(self, shape: Shape, air: Air) -> dict[str, float]:
        """Of a shape, by column: the key, of a list the key with each value's place; none for a field left None."""
        value = getattr(shape, self.name)
        if value is None:
            return {}
        if self.count is None:
            return {self.key: self.number(value, air)}
        stem, _, end = self.key.partition("_")
        return {f"{stem}_{i + 1}_{end}": self.number(each, air) for i, each in enumerate(value)}


def _flare_length(cutoff: float, air: Air) -> float:
    """m, x0 = c / (2 pi cutoff) of a cutoff in Hz, and the other way round. See Hyperbolic."""
    return air.speed_of_sound / (2.0 * np.pi * cutoff)


@dataclass(frozen=True)
class Size:
    """What the member of a family is asked to have.

    exit_radius, depth, mouth, roundover : m; mouth and roundover are radii.
    steepest : rad, greatest angle that a free wall ends at; below 90 degrees it advances along the axis everywhere,
               also where it does not bend any more.
    """

    exit_radius: float
    depth: float
    mouth: float
    roundover: float
    steepest: float


def _no_ranges(limits: Limits, driver: Driver) -> dict[str, Range]:
    return {}


def _no_values(shape: Shape, meridian: Meridian) -> Sequence[float]:
    return ()


@dataclass(frozen=True)
class Family:
    """Everything that the product knows of a family; what reads, writes, searches or lists families asks this.

    name       : in files and tables.
    what       : in words, with an article.
    shape      : the type, whose fields the parameters are.
    parameters : as files hold them, in order.
    member     : the shape of a size and further values of the search, or the nearest where there is none.
    ranges     : of those further values within limits, by name, after depth, mouth and roundover, which all have.
    values     : with which `member` gives a shape, of that meridian, back; of a shape of another family, the nearest.
    depth_key  : what a user changes to change the depth.
    formula    : of the wall before its roundover, for who sets it out by hand: r over z, both from where the axis meets
                 the throat plane, with the throat's radius r0 and the parameters' symbols, lengths in one unit; empty
                 where points say it better.
    """

    name: str
    what: str
    shape: Callable[..., Shape]
    parameters: tuple[Parameter, ...]
    member: Callable[[Size, Sequence[float]], Shape]
    ranges: Callable[[Limits, Driver], Mapping[str, Range]] = _no_ranges
    values: Callable[[Shape, Meridian], Sequence[float]] = _no_values
    depth_key: str = "depth_mm"
    formula: str = ""

    @property
    def boundable(self) -> tuple[Parameter, ...]:
        """What limits can bound: its parameters, and the angle at which its walls end before their roundover."""
        return *self.parameters, END_ANGLE

    def found(self, parameter: Parameter, shape: Shape, exit_radius: float) -> tuple[float, ...]:
        """In SI, what a shape has of a `boundable` parameter: one value, those of a list, or none of one left None."""
        if parameter is END_ANGLE:
            return (_end_angle(shape, exit_radius),)
        value = getattr(shape, parameter.name)
        if value is None:
            return ()
        return tuple(value) if parameter.count is not None else (float(value),)

    def columns(self, shape: Shape, air: Air) -> dict[str, float]:
        """A shape's parameters by column. A cutoff counts in that air."""
        found: dict[str, float] = {}
        for parameter in self.parameters:
            found |= parameter.columns(shape, air)
        return found


def _end_angle(shape: Shape, exit_radius: float) -> float:
    """Rad, of the wall where its roundover begins, or at its mouth where it has none."""
    return float(before_roundover(shape, shape.meridian(exit_radius))[-1].frame_at(np.array([1.0])).angle[0])


def before_roundover(shape: Shape, meridian: Meridian) -> tuple[Piece, ...]:
    """The pieces of a shape's meridian without its roundover."""
    rounded = float(getattr(shape, "roundover_radius", 0.0)) >= SMALLEST_ROUNDOVER
    return meridian.pieces[:-1] if rounded and len(meridian.pieces) > 1 else meridian.pieces


DEPTH = Parameter("depth", "depth_mm", (5, 1000), MILLIMETRE, example=90)
ROUNDOVER = Parameter("roundover_radius", "roundover_radius_mm", (0, 500), MILLIMETRE, default=0.0)
WALL_ANGLE = Parameter(
    "wall_angle", "wall_angle_deg", (0.5, 89), DEGREE, example=42, full_key="coverage_deg", symbol="A"
)
FLARE_LENGTH = Parameter("flare_length", "cutoff_hz", (2, 30e3), None, example=500, symbol="x0")
END_ANGLE = Parameter("end_angle", "end_angle_deg", (0.5, 90), DEGREE)
"""Of no shape's fields: it follows from them, see `Family.found`."""
