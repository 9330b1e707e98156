"""A raw casting before it is enlarged: where it ends, what it opens toward, what is left on it for machining."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes


@dataclass(frozen=True)
class Raw:
    """The raw casting's ends, m, and what it opens toward; see Pattern. slope: tangent of the outside's draft."""

    back: float
    front: float
    allowance: float
    slope: float
    forward: bool
    recess: tuple[float, float] | None
    wall_stock: float = 0.0

    def outward(self, z: float) -> float:
        """m, by which draft widens an outside at a depth that is straight along the axis."""
        return self.slope * ((z - self.back) if self.forward else (self.front - z))


def inlet(throat: float, z: float, raw: Raw) -> float:
    """m, radius of the raw bore at a depth behind the throat plane: it draws toward the front."""
    slope = raw.slope if raw.forward else 0.0
    return max(throat + slope * z, 0.5 * throat)


def flange_back(sizes: Sizes | OblongSizes, depth: float, raw: Raw) -> float:
    """m, z of the raw back of a shell's flange."""
    return max(depth - sizes.flange_thickness - raw.allowance, raw.back)
