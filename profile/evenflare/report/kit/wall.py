"""The wall of a waveguide as a grid of points in space, for pictures and the view; and places on it."""

from __future__ import annotations

import itertools

import numpy as np

from evenflare.units import FloatArray, IntArray
from evenflare.waveguide import Surface, Waveguide

ROWS, COLUMNS = 40, 72
"""Of the grid: at most so many from throat to mouth, and so many all round."""

_FINE = 65
_QUARTER = 721


def grid(waveguide: Waveguide) -> FloatArray:
    """(R, C, 3), m: x, y, z of the wall, rows from throat to mouth, columns once around, the first not repeated.

    Close where the wall turns. Symmetric about both planes.
    """
    quarter = COLUMNS // 4
    if waveguide.is_round:
        wall = waveguide.meridian.dense
        rows = spread(np.column_stack([wall.z, wall.r]), ROWS)
        psi = _quarter(quarter + 1)
        x, y, z = wall.r[rows, None] * np.cos(psi), wall.r[rows, None] * np.sin(psi), wall.z[rows]
    else:
        x, y, z = _oblong(waveguide.surface, quarter + 1)
    return _around(np.stack([x, y, np.broadcast_to(z[:, None], x.shape)], axis=-1))


def section(surface: Surface, z: float) -> FloatArray:
    """(N, 2), m: x and y of a section, finely, once around from azimuth 0; the first point stands at the end too."""
    axes, psi = surface.axes(np.array([z]), stretch=stretch_of(surface, z)), _quarter(181)
    factor = surface.factor(np.array([z]), axes.a, axes.b, psi)
    x, y = axes.a * factor * np.cos(psi), axes.b * factor * np.sin(psi)
    once = _around(np.stack([x, y, np.full_like(x, z)], axis=-1)[None])[0, :, :2]
    return np.concatenate([once, once[:1]])


def _quarter(count: int) -> FloatArray:
    return np.linspace(0.0, 0.5 * np.pi, count)


def _around(first: FloatArray) -> FloatArray:
    """Points of a quarter (R, C, 3), from azimuth 0 to 90 degrees, once around without the first again."""
    upper = np.concatenate([first, first[:, -2::-1] * (-1.0, 1.0, 1.0)], axis=1)
    return np.concatenate([upper, upper[:, -2:0:-1] * (1.0, -1.0, 1.0)], axis=1)


def _oblong(surface: Surface, columns: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(R, C) x and y of a quarter, (R,) z."""
    stretches = range(len(surface.cuts) - 1)
    # Depth stands still at both ends of a stretch, where a radius may run as a root.
    shares = np.sin(_quarter(_FINE)) ** 2
    z = [low + (high - low) * shares for low, high in itertools.pairwise(surface.cuts)]
    axes = [surface.axes(depths, stretch=stretch) for depths, stretch in zip(z, stretches, strict=True)]
    depth, a, b = np.concatenate(z), np.concatenate([each.a for each in axes]), np.concatenate([e.b for e in axes])
    rows = spread(np.column_stack([depth, a, b]), ROWS)
    fine = _quarter(_QUARTER)
    rim = surface.factor(depth[-1:, None], a[-1:, None], b[-1:, None], fine)[0]
    psi = fine[spread(np.column_stack([a[-1] * rim * np.cos(fine), b[-1] * rim * np.sin(fine)]), columns)]
    cosine, sine = np.cos(psi), np.sin(psi)
    half_width, half_height = a[rows, None], b[rows, None]
    factor = surface.factor(depth[rows, None], half_width, half_height, psi)
    return half_width * factor * cosine, half_height * factor * sine, depth[rows]


def spread(points: FloatArray, count: int) -> IntArray:
    """At most `count` indices of a line through points (N, D), rising, its ends among them.

    They share its length and its turn evenly, so that bends get more of them and a sharp corner has one.
    """
    steps = np.diff(points, axis=0)
    length = np.linalg.norm(steps, axis=1)
    kept = np.concatenate([[True], length > 1e-9 * length.sum()])
    steps, length = steps[kept[1:]], length[kept[1:]]
    along = steps / length[:, None]
    turn = np.arccos(np.clip(np.sum(along[1:] * along[:-1], axis=1), -1.0, 1.0))
    at = np.concatenate([[0.0], np.cumsum(length) / length.sum()])
    at[1:-1] += np.cumsum(turn) / max(turn.sum(), 0.5)
    at[-1] += turn.sum() / max(turn.sum(), 0.5)
    wanted = np.linspace(0.0, at[-1], count)
    nearest = np.abs(at - wanted[:, None]).argmin(axis=1)
    chosen = np.unique(np.concatenate([[0], nearest, [at.size - 1]]))
    return np.asarray(np.flatnonzero(kept)[chosen])


def stretch_of(surface: Surface, z: float) -> int:
    """The smooth stretch that holds the depth z (m); at a cut the one before it."""
    return min(max(int(np.searchsorted(surface.cuts, z, side="left")) - 1, 0), len(surface.cuts) - 2)


def radius_at(surface: Surface, z: float, azimuth: float) -> float:
    """m, from the axis to the wall at depth z (m) in the half-plane at `azimuth` (rad)."""
    axes = surface.axes(np.array([z]), stretch=stretch_of(surface, z))
    psi = np.arctan2(axes.a * np.sin(azimuth), axes.b * np.cos(azimuth))
    factor = surface.factor(np.array([z]), axes.a, axes.b, psi)
    return float(np.hypot(axes.a * factor * np.cos(psi), axes.b * factor * np.sin(psi))[0])
