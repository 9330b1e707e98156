"""Triangles of a mesh that pass through one another."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from evenflare.units import BoolArray, FloatArray, IntArray

DEEP = 1e-6
"""m; what reaches no deeper through a triangle than this is rounding: files hold single precision."""
_LEAF = 4
_CHUNK = 1 << 15
"""Triangles looked up at a time: about 200 MB."""


def crossings(vertices: FloatArray, faces: IntArray, *, deep: float = DEEP) -> IntArray:
    """Pairs (P, 2) of faces one of which has an edge through the other, more than `deep` (m) beyond it on either side.

    vertices : (V, 3) m; faces : (N, 3). Faces that share a vertex are not compared, nor are faces in one plane.
    Each edge is cut with each triangle near it (Moller and Trumbore 1997), near by a tree of boxes in Morton's order.
    """
    triangles = vertices[faces]
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 1])
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-30)[:, None]
    found: list[IntArray] = [np.empty((0, 2), dtype=np.int64)]
    for pairs in _near(triangles):
        shared = (faces[pairs[:, 0], :, None] == faces[pairs[:, 1], None, :]).any(axis=(1, 2))
        pairs = pairs[~shared]
        one, other = pairs.T
        through = _pierced(triangles, normals, one, other, deep) | _pierced(triangles, normals, other, one, deep)
        found.append(pairs[through])
    return np.concatenate(found)


def _near(triangles: FloatArray) -> Iterator[IntArray]:
    """Pairs (P, 2) of triangles whose boxes overlap, each once, in portions."""
    boxes = np.concatenate([triangles.min(axis=1), -triangles.max(axis=1)], axis=1)
    boxes = boxes[order := np.argsort(_morton(triangles.mean(axis=1)), kind="stable")]
    count, leaves = len(order), 1 << max(0, int(np.ceil(np.log2(max(1.0, len(order) / _LEAF)))))
    level = np.full((leaves * _LEAF, 6), np.inf)
    level[:count] = boxes
    level = level.reshape(leaves, _LEAF, 6).min(axis=1)
    levels = [np.ascontiguousarray(level.T)]
    while levels[-1].shape[1] > 1:
        levels.append(np.minimum(levels[-1][:, ::2], levels[-1][:, 1::2]))
    sides = np.ascontiguousarray(boxes.T)
    for start in range(0, count, _CHUNK):
        asked = np.arange(start, min(start + _CHUNK, count))
        node = np.zeros(len(asked), dtype=np.int64)
        for below in reversed(levels):
            width = below.shape[1]
            # Only what stands later in the order: each pair is met once.
            asked, node = _kept(asked, node, (node + 1) * (leaves // width * _LEAF) > asked)
            asked, node = _overlapping(sides, asked, below, node)
            if width < leaves:
                asked, node = np.repeat(asked, 2), (2 * node[:, None] + np.arange(2)).ravel()
        other = (node[:, None] * _LEAF + np.arange(_LEAF)).ravel()
        asked = np.repeat(asked, _LEAF)
        asked, other = _kept(asked, other, (other > asked) & (other < count))
        asked, other = _overlapping(sides, asked, sides, other)
        yield order[np.column_stack([asked, other])]


def _kept(asked: IntArray, other: IntArray, kept: BoolArray) -> tuple[IntArray, IntArray]:
    return asked[kept], other[kept]


def _overlapping(first: FloatArray, asked: IntArray, second: FloatArray, other: IntArray) -> tuple[IntArray, IntArray]:
    """The pairs whose boxes overlap: (6, N), three lower ends and three upper ones with the sign turned."""
    for axis in range(6):
        asked, other = _kept(asked, other, first[axis][asked] <= -second[(axis + 3) % 6][other])
    return asked, other


def _morton(points: FloatArray) -> IntArray:
    """Codes (N,) by which points near to each other mostly stand near to each other: 20 bits of each coordinate."""
    low, size = points.min(axis=0), np.ptp(points, axis=0).max() or 1.0
    cell = ((points - low) / size * ((1 << 20) - 1)).astype(np.int64)
    code = np.zeros(len(points), dtype=np.int64)
    for bit in range(20):
        for axis in range(3):
            code |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return code


def _pierced(triangles: FloatArray, normals: FloatArray, of: IntArray, through: IntArray, deep: float) -> BoolArray:
    """Whether an edge of the triangles `of` (P,) goes through those of `through`, by `deep` and that far from edges.

    normals : (N, 3), unit, of the triangles.
    """
    normal = normals[through]
    height = np.einsum("pki,pi->pk", triangles[of] - triangles[through, :1], normal)
    found = np.zeros(len(of), dtype=bool)
    # Most triangles lie on one side of the other's plane.
    some = np.flatnonzero((height.min(axis=1) < -deep) & (height.max(axis=1) > deep))
    height, normal, start, corner = height[some], normal[some], triangles[of[some]], triangles[through[some]]
    # Unit, within the plane, into the triangle from each of its sides.
    inward = np.cross(normal[:, None], np.roll(corner, -1, axis=1) - corner)
    inward = inward / np.maximum(np.linalg.norm(inward, axis=2, keepdims=True), 1e-30)
    for k in range(3):
        first, last = height[:, k], height[:, (k + 1) % 3]
        beyond = (np.minimum(first, last) < -deep) & (np.maximum(first, last) > deep)
        rows = np.flatnonzero(beyond)
        share = (first[rows] / (first[rows] - last[rows]))[:, None]
        place = start[rows, k] + share * (start[rows, (k + 1) % 3] - start[rows, k])
        inside = np.einsum("pki,pki->pk", place[:, None] - corner[rows], inward[rows])
        found[some[rows]] |= (inside > deep).all(axis=1)
    return found
