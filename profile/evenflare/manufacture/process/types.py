"""What a part is made with: machine, tools, stock, tolerances and casting, as data in files that a workshop keeps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from evenflare.files import InputError
from evenflare.manufacture.process.controller import Controller
from evenflare.units import DEGREE
from evenflare.waveguide.accuracy import Accuracy

ToolKind = Literal["ball", "bull", "flat", "turning", "drill"]
MachineKind = Literal["router", "lathe", "none"]
Product = Literal["mill_programs", "lathe_programs", "sheets", "pattern", "prints"]
ProgrammedPoint = Literal["nose_centre", "imaginary_tip"]
Holding = Literal["tabs", "onion_skin", "free"]
POINT_ANGLE = math.radians(118.0)
"""Of a twist drill (common practice, no source)."""


@dataclass(frozen=True)
class Tool:
    """A cutter; lengths in m.

    corner_radius    : of a ball half the diameter, of a turning insert the nose radius, of a flat end 0.
    flute_length     : that cuts, from the tip.
    reach            : from the tip to the holder.
    shank_diameter   : between flutes and holder.
    holder_diameter  : above the reach, all the way up.
    holder_length    : of the holder, where the spindle's nose begins.
    spindle_nose     : diameter of the spindle's nose; 0: not known, and not looked at.
    number           : by which a controller calls it; 0: none.
    edge_length      : of an insert's side edge, from its tip; 0: not known.
    edge_angle       : rad, between that edge and the feed along the axis (ISO 3002-1, from memory).
    point_angle      : rad, of a drill's cone, from side to side: pi / 2 cuts countersinks for metric screws.
    A turning tool's diameter is twice its nose radius; its reach is what the bar stands out, its shank_diameter the
    bar's height across the axis of the part.
    """

    name: str
    kind: ToolKind
    diameter: float
    corner_radius: float
    flute_length: float
    reach: float
    shank_diameter: float
    holder_diameter: float
    holder_length: float = 0.0
    spindle_nose: float = 0.0
    number: int = 0
    edge_length: float = 0.0
    edge_angle: float = 95 * DEGREE
    point_angle: float = POINT_ANGLE

    @property
    def radius(self) -> float:
        """M."""
        return 0.5 * self.diameter


@dataclass(frozen=True)
class Machine:
    """A router or a lathe, or none. Lengths in m, feeds in m/s, the spindle in turns per minute.

    work_volume      : (x, y, z) of travel; of a lathe x is the largest diameter that turns (twice), z the length.
    safe_height      : above the highest material, where rapid moves run.
    acceleration     : m/s2, of its axes, for the time that a program takes.
    spin_up          : s, that the spindle needs to come up to speed.
    park             : where the tool waits after a program: (x, y) of a router's, at the safe height; of a lathe's
                       radius and z; None: where the program ends.
    spindle_nose_diameter : of what holds the holder; 0: not known.
    line_numbers     : whether program lines carry N words.
    arc_tolerance    : within which moves may become arcs; 0: no arcs.
    programmed_point : of a turning tool: the nose's centre, or the corner that its tangents meet in.
    """

    kind: MachineKind
    work_volume: tuple[float, float, float] = (0.0, 0.0, 0.0)
    safe_height: float = 0.0
    spindle_rpm: float = 0.0
    cutting_feed: float = 0.0
    plunge_feed: float = 0.0
    rapid_feed: float = 0.0
    acceleration: float = 0.5
    spin_up: float = 3.0
    park: tuple[float, float] | None = None
    spindle_nose_diameter: float = 0.0
    line_numbers: bool = False
    arc_tolerance: float = 0.0
    programmed_point: ProgrammedPoint = "nose_centre"


@dataclass(frozen=True)
class Stock:
    """What the part is cut from; lengths in m.

    size               : (x, y, z) of a block, of a lathe's stock its diameter twice and its length; None: to measure.
    sheet_thickness    : nominal.
    measured_thickness : of the sheets at hand, in their order; empty: nominal.
    sheet_size         : (x, y).
    spacing            : between parts on a sheet, for the kerf.
    layer_edges        : of layers cut from sheets: straight through, or a bevel from face to face.
    """

    kind: Literal["block", "sheet"]
    size: tuple[float, float, float] | None = None
    sheet_thickness: float = 0.0
    measured_thickness: tuple[float, ...] = ()
    sheet_size: tuple[float, float] = (0.0, 0.0)
    spacing: float = 0.0
    layer_edges: Literal["step", "bevel"] = "step"


@dataclass(frozen=True)
class DriverSeat:
    """Where the driver sits: a recess in the back whose floor is the throat plane, and holes in that floor; m.

    diameter, depth : of the recess; the part reaches `depth` behind the throat plane. 0 deep: the back is flat.
    bolt_circle     : diameter.
    bolts           : evenly around, the first on +x as in the solid; 0: no holes.
    hole_diameter, hole_depth : of blind holes, for inserts or taps; counted from the floor.
    stated          : what stands before the keys of whoever asked for it, for messages.
    depth_fixed     : the design states `hole_depth`: what does not fit is refused, never made shallower.
    """

    diameter: float = 0.0
    depth: float = 0.0
    bolt_circle: float = 0.0
    bolts: int = 0
    hole_diameter: float = 0.0
    hole_depth: float = 0.0
    stated: str = field(default="[seat] ", compare=False)
    depth_fixed: bool = field(default=False, compare=False)

    @property
    def is_cut(self) -> bool:
        """Whether it takes anything from the part."""
        return self.diameter > 0.0 and (self.depth > 0.0 or self.bolts > 0)


@dataclass(frozen=True)
class HoldDown:
    """How a router's part is held while it is cut free from larger stock; lengths in m.

    kind          : what is left at the part's back: tabs, a skin all round, or nothing.
    by            : what holds the stock, and a part that is cut quite free, in words.
    margin        : of stock beyond the part's outside, on every side.
    tabs          : how many, of `tab_width` along the outside and `tab_height` above the back.
    skin          : thickness of an onion skin.
    pin_diameter  : of two pins beside the part, for the flip; 0: none.
    """

    kind: Holding
    by: str
    margin: float
    tabs: int = 0
    tab_width: float = 0.0
    tab_height: float = 0.0
    skin: float = 0.0
    pin_diameter: float = 0.0

    @property
    def kept(self) -> float:
        """m, of what is left above the back, where it is left."""
        return {"tabs": self.tab_height, "onion_skin": self.skin, "free": 0.0}[self.kind]


@dataclass(frozen=True)
class Casting:
    """How a pattern is made larger than the part.

    contraction         : linear share by which the metal contracts.
    contraction_of      : "casting": the pattern is the casting times 1 + s; "pattern": the casting over 1 - s.
    machining_allowance : m per machined face; None: by `allowance_grade`.
    draft               : rad.
    pull                : toward which the pattern is drawn.
    grade               : casting tolerance, ISO 8062-3: 6 to 15 for DCTG 6 to DCTG 15.
    allowance_grade     : A to K for RMAG A to RMAG K; None: `machining_allowance` is given.
    core_print          : m, length of the print for a core at the throat; 0: none.
    wall                : the waveguide's wall stays as it is cast, or is machined: the pattern then has metal on it.
    """

    alloy: str
    contraction: float
    contraction_of: Literal["casting", "pattern"]
    machining_allowance: float | None
    draft: float
    pull: Literal["front", "back"]
    grade: int
    allowance_grade: str | None = None
    core_print: float = 0.0
    wall: Literal["as_cast", "machined"] = "as_cast"


@dataclass(frozen=True)
class Printing:
    """How a part is printed in layers; lengths in m.

    build_volume  : (x, y, z) that the printer holds.
    layer         : thickness of a layer.
    least_wall    : the thinnest wall that it prints soundly.
    shrinkage     : linear share by which a print comes out smaller than its file.
    overhang      : rad, from upright: faces that look down more steeply need support.
    pin_diameter, pin_length : of pins across the joints of a part in pieces; 0 wide: none.
    pin_clearance : of their holes, in diameter and at each end.
    """

    build_volume: tuple[float, float, float]
    layer: float
    least_wall: float
    shrinkage: float
    overhang: float
    pin_diameter: float
    pin_length: float
    pin_clearance: float


@dataclass(frozen=True)
class Process:
    """All that a part is made with.

    roughing_tool, finishing_tool, seat_tool : names of tools; empty where the process has no such step.
    rest_tool      : a smaller one, for what the roughing tool does not reach, or "".
    semi_finishing_tool, semi_finishing_left : a ball that runs between them, or "", and m that it leaves on the wall.
    profile_tool   : of a router, for the outside; rebate_tool : for the front's rebate; edge_tool : for its rounded
                     edge; hole_tool : for holes through the front as helices, where no drill has their diameter;
                     countersink_tool; facing_tool : for the back, where the stock is thicker than the part;
                     outside_tool : of a lathe, for front, outside and edge; back_tool : for the
                     driver's recess. Empty: as above.
    tolerance      : m, by which the surface may depart, either way along its normal.
    scallop_height : m, of the ridges that finishing leaves.
    leave_at_most  : m, of stock that may stay in hollows that the finishing tool does not reach; 0: none.
    stock_left     : m, that roughing leaves along the normal.
    stepdown       : m, from level to level of roughing, or the depth of cut of a turning pass.
    density        : kg/m3.
    parting        : m, of a lathe: how far behind the part's back the outside is turned, for parting it off.
    makes          : what it makes of a part, beside its solid and its points, which any export has.
    controller     : how programs are written.
    accuracy       : what it does to a wall; None where the file does not say.
    """

    name: str
    machine: Machine
    tools: tuple[Tool, ...]
    roughing_tool: str
    finishing_tool: str
    seat_tool: str
    stock: Stock
    tolerance: float
    scallop_height: float
    stock_left: float
    stepdown: float
    material: str
    density: float
    makes: tuple[Product, ...]
    seat: DriverSeat = DriverSeat()
    casting: Casting | None = None
    printing: Printing | None = None
    accuracy: Accuracy | None = None
    controller: Controller = Controller()
    rest_tool: str = ""
    semi_finishing_tool: str = ""
    semi_finishing_left: float = 0.0
    profile_tool: str = ""
    rebate_tool: str = ""
    edge_tool: str = ""
    hole_tool: str = ""
    countersink_tool: str = ""
    facing_tool: str = ""
    outside_tool: str = ""
    back_tool: str = ""
    parting: float = 0.0
    leave_at_most: float = 0.0
    hold_down: HoldDown | None = None

    @property
    def makes_programs(self) -> bool:
        """Whether a machine of it runs programs."""
        return "mill_programs" in self.makes or "lathe_programs" in self.makes

    def tool(self, name: str) -> Tool:
        """The tool of that name. Errors: InputError if there is none."""
        for tool in self.tools:
            if tool.name == name:
                return tool
        known = ", ".join(f'"{tool.name}"' for tool in self.tools) or "none"
        raise InputError(f'process "{self.name}": has no tool "{name}"; its tools are {known}. Name one of them')
