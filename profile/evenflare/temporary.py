"""Folders for files that are not whole yet: known for ours, held while their process lives, removed once it is dead."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import socket
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import BinaryIO

START = ".evenflare-"
_LOCK = ".lock"
_TRIES = 100
"""Of making a folder that nobody takes for a dead one between its making and its locking."""


@contextmanager
def folder_in(place: Path) -> Iterator[Path]:
    """An empty folder in `place`, removed when the block ends with all that is left in it.

    The first one in a place removes those that dead processes of this machine left there: a folder's name says its
    machine, and its process holds a lock in it, which the system lets go of however the process ends. What another
    machine left stays, as locks need not reach from one to another; so does everything where there are no locks.
    Errors: OSError if `place` cannot be written.
    """
    _sweep(place.absolute())
    made, held = _made(place)
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)
        held.close()


def _made(place: Path) -> tuple[Path, BinaryIO]:
    """A folder and its lock, held."""
    for _ in range(_TRIES):
        made = Path(tempfile.mkdtemp(prefix=f"{START}{_machine()}-", dir=place))
        try:
            held = (made / _LOCK).open("xb")
        except (FileNotFoundError, FileExistsError):  # another process has just taken it for a dead one
            continue
        if _taken(held, made):
            return made, held
        held.close()
    raise OSError(f"no temporary folder could be kept in {place}")


def _taken(lock: BinaryIO, made: Path) -> bool:
    """Whether the lock is ours, or there are no locks here; and nobody removed its file meanwhile."""
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    with suppress(OSError):
        return os.path.samestat(os.fstat(lock.fileno()), os.stat(made / _LOCK))
    return False


@cache
def _sweep(place: Path) -> None:
    """Remove what dead processes left in a place; once in a process."""
    with suppress(OSError):
        for left in place.glob(f"{START}{_machine()}-*"):
            with suppress(OSError):
                _remove_if_dead(left)


def _remove_if_dead(left: Path) -> None:
    """Remove a folder whose lock can be had. OSError where that cannot be told."""
    if left.is_symlink() or left.stat().st_uid != os.geteuid():
        return
    with (left / _LOCK).open("ab") as lock:  # made where its process died before it could
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(left)


@cache
def _machine() -> str:
    """A word for this machine."""
    known = [socket.gethostname()]
    for file in ("/etc/machine-id", "/var/lib/dbus/machine-id"):
        with suppress(OSError):
            known.append(Path(file).read_text("ascii").strip())
    return hashlib.sha256("|".join(known).encode()).hexdigest()[:8]
