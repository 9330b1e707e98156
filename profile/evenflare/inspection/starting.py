"""Where a scan lies, from nothing: any position and orientation, parts missing, other surfaces and stray points in it.

Pairs of points with their normals, of the scan, are matched to pairs of the drawn wall that look alike (the distance,
and its angles with both normals and theirs with each other). Each match is a pose; that which lays most of the scan on
the wall is the start.
Source: point-pair features, Drost et al. (2010), Model globally, match locally, CVPR; here pairs are drawn at random
instead of voted for, as in Fischler and Bolles (1981), RANSAC, CACM 24 (both from memory).
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any, NamedTuple

import numpy as np
from scipy.spatial import cKDTree

from evenflare.inspection.feet import DrawnFeet
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray

NEIGHBOURS = 14
"""Of a point, through which its normal is found."""
MODEL, PAIRS, JUDGES = 420, 2600, 160
"""Places on the drawn wall, pairs of the scan that are drawn, and its points on which a pose is judged."""
ANGLE = 0.09
"""rad, and
NEAR share of the wall's size: by which features may differ.
"""
NEAR = 0.02
FEWEST = 150
"""Points from which normals are found; with fewer the scan's own coordinates are the only start."""
ALONG = 0.95
"""Cosine between a point's normal and the wall's, from which on it faces as the wall does."""
TRIED, MANY = 150, 0.04
"""Points through which planes are tried, and the share of a scan that one holds; its points lie within
PLANE of the scan's size, and face as it does within
FLAT, a cosine.
"""
PLANE, FLAT = 0.001, 0.995
_LONG = 0.25
_KEPT = 24
_AT_ONCE = 16
"""Points on which poses are judged before those that have fallen behind are left out."""
_ROUNDING = 1e-9


class Pose(NamedTuple):
    """part = rotation @ scan + shift, m."""

    rotation: FloatArray
    shift: FloatArray

    def of(self, points: FloatArray) -> FloatArray:
        """(N, 3), laid so."""
        return np.asarray(points @ self.rotation.T + self.shift)


def normals_of(points: FloatArray) -> FloatArray:
    """(N, 3) unit, of a sign at will: of the plane through a point's neighbours."""
    near = cKDTree(points).query(points, k=min(NEIGHBOURS, len(points)))[1]
    patch = points[near] - points[near].mean(axis=1, keepdims=True)
    return np.asarray(np.linalg.eigh(np.einsum("nki,nkj->nij", patch, patch))[1][:, :, 0])


def starts(points: FloatArray, normals: FloatArray | None, drawn: DrawnFeet) -> list[list[Pose]]:
    """Poses to refine, the likeliest first; the scan's own coordinates are the last of each row. A row from all points,
    and one from those that lie on no large plane: tables, flanges and the sides of a block are none of a wall.

    points  : (N, 3) m, thinned: some thousands.
    normals : (N, 3) unit, of either sign, or None.
    """
    if len(points) < FEWEST:
        return [[Pose(np.eye(3), np.zeros(3))]]
    normals = normals_of(points) if normals is None else normals
    pairs = _pairs_of(drawn)
    found = [_starts(points, normals, drawn, pairs)]
    rest = ~on_planes(points, normals)
    if FEWEST <= np.count_nonzero(rest) < len(points):
        found.append(_starts(points[rest], normals[rest], drawn, pairs))
    return found


def on_planes(points: FloatArray, normals: FloatArray) -> BoolArray:
    """(N,) which points lie, and face, as a plane does that holds many of them."""
    rng = np.random.default_rng(0)
    near = max(PLANE * float(np.linalg.norm(np.ptp(points, axis=0))), 0.3 * MILLIMETRE)
    found = np.zeros(len(points), dtype=bool)
    for k in rng.integers(len(points), size=TRIED):
        if found[k]:
            continue
        away, aside = normals[k], np.abs((points - points[k]) @ normals[k])
        for _ in range(2):
            on = (aside < near) & (np.abs(normals @ away) > FLAT)
            if np.count_nonzero(on) < max(MANY * len(points), 10):
                break
            middle = points[on].mean(axis=0)
            away = np.linalg.eigh(np.cov((points[on] - middle).T))[1][:, 0]
            aside = np.abs((points - middle) @ away)
        else:
            found |= (aside < near) & (np.abs(normals @ away) > FLAT)
    return found


class _WallPairs(NamedTuple):
    """Of places (M, 3) m of the drawn wall, of a `size` (m), with normals `away`: which are a pair (P,) each, and a
    tree of how pairs look, in units (4,) by which features may differ. rng : what drew the places; each row of starts
    goes on from there by itself.
    """

    places: FloatArray
    away: FloatArray
    size: float
    first: IntArray
    second: IntArray
    unit: FloatArray
    tree: Any
    rng: np.random.Generator


def _pairs_of(drawn: DrawnFeet) -> _WallPairs:
    rng = np.random.default_rng(0)
    places, away = _model(drawn, rng)
    size = float(np.linalg.norm(np.ptp(places, axis=0)))
    first, second = (each.ravel() for each in np.meshgrid(np.arange(len(places)), np.arange(len(places))))
    long = np.linalg.norm(places[second] - places[first], axis=1) > _LONG * size
    first, second = first[long], second[long]
    unit = np.array([NEAR * size, ANGLE, ANGLE, ANGLE])
    features = _features(places, away, first, second) / unit
    # Asked a few thousand times, of a hundred thousand pairs: what is built in half the time is found as quickly.
    tree = cKDTree(features, balanced_tree=False, compact_nodes=False)
    return _WallPairs(places, away, size, first, second, unit, tree, rng)


def _starts(points: FloatArray, normals: FloatArray, drawn: DrawnFeet, pairs: _WallPairs) -> list[Pose]:
    own = Pose(np.eye(3), np.zeros(3))
    model, away, size, first, second, unit, tree, rng = pairs
    rng = deepcopy(rng)
    one, other = rng.integers(len(points), size=(2, 12 * PAIRS))
    apart = np.linalg.norm(points[other] - points[one], axis=1)
    fit = np.flatnonzero((apart > _LONG * size) & (apart < 1.05 * size))[:PAIRS]
    if not fit.size:
        return [own]
    one, other = one[fit], other[fit]
    rotations, shifts = [own.rotation[None]], [own.shift[None]]
    for a in (1.0, -1.0):
        for b in (1.0, -1.0):
            turned = _features(points, normals, one, other, a, b) / unit
            distance, match = tree.query(turned, distance_upper_bound=1.0)
            met = np.flatnonzero(np.isfinite(distance))
            there, here = match[met], met
            to = _frames(model[second[there]] - model[first[there]], away[first[there]])
            at = _frames(points[other[here]] - points[one[here]], a * normals[one[here]])
            rotation = to @ at.transpose(0, 2, 1)
            middle = 0.5 * (points[one[here]] + points[other[here]])
            goal = 0.5 * (model[first[there]] + model[second[there]])
            rotations.append(rotation)
            shifts.append(goal - np.einsum("nij,nj->ni", rotation, middle))
    rotation, shift = np.concatenate(rotations), np.concatenate(shifts)
    judges = rng.permutation(len(points))[:JUDGES]
    share = _laid(points[judges], normals[judges], rotation, shift, drawn, rng, NEAR * size)
    best = np.argsort(-share, kind="stable")[:_KEPT]
    return [Pose(rotation[k], shift[k]) for k in dict.fromkeys([*best.tolist(), 0])]


def _model(drawn: DrawnFeet, rng: np.random.Generator, count: int = MODEL) -> tuple[FloatArray, FloatArray]:
    """Places spread evenly over the wall, and their normals away from the axis."""
    share, azimuth = rng.uniform(size=12 * count), rng.uniform(-np.pi, np.pi, 12 * count)
    places, away = drawn.wall_at(share, azimuth)
    radius = np.hypot(places[:, 0], places[:, 1])
    kept = np.flatnonzero(rng.uniform(size=radius.size) < radius / radius.max())[:count]
    return places[kept], away[kept]


def _features(
    points: FloatArray, normals: FloatArray, first: FloatArray, second: FloatArray, a: float = 1.0, b: float = 1.0
) -> FloatArray:
    """(P, 4): distance, and angles."""
    between = points[second] - points[first]
    length = np.linalg.norm(between, axis=1)
    along = between / np.maximum(length, 1e-12)[:, None]
    cosines = [
        a * np.sum(normals[first] * along, axis=1),
        b * np.sum(normals[second] * along, axis=1),
        a * b * np.sum(normals[first] * normals[second], axis=1),
    ]
    return np.column_stack([length, *(np.arccos(np.clip(each, -1.0, 1.0)) for each in cosines)])


def _frames(between: FloatArray, normal: FloatArray) -> FloatArray:
    """(P, 3, 3) columns: along the pair, the normal's part across it, and what is across both."""
    along = between / np.linalg.norm(between, axis=1)[:, None]
    aside = normal - np.sum(normal * along, axis=1)[:, None] * along
    aside = aside / np.maximum(np.linalg.norm(aside, axis=1), 1e-9)[:, None]
    return np.stack([along, aside, np.cross(along, aside)], axis=-1)


def _laid(
    points: FloatArray,
    normals: FloatArray,
    rotation: FloatArray,
    shift: FloatArray,
    drawn: DrawnFeet,
    rng: np.random.Generator,
    near: float,
) -> FloatArray:
    """(P,) how much of the points lies near the wall, each counted by how near, and by whether it faces as the wall
    does there: flat sides of a block lie along a wall, too. Of a pose that can be none of the _KEPT best, on some of
    the points.
    """
    places, away = _model(drawn, rng, 6000)
    away = np.vstack([away, np.zeros(3)])  # of what is near none
    tree = cKDTree(places, leafsize=32, balanced_tree=False, compact_nodes=False)  # for places far from most of them

    def counted(poses: IntArray, some: slice) -> FloatArray:
        turn = rotation[poses].transpose(0, 2, 1)
        moved = points[some] @ turn + shift[poses, None]
        distance, k = tree.query(moved.reshape(-1, 3), distance_upper_bound=near)
        facing = np.abs(np.einsum("ij,ij->i", (normals[some] @ turn).reshape(-1, 3), away[k])) > ALONG
        by = np.where(facing, 1.0 - np.minimum(distance / near, 1.0) ** 2, 0.0)
        return np.asarray(by.reshape(moved.shape[:2]).sum(axis=1))

    left = np.arange(len(rotation))
    share = counted(left, slice(_AT_ONCE))
    likely = np.argsort(-share, kind="stable")[:_KEPT]
    enough = (share[likely] + counted(likely, slice(_AT_ONCE, None))).min()
    for start in range(_AT_ONCE, len(points), _AT_ONCE):
        # A point counts for one at most; a sum in another order is off by a rounding.
        left = left[share[left] + (len(points) - start) > enough - _ROUNDING]
        share[left] += counted(left, slice(start, start + _AT_ONCE))
    return share
