"""Fractions of an octave: band frequencies, and smoothing over them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import FloatArray, power_db

OCTAVE = 10.0**0.3
"""Frequency ratio of an octave, base ten (IEC 61260-1:2014, 5.2)."""


def midbands(fraction: int, *, lowest: float, highest: float) -> FloatArray:
    """Exact midband frequencies, Hz, of the bands 1 / `fraction` octave wide from `lowest` to `highest` Hz inclusive.

    1000 Hz is a midband where `fraction` is odd and a band edge where it is even. ValueError if `fraction` < 1 or
    the range is empty. Source: IEC 61260-1:2014, 5.4 (from memory).
    """
    if fraction < 1 or not 0.0 < lowest <= highest:
        raise ValueError(f"bands of 1/{fraction} octave from {lowest:g} to {highest:g} Hz: must be 1/1 or less, rising")
    offset = 0.0 if fraction % 2 else 0.5
    # A rounding's width, so that a midband typed with all its digits is inside.
    first, last = (fraction * np.log(f / 1000.0) / np.log(OCTAVE) - offset for f in (lowest, highest))
    step = np.arange(np.ceil(first - 1e-9), np.floor(last + 1e-9) + 1.0)
    return np.asarray(1000.0 * OCTAVE ** ((step + offset) / fraction))


def band_edges(midband: ArrayLike, *, fraction: float) -> tuple[FloatArray, FloatArray]:
    """Lower and upper edge, Hz, of bands 1 / `fraction` octave wide. Source: IEC 61260-1:2014, 5.5 (from memory)."""
    half = OCTAVE ** (0.5 / fraction)
    mid = np.asarray(midband, dtype=np.float64)
    return mid / half, mid * half


def smoothed(frequency: ArrayLike, mean_square: ArrayLike, *, fraction: float) -> FloatArray:
    """Mean of a mean square over the band 1 / `fraction` octave wide about each frequency, on a logarithmic axis.

    frequency   : (F,) Hz, strictly rising; between, the mean square is taken as straight over log frequency.
    mean_square : (F, ...) finite, >= 0 (a power, a squared pressure).
    fraction    : > 0, 3 for thirds of an octave.
    Returns (F, ...). At the ends, the mean over the part of the band that was observed. A constant stays as it is.
    ValueError if the shapes disagree or a value is out of range. Source: common practice, bands of IEC 61260-1:2014.
    """
    f = np.asarray(frequency, dtype=np.float64)
    values = np.asarray(mean_square, dtype=np.float64)
    if f.ndim != 1 or f.size == 0 or np.any(f <= 0.0) or np.any(np.diff(f) <= 0.0) or values.shape[:1] != f.shape:
        raise ValueError(
            f"frequency {f.shape} must be above 0, strictly rising and as long as the values {values.shape}"
        )
    if not (np.all(np.isfinite(values)) and np.all(values >= 0.0)):
        raise ValueError("mean_square must be finite and not negative: leave out frequencies that were not observed")
    if not fraction > 0.0:
        raise ValueError(f"fraction = {fraction:g}: must be above 0, for example 3 for thirds of an octave")
    if f.size == 1:
        return values.copy()
    x = np.log(f)
    flat = values.reshape(f.size, -1)
    slope = np.diff(flat, axis=0) / np.diff(x)[:, None]
    area = np.zeros_like(flat)
    area[1:] = np.cumsum(0.5 * (flat[1:] + flat[:-1]) * np.diff(x)[:, None], axis=0)

    def integral(at: FloatArray) -> FloatArray:
        segment = np.clip(np.searchsorted(x, at, side="right") - 1, 0, f.size - 2)
        beyond = (at - x[segment])[:, None]
        return np.asarray(area[segment] + beyond * (flat[segment] + 0.5 * beyond * slope[segment]))

    low, high = (np.clip(np.log(edge), x[0], x[-1]) for edge in band_edges(f, fraction=fraction))
    return np.asarray((integral(high) - integral(low)) / (high - low)[:, None]).reshape(values.shape)


def smoothed_level(frequency: ArrayLike, level: ArrayLike, *, fraction: float) -> FloatArray:
    """The same for a level in dB (F, ...): mean in mean square, given back in dB. Errors as `smoothed`."""
    mean_square = 10.0 ** (0.1 * np.asarray(level, dtype=np.float64))
    return power_db(smoothed(frequency, mean_square, fraction=fraction))
