"""Scans of invented parts, made from a drawn wall by numpy and scipy: errors planted, waves, noise, other surfaces."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.spatial.transform import Rotation

from evenflare.inspection.feet import drawn_wall
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide


class Planted(NamedTuple):
    """What a part departs by: m, and a share."""

    scale: float = 0.0
    offset: float = 0.0
    bow: float = 0.0
    ovality: float = 0.0


class Made(NamedTuple):
    """A scan (N, 3) m in its own coordinates, the part (N, 3) in the drawing's, how many of the points are wall, and
    the rms of its waves, m.
    """

    scan: FloatArray
    part: FloatArray
    wall: int
    waves: float


def places(waveguide: Waveguide, count: int, rng: np.random.Generator, *, span: float = np.pi):
    """Places spread evenly over the wall between two azimuths, and normals away from the axis."""
    share, azimuth = rng.uniform(0.01, 0.99, 6 * count), rng.uniform(-span, span, 6 * count)
    points, away = drawn_wall(waveguide).wall_at(share, azimuth)
    radius = np.hypot(points[:, 0], points[:, 1])
    kept = np.flatnonzero(rng.uniform(size=radius.size) < radius / radius.max())[:count]
    assert kept.size == count
    return points[kept], away[kept]


def on(waveguide: Waveguide, count: int, rng: np.random.Generator) -> FloatArray:
    """(N, 3) m, places on a wall, as many at one depth as at another."""
    surface = waveguide.surface
    z, psi = rng.uniform(0.003, 0.997, count) * waveguide.depth, rng.uniform(0.0, 2.0 * np.pi, (count, 1))
    which = np.clip(np.searchsorted(surface.cuts, z) - 1, 0, len(surface.cuts) - 2)
    found = []
    for i in np.unique(which):
        depth, around = z[which == i, None], psi[which == i]
        a, b, _, _ = surface.axes(depth[:, 0], stretch=i)
        section = surface.factor(depth, a[:, None], b[:, None], around)[:, 0]
        found.append(np.column_stack([a * section * np.cos(around[:, 0]), b * section * np.sin(around[:, 0]), depth]))
    return np.concatenate(found)


def field(at: FloatArray, length: float, rng: np.random.Generator, count: int = 150) -> FloatArray:
    """A Gaussian field of variance 1 at places (N, D), correlated by exp(-d^2 / (2 l^2)): a sum of random cosines.

    Source: Shinozuka and Deodatis (1991), Simulation of stochastic processes by spectral representation (from memory).
    """
    wave = rng.normal(size=(count, at.shape[1])) / length
    return np.sqrt(2.0 / count) * np.cos(at @ wave.T + rng.uniform(0.0, 2.0 * np.pi, count)).sum(axis=1)


def departure(points: FloatArray, away: FloatArray, depth: float, planted: Planted) -> FloatArray:
    """m along the normal: each kind as it is defined, not as it is fitted."""
    azimuth = np.arctan2(points[:, 1], points[:, 0])
    return (
        planted.scale * np.sum(points * away, axis=1)
        + planted.offset
        + planted.bow * np.sin(np.pi * points[:, 2] / depth)
        + planted.ovality * np.cos(2.0 * azimuth)
    )


def made(
    waveguide: Waveguide,
    planted: Planted,
    *,
    seed: int,
    count: int = 3000,
    waves: float = 2e-5,
    noise: float = 1.5e-5,
    length: float = 0.014,
    span: float = np.pi,
    face: bool = False,
    strays: float = 0.0,
    turned: bool = True,
) -> Made:
    """One part, scanned: in any position and orientation, or as it is drawn."""
    rng = np.random.default_rng(seed)
    points, away = places(waveguide, count, rng, span=span)
    wall = drawn_wall(waveguide)
    wavy = waves * field(points, length, rng)
    off = departure(points, away, wall.depth, planted) + wavy
    part = points + off[:, None] * away + rng.normal(size=points.shape) * noise
    others = []
    if face:
        rim = wall.wall_at(np.ones(1), np.zeros(1))[0][0]
        r = np.sqrt(rng.uniform((rim[0] + 3e-3) ** 2, (rim[0] + 20e-3) ** 2, count // 5))
        a = rng.uniform(-span, span, r.size)
        flat = np.column_stack([r * np.cos(a), r * np.sin(a), np.full(r.size, rim[2] * (1.0 + planted.scale))])
        others.append(flat + rng.normal(size=flat.shape) * noise)
    if strays:
        low, high = part.min(axis=0) - 0.02, part.max(axis=0) + 0.02
        others.append(rng.uniform(low, high, (round(strays * count), 3)))
    part = np.vstack([part, *others])
    scan = part
    if turned:
        turn = Rotation.random(random_state=seed)
        scan = turn.apply(part) + rng.uniform(-0.5, 0.5, 3)
    return Made(scan, part, count, float(np.sqrt(np.mean(wavy**2))))
