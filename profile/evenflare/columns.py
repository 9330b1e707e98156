"""Columns of numbers in CSV files that users write, with faults that name the file, the line and the column."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from evenflare.files import InputError, read_text


class Row(NamedTuple):
    """A row's values by column, and how a message begins that is about one of them."""

    values: dict[str, float]
    where: dict[str, str]


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
    lines = [
        (i, line)
        for i, line in enumerate(read_text(file).removeprefix("\ufeff").splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        wanted = ",".join(columns)
        raise InputError(f"{file}: holds no {noun[1]}. Write a header line {wanted} and a line for each {noun[0]}")
    rows = list(csv.reader(line for _, line in lines))
    header = [name.strip() for name in rows[0]]
    if any(name not in header for name in columns):
        hint = "Separate columns by commas, and write decimals with a point" if ";" in lines[0][1] else "Name them"
        needed = f"{', '.join(columns[:-1])} and {columns[-1]}"
        raise InputError(f"{file} line {lines[0][0]}: columns are {', '.join(header)}: must include {needed}. {hint}")
    at = {name: header.index(name) for name in (*columns, *optional) if name in header}
    for (line, _), row in zip(lines[1:], rows[1:], strict=True):
        if len(row) != len(header):
            hint = "Are there decimal commas? Write decimals with a point" if len(row) > len(header) else "Complete it"
            values = f"{len(row)} value{'' if len(row) == 1 else 's'}"
            wanted = f"{len(header)} column{'' if len(header) == 1 else 's'}"
            raise InputError(f"{file} line {line}: holds {values} for {wanted}: must be as many. {hint}")
        where = {name: f"{file} line {line} {name} = {row[i].strip()}" for name, i in at.items()}
        yield Row({name: _number(where[name], row[i], empty) for name, i in at.items()}, where)


def _number(start: str, text: str, empty: float | None) -> float:
    if empty is not None and not text.strip():
        return empty
    try:
        return float(text)
    except ValueError:
        hint = "Write decimals with a point" if "," in text else "Correct it"
        raise InputError(f"{start}: must be a number. {hint}") from None
