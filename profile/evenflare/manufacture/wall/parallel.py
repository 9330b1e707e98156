"""The parallel of an oblong wall within the material, as its height over the wall's parameter: a shell's outside."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.units import MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide.surface import Surface, depth_at

EXACT = 1e-12
"""m, to which heights are met."""
_STEPS = 100
_ROWS, _COLUMNS = 129, 33
_MET = 1e-9
_NEWTON, _PROBE = 30, 1e-6


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


def at_heights(surface: Surface, thickness: float, heights: FloatArray, psi: FloatArray) -> tuple[FloatArray, ...]:
    """Points of the parallel, and the wall's normals and depths there, at heights (R, C), m, over parameters psi (C,).

    It must rise along the wall between the heights asked for, and reach them: see `course`.
    Returns points and normals (R, C, 3), and depths (R, C); heights as asked, met to EXACT.
    """
    target, turn = heights.ravel(), np.broadcast_to(psi, heights.shape).ravel()
    points, normals = np.empty((target.size, 3)), np.empty((target.size, 3))

    def missed(depth: FloatArray, at: IntArray) -> FloatArray:
        stretch = np.clip(np.searchsorted(surface.cuts, depth, side="right") - 1, 0, len(surface.cuts) - 2)
        for each in np.unique(stretch).tolist():
            own = stretch == each
            patch = surface.patch(depth[own], turn[at[own], None], stretch=each)
            normals[at[own]] = patch.normals[:, 0]
            points[at[own]] = patch.points[:, 0] - thickness * patch.normals[:, 0]
        return np.asarray(points[at, 2] - target[at])

    every = np.arange(target.size)
    low = np.clip(target - thickness, 0.0, surface.depth)
    high = np.clip(target + thickness, 0.0, surface.depth)
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


def at_turns(surface: Surface, thickness: float, heights: FloatArray, turns: FloatArray) -> FloatArray:
    """Points (R, C, 3), m, of the parallel at heights (R, C) and at angles (C,), rad, of its own: the angle about the
    axis once both are divided by the mouth's half axes.

    Where a section's curvature jumps the parallel runs on smoothly in its own angle, but not in the wall's parameter.
    Errors : InputError if there is no such place.
    """
    mouth, shape = surface.mouth, heights.shape
    z, turn = heights.ravel(), np.broadcast_to(turns, shape).ravel()

    def at_places(depth: FloatArray, psi: FloatArray) -> FloatArray:
        points = np.empty((z.size, 3))
        stretch = np.clip(np.searchsorted(surface.cuts, depth, side="right") - 1, 0, len(surface.cuts) - 2)
        for each in np.unique(stretch).tolist():
            own = stretch == each
            patch = surface.patch(depth[own], psi[own, None], stretch=each)
            points[own] = (patch.points - thickness * patch.normals)[:, 0]
        return points

    def missed(points: FloatArray) -> FloatArray:
        angle = np.arctan2(points[:, 1] / mouth.half_height, points[:, 0] / mouth.half_width)
        return np.stack([points[:, 2] - z, thickness * (angle - turn)])

    depth, psi = np.clip(z, 0.0, surface.depth), np.clip(turn, 0.0, 0.5 * np.pi)
    # Newton's way: at a jump of curvature the slope changes by less than itself, so that it still closes in.
    for _ in range(_NEWTON):
        points = at_places(depth, psi)
        off = missed(points)
        if np.abs(off).max() < _MET:
            break
        on, around = np.where(depth + _PROBE < surface.depth, _PROBE, -_PROBE), np.where(psi < 1.0, _PROBE, -_PROBE)
        by_depth = (missed(at_places(depth + on, psi)) - off) / on
        by_psi = (missed(at_places(depth, psi + around)) - off) / around
        scale = by_depth[0] * by_psi[1] - by_depth[1] * by_psi[0]
        depth = np.clip(depth - (off[0] * by_psi[1] - off[1] * by_psi[0]) / scale, 0.0, surface.depth)
        psi = np.clip(psi - (by_depth[0] * off[1] - by_depth[1] * off[0]) / scale, 0.0, 0.5 * np.pi)
    else:
        worst = float(z[np.abs(off).max(axis=0).argmax()]) / MILLIMETRE
        raise InputError(f"--step: the outside of this shell has no place found at z_mm = {worst:.4g}. Leave it out")
    points[:, 2] = z
    return points.reshape(*shape, 3)
