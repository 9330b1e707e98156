"""Where a waveguide's wall draws too badly from the sand, seen along the direction in which the mould leaves it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide import Meridian, Waveguide
from evenflare.waveguide.surface import Surface, depth_at

Pull = Literal["front", "back"]
_FINE = 401
_COLUMNS = 91
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Zone:
    """A stretch of wall below the draft angle.

    z_from, z_to : m, rising, from the throat plane.
    azimuths     : rad, from, to, within the first quarter, the others alike; None: all around.
    least        : rad, the smallest angle between wall and pull in it; negative: undercut.
    """

    z_from: float
    z_to: float
    azimuths: tuple[float, float] | None
    least: float


def draft_zones(waveguide: Waveguide, *, draft: float, pull: Pull) -> tuple[Zone, ...]:
    """Where the wall stands at less than `draft` (rad) to the axis, as the sand within it leaves toward `pull`.

    Probed at 400 places of each smooth stretch; an end between two is met on the straight line between their angles.
    """
    sign = 1.0 if pull == "front" else -1.0
    if waveguide.is_round:
        return _round_zones(waveguide.meridian, draft, sign)
    return _oblong_zones(waveguide.surface, draft, sign)


def _round_zones(meridian: Meridian, draft: float, sign: float) -> tuple[Zone, ...]:
    spans = []
    for piece in meridian.pieces:
        wall = piece.frame_at(np.linspace(0.0, 1.0, _FINE))
        angle = sign * np.arcsin(np.clip(np.sin(wall.angle), -1.0, 1.0))
        spans += _spans(wall.z, angle, draft)
    merged = _merged(spans)
    return tuple(Zone(low, high, None, least) for low, high, least in merged)


def _spans(z: FloatArray, angle: FloatArray, draft: float) -> list[tuple[float, float, float]]:
    """(from, to, least) of the stretches below the draft."""
    short = angle < draft - _ROUNDING
    found = []
    for start, end in _runs(short):
        low, high = float(z[start]), float(z[end])
        if start > 0:
            low = _crossing(z, angle, start - 1, draft)
        if end < z.size - 1:
            high = _crossing(z, angle, end, draft)
        found.append((min(low, high), max(low, high), float(angle[start : end + 1].min())))
    return found


def _crossing(z: FloatArray, angle: FloatArray, k: int, draft: float) -> float:
    share = (draft - angle[k]) / (angle[k + 1] - angle[k])
    return float(z[k] + share * (z[k + 1] - z[k]))


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last index of each run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    return [(int(a), int(b) - 1) for a, b in itertools.pairwise(edges.tolist())][::2]


def _merged(spans: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    found: list[tuple[float, float, float]] = []
    for low, high, least in sorted(spans):
        if found and low <= found[-1][1] + 1e-6:
            before = found.pop()
            low, high, least = before[0], max(high, before[1]), min(least, before[2])
        found.append((low, high, least))
    return found


def _oblong_zones(surface: Surface, draft: float, sign: float) -> tuple[Zone, ...]:
    psi, t = np.linspace(0.0, 0.5 * np.pi, _COLUMNS), np.linspace(0.0, 1.0, _FINE)
    zones: list[Zone] = []
    for stretch in range(len(surface.cuts) - 1):
        z = depth_at(surface, stretch, t)
        patch = surface.patch(z, psi, stretch=stretch, bends=False)
        angle = sign * np.arcsin(np.clip(patch.normals[..., 2], -1.0, 1.0))
        short = angle < draft - _ROUNDING
        for low, high, least in _spans(z, np.asarray(angle.min(axis=1)), draft):
            rows = (z >= low - _ROUNDING) & (z <= high + _ROUNDING)
            columns = short[rows].any(axis=0)
            azimuths = None
            if not columns.all():
                where = np.arctan2(patch.points[rows, :, 1], patch.points[rows, :, 0])[short[rows]]
                azimuths = float(where.min()), float(where.max())
            zones.append(Zone(low, high, azimuths, least))
    return tuple(zones)


def told(zone: Zone) -> str:
    """A zone in words, mm and degrees."""
    around = "all around"
    if zone.azimuths is not None:
        low, high = (each / DEGREE for each in zone.azimuths)
        around = f"azimuth {low:.0f} to {high:.0f} degrees and its mirror images"
    return (
        f"z {zone.z_from / MILLIMETRE:.2f} to {zone.z_to / MILLIMETRE:.2f} mm, {around}, least"
        f" {zone.least / DEGREE:.2f} degrees"
    )
