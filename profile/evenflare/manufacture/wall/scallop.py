"""Ridges between neighbouring passes of a ball: which stepover leaves how high a one."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import FloatArray

_FLAT = 1e-6
_TIGHT = 0.05
"""Share of the stepover on a flat wall below which none goes, where a concave wall is hardly wider than the ball."""
_PLACES = 8
"""Per pass at which a wall's bend is looked at."""


def stepover(height: float, *, radius: float, curvature: ArrayLike = 0.0) -> FloatArray:
    """m, along the wall, between passes of a ball of `radius` (m) that leave ridges of `height` (m, below it).

    curvature : 1/m, of the wall across the passes; negative where it is concave seen from the air, above -1 / radius.
    Source    : flat s = 2 sqrt(2 R h - h^2) (elementary geometry, the workshop calculators' formula); curved, the
                triangle of the wall's centre, the ball's centre and the ridge.
    """
    bend = np.asarray(curvature, dtype=np.float64)
    reach = height * (2.0 * radius - height)
    flat = np.abs(bend) * radius < _FLAT
    safe = np.where(flat, 1.0, bend)
    room = np.maximum((1.0 + safe * radius) * (1.0 + safe * height), 1e-12)
    sine = np.minimum(0.5 * np.abs(safe) * np.sqrt(reach / room), 1.0)
    return np.asarray(np.where(flat, 2.0 * np.sqrt(reach), 4.0 / np.abs(safe) * np.arcsin(sine)))


def centre_step(height: float, *, radius: float, curvature: ArrayLike) -> FloatArray:
    """m, along the path of the ball's centre, for a stepover as above; infinite curvature is a sharp edge."""
    bend = np.asarray(curvature, dtype=np.float64)
    edge = np.isinf(bend)
    bend = np.where(edge, 0.0, bend)
    step = stepover(height, radius=radius, curvature=bend) * np.maximum(1.0 + bend * radius, 0.0)
    return np.asarray(np.maximum(np.where(edge, 0.5 * np.pi * radius, step), _TIGHT * stepover(height, radius=radius)))


def passes(lengths: FloatArray, steps: FloatArray) -> FloatArray:
    """(K + 1,), rising from 0 to a whole number: how many passes lie before each node of a way across them.

    lengths : (K,), m, of the cells of the way, the path of the ball's centre.
    steps   : (K,), m, between passes in each cell. Where it changes, the smaller reaches one pass further.
    """
    from scipy.ndimage import maximum_filter1d  # takes a while to load

    along = np.concatenate([[0.0], np.cumsum(lengths)])
    fine = float(steps.min()) / _PLACES
    count = max(8, int(np.ceil(along[-1] / fine)))
    edges = np.linspace(0.0, along[-1], count + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    cell = np.clip(np.searchsorted(along, middle, side="right") - 1, 0, steps.size - 1)
    density = maximum_filter1d(1.0 / steps[cell], 2 * int(np.ceil(float(steps.max()) / (edges[1]))) + 1, mode="nearest")
    total = np.concatenate([[0.0], np.cumsum(density * np.diff(edges))])
    number = max(1, int(np.ceil(total[-1])))
    return np.asarray(np.interp(along, edges, number * (total / total[-1])))
