"""What every command says: exit codes, what was written, warnings, and what takes long."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare.text import visible

if TYPE_CHECKING:
    from evenflare.commands.written import Findings

DONE, ANSWER_IS_NO, INPUT_ERROR, INTERNAL_ERROR, INTERRUPTED = 0, 1, 2, 3, 130
"""Exit codes."""


def tell(words: str) -> None:
    """A line on standard error, if anybody hears it."""
    with suppress(OSError, ValueError):
        print(visible(words), file=sys.stderr, flush=True)


@contextmanager
def slow(quiet: bool, words: str) -> Iterator[None]:
    """Says what takes long, if it takes more than five seconds."""
    timer = threading.Timer(5.0, tell, [words])
    timer.daemon = True
    if not quiet:
        timer.start()
    try:
        yield
    finally:
        timer.cancel()


def compiled(quiet: bool) -> None:
    """The solver's compiled parts, from the cache or made now, before anything is timed or shared out."""
    with slow(quiet, "Compiling the solver for this machine: once, up to a minute"):
        _warmed_up()


@cache
def _warmed_up() -> None:
    """Once in a process: what has been loaded stays."""
    from evenflare.radiation import boundary_elements, march

    march.warm_up()
    boundary_elements.warm_up()


class NowAndThen:
    """Progress on standard error, every two seconds at most."""

    def __init__(self) -> None:
        self.last = time.monotonic()

    def say(self, words: str, fault: str) -> None:
        """A fault at once, if there is one; where the work stands, if that is known, when it is time again."""
        if fault:
            tell(f"warning: {fault}")
        now = time.monotonic()
        if words and now - self.last >= 2.0:
            self.last = now
            tell(words)


def tell_findings(found: Findings, folder: Path) -> None:
    """Say what a command found, its warnings, and which files hold it."""
    for line in found.lines:
        print(line)
    warn(found.warnings)
    list_written(found.files, folder)


def list_written(written: Sequence[tuple[str, str]], folder: Path) -> None:
    """Say which files were written, and what each is for."""
    width = max(len(name) for name, _ in written)
    print(f"Written in {folder}:")
    for name, use in written:
        print(f"  {name:{width}}  {use}")


def list_steps(steps: Sequence[tuple[str, str]]) -> None:
    """Say what to do next, if there is anything, each with its command on a line of its own."""
    if steps:
        print("What to do next:")
    for words, command in steps:
        print(f"  {words}:\n    {command}")


def warn(found: Iterable[str]) -> None:
    """Say warnings, quiet or not, on standard error."""
    for warning in found:
        tell(f"warning: {warning}")
