"""The log of prototypes: one SQLite file in WAL mode, an entry committed whole before the command ends.

A killed process leaves every finished entry, and nothing of the one it was at; so does a power cut.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from evenflare import database
from evenflare.files import InputError, check_folder, is_file, is_folder, short
from evenflare.measurement.calibrated_file import Known
from evenflare.parsing import json_value, read_json, tables
from evenflare.schema import shown

APPLICATION = 0x65766A31
"""Marks the file as a journal, among SQLite files."""
BUSY = 10.0
"""Seconds that an entry waits for another process' entry."""
REMEDY = "Is it a journal? Check its permissions and the space on its disk, and that no other program holds it"
"""For a file that cannot be read or written."""
COMPARED = ("bias_db", "rms_db", "worst", "index_rms_db")
"""Keys that a comparison must have."""
NOT_BUILT = ("name", "analysis")
"""Of a design file: how it is called and looked at, not what is built."""

_TABLE = """
CREATE TABLE IF NOT EXISTS prototype (
    number INTEGER PRIMARY KEY AUTOINCREMENT, added TEXT NOT NULL, name TEXT NOT NULL, design_id TEXT NOT NULL,
    design TEXT NOT NULL, notes TEXT NOT NULL, files TEXT NOT NULL, comparison TEXT, calibration TEXT
)
"""
_INSPECTIONS = "CREATE TABLE IF NOT EXISTS inspection (number INTEGER PRIMARY KEY, found TEXT NOT NULL)"
"""Beside the other, and only where a part was inspected: journals of before have none."""
_COLUMNS = "number, added, name, design_id, design, notes, files, comparison, calibration"


@dataclass(frozen=True)
class Prototype:
    """One entry.

    added       : when, ISO 8601 with its zone.
    design      : the text of its design file, whole, which reads back to the same design.
    files       : what belongs to it, paths as they were given.
    comparison  : as `compare` wrote it, None where it was not compared.
    calibration : what `calibrate` found, None where it was not calibrated.
    inspection  : as `inspect` wrote it, None where the part was not inspected.
    number      : 1 for the first; 0 before it is in a journal.
    """

    added: str
    name: str
    design_id: str
    design: str
    notes: str = ""
    files: tuple[str, ...] = ()
    comparison: Mapping[str, Any] | None = None
    calibration: Known | None = None
    inspection: Mapping[str, Any] | None = None
    number: int = 0

    @property
    def rms(self) -> float | None:
        """dB, of measured less predicted level, as compared."""
        return None if self.comparison is None else float(self.comparison["rms_db"])

    @property
    def parameters(self) -> dict[str, Any]:
        """What is built: key and value of its design file, as `waveguide.depth_mm`."""
        return dict(_flat({key: v for key, v in tables(self.design).items() if key not in NOT_BUILT}, ""))


@dataclass(frozen=True)
class Step:
    """From one entry to the next.

    changed    : keys of the design that differ: their old and new value, None where there was none.
    difference : dB, of the rms; below 0 it shrank. None where either was not compared.
    """

    before: Prototype
    after: Prototype
    changed: Mapping[str, tuple[Any, Any]] = field(default_factory=dict)
    difference: float | None = None


def add(journal: Path, prototype: Prototype) -> int:
    """Put an entry into a journal, made if missing; its number. It is on disk when this returns.

    InputError if the file is another one, damaged or held, or cannot be written.
    """
    if is_folder(journal):
        raise InputError(f"{journal}: is a folder. Name a file in it, such as {journal / 'prototypes.sqlite'}")
    check_folder(journal.parent)
    journal.parent.mkdir(parents=True, exist_ok=True)
    calibration = prototype.calibration
    row = (
        *(prototype.added, prototype.name, prototype.design_id, prototype.design, prototype.notes),
        json.dumps(list(prototype.files)),
        None if prototype.comparison is None else json.dumps(dict(prototype.comparison)),
        None if calibration is None else json.dumps({"values": dict(calibration.values), "rms": dict(calibration.rms)}),
    )
    if is_file(journal):
        database.check_database(journal)
    with (
        database.reported(journal, REMEDY),
        closing(sqlite3.connect(journal, timeout=BUSY, isolation_level=None)) as connection,
    ):
        database.watch(connection)
        _check(journal, connection, empty=True)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(f"PRAGMA application_id={APPLICATION}")
        connection.execute(_TABLE)
        added = connection.execute(
            f"INSERT INTO prototype ({_COLUMNS.removeprefix('number, ')}) VALUES (?,?,?,?,?,?,?,?)", row
        )
        number = int(added.lastrowid or 0)
        if prototype.inspection is not None:
            connection.execute(_INSPECTIONS)
            found = json.dumps(dict(prototype.inspection))
            connection.execute("INSERT INTO inspection (number, found) VALUES (?,?)", (number, found))
        connection.execute("COMMIT")
        return number


def entries(journal: Path) -> list[Prototype]:
    """All entries in their order. InputError if there is no such journal."""
    if not is_file(journal):
        what = "is a folder" if is_folder(journal) else "is not there"
        raise InputError(f"{journal}: {what}. Name a journal, or make it with evenflare journal {journal} add")
    with database.reported(journal, REMEDY), database.read_only(journal) as connection:
        tables_there = _check(journal, connection, empty=False)
        found = [_read(journal, row) for row in database.rows(journal, connection, "prototype", _COLUMNS)]
        parts = {}
        if "inspection" in tables_there:
            rows = database.rows(journal, connection, "inspection", "number, found")
            parts = dict(_inspection(journal, row) for row in rows)
    whole = [replace(each, inspection=parts.get(each.number)) for each in found]
    return sorted(whole, key=lambda each: each.number)


def steps(prototypes: Sequence[Prototype]) -> list[Step]:
    """What changed from each entry to the next, and by how much the deviation did."""
    return [_step(before, after) for before, after in pairwise(prototypes)]


def read_comparison(path: Path) -> dict[str, Any]:
    """comparison.json, named itself or by its folder. InputError if it is missing, broken or another file."""
    file = path / "comparison.json" if is_folder(path) else path
    found = read_json(file, remedy="Write it again with evenflare compare")
    lacking = [key for key in COMPARED if not isinstance(found, dict) or key not in found]
    if lacking:
        raise InputError(f"{file}: lacks {', '.join(lacking)}. Name what evenflare compare has written")
    if isinstance(found["rms_db"], bool) or not isinstance(found["rms_db"], int | float):
        raise InputError(f"{file} rms_db = {shown(found['rms_db'])}: must be a number. Compare again")
    return dict(found)


def _step(before: Prototype, after: Prototype) -> Step:
    old, new = before.parameters, after.parameters
    keys = [*old, *(key for key in new if key not in old)]
    changed = {key: (old.get(key), new.get(key)) for key in keys if old.get(key) != new.get(key)}
    known = before.rms is not None and after.rms is not None
    return Step(before, after, changed, (after.rms or 0.0) - (before.rms or 0.0) if known else None)


def _flat(table: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value


def _read(journal: Path, row: tuple[Any, ...]) -> Prototype:
    number, *words, files, comparison, calibration = row
    with database.row_faults(f"{journal} entry {short(str(number), 20)}"):
        added, name, design_id, design, notes = map(database.text, words)
        found = Prototype(
            added,
            name,
            design_id,
            design,
            notes,
            tuple(map(database.text, json_value(database.text(files)))),
            None if comparison is None else dict(json_value(database.text(comparison))),
            None if calibration is None else _known(json_value(database.text(calibration))),
            number=int(number),
        )
        tables(found.design)
        if found.rms is not None and not math.isfinite(found.rms):
            raise ValueError("its rms is no number")
        return found


def _inspection(journal: Path, row: tuple[Any, ...]) -> tuple[int, dict[str, Any]]:
    number, found = row
    with database.row_faults(f"{journal} inspection {short(str(number), 20)}"):
        return int(number), dict(json_value(database.text(found)))


def _known(record: Any) -> Known:
    values, rms = ({str(name): float(each) for name, each in record[key].items()} for key in ("values", "rms"))
    return Known(values, rms)


def _check(journal: Path, connection: sqlite3.Connection, *, empty: bool) -> set[str]:
    """Which of its tables are there. InputError for a database that is no journal.

    empty : one without any table may become one.
    """
    held = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    if (mark != APPLICATION or not held) and (held or not empty):
        raise InputError(f"{journal}: is no journal of prototypes. Choose another file")
    return database.check_schema(journal, connection, {"prototype": _TABLE, "inspection": _INSPECTIONS})
