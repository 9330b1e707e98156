"""A raw casting before it is enlarged: where it ends, what it opens toward, what is left on it for machining."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes
from evenflare.units import FloatArray


@dataclass(frozen=True)
class Raw:
    """The raw casting's ends and parting, m, and what it opens toward; see Pattern. slope: tangent of the draft."""

    back: float
    front: float
    allowance: float
    slope: float
    forward: bool
    parting: float
    recess: tuple[float, float] | None
    wall_stock: float = 0.0

    def outward(self, z: float) -> float:
        """m, by which draft widens an outside at a depth that is straight along the axis."""
        return self.slope * ((z - self.back) if self.forward else (self.front - z))


def inlet(throat: float, z: float, raw: Raw) -> float:
    """m, radius of the raw bore at a depth behind the throat plane: it draws toward the front."""
    slope = raw.slope if raw.forward else 0.0
    return max(throat + slope * z, 0.5 * throat)


def opening(throat: float, raw: Raw) -> FloatArray:
    """(N, 2), z and r of what is open behind the throat plane of a round casting, down to its back, m: the bore, and
    the recess from its floor on.
    """
    narrowed = inlet(throat, raw.back, raw)
    if raw.recess is None:
        return np.array([[raw.back, narrowed]])
    radius, deep = raw.recess
    floor = raw.back + deep
    at_floor = throat + floor / raw.back * (narrowed - throat)
    wide = radius + raw.slope * deep * (1.0 if raw.forward else 0.0)
    return np.array([[floor, at_floor], [floor, radius], [raw.back, wide]])


def flange_back(sizes: Sizes | OblongSizes, depth: float, raw: Raw) -> float:
    """m, z of the raw back of a shell's flange."""
    return max(depth - sizes.flange_thickness - raw.allowance, raw.back)
