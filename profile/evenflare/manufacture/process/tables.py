"""The tables of a process file, as users write them: keys, units, ranges, and the values in SI that they stand for."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from evenflare.files import InputError
from evenflare.manufacture.process.accuracy import AccuracyTable
from evenflare.manufacture.process.controller import Controller
from evenflare.manufacture.process.controller_table import ControllerTable
from evenflare.manufacture.process.hold_down import HoldDownTable
from evenflare.manufacture.process.machine_tables import MachineTable, Size, Sizes, ToolTable, three
from evenflare.manufacture.process.print_table import PrintTable
from evenflare.manufacture.process.steps import NEEDED, OPERATIONS, STEPS, check_step
from evenflare.manufacture.process.types import Casting, DriverSeat, Process, Product, Stock
from evenflare.names import Name
from evenflare.schema import Table, checked, fault, number, parsed
from evenflare.units import DEGREE, MILLIMETRE, PERCENT

MINIMAL = """name = "patterns by hand"
tolerance_mm = 0.2
material = "pine"
density_kg_per_m3 = 500
[machine]
kind = "none"
[stock]
kind = "block\""""

Thickness = Annotated[float, number(0.5, 200)]


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
            size=None if self.size_mm is None else three([side * MILLIMETRE for side in self.size_mm], 1.0),
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
    controller: ControllerTable | None = None
    tools: list[ToolTable] = Field(default=[])
    roughing_tool: Name | None = None
    finishing_tool: Name | None = None
    rest_tool: Name | None = None
    semi_finishing_tool: Name | None = None
    seat_tool: Name | None = None
    profile_tool: Name | None = None
    rebate_tool: Name | None = None
    edge_tool: Name | None = None
    hole_tool: Name | None = None
    countersink_tool: Name | None = None
    facing_tool: Name | None = None
    outside_tool: Name | None = None
    back_tool: Name | None = None
    parting_mm: Annotated[float, number(0, 100)] = 0.0
    tolerance_mm: Annotated[float, number(0.001, 5)] = Field(examples=[0.05])
    scallop_height_mm: Annotated[float, number(0.0005, 2)] = 0.01
    leave_at_most_mm: Annotated[float, number(0, 10)] = 1.5
    stock_left_mm: Annotated[float, number(0, 10)] = 0.5
    semi_finishing_left_mm: Annotated[float, number(0.02, 5)] = 0.2
    stepdown_mm: Annotated[float, number(0.05, 50)] = 3.0
    material: Name = Field(examples=["beech"])
    density_kg_per_m3: Annotated[float, number(10, 25e3)] = Field(examples=[720])
    stock: StockTable
    seat: DriverSeatTable | None = None
    casting: CastingTable | None = None
    print: PrintTable | None = None
    accuracy: AccuracyTable | None = None
    hold_down: HoldDownTable | None = None

    @model_validator(mode="after")
    def _consistent(self) -> ProcessFile:
        able = self._able
        for product in self.makes or []:
            if product not in able:
                raise fault(f'makes: "{product}" needs {NEEDED[product]}. Add that, or remove it from makes')
        twice = next((each for each in self.makes or [] if (self.makes or []).count(each) > 1), None)
        if twice:
            raise fault(f'makes: names "{twice}" twice. Remove one')
        kinds = {tool.name: tool.kind for tool in self.tools}
        if len(kinds) < len(self.tools):
            raise fault("[[tools]] name: two tools have one name. Rename one")
        numbers = [tool.tool_number for tool in self.tools if tool.tool_number is not None]
        if len(set(numbers)) < len(numbers):
            again = next(number for number in numbers if numbers.count(number) > 1)
            raise fault(f"[[tools]] tool_number = {again}: two tools have it, and a controller calls one. Change one")
        for key, allowed in STEPS[self.machine.kind].items():
            check_step(key, getattr(self, key), allowed, kinds)
        self._check_rest()
        self._check_hold_down(kinds)
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

    def _check_rest(self) -> None:
        wide = {tool.name: tool.diameter_mm or 0.0 for tool in self.tools}
        if self.rest_tool is not None and not wide[self.rest_tool] < wide[self.roughing_tool or ""]:
            raise fault(
                f'rest_tool = "{self.rest_tool}": is {wide[self.rest_tool]:g} mm wide: must be narrower than the'
                f" roughing_tool, {wide[self.roughing_tool or '']:g} mm. Name a smaller one"
            )

    def _check_hold_down(self, kinds: Mapping[str, str]) -> None:
        if self.hold_down is not None and self.machine.kind != "router":
            raise fault(f'[hold_down]: belongs to a router, and the machine is "{self.machine.kind}". Remove it')
        if self.profile_tool is not None and self.hold_down is None:
            raise fault(
                "profile_tool: needs [hold_down], which says how the part is held as it is cut out. Add for example"
                ' [hold_down] with kind = "tabs", by = "screws through the waste" and margin_mm = 40'
            )
        if self.parting_mm and self.outside_tool is None:
            raise fault("parting_mm: needs outside_tool, which turns the outside. Name one, or remove it")
        drills = {tool.diameter_mm for tool in self.tools if tool.kind == "drill"}
        pins = None if self.hold_down is None else self.hold_down.pin_diameter_mm
        if pins and pins not in drills:
            raise fault(
                f'[hold_down] pin_diameter_mm = {pins:g}: needs one of [[tools]] of kind "drill" of that diameter. Add'
                " it, or leave the key out"
            )

    @property
    def _able(self) -> tuple[Product, ...]:
        """All that its tables suffice for."""
        has: dict[Product, bool] = {
            "mill_programs": self.machine.kind == "router",
            "lathe_programs": self.machine.kind == "lathe",
            "sheets": self.stock.kind == "sheet",
            "pattern": self.casting is not None,
            "prints": self.print is not None,
        }
        return tuple(product for product, suffices in has.items() if suffices)

    def value(self, controller: Controller) -> Process:
        """In SI; `controller` is what [controller] stands for."""
        machine = self.machine.value()
        return Process(
            name=self.name,
            # A file that does not say makes all that it can.
            makes=self._able if self.makes is None else tuple(self.makes),
            machine=machine,
            controller=controller,
            tools=tuple(tool.value(machine.spindle_nose_diameter) for tool in self.tools),
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
            printing=None if self.print is None else self.print.value(),
            accuracy=None if self.accuracy is None else self.accuracy.value(),
            semi_finishing_left=self.semi_finishing_left_mm * MILLIMETRE,
            parting=self.parting_mm * MILLIMETRE,
            leave_at_most=self.leave_at_most_mm * MILLIMETRE,
            hold_down=None if self.hold_down is None else self.hold_down.value(),
            **{key: getattr(self, key) or "" for key in OPERATIONS},
        )


def process_from(path: Path) -> Process:
    """The process that a file describes. Errors: InputError that lists all faults."""
    table = checked(parsed(path, minimal=MINIMAL), ProcessFile, path=path)
    controller = (table.controller or ControllerTable()).value(path)
    wrong = _unwritable(table, controller)
    if wrong:
        raise InputError(f"{path} {wrong}")
    return table.value(controller)


def _unwritable(table: ProcessFile, controller: Controller) -> str:
    """Why programs of the process cannot be written in the controller's words; empty if they can."""
    kind, numbers = table.machine.kind, {tool.name: tool.tool_number for tool in table.tools}
    if kind != "none" and kind not in controller.machines:
        known = " or ".join(f'"{name}"' for name in controller.machines)
        return (
            f'[controller] dialect = "{controller.dialect}": is for [machine] kind = {known}, and this one is a {kind}.'
            " Name another dialect"
        )
    if kind == "router" and controller.spindle_start == "M4":
        return '[controller] spindle_start = "M4": turns a router\'s cutters backward: must be "M3". Correct it'
    lacking = next((name for name, number in numbers.items() if number is None), None)
    if lacking is not None and (controller.tool_call or controller.length_offset):
        return (
            f'tool "{lacking}" tool_number: missing, and [controller] calls tools by their number, as in'
            f" {controller.tool_call or controller.length_offset}. Add for example tool_number = 1, or write"
            ' tool_call = "" and length_offset = ""'
        )
    tolerance = controller.corner_tolerance / MILLIMETRE if controller.path_tolerance else 0.0
    if tolerance >= table.tolerance_mm:
        return (
            f"[controller] path_tolerance_mm = {tolerance:g}: must be below tolerance_mm = {table.tolerance_mm:g}, of"
            " which it is a part. Lower it"
        )
    return ""
