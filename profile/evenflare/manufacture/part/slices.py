"""A solid cut by a half-plane through its axis: what a drawing shows as its section."""

from __future__ import annotations

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.solid import Mesh
from evenflare.units import MILLIMETRE, FloatArray


def slices(mesh: Mesh, *, azimuth: float = 0.0) -> tuple[FloatArray, ...]:
    """The closed outlines (N, 2) in (z, across), m, of a solid cut by the plane through its axis at `azimuth` (rad).

    Works on any solid, whatever was taken from it. Single precision: good to 0.1 um on 300 mm.
    Errors : InputError if the mesh is not a solid.
    """
    # manifold3d slices at a constant third coordinate: the solid is laid down so that the plane is that.
    x, y, z = mesh.vertices.T
    beside, ahead = x * np.cos(azimuth) + y * np.sin(azimuth), y * np.cos(azimuth) - x * np.sin(azimuth)
    # (z, beside, ahead) is an even permutation of (beside, ahead, z): triangles keep their sense.
    return _cut(np.column_stack([z, beside, ahead]), mesh, 0.0)


def across(mesh: Mesh, z: float) -> FloatArray:
    """The outermost outline (N, 2) in (x, y), m, of a solid at a height. Errors : as slices."""
    return max(_cut(mesh.vertices, mesh, z), key=lambda outline: float(np.hypot(*outline.T).max()))


def _cut(vertices: FloatArray, mesh: Mesh, height: float) -> tuple[FloatArray, ...]:
    from manifold3d import Manifold
    from manifold3d import Mesh as Body

    body = Manifold(Body((vertices / MILLIMETRE).astype(np.float32), mesh.faces.astype(np.uint32)))
    if body.is_empty():
        raise InputError(f"the solid's mesh cannot be cut ({body.status()}). Lower --chord-error-mm")
    return tuple(np.asarray(each, dtype=float) * MILLIMETRE for each in body.slice(height / MILLIMETRE).to_polygons())
