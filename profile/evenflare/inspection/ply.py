"""Points of a PLY file: ASCII, or binary of either byte order; a mesh or a cloud, with normals or without.

Source: Turk (1994), The PLY polygon format (from memory).
"""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np

from evenflare.files import short
from evenflare.units import FloatArray, IntArray

MOST = 5_000_000
"""Points of a scan."""
_HEADER = 20_000
"""Bytes of a header at most, and
_PROPERTIES of an element.
"""
_PROPERTIES = 64
_CODES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_ORDER = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_NORMAL = ("nx", "ny", "nz")
_END = re.compile(rb"(?:^|\n)end_header[ \t]*(?:\r\n|\n|\r)")


class Ply(NamedTuple):
    """points (N, 3) in the file's unit, normals (N, 3) or None, triangles (T, 3) or None."""

    points: FloatArray
    normals: FloatArray | None
    triangles: IntArray | None


class Element(NamedTuple):
    """What a header says of one: its properties' names and types; of a list, the types of its count and its items."""

    name: str
    number: int
    properties: list[tuple[str, str, str]]


def ply(content: bytes) -> Ply:
    """What a PLY file holds. ValueError, in words, for what is no such file, or more than MOST points."""
    end = _END.search(content, 0, _HEADER)
    if not content.startswith(b"ply") or end is None:
        raise ValueError("is no PLY file: it begins with no header of one. Export it again")
    order, elements = _header(content[: end.start()].decode("ascii", errors="replace").splitlines())
    if not elements or elements[0].name != "vertex":
        raise ValueError("its first element is not vertex: must be. Export it again")
    vertex = elements[0]
    if vertex.number > MOST:
        raise ValueError(
            f"says that it holds {vertex.number} points: must be at most {MOST}. Thin it, and export it again"
        )
    names = [name for name, _, _ in vertex.properties]
    if (
        any(kind for _, kind, _ in vertex.properties)
        or not {"x", "y", "z"} <= set(names)
        or len(set(names)) < len(names)
    ):
        raise ValueError("its vertices have not x, y and z once each, and no lists: must have. Export it again")
    body = content[end.end() :]
    if order:
        held, rest = _binary(body, vertex, order)
    else:
        held, rest = _text(body, vertex)
    columns = {name: held[name].astype(np.float64) for name in ["x", "y", "z", *_NORMAL] if name in names}
    points = np.column_stack([columns[each] for each in ("x", "y", "z")])
    normals = None
    if set(_NORMAL) <= set(names):
        normals = np.column_stack([columns[each] for each in _NORMAL])
    triangles = None
    if len(elements) > 1 and elements[1].name == "face" and elements[1].number:
        triangles = _triangles(rest, elements[1], order, vertex.number)
    return Ply(points, normals, triangles)


def _header(lines: list[str]) -> tuple[str, list[Element]]:
    order: str | None = None
    elements: list[Element] = []
    for line in lines[1:]:
        words = line.split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) == 3 and words[1] in _ORDER:
            order = _ORDER[words[1]]
        elif words[0] == "element" and len(words) == 3 and words[2].isascii() and words[2].isdigit():
            elements.append(Element(words[1], int(words[2][:12]), []))
        elif words[0] == "property" and elements and len(elements[-1].properties) < _PROPERTIES:
            elements[-1].properties.append(_property(line, words))
        else:
            raise ValueError(f"its header has a line that is none of PLY's: {short(line)}. Export it again")
    if order is None:
        raise ValueError(f"its header names no format: must be {', '.join(_ORDER)}. Export it again")
    return order, elements


def _property(line: str, words: list[str]) -> tuple[str, str, str]:
    """Name, type of a list's count or "", type."""
    if len(words) == 3 and words[1] in _CODES:
        return words[2], "", _CODES[words[1]]
    if len(words) == 5 and words[1] == "list" and words[2] in _CODES and words[3] in _CODES:
        return words[4], _CODES[words[2]], _CODES[words[3]]
    raise ValueError(f"its header has a property of no known type: {short(line)}. Export it again")


def _short(wanted: int, what: str) -> ValueError:
    return ValueError(f"ends before the {wanted} {what} that its header promises. Copy or export it again")


def _binary(body: bytes, vertex: Element, order: str) -> tuple[dict[str, FloatArray], bytes]:
    record = np.dtype([(name, order + code) for name, _, code in vertex.properties])
    size = record.itemsize * vertex.number
    if len(body) < size:
        raise _short(vertex.number, "vertices")
    held = np.frombuffer(body, dtype=record, count=vertex.number)
    return {name: held[name] for name, _, _ in vertex.properties}, body[size:]


def _text(body: bytes, vertex: Element) -> tuple[dict[str, FloatArray], bytes]:
    width = len(vertex.properties)
    # A number and what parts it from the next take two bytes at least.
    if len(body) + 1 < 2 * width * vertex.number:
        raise _short(vertex.number, "vertices")
    lines = body.split(b"\n", vertex.number)
    if len(lines) < vertex.number:
        raise _short(vertex.number, "vertices")
    rest = lines[vertex.number] if len(lines) > vertex.number else b""
    held = np.empty((vertex.number, width))
    for i, line in enumerate(lines[: vertex.number]):
        try:
            held[i] = [float(word) for word in line.split()]
        except ValueError:
            raise ValueError(
                f"vertex {i + 1} is {short(line.decode('ascii', errors='replace'))}: must be {width} numbers."
                " Correct it"
            ) from None
    return {name: held[:, i] for i, (name, _, _) in enumerate(vertex.properties)}, rest


def _triangles(body: bytes, face: Element, order: str, points: int) -> IntArray | None:
    """Of a mesh of triangles alone, the corners; None for other faces: points will do."""
    if len(face.properties) != 1 or not face.properties[0][1] or face.number > 3 * MOST:
        return None
    _, counts, items = face.properties[0]
    if order:
        record = np.dtype([("count", order + counts), ("corners", order + items, 3)])
        if len(body) < record.itemsize * face.number:
            return None
        held = np.frombuffer(body, dtype=record, count=face.number)
        number, corners = held["count"], held["corners"].astype(np.int64)
    else:
        if len(body) + 1 < 8 * face.number:
            return None
        words = body.split()
        if len(words) != 4 * face.number:
            return None
        try:
            table = np.array([int(word) for word in words], dtype=np.int64).reshape(-1, 4)
        except (ValueError, OverflowError):
            return None
        number, corners = table[:, 0], table[:, 1:]
    if np.any(number != 3) or corners.min() < 0 or corners.max() >= points:
        return None
    return corners
