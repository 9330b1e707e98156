"""Processes by name or file: those that come along, and a workshop's own."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from evenflare.files import InputError, is_file, is_folder, short
from evenflare.manufacture.process.types import Process

BUNDLED = ("router", "lathe", "sheets", "casting", "print")
"""Processes that come along, figures of an invented workshop."""


def read_process(name_or_path: str | Path) -> Process:
    """A bundled process by its name, or one from a TOML file.

    A name without a suffix or a folder is a bundled one; all else is a path.
    Errors : InputError that lists all faults of the file, unknown keys with the nearest one, or the bundled names.
    """
    from evenflare.manufacture.process.tables import process_from

    return process_from(process_path(name_or_path))


def process_path(name_or_path: str | Path) -> Path:
    """The file of a process, as `read_process` finds it; its errors."""
    path = Path(name_or_path)
    if str(name_or_path) in BUNDLED and not is_file(path):
        path = Path(str(files("evenflare.manufacture").joinpath("processes", f"{name_or_path}.toml")))
    elif not is_file(path) and not is_folder(path):
        raise InputError(_missing(str(name_or_path)))
    return path


def _missing(name: str) -> str:
    import difflib

    near = difflib.get_close_matches(name[:100], BUNDLED, n=1)
    hint = f"Did you mean {near[0]}?" if near else "Name one of these, or the path of a TOML file"
    return f"--process {short(name)}: no such file, and no bundled process: these are {', '.join(BUNDLED)}. {hint}"
