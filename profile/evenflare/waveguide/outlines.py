"""The outlines of a body's flat faces, and where it is alike on both sides of a plane."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from evenflare.units import DEGREE, BoolArray, FloatArray, IntArray, read_only
from evenflare.waveguide.facets import FLAT, WELD, Facets, edges_of

SHARP = 40 * DEGREE
"""rad, that a surface turns at a sharp edge at least; less is a curve in facets."""


@dataclass(frozen=True)
class FlatOutline:
    """Of one flat face.

    normal : (3,) outward.
    ends   : (S, 2, 3) m, of its straight sides, the face to the left of each as seen from outside; those round a hole
             too.
    sharp  : (S,) whether the body has a sharp edge there.
    """

    normal: FloatArray
    ends: FloatArray
    sharp: BoolArray

    @property
    def level(self) -> FlatOutline:
        """The same in one plane, across the normal: that of its ends in the mean."""
        aside = self.ends @ self.normal
        if np.count_nonzero(self.normal) == 1:
            # To the last bit, where the plane is across an axis.
            ends = np.where(self.normal != 0.0, float(aside.mean()) * self.normal, self.ends)
        else:
            ends = self.ends - (aside - aside.mean())[:, :, None] * self.normal
        return replace(self, ends=read_only(ends))

    @property
    def area(self) -> float:
        """m2."""
        start = self.ends[0, 0]
        return float(0.5 * np.sum(np.cross(self.ends[:, 0] - start, self.ends[:, 1] - start) @ self.normal))


def outlines_of(facets: Facets) -> tuple[FlatOutline, ...]:
    """Of every flat face, without the corners that lie on a straight side."""
    edges, pairs = edges_of(facets.faces)
    one, other = facets.flat[pairs[:, 0]], facets.flat[pairs[:, 1]]
    between = one != other
    edges, one, other = edges[between], one[between], other[between]
    cosine = np.sum(facets.normal[one] * facets.normal[other], axis=1)
    sharp = (cosine < np.cos(SHARP)) & (one >= 0) & (other >= 0)
    face = np.concatenate([one, other])
    ends, flags = np.concatenate([edges, edges[:, ::-1]]), np.concatenate([sharp, sharp])
    order = np.argsort(face, kind="stable")
    stops = np.searchsorted(face[order], np.arange(len(facets.normal) + 1))
    found = []
    for which, normal in enumerate(facets.normal):
        mine = order[stops[which] : stops[which + 1]]
        kept, sharps = _straight(facets.vertices, ends[mine], flags[mine])
        found.append(FlatOutline(normal, facets.vertices[kept], sharps))
    return tuple(found)


def _straight(vertices: FloatArray, ends: IntArray, sharp: BoolArray) -> tuple[IntArray, BoolArray]:
    """Sides (S, 2) by their corners, without corners on a straight line between sides of one kind."""
    sides: list[tuple[int, int]] = []
    flags: list[bool] = []
    for loop, kinds in _loops(ends, sharp):
        kept = _corners(vertices[loop], kinds)
        sides += [(loop[i], loop[j]) for i, j in zip(kept, [*kept[1:], kept[0]], strict=True)]
        flags += [kinds[i] for i in kept]
    return np.array(sides, dtype=np.int64).reshape(-1, 2), np.array(flags, dtype=bool)


def _loops(ends: IntArray, sharp: BoolArray) -> list[tuple[list[int], list[bool]]]:
    """Round every closed line of sides: its corners, and the kind of the side that leaves each."""
    after: dict[int, list[tuple[int, bool]]] = {}
    for (start, end), kind in zip(ends.tolist(), sharp.tolist(), strict=True):
        after.setdefault(start, []).append((end, kind))
    found = []
    while after:
        at = next(iter(after))
        loop: list[int] = []
        kinds: list[bool] = []
        while at in after:
            loop.append(at)
            following, kind = after[at].pop()
            kinds.append(kind)
            if not after[at]:
                del after[at]
            at = following
        found.append((loop, kinds))
    return found


def _corners(places: FloatArray, kinds: Sequence[bool]) -> list[int]:
    """Which of a closed line's corners (C, 3) stay."""
    count = len(places)
    along = np.roll(places, -1, axis=0) - places
    along /= np.linalg.norm(along, axis=1)[:, None]
    start = int(np.sum(along * np.roll(along, 1, axis=0), axis=1).argmin())
    kept, passed = [start], list[int]()
    for step in range(1, count):
        here, following = (start + step) % count, (start + step + 1) % count
        line = places[following] - places[kept[-1]]
        off = places[[*passed, here]] - places[kept[-1]]
        away = np.linalg.norm(np.cross(off, line), axis=1) / max(float(np.linalg.norm(line)), 1e-300)
        if kinds[here] == kinds[here - 1] and away.max() < FLAT:
            passed.append(here)
        else:
            kept.append(here)
            passed = []
    return kept


def mirrors_of(vertices: FloatArray, outlines: Sequence[FlatOutline]) -> tuple[int, ...]:
    """Axes whose plane through the origin has every flat face again on its other side."""
    tree = cKDTree(vertices)
    faces = [frozenset(tree.query(each.ends[:, 0])[1].tolist()) for each in outlines]
    known = set(faces)
    found = []
    for axis in (0, 1, 2):
        turned = vertices * np.where(np.arange(3) == axis, -1.0, 1.0)
        away, image = tree.query(turned)
        used = sorted(set().union(*faces))
        if away[used].max() < 2 * WELD and all(frozenset(image[list(each)].tolist()) in known for each in faces):
            found.append(axis)
    return tuple(found)
