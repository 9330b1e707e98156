"""The member of a family that comes nearest to walls given, by least squares."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.kept import ROUNDING
from evenflare.waveguide.likeness import farthest, walls
from evenflare.waveguide.space import ParameterSpace

STEP = 1e-5
"""On [0, 1], of the differences by which slopes are found: above what the roots behind a shape leave."""
INSIDE = 0.02
"""On [0, 1], how far from the bounds least squares begin."""
EXACT = 1e-7
"""m; a member that comes this near is the shape itself."""
MOST_TRIALS = 40
"""Times the slopes are found anew; ten to thirty are usual."""
SETTLED = 1e-6
"""Of change by a step, relative, from which a fit is as good as it gets."""
DEAR = 100.0
"""Times a distance, what a mouth outside the limits costs."""
MARGIN = 0.01 * MILLIMETRE
"""Within the limits, from where on that begins: it holds a mouth back, but not to the last digit."""
FAR = 1e3
"""mm, stands for the distance of a vector that gives no wall."""


class Fit(NamedTuple):
    """A vector on [0, 1], and the greatest distance of its walls from those given, m."""

    vector: FloatArray
    misfit: float


def fitted(space: ParameterSpace, wanted: FloatArray, guess: FloatArray) -> Fit | None:
    """The member whose walls come nearest to `wanted` (P, COUNT, 2), as `likeness.walls`, from a first guess (n,).

    Least squares of the distances at equal shares of the arc; the guess itself where that is no nearer. None if no
    member there or about it has a mouth within the limits.
    """

    def found(vector: FloatArray) -> FloatArray | None:
        try:
            return walls(space.waveguide(vector))
        except ValueError:
            return None

    def beyond(there: FloatArray, margin: float = 0.0) -> FloatArray:
        """m, by which each mouth is outside the limits, where the family has none of that depth within them."""
        low, high = 0.5 * np.array(space.limits.mouth[: len(there)]).T
        mouth = there[:, -1, 1]
        return np.asarray(np.maximum(np.maximum(low - mouth, mouth - high) + margin, 0.0))

    def residuals(vector: FloatArray) -> FloatArray:
        there = found(vector)
        if there is None:
            return np.full(wanted.size + len(wanted), FAR)
        return np.concatenate([np.ravel(there - wanted), DEAR * beyond(there, MARGIN)]) / MILLIMETRE

    def judged(vector: FloatArray) -> Fit | None:
        there = found(vector)
        if there is None or beyond(there).max() > 0.5 * ROUNDING:
            return None
        try:
            _ = space.waveguide(vector).depth  # it must fit into its mounting, too
        except ValueError:
            return None
        return Fit(vector, farthest(there, wanted))

    first = judged(guess)
    if guess.size == 0 or (first is not None and first.misfit <= EXACT):
        return first
    # A step is relative to its place, so places count from 1 on; off the bounds, where a roundover that is none has no
    # slope.
    refined = least_squares(
        lambda place: residuals(place - 1.0),
        1.0 + np.clip(guess, INSIDE, 1.0 - INSIDE),
        bounds=(1.0, 2.0),
        diff_step=STEP,
        xtol=SETTLED,
        ftol=SETTLED,
        max_nfev=MOST_TRIALS,
    )
    both = [each for each in (first, judged(np.asarray(refined.x) - 1.0)) if each is not None]
    return min(both, key=lambda each: each.misfit) if both else None
