"""[machine] and [[tools]] of a process file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.manufacture.process.types import POINT_ANGLE, Machine, Tool
from evenflare.names import Name
from evenflare.schema import Table, fault, number
from evenflare.units import DEGREE, MILLIMETRE, MINUTE

FEED = MILLIMETRE / MINUTE
"""m/s in 1 mm/min."""


Size = Annotated[float, number(0.1, 5000)]
Sizes = Annotated[list[Size], Field(min_length=3, max_length=3)]
Feed = Annotated[float, number(1, 50e3)]
SLENDER = 24.0
"""Reach per diameter beyond which a cutter is a slip of the pen (common practice, no source)."""


class MachineTable(Table):
    """[machine]."""

    kind: Literal["router", "lathe", "none"] = Field(examples=["router"])
    work_volume_mm: Sizes | None = None
    safe_height_mm: Annotated[float, number(1, 500)] = 15.0
    spindle_rpm: Annotated[float, number(10, 100e3)] | None = None
    cutting_feed_mm_per_min: Feed | None = None
    plunge_feed_mm_per_min: Feed | None = None
    rapid_feed_mm_per_min: Feed | None = None
    acceleration_mm_per_s2: Annotated[float, number(10, 50e3)] = 500.0
    spin_up_s: Annotated[float, number(0, 60)] = 3.0
    park_mm: Annotated[list[Annotated[float, number(-5000, 5000)]], Field(min_length=2, max_length=2)] | None = None
    spindle_nose_diameter_mm: Annotated[float, number(1, 500)] | None = None
    line_numbers: bool = False
    arc_tolerance_mm: Annotated[float, number(0, 1)] = 0.0
    programmed_point: Literal["nose_centre", "imaginary_tip"] = "nose_centre"

    @model_validator(mode="after")
    def _complete(self) -> MachineTable:
        needed = {
            "work_volume_mm": "[600, 600, 150]",
            "spindle_rpm": "16000",
            "cutting_feed_mm_per_min": "1800",
            "plunge_feed_mm_per_min": "400",
            "rapid_feed_mm_per_min": "5000",
        }
        lacking = [key for key in needed if getattr(self, key) is None]
        if self.kind != "none" and lacking:
            examples = ", ".join(f"{key} = {needed[key]}" for key in lacking)
            raise fault(f'{lacking[0]}: missing beside kind = "{self.kind}". Add for example {examples}')
        for key in ("cutting_feed_mm_per_min", "plunge_feed_mm_per_min"):
            value, rapid = getattr(self, key), self.rapid_feed_mm_per_min
            if value is not None and rapid is not None and value > rapid:
                raise fault(
                    f"{key} = {value:g}: must be at most rapid_feed_mm_per_min = {rapid:g}, the fastest that the"
                    " machine goes. Correct one"
                )
        if self.kind != "router" and self.spindle_nose_diameter_mm is not None:
            raise fault(
                f'spindle_nose_diameter_mm: is looked at on routers only, and this is kind = "{self.kind}". Remove it'
            )
        if self.kind == "lathe" and self.park_mm is not None and self.park_mm[1] < self.safe_height_mm:
            raise fault(
                f"park_mm = {self.park_mm}: its second value, z, must be at least safe_height_mm ="
                f" {self.safe_height_mm:g}, out of the part. Raise it"
            )
        return self

    def value(self) -> Machine:
        """In SI."""
        volume = [0.0, 0.0, 0.0] if self.work_volume_mm is None else self.work_volume_mm
        return Machine(
            kind=self.kind,
            work_volume=three(volume),
            safe_height=self.safe_height_mm * MILLIMETRE,
            spindle_rpm=self.spindle_rpm or 0.0,
            cutting_feed=(self.cutting_feed_mm_per_min or 0.0) * FEED,
            plunge_feed=(self.plunge_feed_mm_per_min or 0.0) * FEED,
            rapid_feed=(self.rapid_feed_mm_per_min or 0.0) * FEED,
            acceleration=self.acceleration_mm_per_s2 * MILLIMETRE,
            spin_up=self.spin_up_s,
            park=self._park,
            spindle_nose_diameter=(self.spindle_nose_diameter_mm or 0.0) * MILLIMETRE,
            line_numbers=self.line_numbers,
            arc_tolerance=self.arc_tolerance_mm * MILLIMETRE,
            programmed_point=self.programmed_point,
        )

    @property
    def _park(self) -> tuple[float, float] | None:
        """m; a lathe's first value is a diameter, as in its programs."""
        if self.park_mm is None:
            return None
        first, second = (value * MILLIMETRE for value in self.park_mm)
        return (0.5 * first if self.kind == "lathe" else first), second


class ToolTable(Table):
    """One of [[tools]]."""

    name: Name = Field(examples=["ball 6"])
    kind: Literal["ball", "bull", "flat", "turning", "drill"] = Field(examples=["ball"])
    diameter_mm: Annotated[float, number(0.1, 100)] | None = Field(default=None, examples=[6])
    corner_radius_mm: Annotated[float, number(0.01, 50)] | None = None
    flute_length_mm: Annotated[float, number(0.5, 500)] = Field(examples=[40])
    reach_mm: Annotated[float, number(0.5, 500)] = Field(examples=[100])
    shank_diameter_mm: Annotated[float, number(0.1, 100)] = Field(examples=[6])
    holder_diameter_mm: Annotated[float, number(0.1, 500)] = Field(examples=[40])
    holder_length_mm: Annotated[float, number(0, 500)] = Field(examples=[60])
    point_angle_deg: Annotated[float, number(30, 170)] | None = None
    tool_number: Annotated[int, number(1, 99, whole=True)] | None = None
    edge_length_mm: Annotated[float, number(0.1, 100)] | None = None
    edge_angle_deg: Annotated[float, number(91, 120)] = 95.0

    @model_validator(mode="after")
    def _consistent(self) -> ToolTable:
        start = f'tool "{self.name}":'
        if self.kind == "turning":
            if self.corner_radius_mm is None:
                raise fault(f"{start} corner_radius_mm: missing, an insert has a nose. Add for example 0.4")
            if self.diameter_mm is not None:
                raise fault(f"{start} diameter_mm: does not belong to a turning tool. Remove it")
        elif self.edge_length_mm is not None:
            raise fault(f"{start} edge_length_mm: belongs to a turning tool. Remove it")
        elif self.diameter_mm is None:
            raise fault(f"{start} diameter_mm: missing. Add for example diameter_mm = 6")
        elif self.kind == "bull":
            if self.corner_radius_mm is None or not self.corner_radius_mm < 0.5 * self.diameter_mm:
                raise fault(
                    f"{start} corner_radius_mm: must be below half the diameter, {0.5 * self.diameter_mm:g}."
                    ' Give it, or write kind = "ball" or "flat"'
                )
        elif self.corner_radius_mm is not None and not (
            self.kind == "ball" and abs(self.corner_radius_mm - 0.5 * self.diameter_mm) < 1e-9
        ):
            raise fault(
                f'{start} corner_radius_mm: does not belong to kind = "{self.kind}". Remove it, or write "bull"'
            )
        if self.point_angle_deg is not None and self.kind != "drill":
            raise fault(f'{start} point_angle_deg: belongs to kind = "drill", this is "{self.kind}". Remove it')
        if self.flute_length_mm > self.reach_mm:
            raise fault(
                f"{start} flute_length_mm = {self.flute_length_mm:g}: must be at most reach_mm = {self.reach_mm:g},"
                " from tip to holder. Correct one"
            )
        if self.kind != "drill" and self.diameter_mm is not None and self.reach_mm > SLENDER * self.diameter_mm:
            raise fault(
                f"{start} reach_mm = {self.reach_mm:g}: is over {SLENDER:g} times its diameter, such a cutter"
                " breaks. Correct one"
            )
        return self

    def value(self, spindle_nose: float = 0.0) -> Tool:
        """In SI; `spindle_nose` in m is the diameter of what holds the holder, 0 if that is not known."""
        corner = self.corner_radius_mm or 0.0
        if self.kind == "ball":
            corner = 0.5 * (self.diameter_mm or 0.0)
        diameter = 2.0 * corner if self.diameter_mm is None else self.diameter_mm
        return Tool(
            name=self.name,
            kind=self.kind,
            diameter=diameter * MILLIMETRE,
            corner_radius=corner * MILLIMETRE,
            flute_length=self.flute_length_mm * MILLIMETRE,
            reach=self.reach_mm * MILLIMETRE,
            shank_diameter=self.shank_diameter_mm * MILLIMETRE,
            holder_diameter=self.holder_diameter_mm * MILLIMETRE,
            holder_length=self.holder_length_mm * MILLIMETRE,
            spindle_nose=spindle_nose,
            point_angle=POINT_ANGLE if self.point_angle_deg is None else self.point_angle_deg * DEGREE,
            number=self.tool_number or 0,
            edge_length=(self.edge_length_mm or 0.0) * MILLIMETRE,
            edge_angle=self.edge_angle_deg * DEGREE,
        )


def three(values: Sequence[float], factor: float = MILLIMETRE) -> tuple[float, float, float]:
    """Values times a factor, as a triple."""
    x, y, z = (value * factor for value in values)
    return x, y, z
