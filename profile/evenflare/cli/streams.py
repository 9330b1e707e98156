"""Standard streams as a shell may leave them: closed, into a pipe that nobody reads, or onto a full disk."""

from __future__ import annotations

import errno
import io
import os
import sys
from contextlib import suppress
from typing import TextIO

from evenflare.files import DISK_FULL
from evenflare.text import visible

CLOSED = "standard output is closed: nothing can be printed. Send it somewhere, as with > /dev/null"


class _Output(io.TextIOWrapper):
    """Standard output, which writes names from files and cannot be made to steer a terminal by them."""

    def write(self, text: str, /) -> int:
        return super().write(visible(text))


class _Messages(io.TextIOWrapper):
    """Standard error, whose reader may go: what is done does not end with that."""

    def write(self, text: str, /) -> int:
        try:
            return super().write(text)
        except OSError:
            drop(self)
            return len(text)

    def flush(self) -> None:
        with suppress(OSError):
            super().flush()


def prepare() -> bool:
    """Make the streams of this process fit for use; whether standard output is open.

    Closed ones lead nowhere from now on: a file opened later would else take their place and be written into.
    """
    is_open = True
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free, which is this one
            is_open = is_open and number != 1
    sys.stdout = _again(sys.stdout, 1, _Output)
    sys.stderr = _again(sys.stderr, 2, _Messages)
    return is_open


def _again(stream: TextIO | None, number: int, kind: type[io.TextIOWrapper]) -> TextIO:
    """A stream of that kind in place of the interpreter's; what an encoding lacks is written as an escape."""
    if not isinstance(stream, io.TextIOWrapper):
        return kind(os.fdopen(number, "wb", closefd=False), encoding="utf-8", errors="backslashreplace")
    encoding, by_line = stream.encoding, stream.line_buffering
    return kind(stream.detach(), encoding=encoding, errors="backslashreplace", line_buffering=by_line)


def drop(stream: TextIO) -> None:
    """What is left of a stream goes nowhere, so that the interpreter does not stumble over it at exit."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


def finish() -> str:
    """Write out what is left of standard output; why it cannot be written, empty if it is or nobody reads it."""
    try:
        sys.stdout.flush()
    except OSError as error:
        drop(sys.stdout)
        if error.errno != errno.EPIPE:
            return "the disk is full" if error.errno in DISK_FULL else str(error.strerror)
    return ""
