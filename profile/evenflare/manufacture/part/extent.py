"""How large a part is."""

from __future__ import annotations

from evenflare.manufacture.part.oblong_sizes import OblongSizes
from evenflare.manufacture.part.outline import Sizes


def extent(sizes: Sizes | OblongSizes) -> tuple[float, float]:
    """m, x and y of the part's outside."""
    if sizes.flange_diameter is not None:
        return sizes.flange_diameter, sizes.flange_diameter
    if isinstance(sizes, OblongSizes):
        return sizes.flange_width or 0.0, sizes.flange_height or 0.0
    raise ValueError("a round part has a flange diameter")
