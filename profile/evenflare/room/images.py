"""Image sources of a rectangular room: how far, by which walls, and in which direction the source must send."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.room.room import Point, Room
from evenflare.units import FloatArray, IntArray, read_only


@dataclass(frozen=True)
class Images:
    """What reaches one point from a source and its images, the nearest order first.

    distance  : (I,) m.
    hits      : (I, 6) reflections from each surface, in the order of `room.SURFACES`.
    order     : (I,) reflections in all; the first, of order 0, is the source itself.
    direction : (I, 3) unit vectors in the room: where the source itself must send for this.
    arriving  : (I, 3) unit vectors in the room, from the point to where the sound comes from.
    """

    distance: FloatArray
    hits: IntArray
    order: IntArray
    direction: FloatArray
    arriving: FloatArray

    def __post_init__(self) -> None:
        for name in ("distance", "direction", "arriving"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.float64))
        for name in ("hits", "order"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.int64))


def images(room: Room, point: Point, *, order: int) -> Images:
    """All images up to `order` reflections of the room's source, as `point` (m) has them.

    An image is the source mirrored at the walls, its pattern too: what an image sends toward the point, the source
    sends in that direction mirrored back, along each axis as often as the sound was reflected there.
    Source: J. B. Allen and D. A. Berkley, J. Acoust. Soc. Am. 65 (1979) 943, eq. 9 and 10.
    """
    along = [_along(length, at, order) for length, at in zip(room.size, room.source.position, strict=True)]
    count = [each[0].size for each in along]
    x, y, z = (grid.ravel() for grid in np.meshgrid(*map(np.arange, count), indexing="ij"))
    total = along[0][2][x] + along[1][2][y] + along[2][2][z]
    kept = np.flatnonzero(total <= order)
    kept = kept[np.argsort(total[kept], kind="stable")]
    chosen = [index[kept] for index in (x, y, z)]
    place = np.stack([axis[0][index] for axis, index in zip(along, chosen, strict=True)], axis=1)
    mirrored = np.stack([axis[3][index] for axis, index in zip(along, chosen, strict=True)], axis=1)
    hits = np.concatenate([axis[1][index] for axis, index in zip(along, chosen, strict=True)], axis=1)
    path = np.array(point) - place
    distance = np.linalg.norm(path, axis=1)
    along_path = path / distance[:, None]
    return Images(distance, hits, total[kept], mirrored * along_path, -along_path)


def _along(length: float, at: float, order: int) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """Images along one axis: place, reflections from its low and high end, both together, and -1 where mirrored."""
    turns = np.arange(-order, order + 1)
    n, q = (grid.ravel() for grid in np.meshgrid(turns, [0, 1], indexing="ij"))
    hits = np.stack([np.abs(n - q), np.abs(n)], axis=1)
    near = hits.sum(axis=1) <= order
    n, q, hits = n[near], q[near], hits[near]
    return 2.0 * n * length + (1 - 2 * q) * at, hits, hits.sum(axis=1), 1 - 2 * q
