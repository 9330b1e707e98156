"""Files that are never half-written, and the error that a user can act on."""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NamedTuple

from evenflare.temporary import folder_in
from evenflare.text import visible

DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
LARGEST_TEXT = 64_000_000
"""Bytes: far above any file that a user writes, below what fills a memory."""
LONGEST_QUOTE = 200
"""Characters of a value that a message quotes."""

_OTHER_KINDS = ((stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"), (stat.S_ISCHR, "a device"))


def short(text: str, most: int = LONGEST_QUOTE) -> str:
    """Text as a message quotes it: on one line, at most so many characters."""
    line = visible(text, lines=False)
    return line if len(line) <= most else f"{line[: most - 3]}..."


class InputError(ValueError):
    """The input or the environment is at fault. The text says what, where, the value, what is allowed, the remedy.

    What it quotes may hold anything: controls are shown as escapes.
    """

    def __init__(self, words: str) -> None:
        super().__init__(visible(words))


class _Waiting(NamedTuple):
    """Inside `together`: finished files and the paths that they wait for, and the folders that they wait in."""

    files: list[tuple[Path, Path]]
    folders: dict[Path, Path]
    stack: ExitStack


_waiting: ContextVar[_Waiting | None] = ContextVar("_waiting", default=None)
_kept: ContextVar[tuple[_Kept, ...]] = ContextVar("_kept", default=())
"""Folders that must stay where they are, the outermost first."""


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path near `path`, renamed to it when the block ends well: a crash leaves the old file whole.

    It has the name that the file will have, in a folder of its own beside it; what a killed process leaves of those is
    removed when another one first writes there. Inside `together` the renaming waits for the other files.
    Errors: InputError if the folder cannot be written or the disk is full; then the temporary file is removed.
    """
    waiting = _waiting.get()
    with ExitStack() as stack:
        try:
            _make(path.parent)
            if waiting is None:
                temporary = stack.enter_context(folder_in(path.parent)) / path.name
            else:
                temporary = _place(waiting, path.parent) / path.name
        except OSError as error:
            raise _unwritable(path, error) from error
        try:
            yield temporary
            with open(temporary, "rb") as written:
                os.fsync(written.fileno())
            temporary.chmod(0o644)
            if waiting is None:
                temporary.replace(path)
            else:
                waiting.files.append((temporary, path))
        except OSError as error:
            raise _unwritable(path, error) from error


def _place(waiting: _Waiting, folder: Path) -> Path:
    """An empty folder for one file that is to stand in `folder`."""
    if folder not in waiting.folders:
        waiting.folders[folder] = waiting.stack.enter_context(folder_in(folder))
    return Path(tempfile.mkdtemp(dir=waiting.folders[folder]))


@contextmanager
def together() -> Iterator[None]:
    """All files that the block writes take their places when it ends well; if it does not, none does.

    Errors: InputError as `replacing`; also if a file cannot take its place, the others then have theirs.
    """
    with ExitStack() as stack:
        waiting = _Waiting([], {}, stack)
        token = _waiting.set(waiting)
        try:
            yield
        finally:
            _waiting.reset(token)
        for temporary, path in waiting.files:
            try:
                temporary.replace(path)
            except OSError as error:
                raise _unwritable(path, error) from error


@dataclass(frozen=True)
class _Kept:
    """A folder by its name and by what the system knows it by; `handle` is open on it."""

    folder: Path
    handle: int

    def check(self) -> None:
        """InputError if the name no longer stands for the folder."""
        with suppress(OSError):
            if os.path.samestat(os.stat(self.folder), os.fstat(self.handle)):
                return
        there = ""
        with suppress(OSError):  # Linux only
            there = os.readlink(f"/proc/self/fd/{self.handle}")
        gone = not there or there.endswith(" (deleted)")
        raise InputError(
            f"{self.folder}: was moved, renamed or removed while it was written to. What was finished is where the"
            f" folder is now{'' if gone else f', {there}'}. Run the same command again with --out"
            f" {'that folder' if gone else there}"
        )


@contextmanager
def staying(folder: Path) -> Iterator[Callable[[], None]]:
    """A folder, made if missing, that must stay where it is: files that the block writes go into that very folder.

    Where it was moved, none is written, and nothing is made anew under its old name.
    Yields : what to call to look whether it is still there: InputError if it is not.
    Errors : InputError if it cannot be made.
    """
    try:
        _make(folder)
        handle = os.open(folder, os.O_RDONLY)
    except OSError as error:
        raise _unwritable(folder, error) from error
    kept = _Kept(folder, handle)
    token = _kept.set((*_kept.get(), kept))
    try:
        yield kept.check
    finally:
        _kept.reset(token)
        os.close(handle)


def _make(folder: Path) -> None:
    """Make a folder and those above it, but none that must stay where it is."""
    above = [kept.folder for kept in _kept.get() if folder.is_relative_to(kept.folder)]
    if not above:
        folder.mkdir(parents=True, exist_ok=True)
        return
    for kept in _kept.get():
        kept.check()
    for part in reversed([folder, *folder.parents]):
        if part.is_relative_to(above[-1]) and part != above[-1]:
            part.mkdir(exist_ok=True)


@contextmanager
def apart() -> Iterator[None]:
    """What the block writes takes its place at once, whatever becomes of the files of a `together` around it."""
    token = _waiting.set(None)
    try:
        yield
    finally:
        _waiting.reset(token)


@contextmanager
def bench() -> Iterator[Path]:
    """An empty folder of the system's for what nobody keeps, removed when the block ends; after a kill as `replacing`.

    Errors: InputError if the system has no place for it.
    """
    place = Path(tempfile.gettempdir())
    with ExitStack() as stack:
        try:
            made = stack.enter_context(folder_in(place))
        except OSError as error:
            raise _unwritable(place, error) from error
        yield made


def write_text(path: Path, text: str, *, newline: str = "\n") -> None:
    """Write `text` to `path` as UTF-8, whole or not at all; `newline` ends its lines. Errors as `replacing`.

    What UTF-8 has no place for, bytes of a path that are no text for instance, stands as an escape.
    """
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", errors="backslashreplace", newline=newline)


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
                raise _unwritable(place, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))
            return
        try:
            os.lstat(place)
        except (FileNotFoundError, NotADirectoryError):
            continue
        except (OSError, ValueError) as error:
            raise _unwritable(place, error) from error
        raise InputError(f"{place}: is a file, not a folder. Choose another --out")


def _unwritable(path: Path, error: OSError | ValueError) -> InputError:
    """What to raise instead of a fault of the system."""
    for kept in _kept.get():
        kept.check()
    if isinstance(error, OSError) and error.errno in DISK_FULL:
        return InputError(
            f"{path}: cannot be written: the disk is full. Free some space, or choose a folder on another disk"
        )
    return InputError(
        f"{short(str(path))}: cannot be written ({getattr(error, 'strerror', None) or error})."
        " Choose a folder you may write to, on a disk with free space"
    )
