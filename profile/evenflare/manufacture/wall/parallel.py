"""The parallel of an oblong wall within the material, as its height over the wall's parameter: a shell's outside."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from evenflare.units import FloatArray, IntArray
from evenflare.waveguide.surface import Surface, depth_at

EXACT = 1e-12
"""m, to which heights are met."""
_STEPS = 100
_ROWS, _COLUMNS = 129, 33


Turns = Callable[[FloatArray, FloatArray], FloatArray]
"""Elliptic parameters, rad, of depths in m and of shares of the way round, rad as well, that broadcast."""


class ParallelCourse(NamedTuple):
    """A parallel at places of the wall, rows (R) from throat to mouth, columns (C) over a quarter.

    depths     : (R,), m, of the wall's places.
    heights    : (R, C), m, z of the parallel's.
    curvatures : (R, C), 1/m, the wall's larger principal one.
    cuts       : rows at which a smooth stretch begins.
    """

    depths: FloatArray
    heights: FloatArray
    curvatures: FloatArray
    cuts: tuple[int, ...]


def course(surface: Surface, thickness: float) -> ParallelCourse:
    """The parallel `thickness` (m) behind the wall, at places close enough to tell whether it rises everywhere."""
    t, psi = np.linspace(0.0, 1.0, _ROWS), np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    depths, heights, bends = [], [], []
    for stretch in range(len(surface.cuts) - 1):
        z = depth_at(surface, stretch, t)
        patch = surface.patch(z, psi, stretch=stretch)
        depths.append(z)
        heights.append(patch.points[..., 2] - thickness * patch.normals[..., 2])
        bends.append(patch.curvatures[..., 1])
    cuts = tuple(_ROWS * k for k in range(len(depths)))
    return ParallelCourse(np.concatenate(depths), np.concatenate(heights), np.concatenate(bends), cuts)


def crosses_once(found: ParallelCourse, height: float) -> bool:
    """Whether the parallel begins below a height (m) everywhere, goes through it once, and ends above it."""
    under = found.heights < height
    return bool(under[0].all() and not under[-1].any() and (np.diff(under, axis=0).sum(axis=0) == 1).all())


def at_heights(
    surface: Surface,
    thickness: float,
    heights: FloatArray,
    psi: FloatArray,
    *,
    turns: Turns | None = None,
    run: tuple[int, int] | None = None,
) -> tuple[FloatArray, ...]:
    """Points of the parallel, and the wall's normals and depths there, at heights (R, C), m, over parameters psi, (C,)
    or (R, C).

    turns : what psi stands for at each depth; None: for itself.
    run   : the first and the last smooth stretch of the wall behind which they lie; None: any.
    The parallel must rise along the wall between the heights asked for, and reach them: see `course`.
    Returns points and normals (R, C, 3), and depths (R, C); heights as asked, met to EXACT.
    """
    target, turn = heights.ravel(), np.broadcast_to(psi, heights.shape).ravel()
    first, last = run or (0, len(surface.cuts) - 2)
    bounds = surface.cuts[first], surface.cuts[last + 1]
    points, normals = np.empty((target.size, 3)), np.empty((target.size, 3))

    def missed(depth: FloatArray, at: IntArray) -> FloatArray:
        stretch = np.clip(np.searchsorted(surface.cuts, depth, side="right") - 1, first, last)
        for each in np.unique(stretch).tolist():
            own = stretch == each
            around = turn[at[own]] if turns is None else turns(depth[own], turn[at[own]])
            patch = surface.patch(depth[own], around[:, None], stretch=each, bends=False)
            normals[at[own]] = patch.normals[:, 0]
            points[at[own]] = patch.points[:, 0] - thickness * patch.normals[:, 0]
        return np.asarray(points[at, 2] - target[at])

    every = np.arange(target.size)
    low, high = (np.clip(target + away, *bounds) for away in (-thickness, thickness))
    under, over = missed(low, every), missed(high, every)
    depth = np.where(np.abs(under) <= EXACT, low, high)
    open_ = every[(np.abs(under) > EXACT) & (np.abs(over) > EXACT)]
    # Regula falsi, the value at the end that stays halved (Illinois; Dowell & Jarratt 1971, BIT 11, 168).
    for _ in range(_STEPS):
        if open_.size == 0:
            break
        a, b, f_a, f_b = low[open_], high[open_], under[open_], over[open_]
        middle = np.clip(b - f_b * (b - a) / np.where(f_b == f_a, 1.0, f_b - f_a), a, b)
        found = missed(middle, open_)
        depth[open_] = middle
        before = found < 0.0
        low[open_], high[open_] = np.where(before, middle, a), np.where(before, b, middle)
        under[open_] = np.where(before, found, 0.5 * f_a)
        over[open_] = np.where(before, 0.5 * f_b, found)
        open_ = open_[np.abs(found) > EXACT]
    missed(depth, every)
    points[:, 2] = target
    shape = (*heights.shape, 3)
    return points.reshape(shape), normals.reshape(shape), depth.reshape(heights.shape)
