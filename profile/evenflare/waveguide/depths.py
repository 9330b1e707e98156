"""A meridian by depth: which point of it lies at a given distance from the throat plane."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline, make_interp_spline

from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.meridian import Frame, Meridian, Piece
from evenflare.waveguide.moved import unbent

STEEP = 1e-5
"""Cosine of the wall's angle below which depth no longer says where on the wall a point is: there the table does."""
CLOSE = 1e-13
"""m along the wall, to which a point is sought."""
SLIVER = 1e-6
"""m, length of a piece that need not advance."""
SNAP = 1e-16
"""m, rounding of a depth."""


@dataclass(frozen=True)
class ByDepth:
    """A piece of wall that advances along the axis everywhere, except that it may stand at 90 degrees at its ends."""

    piece: Piece

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray, BSpline]:
        """Parameters t, their depths, and a spline of t over the angle between 0 and pi whose cosine runs with depth.

        Over that angle t is smooth also where z(t) turns level at an end.
        """
        t = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 97))
        z = unbent(self.piece, t).z
        return t, z, make_interp_spline(_angle(z, z[0], z[-1]), t, k=5)

    def frame_at_depth(self, z: FloatArray, *, bends: bool) -> Frame:
        """The wall at depths `z` (m, any shape); beyond an end it is that end. bends : see DepthMap."""
        t, table, spline = self._table
        sought = np.minimum(np.maximum(z, table[0]), table[-1])
        sought = np.where(table[-1] - sought < SNAP, table[-1], sought)
        guess = np.minimum(np.maximum(spline(_angle(sought, table[0], table[-1])), 0.0), 1.0)
        low = high = None
        # Newton's method, kept between the neighbours in the table by halving; mostly the guess is good, and a few
        # depths on a cusp need many steps.
        for _ in range(60):
            found = unbent(self.piece, guess)
            miss, cosine = found.z - sought, np.cos(found.angle)
            far = (np.abs(miss) > CLOSE * np.maximum(cosine, STEEP)) & (cosine > STEEP)
            if not far.any():
                break
            if low is None or high is None:
                interval = np.minimum(np.searchsorted(table, sought, side="right"), t.size - 1)
                low, high = t[interval - 1], t[interval]
            low, high = (
                np.where(miss < 0.0, np.maximum(guess, low), low),
                np.where(miss > 0.0, np.minimum(guess, high), high),
            )
            step = guess - miss / (np.maximum(cosine, STEEP) * np.maximum(found.speed, SNAP))
            step = np.where((step < low) | (step > high), 0.5 * (low + high), step)
            guess = np.where(far, step, guess)
        return self.piece.frame_at(guess) if bends and found.curvature.size < found.z.size else found


def _angle(z: FloatArray, first: float, last: float) -> FloatArray:
    return np.asarray(2.0 * np.arctan2(np.sqrt(np.maximum(z - first, 0.0)), np.sqrt(np.maximum(last - z, 0.0))))


@dataclass(frozen=True)
class DepthMap:
    """A meridian over the depth from 0 to `depth` (m), to which its own, the same to a micrometre, is stretched.

    Errors: ValueError if it does not advance along the axis everywhere.
    """

    meridian: Meridian
    depth: float

    def __post_init__(self) -> None:
        wall = self.meridian.dense
        z = wall.z.reshape(len(self.meridian.pieces), -1)
        r = wall.r.reshape(z.shape)
        # A roundover too small to see may not advance by a rounding; it has no stretch of its own either.
        seen = np.hypot(z[:, -1] - z[:, 0], r[:, -1] - r[:, 0]) > SLIVER
        back = (np.diff(z, axis=1) <= 0.0) & seen[:, None]
        if back.any():
            piece, step = np.argwhere(back)[0]
            raise ValueError(
                f"the wall does not advance along the axis at z_mm = {z[piece, step] / MILLIMETRE:.4g}: must rise in z"
                " everywhere, since the section at each depth is one curve. Give that part a slope, or smooth it"
            )

    @cached_property
    def _pieces(self) -> tuple[ByDepth, ...]:
        return tuple(ByDepth(piece) for piece in self.meridian.pieces)

    @cached_property
    def joints(self) -> tuple[float, ...]:
        """m, depths at which one piece follows another."""
        start, scale = self.scale
        ends = self.meridian.dense.z.reshape(len(self.meridian.pieces), -1)[:-1, -1]
        return tuple(((ends - start) / scale).tolist())

    @cached_property
    def scale(self) -> tuple[float, float]:
        """m, where the meridian begins along the axis, and its own depth over `depth`."""
        start, end = self.meridian.ends.z.tolist()
        return start, (end - start) / self.depth

    def frame_at_depth(self, z: FloatArray, *, near: float, bends: bool) -> Frame:
        """The wall at depths `z` (m, any shape) on the piece that holds the depth `near`.

        bends : whether curvatures are asked for; else they may be wanting.
        """
        start, scale = self.scale
        piece = int(np.searchsorted(self.joints, near))
        return self._pieces[piece].frame_at_depth(start + z * scale, bends=bends)
