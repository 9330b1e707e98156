"""A strict reader of programs in a controller's words: what is not plainly understood is refused, never guessed at."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenflare.files import InputError, read_text
from evenflare.manufacture.milling.arcs import expanded
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.controller import Controller
from evenflare.manufacture.process.types import Tool
from evenflare.units import MILLIMETRE, MINUTE, FloatArray

CHORD = 0.2e-6
"""m, within which arcs are read as straight moves."""
ROUND = 0.01
"""mm, by which the ends of an arc may be unequally far from its centre."""

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_WORD = re.compile(rf"([A-Z])({_NUMBER})")
_BLOCK = re.compile(rf"(?:[A-Z]{_NUMBER}\s*)+")
_FURTHER = re.compile("".join(rf"(?:{axis}({_NUMBER})\s*)?" for axis in "XYZ"))
"""Words of a straight cut that goes on as the block before it."""
_MOTION = {0, 1, 2, 3}
_DWELL = 4
_PLANES = {17: "milling", 18: "turning"}
_STOP = "M5"


class ReadProgram(NamedTuple):
    """A program from its file, the statements of its header, and the spindle's turns per minute."""

    program: Program
    header: tuple[str, ...]
    spindle_rpm: float


@dataclass
class _State:
    """What holds from block to block; places and feeds in the file's units."""

    path: Path
    controller: Controller
    tool: Tool
    rapid_feed: float
    line: int = 0
    modes: set[str] = field(default_factory=set)
    motion: int | None = None
    place: dict[str, float] = field(default_factory=dict)
    feed: float | None = None
    spindle: float = 0.0
    turning_on: bool = False
    ended: bool = False
    called: bool = False
    offset: bool = False
    cutting: bool = False
    """Whether the last block was a straight cut in milling: all that such a one needs has been said."""

    def wrong(self, what: str) -> InputError:
        return InputError(f"{self.path} line {self.line}: {what}")


def read_gcode(path: Path, *, tool: Tool, rapid_feed: float, controller: Controller | None = None) -> ReadProgram:
    """The program in a file, as a machine would run it.

    tool, rapid_feed : which the words do not tell; rapid_feed in m/s.
    controller       : whose words they are; left out: plain ones.
    Moves begin where all axes are known. Arcs come as straight moves within CHORD.
    Errors : InputError with the line, for anything but the words that `gcode` may write for this controller in an
             order that makes sense: G0 to G4, G17 or G18, the controller's own, M5, and X Y Z I J K R F S N; a block of
             the controller's own as a whole; a tool of another number than `tool`.
    """
    state, header = _State(path, controller or Controller(), tool, rapid_feed), list[str]()
    moves: list[tuple[FloatArray, float, bool]] = []
    run: list[tuple[float, float, float]] = []
    for block in _blocks(read_text(path), state, header):
        if state.cutting and (further := _FURTHER.fullmatch(block)):
            run.append(_further(further, state.place))
            continue
        if run:
            moves.append(_straight(np.array(run) * state.controller.unit, state))
            run = []
        moves += _obeyed(block, state)
    if not state.ended:
        raise InputError(f"{path}: has no {state.controller.end} at its end: it was cut short. Export it again")
    if not moves:
        raise InputError(f"{path}: holds no moves. Export it again")
    position = np.concatenate([points for points, _, _ in moves])
    counts = [len(points) for points, _, _ in moves]
    program = Program(
        path.stem,
        tool,
        position,
        np.repeat([feed for _, feed, _ in moves], counts),
        np.repeat([rapid for _, _, rapid in moves], counts),
        next((line.removeprefix("datum: ") for line in header if line.startswith("datum: ")), ""),
        "turning" if "G18" in state.modes else "milling",
        tuple(line.removeprefix("set-up: ") for line in header if line.startswith("set-up: ")),
    )
    return ReadProgram(program, tuple(header), state.spindle)


def _blocks(text: str, state: _State, header: list[str]) -> Iterator[str]:
    """The blocks, without their numbers; comments go to the header, their continued lines joined."""
    controller, lines = state.controller, text.split("\n")
    percents = [k for k, line in enumerate(lines) if line.strip() == "%"]
    if bool(percents) != controller.percent_lines:
        asked = "begin and end with %" if controller.percent_lines else "hold no %"
        raise InputError(f"{state.path}: must {asked}, as its controller wants it. Export it again")
    numbered = controller.program_number == 0
    for state.line, line in enumerate(lines, start=1):
        block = line.strip()
        if block == "%":
            if state.line - 1 not in (percents[0], percents[-1]):
                raise state.wrong("% stands within the program. Remove it")
            if state.line > 1 and not state.ended:
                raise state.wrong(f"has no {controller.end} before its end: it was cut short. Export it again")
            continue
        if not block:
            continue
        if state.ended:
            raise state.wrong(f"{block!r} stands after {controller.end}. Remove it")
        if not numbered and re.fullmatch(r"O\d{4}", block):
            numbered = True
            continue
        if block[0] in "(;":
            _comment(block, state, header)
            continue
        if not numbered:
            raise state.wrong("a block before the program's number, O and four digits. Write it first")
        yield re.sub(r"^N\d+\s+", "", block) if block[0] == "N" else block


def _comment(block: str, state: _State, header: list[str]) -> None:
    if state.controller.comments == "semicolon":
        if not block.startswith(";"):
            raise state.wrong(f"{block!r}: a comment begins with a semicolon. Correct it")
        inside = block[1:].removeprefix(" ")
    else:
        if block[0] != "(" or not block.endswith(")") or block.count("(") > 1 or block.count(")") > 1:
            raise state.wrong(f"{block!r}: a comment is one pair of parentheses on a line of its own. Correct it")
        inside = block[1:-1]
    if inside.startswith("  ") and header:
        header[-1] += " " + inside.strip()
    else:
        header.append(inside.strip())


def _further(words: re.Match[str], place: dict[str, float]) -> tuple[float, float, float]:
    """The end of a block that goes on cutting straight, in the file's units: nearly all of a program are such."""
    for axis, value in zip("XYZ", words.groups(), strict=True):
        if value is not None:
            place[axis] = float(value)
    return place["X"], place["Y"], place["Z"]


def _straight(ends: FloatArray, state: _State) -> tuple[FloatArray, float, bool]:
    """Cuts to one end after another (N, 3), m."""
    return ends, (state.feed or 0.0) * state.controller.unit / MINUTE, False


def _obeyed(block: str, state: _State) -> list[tuple[FloatArray, float, bool]]:
    """Obey one block; its moves."""
    controller, number = state.controller, state.tool.number
    state.cutting = False
    if block in controller.retreat:
        state.place, state.motion = {}, None
        return []
    if controller.path_tolerance and block == controller.path_tolerance_block:
        return []
    if controller.tool_call and block == controller.tool_words(controller.tool_call, number):
        state.called = True
        return []
    if controller.tool_call and block.startswith("T"):
        called = controller.tool_words(controller.tool_call, number)
        raise state.wrong(f'{block!r}: calls another tool than "{state.tool.name}", {called}. Export it again')
    if controller.length_offset:
        words = controller.tool_words(controller.length_offset, number)
        without = re.sub(rf"(^|\s){words}(\s|$)", " ", block).strip()
        state.offset, block = state.offset or without != block, without
    if not _BLOCK.fullmatch(block):
        raise state.wrong(f"{block!r}: is not words of a letter and a number. Correct it")
    return _run([(name, float(value)) for name, value in _WORD.findall(block)], state)


def _run(words: list[tuple[str, float]], state: _State) -> list[tuple[FloatArray, float, bool]]:
    others: dict[str, float] = {}
    if ("G", _DWELL) in words:
        _check_dwell(words, state)
        return []
    for name, value in words:
        if name == "G":
            _prepare(value, state)
        elif name == "M":
            _switch(value, state)
        elif name in others:
            raise state.wrong(f"{name} stands twice in one block. Remove one")
        elif name not in "XYZIJKRFS":
            raise state.wrong(f"{name}{value:g}: is no word of a plain program. Remove it")
        else:
            others[name] = value
    if "F" in others:
        state.feed = others.pop("F")
        if not state.feed > 0.0:
            raise state.wrong(f"F{state.feed:g}: must be above 0")
    state.spindle = others.pop("S", state.spindle)
    return _move(others, state) if others else []


def _check_dwell(words: list[tuple[str, float]], state: _State) -> None:
    letters = [name for name, _ in words if name != "G"]
    if letters != [state.controller.dwell_word] or len(words) != 2:
        raise state.wrong(f"G4 waits by {state.controller.dwell_word} alone on this controller. Correct it")


def _prepare(value: float, state: _State) -> None:
    controller, word = state.controller, f"G{value:g}"
    modes = {*controller.modes(turned=True), *controller.modes(turned=False), controller.work_offset}
    if value in _MOTION:
        state.motion = int(value)
        return
    if word not in modes:
        raise state.wrong(f"{word}: is not one of the words of a program for this controller. Remove it")
    if value in _PLANES and state.modes & {f"G{plane}" for plane in _PLANES} - {word}:
        raise state.wrong(f"{word}: the plane changes within the program. Keep one")
    state.modes.add(word)


def _switch(value: float, state: _State) -> None:
    if f"M{value:g}" == state.controller.end:
        state.ended = True
    elif f"M{value:g}" not in (state.controller.spindle_start, _STOP):
        raise state.wrong(f"M{value:g}: is not one of the words of a program for this controller. Remove it")
    else:
        state.turning_on = f"M{value:g}" != _STOP


def _move(words: dict[str, float], state: _State) -> list[tuple[FloatArray, float, bool]]:
    controller = state.controller
    _check_ready(state)
    turned = "G18" in state.modes
    axes, centres = ("XZ", "KI") if turned else ("XYZ", "IJ")
    arc = {name: words.pop(name) for name in "IJKR" if name in words}
    if set(words) - set(axes):
        raise state.wrong(f"{', '.join(sorted(set(words) - set(axes)))}: no such axis in this plane. Remove it")
    before = dict(state.place)
    state.place.update(words)
    if state.motion in (2, 3):
        needed = {"R"} if controller.arcs == "radius" else set(centres)
        if set(arc) != needed:
            told = "R, its radius" if needed == {"R"} else f"{' and '.join(sorted(centres))}, its centre from its start"
            raise state.wrong(f"an arc needs {told}. Add {'it' if needed == {'R'} else 'them'}")
    elif arc:
        raise state.wrong(f"{', '.join(arc)}: belongs to an arc, and this is a straight move. Remove it")
    if state.motion != 0 and (state.feed is None or set(before) < set(axes)):
        raise state.wrong("a cut before its feed F, or from an unknown place. Write F, or begin with G0 on all axes")
    if state.motion != 0 and not state.turning_on:
        raise state.wrong(f"a cut while the spindle stands still. Write {controller.spindle_start} first")
    if set(state.place) < set(axes):
        return []
    end = _place(state, state.place)
    if state.motion == 0:
        return [(end[None], state.rapid_feed, True)]
    straight = _straight(end[None], state)
    if state.motion == 1:
        state.cutting = not turned
        return [straight]
    return [(_curved(_place(state, before), end, arc, state), *straight[1:])]


def _check_ready(state: _State) -> None:
    """InputError for a move before all that it depends on has been said."""
    controller = state.controller
    unit = controller.inches if controller.units == "inch" else controller.millimetres
    needed = {
        unit: "inches" if controller.units == "inch" else "millimetres",
        controller.absolute: "absolute",
        controller.feed_per_minute: "feed per minute",
    }
    if "G18" in state.modes:
        needed[controller.diameter] = "X a diameter"
    for word, what in needed.items():
        if word and word not in state.modes:
            raise state.wrong(f"a move before {word}, {what}. Write it first")
    if not state.modes & {f"G{plane}" for plane in _PLANES} or state.motion is None:
        raise state.wrong("a move before its plane, G17 or G18, or before its G0 to G3. Write it first")
    if controller.tool_call and not state.called:
        raise state.wrong(f"a move before {controller.tool_words(controller.tool_call, state.tool.number)}, the tool")
    if controller.length_offset and state.motion != 0 and not state.offset:
        raise state.wrong(f"a cut before {controller.tool_words(controller.length_offset, state.tool.number)}")


def _place(state: _State, words: dict[str, float]) -> FloatArray:
    """(3,), m."""
    if "G18" in state.modes:
        return np.array([0.5 * words["X"], 0.0, words["Z"]]) * state.controller.unit
    return np.array([words["X"], words["Y"], words["Z"]]) * state.controller.unit


def _curved(start: FloatArray, end: FloatArray, arc: dict[str, float], state: _State) -> FloatArray:
    order, names = ([2, 0, 1], "KI") if "G18" in state.modes else ([0, 1, 2], "IJ")
    start, end = start[order], end[order]
    if "R" in arc:
        centre = _centre(start[:2], end[:2], arc["R"] * state.controller.unit, state)
    else:
        centre = start[:2] + np.array([arc[name] for name in names]) * state.controller.unit
    radii = float(np.hypot(*(start[:2] - centre))), float(np.hypot(*(end[:2] - centre)))
    if abs(radii[0] - radii[1]) > ROUND * MILLIMETRE:
        raise state.wrong(
            f"the arc begins {radii[0] / MILLIMETRE:.4f} from its centre and ends {radii[1] / MILLIMETRE:.4f} from it,"
            f" mm: must be equal to {ROUND:g}. Correct its centre"
        )
    points = expanded(start, end, centre, counter_clockwise=state.motion == 3, chord=CHORD)
    back = np.empty_like(points)
    back[:, order] = points
    return back


def _centre(start: FloatArray, end: FloatArray, radius: float, state: _State) -> FloatArray:
    """(2,), m: of the arc of less than half a circle from start to end; their plane counts as in `expanded`."""
    half = 0.5 * (end - start)
    length = float(np.hypot(*half))
    if not length <= radius + ROUND * MILLIMETRE or length == 0.0:
        raise state.wrong(f"an arc of radius {radius / MILLIMETRE:.4f} mm does not reach its end. Correct R")
    side = 1.0 if state.motion == 3 else -1.0
    across = side * np.array([-half[1], half[0]]) / length
    return np.asarray(start + half + across * np.sqrt(max(radius**2 - length**2, 0.0)))
