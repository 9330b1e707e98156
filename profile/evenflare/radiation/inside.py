"""Points inside the solid of a closed body of revolution, at which the integral equation is asked for once more."""

from __future__ import annotations

import numpy as np

from evenflare.radiation.panels import MeridianMesh
from evenflare.units import FloatArray

DEPTH = 0.4
"""Least depth of a point over that of the deepest found, in a solid that is thin or in long waves; else the longest
panel's reach, about a quarter of a wavelength: there are resonances that live close to the skin only."""
TRIES = 40
"""Points tried for each one wanted, over the rectangle about the solid."""
MEASURED = 4
"""Points inside for each one wanted, of which the depth is worked out."""


def inside_points(mesh: MeridianMesh, count: int) -> tuple[FloatArray, FloatArray]:
    """z and r (count,) of points in the solid, scattered evenly over its meridian plane but for its skin.

    Fewer if the solid is so thin that not enough were found.
    """
    if count == 0:
        return np.zeros(0), np.zeros(0)
    outline = outline_of(mesh)
    low, high = outline.min(axis=0), outline.max(axis=0)
    # A regular scatter that never repeats (Roberts's plastic-number sequence, common practice): the same every time.
    number = np.arange(1, TRIES * count + 1)[:, None]
    tries = low + (high - low) * np.modf(number * np.array([0.7548776662466927, 0.5698402909980532]))[0]
    # No more of them than it takes: most bodies fill half of their rectangle.
    wanted, found = MEASURED * count, tries[:0]
    for some in np.split(tries, range(2 * wanted, len(tries), 2 * wanted)):
        found = np.concatenate([found, some[enclosed(some, outline)]])
        if len(found) >= wanted:
            break
    tries = found[:wanted]
    if not len(tries):
        return np.zeros(0), np.zeros(0)
    depth = np.array([np.hypot(mesh.z - z, mesh.r - r).min() for z, r in tries])
    deep = tries[depth >= min(DEPTH * depth.max(), mesh.reach.max())][:count]
    return np.ascontiguousarray(deep[:, 0]), np.ascontiguousarray(deep[:, 1])


def outline_of(mesh: MeridianMesh) -> FloatArray:
    """(N + 2, 2) z and r: a closed body's nodes, and the axis at both ends."""
    return np.concatenate([[[mesh.z[0], 0.0]], np.stack([mesh.z, mesh.r], axis=1), [[mesh.z[-1], 0.0]]])


def enclosed(points: FloatArray, outline: FloatArray) -> FloatArray:
    """Whether points (T, 2) lie inside a polygon (N, 2), closed along the axis: an odd number of crossings."""
    z, r = points[:, :1], points[:, 1:]
    z0, r0 = outline.T
    z1, r1 = np.roll(outline, -1, axis=0).T
    straddles = (r0 > r) != (r1 > r)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = z0 + (r - r0) / (r1 - r0) * (z1 - z0)
    return np.asarray((straddles & (z < crossing)).sum(axis=1) % 2 == 1)
