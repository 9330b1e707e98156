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
    shapes, logarithms, products = [(0.0, OCTAVES[0], RADIANS[0])], [0.0], [columns.T @ columns]
    for (i, octaves), (j, radians) in product(enumerate(OCTAVES), enumerate(RADIANS)):
        correlation = by_octave[i] * by_angle[j]
        for ratio in RATIOS:
            logarithm, white = _whitened(ratio * correlation, columns)
            shapes.append((ratio, octaves, radians))
            logarithms.append(logarithm)
            products.append(white.T @ white)
    seen = _Whitened(np.array(logarithms), np.array(products), values.size, slope.shape[1])
    unlikely, variance = seen.as_fitted(basis)
    noise = float(np.sqrt(variance[np.argmin(unlikely)]))
    unlikely = seen.before_fit(moved, noise)
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
    """Columns divided by the root of each of L laws of N residuals, in which that law is the identity: the residuals,
    their slopes by the K unknowns, and the M free means.

    logarithms : (L,) of the laws' determinants.
    products   : (L, 1 + K + M, 1 + K + M) of the columns with each other.
    """

    logarithms: FloatArray
    products: FloatArray
    size: int
    unknowns: int

    def as_fitted(self, basis: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(L,) minus twice the restricted log-likelihood with the best noise variance, and that. basis : (K + M, B), of
        slopes and means, at right angles in the residuals as they are.
        """
        turned = np.zeros((1 + len(basis), 1 + basis.shape[1]))
        turned[0, 0], turned[1:, 1:] = 1.0, basis
        square, logarithm = _left(turned.T @ self.products @ turned)
        freedom = max(self.size - basis.shape[1], 1)
        variance = np.maximum(square / freedom, 1e-12)
        return self.logarithms + logarithm + freedom * np.log(variance) + square / variance, variance

    def before_fit(self, moved: FloatArray, noise: float) -> FloatArray:
        """(L,) the first of what there was before the fit, by the law with what was expected of it, which the slopes
        carry: I + U U', whose inverse is I - U (I + U' U)^-1 U' (Woodbury's identity).
        """
        every = np.arange(self.products.shape[1])
        slopes, rest = every[1 : 1 + self.unknowns], np.delete(every, slice(1, 1 + self.unknowns))
        back = np.eye(every.size)
        back[slopes, 0] = -moved
        products = back.T @ self.products @ back
        expected = np.eye(self.unknowns) + products[:, slopes[:, None], slopes] / noise**2
        across = products[:, slopes[:, None], rest] / noise
        weighed = products[:, rest[:, None], rest] - across.transpose(0, 2, 1) @ np.linalg.solve(expected, across)
        square, logarithm = _left(weighed)
        freedom = max(self.size - (rest.size - 1), 1)
        whole = self.logarithms + np.linalg.slogdet(expected)[1] + logarithm
        return np.asarray(whole + freedom * np.log(noise**2) + square / noise**2)


def _left(products: FloatArray) -> tuple[FloatArray, FloatArray]:
    """From the products of columns (L, 1 + B, 1 + B) with each other: the square (L,) of what of the first the others
    leave, and the logarithm of their determinant.
    """
    inner, shown = products[:, 1:, 1:], products[:, 1:, :1]
    taken = (shown * np.linalg.solve(inner, shown)).sum(axis=(1, 2))
    return products[:, 0, 0] - taken, np.linalg.slogdet(inner)[1]


def _whitened(shared: FloatArray, columns: FloatArray) -> tuple[float, FloatArray]:
    """By the law of noise 1 and of what is shared besides, (N, N), which is worked in: the logarithm of its determinant
    and the columns.
    """
    shared.flat[:: len(shared) + 1] += 1.0
    # Symmetric, and as LAPACK has it in memory.
    factor = cholesky(shared.T, lower=True, overwrite_a=True, check_finite=False)
    logarithm = 2.0 * float(np.sum(np.log(np.diag(factor))))
    return logarithm, solve_triangular(factor, columns, lower=True, check_finite=False)
