"""A strict reader of plain G-code: what is not plainly understood is refused, never guessed at."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenflare.files import InputError, read_text
from evenflare.manufacture.milling.arcs import expanded
from evenflare.manufacture.milling.gcode import FEED_UNIT
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Tool
from evenflare.units import MILLIMETRE, FloatArray

CHORD = 0.2e-6
"""m, within which arcs are read as straight moves."""
ROUND = 0.01
"""mm, by which the ends of an arc may be unequally far from its centre."""

_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))")
_BLOCK = re.compile(r"(?:[A-Z][-+]?(?:\d+\.?\d*|\.\d+)\s*)+")
_MOTION = {0, 1, 2, 3}
_PLANES = {17: "milling", 18: "turning"}
_QUIET = {21, 40, 49, 54, 80, 90, 94, 97}
_MISCELLANEOUS = {3, 5, 30}


class ReadProgram(NamedTuple):
    """A program from its file, the statements of its header, and the spindle's turns per minute."""

    program: Program
    header: tuple[str, ...]
    spindle_rpm: float


@dataclass
class _State:
    """What holds from block to block, in the file's units."""

    path: Path
    line: int = 0
    modes: set[int] = field(default_factory=set)
    motion: int | None = None
    place: dict[str, float] = field(default_factory=dict)
    feed: float | None = None
    spindle: float = 0.0
    turning_on: bool = False
    number: int | None = None
    ended: bool = False

    def wrong(self, what: str) -> InputError:
        return InputError(f"{self.path} line {self.line}: {what}")


def read_gcode(path: Path, *, tool: Tool, rapid_feed: float) -> ReadProgram:
    """The program in a file, as a machine would run it.

    tool, rapid_feed : which the words do not tell; rapid_feed in m/s.
    Moves begin where all axes are known. Arcs come as straight moves within CHORD.
    Errors : InputError with the line, for anything but the words that `gcode` may write in an order that makes
             sense: G0 to G3, G17 or G18, G21, G40, G49, G54, G80, G90, G94, G97, M3, M5, M30 and X Y Z I J K F S N.
    """
    state, header = _State(path), list[str]()
    moves: list[tuple[FloatArray, float, bool]] = []
    for words in _blocks(read_text(path), state, header):
        moves += _run(words, state, rapid_feed)
    if not state.ended:
        raise InputError(f"{path}: has no M30 at its end: it was cut short. Export it again")
    if not moves:
        raise InputError(f"{path}: holds no moves. Export it again")
    kind = "turning" if 18 in state.modes else "milling"
    position = np.concatenate([points for points, _, _ in moves])
    counts = [len(points) for points, _, _ in moves]
    program = Program(
        path.stem,
        tool,
        position,
        np.repeat([feed for _, feed, _ in moves], counts),
        np.repeat([rapid for _, _, rapid in moves], counts),
        next((line.removeprefix("datum: ") for line in header if line.startswith("datum: ")), ""),
        "turning" if kind == "turning" else "milling",
        tuple(line.removeprefix("set-up: ") for line in header if line.startswith("set-up: ")),
    )
    return ReadProgram(program, tuple(header), state.spindle)


def _blocks(text: str, state: _State, header: list[str]) -> Iterator[list[tuple[str, float]]]:
    """The words of each block; comments go to the header, their continued lines joined."""
    lines = text.split("\n")
    percents = [k for k, line in enumerate(lines) if line.strip() == "%"]
    for state.line, line in enumerate(lines, start=1):
        block = line.strip()
        if block == "%":
            if state.line - 1 not in (percents[0], percents[-1]):
                raise state.wrong("% stands within the program. Remove it")
            if state.line > 1 and not state.ended:
                raise state.wrong("has no M30 before its end: it was cut short. Export it again")
            continue
        if not block:
            continue
        if state.ended:
            raise state.wrong(f"{block!r} stands after M30. Remove it")
        if block.startswith("("):
            if not block.endswith(")") or block.count("(") > 1 or block.count(")") > 1:
                raise state.wrong(f"{block!r}: a comment is one pair of parentheses on a line of its own. Correct it")
            inside = block[1:-1]
            if inside.startswith("  ") and header:
                header[-1] += " " + inside.strip()
            else:
                header.append(inside.strip())
            continue
        if not _BLOCK.fullmatch(block):
            raise state.wrong(f"{block!r}: is not words of a letter and a number. Correct it")
        yield [(name, float(value)) for name, value in _WORD.findall(block)]


def _run(words: list[tuple[str, float]], state: _State, rapid_feed: float) -> list[tuple[FloatArray, float, bool]]:
    """Obey one block; its moves."""
    others: dict[str, float] = {}
    for name, value in words:
        if name == "G":
            _prepare(value, state)
        elif name == "M":
            _switch(value, state)
        elif name in others:
            raise state.wrong(f"{name} stands twice in one block. Remove one")
        elif name not in "XYZIJKFSN":
            raise state.wrong(f"{name}{value:g}: is no word of a plain program. Remove it")
        else:
            others[name] = value
    if "N" in others:
        number = others.pop("N")
        if number != int(number) or number < 0:
            raise state.wrong(f"N{number:g}: must be a whole number")
    if "F" in others:
        state.feed = others.pop("F")
        if not state.feed > 0.0:
            raise state.wrong(f"F{state.feed:g}: must be above 0")
    state.spindle = others.pop("S", state.spindle)
    return _move(others, state, rapid_feed) if others else []


def _prepare(value: float, state: _State) -> None:
    code = int(value)
    if code != value or code not in _MOTION | set(_PLANES) | _QUIET:
        raise state.wrong(f"G{value:g}: is not one of the words of a plain program. Remove it")
    if code in _MOTION:
        state.motion = code
        return
    if code in _PLANES and state.modes & set(_PLANES) - {code}:
        raise state.wrong(f"G{code}: the plane changes within the program. Keep one")
    state.modes.add(code)


def _switch(value: float, state: _State) -> None:
    if value not in _MISCELLANEOUS:
        raise state.wrong(f"M{value:g}: is not one of the words of a plain program. Remove it")
    if value == 30:
        state.ended = True
    else:
        state.turning_on = value == 3


def _move(words: dict[str, float], state: _State, rapid_feed: float) -> list[tuple[FloatArray, float, bool]]:
    needed = {21: "G21, millimetres", 90: "G90, absolute", 94: "G94, feed per minute"}
    for code, what in needed.items():
        if code not in state.modes:
            raise state.wrong(f"a move before {what}. Write it first")
    plane = state.modes & set(_PLANES)
    if not plane or state.motion is None:
        raise state.wrong("a move before its plane, G17 or G18, or before its G0 to G3. Write it first")
    if not state.turning_on:
        raise state.wrong("a move while the spindle stands still. Write M3 first")
    turned = 18 in plane
    axes, centres = ("XZ", "KI") if turned else ("XYZ", "IJ")
    arc = {name: words.pop(name) for name in "IJK" if name in words}
    if set(words) - set(axes):
        raise state.wrong(f"{', '.join(sorted(set(words) - set(axes)))}: no such axis in this plane. Remove it")
    before = dict(state.place)
    state.place.update(words)
    if state.motion in (2, 3):
        if set(arc) != set(centres):
            raise state.wrong(f"an arc needs {' and '.join(sorted(centres))}, its centre from its start. Add them")
    elif arc:
        raise state.wrong(f"{', '.join(arc)}: belongs to an arc, and this is a straight move. Remove it")
    if state.motion != 0 and (state.feed is None or set(before) < set(axes)):
        raise state.wrong("a cut before its feed F, or from an unknown place. Write F, or begin with G0 on all axes")
    if set(state.place) < set(axes):
        return []
    end = _place(state.place, turned=turned)
    if state.motion == 0:
        return [(end[None], rapid_feed, True)]
    feed = (state.feed or 0.0) * FEED_UNIT
    if state.motion == 1:
        return [(end[None], feed, False)]
    return [(_curved(_place(before, turned=turned), end, arc, state, turned=turned), feed, False)]


def _place(words: dict[str, float], *, turned: bool) -> FloatArray:
    """(3,), m."""
    if turned:
        return np.array([0.5 * words["X"], 0.0, words["Z"]]) * MILLIMETRE
    return np.array([words["X"], words["Y"], words["Z"]]) * MILLIMETRE


def _curved(start: FloatArray, end: FloatArray, arc: dict[str, float], state: _State, *, turned: bool) -> FloatArray:
    order = [2, 0, 1] if turned else [0, 1, 2]
    offset = np.array([arc["K"], arc["I"]] if turned else [arc["I"], arc["J"]]) * MILLIMETRE
    start, end = start[order], end[order]
    centre = start[:2] + offset
    radii = float(np.hypot(*offset)), float(np.hypot(*(end[:2] - centre)))
    if abs(radii[0] - radii[1]) > ROUND * MILLIMETRE:
        raise state.wrong(
            f"the arc begins {radii[0] / MILLIMETRE:.4f} from its centre and ends {radii[1] / MILLIMETRE:.4f} from it:"
            f" must be equal to {ROUND:g}. Correct its centre"
        )
    points = expanded(start, end, centre, counter_clockwise=state.motion == 3, chord=CHORD)
    back = np.empty_like(points)
    back[:, order] = points
    return back
