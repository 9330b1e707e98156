"""Start and end of a program: where the tool comes from and goes to, and how high clamps may stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from evenflare.manufacture.milling.program import SAME, Program
from evenflare.manufacture.milling.turning_outside import OUTSIDE_BACK
from evenflare.manufacture.process.types import Machine, Process
from evenflare.units import INCH, MILLIMETRE

CLAMP_ROOM = 2 * MILLIMETRE
"""That clamps stay below moving things (common practice, no source)."""


def parked(program: Program, machine: Machine) -> Program:
    """The program with a rapid move to where the tool waits; as it is if no such place is stated."""
    if machine.park is None:
        return program
    height, (first, second) = program.position[-1, 2], machine.park
    place = [first, 0.0, max(second, height)] if program.kind == "turning" else [first, second, height]
    if np.abs(program.position[-1] - place).max() < SAME:
        return program
    return replace(
        program,
        position=np.vstack([program.position, place]),
        feed=np.append(program.feed, machine.rapid_feed),
        rapid=np.append(program.rapid, True),
    )


def start_and_end(program: Program, process: Process, *, units: Literal["mm", "inch"]) -> list[str]:
    """What goes before the first cut and after the last, and what must be out of the way; lengths in `units`."""
    unit, retreat = INCH if units == "inch" else MILLIMETRE, process.controller.retreat
    machine, turned = process.machine, program.kind == "turning"

    def shown(length: float) -> str:
        return f"{length / unit + 0.0:.{4 if units == 'inch' else 3}f}"

    def across(row: int) -> str:
        x, y, _ = program.position[row]
        return f"X {shown(2.0 * x)}" if turned else f"X {shown(x)} Y {shown(y)}"

    first, last = (f"Z {shown(program.position[row, 2])}" for row in (0, -1))
    begin = f"to {first} first, then to {across(0)} at that height: nothing may stand in between"
    if retreat:
        begin = f"{', '.join(retreat)}: to the machine's own height; then to {across(0)}, then to {first}"
    way = "clockwise" if process.controller.spindle_start == "M3" else "counter-clockwise"
    wait = f", {machine.spin_up:g} s to come up to speed" if machine.spin_up else ""
    end = f"at {last}, {across(-1)}{', then ' + ', '.join(retreat) if retreat else ''}; the spindle stops"
    return [
        _zeroed(program, process),
        f"start: {begin}",
        f"spindle: {machine.spindle_rpm:.0f} turns a minute, {way}{wait}, before the tool goes lower",
        f"end: {end}",
        *(_jaws(program, shown) if turned else _clamps(program, machine, shown)),
    ]


def _zeroed(program: Program, process: Process) -> str:
    """Whose length the places in a program count on."""
    controller, number = process.controller, program.tool.number
    if controller.length_offset:
        words = controller.tool_words(controller.length_offset, number)
        return f"length: {words} takes it from the controller's table; see that {number} is this tool's"
    if program.kind == "turning" and controller.tool_call:
        words = controller.tool_words(controller.tool_call, number)
        return (
            f"length: {words} calls the tool with its offsets; see that they are this tool's, to the programmed point"
        )
    own = "the programmed point of this tool" if program.kind == "turning" else "this tool's own tip"
    return f"length: no offset is called; set the work's zero with {own}"


def _clamps(program: Program, machine: Machine, shown: Callable[[float], str]) -> list[str]:
    """Where clamps may stand beside a milling tool."""
    tool, low = program.tool, program.position[program.position[:, 2] < program.position[0, 2] - SAME]
    if not low.size:
        return []
    (x_least, y_least), (x_most, y_most) = low[:, :2].min(axis=0) - tool.radius, low[:, :2].max(axis=0) + tool.radius
    # Rapid moves run at the first row's height, from wherever the tool comes from.
    highest = float(program.position[0, 2]) - CLAMP_ROOM
    lines = [
        f"clamps: none within X {shown(x_least)} to {shown(x_most)}, Y {shown(y_least)} to {shown(y_most)}, where the"
        f" cutter goes; elsewhere none above Z {shown(highest)}, for the rapid moves"
    ]
    above, widths = program.lowest + tool.reach, [("holder", tool.holder_diameter)]
    behind = [above, above + tool.holder_length]
    if tool.spindle_nose:
        widths.append(("spindle", tool.spindle_nose))
    for (what, wide), bottom in zip(widths, behind, strict=False):
        if bottom - CLAMP_ROOM < highest:
            lines.append(
                f"clamps: within {shown(0.5 * wide - tool.radius)} of that none above Z {shown(bottom - CLAMP_ROOM)},"
                f" for the {what}"
            )
    return lines


def _jaws(program: Program, shown: Callable[[float], str]) -> list[str]:
    """What a turning tool needs of chuck or plug."""
    widest = float(program.position[program.position[:, 2] < 0.0, 0].max(initial=0.0)) + program.tool.corner_radius
    held = "plug" if program.name == OUTSIDE_BACK else "jaws: hold the stock from outside"
    return [
        f"{held}; the tool comes to Z {shown(program.lowest)}, and cuts up to diameter {shown(2.0 * widest)}: keep the"
        " chuck's face, its jaws and any stop out of that"
    ]
