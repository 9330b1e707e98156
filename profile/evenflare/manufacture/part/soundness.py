"""Whether a mesh, as a file holds it, bounds one body: closed, in one piece, nowhere through itself."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture.part.boolean import surfaces
from evenflare.manufacture.part.faults import SolidError
from evenflare.manufacture.part.solid import Mesh, volume
from evenflare.units import MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide.crossings import crossings


def check_sound(mesh: Mesh) -> None:
    """Nothing for a mesh that is sound in single precision and mm, as STL holds it; nothing is ever mended.

    Errors : SolidError with the faulty triangles: an edge that is not met by exactly one other the other way round
             (a gap, or sheets that touch), a triangle without area, more than one surface (a body apart, or a void),
             an inside that is out, triangles through one another (see crossings).
    """
    held = (mesh.vertices / MILLIMETRE).astype(np.float32)
    places, index = np.unique(held, axis=0, return_inverse=True)
    vertices, faces = places.astype(float) * MILLIMETRE, index.reshape(-1)[mesh.faces]
    flat = (faces == np.roll(faces, -1, axis=1)).any(axis=1)
    if flat.any():
        raise _fault("has triangles without area", mesh.vertices, mesh.faces[flat])
    loose = _loose(faces)
    if loose.any():
        raise _fault("is not closed", vertices, faces[loose])
    of, count = surfaces(len(vertices), faces)
    if count != 1:
        smaller = of[faces[:, 0]] != np.bincount(of[faces[:, 0]]).argmax()
        raise _fault(f"falls into {count} surfaces, bodies apart or a void,", vertices, faces[smaller])
    if volume(mesh) <= 0.0:
        raise _fault("is inside out", vertices, faces)
    pairs = crossings(vertices, faces)
    if pairs.size:
        raise _fault("passes through itself", vertices, faces[np.unique(pairs)])


def _loose(faces: IntArray) -> IntArray:
    """(N,) whether a face has an edge that is not met by exactly one other, the other way round."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    width = int(faces.max()) + 1
    there, back = start * width + end, end * width + start
    edges, met = np.unique(there, return_counts=True)
    place = np.minimum(np.searchsorted(edges, back), edges.size - 1)
    good = (edges[place] == back) & (met[place] == 1) & (met[np.searchsorted(edges, there)] == 1)
    return np.asarray(~good.reshape(-1, 3).all(axis=1))


def _fault(what: str, vertices: FloatArray, faces: IntArray) -> SolidError:
    place = vertices[faces[0]].mean(axis=0) / MILLIMETRE
    where = ", ".join(f"{axis} = {value:.4g}" for axis, value in zip("xyz", place.tolist(), strict=True))
    return SolidError(
        f"[solid] the mesh {what} at {where} mm ({len(faces)} triangles). Change --chord-error-mm, the profile or"
        " [solid]",
        places=vertices[faces].mean(axis=1),
        triangles=vertices[faces],
    )
