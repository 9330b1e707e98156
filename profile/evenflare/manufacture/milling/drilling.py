"""Holes that a router makes from the front: for screws, their countersinks, and for the pins of the flip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.profile import THROUGH, check_deep, slot_width
from evenflare.manufacture.milling.program import Leg, Program, from_front
from evenflare.manufacture.milling.roughing import LIFT, RAMP, RING_CHORD, ramp, ring_of
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.part.features import FrontHoles
from evenflare.manufacture.part.rim import Footprint
from evenflare.manufacture.process.types import HoldDown, Process, Tool
from evenflare.units import MILLIMETRE
from evenflare.words import mm

Places = Sequence[tuple[float, float]]
SAME_DRILL = 0.05 * MILLIMETRE
"""By which a drill may be wider or narrower than a clearance hole."""
PIN_GRIP = 10 * MILLIMETRE
"""Of a pin in the spoil board."""
PIN_LAND = 3 * MILLIMETRE
"""Beside a pin's hole, and by which the two pins lie unequally far out: the stock then fits one way up only."""


def point_height(tool: Tool) -> float:
    """m, of a drill's cone."""
    return float(tool.radius / np.tan(0.5 * tool.point_angle))


def hole_maker(process: Process, diameter: float) -> Tool:
    """The drill of that diameter (m), else the flat cutter for helices, else the widest that is narrower than the hole.

    Errors : InputError if none does.
    """
    for tool in process.tools:
        drill = tool.kind == "drill" and tool.name != process.countersink_tool
        if drill and abs(tool.diameter - diameter) <= SAME_DRILL:
            return tool
    named = [process.tool(process.hole_tool)] if process.hole_tool else []
    others = sorted((tool for tool in process.tools if tool.kind == "flat"), key=lambda tool: -tool.diameter)
    for tool in (*named, *others):
        if tool.diameter < diameter - 1e-6:
            return tool
    told = f'hole_tool "{named[0].name}" diameter_mm = {mm(named[0].diameter)}' if named else "no hole_tool"
    raise InputError(
        f"no drill of {mm(diameter)} mm among the tools, and no flat cutter narrower than that for a helix ({told})."
        " Add one"
    )


def tip_height(tool: Tool) -> float:
    """m, of what lies below a tool's full width: a drill's cone."""
    return point_height(tool) if tool.kind == "drill" else 0.0


def drilled(name: str, process: Process, places: Places, *, diameter: float, deep: float, setup: list[str]) -> Program:
    """A program of holes of one diameter whose full width reaches `deep` below the front face, m, at places (x, y).

    Drilled in pecks of a stepdown, the drill lifted out between them; or as helices.
    Errors : InputError if no tool does.
    """
    tool = hole_maker(process, diameter)
    words, process = slender_words(process, tool), eased(process, tool)
    bottom = deep + tip_height(tool)
    try:
        check_deep(tool, bottom)
    except InputError as error:
        if tool.kind == "drill":
            raise
        raise InputError(f"{error}, or add a drill of {mm(diameter)} mm to [[tools]]") from error
    if tool.kind == "drill" and bottom > tool.flute_length + 1e-12:
        raise InputError(
            f'tool "{tool.name}" flute_length_mm = {mm(tool.flute_length)}: the hole is {mm(bottom)} deep with the'
            " drill's point: must be at least that. Take a longer drill"
        )
    legs = list[Leg]()
    for x, y in places:
        legs += (
            _pecked(x, y, bottom, process) if tool.kind == "drill" else _helix(x, y, bottom, diameter, tool, process)
        )
    # A drill meets a peck and its point; a helix sinks by its slope in a turn.
    turn = 2.0 * np.pi * max(0.5 * diameter - tool.radius, 0.0) * float(np.tan(RAMP))
    return from_front(
        name,
        tool,
        legs,
        setup=[*setup, *words],
        chord=RING_CHORD,
        engagement=process.stepdown + tip_height(tool) if tool.kind == "drill" else turn + 0.5 * LIFT,
    )


def _pecked(x: float, y: float, bottom: float, process: Process) -> list[Leg]:
    machine = process.machine
    above = np.array([[x, y, machine.safe_height]])
    legs = [Leg(above, machine.rapid_feed, rapid=True), Leg(np.array([[x, y, LIFT]]), machine.rapid_feed, rapid=True)]
    count = max(1, int(np.ceil(bottom / process.stepdown - 1e-9)))
    for k in range(count):
        if k:
            back = -bottom * k / count + 0.5 * LIFT
            legs.append(Leg(np.array([[x, y, LIFT]]), machine.rapid_feed, rapid=True))
            # Not on a rapid move: chips may have fallen in.
            legs.append(Leg(np.array([[x, y, back]]), machine.cutting_feed))
        legs.append(Leg(np.array([[x, y, -bottom * (k + 1) / count]]), machine.plunge_feed))
    return [*legs, Leg(above, machine.rapid_feed, rapid=True)]


def _helix(x: float, y: float, bottom: float, diameter: float, tool: Tool, process: Process) -> list[Leg]:
    machine = process.machine
    ring = ring_of(0.5 * diameter - tool.radius) + np.array([x, y])
    start = np.array([[*ring[0], machine.safe_height]])
    return [
        Leg(start, machine.rapid_feed, rapid=True),
        Leg(ramp(ring, 0.5 * LIFT, -bottom), machine.plunge_feed),
        Leg(np.column_stack([ring, np.full(len(ring), -bottom)]), machine.plunge_feed),
        Leg(np.array([[x, y, -bottom]]), machine.plunge_feed),
        Leg(np.array([[x, y, machine.safe_height]]), machine.rapid_feed, rapid=True),
    ]


def front_holes(process: Process, front: FrontHoles, places: Places, *, thick: float, spoiled: bool) -> Program:
    """The holes through the front. thick : m, of what they go through; spoiled : whether the stock ends there.

    Errors : InputError if no tool does.
    """
    under = (
        "below them there must be a spoil board, and no clamp"
        if spoiled
        else "they end in the stock behind it, which is taken off there"
    )
    screw = f" for {front.screw}" if front.screw else ""
    setup = [
        "run in the clamping of roughing and finishing, with the same X and Y zero",
        f"holes: {front.count} of diameter {mm(front.diameter)}{screw}, through {mm(thick)}: {under}",
    ]
    return drilled("front_holes", process, places, diameter=front.diameter, deep=thick + THROUGH, setup=setup)


def countersinks(process: Process, front: FrontHoles, places: Places) -> Program:
    """The holes' countersinks; after front_holes. Errors: InputError for a tool of another angle, or too narrow."""
    if not process.countersink_tool:
        raise InputError("the process has no countersink_tool. Add one")
    tool, machine = process.tool(process.countersink_tool), process.machine
    if abs(tool.point_angle - front.countersink_angle) > 1e-6:
        raise InputError(
            f'countersink_tool "{tool.name}" point_angle_deg = {np.degrees(tool.point_angle):g}: must be'
            f" {np.degrees(front.countersink_angle):g}, the screw head's. Take another"
        )
    if tool.diameter < front.countersink - 1e-9:
        raise InputError(
            f'countersink_tool "{tool.name}" diameter_mm = {mm(tool.diameter)}: must be at least'
            f" {mm(front.countersink)}, the countersink's. Take a wider one"
        )
    tip = float(-0.5 * front.countersink / np.tan(0.5 * front.countersink_angle))
    legs = list[Leg]()
    for x, y in places:
        above = np.array([[x, y, machine.safe_height]])
        legs += [
            Leg(above, machine.rapid_feed, rapid=True),
            Leg(np.array([[x, y, LIFT]]), machine.rapid_feed, rapid=True),
            Leg(np.array([[x, y, tip]]), machine.plunge_feed),
            Leg(above, machine.rapid_feed, rapid=True),
        ]
    setup = [
        "run after front_holes, in the same clamping and with the same X and Y zero; touch the point off on the front"
        " face",
        f"countersinks: diameter {mm(front.countersink)} at the face, {np.degrees(front.countersink_angle):g} degrees:"
        " try the screw at hand in scrap first",
    ]
    return from_front(
        "countersinks",
        tool,
        legs,
        setup=setup,
        chord=RING_CHORD,
        engagement=-tip,
    )


def pin_places(process: Process, hold: HoldDown, rim: Footprint) -> list[tuple[float, float]]:
    """(x, y) of the two pins, m, on the y axis, about which the part is flipped: turned over they stand where they
    stood. They lie unequally far out. Errors: InputError if the stock's margin does not hold them.
    """
    first = slot_width(process) + PIN_LAND + 0.5 * hold.pin_diameter
    needed = first + PIN_LAND + 0.5 * hold.pin_diameter + PIN_LAND
    if hold.margin < needed - 1e-9:
        raise InputError(
            f"[hold_down] margin_mm = {mm(hold.margin)}: must be at least {mm(needed)} for pins of"
            f" {mm(hold.pin_diameter)} beside the profile. Widen it"
        )
    half = rim.half[1]
    return [(0.0, half + first), (0.0, -half - first - PIN_LAND)]


def pins(process: Process, hold: HoldDown, rim: Footprint, *, thick: float) -> Program:
    """Holes for the pins, through the stock and into the spoil board; first of all. thick : m, of the stock.

    Errors : InputError if no drill does or the margin is too narrow.
    """
    places = pin_places(process, hold, rim)
    told = "; ".join(f"x {mm(x)} y {mm(y)}" for x, y in places)
    setup = [
        "plane the stock's upper side: it is the front face, Z0",
        "run first, in the clamping of roughing and finishing, with the same X and Y zero",
        f"pins: 2 holes of diameter {mm(hold.pin_diameter)} at {told}, through the stock and {mm(PIN_GRIP)} into the"
        " spoil board, for the flip about the Y axis; unequally far out, so that it goes one way only",
    ]
    return drilled("pins", process, places, diameter=hold.pin_diameter, deep=thick + PIN_GRIP, setup=setup)
