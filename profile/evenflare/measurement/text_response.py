"""Responses as text: frequency in Hz, level in dB and, where known, phase in degrees; a line for each frequency.

Values are separated by tabs, semicolons, commas or spaces; decimals have a point or a comma, one of them in a file.
Lines of words stand before the first line of numbers; a comment begins with one of `COMMENTS`, anywhere.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.columns import lines_of
from evenflare.files import InputError, read_bytes, short, write_text
from evenflare.measurement.text_units import check_range, in_hertz, units_of
from evenflare.text import comments
from evenflare.units import DEGREE, ComplexArray, FloatArray, amplitude_db, read_only

COMMENTS = ("#", "*", ";", "%", "!", "//")
SUFFIXES = (".txt", ".csv", ".tsv", ".dat")
"""Endings that such a file usually has."""
HEADING = "Hz dB degrees"
"""Above the numbers of a file that is written."""
LONGEST_FIELD = 100
"""Characters of a number that are looked at to say what is wrong with it."""
LARGEST_LEVEL = 400.0
"""dB, above which a level is none."""
LARGEST_FREQUENCY = 1e6
"""Hz."""
_PLAIN = re.compile(r"[-+.,;eE0-9 \t\n]*")
"""Numbers and what stands between them: the rest needs a second look."""
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_DATA = re.compile(r"[+-]?(\d|[.,]\d|(nan|inf|infinity)\b)", re.IGNORECASE)
"""How a line begins that holds values, or should."""
_SEPARATORS = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces"}


@dataclass(frozen=True)
class TextResponse:
    """What such a file holds.

    frequency : (F,) Hz, > 0, strictly rising.
    level     : (F,) dB, re whatever the file's levels are.
    phase     : (F,) rad, or None where the file has none.
    remarks   : what was passed over, in words.
    """

    frequency: FloatArray
    level: FloatArray
    phase: FloatArray | None
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("frequency", "level", "phase"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def ratio(self) -> ComplexArray:
        """(F,) 10^(level / 20), with the phase where it is known."""
        turned = 1.0 if self.phase is None else np.exp(1j * self.phase)
        return np.asarray(10.0 ** (0.05 * self.level) * turned, dtype=np.complex128)


def read_text_response(path: Path | str, *, of_source: bool = False) -> TextResponse:
    """The response of a text file.

    of_source : whether levels are re 20 uPa of a source, which tells them from ratios.
    Units are those of the heading above the numbers (kHz, rad/s; Pa, V, linear; radians), else Hz, dB and degrees,
    unless the range cannot be.
    A line at 0 Hz, where there is neither level nor phase, is passed over and remarked on.
    Errors: InputError, which names the line, for what is no number, out of range, not rising, or not as many values as
            the first line has; also if the file is missing, no text, empty or too large.
    """
    path = Path(path)
    every = list(enumerate(lines_of(path, _decoded(path, read_bytes(path))), start=1))
    lines = [(i, line) for i, line in every if line and not line.startswith(COMMENTS)]
    first = next((k for k, (_, line) in enumerate(lines) if _DATA.match(line)), None)
    if first is None:
        raise InputError(f"{path}: holds no line of numbers. Write a line for each frequency: Hz, dB and degrees")
    lines = lines[first:]
    numbers = [i for i, _ in lines]
    values, remarks = _values(path, lines)
    units = units_of([line for _, line in every[: numbers[0] - 1]])
    values, converted = in_hertz(path, values, units)
    remarks = (*remarks, *converted)
    if values[0, 0] == 0.0:
        values, numbers = values[1:], numbers[1:]
        remarks = (*remarks, f"{path.name}: the line at 0 Hz was passed over")
    _check(path, values, numbers)
    check_range(path, values, units, of_source=of_source)
    phase = values[:, 2] * DEGREE if values.shape[1] == 3 else None
    return TextResponse(values[:, 0], values[:, 1], phase, remarks)


def _decoded(path: Path, raw: bytes) -> str:
    """The text, with plain line ends. Words may be in any encoding that keeps ASCII: only numbers are read."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            text = raw.decode("utf-16")
        except UnicodeDecodeError:
            raise InputError(f"{path} line 1: begins as UTF-16 text and is none. Save it as UTF-8") from None
    else:
        text = raw.removeprefix(codecs.BOM_UTF8).decode("latin-1")
    at = text.find("\0")
    if at >= 0:
        line = text.count("\n", 0, at) + 1
        raise InputError(f"{path} line {line}: is not text, or UTF-16 without its mark. Save it as UTF-8")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _values(path: Path, lines: Sequence[tuple[int, str]]) -> tuple[FloatArray, tuple[str, ...]]:
    """(F, 2 or 3) as written, and remarks."""
    separator = _separator(lines[0][1])
    text = "\n".join(line for _, line in lines)
    decimal = "." if separator == "," or "," not in text else ","
    # Plain numbers, as nearly every file has them, at once; any doubt goes the slow way, which explains.
    if _PLAIN.fullmatch(text) and (("." in text) if separator == "," else (decimal == "." or "." not in text)):
        rows = [line.split(None if separator == " " else separator) for line in text.replace(decimal, ".").split("\n")]
        width = len(rows[0])
        if width in (2, 3) and all(len(row) == width for row in rows):
            try:
                return np.array([float(field) for row in rows for field in row]).reshape(-1, width), ()
            except ValueError:
                pass
    return _slow_values(path, lines)


def _slow_values(path: Path, lines: Sequence[tuple[int, str]]) -> tuple[FloatArray, tuple[str, ...]]:
    separator = _separator(lines[0][1])
    rows: list[list[float]] = []
    marks: dict[str, int] = {}
    for number, line in lines:
        where = f"{path} line {number}"
        fields = line.split() if separator == " " else [field.strip() for field in line.split(separator)]
        if len(fields) > 2 and not fields[-1]:
            fields.pop()  # a separator at the end of a line separates nothing
        for field in fields:
            if not _NUMBER.fullmatch(field):
                raise InputError(
                    f"{where}: {_quoted(field)} must be a number, as in 1000.0 or -3.2. {_hint(field, line)}"
                )
            for mark in ".,":
                if mark in field:
                    marks.setdefault(mark, number)
        if len(marks) > 1:
            raise InputError(
                f"{where}: decimals with a comma (first in line {marks[',']}) and with a point (first in line"
                f" {marks['.']}): must be one of them. Write points, and no separators of thousands"
            )
        if len(fields) not in (2, 3) or (rows and len(fields) != len(rows[0])):
            raise InputError(f"{where}: {_miscounted(fields, rows, separator)}")
        rows.append([float(field.replace(",", ".")) for field in fields])
    doubtful = separator == "," and len(rows[0]) == 3 and not marks
    remark = f"{path.name}: three whole numbers a line, commas between: Hz, dB, degrees and no decimal commas"
    return np.array(rows), (remark,) if doubtful else ()


def _separator(line: str) -> str:
    """What stands between the values of a line."""
    for mark in "\t;":
        if mark in line:
            return mark
    # Blanks beside commas are only spacing; blanks between numbers separate them, and commas are then decimal ones.
    return " " if re.search(r"[^\s,]\s+[^\s,]", line) or "," not in line else ","


def _miscounted(fields: Sequence[str], rows: Sequence[Sequence[float]], separator: str) -> str:
    held = f"holds {len(fields)} value{'' if len(fields) == 1 else 's'}"
    if rows:
        return f"{held}, the lines before it {len(rows[0])}: must be as many. Complete it"
    if len(fields) > 3 and separator == ",":
        return (
            f"{held}: must be 2 or 3 (Hz, dB, degrees). Are there decimal commas? Then separate by tabs or semicolons"
        )
    return f"{held} separated by {_SEPARATORS[separator]}: must be 2 or 3 (Hz, dB, degrees). Write only these"


def _quoted(field: str) -> str:
    clean = "".join(each if each.isprintable() else "?" for each in field[:LONGEST_FIELD])
    return f'"{short(clean, 40)}"'


def _hint(field: str, line: str) -> str:
    if not field:
        return "Nothing stands between two separators: fill it in"
    field, line = field[:LONGEST_FIELD], line[: 3 * LONGEST_FIELD]
    if field.lower().lstrip("+-") in ("nan", "inf", "infinity", "1.#qnan", "1.#inf"):
        return "Leave that frequency out, or measure it again"
    if re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+([.,]\d+)?", field):
        return "Write no separators of thousands"
    if re.search(r"\d\s*k?(Hz|dB|deg|°)", line):
        return "Write the numbers alone, without their units"
    return "Correct it, or begin a comment with #"


def _check(path: Path, values: FloatArray, numbers: Sequence[int]) -> None:
    """InputError unless frequencies rise and every value is one that can be."""
    if len(values) < 2:
        count = "1 frequency" if len(values) else "no frequency above 0 Hz"
        raise InputError(f"{path}: holds {count}: must be 2 at least. Export the whole response")
    limits = ((0.0, LARGEST_FREQUENCY, "Hz"), (-LARGEST_LEVEL, LARGEST_LEVEL, "dB"), (-1e9, 1e9, "degrees"))
    for column, (low, high, unit) in zip(values.T, limits, strict=False):
        inside = (column >= low) & (column <= high) & ((column > 0.0) | (unit != "Hz"))
        bad = np.flatnonzero(~inside)
        if bad.size:
            allowed = f"above 0, to {high:g}" if unit == "Hz" else f"{low:g} to {high:g}"
            where = f"{path} line {numbers[bad[0]]}: {column[bad[0]]:g} {unit}"
            order = "The order is Hz, dB, degrees: correct it"
            raise InputError(f"{where}: must be {allowed}. {order}")
    still = np.flatnonzero(np.diff(values[:, 0]) <= 0.0)
    if still.size:
        before, after = values[still[0] : still[0] + 2, 0]
        where = f"{path} line {numbers[still[0] + 1]}: {after:g} Hz after {before:g} Hz"
        remedy = "It stands there twice: remove one" if after == before else "Sort the lines by frequency"
        raise InputError(f"{where}: must rise from each line to the next. {remedy}")


def write_text_response(
    path: Path, frequency: FloatArray, pressure: ComplexArray, *, reference: float, header: Sequence[str] = ()
) -> Path:
    """Write a response that reads back: Hz, dB re `reference` and degrees, tabs between; the file's path.

    frequency : (F,) Hz. pressure : (F,) complex, none of them 0. header : lines of comment.
    Levels have four decimals, phases three, frequencies nine digits. InputError if the file cannot be written.
    """
    level, phase = amplitude_db(pressure / reference), np.angle(pressure) / DEGREE
    rows = [f"{f:.9g}\t{a:.4f}\t{p:.3f}" for f, a, p in zip(frequency, level, phase, strict=True)]
    write_text(path, "\n".join([*comments([*header, HEADING]), *rows]) + "\n")
    return path
