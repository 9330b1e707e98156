"""The arc of an oblong wall's mean wall by its depth, and depth by an angle in which a wall is smooth up to its rim."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import BSpline, PPoly, make_interp_spline

from evenflare.units import FloatArray
from evenflare.waveguide.surface import Surface

RIM = 1e-4
"""rad, over the angle whose cosine runs with depth: closer to a rim at 90 degrees what is sought is 0 over 0."""
_CELLS = 48
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True)
class MeanArc:
    """The arc of the mean wall over the depth, from the throat: a spline for each smooth stretch over the angle between
    0 and pi whose cosine runs with depth, in which it is smooth also where the wall ends at 90 degrees.
    """

    surface: Surface

    @cached_property
    def _table(self) -> tuple[tuple[BSpline, ...], float]:
        turn = np.linspace(0.0, np.pi, _CELLS + 1)
        inner = turn[:-1, None] + 0.5 * np.pi / _CELLS * (1.0 + _NODES)
        found, reached = [], 0.0
        for which, (low, high) in enumerate(itertools.pairwise(self.surface.cuts)):
            axes = self.surface.axes(low + 0.5 * (high - low) * (1.0 - np.cos(inner)), stretch=which)
            slope = (axes.b * np.tan(axes.a_angle) + axes.a * np.tan(axes.b_angle)) / (2.0 * np.sqrt(axes.a * axes.b))
            rate = 0.5 * (high - low) * np.sin(inner) * np.hypot(1.0, slope)
            arc = reached + np.concatenate([[0.0], np.cumsum(rate @ (0.5 * np.pi / _CELLS * _WEIGHTS))])
            found.append(make_interp_spline(turn, arc, k=5))
            reached = float(arc[-1])
        return tuple(found), reached

    @property
    def length(self) -> float:
        """M."""
        return self._table[1]

    def at_depth(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """m, and its slope by the depth, at depths z (m, any shape)."""
        from evenflare.waveguide.moving import arc_at_depth

        z = np.asarray(z, dtype=np.float64)
        arc, slope = arc_at_depth(np.array(self.surface.cuts), *self._powers, z.ravel(), RIM).reshape(2, *z.shape)
        return arc, slope

    @cached_property
    def _powers(self) -> tuple[FloatArray, FloatArray]:
        """Where the polynomials of the splines begin and end (N + 1,), rad, and their coefficients
        (stretches, 6, N), of the highest power first.
        """
        every = [PPoly.from_spline(spline) for spline in self._table[0]]
        # Its first and its last knots lie on one another.
        some = np.flatnonzero(np.diff(every[0].x) > 0.0)
        return every[0].x[some[0] : some[-1] + 2].copy(), np.array([each.c[:, some] for each in every])


def stretches_of(cuts: tuple[float, ...], z: FloatArray) -> list[tuple[FloatArray, float, float]]:
    """Which of depths z lie in each stretch, and its ends."""
    which = np.clip(np.searchsorted(np.array(cuts), z) - 1, 0, len(cuts) - 2)
    return [(which == i, low, high) for i, (low, high) in enumerate(itertools.pairwise(cuts))]


def turn_of(z: FloatArray, low: float, high: float) -> FloatArray:
    """rad, 0 to pi: the angle whose cosine runs with depth from `low` to `high`."""
    return np.asarray(2.0 * np.arctan2(np.sqrt(np.maximum(z - low, 0.0)), np.sqrt(np.maximum(high - z, 0.0))))
