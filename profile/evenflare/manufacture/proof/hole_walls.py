"""Holes held against the path that makes them: each one's place, width and depth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from evenflare.manufacture.process.types import Tool
from evenflare.manufacture.proof.deviation import Worst
from evenflare.units import FloatArray

NOTHING = Worst(0.0, (0.0, 0.0, 0.0))


class Upright(NamedTuple):
    """Gouge and leftover of upright walls, m, and where."""

    gouge: Worst
    leftover: Worst


def hole_walls(
    tool: Tool,
    path: FloatArray,
    places: Sequence[tuple[float, float]],
    radius: float,
    *,
    tip: float,
    floor: float = 0.0,
) -> Upright:
    """Of holes of `radius` at places (x, y) that begin at the height `floor`, and in which the tool's tip comes down to
    `tip`, all m: how far off its place or too wide one is, or too deep; too narrow, or too shallow.

    path : (N, 3), m, dense places of the tip; those in the lower half of a hole are its own.
    """
    gouge, leftover = NOTHING, NOTHING
    below = path[path[:, 2] < 0.5 * (floor + tip)]
    for x, y in places:
        away = np.hypot(below[:, 0] - x, below[:, 1] - y)
        near = away < radius + tool.radius
        wide = float(away[near].max()) + tool.radius if near.any() else 0.0
        lowest = float(below[near, 2].min()) if near.any() else floor
        place = (x + radius, y, floor)
        gouge = max(gouge, Worst(max(0.0, wide - radius, tip - lowest), place), key=lambda worst: worst.size)
        leftover = max(leftover, Worst(max(0.0, radius - wide, lowest - tip), place), key=lambda worst: worst.size)
    return Upright(gouge, leftover)
