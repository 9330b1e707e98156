"""The back of a part: the recess that the driver sits in, and the holes for its bolts."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.facing import BACK_DATUM, FACING_BACK, over_frame, where_flipped
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.roughing import ENGAGEMENT, LIFT, RAMP, RING_CHORD, cleared, ramp, ring_of
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.part.bolts import bolt_places, check_diameter, hole_depth
from evenflare.manufacture.process.types import DriverSeat, Process, Tool
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import mm

BACK = "back"
"""The program that cuts the driver's seat, with the back up."""
DRIVER_HOLES = "driver_holes"
"""The holes in its floor, where they need a tool of their own; after it."""


def back(
    waveguide: Waveguide, process: Process, *, across: float, pinned: bool = False, faced: float = 0.0
) -> Program | None:
    """The program for the back, with its own datum and the axis about which the part is flipped; None without a seat.

    The recess reaches from the back face to the throat plane; holes go on from its floor. Both are milled with one flat
    tool, holes as helices; where it is too wide for these, they have a program of their own, see driver_holes.
    across : m, the part's smallest outside. pinned : whether the front's programs drilled holes for pins.
    faced  : m, how high the stock stands round the part where the back was milled flat before, in this clamping; 0
             where it was not.
    Errors : InputError if the tool is too wide or too short, or a hole comes near the wall.
    """
    seat = process.seat
    if not process.seat_tool or not seat.is_cut:
        return None
    tool = process.tool(process.seat_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    holed = bool(seat.bolts) and passes(tool, seat)
    if seat.depth == 0.0 and not holed:
        return None
    process = over_frame(process, faced)
    machine = process.machine
    deep = hole_depth(waveguide, seat) if holed else 0.0
    check_diameter(waveguide, seat, across=across)
    _check(tool, seat.depth + deep + (faced if _beyond(tool, seat, across) else 0.0))
    floor, legs = -seat.depth, list[Leg]()
    if seat.depth > 0.0:
        room = 0.5 * seat.diameter - tool.radius
        number = max(1, int(np.ceil(room / (ENGAGEMENT * tool.radius))))
        rings = [ring_of(room * (k + 1) / number) for k in range(number)]
        count = max(1, int(np.ceil(seat.depth / process.stepdown - 1e-9)))
        above = 0.0
        for level in (floor * np.arange(1, count + 1) / count).tolist():
            legs += cleared(rings, level, above, process)
            above = level
        legs.append(Leg(_raised(legs[-1].points[-1], machine.safe_height), machine.rapid_feed, rapid=True))
    legs += _holes(process, tool, deep) if holed else []
    setup = [
        *back_up(waveguide, seat, after=FACING_BACK if faced else "", pinned=pinned, faced=faced),
        f"seat: diameter {mm(seat.diameter)}, depth {mm(seat.depth)} from the back face to the throat plane; measure"
        " the driver at hand before cutting",
        *words,
        *(_hole_words(seat, deep) if holed else []),
    ]
    helix = _sinks(seat, tool) if holed else 0.0
    return _behind(BACK, tool, legs, setup, engagement=max(process.stepdown if seat.depth > 0.0 else 0.0, helix))


def driver_holes(
    waveguide: Waveguide, process: Process, *, across: float, pinned: bool, after: str, faced: float = 0.0
) -> Program | None:
    """The program for the holes in a seat's floor where seat_tool is too wide for them: helices with the widest flat
    tool that is narrower; None where `back` mills them.

    after : the program that ran with the back up before it, empty where none did. across, pinned, faced : as `back`.
    Errors : InputError if no tool is narrow, or long, enough.
    """
    seat = process.seat
    if not (process.seat_tool and seat.is_cut and seat.bolts) or passes(process.tool(process.seat_tool), seat):
        return None
    tool = driver_tool(process)
    words, process = slender_words(process, tool), over_frame(eased(process, tool), faced)
    deep = hole_depth(waveguide, seat)
    _check(tool, seat.depth + deep + (faced if _beyond(tool, seat, across) else 0.0))
    begin = back_up(waveguide, seat, after=after, pinned=pinned, faced=faced)
    setup = [*begin, *words, *_hole_words(seat, deep)]
    return _behind(DRIVER_HOLES, tool, _holes(process, tool, deep), setup, engagement=_sinks(seat, tool))


def driver_tool(process: Process) -> Tool:
    """The widest flat tool that mills a seat's holes as helices. Errors: InputError if there is none."""
    seat, told = process.seat, process.tool(process.seat_tool)
    narrow = [tool for tool in process.tools if tool.kind == "flat" and passes(tool, seat)]
    if not narrow:
        raise InputError(
            f'seat_tool "{told.name}" diameter_mm = {mm(told.diameter)}: must be below hole_diameter_mm ='
            f" {mm(seat.hole_diameter)}, for a helix, and no other flat tool is. Add one to [[tools]], or drill the"
            " holes by the drawing"
        )
    return max(narrow, key=lambda each: each.diameter)


def _behind(name: str, tool: Tool, legs: list[Leg], setup: list[str], *, engagement: float) -> Program:
    return assembled(
        name, tool, legs, datum=BACK_DATUM, kind="milling", setup=setup, chord=RING_CHORD, engagement=engagement
    )


def passes(tool: Tool, seat: DriverSeat) -> bool:
    """Whether a flat tool mills a seat's holes as helices."""
    return tool.diameter < seat.hole_diameter - 1e-6


def _beyond(tool: Tool, seat: DriverSeat, across: float) -> bool:
    """Whether the holder reaches out over the part's outside where the tool cuts the seat, to its rim at most."""
    return 0.5 * seat.diameter - tool.radius + 0.5 * max(tool.holder_diameter, tool.spindle_nose) > 0.5 * across


def _sinks(seat: DriverSeat, tool: Tool) -> float:
    """m: a helix goes round at what remains of the hole beside the tool, and sinks by its slope."""
    return float(2.0 * np.pi * max(0.5 * seat.hole_diameter - tool.radius, 0.0) * np.tan(RAMP))


def _holes(process: Process, tool: Tool, deep: float) -> list[Leg]:
    seat, legs = process.seat, list[Leg]()
    for x, y in bolt_places(seat):
        legs += _hole(-x, y, -seat.depth, -seat.depth - deep, process, tool)
    return legs


def _hole_words(seat: DriverSeat, deep: float) -> list[str]:
    return [
        f"holes: {seat.bolts} of diameter {mm(seat.hole_diameter)}, {mm(deep)} deep from the seat, on a circle of"
        f" diameter {mm(seat.bolt_circle)}, the first on the part's +X"
    ]


def back_up(waveguide: Waveguide, seat: DriverSeat, *, after: str, pinned: bool, faced: float) -> list[str]:
    """How a part comes to lie back up: as the program `after` left it, or flipped where that is empty; in words."""
    if after:
        begin = [f"run after {after}, in the same clamping and with the same X, Y and Z zero"]
    else:
        begin = [
            "flip the part about its Y axis: +X points where the part's -X pointed, +Y stays",
            f"plane the back until the part is {(waveguide.depth + seat.depth) / MILLIMETRE:.3f} high, front face to"
            " back face: Z0",
            where_flipped(pinned=pinned),
        ]
    return [*begin, f"the stock round the part stands {mm(faced)} above Z0: rapid moves go over it"] if faced else begin


def _hole(x: float, y: float, floor: float, bottom: float, process: Process, tool: Tool) -> list[Leg]:
    machine = process.machine
    ring = ring_of(0.5 * process.seat.hole_diameter - tool.radius) + np.array([x, y])
    start, middle = _raised(ring[0], machine.safe_height), np.array([[x, y, bottom]])
    return [
        Leg(start, machine.rapid_feed, rapid=True),
        Leg(ramp(ring, floor + 0.5 * LIFT, bottom), machine.plunge_feed),
        Leg(np.column_stack([ring, np.full(len(ring), bottom)]), machine.plunge_feed),
        Leg(middle, machine.plunge_feed),
        Leg(_raised(middle[0], machine.safe_height), machine.rapid_feed, rapid=True),
    ]


def _raised(place: FloatArray, height: float) -> FloatArray:
    return np.array([[place[0], place[1], height]])


def _check(tool: Tool, deepest: float) -> None:
    """InputError if holder or shank would meet the back beside a cut so deep, m."""
    checks = [("reach_mm", tool.reach, deepest + LIFT, "holder")]
    if tool.shank_diameter > tool.diameter + 1e-9:
        checks.append(("flute_length_mm", tool.flute_length, deepest, "shank"))
    for key, value, needed, what in checks:
        if needed > value:
            raise InputError(
                f'tool "{tool.name}" {key} = {mm(value)}: the {what} would meet the back: must be at least'
                f" {mm(needed)}. Take a longer tool, or lower depth_mm and hole_depth_mm of [seat]"
            )
