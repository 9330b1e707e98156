"""Invented inspections of parts: points on a drawn wall, moved as a deviation says, with noise and strays."""

from __future__ import annotations

import numpy as np

from evenflare.inspection.form import ALONG, AROUND, departure
from evenflare.inspection.found import Estimate, Inspection
from evenflare.waveguide import Waveguide
from evenflare.waveguide.deviated import WallDeviation

NOISE = 0.01e-3
"""m, of a point."""


def invented(
    waveguide: Waveguide,
    wall: WallDeviation,
    *,
    count: int = 6000,
    noise: float = NOISE,
    strays: float = 0.0,
    seed: int = 1,
    pose_error: float = 2e-6,
    errors: float = 2e-6,
    registered_to: str = "datums",
) -> Inspection:
    """A scan of a round part, registered without fault. strays : share of points that lie anywhere, and are told."""
    draw = np.random.default_rng(seed)
    share, azimuth = draw.uniform(0.0, 1.0, count), draw.uniform(0.0, 2.0 * np.pi, count)
    drawn = waveguide.meridian.dense
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(drawn.z), np.diff(drawn.r)))])
    z, r, angle = (np.interp(share, arc / arc[-1], each) for each in (drawn.z, drawn.r, drawn.angle))
    rows = departure(waveguide, wall)
    folded = np.arccos(np.abs(np.cos(azimuth)))
    row, column = np.round(share * (ALONG - 1)).astype(int), np.round(folded / (0.5 * np.pi) * (AROUND - 1)).astype(int)
    off = rows[row, column] + wall.scale * (r * np.cos(angle) - z * np.sin(angle)) + noise * draw.standard_normal(count)
    used = draw.uniform(size=count) >= strays
    off = np.where(used, off, draw.uniform(-5e-3, 5e-3, count))
    normal = np.stack([np.cos(angle) * np.cos(azimuth), np.cos(angle) * np.sin(azimuth), -np.sin(angle)], axis=1)
    points = np.stack([r * np.cos(azimuth), r * np.sin(azimuth), z], axis=1) + off[:, None] * normal
    waves = np.array(wall.waves) if wall.waves else np.zeros((1, 1))
    return Inspection(
        points=points,
        off=off,
        share=share,
        azimuth=azimuth,
        used=used,
        registered_to=registered_to,
        rotation=np.eye(3),
        shift=np.zeros(3),
        pose_error=np.full(6, pose_error) * [1, 1, 1, 10, 10, 10],
        scale=Estimate(1.0 + wall.scale, errors / 0.1),
        offset=Estimate(wall.offset, errors),
        bow=Estimate(wall.bow, errors),
        ovality=Estimate(wall.ovality, errors),
        tilt=Estimate(0.0, errors / 0.1),
        throat_step=Estimate(wall.throat_step, errors),
        waviness=Estimate(float(np.sqrt(np.mean(waves**2))), errors),
        waviness_length=0.015,
        wall=wall,
    )
