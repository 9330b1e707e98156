"""The tables of a design file, as users write them: keys, units, ranges, and the values in SI that they stand for."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar, cast

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from evenflare.design.driver import DriverTable
from evenflare.design.mounting import OBLONG_BODY, MountingTable
from evenflare.design.oblong import OblongTable, is_oblong, oblong_table
from evenflare.design.walls import Length, WallTable, wall_table
from evenflare.names import Name
from evenflare.schema import AirTable, Table, fault, form_of, number, rising
from evenflare.units import DEGREE, FloatArray

FREQUENCIES = np.geomspace(300.0, 20e3, 60)
"""Hz, where a design file says nothing."""
OFF_AXIS_STEP_DEG = 5.0
EVEN_STEPS_DEG = (
    *(0.5, 0.75, 1.0, 1.2, 1.5, 1.8, 2.0, 2.25, 2.5, 3.0, 3.6, 4.0, 4.5, 5.0, 6.0, 7.5, 9.0, 10.0, 12.0, 15.0, 18.0),
    *(20.0, 22.5, 30.0, 36.0, 45.0, 60.0, 90.0),
)
"""That divide 180, to offer."""

Frequency = Annotated[float, number(10, 100e3)]


class AnalysisTable(Table):
    """[analysis]: where and at which frequencies the sound is wanted."""

    elsewhere: ClassVar[Mapping[str, str]] = {
        "azimuths_deg": "is for an oblong waveguide: a round one sounds the same in every plane. Remove it"
    }

    frequencies_hz: Annotated[list[Frequency], Field(min_length=1, max_length=2000), AfterValidator(rising)] | None = (
        None
    )
    from_hz: Frequency | None = None
    to_hz: Frequency | None = None
    per_octave: Annotated[float, number(0.5, 96)] | None = None
    off_axis_step_deg: Annotated[float, number(0.5, 90)] = OFF_AXIS_STEP_DEG
    distance_m: Annotated[float, number(0.05, 1000)] | None = None
    reference_z_mm: Length | None = None

    @model_validator(mode="after")
    def _consistent(self) -> AnalysisTable:
        spread = [key for key in ("from_hz", "to_hz", "per_octave") if getattr(self, key) is not None]
        if self.frequencies_hz is not None and spread:
            raise fault(f"frequencies_hz and {spread[0]} exclude each other: remove one")
        low, high = self._ends()
        if not low < high:
            raise fault(f"from_hz = {low:g}: must be below to_hz = {high:g}. Lower it, or raise to_hz")
        steps = 180 / self.off_axis_step_deg
        if abs(steps - round(steps)) > 1e-9:
            raise fault(
                f"off_axis_step_deg = {self.off_axis_step_deg:g}: must divide 180 evenly. Write for example"
                f" {_even_steps(self.off_axis_step_deg)}"
            )
        return self

    def _ends(self) -> tuple[float, float]:
        low = float(FREQUENCIES[0]) if self.from_hz is None else self.from_hz
        return low, float(FREQUENCIES[-1]) if self.to_hz is None else self.to_hz

    @property
    def frequency(self) -> FloatArray:
        """Hz, rising."""
        if self.frequencies_hz is not None:
            return np.array(self.frequencies_hz)
        low, high = self._ends()
        if self.per_octave is None:
            return np.asarray(np.geomspace(low, high, FREQUENCIES.size))
        count = int(np.floor(self.per_octave * np.log2(high / low) + 1e-9))
        return np.asarray(low * 2.0 ** (np.arange(count + 1) / self.per_octave))

    @property
    def plane(self) -> FloatArray:
        """rad, rising: the azimuths of the planes."""
        return np.zeros(1)

    @property
    def off_axis(self) -> FloatArray:
        """rad, from 0 to pi."""
        return np.linspace(0.0, np.pi, round(180 / self.off_axis_step_deg) + 1)


def _both_planes(azimuths: list[float]) -> list[float]:
    if azimuths[0] != 0.0 or azimuths[-1] != 90.0:
        lacking = "0" if azimuths[0] != 0.0 else "90"
        raise fault(f"must include 0 and 90, the horizontal and the vertical plane. Add {lacking}")
    return azimuths


class OblongAnalysisTable(AnalysisTable):
    """[analysis] of an oblong waveguide."""

    azimuths_deg: Annotated[
        list[Annotated[float, number(0, 90)]],
        Field(min_length=2, max_length=181),
        AfterValidator(rising),
        AfterValidator(_both_planes),
    ] = Field(default=[0.0, 45.0, 90.0])

    @property
    def plane(self) -> FloatArray:
        """See AnalysisTable."""
        return np.array(self.azimuths_deg) * DEGREE


def _even_steps(step: float) -> str:
    """The nearest steps to either side that divide 180 and read well."""
    even = [each for each in EVEN_STEPS_DEG if each < step][-1:] + [each for each in EVEN_STEPS_DEG if each > step][:1]
    return " or ".join(f"{each:g}" for each in even)


Flange = Annotated[float, number(15, 5000)]


class SolidTable(Table):
    """[solid]: what is to be made."""

    elsewhere: ClassVar[Mapping[str, str]] = dict.fromkeys(
        ("flange_width_mm", "flange_height_mm"),
        "is for an oblong waveguide: around a round one the flange is round. Write flange_diameter_mm, or remove it",
    )
    kind: Literal["block", "shell", "body"] = "block"
    wall_mm: Annotated[float, number(0.5, 500)] | None = None
    flange_diameter_mm: Flange | None = None
    flange_thickness_mm: Annotated[float, number(0.5, 1000)] | None = None
    bolt_circle_mm: Annotated[float, number(10, 5000)] | None = None
    bolts: Annotated[int, number(0, 100, whole=True)] | None = None
    seat: bool | None = None
    seat_diameter_mm: Annotated[float, number(10, 400)] | None = None
    seat_clearance_mm: Annotated[float, number(0, 10)] | None = None
    seat_depth_mm: Annotated[float, number(0, 50)] | None = None
    seat_bolt_circle_mm: Annotated[float, number(1, 400)] | None = None
    seat_bolts: Annotated[int, number(0, 24, whole=True)] | None = None
    seat_hole_diameter_mm: Annotated[float, number(0.5, 30)] | None = None
    seat_hole_depth_mm: Annotated[float, number(1, 100)] | None = None
    rebate_width_mm: Annotated[float, number(0.5, 500)] | None = None
    rebate_depth_mm: Annotated[float, number(0.5, 200)] | None = None
    edge_radius_mm: Annotated[float, number(0.1, 500)] | None = None
    front_bolts: Annotated[int, number(0, 100, whole=True)] | None = None
    front_bolt_inset_mm: Annotated[float, number(1, 500)] | None = None
    front_screw: Literal["M2.5", "M3", "M4", "M5", "M6", "M8", "M10"] | None = None
    front_hole_diameter_mm: Annotated[float, number(1, 30)] | None = None
    front_countersunk: bool | None = None

    @model_validator(mode="after")
    def _features(self) -> SolidTable:
        seat = [key for key, value in self if key.startswith("seat_") and value is not None]
        holes = [key for key in seat if key in ("seat_bolt_circle_mm", "seat_hole_diameter_mm", "seat_hole_depth_mm")]
        if seat and self.seat is False:
            raise fault(f"seat = false and {seat[0]} exclude each other. Remove one")
        if seat and self.seat_diameter_mm is None:
            raise fault(f"seat_diameter_mm: missing beside {seat[0]}. Add for example seat_diameter_mm = 90")
        if self.kind == "body" and self.seat_depth_mm is not None:
            raise fault("seat_depth_mm: does not belong to a body, whose recess is open through its back. Remove it")
        if seat and self.kind != "body" and not self.seat_depth_mm and not self.seat_bolts:
            raise fault("seat_depth_mm: missing beside seat_diameter_mm. Add for example seat_depth_mm = 3")
        if holes and not self.seat_bolts:
            raise fault(f"seat_bolts: missing beside {holes[0]}. Add for example seat_bolts = 4")
        if self.seat_bolts and self.seat_bolt_circle_mm is None:
            raise fault("seat_bolt_circle_mm: missing beside seat_bolts. Add for example seat_bolt_circle_mm = 76.2")
        if (self.rebate_width_mm is None) != (self.rebate_depth_mm is None):
            given, lacking = ("width", "depth") if self.rebate_depth_mm is None else ("depth", "width")
            raise fault(
                f"rebate_{lacking}_mm: missing beside rebate_{given}_mm. Add for example rebate_{lacking}_mm = 5"
            )
        if self.rebate_width_mm is not None and self.edge_radius_mm is not None:
            raise fault(
                "edge_radius_mm and rebate_width_mm exclude each other: an edge that is flush with a baffle is not"
                " rounded. Remove one"
            )
        self._front_holes()
        return self

    def _front_holes(self) -> None:
        given = [key for key, value in self if key.startswith("front_") and key != "front_bolts" and value is not None]
        if not self.front_bolts:
            if given:
                raise fault(f"front_bolts: missing beside {given[0]}. Add for example front_bolts = 8")
            return
        if (self.front_screw is None) == (self.front_hole_diameter_mm is None):
            raise fault(
                "front_bolts: must have either front_screw or front_hole_diameter_mm beside it. Write for example"
                ' front_screw = "M4" alone'
            )
        if self.front_countersunk and self.front_screw is None:
            raise fault(
                "front_countersunk: must have front_screw beside it, which says how wide the head is. Write for"
                ' example front_screw = "M4" instead of front_hole_diameter_mm'
            )
        for key in ("bolts", "bolt_circle_mm"):
            if getattr(self, key):
                raise fault(
                    f"{key} and front_bolts exclude each other: the first are drawn only, the second are holes of the"
                    " solid. Remove one"
                )


class OblongSolidTable(SolidTable):
    """[solid] of an oblong waveguide."""

    flange_width_mm: Flange | None = None
    flange_height_mm: Flange | None = None

    @model_validator(mode="after")
    def _one_flange(self) -> OblongSolidTable:
        sides = {"flange_width_mm": self.flange_width_mm, "flange_height_mm": self.flange_height_mm}
        given = [key for key, side in sides.items() if side is not None]
        if given and self.flange_diameter_mm is not None:
            raise fault(
                f"flange_diameter_mm and {given[0]} exclude each other, a round flange and a rectangular one: remove"
                " one"
            )
        if len(given) == 1:
            other = next(key for key in sides if key not in given)
            raise fault(
                f"{other}: missing beside {given[0]}. Add for example {other} = {sides[given[0]]:g}, or write"
                " flange_diameter_mm for a round flange"
            )
        return self


def _day(value: str) -> str:
    try:
        return value and date.fromisoformat(value).isoformat()
    except ValueError:
        raise fault(f'date = "{value}": must be a day as year, month and day. Write for example "2026-11-29"') from None


AnyWall = TypeVar("AnyWall", bound=WallTable | OblongTable)


class DesignTable(Table, Generic[AnyWall]):
    """A whole design file."""

    name: Name = ""
    revision: Name = ""
    date: Annotated[Name, AfterValidator(_day)] = ""
    waveguide: AnyWall
    driver: DriverTable
    mounting: MountingTable = MountingTable()
    air: AirTable = AirTable()
    analysis: AnalysisTable = AnalysisTable()
    solid: SolidTable = SolidTable()


def _around_an_oblong_mouth(mounting: MountingTable) -> MountingTable:
    if mounting.kind == "sphere":
        raise fault(
            'kind = "sphere": must be "baffle", "cabinet" or "free_standing" for an oblong waveguide, a sphere takes a'
            ' round mouth only. Write kind = "baffle" without radius_mm, or make the waveguide round'
        )
    if mounting.round_only:
        raise fault(f"{mounting.round_only}. {OBLONG_BODY}, or make the waveguide round")
    return mounting


class OblongDesignTable(DesignTable[AnyWall], Generic[AnyWall]):
    """A whole design file of an oblong waveguide."""

    mounting: Annotated[MountingTable, AfterValidator(_around_an_oblong_mouth)] = MountingTable()
    analysis: OblongAnalysisTable = OblongAnalysisTable()
    solid: OblongSolidTable = OblongSolidTable()


AnyDesignTable = DesignTable[WallTable] | OblongDesignTable[OblongTable]


def design_table(waveguide: Any) -> type[AnyDesignTable]:
    """The form of a whole design file, by what its [waveguide] holds."""
    if is_oblong(waveguide):
        return cast(type[AnyDesignTable], form_of(OblongDesignTable, (oblong_table(waveguide),)))
    return cast(type[AnyDesignTable], form_of(DesignTable, (wall_table(waveguide),)))
