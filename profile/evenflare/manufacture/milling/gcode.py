"""Programs as plain G-code, in words that every controller accepts (ISO 6983-1:2009, RS-274)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

import numpy as np

from evenflare.manufacture.comments import wrapped
from evenflare.manufacture.milling.arcs import ArcMove, arcs
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Machine, Process
from evenflare.units import MILLIMETRE, MINUTE, FloatArray
from evenflare.words import mm

_mm = partial(mm, digits=6)

DECIMALS = 4
FEED_UNIT = MILLIMETRE / MINUTE
CAUTIONS = (
    "caution: prove this program in the air above the work first, one hand at the stop button",
    "caution: guards and interlocks in place, work clamped, eye protection; no gloves, ties or loose sleeves near the"
    " spindle; never leave a cut unattended",
    "caution: wood and composite dust harms and can burn or explode; extract it at its source, wear a mask",
    "caution: the machine's manual, local codes and trained people come before this file",
)


def gcode(program: Program, process: Process, *, design_id: str, name: str, setup: Sequence[str] = ()) -> str:
    """The text of a program's file: millimetres, absolute, feed per minute, one tool, moves in the order given.

    Only `proof.programs` writes it, once it is proved. Milling in G17; turning in G18 with X as a diameter. Runs of
    moves become G2 and G3 if the machine has a tolerance for arcs; I, J and K count from the arc's start, I of a
    turning program as a radius.
    setup : more lines for the header, such as the stock.
    """
    header = header_lines(program, process, design_id=design_id, name=name, setup=setup)
    blocks = [*_opening(program, process.machine), *_moves(program, process.machine), "M5", "M30"]
    if process.machine.line_numbers:
        # Controllers that count in N words end at 99999; then it starts again.
        blocks = [f"N{10 * (k % 9999) + 10} {block}" for k, block in enumerate(blocks)]
    comments = [f"({line})" for text in header for line in wrapped(text)]
    return "\n".join(["%", *comments, *blocks, "%"]) + "\n"


def header_lines(
    program: Program, process: Process, *, design_id: str, name: str, setup: Sequence[str] = ()
) -> list[str]:
    """What the header says, one statement a line."""
    tool, machine = program.tool, process.machine
    if tool.kind == "turning":
        sizes = f"turning tool, nose radius {_mm(tool.corner_radius)}, reach {_mm(tool.reach)}"
    else:
        corner = f", corner radius {_mm(tool.corner_radius)}" if tool.kind == "bull" else ""
        ends = {"ball": "ball nose", "bull": "bull nose", "flat": "flat end", "drill": "drill"}
        sizes = f"{ends[tool.kind]}, diameter {_mm(tool.diameter)}{corner}, flutes {_mm(tool.flute_length)}, reach"
        sizes += f" {_mm(tool.reach)}"
    left = f"; stock left {_mm(process.stock_left)}" if program.name.endswith("roughing") else ""
    scallop = f", ridges at most {_mm(process.scallop_height)}" if program.name in ("finishing", "turning") else ""
    highest = float(program.position[:, 2].max())
    arc = "none, straight moves only"
    if machine.arc_tolerance:
        arc = f"within {_mm(machine.arc_tolerance)}; centres count from the arc's start"
    lines = [
        f"evenflare {program.name} program, {program.kind}",
        f"design: {name}",
        f"design id: {design_id}",
        f"process: {process.name}; material: {process.material}",
        "units: mm, absolute, feed in mm/min",
        f"datum: {program.datum}",
        f"tool: {tool.name}: {sizes}",
        f"tolerance: {_mm(process.tolerance)} along the normal{scallop}{left}",
        f"arcs: {arc}",
        f"lowest Z: {program.lowest / MILLIMETRE:.4f}; highest Z: {highest / MILLIMETRE:.4f}",
        f"estimated time: {program.duration / MINUTE:.0f} min, without acceleration and tool change",
    ]
    if program.kind == "turning":
        lines.insert(6, f"programmed_point: {machine.programmed_point}")
    return [*lines, *(f"set-up: {line}" for line in (*setup, *program.setup)), *CAUTIONS]


def _opening(program: Program, machine: Machine) -> list[str]:
    plane = "G18" if program.kind == "turning" else "G17"
    return [
        f"G21 G90 {plane} G40 G80 G94 G97" if program.kind == "turning" else f"G21 G90 {plane} G40 G49 G80 G94",
        "G54",
        f"S{machine.spindle_rpm:.0f} M3",
    ]


def _moves(program: Program, machine: Machine) -> Iterator[str]:
    turned = program.kind == "turning"
    names = "XZ" if turned else "XYZ"
    position = program.position / MILLIMETRE
    shown = np.column_stack([2.0 * position[:, 0], position[:, 2]]) if turned else position
    # Rounded first, so that arcs and the moves between them share their ends to the last digit.
    shown = np.round(shown, DECIMALS) + 0.0
    feed = np.round(program.feed / FEED_UNIT, 1)
    by_last = {arc.last: arc for arc in _arcs(program, machine)}
    inside = {row for arc in by_last.values() for row in range(arc.first + 1, arc.last)}
    state: dict[str, str] = {}
    # Height first: the tool may start anywhere.
    yield " ".join(("G0", *_words("Z", shown[0, -1:], state)))
    state["G"] = "G0"
    for row in range(shown.shape[0]):
        if row in inside:
            continue
        arc = by_last.get(row)
        motion = "G0" if program.rapid[row] else "G1"
        if arc is not None:
            motion = "G3" if arc.counter_clockwise else "G2"
            for axis in names:  # An arc names all axes of its end, changed or not.
                state.pop(axis, None)
        words = _words(names, shown[row], state)
        if arc is not None:
            words += _centre(arc, shown, turned=turned)
        if not words:
            continue
        if motion != "G0":
            words += _words("F", feed[row : row + 1], state)
        # Some controllers want the word before every arc.
        if state.get("G") != motion or arc is not None:
            state["G"] = motion
            words.insert(0, motion)
        yield " ".join(words)


def _words(names: str, values: FloatArray, state: dict[str, str]) -> list[str]:
    """The words that differ from what holds already, which they change."""
    words = []
    for name, value in zip(names, values.tolist(), strict=True):
        text = _number(value)
        if state.get(name) != text:
            state[name] = text
            words.append(name + text)
    return words


def _number(value: float) -> str:
    """Without exponent, with a decimal point: some controllers take whole numbers for micrometres."""
    text = f"{round(value, DECIMALS) + 0.0:.{DECIMALS}f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _arcs(program: Program, machine: Machine) -> list[ArcMove]:
    if machine.arc_tolerance == 0.0:
        return []
    position, same = program.position, np.concatenate([[False], np.diff(program.feed) == 0.0])
    joinable = ~program.rapid & same
    # In G18 counter-clockwise is from Z to X, seen from +Y.
    first, second, third = (2, 0, 1) if program.kind == "turning" else (0, 1, 2)
    plane, tolerance = position[:, [first, second]], machine.arc_tolerance
    return arcs(plane, position[:, third], joinable, tolerance=tolerance, chord=program.chord)


def _centre(arc: ArcMove, shown: FloatArray, *, turned: bool) -> list[str]:
    centre, start = arc.centre / MILLIMETRE, shown[arc.first]
    if turned:
        return [f"I{_number(centre[1] - 0.5 * start[0] + 0.0)}", f"K{_number(centre[0] - start[1] + 0.0)}"]
    return [f"I{_number(centre[0] - start[0] + 0.0)}", f"J{_number(centre[1] - start[1] + 0.0)}"]
