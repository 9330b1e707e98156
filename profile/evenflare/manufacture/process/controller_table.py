"""[controller] of a process file, and files of dialects, which have the same keys."""

from __future__ import annotations

import difflib
import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from evenflare.files import InputError, is_file, short
from evenflare.manufacture.process.controller import Controller, MachineName
from evenflare.names import Name
from evenflare.schema import Table, checked, fault, number, parsed
from evenflare.units import MILLIMETRE

DIALECTS = ("plain", "small", "metric_words", "blended", "machining_centre", "lathe_cycles")
"""That come along; none is any maker's."""
MINIMAL = 'machines = ["router"]'
INCH_DECIMALS = 5
"""A hundred-thousandth of an inch is a quarter of a micrometre."""


def _written(pattern: str, allowed: str) -> AfterValidator:
    """A check that words of a program are of one form; `allowed` says which."""
    form = re.compile(pattern)

    def check(text: str) -> str:
        if not form.fullmatch(text):
            raise fault(f"must be {allowed}. Correct it")
        return text

    return AfterValidator(check)


_G = r"G\d{1,3}(\.\d)?"
_MOVED = r"(G(0|00|28|30|53|90|91)|[XYZUVW][-+]?\d+(\.\d*)?)"
GWord = Annotated[str, _written(_G, "a word such as G21")]
GWordOrNone = Annotated[str, _written(f"({_G})?", 'a word such as G90, or ""')]
Block = Annotated[
    str,
    _written(f"{_MOVED}( {_MOVED})*", "one block of G0, G28, G30, G53, G90, G91 and places, such as G53 G0 Z0.0"),
]
ToolCall = Annotated[str, _written(r"(T\{nn?\}(\{nn?\})?( M0?6)?)?", 'like T{n} M6 or T{nn}{nn}, or ""')]
LengthOffset = Annotated[str, _written(r"(G43 H\{nn?\})?", 'G43 H{n} or G43 H{nn}, or ""')]
PathTolerance = Annotated[str, _written(rf"({_G} [PQRE]\{{tolerance\}})?", 'like G64 P{tolerance}, or ""')]
Words = Annotated[list[GWord], Field(max_length=8)]


class WordsTable(Table):
    """What both a dialect's file and [controller] may say."""

    millimetres: GWord | None = None
    inches: GWord | None = None
    absolute: GWordOrNone | None = None
    feed_per_minute: GWord | None = None
    cancel_milling: Words | None = None
    cancel_turning: Words | None = None
    diameter: GWordOrNone | None = None
    work_offset: GWordOrNone | None = None
    comments: Literal["parentheses", "semicolon"] | None = None
    percent_lines: bool | None = None
    program_number: Annotated[int, number(0, 9000, whole=True)] | None = None
    line_ends: Literal["lf", "crlf"] | None = None
    decimals: Annotated[int, number(3, 6, whole=True)] | None = None
    decimal_point: Literal["with_zero", "bare"] | None = None
    arcs: Literal["centre", "radius"] | None = None
    dwell_word: Literal["P", "X", "U", "S"] | None = None
    dwell_unit: Literal["s", "ms"] | None = None
    spindle_start: Literal["M3", "M4"] | None = None
    tool_call: ToolCall | None = None
    length_offset: LengthOffset | None = None
    retreat: Annotated[list[Block], Field(max_length=3)] | None = None
    path_tolerance: PathTolerance | None = None
    path_tolerance_mm: Annotated[float, number(0.001, 1)] | None = None
    end: Literal["M30", "M2"] | None = None

    def over(self, base: Controller) -> Controller:
        """`base` with what this table says in its place."""
        given: dict[str, Any] = {key: value for key, value in self if value is not None and key != "dialect"}
        tolerance = given.pop("path_tolerance_mm", None)
        if tolerance is not None:
            given["corner_tolerance"] = tolerance * MILLIMETRE
        if given.get("units") == "inch" and self.decimals is None:
            given["decimals"] = INCH_DECIMALS
        lists = {key: tuple(value) for key, value in given.items() if isinstance(value, list)}
        return replace(base, **{**given, **lists})


class DialectTable(WordsTable):
    """A dialect's file."""

    machines: Annotated[list[MachineName], Field(min_length=1)] | None = None


class ControllerTable(WordsTable):
    """[controller]: a dialect, and what is to differ from it."""

    dialect: Name = "plain"
    units: Literal["mm", "inch"] | None = None

    @model_validator(mode="after")
    def _known(self) -> ControllerTable:
        if self.dialect not in DIALECTS and not self.dialect.endswith(".toml"):
            near = difflib.get_close_matches(self.dialect[:100], DIALECTS, n=1)
            hint = f"Did you mean {near[0]}?" if near else "Name one of these, or a file that ends in .toml"
            raise fault(f'dialect = "{short(self.dialect)}": must be {", ".join(DIALECTS)}, or a file. {hint}')
        return self

    def value(self, process: Path) -> Controller:
        """The controller; `process` is the file that this table stands in, beside which a dialect's file is sought.

        Errors : InputError for a file that is missing or at fault, and for words that do not go together.
        """
        path = process.parent / self.dialect
        if self.dialect in DIALECTS:
            path = Path(str(files("evenflare.manufacture").joinpath("controllers", f"{self.dialect}.toml")))
        elif not is_file(path):
            raise InputError(f"{process} [controller] dialect = {short(self.dialect)}: no such file. Correct its path")
        base = checked(parsed(path, minimal=MINIMAL), DialectTable, path=path).over(Controller(dialect=path.stem))
        found = self.over(base)
        wrong = _wrong(found)
        if wrong:
            raise InputError(f"{process} [controller] {wrong}")
        return found


def _wrong(controller: Controller) -> str:
    """What does not go together, in words; empty if all does."""
    relative = any("G91" in block.split() for block in controller.retreat)
    if relative and "G90" not in controller.retreat[-1].split():
        return 'retreat: goes by G91, and places after it are absolute. Let its last block be "G90"'
    for block in controller.retreat:
        words = block.split()
        if any(word[0] in "XYZUVW" for word in words) and not {"G28", "G30", "G53"} & set(words):
            return (
                f'retreat: "{block}" goes to a place of the work. Write G53, G28 or G30, the machine\'s own, before it'
            )
    if controller.path_tolerance and not controller.corner_tolerance:
        return "path_tolerance: without path_tolerance_mm. Add for example path_tolerance_mm = 0.005"
    if controller.millimetres == controller.inches:
        return f"millimetres and inches are both {controller.inches}. Correct one"
    return ""
