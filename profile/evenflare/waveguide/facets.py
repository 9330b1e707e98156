"""Triangles of any file as one closed body of flat faces: joined, turned the right way out, and sorted by plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from evenflare.units import DEGREE, MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide.crossings import crossings

WELD = 1e-6
"""m; corners closer than this are one: files hold single precision, 3e-8 m at half a metre."""
FLAT = 1e-5
"""m; corners of one flat face lie within this of its plane, and a triangle lower than this has no plane of its own."""
LEVEL = 0.2 * DEGREE
"""rad, between triangles of one flat face at most: finely cut curves stay curves."""


@dataclass(frozen=True)
class Facets:
    """A closed body.

    vertices : (V, 3) m.
    faces    : (T, 3) corners, counter-clockwise seen from outside.
    flat     : (T,) which flat face each triangle is of; -1 for one without a plane that no face takes in.
    normal   : (R, 3) of the flat faces, unit, outward.
    area     : (R,) m2.
    """

    vertices: FloatArray
    faces: IntArray
    flat: IntArray
    normal: FloatArray
    area: FloatArray


def facets_of(corners: FloatArray) -> Facets:
    """The body that triangles with these corners (T, 3, 3), m, bound, in any order and turned any way.

    ValueError, which says what is wrong and where, unless they bound one body that does not pass through itself.
    """
    vertices, faces = _welded(corners)
    faces = _turned(vertices, faces)
    pairs = crossings(vertices, faces)
    if pairs.size:
        raise ValueError(
            f"passes through itself at {_place(vertices, faces[pairs[0, 0]])} ({len(pairs)} pairs of triangles). Unite"
            " its parts into one body"
        )
    flat = _flats(vertices, faces)
    crossed = _crossed(vertices, faces)
    total = np.zeros((flat.max() + 1, 3))
    np.add.at(total, flat[flat >= 0], crossed[flat >= 0])
    area = np.linalg.norm(total, axis=1)
    return Facets(vertices, faces, flat, total / area[:, None], 0.5 * area)


def volume(vertices: FloatArray, faces: IntArray) -> float:
    """m3, by Gauss's theorem; negative for a body turned inside out."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.sum(np.cross(a, b) * c) / 6.0)


def edges_of(faces: IntArray) -> tuple[IntArray, IntArray]:
    """Of a closed body: edges (E, 2) by their corners, as the first of its two triangles runs round it, and these
    triangles (E, 2).
    """
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.lexsort((np.maximum(start, end), np.minimum(start, end)))
    first, second = order[::2], order[1::2]
    return np.stack([start[first], end[first]], axis=1), np.stack([owner[first], owner[second]], axis=1)


def _place(vertices: FloatArray, corners: IntArray) -> str:
    middle = vertices[corners].mean(axis=0) / MILLIMETRE
    return ", ".join(f"{axis} = {value:.4g}" for axis, value in zip("xyz", middle.tolist(), strict=True)) + " mm"


def _crossed(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(T, 3) twice the area, along the normal."""
    return np.cross(vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]])


def _welded(corners: FloatArray) -> tuple[FloatArray, IntArray]:
    """Vertices and faces, without triangles that two equal corners make nothing of."""
    places, index = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    near = cKDTree(places).query_pairs(WELD, output_type="ndarray")
    links = coo_matrix((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(len(places), len(places)))
    _, group = connected_components(links, directed=False)
    _, first = np.unique(group, return_index=True)
    faces = group[index.reshape(-1, 3)]
    faces = faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
    return places[first], faces.astype(np.int64)


def _turned(vertices: FloatArray, faces: IntArray) -> IntArray:
    """The faces of a closed body with their outsides out. ValueError where they bound none, or more than one."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    ends = np.stack([np.minimum(start, end), np.maximum(start, end)], axis=1)
    edges, which, met = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    if not len(faces) or (met != 2).any():
        loose = edges[met != 2]
        where = f" at {_place(vertices, loose[0])}" if len(loose) else ""
        raise ValueError(
            f"is not closed{where}: {len(loose)} edges are not those of exactly two triangles. Close its holes, and"
            " remove surfaces inside it"
        )
    order = np.argsort(which.ravel(), kind="stable")
    one, other = order[::2], order[1::2]
    # Two nodes for each face, as it is and turned over; what runs along an edge the same way must be unlike.
    count, a, b = len(faces), one // 3, other // 3
    alike = start[one] != start[other]
    rows = np.concatenate([a, a + count])
    columns = np.concatenate([np.where(alike, b, b + count), np.where(alike, b + count, b)])
    links = coo_matrix((np.ones(rows.size), (rows, columns)), shape=(2 * count, 2 * count))
    _, side = connected_components(links, directed=False)
    if (side[:count] == side[count:]).any():
        raise ValueError("has no outside: its surface runs over from the outer to the inner side. Draw it again")
    bodies, of = connected_components(coo_matrix((np.ones(a.size), (a, b)), shape=(count, count)), directed=False)
    if bodies > 1:
        apart = faces[of != np.bincount(of).argmax()]
        raise ValueError(
            f"falls into {bodies} surfaces, bodies apart or a void, one at {_place(vertices, apart[0])}. Keep the"
            " outer surface of one body"
        )
    faces = np.where((side[:count] == side[0])[:, None], faces, faces[:, ::-1])
    return faces if volume(vertices, faces) > 0.0 else np.ascontiguousarray(faces[:, ::-1])


def _flats(vertices: FloatArray, faces: IntArray) -> IntArray:
    """(T,) as Facets.flat, numbered from the first."""
    _, pairs = edges_of(faces)
    crossed = _crossed(vertices, faces)
    double = np.linalg.norm(crossed, axis=1)
    sides = np.linalg.norm(vertices[faces] - vertices[np.roll(faces, 1, axis=1)], axis=2)
    has_plane = double > FLAT * sides.max(axis=1)
    normal = crossed / np.maximum(double, 1e-300)[:, None]

    def off(of: IntArray, at: IntArray) -> FloatArray:
        """m, by which triangles `at` leave the planes of those `of`."""
        apart = vertices[faces[at]] - vertices[faces[of, 0]][:, None]
        return np.asarray(np.abs(np.einsum("eki,ei->ek", apart, normal[of])).max(axis=1))

    a, b = pairs.T
    level = has_plane[a] & has_plane[b] & (np.sum(normal[a] * normal[b], axis=1) > np.cos(LEVEL))
    level &= np.maximum(off(a, b), off(b, a)) < FLAT
    a, b = a[level], b[level]
    size = (len(faces), len(faces))
    _, group = connected_components(coo_matrix((np.ones(a.size), (a, b)), shape=size), directed=False)
    # A curve of very fine facets would run on from each to the next: its triangles stand alone.
    largest = np.zeros(group.max() + 1, dtype=np.int64)
    order = np.argsort(double, kind="stable")
    largest[group[order]] = order
    bent = np.zeros(largest.size, dtype=bool)
    np.logical_or.at(bent, group, off(largest[group], np.arange(len(faces))) > 2 * FLAT)
    alone = bent[group]
    group = np.where(alone, group.max() + 1 + np.arange(len(faces)), group)
    group[~has_plane] = -1
    group = _taken_in(group, pairs, vertices, faces, normal, double)
    # What slivers kept apart is one face where it has one plane.
    largest = np.zeros(group.max() + 1, dtype=np.int64)
    order = order[group[order] >= 0]
    largest[group[order]] = order
    ends = group[pairs]
    ends = np.unique(ends[(ends[:, 0] != ends[:, 1]) & (ends.min(axis=1) >= 0)], axis=0)
    ends = ends[~alone[largest[ends]].any(axis=1)]
    a, b = largest[ends].T
    same = np.sum(normal[a] * normal[b], axis=1) > np.cos(LEVEL)
    same &= np.maximum(off(a, b), off(b, a)) < 2 * FLAT
    links = coo_matrix((np.ones(same.sum()), (ends[same, 0], ends[same, 1])), shape=(largest.size, largest.size))
    _, merged = connected_components(links, directed=False)
    return np.where(group >= 0, merged[group], -1)


def _taken_in(
    group: IntArray, pairs: IntArray, vertices: FloatArray, faces: IntArray, normal: FloatArray, double: FloatArray
) -> IntArray:
    """Triangles without a plane of their own go to the face beside them in whose plane they lie."""
    group = group.copy()
    both = np.concatenate([pairs, pairs[:, ::-1]])
    while True:
        mine = both[(group[both[:, 0]] < 0) & (group[both[:, 1]] >= 0)]
        if not len(mine):
            break
        # The beside with the largest area says the plane best.
        mine = mine[np.argsort(double[mine[:, 1]], kind="stable")]
        apart = vertices[faces[mine[:, 0]]] - vertices[faces[mine[:, 1], 0]][:, None]
        there = np.abs(np.einsum("eki,ei->ek", apart, normal[mine[:, 1]])).max(axis=1) < 2 * FLAT
        there &= double[mine[:, 1]] > 0.0
        if not there.any():
            break
        taken = mine[there]
        normal, double = normal.copy(), double.copy()
        group[taken[:, 0]] = group[taken[:, 1]]
        normal[taken[:, 0]] = normal[taken[:, 1]]
        double[taken[:, 0]] = double[taken[:, 1]]
    known = group >= 0
    numbered = np.full(group.size, -1)
    numbered[known] = np.unique(group[known], return_inverse=True)[1].ravel()
    return numbered
