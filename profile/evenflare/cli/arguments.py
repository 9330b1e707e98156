"""How arguments are read, and how a slip in them is told."""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn, Protocol

from evenflare.cli.telling import INPUT_ERROR
from evenflare.files import short
from evenflare.text import visible


class AddCommand(Protocol):
    """Adds a command by name, what it does, and the example and notes that stand below its options."""

    def __call__(self, name: str, does: str, more: str) -> argparse.ArgumentParser:
        """The parser of the new command, to add its arguments to."""
        ...


class Parser(argparse.ArgumentParser):
    """Tells a mistyped choice the nearest valid one."""

    def error(self, message: str) -> NoReturn:
        """End the program with one line that says what was wrong, and what was perhaps meant."""
        found = re.search(r"invalid choice: '(.*?)' \(choose from (.*)\)", message)
        hint = nearest(found[1], re.findall(r"[\w-]+", found[2])) if found else ""
        brief = re.sub(r"'((?:[^'\\]|\\.)*)'", lambda quoted: f"'{short(quoted[1])}'", visible(message))
        self.exit(INPUT_ERROR, f"{self.prog}: {brief}. {hint}See {self.prog} --help\n")


def nearest(word: str, known: Sequence[str]) -> str:
    """A question that names the nearest of the words known, or nothing."""
    near = difflib.get_close_matches(word[:100], known, n=1, cutoff=0.6)
    return f"Did you mean {near[0]}? " if near else ""


def depths(text: str) -> list[float]:
    """Millimetres, comma between."""
    try:
        return [float(each) for each in text.split(",")]
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: must be depths in mm with commas between, as 0,25,85") from None


def path(text: str) -> Path:
    """An empty text would be the current directory."""
    if not text.strip():
        raise argparse.ArgumentTypeError("is empty: must name a file or folder, as in results")
    return Path(text)
