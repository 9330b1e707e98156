"""Places of a wall by their share of its arc: how deep they lie, and how far from the axis."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.deviated import Arcs
from evenflare.waveguide.waveguide import Waveguide

SAMPLES = 257
"""Of a smooth stretch of wall."""


@dataclass(frozen=True)
class WallPlaces:
    """A wall from throat to mouth, (K,) each: share of the arc, rising from 0 to 1; depth from the throat plane and
    radius, m. Of an oblong waveguide its mean wall, whose radius is the root of the product of both semi-axes.

    length : m, of the whole arc.
    """

    share: FloatArray
    z: FloatArray
    radius: FloatArray
    length: float

    def depth_of(self, share: FloatArray) -> FloatArray:
        """m, of shares of the arc."""
        return np.asarray(np.interp(share, self.share, self.z))


def wall_places(waveguide: Waveguide) -> WallPlaces:
    """The places of a waveguide's wall. ValueError if it has none."""
    if waveguide.is_round:
        pieces = waveguide.meridian.pieces
        t = np.linspace(0.0, 1.0, SAMPLES)
        frames = [piece.frame_at(t) for piece in pieces]
        arcs = [Arcs(piece) for piece in pieces]
        starts = np.concatenate([[0.0], np.cumsum([each.length for each in arcs])])
        along = np.concatenate([start + each.arc_at(t) for start, each in zip(starts[:-1], arcs, strict=True)])
        z = np.concatenate([frame.z for frame in frames]) - waveguide.meridian.ends.z[0]
        radius = np.concatenate([frame.r for frame in frames])
    else:
        surface = waveguide.surface
        depths, radii = [], []
        for stretch, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
            # Closer together at the ends, where a rim turns away.
            at = low + (high - low) * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, SAMPLES)))
            axes = surface.axes(at, stretch=stretch)
            depths.append(at)
            radii.append(np.sqrt(axes.a * axes.b))
        z, radius = np.concatenate(depths), np.concatenate(radii)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(radius)))])
    return WallPlaces(along / along[-1], z, radius, float(along[-1]))
