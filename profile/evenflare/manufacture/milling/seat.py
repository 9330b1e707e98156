"""The back of a part: the recess that the driver sits in, and the holes for its bolts."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.facing import BACK_DATUM, where_flipped
from evenflare.manufacture.milling.program import Leg, Program, assembled
from evenflare.manufacture.milling.roughing import ENGAGEMENT, LIFT, RAMP, RING_CHORD, cleared, ramp, ring_of
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.part.bolts import bolt_places, check_diameter, hole_depth
from evenflare.manufacture.process.types import Process, Tool
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import mm

BACK = "back"
"""The program that cuts the driver's seat, with the back up."""


def back(
    waveguide: Waveguide, process: Process, *, across: float, pinned: bool = False, faced: bool = False
) -> Program | None:
    """The program for the back, with its own datum and the axis about which the part is flipped; None without a seat.

    The recess reaches from the back face to the throat plane; holes go on from its floor. Both are milled with one flat
    tool, holes as helices.
    across : m, the part's smallest outside. pinned : whether the front's programs drilled holes for pins; faced :
    whether the back was milled flat before, in this clamping.
    Errors : InputError if the tool is too wide or too short, or a hole comes near the wall.
    """
    seat = process.seat
    if not process.seat_tool or not seat.is_cut:
        return None
    tool = process.tool(process.seat_tool)
    words, process = slender_words(process, tool), eased(process, tool)
    machine = process.machine
    deep = hole_depth(waveguide, seat) if seat.bolts else 0.0
    _check(waveguide, process, tool, across, deep)
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
    for x, y in bolt_places(seat):
        legs += _hole(-x, y, floor, floor - deep, process, tool)
    high = waveguide.depth + seat.depth
    flipped = [
        "flip the part about its Y axis: +X points where the part's -X pointed, +Y stays",
        f"plane the back until the part is {high / MILLIMETRE:.3f} high, front face to back face: Z0",
        where_flipped(pinned=pinned),
    ]
    setup = [
        *(["run after facing_back, in the same clamping and with the same X, Y and Z zero"] if faced else flipped),
        f"seat: diameter {mm(seat.diameter)}, depth {mm(seat.depth)} from the back face to the throat plane; measure"
        " the driver at hand before cutting",
        *words,
    ]
    if seat.bolts:
        setup.append(
            f"holes: {seat.bolts} of diameter {mm(seat.hole_diameter)}, {mm(deep)} deep from the seat, on a circle of"
            f" diameter {mm(seat.bolt_circle)}, the first on the part's +X"
        )
    # A helix goes round at what remains of the hole beside the tool, and sinks by its slope.
    helix = 2.0 * np.pi * max(0.5 * seat.hole_diameter - tool.radius, 0.0) * np.tan(RAMP) if seat.bolts else 0.0
    return assembled(
        "back",
        tool,
        legs,
        datum=BACK_DATUM,
        kind="milling",
        setup=setup,
        chord=RING_CHORD,
        engagement=max(process.stepdown if seat.depth > 0.0 else 0.0, helix),
    )


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


def _check(waveguide: Waveguide, process: Process, tool: Tool, across: float, deep: float) -> None:
    seat = process.seat
    check_diameter(waveguide, seat, across=across)
    if seat.bolts and not tool.diameter < seat.hole_diameter - 1e-6:
        raise InputError(
            f'tool "{tool.name}" diameter_mm = {mm(tool.diameter)}: must be below hole_diameter_mm ='
            f" {mm(seat.hole_diameter)}, for a helix. Take a smaller seat_tool"
        )
    deepest = seat.depth + deep
    checks = [("reach_mm", tool.reach, deepest + LIFT, "holder")]
    if tool.shank_diameter > tool.diameter + 1e-9:
        checks.append(("flute_length_mm", tool.flute_length, deepest, "shank"))
    for key, value, needed, what in checks:
        if needed > value:
            raise InputError(
                f'tool "{tool.name}" {key} = {mm(value)}: the {what} would meet the back: must be at least'
                f" {mm(needed)}. Take a longer tool, or lower depth_mm and hole_depth_mm of [seat]"
            )
