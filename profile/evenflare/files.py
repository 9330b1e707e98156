"""Files that are never half-written, and the error that a user can act on."""

from __future__ import annotations

import errno
import os
import re
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import BinaryIO

DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
LARGEST_TEXT = 64_000_000
"""Bytes: far above any file that a user writes, below what fills a memory."""
LONGEST_QUOTE = 200
"""Characters of a value that a message quotes."""

# Control characters but the line feed, marks that turn the direction of writing, and halves of surrogate pairs.
_HIDDEN = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_OTHER_KINDS = ((stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"), (stat.S_ISCHR, "a device"))

_held: ContextVar[list[tuple[Path, Path]] | None] = ContextVar("_held", default=None)
"""Inside `together`: finished temporary files and the paths they wait for."""


def plain(text: str) -> str:
    """Text that does nothing to a terminal but stand there: what cannot be seen is written as an escape."""
    return _HIDDEN.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def short(text: str, most: int = LONGEST_QUOTE) -> str:
    """Text as a message quotes it: on one line, at most so many characters."""
    line = plain(text).replace("\n", "\\n")
    return line if len(line) <= most else f"{line[: most - 3]}..."


class InputError(ValueError):
    """The input or the surroundings are at fault. The text says what, where, the value, what is allowed, the remedy."""

    def __init__(self, text: str) -> None:
        super().__init__(plain(text))


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


def read_text(path: Path, *, largest: int = LARGEST_TEXT) -> str:
    """The text of a file, its line ends as line feeds. Errors as `read_bytes`; also InputError if it is not UTF-8."""
    try:
        text = read_bytes(path, largest=largest).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text. Save it as UTF-8") from error
    return text.replace("\r\n", "\n").replace("\r", "\n")


def read_bytes(path: Path, *, largest: int = LARGEST_TEXT) -> bytes:
    """All of a file. InputError if it is missing, unreadable, no regular file, or has more than `largest` bytes."""
    with opened(path) as file:
        try:
            size = os.fstat(file.fileno()).st_size
            # A file may grow while it is read, or say 0 and hold something, as the system's own do.
            found = file.read(min(largest, 2 * size + 1_000_000) + 1)
        except OSError as error:
            raise InputError(_unreadable(path, error)) from error
    if max(size, len(found)) > largest:
        most = f"{largest / 1e6:g} MB"
        raise InputError(f"{path}: has more than {most}: must have at most as much. Is it the right file?")
    return found


@contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """A regular file, to be read: of a pipe or a device nobody knows when it ends. Errors as `check_file`."""
    check_file(path)
    try:
        # Should a pipe have taken its place meanwhile, nothing waits for a writer.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise InputError(_unreadable(path, error)) from error
    with os.fdopen(handle, "rb") as file:
        yield file


def check_file(path: Path) -> None:
    """Nothing for a regular file; InputError if it is missing, a folder, a pipe, a device, or no path at all."""
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    except (OSError, ValueError) as error:
        raise InputError(_unreadable(path, error)) from error
    if not stat.S_ISREG(mode):
        what = next((name for is_kind, name in _OTHER_KINDS if is_kind(mode)), "a device")
        raise InputError(f"{path}: is {what}, not a regular file. Save what it gives in a file, and name that")


def is_file(path: Path) -> bool:
    """Whether something that is no folder stands there, regular or not; no path is too odd to ask."""
    mode = _mode(path)
    return mode is not None and not stat.S_ISDIR(mode)


def is_folder(path: Path) -> bool:
    """Whether a folder stands there; no path is too odd to ask."""
    mode = _mode(path)
    return mode is not None and stat.S_ISDIR(mode)


def names_in(folder: Path) -> list[str]:
    """Names in a folder of all that is no folder, sorted. InputError if it cannot be read."""
    try:
        names = sorted(os.listdir(folder))
    except (OSError, ValueError) as error:
        raise InputError(_unreadable(folder, error)) from error
    return [name for name in names if is_file(folder / name)]


def _mode(path: Path) -> int | None:
    """What stands at a path, as the system codes it; None if nothing does, or it is no path at all."""
    with suppress(OSError, ValueError):
        return os.stat(path).st_mode
    return None


def _unreadable(path: Path, error: OSError | ValueError) -> str:
    why = (error.strerror if isinstance(error, OSError) else None) or error
    return f"{short(str(path))}: cannot be read ({why}). Check the path and its permissions"


def check_folder(folder: Path) -> None:
    """Nothing if files can be written into `folder`, made or not; InputError otherwise. It makes nothing."""
    for place in (folder, *folder.parents):
        if is_folder(place):
            if not os.access(place, os.W_OK | os.X_OK):
                raise InputError(_unwritable(place, PermissionError(errno.EACCES, os.strerror(errno.EACCES))))
            return
        try:
            os.lstat(place)
        except (FileNotFoundError, NotADirectoryError):
            continue
        except (OSError, ValueError) as error:
            raise InputError(_unwritable(place, error)) from error
        raise InputError(f"{place}: is a file, not a folder. Choose another --out")


def _unwritable(path: Path, error: OSError | ValueError) -> str:
    if isinstance(error, OSError) and error.errno in DISK_FULL:
        return f"{path}: cannot be written: the disk is full. Free some space, or choose a folder on another disk"
    return (
        f"{short(str(path))}: cannot be written ({getattr(error, 'strerror', None) or error})."
        " Choose a folder you may write to, on a disk with free space"
    )
