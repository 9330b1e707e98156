"""[limits] of a target file: sizes, angles, and, by construction, what the families that there are can be bound by."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator, BeforeValidator, Field, create_model, model_validator

from evenflare.air import Air
from evenflare.schema import Table, fault, number
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Bound, Family, Limits, Parameter, families, family
from evenflare.waveguide.oblong import PLANES
from evenflare.waveguide.sections import EXPONENTS

OBLONG_MOUTH = "[limits] mouth_width_mm and mouth_height_mm instead of mouth_diameter_mm"


def one_as_range(value: Any) -> Any:
    """A number as the range that holds it alone."""
    if isinstance(value, list):
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise fault("must be a number, or a range [lowest, greatest]. Write it without quotation marks or unit")
    return [value, value]


def _ordered(ends: list[float]) -> list[float]:
    if ends[0] > ends[1]:
        raise fault("must be [lowest, greatest], or one number. Swap them")
    return ends


Pair = (Field(min_length=2, max_length=2), AfterValidator(_ordered), BeforeValidator(one_as_range))
"""Checks of a key that holds a number, or a range [lowest, greatest]; as a range."""
Depth = Annotated[list[Annotated[float, number(5, 1000)]], *Pair]
Mouth = Annotated[list[Annotated[float, number(15, 2000)]], *Pair]
Exponents = Annotated[list[Annotated[float, number(*EXPONENTS)]], *Pair]
ThroatAngles = Annotated[list[Annotated[float, number(0, 80)]], *Pair]


class LimitsTable(Table):
    """[limits]: of round mouths, by their diameter, or of oblong ones, by width and height."""

    elsewhere: ClassVar[Mapping[str, str]] = {
        "corner_radius_mm": "is for design files, a search draws superellipses. Write section_exponent = [2, 4], or"
        " leave it out for ellipses"
    }
    depth_mm: Depth = Field(examples=[[60, 110]])
    mouth_diameter_mm: Mouth | None = Field(default=None, examples=[[180, 260]])
    mouth_width_mm: Mouth | None = None
    mouth_height_mm: Mouth | None = None
    section_exponent: Exponents | None = None
    smallest_concave_radius_mm: Annotated[float, number(0, 500)] = 0.0
    throat_angle_deg: ThroatAngles | None = None
    greatest_wall_angle_deg: Annotated[float, number(10, 90)] = 90.0
    smallest_draft_deg: Annotated[float, number(0, 45)] = 0.0
    throat_angle_mismatch_deg: Annotated[float, number(0, 90)] = 90.0

    @property
    def mouth(self) -> dict[str, list[float]]:
        """The mouth's ranges by key, mm."""
        keys = ("mouth_diameter_mm", "mouth_width_mm", "mouth_height_mm")
        return {key: ends for key in keys if (ends := getattr(self, key)) is not None}

    @property
    def oblong(self) -> bool:
        """Whether they are limits of oblong mouths."""
        return self.mouth_diameter_mm is None

    @model_validator(mode="after")
    def _one_kind_of_mouth(self) -> LimitsTable:
        width, height = self.mouth_width_mm, self.mouth_height_mm
        if not self.mouth:
            raise fault(
                "mouth_diameter_mm: missing. Add for example mouth_diameter_mm = [180, 260]; or, for an oblong mouth,"
                " mouth_width_mm = [180, 220] and mouth_height_mm = [100, 140]"
            )
        if self.mouth_diameter_mm is not None:
            other = next((key for key in self.mouth if key != "mouth_diameter_mm"), None)
            if other:
                raise fault(
                    f"mouth_diameter_mm and {other} exclude each other: keep mouth_diameter_mm for a round mouth,"
                    " mouth_width_mm and mouth_height_mm for an oblong one"
                )
            if self.section_exponent is not None:
                raise fault(
                    "section_exponent: is for oblong mouths, a round one's sections are circles. Remove it, or give"
                    f" {OBLONG_MOUTH.removeprefix('[limits] ')}"
                )
        elif width is None or height is None:
            lacking, given = ("width", "height") if width is None else ("height", "width")
            example = "[180, 220]" if width is None else "[100, 140]"
            raise fault(
                f"mouth_{lacking}_mm: missing beside mouth_{given}_mm, an oblong mouth has both. Add for example"
                f" mouth_{lacking}_mm = {example}"
            )
        return self

    @model_validator(mode="after")
    def _room_for_draft(self) -> LimitsTable:
        usual = [angle / DEGREE for angle in Limits().throat_angle]
        for key, greatest in (
            ("greatest_wall_angle_deg", self.greatest_wall_angle_deg),
            ("the greatest of throat_angle_deg", (self.throat_angle_deg or usual)[1]),
        ):
            if self.smallest_draft_deg > greatest:
                raise fault(
                    f"smallest_draft_deg = {self.smallest_draft_deg:g}: must be at most {key}, {greatest:g}. Lower it,"
                    " or raise that"
                )
        return self

    @model_validator(mode="after")
    def _planes_of_an_oblong_mouth(self) -> LimitsTable:
        given = next((plane for plane in PLANES if getattr(self, plane, None) is not None), None)
        if given and not self.oblong:
            raise fault(
                f"{given}: is for oblong mouths, a round one has one wall. Move its keys into [limits], or give"
                f" {OBLONG_MOUTH.removeprefix('[limits] ')}"
            )
        assert self.bounded is not None  # half and full of one angle exclude each other
        return self

    @property
    def bounded(self) -> dict[str, tuple[str, list[float]]]:
        """Bounds of parameters by place, as a file names it: the parameter's key, and low and high in its unit."""
        found = dict(_bounded(self))
        for plane in PLANES:
            below = getattr(self, plane, None)
            found |= {} if below is None else {f"{plane}.{key}": each for key, each in _bounded(below)}
        return found

    def value(self, air: Air) -> Limits:
        """In SI. air : in which a cutoff counts."""
        usual = Limits()

        def within(ends: list[float] | None, unit: float) -> tuple[float, float] | None:
            return None if ends is None else (ends[0] * unit, ends[1] * unit)

        known, bounds = boundable(), []
        for place, (key, ends) in self.bounded.items():
            low, high = sorted(known[key].value(end, air) for end in ends)
            bounds.append(Bound(key, low, high, place.rpartition(".")[0]))
        exponents = self.section_exponent or usual.section_exponent
        return Limits(
            depth=(self.depth_mm[0] * MILLIMETRE, self.depth_mm[1] * MILLIMETRE),
            mouth_diameter=within(self.mouth_diameter_mm, MILLIMETRE),
            mouth_width=within(self.mouth_width_mm, MILLIMETRE),
            mouth_height=within(self.mouth_height_mm, MILLIMETRE),
            section_exponent=(exponents[0], exponents[1]),
            smallest_concave_radius=self.smallest_concave_radius_mm * MILLIMETRE,
            greatest_wall_angle=self.greatest_wall_angle_deg * DEGREE,
            smallest_draft=self.smallest_draft_deg * DEGREE,
            throat_angle=within(self.throat_angle_deg, DEGREE) or usual.throat_angle,
            throat_angle_mismatch=self.throat_angle_mismatch_deg * DEGREE,
            bounds=tuple(bounds),
            air=air,
        )


def boundable(of: Sequence[str] | None = None) -> dict[str, Parameter]:
    """What families can be bound by in [limits], by key, but for what has a limit of its own. of : None for all."""
    every = (each for name in families() if of is None or name in of for each in family(name).boundable)
    return {each.key: each for each in every if each.key not in LimitsTable.model_fields}


def limits_table() -> type[LimitsTable]:
    """[limits] with what the families that there are can be bound by."""
    return _table(tuple(family(name) for name in families()))


@cache
def _table(known: tuple[Family, ...]) -> type[LimitsTable]:
    keys: dict[str, Any] = {}
    for each in boundable([of.name for of in known]).values():
        low, high = each.allowed
        for key, factor in ((each.key, 1.0), (each.full_key, 2.0)):
            if key:
                ends: Any = list[Annotated[float, number(factor * low, factor * high)]]
                keys[key] = Annotated[ends, *Pair] | None, None
    plane = create_model("PlaneLimitsTable", __base__=Table, __doc__="[limits.horizontal], [limits.vertical].", **keys)
    keys |= dict.fromkeys(PLANES, (plane | None, None))
    return create_model("FamilyLimitsTable", __base__=LimitsTable, __doc__=LimitsTable.__doc__, **keys)


def _bounded(table: Table) -> Iterator[tuple[str, tuple[str, list[float]]]]:
    """Bounds that a table holds: the key given, and the parameter's key with its range."""
    for key, parameter in boundable().items():
        ends, full = getattr(table, key, None), getattr(table, parameter.full_key or key, None)
        if ends is not None:
            if full is not None and parameter.full_key:
                raise fault(f"{key} and {parameter.full_key} are the half and the full of one angle: remove one")
            yield key, (key, ends)
        elif full is not None:
            yield parameter.full_key, (key, [0.5 * end for end in full])
