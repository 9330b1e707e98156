"""Programs as G-code (ISO 6983-1:2009, RS-274), in the words of the machine's controller."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from evenflare.manufacture.comments import wrapped
from evenflare.manufacture.milling.ambiguous import warnings
from evenflare.manufacture.milling.arcs import ArcMove, arcs
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.run_time import run_time
from evenflare.manufacture.milling.start_end import start_and_end
from evenflare.manufacture.process.controller import Controller
from evenflare.manufacture.process.types import Machine, Process
from evenflare.units import MILLIMETRE, MINUTE, FloatArray

FEED_UNIT = MILLIMETRE / MINUTE
CAUTIONS = (
    "caution: prove this program in the air above the work first, one hand at the stop button",
    "caution: guards and interlocks in place, work clamped, eye protection; no gloves, ties or loose sleeves near the"
    " spindle; never leave a cut unattended",
    "caution: wood and composite dust harms and can burn or explode; extract it at its source, wear a mask",
    "caution: the machine's manual, local codes and trained people come before this file",
)


def gcode(
    program: Program, process: Process, *, design_id: str, name: str, setup: Sequence[str] = (), order: int = 0
) -> str:
    """The text of a program's file: absolute, feed per minute, one tool, moves in the order given.

    Only `proof.programs` writes it, once it is proved. Milling in G17; turning in G18 with X as a diameter. Runs of
    moves become G2 and G3 if the machine has a tolerance for arcs; I, J and K count from the arc's start, I of a
    turning program as a radius. Lines end in line feeds: who writes the file puts the controller's own in their place.
    setup : more lines for the header, such as the stock.
    order : the program's place among the part's, from 0, for controllers that number programs.
    """
    controller = process.controller
    header = header_lines(program, process, design_id=design_id, name=name, setup=setup)
    blocks = [*_opening(program, controller), *_moves(program, process), *controller.retreat, "M5", controller.end]
    if process.machine.line_numbers:
        # Controllers that count in N words end at 99999; then it starts again.
        blocks = [f"N{10 * (k % 9999) + 10} {block}" for k, block in enumerate(blocks)]
    opened, closed = ("(", ")") if controller.comments == "parentheses" else ("; ", "")
    comments = [f"{opened}{line}{closed}" for text in header for line in wrapped(text)]
    numbered = [f"O{controller.program_number + order:04d}"] if controller.program_number else []
    percent = ["%"] if controller.percent_lines else []
    return "\n".join([*percent, *numbered, *comments, *blocks, *percent]) + "\n"


def header_lines(
    program: Program, process: Process, *, design_id: str, name: str, setup: Sequence[str] = ()
) -> list[str]:
    """What the header says, one statement a line; lengths in the program's units, but for those of the set-up."""
    tool, machine, controller = program.tool, process.machine, process.controller

    def length(value: float) -> str:
        return f"{value / controller.unit:.{controller.decimals}f}".rstrip("0").rstrip(".")

    if tool.kind == "turning":
        sizes = f"turning tool, nose radius {length(tool.corner_radius)}, reach {length(tool.reach)}"
    else:
        corner = f", corner radius {length(tool.corner_radius)}" if tool.kind == "bull" else ""
        ends = {"ball": "ball nose", "bull": "bull nose", "flat": "flat end", "drill": "drill"}
        sizes = f"{ends[tool.kind]}, diameter {length(tool.diameter)}{corner}, flutes {length(tool.flute_length)}"
        sizes += f", reach {length(tool.reach)}"
    called = f", number {tool.number}" if tool.number else ""
    left = f"; stock left {length(process.stock_left)}" if program.name.endswith("roughing") else ""
    scallop = f", ridges at most {length(process.scallop_height)}" if program.name in ("finishing", "turning") else ""
    lowest, highest = (f"{z / controller.unit:.{controller.decimals}f}" for z in (program.lowest, _highest(program)))
    arc = "none, straight moves only"
    if machine.arc_tolerance:
        by = "given by their radius" if controller.arcs == "radius" else "centres count from the arc's start"
        arc = f"within {length(machine.arc_tolerance)}; {by}"
    unit = "inch" if controller.units == "inch" else "mm"
    lines = [
        f"evenflare {program.name} program, {program.kind}",
        f"design: {name}",
        f"design id: {design_id}",
        f"process: {process.name}; material: {process.material}",
        f"units: {unit}, absolute, feed in {unit}/min{'; lines of set-up: mm' if unit == 'inch' else ''}",
        f"controller: {controller.dialect}",
        *(["programmed_point: " + machine.programmed_point] if program.kind == "turning" else []),
        f"datum: {program.datum}",
        f"tool: {tool.name}: {sizes}{called}",
        f"tolerance: {length(process.tolerance)} along the normal{scallop}{left}",
        f"arcs: {arc}",
        *([f"path tolerance: {controller.path_tolerance_block} rounds corners"] if controller.path_tolerance else []),
        f"lowest Z: {lowest}; highest Z: {highest}",
        f"estimated time: {max(1.0, run_time(program, process) / MINUTE):.0f} min, with an acceleration of"
        f" {machine.acceleration / MILLIMETRE:.0f} mm/s2, without tool change",
        *start_and_end(program, process, units=controller.units),
        *(f"check: {line}" for line in warnings(process, program.kind)),
    ]
    return [*lines, *(f"set-up: {line}" for line in (*setup, *program.setup)), *CAUTIONS]


def _highest(program: Program) -> float:
    return float(program.position[:, 2].max())


def _opening(program: Program, controller: Controller) -> list[str]:
    called = controller.tool_words(controller.tool_call, program.tool.number)
    blocks = (
        " ".join(controller.modes(turned=program.kind == "turning")),
        controller.work_offset,
        controller.path_tolerance_block if controller.path_tolerance else "",
        *controller.retreat,
        called,
    )
    return [block for block in blocks if block]


def _moves(program: Program, process: Process) -> Iterator[str]:
    """The moves; after the first, which ends at the safe height, the spindle is started."""
    controller, turned = process.controller, program.kind == "turning"
    names = "XZ" if turned else "XYZ"
    position = program.position / controller.unit
    shown = np.column_stack([2.0 * position[:, 0], position[:, 2]]) if turned else position
    # Rounded first, so that arcs and the moves between them share their ends to the last digit.
    shown = np.round(shown, controller.decimals) + 0.0
    places, rapid = shown.tolist(), program.rapid.tolist()
    feed = np.round(program.feed * MINUTE / controller.unit, controller.feed_decimals).tolist()
    by_last = {arc.last: arc for arc in _arcs(program, process.machine)}
    inside = {row for arc in by_last.values() for row in range(arc.first + 1, arc.last)}
    state: dict[str, str | float] = {}
    yield from _first(places[0], names, controller, program.tool.number, state)
    yield from _started(process.machine, controller)
    for row in range(1, len(places)):
        if row in inside:
            continue
        arc = by_last.get(row)
        motion = "G0" if rapid[row] else "G1"
        if arc is not None:
            motion = "G3" if arc.counter_clockwise else "G2"
            for axis in names:  # An arc names all axes of its end, changed or not.
                state.pop(axis, None)
        words = _words(names, places[row], state, controller)
        if arc is not None:
            words += _centre(arc, shown, controller, turned=turned)
        if not words:
            continue
        if motion != "G0" and state.get("F") != feed[row]:
            words += _words("F", feed[row : row + 1], state, controller)
        # Some controllers want the word before every arc.
        if state.get("G") != motion or arc is not None:
            state["G"] = motion
            words.insert(0, motion)
        yield " ".join(words)


def _first(
    place: list[float], names: str, controller: Controller, number: int, state: dict[str, str | float]
) -> list[str]:
    """The way to the first place. The tool may stand anywhere: its height comes first; after a retreat, last."""
    offset = controller.tool_words(controller.length_offset, number)
    height = " ".join([*([offset] if offset else []), *_words("Z", place[-1:], state, controller)])
    across = " ".join(_words(names[:-1], place[:-1], state, controller))
    state["G"] = "G0"
    first, second = (across, height) if controller.retreat else (height, across)
    return [f"G0 {first}", second]


def _started(machine: Machine, controller: Controller) -> list[str]:
    start = f"S{machine.spindle_rpm:.0f} {controller.spindle_start}"
    return [start, controller.dwell(machine.spin_up)] if machine.spin_up else [start]


def _words(names: str, values: list[float], state: dict[str, str | float], controller: Controller) -> list[str]:
    """The words that differ from what holds already, which they change."""
    words = []
    for name, value in zip(names, values, strict=True):
        # Rounded as they are written, numbers that differ are written differently.
        if state.get(name) != value:
            state[name] = value
            words.append(name + controller.number(value))
    return words


def _arcs(program: Program, machine: Machine) -> list[ArcMove]:
    if machine.arc_tolerance == 0.0:
        return []
    position, same = program.position, np.concatenate([[False], np.diff(program.feed) == 0.0])
    joinable = ~program.rapid & same
    # In G18 counter-clockwise is from Z to X, seen from +Y.
    first, second, third = (2, 0, 1) if program.kind == "turning" else (0, 1, 2)
    plane, tolerance = position[:, [first, second]], machine.arc_tolerance
    return arcs(plane, position[:, third], joinable, tolerance=tolerance, chord=program.chord)


def _centre(arc: ArcMove, shown: FloatArray, controller: Controller, *, turned: bool) -> list[str]:
    number = controller.number
    centre, start = arc.centre / controller.unit, shown[arc.first]
    # Along the plane's axes: Z and X as a radius, or X and Y.
    begin = np.array([start[1], 0.5 * start[0]]) if turned else start[:2]
    along = centre - begin
    if controller.arcs == "radius":  # Positive: arcs are shorter than half a circle.
        return [f"R{number(float(np.hypot(*along)))}"]
    names = "KI" if turned else "IJ"
    return sorted(f"{name}{number(float(value) + 0.0)}" for name, value in zip(names, along, strict=True))
