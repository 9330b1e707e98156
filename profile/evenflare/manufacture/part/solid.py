"""The part as a watertight mesh of triangles: a half-section turned about the axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenflare.files import InputError
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.outline import Sizes, outline
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import Meridian

LARGEST_MESH = 5_000_000
"""Triangles, 250 MB as a file."""


@dataclass(frozen=True)
class Mesh:
    """A closed surface of triangles, counter-clockwise seen from outside.

    vertices : (V, 3) m; z is the axis, z = 0 the throat plane.
    faces    : (N, 3) indices of vertices.
    """

    vertices: FloatArray
    faces: NDArray[Any]

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", read_only(self.vertices))
        object.__setattr__(self, "faces", read_only(self.faces, np.int64))


def build(meridian: Meridian, sizes: Sizes, *, chord_error: float, features: Features = PLAIN) -> Mesh:
    """The solid of a waveguide. Its surface departs from the exact one by at most `chord_error` (m).

    Half of the error is left to the chords along the wall and half to those around the axis: on a concave wall they
    add up. Vertices lie on the surface; chords around the axis lie inside their circle, so that the bore is narrower
    and the rim smaller than drawn; chords of a wall that bulges into the air make the bore wider.
    features : fitted to the part; a seat's holes are not among what is cut here, see boolean.drilled.
    Errors: InputError if there is no such solid, or its mesh would be larger than LARGEST_MESH.
    """
    half = 0.5 * checked_chord_error(chord_error)
    return revolved(outline(meridian, sizes, chord_error=half, features=features), chord_error=half)


def revolved(ring: FloatArray, *, chord_error: float) -> Mesh:
    """A closed outline (M, 2) in (z, r), m, counter-clockwise and clear of the axis, turned about it.

    The number of sides is a multiple of four, so that the box is exact, and keeps the sagitta R (1 - cos(pi/n)) of the
    largest circle within `chord_error` (m).
    """
    largest = float(ring[:, 1].max())
    sides = _sides(largest, chord_error)
    rows = ring.shape[0]
    if 2 * rows * sides > LARGEST_MESH:
        raise InputError(
            f"--chord-error-mm = {2 * chord_error / MILLIMETRE:g}: would need {2 * rows * sides} triangles, more than"
            f" {LARGEST_MESH}. Raise it"
        )
    turn = 2 * np.pi * np.arange(sides) / sides
    z, r = ring[:, :1], ring[:, 1:]
    vertices = np.stack([r * np.cos(turn), r * np.sin(turn), z + 0.0 * turn], axis=-1).reshape(-1, 3)

    row, side = np.divmod(np.arange(rows * sides), sides)
    next_row, next_side = (row + 1) % rows, (side + 1) % sides
    a, b = row * sides + side, next_row * sides + side
    c, d = next_row * sides + next_side, row * sides + next_side
    return Mesh(vertices, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]))


def circle(radius: float, *, chord_error: float) -> FloatArray:
    """Corners (M, 2) on a circle about the origin, m, counter-clockwise; their chords lie within `chord_error` (m).

    Their number is a multiple of four, so that the box is exact.
    """
    sides = _sides(radius, chord_error)
    turn = 2 * np.pi * np.arange(sides) / sides
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def _sides(radius: float, chord_error: float) -> int:
    quarter = 0.25 * np.pi / np.arccos(max(0.0, 1.0 - chord_error / radius))
    return 4 * max(4, int(np.ceil(quarter - 1e-9)))


def volume(mesh: Mesh) -> float:
    """m3, inside the mesh: the sum of its triangles' tetrahedra with the origin (divergence theorem)."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)
