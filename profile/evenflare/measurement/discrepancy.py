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

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

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
    values, near, group, slope = residuals[chosen], places[chosen], groups[chosen], slopes[chosen]
    means = (group[:, None] == np.unique(group)[None]).astype(float)
    basis, scale, _ = np.linalg.svd(np.concatenate([slope, means], axis=1), full_matrices=False)
    fitted, one = basis[:, scale > 1e-9 * scale[0]], np.eye(values.size)
    shapes = [(0.0, OCTAVES[0], RADIANS[0], one)]
    for octaves, radians in product(OCTAVES, RADIANS):
        correlation = _correlation(near, octaves, radians)
        shapes += [(ratio, octaves, radians, one + ratio * correlation) for ratio in RATIOS]
    noise = float(np.sqrt(min(_unlikely(values, fitted, each[3]) for each in shapes)[1]))
    before, expected = values - slope @ moved, slope @ slope.T / noise**2
    unlikely = np.array([_unlikely(before, means, each[3] + expected, noise=noise)[0] for each in shapes])
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    ratio = float(np.average([each[0] for each in shapes], weights=weight))
    _, octaves, radians, _ = shapes[int(np.argmax(weight * [each[0] > 0.0 for each in shapes]))]
    return Discrepancy(noise, noise * float(np.sqrt(ratio)), octaves, radians)


def _correlation(places: FloatArray, octaves: float, radians: float) -> FloatArray:
    """(N, N) correlation of a model's error, smooth in either distance (squared exponential)."""
    reach = (octaves, radians, radians, radians)
    apart, x, y, z = (((each[:, None] - each) / far) ** 2 for each, far in zip(places.T, reach, strict=True))
    return np.asarray(np.exp(-0.5 * apart - 0.5 * (x + y + z)))


def _unlikely(
    values: FloatArray, fitted: FloatArray, shape: FloatArray, *, noise: float | None = None
) -> tuple[float, float]:
    """Minus twice the restricted log-likelihood, with the best noise variance where none is given, and that."""
    try:
        factor = cho_factor(shape, lower=True)
    except LinAlgError:
        return np.inf, np.inf
    solved = cho_solve(factor, fitted)
    inner = fitted.T @ solved
    left = values - fitted @ np.linalg.solve(inner, solved.T @ values)
    freedom = max(values.size - fitted.shape[1], 1)
    square = float(left @ cho_solve(factor, left))
    variance = max(square / freedom, 1e-12) if noise is None else noise**2
    whole = 2.0 * float(np.sum(np.log(np.diag(factor[0])))) + float(np.linalg.slogdet(inner)[1])
    return whole + freedom * float(np.log(variance)) + square / variance, variance
