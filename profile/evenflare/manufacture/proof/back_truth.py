"""What the program of a part's back should leave: the driver's recess and the holes in its floor."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture.part.bolts import bolt_places
from evenflare.manufacture.process.types import DriverSeat
from evenflare.manufacture.proof.truth import Front, Truth, outside, rays_around

UPRIGHT = 1.5
"""Steps of the raster beside an upright wall within which heights are not compared; of a hole nothing else is."""


def back_truth(
    seat: DriverSeat,
    *,
    hole_depth: float,
    throat_radius: float,
    face: Front,
    step: float,
    half: tuple[float, float] | None = None,
) -> Truth:
    """The back of a part, flipped about its y axis: z = 0 at the back face, the throat plane `seat.depth` below it; m.

    The recess's wall is met along rays, its floor and the holes' in height. The throat is open.
    hole_depth : m, below the floor.
    face       : the outside of the part. half : as far as stock stands round it; None: no further than the part.
    """
    nx, ny = (round(size / step) for size in (face.size if half is None else half))
    x, y = step * np.arange(-nx, nx + 1)[:, None], step * np.arange(-ny, ny + 1)
    distance = np.hypot(x, y)
    upright = UPRIGHT * step
    recess = 0.5 * seat.diameter if seat.depth > 0.0 else 0.0
    heights = np.where(distance < recess, -seat.depth, 0.0)
    blind = (np.abs(distance - recess) < upright) & (recess > 0.0)
    for hole_x, hole_y in bolt_places(seat):
        off = np.hypot(x + hole_x, y - hole_y)
        heights[off < 0.5 * seat.hole_diameter] = -seat.depth - hole_depth
        blind |= np.abs(off - 0.5 * seat.hole_diameter) < upright
    opening = distance < throat_radius
    heights[opening] = -seat.depth
    blind |= distance < throat_radius + upright
    slopes = np.where(blind | outside(np.abs(x), np.abs(y), face), np.nan, 1.0)
    rows = int(np.ceil(seat.depth / step - 0.5)) if recess > 0.0 else 0
    count = rays_around(recess, step)
    walls = np.full((count, rows), recess)
    return Truth(step, heights, slopes, opening, walls, -np.ones_like(walls), 0.5 * step - seat.depth, "whole")


def turned_back_truth(seat: DriverSeat, *, throat_radius: float, radius: float, nose: float, step: float) -> Truth:
    """The back of a turned part as a half-section: z = 0 at the back face, the throat plane `seat.depth` below it; m.

    nose : m, the radius that the recess's corner keeps, within which nothing is compared.
    """
    distance = np.hypot(step * np.arange(round(radius / step) + 1)[:, None], 0.0)
    recess, upright = (0.5 * seat.diameter if seat.depth > 0.0 else 0.0), UPRIGHT * step
    heights = np.where(distance < recess, -seat.depth, 0.0)
    blind = (distance > recess - nose - upright) & (distance < recess + upright) & (recess > 0.0)
    opening = distance < throat_radius
    heights[opening] = -seat.depth
    slopes = np.where(blind | (distance < throat_radius + upright) | (distance > radius - upright), np.nan, 1.0)
    rows = int(np.ceil(seat.depth / step - 0.5)) if recess > 0.0 else 0
    z = 0.5 * step - seat.depth + step * np.arange(rows)
    walls = np.where(z > nose - seat.depth, recess, np.nan)[None, :]
    lowest = 0.5 * step - seat.depth
    return Truth(step, heights, slopes, opening, walls, -np.ones_like(walls), lowest, "half_section")
