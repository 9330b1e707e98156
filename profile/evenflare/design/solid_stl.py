"""A cabinet as an STL file in mm: read, and written again beside a design."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from evenflare.files import InputError, is_folder, read_bytes, replacing
from evenflare.schema import shown
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import ClosedSolid, solid_of

MOST_TRIANGLES = 200_000
LARGEST = 300 * MOST_TRIANGLES
"""Bytes: so many has a triangle as text."""
HEAD = 84
"""Bytes before the triangles of a binary file: 80 of any content, and their number."""
RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_VERTEX = re.compile(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)")


def read_solid(folder: Path, name: str, *, key: str) -> ClosedSolid:
    """The body in the STL file, binary or text, that `key` names, sought from `folder`.

    Errors: InputError, which names both, if it is no STL file, or not one closed body with a flat front toward +z.
    """
    file = folder / name
    where = f"{key} = {shown(name)}"
    if is_folder(file):
        raise InputError(f"{where}: is a folder. Name the STL file")
    try:
        held = triangles_in(read_bytes(file, largest=LARGEST), most=MOST_TRIANGLES)
        if len(held) < 4:
            raise ValueError(f"has {len(held)} triangles: must have at least 4. Export the cabinet as one body")
        return solid_of(held * MILLIMETRE)
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error


def triangles_in(content: bytes, *, most: int, most_text: int | None = None) -> FloatArray:
    """(T, 3, 3) in the file's unit, of an STL file, binary or text. What it claims to hold is held against its length
    first.

    most   : triangles, and in text, which takes far more memory, `most_text` (left out: as many).
    Errors : ValueError, in words, if it is none, or holds too many.
    """
    count = int.from_bytes(content[80:HEAD], "little") if len(content) >= HEAD else -1
    if len(content) == HEAD + count * RECORD.itemsize:
        _check_count(count, most)
        held: FloatArray = np.frombuffer(content, dtype=RECORD, offset=HEAD)["corners"].astype(np.float64)
    elif content.lstrip()[:5].lower() == b"solid":
        text = content.lower()
        _check_count(text.count(b"vertex") // 3, most if most_text is None else most_text)
        held = _text(text)
    else:
        words = f": its header says {count} triangles, and its length is not theirs" if count >= 0 else ""
        raise ValueError(f"is no STL file{words}. Export it again")
    if not np.isfinite(held).all():
        raise ValueError("has corners that are no numbers. Export it again")
    return held


def _check_count(count: int, most: int) -> None:
    if count > most:
        raise ValueError(
            f"has {count} triangles: must have at most {most}. Export it as binary, with a larger tolerance if there"
            " are too many"
        )


def _text(content: bytes) -> FloatArray:
    found = _VERTEX.findall(content)
    if len(found) % 3:
        raise ValueError(f"has {len(found)} lines of a vertex: must be three for each triangle. Export it again")
    try:
        # In the precision of a binary file: what is written of it reads back the same.
        return np.array(found, dtype=np.float64).astype(np.float32).astype(np.float64).reshape(-1, 3, 3)
    except ValueError:
        raise ValueError("has a vertex that is no three numbers. Export it again") from None


def solid_name(solid: ClosedSolid) -> str:
    """Of the file that `write_solid` writes, by its contents: a folder may hold those of many designs."""
    return f"cabinet_{solid.digest[:12]}.stl"


def write_solid(solid: ClosedSolid, folder: Path) -> None:
    """Write a body as binary STL into a folder: it reads back to the same triangles. InputError if it cannot."""
    held = np.zeros(len(solid.triangles), dtype=RECORD)
    held["corners"] = solid.triangles / MILLIMETRE
    head = b"evenflare mm cabinet of a design".ljust(80) + len(held).to_bytes(4, "little")
    with replacing(folder / solid_name(solid)) as temporary:
        temporary.write_bytes(head + held.tobytes())
