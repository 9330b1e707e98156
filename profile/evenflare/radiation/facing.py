"""How far the parts of a meridian are from those that face them, across the solid or across the air."""

from __future__ import annotations

import math

import numpy as np

from evenflare.compiled import njit
from evenflare.units import FloatArray

OPPOSED = -0.5
"""Cosine between the normals of two places that face each other, at most: walls of a wedge of 60 degrees do."""
AHEAD = 0.7
"""Cosine between a place's normal and the way to the one that faces it, at least, on either side."""
ROUND = 2.0
"""The way along the meridian over that across, at least: nearer places are neighbours on a bend."""


def gaps(z: FloatArray, r: FloatArray, angle: FloatArray) -> FloatArray:
    """(N,) m, of points along a meridian with their wall angles, rad: how far away the nearest chord that faces each
    is; infinite where none does.
    """
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)))])
    return np.asarray(_gaps(z, r, np.sin(angle), -np.cos(angle), arc))


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def _gaps(z: FloatArray, r: FloatArray, normal_z: FloatArray, normal_r: FloatArray, arc: FloatArray) -> FloatArray:
    """As `gaps`, from normals and arc lengths, each (N,): every point against every chord, N^2 steps."""
    gap = np.full(z.size, np.inf)
    for i in range(z.size):
        for j in range(z.size - 1):
            if normal_z[i] * normal_z[j] + normal_r[i] * normal_r[j] > OPPOSED:
                continue
            along_z, along_r = z[j + 1] - z[j], r[j + 1] - r[j]
            length2 = along_z * along_z + along_r * along_r
            if length2 == 0.0:
                continue
            share = ((z[i] - z[j]) * along_z + (r[i] - r[j]) * along_r) / length2
            share = min(1.0, max(0.0, share))
            dz, dr = z[j] + share * along_z - z[i], r[j] + share * along_r - r[i]
            apart = math.hypot(dz, dr)
            if apart >= gap[i] or abs(normal_z[i] * dz + normal_r[i] * dr) < AHEAD * apart:
                continue
            if abs(arc[j] + share * (arc[j + 1] - arc[j]) - arc[i]) > ROUND * apart:
                gap[i] = apart
    return gap
