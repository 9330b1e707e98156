"""A flat face of any outline, holes too, as a few quadrilaterals and triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import Delaunay, QhullError

from evenflare.units import DEGREE, BoolArray, FloatArray, IntArray

SQUARE = 55 * DEGREE
"""rad; two triangles are one quadrilateral where no corner of it is farther from a right angle."""
NARROWEST = 20 * DEGREE
"""rad; a triangle with a smaller angle that is no part of a quadrilateral gets a point more."""
ROUNDS = 60
MOST_ADDED = 400
"""Points, to mend narrow triangles: what is still narrow then stays so."""
SHORTEST = 1e-4
"""m, of what a side is cut into."""
INTRICATE = "the outline of a flat face is too intricate to be cut into panels"


@dataclass(frozen=True)
class QuadPieces:
    """Quadrilaterals.

    corners : (Q, 4, 2) m, counter-clockwise; those of a triangle end with the same one twice.
    sharp   : (Q, 4) whether the side from each corner to the next is a sharp edge.
    """

    corners: FloatArray
    sharp: BoolArray


def pieces_of(sides: FloatArray, sharp: BoolArray) -> QuadPieces:
    """Of the face to the left of sides (S, 2, 2), m, that close, each a sharp edge or not.

    ValueError if the outline is too intricate.
    """
    points, index = np.unique(sides.reshape(-1, 2), axis=0, return_inverse=True)
    ends = index.reshape(-1, 2)
    # What is as simple as it can be stays, however narrow.
    mends = len(ends) > 4
    added = 0
    for _ in range(ROUNDS):
        triangles = _triangles(points)
        missing = _missing(triangles, ends)
        if missing.any():
            points, ends, sharp = _halved(points, ends, sharp, missing)
            continue
        triangles = triangles[_within(points[triangles].mean(axis=1), points[ends])]
        pairs = _paired(points, triangles, ends)
        new, split = _mended(points, triangles, pairs, ends) if mends and added < MOST_ADDED else _NOTHING
        if not len(new) and not split.any():
            return _pieces(points, triangles, pairs, ends, sharp)
        added += len(new) + int(split.sum())
        if split.any():
            points, ends, sharp = _halved(points, ends, sharp, split)
        points = np.concatenate([points, new])
    mends = False
    triangles = _triangles(points)
    if _missing(triangles, ends).any():
        raise ValueError(INTRICATE)
    triangles = triangles[_within(points[triangles].mean(axis=1), points[ends])]
    return _pieces(points, triangles, _paired(points, triangles, ends), ends, sharp)


_NOTHING = (np.empty((0, 2)), np.zeros(1, dtype=bool))


def _triangles(points: FloatArray) -> IntArray:
    """(T, 3), counter-clockwise, none without area."""
    try:
        # Seen from its middle: coordinates of one size.
        found = Delaunay(points - points.mean(axis=0)).simplices.astype(np.int64)
    except QhullError as error:
        raise ValueError(INTRICATE) from error
    a, b, c = (points[found[:, i]] for i in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    found = np.where((area < 0.0)[:, None], found[:, ::-1], found)
    return np.asarray(found[np.abs(area) > 1e-12 * np.ptp(points, axis=0).max() ** 2])


def _codes(ends: IntArray, count: int) -> IntArray:
    """What tells undirected edges (E, 2) apart."""
    return np.asarray(ends.min(axis=-1) * count + ends.max(axis=-1))


def _edges(triangles: IntArray) -> IntArray:
    """(3 T, 2)"""
    return np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 2)


def _missing(triangles: IntArray, ends: IntArray) -> BoolArray:
    """(S,) which sides are no edges of triangles."""
    count = int(max(triangles.max(), ends.max())) + 1
    return ~np.isin(_codes(ends, count), _codes(_edges(triangles), count))


def _halved(
    points: FloatArray, ends: IntArray, sharp: BoolArray, which: BoolArray
) -> tuple[FloatArray, IntArray, BoolArray]:
    cut = ends[which]
    if np.linalg.norm(points[cut[:, 1]] - points[cut[:, 0]], axis=1).min() < SHORTEST:
        raise ValueError(INTRICATE)
    middle = len(points) + np.arange(len(cut))
    halves = np.concatenate([np.stack([cut[:, 0], middle], axis=1), np.stack([middle, cut[:, 1]], axis=1)])
    points = np.concatenate([points, points[cut].mean(axis=1)])
    return points, np.concatenate([ends[~which], halves]), np.concatenate([sharp[~which], sharp[which], sharp[which]])


def _within(places: FloatArray, sides: FloatArray) -> BoolArray:
    """(P,) whether places (P, 2) lie inside sides (S, 2, 2)."""
    x0, y0 = (sides[:, 0, axis] - places[:, None, axis] for axis in (0, 1))
    x1, y1 = (sides[:, 1, axis] - places[:, None, axis] for axis in (0, 1))
    crosses = (y0 > 0.0) != (y1 > 0.0)
    at = x0 - y0 * (x1 - x0) / np.where(crosses, y1 - y0, 1.0)
    return np.asarray(np.count_nonzero(crosses & (at > 0.0), axis=1) % 2 == 1)


def _angles(corners: FloatArray) -> FloatArray:
    """(Q, C) inside polygons (Q, C, 2)."""
    on, back = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    cross = on[..., 0] * back[..., 1] - on[..., 1] * back[..., 0]
    return np.asarray(np.arctan2(cross, np.sum(on * back, axis=-1)) % (2 * np.pi))


def _paired(points: FloatArray, triangles: IntArray, ends: IntArray) -> list[tuple[int, int, IntArray]]:
    """Pairs of triangles and the four corners that they make, the squarest first."""
    edges, owner = _edges(triangles), np.repeat(np.arange(len(triangles)), 3)
    codes = _codes(edges, len(points))
    order = np.argsort(codes, kind="stable")
    same = np.flatnonzero(np.diff(codes[order]) == 0)
    one, other = order[same], order[same + 1]
    inner = ~np.isin(codes[one], _codes(ends, len(points)))
    one, other = one[inner], other[inner]
    if not one.size:
        return []

    def beyond(edge: IntArray) -> IntArray:
        return np.asarray(triangles[owner[edge], (edge % 3 + 2) % 3])

    quads = np.stack([edges[one, 0], beyond(other), edges[one, 1], beyond(one)], axis=1)
    askew = np.abs(_angles(points[quads]) - 0.5 * np.pi).max(axis=1)
    taken: set[int] = set()
    found = []
    for i in np.argsort(askew, kind="stable").tolist():
        if askew[i] > SQUARE:
            break
        pair = int(owner[one[i]]), int(owner[other[i]])
        if taken.isdisjoint(pair):
            taken.update(pair)
            found.append((*pair, quads[i]))
    return found


def _mended(
    points: FloatArray, triangles: IntArray, pairs: list[tuple[int, int, IntArray]], ends: IntArray
) -> tuple[FloatArray, BoolArray]:
    """Points to be added where triangles alone are narrow, and which sides are to be halved.

    Source: Ruppert (1995), J. Algorithms 18, 548, without his proof: rounds are counted (from memory).
    """
    lone = np.ones(len(triangles), dtype=bool)
    for one, other, _ in pairs:
        lone[[one, other]] = False
    angles = _angles(points[triangles])
    narrow = np.flatnonzero(lone & (angles.min(axis=1) < NARROWEST))
    # An angle of the outline itself stays.
    codes = _codes(ends, len(points))
    kept = []
    for each in narrow.tolist():
        tip = int(angles[each].argmin())
        corners = triangles[each]
        beside = np.array([[corners[tip], corners[tip - 1]], [corners[tip], corners[(tip + 1) % 3]]])
        if not np.isin(_codes(beside, len(points)), codes).all():
            kept.append(each)
    split = np.zeros(len(ends), dtype=bool)
    if not kept:
        return np.empty((0, 2)), split
    a, b, c = np.moveaxis(points[triangles[kept]], 1, 0)
    u, v = b - a, c - a
    area = 2.0 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    uu, vv = np.sum(u * u, axis=1), np.sum(v * v, axis=1)
    middle = a + np.stack([v[:, 1] * uu - u[:, 1] * vv, u[:, 0] * vv - v[:, 0] * uu], axis=1) / area[:, None]
    radius = np.linalg.norm(middle - a, axis=1)
    centre, half = points[ends].mean(axis=1), 0.5 * np.linalg.norm(points[ends[:, 1]] - points[ends[:, 0]], axis=1)
    new: list[FloatArray] = []
    reach: list[float] = []
    for i in np.argsort(-radius, kind="stable").tolist():
        if any(np.linalg.norm(middle[i] - each) < max(radius[i], far) for each, far in zip(new, reach, strict=True)):
            continue
        in_way = (np.linalg.norm(centre - middle[i], axis=1) < half) & (half > SHORTEST)
        if in_way.any():
            split |= in_way
        elif _within(middle[i : i + 1], points[ends])[0]:
            new.append(middle[i])
            reach.append(float(radius[i]))
    return np.array(new).reshape(-1, 2), split


def _pieces(
    points: FloatArray,
    triangles: IntArray,
    pairs: list[tuple[int, int, IntArray]],
    ends: IntArray,
    sharp: BoolArray,
) -> QuadPieces:
    lone = np.ones(len(triangles), dtype=bool)
    quads = []
    for one, other, corners in pairs:
        lone[[one, other]] = False
        quads.append(corners)
    for corners in triangles[lone]:
        # Run into a point across from the shortest side.
        sides = np.linalg.norm(points[np.roll(corners, -1)] - points[corners], axis=1)
        first = int(sides.argmin())
        a, b, tip = np.roll(corners, -first)
        quads.append(np.array([a, b, tip, tip]))
    index = np.array(quads, dtype=np.int64).reshape(-1, 4)
    edges = np.stack([index, np.roll(index, -1, axis=1)], axis=2)
    is_sharp = np.isin(_codes(edges, len(points)), _codes(ends[sharp], len(points)))
    return QuadPieces(points[index], is_sharp & (edges[..., 0] != edges[..., 1]))
