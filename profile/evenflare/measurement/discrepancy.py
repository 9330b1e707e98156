"""How a model that is not quite right widens what is learned with it: a discrepancy that neighbouring levels share.

Residuals are taken for the sum of noise, independent from level to level, and of an error of the model, whose
correlation falls with distance in frequency and in direction. Both sizes and the reach are those that make the
residuals most probable, what was fitted taken out; then they are carried through the fit. What the fit has absorbed of
the model's error does not show in its residuals, but by the reach of the rest it is known how much that may be.
Sources: M. C. Kennedy and A. O'Hagan, J. R. Statist. Soc. B 63 (2001) 425 (discrepancy); H. D. Patterson and R.
Thompson, Biometrika 58 (1971) 545 (restricted likelihood); JCGM 100, eq. 13 (correlated contributions).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from evenflare.units import FloatArray, IntArray

RATIOS = (0.1, 0.4, 1.6, 6.4, 25.0, 100.0, 400.0)
"""Of the discrepancy's variance, by that of the noise."""
OCTAVES = (0.3, 1.0, 3.0)
RADIANS = (0.2, 0.5, 1.5)
"""Distances within which its correlation falls by the root of e. Smooth, as errors of a box or a mouth are."""
MOST = 400
"""Cells from which sizes and reach are sought."""


@dataclass(frozen=True)
class Discrepancy:
    """Of residual levels.

    noise, size      : dB, standard deviations of what is independent and of what is shared.
    octaves, radians : reach of the second.
    """

    noise: float
    size: float
    octaves: float
    radians: float

    def covariance(self, places: FloatArray) -> FloatArray:
        """(N, N) dB^2 of residuals at places (N, 4), as `places_of` gives them."""
        shared = self.size**2 * _correlation(places, self.octaves, self.radians)
        return np.asarray(shared + self.noise**2 * np.eye(len(places)))


def places_of(frequency: FloatArray, azimuth: FloatArray, off_axis: FloatArray) -> FloatArray:
    """(N, 4): octaves, and a direction as a unit vector."""
    across = np.sin(off_axis)
    return np.stack([np.log2(frequency), across * np.cos(azimuth), across * np.sin(azimuth), np.cos(off_axis)], axis=1)


def discrepancy_of(
    residuals: FloatArray, slopes: FloatArray, places: FloatArray, groups: IntArray, *, moved: FloatArray
) -> Discrepancy:
    """The most probable discrepancy of a fit.

    residuals : (N,) dB, slopes (N, K) their derivatives by what was fitted, groups (N,) of one free mean each.
    moved     : (K,) where the fit went, in standard deviations of what was expected.
    Its variance is the mean over all sizes and reaches, by their likelihood: a few residuals hardly tell it.
    The noise is that of the residuals, whatever was fitted. The discrepancy is sought in what there was before the fit:
    a model that is wrong in the way that an unknown would make it sends the unknown further than it is expected.
    """
    chosen = np.unique(np.linspace(0, residuals.size - 1, min(residuals.size, MOST)).astype(int))
    values, group, slope = residuals[chosen], groups[chosen], slopes[chosen]
    means = (group[:, None] == np.unique(group)[None]).astype(float)
    columns = np.concatenate([values[:, None], slope, means], axis=1)
    _, scale, turned = np.linalg.svd(columns[:, 1:], full_matrices=False)
    kept = scale > 1e-9 * scale[0]
    basis = turned[kept].T / scale[kept]
    apart, across = _squares(places[chosen])
    by_octave, by_angle = (
        [np.exp(-0.5 / reach**2 * square) for reach in reaches]
        for square, reaches in ((apart, OCTAVES), (across, RADIANS))
    )
    shapes, seen = [(0.0, OCTAVES[0], RADIANS[0])], [_Whitened(0.0, columns, slope.shape[1])]
    for (i, octaves), (j, radians) in product(enumerate(OCTAVES), enumerate(RADIANS)):
        correlation = by_octave[i] * by_angle[j]
        for ratio in RATIOS:
            shapes.append((ratio, octaves, radians))
            seen.append(_whitened(ratio * correlation, columns, slope.shape[1]))
    noise = float(np.sqrt(min(each.as_fitted(basis) for each in seen)[1]))
    unlikely = np.array([each.before_fit(moved, noise) for each in seen])
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    ratio = float(np.average([each[0] for each in shapes], weights=weight))
    _, octaves, radians = shapes[int(np.argmax(weight * [each[0] > 0.0 for each in shapes]))]
    return Discrepancy(noise, noise * float(np.sqrt(ratio)), octaves, radians)


def _squares(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(N, N) each, squared distances in octaves and between directions."""
    octaves, x, y, z = ((each[:, None] - each) ** 2 for each in places.T)
    return octaves, x + y + z


def _correlation(places: FloatArray, octaves: float, radians: float) -> FloatArray:
    """(N, N) correlation of a model's error, smooth in either distance (squared exponential)."""
    apart, across = _squares(places)
    return np.asarray(np.exp(-0.5 * (apart / octaves**2 + across / radians**2)))


class _Whitened(NamedTuple):
    """Columns divided by the root of one law of the residuals, in which that law is the identity.

    logarithm : of its determinant.
    columns   : (N, 1 + K + M) the residuals, their slopes by the K unknowns, and the free means.
    """

    logarithm: float
    columns: FloatArray
    unknowns: int

    def as_fitted(self, basis: FloatArray) -> tuple[float, float]:
        """Minus twice the restricted log-likelihood with the best noise variance, and that. basis : (K + M, B), of
        slopes and means, at right angles in the residuals as they are.
        """
        values, fitted = self.columns[:, 0], self.columns[:, 1:] @ basis
        inner = fitted.T @ fitted
        left = values - fitted @ np.linalg.solve(inner, fitted.T @ values)
        freedom = max(values.size - fitted.shape[1], 1)
        square = float(left @ left)
        variance = max(square / freedom, 1e-12)
        return self.logarithm + _logarithm(inner) + freedom * float(np.log(variance)) + square / variance, variance

    def before_fit(self, moved: FloatArray, noise: float) -> float:
        """The first of what there was before the fit, by the law with what was expected of it, which the slopes carry:
        I + U U', whose inverse is I - U (I + U' U)^-1 U' (Woodbury's identity).
        """
        slope, means = np.split(self.columns[:, 1:], [self.unknowns], axis=1)
        before, wide = self.columns[:, 0] - slope @ moved, slope / noise
        expected = np.eye(wide.shape[1]) + wide.T @ wide

        def weighed(columns: FloatArray) -> FloatArray:
            return np.asarray(columns - wide @ np.linalg.solve(expected, wide.T @ columns))

        inner = means.T @ weighed(means)
        left = before - means @ np.linalg.solve(inner, means.T @ weighed(before))
        freedom = max(before.size - means.shape[1], 1)
        whole = self.logarithm + _logarithm(expected) + _logarithm(inner)
        return float(whole + freedom * np.log(noise**2) + left @ weighed(left) / noise**2)


def _whitened(shared: FloatArray, columns: FloatArray, unknowns: int) -> _Whitened:
    """By the law of noise 1 and of what is shared besides, (N, N), which is worked in."""
    shared[np.diag_indices_from(shared)] += 1.0
    factor = cholesky(shared.T, lower=True, overwrite_a=True)  # symmetric, and as LAPACK has it in memory
    logarithm = 2.0 * float(np.sum(np.log(np.diag(factor))))
    return _Whitened(logarithm, solve_triangular(factor, columns, lower=True), unknowns)


def _logarithm(matrix: FloatArray) -> float:
    """Of its determinant."""
    return float(np.linalg.slogdet(matrix)[1])
