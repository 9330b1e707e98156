"""Columns of numbers in CSV files that users write, with faults that name the file, the line and the column."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from evenflare.files import InputError, read_text, short

MOST_LINES = 500_000
"""Of a file; far above any that a user writes, below what fills a memory."""

LONGEST_LINE = 100_000
"""Characters."""


class Row(NamedTuple):
    """A row's values by column, where it stands, and its columns as they are written."""

    values: dict[str, float]
    line: int
    start: str
    texts: dict[str, str]

    def where(self, name: str) -> str:
        """How a message begins that is about a column of this row."""
        return f"{self.start} {name} = {short(self.texts[name])}"


def numbers(
    file: Path,
    columns: Sequence[str],
    *,
    optional: Sequence[str] = (),
    noun: tuple[str, str] = ("point", "points"),
    empty: float | None = None,
) -> Iterator[Row]:
    """The rows of a CSV; lines that begin with # and other columns are passed over.

    noun  : what a row holds, one and many, for messages.
    empty : the value of an empty field; None where no field may be empty.
    Errors: InputError, which names the line, where a column is missing, a row is not whole or a value no number.
    """
    lines = [(i, line) for i, line in enumerate(text_lines(file), start=1) if line and not line.startswith("#")]
    if not lines:
        wanted = ",".join(columns)
        raise InputError(f"{file}: holds no {noun[1]}. Write a header line {wanted} and a line for each {noun[0]}")
    header = _fields(file, *lines[0])
    if any(name not in header for name in columns):
        hint = "Separate columns by commas, and write decimals with a point" if ";" in lines[0][1] else "Name them"
        needed = f"{', '.join(columns[:-1])} and {columns[-1]}"
        found = short(", ".join(header))
        raise InputError(f"{file} line {lines[0][0]}: columns are {found}: must include {needed}. {hint}")
    at = {name: header.index(name) for name in (*columns, *optional) if name in header}
    twice = next((name for name in at if header.count(name) > 1), None)
    if twice:
        raise InputError(f"{file} line {lines[0][0]}: the column {twice} stands there twice. Remove or rename one")
    for line, text in lines[1:]:
        row = _fields(file, line, text)
        if len(row) != len(header):
            hint = "Are there decimal commas? Write decimals with a point" if len(row) > len(header) else "Complete it"
            values = f"{len(row)} value{'' if len(row) == 1 else 's'}"
            wanted = f"{len(header)} column{'' if len(header) == 1 else 's'}"
            raise InputError(f"{file} line {line}: holds {values} for {wanted}: must be as many. {hint}")
        texts = {name: row[i] for name, i in at.items()}
        start = f"{file} line {line}"
        yield Row({name: _number(start, name, text, empty) for name, text in texts.items()}, line, start, texts)


def text_lines(file: Path) -> list[str]:
    """The lines of a text file as `lines_of`. InputError also if it cannot be read."""
    return lines_of(file, read_text(file).removeprefix("\ufeff"))


def lines_of(file: Path, text: str) -> list[str]:
    """The lines of the text of a file without the blanks about them. InputError for too many, or one too long."""
    if text.count("\n") > MOST_LINES:
        raise InputError(f"{file}: has more than {MOST_LINES} lines: must have at most as many. Is it the right file?")
    lines = [line.strip() for line in text.split("\n")]
    long = next((number for number, line in enumerate(lines, start=1) if len(line) > LONGEST_LINE), None)
    if long is not None:
        raise InputError(f"{file} line {long}: has more than {LONGEST_LINE} characters. Is it the right file?")
    return lines


def _fields(file: Path, number: int, line: str) -> list[str]:
    """The fields of one line: what stands between quotation marks ends on it."""
    try:
        return [field.strip() for field in next(csv.reader([line], strict=True))]
    except csv.Error as error:
        raise InputError(
            f"{file} line {number}: {short(line)}: is no row of a CSV ({error}). Close or remove its quotation marks"
        ) from None


def _number(start: str, name: str, text: str, empty: float | None) -> float:
    if empty is not None and not text:
        return empty
    try:
        return float(text)
    except ValueError:
        hint = "Write decimals with a point" if "," in text else "Correct it"
        raise InputError(f"{start} {name} = {short(text)}: must be a number. {hint}") from None
