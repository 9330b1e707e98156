"""How the half-angle of caps falls along a wall that falls faster than caps may: see `wavefront`."""

from __future__ import annotations

import numpy as np

from evenflare.compiled import njit

RELAXATION = 0.5
"""Share of the rate at which caps would cross that a falling cap angle may use."""


@njit(cache=True)
def march_angle(start, wall, middle, step, follow):  # type: ignore[no-untyped-def]
    """db/dt = -rate speed from grid point to grid point by the classical Runge-Kutta rule.

    wall, middle : rows z, r, angle, curvature, speed at the grid points and between them.
    follow       : the cap angle is at least the wall's; otherwise at most 90 degrees.
    """
    count = wall.shape[1]
    half_angle = np.empty(count)
    half_angle[0] = start
    for i in range(count - 1):
        b = half_angle[i]
        k1 = _fall(b, wall[:, i])
        k2 = _fall(b + 0.5 * step * k1, middle[:, i])
        k3 = _fall(b + 0.5 * step * k2, middle[:, i])
        k4 = _fall(b + step * k3, wall[:, i + 1])
        b += step * (k1 + 2 * k2 + 2 * k3 + k4) / 6.0
        half_angle[i + 1] = max(b, wall[2, i + 1]) if follow else min(b, 0.5 * np.pi)
    return half_angle


@njit(cache=True)
def _fall(b, wall):  # type: ignore[no-untyped-def]
    """rad per unit of t: how fast a cap angle b falls along the wall at a share RELAXATION of the crossing rate."""
    return -RELAXATION * 2.0 * np.cos(0.5 * b) * np.cos(wall[2] - 0.5 * b) / wall[1] * wall[4]
