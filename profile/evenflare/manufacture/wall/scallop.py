"""Ridges between neighbouring passes of a ball: how high for a stepover, and which stepover for a height."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import maximum_filter1d

from evenflare.units import FloatArray

_FLAT = 1e-6
_TIGHT = 0.05
"""Share of the stepover on a flat wall below which none goes, where a concave wall is hardly wider than the ball."""
_PLACES = 8
"""Per pass at which a wall's bend is looked at."""


def scallop_height(stepover: ArrayLike, *, radius: float, curvature: ArrayLike = 0.0) -> FloatArray:
    """m, height above the wall of the ridge between two passes of a ball of `radius` (m).

    stepover  : m, along the wall, at most what the ball spans.
    curvature : 1/m, of the wall across the passes; negative where it is concave seen from the air, above -1 / radius.
    Source    : flat h = R - sqrt(R^2 - s^2 / 4) (elementary geometry, the workshop calculators' formula); curved, the
                triangle of the wall's centre, the ball's centre and the ridge. To first order h = s^2 / 8 (1/R + K).
    """
    s, bend = np.broadcast_arrays(np.asarray(stepover, dtype=np.float64), np.asarray(curvature, dtype=np.float64))
    flat = np.abs(bend) * (s + radius) < _FLAT
    safe = np.where(flat, 1.0, bend)
    # Height above the chord of contacts from the cosine theorem about the wall's centre, 1 / K away.
    half = 0.5 * s * safe
    centre = 1.0 / safe + radius
    root = np.sqrt(np.maximum(radius**2 - (centre * np.sin(half)) ** 2, 0.0))
    curved = centre * np.cos(half) - root - 1.0 / safe
    return np.asarray(np.where(flat, radius - np.sqrt(radius**2 - 0.25 * s**2), curved))


def stepover(height: float, *, radius: float, curvature: ArrayLike = 0.0) -> FloatArray:
    """m, along the wall, between passes of a ball of `radius` (m) that leave ridges of `height` (m, below it).

    curvature : 1/m, as in scallop_height, whose inverse this is: s = 2 sqrt(2 R h - h^2) on a flat wall.
    """
    bend = np.asarray(curvature, dtype=np.float64)
    reach = height * (2.0 * radius - height)
    flat = np.abs(bend) * radius < _FLAT
    safe = np.where(flat, 1.0, bend)
    room = np.maximum((1.0 + safe * radius) * (1.0 + safe * height), 1e-12)
    sine = np.minimum(0.5 * np.abs(safe) * np.sqrt(reach / room), 1.0)
    return np.asarray(np.where(flat, 2.0 * np.sqrt(reach), 4.0 / np.abs(safe) * np.arcsin(sine)))


def centre_step(height: float, *, radius: float, curvature: ArrayLike = 0.0) -> FloatArray:
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
