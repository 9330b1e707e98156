"""How far a filter can raise a signal: the greatest gain at any frequency, and the greatest peak that any input gives.

A steady tone grows by at most the greatest gain. A signal that is shaped against the filter grows by more: at worst by
the sum of the magnitudes of the impulse response (its L1 norm), which no input of full scale can exceed.
Source: L. B. Jackson, Bell System Technical Journal 49 (1970) 159, scaling by L1 and by Chebyshev norms (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import sosfilt

from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.fir import Fir
from evenflare.units import FloatArray, amplitude_db

DECAYED = 1e-9
"""Of an impulse response: what is left where it is cut off."""
LONGEST = 2**20
"""Samples of an impulse response at most."""
POINTS = 4096
"""Of the grid on which maxima are looked for: as many again on a logarithmic axis."""
NEAR_TOP = 1.0
"""dB below the greatest value of the grid: maxima of the grid from there up are refined."""


@dataclass(frozen=True)
class Peak:
    """What a filter can do to level.

    gain  : dB, the greatest from 0 to half the sample rate, at
    place : Hz.
    worst : dB, the greatest peak re that of the input, whatever the input.
    """

    gain: float
    place: float
    worst: float


def rows(sections: Sequence[Biquad]) -> FloatArray:
    """(N, 6) of b0, b1, b2, 1, a1, a2, as `scipy.signal` has them; one that does nothing for none."""
    if not sections:
        return np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    return np.array([[*each.b, *each.a] for each in sections])


def impulse_response(sections: Sequence[Biquad]) -> FloatArray:
    """(N,) until it has decayed to `DECAYED`. ValueError if a pole is not within the unit circle."""
    table = rows(sections)
    radius = float(max(np.abs(np.roots(row[3:])).max(initial=0.0) for row in table))
    if radius >= 1.0:
        raise ValueError(f"a pole at {radius:.9f} of the unit circle: the section is not stable")
    # Equal poles decay later than one alone: twice the length serves a pair of pairs.
    count = 64 + (0 if radius == 0.0 else min(LONGEST, int(2.0 * np.log(DECAYED) / np.log(radius))))
    impulse = np.zeros(count)
    impulse[0] = 1.0
    return np.asarray(sosfilt(table, impulse))


def sections_peak(sections: Sequence[Biquad], *, sample_rate: float) -> Peak:
    """Of sections in a row at a sample rate (Hz). ValueError if one is not stable."""
    half = 0.5 * sample_rate
    at = np.unique(np.concatenate([np.linspace(0.0, half, POINTS), np.geomspace(1e-5 * half, half, POINTS)]))

    def level(frequency: FloatArray) -> FloatArray:
        size = np.abs(response(sections, frequency, sample_rate=sample_rate))
        return amplitude_db(np.maximum(size, 1e-30))

    return Peak(*_greatest(level, at, level(at)), float(amplitude_db(np.abs(impulse_response(sections)).sum())))


def taps_peak(taps: Fir) -> Peak:
    """Of a finite impulse response."""
    count = 8 * int(2 ** np.ceil(np.log2(taps.taps.size)))
    at = np.asarray(np.fft.rfftfreq(count, 1.0 / taps.sample_rate), dtype=np.float64)
    size = np.abs(np.fft.rfft(taps.taps, count))

    def level(frequency: FloatArray) -> FloatArray:
        return amplitude_db(np.maximum(np.abs(taps.response(frequency)), 1e-30))

    found = _greatest(level, at, amplitude_db(np.maximum(size, 1e-30)))
    return Peak(*found, float(amplitude_db(np.abs(taps.taps).sum())))


def _greatest(level: Callable[[FloatArray], FloatArray], at: FloatArray, known: FloatArray) -> tuple[float, float]:
    """dB and Hz of the greatest `level`, `known` (K,) dB at rising frequencies (K,) Hz: refined about its maxima."""
    ends = np.concatenate([[-np.inf], known, [-np.inf]])
    hills = np.flatnonzero((known >= ends[:-2]) & (known >= ends[2:]) & (known > known.max() - NEAR_TOP))
    # A flat top has a maximum at every point of the grid: the highest few are enough.
    hills = hills[np.argsort(known[hills])[-8:]]
    best, place = float(known.max()), float(at[known.argmax()])
    for hill in map(int, hills):
        low, high = at[max(hill - 1, 0)], at[min(hill + 1, at.size - 1)]
        for _ in range(4):
            fine = np.linspace(low, high, 17)
            values = level(fine)
            top = int(np.argmax(values))
            if values[top] > best:
                best, place = float(values[top]), float(fine[top])
            low, high = fine[max(top - 1, 0)], fine[min(top + 1, 16)]
    return best, place
