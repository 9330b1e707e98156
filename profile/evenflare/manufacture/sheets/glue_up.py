"""How a lamination is glued up, for the bench, and what its files tell alike of sheets and cuts."""

from __future__ import annotations

from functools import partial

import numpy as np

from evenflare.manufacture.part.features import PLAIN, FrontHoles
from evenflare.manufacture.part.rings import Outline
from evenflare.manufacture.points.points import CAUTIONS
from evenflare.manufacture.process.full_stock import cuts_outside
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.sheets.lamination import Lamination, Layer
from evenflare.units import MILLIMETRE
from evenflare.words import fixed_mm

_mm = partial(fixed_mm, decimals=4)

SLACK = 1 * MILLIMETRE
"""By which a blind dowel is shorter than both its holes, for the glue (common practice, no source)."""

GLUE_CAUTIONS = (
    "caution: glue, solvents and their vapours harm skin, eyes and lungs: gloves, air, and the maker's sheet.",
    "caution: a stack under clamps shifts as it is tightened: keep fingers clear, tighten in turns across.",
    *CAUTIONS[:2],
    CAUTIONS[3],
)


def glue_up_text(
    made: Lamination,
    process: Process,
    named: tuple[str, ...],
    *,
    front: FrontHoles = PLAIN.front,
    kind: str = "block",
) -> str:
    """The order of glue-up, for the bench."""
    last = made.layers[-1]
    lines = [
        f"Glue-up of a {kind} of layers, by evenflare",
        *named,
        f"material: {process.material}; {', '.join(stock_told(made, process))}",
        f"cut: {cut_told(made)}",
        *(_blind_dowels(made) if kind == "body" else _through_dowels(made)),
        "",
        "1. Measure every sheet before cutting. If one differs from the thickness above by more than 0.1 mm, put what"
        " was measured in measured_thickness_mm and export again: errors of the layers add up.",
        "2. Cut and drill all layers. The number stands on the front face; the one of layer 1 would show: cut it"
        " shallow, or leave it out. Try the stack dry on its dowels, and measure its height.",
        *_from_the_back(made),
        "3. Lay layer 1 with its front face down on a flat, waxed plate. Then, glue on both faces, on the dowels:",
    ]
    for layer in made.layers:
        told = f"   layer {layer.number:3d}  z {_mm(layer.z_from)} to {_mm(layer.z_to)}"
        told += f"  opening at its back {_size(layer.cuts[-1][1])}"
        told += f"  left {_left_on(layer, process)} up to {_mm(layer.left)}"
        if kind == "body" and cuts_outside(process) != "router":
            told += f"  outside {_size(layer.outside)}  left on it up to {_mm(layer.left_outside)}"
        lines.append(told)
    lines += [
        "4. Clamp evenly, wipe what squeezes out of the opening, leave it as long as the glue's maker says.",
        f"5. Plane {_mm(made.surplus)} mm off the back, so that the {kind} is"
        f" {_mm(made.layers[0].z_to - last.z_from - made.surplus)} mm high."
        if made.surplus > 0.0
        else "5. The back needs no planing if the stack has its height.",
        f"6. {_steps_off(made, process)}",
        *([f"7. {_outside_steps_off(made, process)}"] if kind == "body" else _through(front)),
        "",
        *GLUE_CAUTIONS,
    ]
    return "\n".join(lines) + "\n"


def _size(outline: Outline) -> str:
    if outline.radius is not None:
        return f"diameter {_mm(2 * outline.radius)}"
    return " x ".join(_mm(side) for side in outline.size)


def _through_dowels(made: Lamination) -> list[str]:
    return [
        f"dowels: 3 of {made.dowel_diameter / MILLIMETRE:g} mm, {_mm(made.layers[0].z_to - made.layers[-1].z_from)} mm"
        f" long, at {'; '.join(f'x {_mm(x)} y {_mm(y)}' for x, y in made.dowels)} (mm from the axis, seen from the"
        " front)",
        "The three stand at uneven angles: a layer fits in one way only. Their ends show in the front; drill layer 1"
        " from its back and not through where that matters.",
    ]


def _blind_dowels(made: Lamination) -> list[str]:
    """Of every joint of a body."""
    ahead = [(layer, [hole for hole in layer.dowels if hole.operation == "drill_back"]) for layer in made.layers]
    deep = next((hole.depth or 0.0 for _, holes in ahead for hole in holes), 0.0)
    if not deep:
        return ["dowels: none, it is one layer"]
    thin = made.layers[-1].thickness - made.surplus <= deep
    return [
        f"dowels: 3 of {made.dowel_diameter / MILLIMETRE:g} mm in every joint, {_mm(2.0 * deep - SLACK)} mm long, in"
        f" blind holes {_mm(deep)} deep (drill_back from a layer's back, drill_front from the next one's front), at, mm"
        " from the axis and seen from the front:",
        *(
            f"   layers {layer.number} and {layer.number + 1}:  "
            + "; ".join(f"x {_mm(hole.x)} y {_mm(hole.y)}" for hole in holes)
            for layer, holes in ahead
            if holes
        ),
        "The three of a joint stand at uneven angles: a layer fits in one way only. Set the drill's stop: a hole that"
        " is too deep may break through to the wall or the outside as these are finished.",
        *(["The last layer is so thin when planed that its dowels' ends show in the back."] if thin else []),
    ]


def _steps_off(made: Lamination, process: Process) -> str:
    """How the wall is made of the steps: never by a finishing cutter alone, which would meet a layer's whole edge."""
    highest = max(layer.thickness for layer in made.layers)
    alone = (
        f"never by finishing alone: its slender cutter would meet a layer's whole edge, {_mm(highest)} mm, and break"
    )
    if "lathe_programs" in process.makes:
        return (
            "Glue the planed back on a waste disc of the diameter of the set-up sheet's stock, thick enough for the"
            " rest of its length and for the chuck. Then run the lathe's programs in the set-up sheet's order: they"
            " take passes as in a solid bar, and so meet no more than they state. Glue lines may let go: balance it by"
            " hand, begin slowly, light cuts, a face shield, nobody in the plane of the work."
        )
    if "mill_programs" in process.makes:
        semi = " rest.nc if there is one," if process.rest_tool else ""
        semi += " semi_finishing.nc if there is one," if process.semi_finishing_tool else ""
        return (
            "Take the steps off the wall, from the front, in one clamping: run roughing.nc, which goes down level by"
            f" level as in a solid block and so meets no more than it states, then{semi} finishing.nc; {alone}. If"
            " the set-up sheet says that one of them is left out, take the steps off by hand."
        )
    return (
        "Take the steps off the wall: by hand to templates (export --gauges), or on a router by a roughing program and"
        f' then a finishing program, which a process with [machine] kind = "router" and makes = ["sheets",'
        f' "mill_programs"] writes; {alone}.'
    )


def _outside_steps_off(made: Lamination, process: Process) -> str:
    """How a body's outside is made of its layers."""
    machine = cuts_outside(process)
    if machine == "router":
        return (
            "The layers have the sides of the router's full stock: run outside_roughing.nc and outside_finishing.nc"
            " from the front, and after the flip outside_back_roughing.nc and outside_back_finishing.nc, as the set-up"
            " sheet says. If it says that one of them is left out, do the outside by hand to outside.csv."
        )
    if machine == "lathe":
        return (
            "The layers have the diameter of the lathe's full stock: outside.nc turns the outside before the wall,"
            " outside_back.nc after the recess, as the set-up sheet says."
        )
    if made.layers[0].outside.radius is None:
        return (
            "Take the steps off the outside: by hand, with rasp and long board, to templates cut from"
            " outside_sections.csv (outside.csv has the heights between), or on a router by the outside's programs,"
            ' which a process with [machine] kind = "router" and makes = ["sheets", "mill_programs"] writes.'
        )
    return (
        "Take the steps off the outside, to outside.csv: by hand to templates cut from it, with rasp and long board, or"
        ' on a router or lathe by the outside\'s programs, which a process with such a [machine] and makes = ["sheets",'
        ' "mill_programs"] or "lathe_programs" writes.'
    )


def _from_the_back(made: Lamination) -> list[str]:
    """What of recess and driver's holes is cut from a layer's back, before glue-up or after it."""
    words = []
    for layer in made.layers:
        for hole in layer.holes:
            if hole.depth is not None:
                what = "pocket" if hole.operation == "pocket_back" else "hole"
                words.append(
                    f"   layer {layer.number:3d}  {what} from its back, {_mm(hole.depth)} deep, diameter"
                    f" {_mm(2 * hole.radius)}, at x {_mm(hole.x)} y {_mm(hole.y)} seen from the front"
                )
    if not words:
        return []
    head = (
        "   pocket_back and drill_back of the drawing are cut from a layer's back, so deep, in the sheet as it comes;"
        " turned over, x counts the other way. Measure the driver at hand first:"
    )
    return [head, *words]


def _through(front: FrontHoles) -> list[str]:
    if not front.count:
        return []
    sink = (
        f"; after glue-up countersink them in layer 1 to a diameter of {_mm(front.countersink)} at"
        f" {np.degrees(front.countersink_angle):g} degrees"
        if front.countersink
        else ""
    )
    return [f"7. The front's holes, diameter {_mm(front.diameter)}, go through every layer (drill){sink}."]


def _left_on(layer: Layer, process: Process) -> str:
    return "in the recess" if process.seat.depth > 0.0 and layer.z_to <= 0.0 else "on the wall"


def cut_told(made: Lamination) -> str:
    """How layers are cut out, and what is left."""
    left = f"{made.allowance / MILLIMETRE:g} mm are left beside the wall"
    if made.style == "step":
        return f"each layer straight through at its smallest opening (cut_inside); {left}"
    return (
        "from cut_inside_front on the front face straight to cut_inside_back on the back face; cut_inside straight"
        f" through; {left} and where a straight slope would cut into it"
    )


def stock_told(made: Lamination, process: Process) -> list[str]:
    """Of the sheets: sizes, and how their thickness is known."""
    width, height = made.sheet
    first = (
        f"sheets of {width / MILLIMETRE:g} by {height / MILLIMETRE:g}, spacing {process.stock.spacing / MILLIMETRE:g}"
    )
    if not made.measured:
        return [
            f"{first}; thickness {process.stock.sheet_thickness / MILLIMETRE:g} is NOMINAL: measure the sheets first"
        ]
    if made.measured < made.sheets:
        return [
            f"{first}; sheets from {made.measured + 1} on are NOT measured: taken as thick as the last measured one"
        ]
    return [f"{first}; thickness as measured, glue lines taken as nothing"]
