"""Depth of cut of a turning tool's nose, as it is met over a half-section. Lengths in m. Compiled."""

from __future__ import annotations

import math

from evenflare.compiled import njit
from evenflare.units import FloatArray


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _swept(radius: float, s: float, length: float, slope: float, tip: float) -> float:
    """Lowest height at `s` along a move of a circle in the plane, rising by `slope` over `length`; inf if it misses."""
    if max(0.0, s - radius) > min(length, s + radius):
        return math.inf
    hypotenuse = math.sqrt(1.0 + slope * slope)
    way = min(max(s - radius * slope / hypotenuse, 0.0), length)
    return tip + radius + slope * way - math.sqrt(max(radius * radius - (s - way) * (s - way), 0.0))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def turned_depth(
    heights: FloatArray, origin: float, step: float, start: FloatArray, end: FloatArray, radius: float, side: float
) -> tuple[float, float, float]:
    """Depth of cut of a nose's move over a half-section, across the feed, on the side that stock stands on and the
    front; x and z of the material that lies deepest in it. A move to that side and out leaves the wall, and has none.

    heights    : (X,), at origin + step i.
    start, end : (3,), of the nose's end toward the chuck.
    side       : where the stock is: -1 toward the axis, of a bore; 1 away from it, of an outside.
    """
    dx, dz = end[0] - start[0], end[2] - start[2]
    length = math.hypot(dx, dz)
    deepest, at_x, at_z = 0.0, 0.0, 0.0
    if length < 1e-9 or (side * dx > 1e-9 and dz > 1e-9):
        return deepest, at_x, at_z
    nx, nz = -dz / length, dx / length
    if nz < -side * nx:
        nx, nz = -nx, -nz
    way, slope = (abs(dx), dz / abs(dx)) if abs(dx) > 1e-9 else (0.0, 0.0)
    tip = start[2] if way > 0.0 else min(start[2], end[2])
    first = max(0, math.ceil((min(start[0], end[0]) - radius - origin) / step))
    last = min(heights.size - 1, math.floor((max(start[0], end[0]) + radius - origin) / step))
    for i in range(first, last + 1):
        x = origin + i * step
        s = (x - start[0]) if dx > 0.0 else (start[0] - x)
        if heights[i] > _swept(radius, s, way, slope, tip):
            depth = radius + (x - start[0]) * nx + (heights[i] - start[2] - radius) * nz
            if depth > deepest:
                deepest, at_x, at_z = depth, x, heights[i]
    return deepest, at_x, at_z
