"""What every command says: exit codes, what was written, warnings, and what takes long."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from evenflare.text import visible

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
        from evenflare.radiation import boundary_elements, march

        march.warm_up()
        boundary_elements.warm_up()


def list_written(written: Sequence[tuple[str, str]], folder: Path) -> None:
    """Say which files were written, and what each is for."""
    width = max(len(name) for name, _ in written)
    print(f"Written in {folder}:")
    for name, use in written:
        print(f"  {name:{width}}  {use}")


def warn(found: Iterable[str]) -> None:
    """Say warnings, quiet or not, on standard error."""
    for warning in found:
        tell(f"warning: {warning}")
