"""A part's outside seen along the axis: a circle or a rectangle, curves beside it, and how far places are from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np

from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.units import FloatArray


class RimOutline(Protocol):
    """An outline that a cutter goes round: what Footprint and Contour have in common."""

    @property
    def around(self) -> float:
        """m, once round it."""
        ...

    def off(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """m, how far places lie outside; below 0 inside."""
        ...

    def beside(self, away: float, *, chord: float) -> FloatArray:
        """(N, 2), m: a closed curve at least `away` m outside, clockwise, that leaves at most `chord` m more."""
        ...

    def even_places(self, count: int) -> FloatArray:
        """(count, 2), m, on it."""
        ...


@dataclass(frozen=True)
class Footprint:
    """half : half its width and height, m. round : a circle, whose radius stands twice in `half`."""

    half: tuple[float, float]
    round: bool

    @property
    def around(self) -> float:
        """m, once round it."""
        return 2.0 * np.pi * self.half[0] if self.round else 4.0 * sum(self.half)

    def off(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """m, how far places lie outside; below 0 inside. Of a rectangle the farther of the distances to its sides'
        lines, as a cutter counts that goes past a sharp corner before it turns.
        """
        if self.round:
            return np.asarray(np.hypot(x, y) - self.half[0])
        return np.asarray(np.maximum(np.abs(x) - self.half[0], np.abs(y) - self.half[1]))

    def beside(self, away: float, *, chord: float) -> FloatArray:
        """(N, 2), m: a closed curve `away` m outside (below 0: inside), clockwise, from +x or the first corner on.

        It keeps at least that distance; on a circle its chords leave at most `chord` m more.
        """
        if not self.round:
            a, b = self.half[0] + away, self.half[1] + away
            return np.array([[a, b], [a, -b], [-a, -b], [-a, b], [a, b]])
        radius = self.half[0] + away
        sides = max(24, int(np.ceil(np.pi / np.arccos(radius / (radius + chord)))))
        turn = -2.0 * np.pi * np.arange(sides + 1) / sides
        return np.asarray(radius / np.cos(np.pi / sides) * np.column_stack([np.cos(turn), np.sin(turn)]))

    def even_places(self, count: int) -> FloatArray:
        """(count, 2), m, on it: evenly round a circle, of a rectangle evenly along each side, none in a corner."""
        if self.round:
            turn = 2.0 * np.pi * (np.arange(count) + 0.5) / count
            return np.asarray(self.half[0] * np.column_stack([np.cos(turn), np.sin(turn)]))
        a, b = self.half
        sides = [((-a, b), (a, b)), ((a, -b), (-a, -b)), ((a, b), (a, -b)), ((-a, -b), (-a, b))]
        if b > a:
            sides = sides[2:] + sides[:2]
        places = []
        for number, (start, end) in enumerate(sides):
            here = count // 4 + (number < count % 4)
            shares = (np.arange(here)[:, None] + 0.5) / max(here, 1)
            places.append(np.asarray(start) + shares * (np.asarray(end) - np.asarray(start)))
        return np.concatenate(places)


@dataclass(frozen=True, eq=False)
class Contour:
    """A closed convex curve: points (N, 2), m, clockwise, the first not repeated, so close that the curve between two
    is as good as straight; normals (N, 2), unit, outward.
    """

    points: FloatArray
    normals: FloatArray

    @property
    def around(self) -> float:
        """m, once round it."""
        return float(np.hypot(*(np.roll(self.points, -1, axis=0) - self.points).T).sum())

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.points)

    def off(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """m, how far places lie outside; below 0 inside: off the line that touches the curve nearest to them."""
        places = np.stack([x, y], axis=-1)
        nearest = self._tree.query(places)[1]
        return np.asarray(np.sum((places - self.points[nearest]) * self.normals[nearest], axis=-1))

    def beside(self, away: float, *, chord: float) -> FloatArray:
        """(N, 2), m: a closed curve at least `away` m outside, clockwise, that leaves at most `chord` m more."""
        return thinned(self.points + (away + 0.5 * chord) * self.normals, chord=0.5 * chord)

    def even_places(self, count: int) -> FloatArray:
        """(count, 2), m, on it, evenly along it; none on the x axis."""
        closed = np.concatenate([self.points, self.points[:1]])
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        places = along[-1] * (np.arange(count) + 0.5) / max(count, 1)
        return np.column_stack([np.interp(places, along, closed[:, k]) for k in (0, 1)])


def thinned(points: FloatArray, *, chord: float) -> FloatArray:
    """(M, 2), m: a curve through points (N, 2), closed, without those that lie within `chord` (m) of straight lines."""
    import shapely

    return np.asarray(shapely.simplify(shapely.LineString(np.concatenate([points, points[:1]])), chord).coords)


def rim_of(sizes: Sizes | OblongSizes) -> Footprint:
    """Of a part."""
    x, y = extent(sizes)
    return Footprint((0.5 * x, 0.5 * y), sizes.flange_diameter is not None)


def edge_inset(depth: FloatArray | float, *, radius: float) -> FloatArray:
    """m, how far inside its outside the rounded edge of a part lies, `depth` m below the front face; 0 below it."""
    inside = np.clip(radius - np.asarray(depth, dtype=np.float64), 0.0, radius)
    return np.asarray(radius - np.sqrt(np.maximum(radius**2 - inside**2, 0.0)))
