"""Probed points, or a profile traced in one plane, from a text file of columns."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import numpy as np

from evenflare.columns import text_lines
from evenflare.files import InputError, short
from evenflare.units import FloatArray

COLUMNS = {"points": ("x", "y", "z"), "profile": ("z", "r")}
NAMED = {2: "profile", 3: "points", 6: "points"}
"""What columns without names are, by their number: the last three of six are normals."""
_NAME = re.compile(r'^"?\s*([xyzr])(?:\s*[_ (\[]\s*(mm|cm|m|in|inch)\s*[)\]]?)?\s*"?$', re.IGNORECASE)


class Columns(NamedTuple):
    """rows : (N, 3) x, y, z or (N, 2) z, r, in the file's unit; unit : that its header states, or None."""

    rows: FloatArray
    is_profile: bool
    unit: str | None


def probed(path: Path) -> Columns:
    """The points of a file: columns x, y, z, or z, r, in any order under a header that may name a unit (x_mm); or x, y,
    z (and normals) or z, r without one. Parted by commas, semicolons, tabs or blanks; lines with # are passed over.

    Errors: InputError, which names the line.
    """
    lines = [(i, line) for i, line in enumerate(text_lines(path), start=1) if line and not line.startswith("#")]
    if not lines:
        raise InputError(f"{path}: holds no points. Write a header line x_mm,y_mm,z_mm and a line for each point")
    number, first = lines[0]
    parted = next((each for each in (";", "\t", ",") if each in first), None)
    head = _fields(first, parted)
    if all(_is_number(each) for each in head):
        if len(head) not in NAMED:
            raise InputError(
                f"{path} line {number}: holds {len(head)} values and no column has a name: must be 2 (z, r), 3 (x, y,"
                " z) or 6 (with normals). Write a header line x_mm,y_mm,z_mm"
            )
        kind, unit, rows = NAMED[len(head)], None, lines
        at = list(range(len(COLUMNS[kind])))
    else:
        kind, at, unit = _named(path, number, head, first)
        rows = lines[1:]
    return Columns(_values(path, rows, parted, at, len(head)), kind == "profile", unit)


def _fields(line: str, parted: str | None) -> list[str]:
    fields = line.split(parted)
    # Where columns are parted by something else a comma is a decimal one.
    return [each.strip().replace(",", ".") if parted != "," else each.strip() for each in fields]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _named(path: Path, number: int, head: list[str], line: str) -> tuple[str, list[int], str | None]:
    """What columns under names are, where they stand, and in which unit."""
    names = [_NAME.match(each) for each in head]
    known = [None if each is None else each[1].lower() for each in names]
    kind = next((each for each, wanted in COLUMNS.items() if set(wanted) <= set(known)), None)
    if kind is None:
        hint = "Write a header line x_mm,y_mm,z_mm, or z_mm,r_mm, or no header"
        raise InputError(
            f"{path} line {number}: columns are {short(', '.join(head))}: must include x_mm, y_mm and z_mm, or z_mm and"
            f" r_mm. {hint}"
        )
    twice = next((each for each in COLUMNS[kind] if known.count(each) > 1), None)
    if twice:
        raise InputError(f"{path} line {number}: the column {twice} stands there twice. Remove or rename one")
    at = [known.index(each) for each in COLUMNS[kind]]
    units = {str(found[2] or "").lower().replace("inch", "in") for found in (names[i] for i in at) if found is not None}
    if len(units) > 1:
        raise InputError(f"{path} line {number}: columns {short(line)} have several units: must have one. Convert them")
    unit = units.pop()
    return kind, at, "inch" if unit == "in" else unit or None


def _values(path: Path, lines: list[tuple[int, str]], parted: str | None, at: list[int], wide: int) -> FloatArray:
    found = np.empty((len(lines), len(at)))
    for i, (number, line) in enumerate(lines):
        fields = _fields(line, parted)
        if len(fields) != wide:
            hint = "Are there decimal commas? Write decimals with a point" if len(fields) > wide else "Complete it"
            raise InputError(
                f"{path} line {number}: holds {len(fields)} values for {wide} columns: must be as many. {hint}"
            )
        try:
            found[i] = [float(fields[k]) for k in at]
        except ValueError:
            raise InputError(f"{path} line {number}: {short(line)}: must be numbers. Correct it") from None
    return found
