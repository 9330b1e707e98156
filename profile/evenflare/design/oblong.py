"""An oblong wall in a design file as users write it: a wall for each plane, and the sections between them."""

from __future__ import annotations

import itertools
from abc import abstractmethod
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, TypeVar, cast

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from evenflare.air import Air
from evenflare.design.walls import LARGEST_POINT, Corner, Smooth, WallTable, corner_of, csv_wall, wall_table
from evenflare.files import InputError
from evenflare.names import FileName
from evenflare.schema import Table, fault, form_of, gathered, number
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Oblong, RoundedRectangle, Section, Shape, Superellipse
from evenflare.waveguide.sections import ELLIPSE, EXPONENTS

SMALLEST_STEP = 1e-3
"""mm of depth between two exponents."""
NEAREST_END = 1.0
"""mm from the throat, within which a section would jump rather than change."""

PLANES = ("horizontal", "vertical")
CSVS = ("horizontal_csv", "vertical_csv")
SECTIONS = ("section_exponent", "corner_radius_mm")


def _pair(pair: list[float]) -> list[float]:
    (low, high), (z, exponent) = EXPONENTS, pair
    if low <= exponent <= high:
        return pair
    remedy = "Raise it" if exponent < low else "Lower it"
    if z == ELLIPSE or (low <= z <= high and exponent > high):
        remedy = "Is it the depth? Write z_mm first, then the exponent"
    raise fault(f"the exponent, {exponent:g}, must be {low:g} to {high:g}. {remedy}")


def _over_depth(pairs: list[list[float]]) -> list[list[float]]:
    if pairs[0][0] == 0.0 and pairs[0][1] != ELLIPSE:
        raise fault(
            f"the exponent at z_mm = 0 is {pairs[0][1]:g}: must be {ELLIPSE:g}, the throat is round. Write"
            f" [0, {ELLIPSE:g}], or leave that pair out"
        )
    for place, (before, after) in enumerate(itertools.pairwise(pairs), start=2):
        if after[0] < before[0] + SMALLEST_STEP:
            raise fault(
                f"value {place} is at z_mm = {after[0]:g} after {before[0]:g}: must rise by {SMALLEST_STEP:g} at least."
                " Sort the pairs, or remove one"
            )
    if pairs[-1][0] < NEAREST_END:
        raise fault(f"ends at z_mm = {pairs[-1][0]:g}: must reach {NEAREST_END:g} at least. Is z_mm in metres?")
    return pairs


Pair = Annotated[
    list[Annotated[float, number(0, LARGEST_POINT)]], Field(min_length=2, max_length=2), AfterValidator(_pair)
]
# The tags keep pydantic from judging a number as a list of pairs, or the other way round.
Exponent = Annotated[
    Annotated[float, number(*EXPONENTS), Tag("number")]
    | Annotated[list[Pair], Field(min_length=1, max_length=1000), AfterValidator(_over_depth), Tag("pairs")],
    Discriminator(lambda value: "pairs" if isinstance(value, list) else "number"),
]


class OblongTable(Table):
    """[waveguide] of an oblong waveguide in any of its forms."""

    places: ClassVar[tuple[str, str]]
    """Where the wall of each plane stands, for messages."""
    section_exponent: Exponent | None = None
    corner_radius_mm: Annotated[float, number(0.5, 1000)] | None = None

    @model_validator(mode="after")
    def _one_section(self) -> OblongTable:
        if self.section_exponent is not None and self.corner_radius_mm is not None:
            raise fault(
                "section_exponent and corner_radius_mm exclude each other, a superellipse and a rounded rectangle:"
                " remove one"
            )
        return self

    @property
    def section(self) -> Section:
        """In SI; an ellipse where the file says nothing."""
        if self.corner_radius_mm is not None:
            return RoundedRectangle(self.corner_radius_mm * MILLIMETRE)
        if isinstance(self.section_exponent, list):
            return Superellipse(tuple((z * MILLIMETRE, exponent) for z, exponent in self.section_exponent))
        return Superellipse() if self.section_exponent is None else Superellipse(self.section_exponent)

    def shape(self, air: Air, path: Path) -> Oblong:
        """In SI. `path` is the design file's. InputError lists the faults of both planes."""

        def section() -> Section:
            try:
                return self.section
            except ValueError as error:
                raise InputError(f"{path} [waveguide] {error}") from None

        walls = (partial(self.wall, plane, air, path) for plane in PLANES)
        return Oblong(*gathered(*walls, section))

    @abstractmethod
    def wall(self, plane: str, air: Air, path: Path) -> Shape:
        """Of one plane, in SI."""


class CsvsTable(OblongTable):
    """Points of both planes, each in a CSV beside the file."""

    what: ClassVar[str] = "a [waveguide] made of horizontal_csv and vertical_csv"
    relatives: ClassVar[frozenset[str]] = WallTable.relatives - {"corner_deg", "smooth_mm"}
    places: ClassVar[tuple[str, str]] = ("[waveguide] horizontal_csv", "[waveguide] vertical_csv")
    horizontal_csv: FileName = Field(examples=["horizontal.csv"])
    vertical_csv: FileName = Field(examples=["vertical.csv"])
    corner_deg: Corner | None = None
    smooth_mm: Smooth = 0.0

    def wall(self, plane: str, air: Air, path: Path) -> Shape:
        """See OblongTable."""
        key = f"{plane}_csv"
        bounds = corner_of(self.corner_deg), self.smooth_mm * MILLIMETRE
        return csv_wall(path.parent, getattr(self, key), *bounds, key=f"{path} [waveguide] {key}")


AnyHorizontal = TypeVar("AnyHorizontal", bound=WallTable)
AnyVertical = TypeVar("AnyVertical", bound=WallTable)


class PlanesTable(OblongTable, Generic[AnyHorizontal, AnyVertical]):
    """A table for the wall of each plane."""

    elsewhere: ClassVar[Mapping[str, str]] = {
        **dict.fromkeys(
            WallTable.relatives,
            "each plane has a wall of its own. Move it into [waveguide.horizontal] and [waveguide.vertical], or"
            " remove it",
        ),
        **{
            f"{plane}_csv": f"does not go with [waveguide.horizontal] and [waveguide.vertical]. Write it as"
            f" meridian_csv in [waveguide.{plane}], or remove it"
            for plane in PLANES
        },
    }
    places: ClassVar[tuple[str, str]] = ("[waveguide.horizontal]", "[waveguide.vertical]")
    horizontal: AnyHorizontal
    vertical: AnyVertical

    def wall(self, plane: str, air: Air, path: Path) -> Shape:
        """See OblongTable."""
        table: WallTable = getattr(self, plane)
        return table.shape(air, path, table=f"waveguide.{plane}")


def is_oblong(data: Any) -> bool:
    """Whether a [waveguide] table is meant for an oblong waveguide, by what it holds."""
    if not isinstance(data, dict):
        return False
    if not data.keys().isdisjoint((*PLANES, *CSVS)):
        return True
    # Half a file: sections without walls, or planes by names of their own.
    half = not data.keys().isdisjoint(SECTIONS) or any(isinstance(value, dict) for value in data.values())
    return half and data.keys().isdisjoint(("family", "points_mm", "meridian_csv"))


def oblong_table(data: Mapping[str, Any]) -> type[OblongTable]:
    """The form of such a table."""
    if not data.keys().isdisjoint(CSVS) and data.keys().isdisjoint(PLANES):
        return CsvsTable
    forms = tuple(wall_table(data.get(plane)) for plane in PLANES)
    return cast(type[OblongTable], form_of(PlanesTable, forms))
