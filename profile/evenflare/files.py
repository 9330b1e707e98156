"""Files that are never half-written, and the error that a user can act on."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from evenflare.text import visible

DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})

_held: ContextVar[list[tuple[Path, Path]] | None] = ContextVar("_held", default=None)
"""Inside `together`: finished temporary files and the paths they wait for."""


class InputError(ValueError):
    """The input or the surroundings are at fault. The text says what, where, the value, what is allowed, the remedy.

    What it quotes may hold anything: controls are shown as escapes.
    """

    def __init__(self, words: str) -> None:
        super().__init__(visible(words))


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path beside `path`, renamed to it when the block ends well: a crash leaves the old file whole.

    Inside `together` the renaming waits for the other files.
    Errors: InputError if the folder cannot be written or the disk is full; then the temporary file is removed.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=path.suffix, dir=path.parent)
        os.close(handle)
    except OSError as error:
        raise InputError(_unwritable(path, error)) from error
    temporary, held = Path(name), _held.get()
    try:
        yield temporary
        with open(temporary, "rb") as written:
            os.fsync(written.fileno())
        temporary.chmod(0o644)
        if held is None:
            temporary.replace(path)
        else:
            held.append((temporary, path))
    except OSError as error:
        raise InputError(_unwritable(path, error)) from error
    finally:
        if held is None or (temporary, path) not in held:
            with suppress(FileNotFoundError):
                temporary.unlink()


@contextmanager
def together() -> Iterator[None]:
    """All files that the block writes take their places when it ends well; if it does not, none does.

    Errors: InputError as `replacing`; also if a file cannot take its place, the others then have theirs.
    """
    held: list[tuple[Path, Path]] = []
    token = _held.set(held)
    try:
        yield
        while held:
            temporary, path = held[0]
            try:
                temporary.replace(path)
            except OSError as error:
                raise InputError(_unwritable(path, error)) from error
            del held[0]
    finally:
        _held.reset(token)
        for temporary, _ in held:
            with suppress(OSError):
                temporary.unlink()


@contextmanager
def apart() -> Iterator[None]:
    """What the block writes takes its place at once, whatever becomes of the files of a `together` around it."""
    token = _held.set(None)
    try:
        yield
    finally:
        _held.reset(token)


def write_text(path: Path, text: str) -> None:
    """Write `text` to `path` as UTF-8 with unix line ends, whole or not at all. Errors as `replacing`."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def read_text(path: Path) -> str:
    """The text of a file. InputError if it is missing, unreadable or not UTF-8."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text. Save it as UTF-8") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}). Check the path and its permissions") from error


def check_folder(folder: Path) -> None:
    """Nothing if files can be written into `folder`, made or not; InputError otherwise. It makes nothing."""
    for place in (folder, *folder.parents):
        if place.is_dir():
            if not os.access(place, os.W_OK | os.X_OK):
                raise InputError(_unwritable(place, PermissionError(errno.EACCES, os.strerror(errno.EACCES))))
            return
        if os.path.lexists(place):
            raise InputError(f"{place}: is a file, not a folder. Choose another --out")


def _unwritable(path: Path, error: OSError) -> str:
    if error.errno in DISK_FULL:
        return f"{path}: cannot be written: the disk is full. Free some space, or choose a folder on another disk"
    return (
        f"{path}: cannot be written ({error.strerror or error})."
        " Choose a folder you may write to, on a disk with free space"
    )
