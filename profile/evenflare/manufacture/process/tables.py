"""The tables of a process file, as users write them: keys, units, ranges, and the values in SI that they stand for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.manufacture.process.accuracy import AccuracyTable
from evenflare.manufacture.process.types import Casting, DriverSeat, Machine, Process, Product, Stock, Tool
from evenflare.names import Name
from evenflare.schema import Table, checked, fault, number, parsed
from evenflare.units import DEGREE, MILLIMETRE, MINUTE, PERCENT

MINIMAL = """name = "patterns by hand"
tolerance_mm = 0.2
material = "pine"
density_kg_per_m3 = 500
[machine]
kind = "none"
[stock]
kind = "block\""""

FEED = MILLIMETRE / MINUTE
"""m/s in 1 mm/min."""


Size = Annotated[float, number(0.1, 5000)]
Sizes = Annotated[list[Size], Field(min_length=3, max_length=3)]
Feed = Annotated[float, number(1, 50e3)]
Thickness = Annotated[float, number(0.5, 200)]
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
        return self

    def value(self) -> Machine:
        """In SI."""
        volume = [0.0, 0.0, 0.0] if self.work_volume_mm is None else self.work_volume_mm
        return Machine(
            kind=self.kind,
            work_volume=_three(volume),
            safe_height=self.safe_height_mm * MILLIMETRE,
            spindle_rpm=self.spindle_rpm or 0.0,
            cutting_feed=(self.cutting_feed_mm_per_min or 0.0) * FEED,
            plunge_feed=(self.plunge_feed_mm_per_min or 0.0) * FEED,
            rapid_feed=(self.rapid_feed_mm_per_min or 0.0) * FEED,
            line_numbers=self.line_numbers,
            arc_tolerance=self.arc_tolerance_mm * MILLIMETRE,
            programmed_point=self.programmed_point,
        )


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

    @model_validator(mode="after")
    def _consistent(self) -> ToolTable:
        start = f'tool "{self.name}":'
        if self.kind == "turning":
            if self.corner_radius_mm is None:
                raise fault(f"{start} corner_radius_mm: missing, an insert has a nose. Add for example 0.4")
            if self.diameter_mm is not None:
                raise fault(f"{start} diameter_mm: does not belong to a turning tool. Remove it")
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
        if self.flute_length_mm > self.reach_mm:
            raise fault(
                f"{start} flute_length_mm = {self.flute_length_mm:g}: must be at most reach_mm = {self.reach_mm:g},"
                " from tip to holder. Correct one"
            )
        if self.diameter_mm is not None and self.reach_mm > SLENDER * self.diameter_mm:
            raise fault(
                f"{start} reach_mm = {self.reach_mm:g}: is over {SLENDER:g} times its diameter, such a cutter"
                " breaks. Correct one"
            )
        return self

    def value(self) -> Tool:
        """In SI."""
        corner = self.corner_radius_mm or 0.0
        if self.kind == "ball":
            corner = 0.5 * (self.diameter_mm or 0.0)
        diameter = 2.0 * corner if self.diameter_mm is None else self.diameter_mm
        lengths = (diameter, corner, self.flute_length_mm, self.reach_mm)
        behind = (self.shank_diameter_mm, self.holder_diameter_mm)
        return Tool(self.name, self.kind, *(length * MILLIMETRE for length in (*lengths, *behind)))


class StockTable(Table):
    """[stock]."""

    kind: Literal["block", "sheet"] = Field(examples=["block"])
    size_mm: Sizes | None = None
    sheet_thickness_mm: Thickness | None = None
    measured_thickness_mm: Annotated[list[Annotated[float, number(0.5, 200)]], Field(max_length=500)] = Field(
        default=[]
    )
    sheet_size_mm: Annotated[list[Size], Field(min_length=2, max_length=2)] | None = None
    spacing_mm: Annotated[float, number(0, 200)] = 0.0
    layer_edges: Literal["step", "bevel"] = "step"

    @model_validator(mode="after")
    def _consistent(self) -> StockTable:
        sheet = [key for key in ("sheet_thickness_mm", "sheet_size_mm") if getattr(self, key) is not None]
        if self.kind == "sheet" and len(sheet) < 2:
            raise fault(
                'kind = "sheet": sheet_thickness_mm and sheet_size_mm are needed. Add for example'
                " sheet_thickness_mm = 18, sheet_size_mm = [1220, 2440]"
            )
        if self.kind == "block" and sheet:
            raise fault(f'{sheet[0]}: does not belong to kind = "block". Remove it, or write kind = "sheet"')
        if self.kind == "sheet" and self.size_mm is not None:
            raise fault('size_mm: does not belong to kind = "sheet". Write sheet_size_mm, or kind = "block"')
        return self

    def value(self) -> Stock:
        """In SI."""
        width, height = self.sheet_size_mm or (0.0, 0.0)
        return Stock(
            kind=self.kind,
            size=None if self.size_mm is None else _three([side * MILLIMETRE for side in self.size_mm], 1.0),
            sheet_thickness=(self.sheet_thickness_mm or 0.0) * MILLIMETRE,
            measured_thickness=tuple(each * MILLIMETRE for each in self.measured_thickness_mm),
            sheet_size=(width * MILLIMETRE, height * MILLIMETRE),
            spacing=self.spacing_mm * MILLIMETRE,
            layer_edges=self.layer_edges,
        )


class DriverSeatTable(Table):
    """[seat]: where the driver sits, in the back."""

    diameter_mm: Annotated[float, number(10, 400)] = Field(examples=[102])
    depth_mm: Annotated[float, number(0, 50)] = 0.0
    bolt_circle_mm: Annotated[float, number(0, 400)] = 0.0
    bolts: Annotated[int, number(0, 24, whole=True)] = 0
    hole_diameter_mm: Annotated[float, number(0.5, 30)] = 8.0
    hole_depth_mm: Annotated[float, number(1, 100)] = 15.0

    @model_validator(mode="after")
    def _consistent(self) -> DriverSeatTable:
        if self.bolts and not self.hole_diameter_mm < self.bolt_circle_mm <= self.diameter_mm - self.hole_diameter_mm:
            raise fault(
                f"bolt_circle_mm = {self.bolt_circle_mm:g}: holes of {self.hole_diameter_mm:g} on it must lie within"
                f" the seat of {self.diameter_mm:g}. Correct one"
            )
        return self

    def value(self, process: str) -> DriverSeat:
        """In SI; `process` is the name of the process that it stands in."""
        return DriverSeat(
            diameter=self.diameter_mm * MILLIMETRE,
            depth=self.depth_mm * MILLIMETRE,
            bolt_circle=self.bolt_circle_mm * MILLIMETRE,
            bolts=self.bolts,
            hole_diameter=self.hole_diameter_mm * MILLIMETRE,
            hole_depth=self.hole_depth_mm * MILLIMETRE,
            stated=f'process "{process}" [seat] ',
        )


class CastingTable(Table):
    """[casting]."""

    alloy: Name = Field(examples=["bronze"])
    contraction_percent: Annotated[float, number(0, 5)] = Field(examples=[1.3])
    contraction_of: Literal["casting", "pattern"] = Field(examples=["casting"])
    machining_allowance_mm: Annotated[float, number(0, 20)] | None = None
    allowance_grade: Literal["A", "B", "C", "D", "E", "F", "G", "H", "J", "K"] | None = None
    draft_deg: Annotated[float, number(0, 15)] = Field(examples=[1.5])
    pull: Literal["front", "back"] = Field(examples=["front"])
    grade: Annotated[int, number(6, 15, whole=True)] = Field(examples=[12])
    core_print_mm: Annotated[float, number(0, 100)] = 0.0
    wall: Literal["as_cast", "machined"] = "as_cast"

    @model_validator(mode="after")
    def _one_allowance(self) -> CastingTable:
        if (self.machining_allowance_mm is None) == (self.allowance_grade is None):
            raise fault(
                "machining_allowance_mm, allowance_grade: give one. For example machining_allowance_mm = 2, or"
                ' allowance_grade = "G"'
            )
        if self.wall == "machined" and self.machining_allowance_mm == 0.0:
            raise fault(
                'wall = "machined": needs metal to machine, and machining_allowance_mm = 0. Raise it, or write wall ='
                ' "as_cast"'
            )
        return self

    def value(self) -> Casting:
        """In SI."""
        allowance = self.machining_allowance_mm
        return Casting(
            alloy=self.alloy,
            contraction=self.contraction_percent * PERCENT,
            contraction_of=self.contraction_of,
            machining_allowance=None if allowance is None else allowance * MILLIMETRE,
            draft=self.draft_deg * DEGREE,
            pull=self.pull,
            grade=self.grade,
            allowance_grade=self.allowance_grade,
            core_print=self.core_print_mm * MILLIMETRE,
            wall=self.wall,
        )


class ProcessFile(Table):
    """A process file."""

    name: Name = Field(examples=["router"])
    makes: Annotated[list[Product], Field(min_length=1)] | None = None
    machine: MachineTable
    tools: list[ToolTable] = Field(default=[])
    roughing_tool: Name | None = None
    finishing_tool: Name | None = None
    semi_finishing_tool: Name | None = None
    seat_tool: Name | None = None
    tolerance_mm: Annotated[float, number(0.001, 5)] = Field(examples=[0.05])
    scallop_height_mm: Annotated[float, number(0.0005, 2)] = 0.01
    stock_left_mm: Annotated[float, number(0, 10)] = 0.5
    semi_finishing_left_mm: Annotated[float, number(0.02, 5)] = 0.2
    stepdown_mm: Annotated[float, number(0.05, 50)] = 3.0
    material: Name = Field(examples=["beech"])
    density_kg_per_m3: Annotated[float, number(10, 25e3)] = Field(examples=[720])
    stock: StockTable
    seat: DriverSeatTable | None = None
    casting: CastingTable | None = None
    accuracy: AccuracyTable | None = None

    @model_validator(mode="after")
    def _consistent(self) -> ProcessFile:
        able = self._able
        for product in self.makes or []:
            if product not in able:
                raise fault(f'makes: "{product}" needs {_NEEDED[product]}. Add that, or remove it from makes')
        twice = next((each for each in self.makes or [] if (self.makes or []).count(each) > 1), None)
        if twice:
            raise fault(f'makes: names "{twice}" twice. Remove one')
        kinds = {tool.name: tool.kind for tool in self.tools}
        if len(kinds) < len(self.tools):
            raise fault("[[tools]] name: two tools have one name. Rename one")
        for key, allowed in _ALLOWED[self.machine.kind].items():
            _check_step(key, getattr(self, key), allowed, kinds)
        if self.scallop_height_mm > self.tolerance_mm:
            raise fault(
                f"scallop_height_mm = {self.scallop_height_mm:g}: must be at most tolerance_mm ="
                f" {self.tolerance_mm:g}. Lower it"
            )
        if self.semi_finishing_tool and not self.semi_finishing_left_mm < self.stock_left_mm:
            raise fault(
                f"semi_finishing_left_mm = {self.semi_finishing_left_mm:g}: must be below stock_left_mm ="
                f" {self.stock_left_mm:g}, what roughing leaves. Lower it, or raise stock_left_mm"
            )
        if self.machine.kind == "none" and self.tools:
            raise fault('[[tools]]: belong to a machine, and its kind is "none". Remove them, or name the machine')
        return self

    @property
    def _able(self) -> tuple[Product, ...]:
        """All that its tables suffice for."""
        has: dict[Product, bool] = {
            "mill_programs": self.machine.kind == "router",
            "lathe_programs": self.machine.kind == "lathe",
            "sheets": self.stock.kind == "sheet",
            "pattern": self.casting is not None,
        }
        return tuple(product for product, suffices in has.items() if suffices)

    def value(self) -> Process:
        """In SI."""
        return Process(
            name=self.name,
            # A file that does not say makes all that it can.
            makes=self._able if self.makes is None else tuple(self.makes),
            machine=self.machine.value(),
            tools=tuple(tool.value() for tool in self.tools),
            roughing_tool=self.roughing_tool or "",
            finishing_tool=self.finishing_tool or "",
            seat_tool=self.seat_tool or "",
            stock=self.stock.value(),
            tolerance=self.tolerance_mm * MILLIMETRE,
            scallop_height=self.scallop_height_mm * MILLIMETRE,
            stock_left=self.stock_left_mm * MILLIMETRE,
            stepdown=self.stepdown_mm * MILLIMETRE,
            material=self.material,
            density=self.density_kg_per_m3,
            seat=DriverSeat() if self.seat is None else self.seat.value(self.name),
            casting=None if self.casting is None else self.casting.value(),
            accuracy=None if self.accuracy is None else self.accuracy.value(),
            semi_finishing_tool=self.semi_finishing_tool or "",
            semi_finishing_left=self.semi_finishing_left_mm * MILLIMETRE,
        )


_NEEDED: dict[Product, str] = {
    "mill_programs": '[machine] kind = "router"',
    "lathe_programs": '[machine] kind = "lathe"',
    "sheets": '[stock] kind = "sheet"',
    "pattern": "[casting]",
}
# By machine and step: the kinds of tool that can do it; a step in brackets may be left out.
_ALLOWED: dict[str, dict[str, tuple[str, ...]]] = {
    "router": {
        "roughing_tool": ("flat", "bull"),
        "semi_finishing_tool": ("ball", ""),
        "finishing_tool": ("ball",),
        "seat_tool": ("flat", ""),
    },
    "lathe": {
        "roughing_tool": ("turning",),
        "semi_finishing_tool": ("",),
        "finishing_tool": ("turning",),
        "seat_tool": ("",),
    },
    "none": {"roughing_tool": ("",), "semi_finishing_tool": ("",), "finishing_tool": ("",), "seat_tool": ("",)},
}


def _check_step(key: str, name: str | None, allowed: Sequence[str], kinds: Mapping[str, str]) -> None:
    wanted = " or ".join(kind for kind in allowed if kind)
    if name is None:
        if "" not in allowed:
            raise fault(f"{key}: missing. Write the name of one of [[tools]] of kind {wanted}")
    elif not wanted:
        raise fault(f'{key} = "{name}": this machine has no such step. Remove it')
    elif name not in kinds:
        known = ", ".join(f'"{each}"' for each in kinds) or "none"
        raise fault(f'{key} = "{name}": must be one of [[tools]]: {known}. Correct it, or add that tool')
    elif kinds[name] not in allowed:
        raise fault(f'{key} = "{name}": is of kind {kinds[name]}, must be {wanted}. Name another tool')


def process_from(path: Path) -> Process:
    """The process that a file describes. Errors: InputError that lists all faults."""
    return checked(parsed(path, minimal=MINIMAL), ProcessFile, path=path).value()


def _three(values: Sequence[float], factor: float = MILLIMETRE) -> tuple[float, float, float]:
    x, y, z = (value * factor for value in values)
    return x, y, z
