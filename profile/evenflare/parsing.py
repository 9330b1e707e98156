"""TOML and JSON from anywhere: what their grammars allow without end has an end here."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

from evenflare.files import InputError, read_text

LARGEST_TOML = 3_000_000
"""Bytes: more than the longest lists of points that a file may hold, in all their digits."""
LARGEST_JSON = 4_000_000
"""Bytes: hundreds of times a file of ours."""
DEEPEST = 10
"""Tables and lists within each other; files of ours have six."""
LONGEST = 20_000
"""Values in a list of a TOML file: as many as a list of points may have."""
LARGEST_INTEGER = 2**63
"""TOML knows none beyond it, and says that one is an error (version 1.0.0)."""

MOST_TABLES = 2000
"""Headers in a TOML file; hundreds of tools and seats."""

_HEADER = re.compile(r"^[ \t]*\[(?![ \t]*[-+]?[\d.][\w.+-]*[ \t]*[,\n])(?=[^\n])", re.MULTILINE)
"""How a line begins that may be a header, and no row of numbers."""
_NESTED = f"holds tables or lists more than {DEEPEST} deep within each other. Remove some"
_DIGITS = "holds a whole number of more than 18 digits. Correct it"


def tables(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Errors: ValueError for what is out of bounds, in words; tomllib.TOMLDecodeError, one of them, for what is no TOML.
    """
    # The library takes long over keys of many parts, and over many keys: its time grows with the square of the parts.
    if text.count("=") > LONGEST or text.count(",") > 10 * LONGEST or len(_HEADER.findall(text)) > MOST_TABLES:
        raise ValueError(
            f"holds more than {LONGEST} keys, {10 * LONGEST} values or {MOST_TABLES} tables. Is it the right file?"
        )
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > DEEPEST and any(_parts(piece) > DEEPEST for piece in re.split(r"[,={}\[\]]", line)):
            raise ValueError(f"line {number} holds a key of more than {DEEPEST} parts with points between. Shorten it")
    try:
        found = tomllib.loads(text)
    except RecursionError:
        raise ValueError(_NESTED) from None
    except ValueError as error:
        if isinstance(error, tomllib.TOMLDecodeError):
            raise
        raise ValueError(_DIGITS) from None
    _check(found, longest=LONGEST)
    return found


def _parts(piece: str) -> int:
    return len(re.findall(r"\.[ \t]*[^.\s]", piece))


def json_value(text: str) -> Any:
    """What a JSON text holds. Errors as `tables`, with json.JSONDecodeError."""
    try:
        found = json.loads(text)
    except RecursionError:
        raise ValueError(_NESTED) from None
    except ValueError as error:
        if isinstance(error, json.JSONDecodeError):
            raise
        raise ValueError(_DIGITS) from None
    _check(found, longest=len(text))
    return found


def read_json(path: Path, *, remedy: str) -> Any:
    """What a JSON file holds. remedy : what to do where the file is none.

    Errors: InputError, which names the line, if it cannot be read, is no JSON or out of bounds.
    """
    text = read_text(path, largest=LARGEST_JSON).removeprefix("\ufeff")
    try:
        return json_value(text)
    except json.JSONDecodeError as error:
        raise InputError(f"{path} line {error.lineno}: is not JSON ({error.msg}). {remedy}") from None
    except ValueError as error:
        raise InputError(f"{path}: {error}, or: {remedy}") from None


def _check(value: Any, *, longest: int, place: str = "", depth: int = 0) -> None:
    """ValueError, which begins with the key, for nesting, lists, numbers or characters that nothing could work with."""
    if isinstance(value, dict | list):
        if depth > DEEPEST:
            raise ValueError(f"{place}{_NESTED}")
        if isinstance(value, list) and len(value) > longest:
            raise ValueError(f"{place}holds {len(value)} values: must be at most {longest}. Remove some")
        for key, each in value.items() if isinstance(value, dict) else enumerate(value):
            if isinstance(key, str):
                _check_text(key, place)
            if isinstance(each, float):  # any will do, and most are
                continue
            named = place
            if isinstance(key, str) and depth <= 2:
                named = f"{place.rstrip()}{'.' if place else ''}{key[:60]} "
            _check(each, longest=longest, place=named, depth=depth + 1)
    elif isinstance(value, int) and not -LARGEST_INTEGER <= value < LARGEST_INTEGER:
        raise ValueError(f"{place}{_DIGITS}")
    elif isinstance(value, str):
        _check_text(value, place)


def _check_text(value: str, place: str) -> None:
    """The same of text."""
    try:
        value.encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError(f"{place}holds half of a character. Correct it") from None
