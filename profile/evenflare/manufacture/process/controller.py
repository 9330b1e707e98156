"""How a machine's controller wants its programs written: words, numbers, comments, line ends, as data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from evenflare.units import INCH, MILLIMETRE

MachineName = Literal["router", "lathe"]


@dataclass(frozen=True)
class Controller:
    """A dialect; left at its defaults plain RS-274 (NISTIR 6556, The NIST RS274NGC Interpreter, version 3, 2000).

    dialect          : its name, for headers and messages.
    machines         : whose programs it can write.
    units            : of the numbers in programs.
    millimetres, inches, absolute, feed_per_minute, diameter, work_offset : words that say so; empty: none is needed.
    cancel_milling, cancel_turning : words that end whatever an earlier program left on.
    comments         : in a pair of parentheses, or after a semicolon.
    percent_lines    : whether a file begins and ends with %.
    program_number   : of the part's first program, which O stands before; 0: none.
    line_ends        : line feeds, or carriage returns and line feeds.
    decimals         : of lengths; a feed has three fewer, at least one.
    decimal_point    : whole numbers end in ".0", or in a point.
    arcs             : by their centre, counted from the arc's start, or by their radius.
    dwell_word, dwell_unit : of G4.
    spindle_start    : word that turns the spindle on; M4 only for turning tools that are mounted the other way up.
    tool_call, length_offset : {n} and {nn} stand for the tool's number, plain and of two digits; empty: neither.
    retreat          : blocks that bring the tool to a height of the machine's own; none: the work's safe height serves.
    path_tolerance   : block that lets corners be rounded; {tolerance} stands for corner_tolerance; empty: none.
    corner_tolerance : m, by which the controller may leave the programmed path.
    end              : word that ends a program.
    """

    dialect: str = "plain"
    machines: tuple[MachineName, ...] = ("router", "lathe")
    units: Literal["mm", "inch"] = "mm"
    millimetres: str = "G21"
    inches: str = "G20"
    absolute: str = "G90"
    feed_per_minute: str = "G94"
    cancel_milling: tuple[str, ...] = ("G40", "G49", "G80")
    cancel_turning: tuple[str, ...] = ("G40", "G80", "G97")
    diameter: str = ""
    work_offset: str = "G54"
    comments: Literal["parentheses", "semicolon"] = "parentheses"
    percent_lines: bool = True
    program_number: int = 0
    line_ends: Literal["lf", "crlf"] = "lf"
    decimals: int = 4
    decimal_point: Literal["with_zero", "bare"] = "with_zero"
    arcs: Literal["centre", "radius"] = "centre"
    dwell_word: Literal["P", "X", "U", "S"] = "P"
    dwell_unit: Literal["s", "ms"] = "s"
    spindle_start: Literal["M3", "M4"] = "M3"
    tool_call: str = ""
    length_offset: str = ""
    retreat: tuple[str, ...] = ()
    path_tolerance: str = ""
    corner_tolerance: float = 0.0
    end: Literal["M30", "M2"] = "M30"

    @property
    def unit(self) -> float:
        """m, of the numbers in programs."""
        return INCH if self.units == "inch" else MILLIMETRE

    @property
    def feed_decimals(self) -> int:
        """Of a feed: 0.1 mm/min of four decimals of a length."""
        return max(1, self.decimals - 3)

    @property
    def newline(self) -> str:
        """What ends a line."""
        return "\r\n" if self.line_ends == "crlf" else "\n"

    def modes(self, *, turned: bool) -> tuple[str, ...]:
        """The words of a program's first block, in order."""
        plane, cancel = ("G18", self.cancel_turning) if turned else ("G17", self.cancel_milling)
        unit = self.inches if self.units == "inch" else self.millimetres
        words = (unit, self.absolute, plane, *cancel, self.feed_per_minute, self.diameter if turned else "")
        return tuple(word for word in words if word)

    def number(self, value: float, decimals: int | None = None) -> str:
        """A number, without exponent and with a decimal point: some controllers take whole ones for micrometres."""
        places = self.decimals if decimals is None else decimals
        text = f"{value:.{places}f}".rstrip("0")
        if text[-1] != ".":
            return text
        whole = "0." if text == "-0." else text
        return whole + "0" if self.decimal_point == "with_zero" else whole

    def dwell(self, seconds: float) -> str:
        """The block that waits."""
        told = f"{1e3 * seconds:.0f}" if self.dwell_unit == "ms" else self.number(seconds, 3)
        return f"G4 {self.dwell_word}{told}"

    def tool_words(self, pattern: str, number: int) -> str:
        """`tool_call` or `length_offset` of a tool of this number."""
        return pattern.replace("{nn}", f"{number:02d}").replace("{n}", str(number))

    @property
    def path_tolerance_block(self) -> str:
        """As it stands in a program; empty without one."""
        scale = 10.0**self.decimals
        least = math.floor(self.corner_tolerance / self.unit * scale + 1e-6) / scale  # never more than is stated
        return self.path_tolerance.replace("{tolerance}", self.number(least))
