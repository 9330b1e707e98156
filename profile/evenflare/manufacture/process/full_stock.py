"""The stock that a machine cuts a part's outside out of."""

from __future__ import annotations

from typing import Literal

from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE

ROUND_STOCK = 2 * MILLIMETRE
"""Of stock beyond the outside, in radius, where the process does not say how large it is (common practice, no
source)."""


def cuts_outside(process: Process) -> Literal["router", "lathe"] | None:
    """The machine that cuts a part out of stock beyond its outside; None where the process' programs leave that."""
    if "mill_programs" in process.makes and process.profile_tool and process.hold_down is not None:
        return "router"
    return "lathe" if "lathe_programs" in process.makes and process.outside_tool else None


def stock_radius(process: Process, radius: float) -> float:
    """m, of a lathe's stock for a part of `radius` (m)."""
    size = process.stock.size
    return radius + ROUND_STOCK if size is None else max(0.5 * size[0], radius)
