"""The only conversion factors. Inside the package everything is SI and radians.

A value in a file's unit times its factor is SI: ``depth = depth_mm * MILLIMETRE``; an SI value over the
factor is the file's: ``depth_mm = depth / MILLIMETRE``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

MILLIMETRE = 1e-3
INCH = 25.4 * MILLIMETRE
DEGREE = float(np.pi / 180.0)
CELSIUS_ZERO = 273.15
"""K at 0 degrees Celsius."""
KILOPASCAL = 1e3
PERCENT = 1e-2
MINUTE = 60.0
MILLISECOND = 1e-3

REFERENCE_PRESSURE = 20e-6
"""Pa rms, 0 dB of sound pressure level (ISO 1683:2015)."""
REFERENCE_POWER = 1e-12
"""W, 0 dB of sound power level (ISO 1683:2015)."""


def amplitude_db(ratio: ArrayLike) -> FloatArray:
    """Level of an amplitude ratio: 20 log10 |ratio| in dB; -inf where the ratio is 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(np.abs(ratio)), dtype=np.float64)


def power_db(ratio: ArrayLike) -> FloatArray:
    """Level of a power ratio (>= 0): 10 log10 ratio in dB; -inf where the ratio is 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=np.float64)), dtype=np.float64)


def read_only(values: ArrayLike, dtype: Any = np.float64) -> NDArray[Any]:
    """A copy of `values` as an array that cannot be written to: how frozen types hold arrays."""
    array = np.array(values, dtype=dtype)
    array.flags.writeable = False
    return array
