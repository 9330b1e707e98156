"""Straight fits that a few wrong values do not move."""

from __future__ import annotations

import numpy as np

from evenflare.units import FloatArray

LEAST_FREE = 0.1
"""Of 1 less a pair's leverage: a fit that rests on one pair alone says so by a large error, not an infinite one."""
HUBER_ROUNDS = 15
"""Of the robust fit, before far values are left out altogether, where there are at least
LEAST_TO_DROP of them."""
LEAST_TO_DROP = 6


def weighed(columns: FloatArray, values: FloatArray, *, dropping: bool = False) -> tuple[float, float]:
    """First coefficient of a robust straight fit, and its error: Huber's weights.

    dropping : whether Tukey's follow, which are 0 for far values: where a few may be wrong altogether.
    Sources: P. J. Huber, Ann. Math. Stat. 35 (1964) 73 (1.345 median deviations); A. E. Beaton and J. W. Tukey,
    Technometrics 16 (1974) 147 (4.685, from memory); error by the weighted residuals, each over 1 less its leverage,
    as a few pairs carry most (J. G. MacKinnon and H. White, J. Econometrics 29 (1985) 305: HC3).
    """
    mild, error = _fitted(columns, values, HUBER_ROUNDS)
    if not dropping or values.size < LEAST_TO_DROP:
        return mild, error
    # What is left out altogether no longer shows in the residuals: the larger error stands.
    value, other = _fitted(columns, values, 2 * HUBER_ROUNDS)
    return value, max(error, other)


def _fitted(columns: FloatArray, values: FloatArray, rounds: int) -> tuple[float, float]:
    """After so many rounds, those beyond `HUBER_ROUNDS` with Tukey's weights."""
    weight: FloatArray = np.ones(values.size)
    coefficients: FloatArray = np.zeros(columns.shape[1])
    for turn in range(rounds):
        root = np.sqrt(weight)
        coefficients = _least_squares(columns * root[:, None], values * root)
        left = values - columns @ coefficients
        # Their median; numpy's own takes most of its time for what a row of numbers does not have.
        far = np.sort(np.abs(left))
        scale = 1.4826 * 0.5 * float(far[(far.size - 1) // 2] + far[far.size // 2])
        if not scale > 0.0:
            break
        if turn < HUBER_ROUNDS:
            weight = np.asarray(np.minimum(1.0, 1.345 * scale / np.maximum(np.abs(left), np.finfo(float).tiny)))
        else:
            weight = np.asarray(np.clip(1.0 - (left / (4.685 * scale)) ** 2, 0.0, None) ** 2)
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
