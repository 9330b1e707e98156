"""Straight fits that a few wrong values do not move."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evenflare.units import FloatArray

LEAST_FREE = 0.1
"""Of 1 less a pair's leverage: a fit that rests on one pair alone says so by a large error, not an infinite one."""
HUBER_ROUNDS = 15
"""Of the robust fit, and as many after them in which far values are left out altogether, where there are at least
LEAST_TO_DROP of them."""
LEAST_TO_DROP = 6


def weighed(columns: FloatArray, values: FloatArray, *, dropping: bool = False) -> tuple[float, float]:
    """First coefficient of a robust straight fit, and its error: Huber's weights.

    dropping : whether Tukey's follow, which are 0 for far values: where a few may be wrong altogether.
    Sources: P. J. Huber, Ann. Math. Stat. 35 (1964) 73 (1.345 median deviations); A. E. Beaton and J. W. Tukey,
    Technometrics 16 (1974) 147 (4.685, from memory); error by the weighted residuals, each over 1 less its leverage,
    as a few pairs carry most (J. G. MacKinnon and H. White, J. Econometrics 29 (1985) 305: HC3).
    """
    mild = _reweighted(columns, values, np.ones(values.size), _huber)
    value, error = _told(columns, values, *mild)
    if not dropping or values.size < LEAST_TO_DROP:
        return value, error
    # What is left out altogether no longer shows in the residuals: the larger error stands.
    value, other = _told(columns, values, *_reweighted(columns, values, mild[1], _tukey))
    return value, max(error, other)


def _huber(far: FloatArray) -> FloatArray:
    """Weights of residuals that are so many times their scale, 0 and more."""
    return np.asarray(np.minimum(1.0, 1.345 / np.maximum(far, np.finfo(float).tiny)))


def _tukey(far: FloatArray) -> FloatArray:
    """The same."""
    return np.asarray(np.maximum(1.0 - (far / 4.685) ** 2, 0.0) ** 2)


def _reweighted(
    columns: FloatArray, values: FloatArray, weight: FloatArray, weights: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Coefficients after `HUBER_ROUNDS` from a first weight on, and the weights then."""
    coefficients: FloatArray = np.zeros(columns.shape[1])
    for _ in range(HUBER_ROUNDS):
        root = np.sqrt(weight)
        coefficients = _least_squares(columns * root[:, None], values * root)
        left = np.abs(values - columns @ coefficients)
        # Their median; numpy's own takes most of its time for what a row of numbers does not have.
        far = np.sort(left)
        scale = 1.4826 * 0.5 * float(far[(far.size - 1) // 2] + far[far.size // 2])
        if not scale > 0.0:
            break
        weight = weights(left / scale)
    return coefficients, weight


def _told(columns: FloatArray, values: FloatArray, coefficients: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """The first coefficient of a fit with such weights, and its error."""
    left = values - columns @ coefficients
    bread = np.linalg.pinv(columns.T @ (weight[:, None] * columns))
    leverage = weight * np.einsum("ij,jk,ik->i", columns, bread, columns)
    left = left / np.maximum(1.0 - leverage, LEAST_FREE)
    meat = columns.T @ ((weight * left)[:, None] ** 2 * columns)
    spread = bread @ meat @ bread
    return float(coefficients[0]), float(np.sqrt(max(spread[0, 0], 0.0)))


def _least_squares(columns: FloatArray, values: FloatArray) -> FloatArray:
    """Coefficients; of a single column, which most fits have, without a decomposition."""
    square = float(np.sum(columns**2))
    if columns.shape[1] == 1 and square > 0.0:
        return np.asarray(columns.T @ values / square)
    return np.asarray(np.linalg.lstsq(columns, values, rcond=None)[0])
