"""Cabinets that were solved, kept on disk: one small file for each wavenumber, in a folder of the user's cache.

A file is a line that names its kind, a line of JSON (what it depends on, how large its arrays are, and the SHA-256 of
their bytes), and the arrays themselves, row by row: `far` (L, W), complex numbers as two little-endian floats of 32
bits each, then `back` (W, W), of 64 bits each, since in long waves it spans what 32 do not. Its name is a hash of what
it depends on, so that a changed cabinet, wavenumber or mesh has a name of its own. No file is trusted: one that is
damaged, or somebody else's, is told and made again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.exterior.operator import CabinetResponse
from evenflare.exterior.waves import Waves
from evenflare.files import InputError, read_bytes, replacing

KIND = b"evenflare cabinet response 2\n"
KINDS = ("<c8", "<c16")
"""Of the numbers of both arrays."""
LARGEST = 400_000_000
"""Bytes of a file that is read."""
VARIABLE = "EVENFLARE_CACHE"
"""Of the environment: the folder instead of the usual one."""


def cache_folder() -> Path:
    """Where solved cabinets are kept: EVENFLARE_CACHE, or evenflare in the user's cache folder."""
    if named := os.environ.get(VARIABLE):
        return Path(named)
    usual = os.environ.get("XDG_CACHE_HOME")
    return (Path(usual) if usual else Path.home() / ".cache") / "evenflare"


def file_of(key: Mapping[str, Any]) -> Path:
    """The file of what depends on `key`, whether it is there or not."""
    text = json.dumps(key, sort_keys=True)
    return cache_folder() / "cabinets" / f"{hashlib.sha256(text.encode()).hexdigest()[:24]}.response"


def written(response: CabinetResponse, key: Mapping[str, Any]) -> Path | None:
    """Kept whole or not at all; None where the folder cannot be written: then it is solved again another time."""
    values = zip((response.far, response.back), KINDS, strict=True)
    arrays = [np.ascontiguousarray(each, dtype=kind) for each, kind in values]
    content = b"".join(each.tobytes() for each in arrays)
    header = {"of": dict(key), "far": arrays[0].shape, "back": arrays[1].shape, "sha256": _digest(content)}
    path = file_of(key)
    try:
        with replacing(path) as temporary:
            temporary.write_bytes(KIND + json.dumps(header).encode() + b"\n" + content)
    except (OSError, InputError):
        return None
    return path


def as_kept(response: CabinetResponse) -> CabinetResponse:
    """With the digits that a file holds."""
    return replace(response, far=response.far.astype(np.complex64).astype(np.complex128))


def found(key: Mapping[str, Any], *, wavenumber: float, mouth: Waves, around: Waves) -> CabinetResponse | None:
    """What was kept of that key; None if there is nothing. InputError, which names the file, if it is not whole."""
    path = file_of(key)
    if not path.is_file():
        return None
    whole = read_bytes(path, largest=LARGEST)
    kind, _, rest = whole.partition(b"\n")
    head, _, content = rest.partition(b"\n")
    shapes = (around.size, mouth.size), (mouth.size, mouth.size)
    try:
        header = json.loads(head) if kind + b"\n" == KIND else {}
        same = header["of"] == dict(key) and [tuple(header[name]) for name in ("far", "back")] == list(shapes)
        sound = same and header["sha256"] == _digest(content)
    except (ValueError, TypeError, KeyError, RecursionError):
        sound = False
    sizes = [np.dtype(kind).itemsize * rows * columns for kind, (rows, columns) in zip(KINDS, shapes, strict=True)]
    if not sound or len(content) != sum(sizes):
        raise InputError(f"{path}: is damaged, or no response of this cabinet. It is made again")
    parts = content[: sizes[0]], content[sizes[0] :]
    far, back = (
        np.frombuffer(part, dtype=kind).astype(np.complex128).reshape(shape)
        for part, kind, shape in zip(parts, KINDS, shapes, strict=True)
    )
    return CabinetResponse(wavenumber, mouth, around, far, back)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
