"""The command line: words for the library's calls, exit codes, progress on standard error, data on standard output."""

from __future__ import annotations

import errno
import gc
import select
import shlex
import sys
import tempfile
import threading
import traceback
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from evenflare import __version__
from evenflare.cli import (
    calibrating,
    capturing,
    comparing,
    crossing,
    designs,
    fronts,
    inspecting,
    listening,
    measurement,
    opening,
    planning,
    rooms,
    searching,
    streams,
    tolerance,
)
from evenflare.cli.ending import terminable
from evenflare.cli.options import parsed
from evenflare.cli.telling import DONE, INPUT_ERROR, INTERNAL_ERROR, INTERRUPTED, tell
from evenflare.files import DISK_FULL, InputError, short

NO_ROOM = DISK_FULL | {errno.EFBIG, errno.EROFS, errno.EIO}
"""Errors of the system that a disk causes, wherever they come up."""

GARBAGE = 5000, 20, 20
"""How seldom a process that carries out one command looks for garbage: what it loads stays, and looking through that
again and again takes a tenth of its start.
"""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Entry point of the command `evenflare`."""
    gc.set_threshold(*GARBAGE)
    sys.exit(_ended(arguments))


def _ended(arguments: Sequence[str] | None) -> int:
    """The exit code of a process that carries out a command line, whatever becomes of its streams."""
    if not streams.prepare():
        tell(streams.CLOSED)
        return INPUT_ERROR
    try:
        code = run(arguments)
    except SystemExit as end:  # of the options: help, or a slip in them
        code = end.code if isinstance(end.code, int) else INPUT_ERROR
    except KeyboardInterrupt:
        code = INTERRUPTED
    except BaseException as error:
        code = _internal_error(error, "evenflare")
    lost = streams.finish()
    if lost and code == DONE:
        tell(f"cannot write: {lost}. Free some disk space, then run it again")
        return INPUT_ERROR
    return code


def run(arguments: Sequence[str] | None = None) -> int:
    """Carry out a command line; the exit code. No traceback reaches a user."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        "".join(given).encode("utf-8")
    except UnicodeEncodeError:
        odd = next(each for each in given if any("\ud800" <= mark <= "\udfff" for mark in each))
        tell(f"{short(odd)}: is not UTF-8. Rename the file or folder, or write the text in UTF-8")
        return INPUT_ERROR
    options = parsed(arguments)
    options.words = shlex.join(["evenflare", *given])
    asked_to_end = threading.Event()
    try:
        with terminable(asked_to_end):
            code = COMMANDS[options.command](options)
            print(end="", flush=True)
        return code
    except (KeyboardInterrupt, Exception) as error:
        # Compiled code that meets an interruption may put an error of its own in its place.
        if isinstance(error, KeyboardInterrupt) or asked_to_end.is_set():
            tell("interrupted; what was finished is kept")
            return INTERRUPTED
        if isinstance(error, InputError):
            tell(str(error))
            return INPUT_ERROR
        if isinstance(error, BrokenPipeError) and _reader_gone():
            streams.drop(sys.stdout)  # its reader has seen enough
            return DONE
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            streams.drop(sys.stdout)
            why = "the disk is full" if error.errno in DISK_FULL else error.strerror
            tell(f"cannot write: {why}. Free some disk space, then run it again")
            return INPUT_ERROR
        return _internal_error(error, options.words)


def _internal_error(error: BaseException, words: str) -> int:
    tell(f"internal error ({short(str(error))}). {_details(words)}")
    return INTERNAL_ERROR


def _reader_gone() -> bool:
    """Whether nobody reads standard output or standard error any more: other pipes break for other reasons."""
    poll = select.poll()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            poll.register(stream.fileno(), 0)
    return any(event & select.POLLERR for _, event in poll.poll(0))


def _details(words: str) -> str:
    """Write down the fault being handled; where."""
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="evenflare-fault-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
        ) as details:
            details.write(f"{words}\nevenflare {__version__}\n{traceback.format_exc()}")
    except OSError as error:
        return f"The details could not be written ({error.strerror})"
    return f"Details: {details.name}"


COMMANDS = {
    **searching.COMMANDS,
    **fronts.COMMANDS,
    **designs.COMMANDS,
    **planning.COMMANDS,
    **capturing.COMMANDS,
    **measurement.COMMANDS,
    **inspecting.COMMANDS,
    **comparing.COMMANDS,
    **calibrating.COMMANDS,
    **listening.COMMANDS,
    **crossing.COMMANDS,
    **rooms.COMMANDS,
    **opening.COMMANDS,
    **tolerance.COMMANDS,
}
"""What each does; the exit code."""
