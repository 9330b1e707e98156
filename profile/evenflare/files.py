"""Files that are never half-written, and the error that a user can act on."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


class InputError(ValueError):
    """The input or the surroundings are at fault. The text says what, where, the value, what is allowed, the remedy."""


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary path beside `path`, renamed to it when the block ends well: a crash leaves the old file whole.

    Errors: InputError if the folder cannot be written or the disk is full; then the temporary file is removed.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=path.suffix, dir=path.parent)
        os.close(handle)
    except OSError as error:
        raise InputError(_unwritable(path, error)) from error
    temporary = Path(name)
    try:
        yield temporary
        with open(temporary, "rb") as written:
            os.fsync(written.fileno())
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as error:
        raise InputError(_unwritable(path, error)) from error
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()


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


def _unwritable(path: Path, error: OSError) -> str:
    return (
        f"{path}: cannot be written ({error.strerror or error})."
        " Choose a folder you may write to, on a disk with free space"
    )
