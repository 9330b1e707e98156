"""A part's outside seen along the axis: a circle or a rectangle, curves beside it, and how far places are from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.manufacture.part.extent import extent
from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.units import FloatArray


@dataclass(frozen=True)
class Footprint:
    """half : half its width and height, m. round : a circle, whose radius stands twice in `half`."""

    half: tuple[float, float]
    round: bool

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


def rim_of(sizes: Sizes | OblongSizes) -> Footprint:
    """Of a part."""
    x, y = extent(sizes)
    return Footprint((0.5 * x, 0.5 * y), sizes.flange_diameter is not None)


def edge_inset(depth: FloatArray | float, *, radius: float) -> FloatArray:
    """m, how far inside its outside the rounded edge of a part lies, `depth` m below the front face; 0 below it."""
    inside = np.clip(radius - np.asarray(depth, dtype=np.float64), 0.0, radius)
    return np.asarray(radius - np.sqrt(np.maximum(radius**2 - inside**2, 0.0)))
