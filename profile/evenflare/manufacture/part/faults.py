"""What is wrong with a solid, and where: told, and drawn as a mesh of its own."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from evenflare.files import InputError
from evenflare.units import MILLIMETRE, FloatArray, read_only

MARK = 1 * MILLIMETRE
"""Half the size of what stands for a place in a drawing of faults."""
SIDES = 48
"""Of a ring that stands for a place of a half-section."""
MOST = 200
"""Places that are drawn, at most."""


class SolidError(InputError):
    """There is no sound solid: what is wrong stands in the text, where in `places` or `triangles`, m.

    places    : (N, 3) points, or (N, 2) rings in (z, r); MOST of them are drawn at most.
    triangles : (N, 3, 3), of a mesh, drawn as they are.
    """

    def __init__(self, text: str, *, places: Any = (), triangles: FloatArray | None = None) -> None:
        super().__init__(text)
        self.places = read_only(np.atleast_2d(np.asarray(places, dtype=float)))
        self.triangles = read_only(np.empty((0, 3, 3)) if triangles is None else triangles)


def places_in(reason: str) -> FloatArray:
    """(N, 2): the places that a geometry library names in its reason, as "Self-intersection[0.05 0.03]"."""
    found = re.findall(r"\[(\S+) (\S+?)\]", reason)
    return np.array(found, dtype=float).reshape(-1, 2)


def drawn(fault: SolidError) -> FloatArray:
    """(N, 3, 3), m, triangles at the places of a fault: an octahedron at a point, a ring of square section around the
    axis at a place of a half-section, and the faulty triangles themselves. Empty if it has no place.
    """
    # Of places within a mark of each other one stands for all.
    _, first = np.unique(np.round(fault.places / MARK), axis=0, return_index=True)
    places = fault.places[np.sort(first)][:MOST]
    marks = [fault.triangles]
    if places.size:
        marks += [_octahedron(place) if place.size == 3 else _ring(*place.tolist()) for place in places]
    return np.concatenate(marks)


def _octahedron(place: FloatArray) -> FloatArray:
    x, y, z = MARK * np.eye(3)
    faces = [(a, b, c) for a in (x, -x) for b in (y, -y) for c in (z, -z)]
    outward = [face if np.linalg.det(face) > 0.0 else face[::-1] for face in faces]
    return np.asarray(outward) + place


def _ring(z: float, r: float) -> FloatArray:
    section = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * 0.5 * MARK + (z, max(r, MARK))
    turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
    across = section[:, 1, None, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    points = np.concatenate([across, np.broadcast_to(section[:, 0, None, None], (4, SIDES, 1))], axis=-1)
    row, side = np.roll(points, -1, axis=0), np.roll(points, -1, axis=1)
    both = np.roll(row, -1, axis=1)
    first, second = np.stack([points, row, both], axis=2), np.stack([points, both, side], axis=2)
    return np.concatenate([first, second]).reshape(-1, 3, 3)
