"""Values between samples, for lines and surfaces that a picture draws more finely than they were solved."""

from __future__ import annotations

import numpy as np

from evenflare.units import FloatArray


def between(samples: FloatArray, values: FloatArray, wanted: FloatArray, *, axis: int) -> FloatArray:
    """Values at `wanted` places along an axis whose samples stand at `samples` (rising), all within their range.

    Cubics that keep to the range of their neighbours (Fritsch and Carlson 1980, from memory), so that no extreme is
    made up; straight between two samples, the same everywhere with one.
    """
    if samples.size == 1:
        return np.repeat(values, wanted.size, axis=axis)
    from scipy.interpolate import PchipInterpolator

    return np.asarray(PchipInterpolator(samples, values, axis=axis)(wanted))
