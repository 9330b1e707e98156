"""SQLite files from anywhere: only the tables that they should hold are read, and no more than a file can hold."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from evenflare.files import InputError, check_file, is_file, is_folder, short
from evenflare.parsing import json_value

LONGEST_VALUE = 10_000_000
"""Bytes of one value: far above a design in words."""
STEP, MOST_STEPS = 100_000, 600
"""Instructions of the database's machine between two looks, and looks: a second or two, and above two million rows."""
SLACK = 1_000_000
"""Bytes by which the values of a small file may exceed it."""
OWN = re.compile(r"sqlite_(sequence|autoindex_\w+|stat\d)")
"""What SQLite keeps beside the tables of a file."""


def check_database(path: Path) -> None:
    """InputError unless the file, and those that SQLite keeps beside it, are regular files."""
    check_file(path)
    for beside in (Path(f"{path}{ending}") for ending in ("-wal", "-journal", "-shm")):
        if is_file(beside) or is_folder(beside):
            check_file(beside)


@contextmanager
def reported(path: Path, remedy: str) -> Iterator[None]:
    """Trouble with the file as an InputError that ends with what to do about it."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:  # the library words some errors in the file's own bytes
        raise InputError(f"{path}: cannot be read or written ({short(str(error))}). {remedy}") from error


def watch(connection: sqlite3.Connection) -> None:
    """Let statements take no more than a second or two together, and no value more memory than `LONGEST_VALUE`."""
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_VALUE)
    connection.execute("PRAGMA trusted_schema=OFF")
    looks = 0

    def look() -> int:
        nonlocal looks
        looks += 1
        return looks > MOST_STEPS

    connection.set_progress_handler(look, STEP)


def check_schema(path: Path, connection: sqlite3.Connection, tables: Mapping[str, str]) -> set[str]:
    """Which of the tables are there, each as it is made. InputError if the file holds anything else.

    tables : by name the statement that makes it. A view or a trigger would run what somebody else has written.
    """
    found = set()
    for kind, name, sql in connection.execute("SELECT type, name, sql FROM sqlite_master"):
        if OWN.fullmatch(str(name)):
            continue
        if kind != "table" or name not in tables:
            raise InputError(
                f'{path}: holds the {short(str(kind), 20)} "{short(str(name), 60)}": must hold only'
                f" {' and '.join(tables)}. Remove it, or name another file"
            )
        if _spaced(str(sql)) != _spaced(tables[name]):
            raise InputError(f'{path}: its table "{name}" has other columns than ours. Name another file')
        found.add(str(name))
    return found


def _spaced(sql: str) -> str:
    """A statement without what may differ in how it is written."""
    bare = re.sub(r"\bIF NOT EXISTS\b", "", sql, flags=re.IGNORECASE)
    return re.sub(r"\s*([(),;])\s*", r"\1", " ".join(bare.split())).strip("; ")


def rows(path: Path, connection: sqlite3.Connection, table: str, columns: str) -> Iterator[tuple[Any, ...]]:
    """Rows of a table, in no order. InputError if they hold more than the file: then its pages point at each other."""
    most = SLACK
    for name in (path, Path(f"{path}-wal")):
        with suppress(OSError):
            most += 2 * name.stat().st_size
    for row in connection.execute(f"SELECT {columns} FROM {table}"):
        most -= 8 + sum(len(each) for each in row if isinstance(each, str | bytes))
        if most < 0:
            raise InputError(f"{path}: is damaged, its rows hold more than the file. Name another file, or a copy")
        yield row


@contextmanager
def read_only(path: Path) -> Iterator[sqlite3.Connection]:
    """A database to be read while others may write it. InputError if it is no regular file."""
    check_database(path)
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", timeout=10.0, uri=True)
    try:
        watch(connection)
        yield connection
    finally:
        connection.close()


@contextmanager
def row_faults(start: str) -> Iterator[None]:
    """Whatever is wrong with a row's values as an InputError that begins with whose they are."""
    try:
        yield
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as error:
        raise InputError(
            f"{start}: is damaged ({short(str(error))}). Name another file, or a copy of this one"
        ) from None


def text(value: Any) -> str:
    """A value that is text. TypeError otherwise."""
    if not isinstance(value, str):
        raise TypeError(f"{short(repr(value), 40)} is no text")
    return value


def numbers_by_name(value: Any) -> dict[str, float]:
    """A JSON object of numbers by name. TypeError or ValueError otherwise."""
    found = json_value(text(value))
    if not isinstance(found, dict):
        raise TypeError("a list of numbers by name is none")
    return {name: float(each) for name, each in found.items()}
