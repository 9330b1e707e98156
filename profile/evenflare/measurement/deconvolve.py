"""From the recording of an exponential sweep to the impulse response, and to the harmonics of distortion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.fft import next_fast_len
from scipy.signal import hilbert

from evenflare.bands import smoothed
from evenflare.units import ComplexArray, FloatArray, read_only

REGULARISATION = 1e-4
"""Of the sweep's greatest power per octave band, added where it is weaker: 40 dB down counts as outside the sweep."""
EDGE = 0.05
"""Share of the sweep at either end that says nothing of its rate."""
STRAIGHT = 0.02
"""Largest rms departure, in log frequency, of a sweep that counts as exponential."""
SHORTEST = 0.05
"""s of the response kept where the recording is no longer than the sweep."""


@dataclass(frozen=True)
class Deconvolved:
    """What a recorded sweep says.

    samples   : (N,) linear impulse response from the sweep's first sample on, unit of the recording per unit of sweep.
    harmonics : by order from 2, the impulse response (M,) of that order, or empty where they cannot be told apart.
    """

    samples: FloatArray
    harmonics: dict[int, FloatArray]

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples))


def sweep_rate(reference: FloatArray, *, sample_rate: float) -> float | None:
    """Time, s, in which an exponential sweep (N,) rises by the factor e; None if it is no such sweep.

    From a straight line through the logarithm of its instantaneous frequency over time.
    Source: A. Farina, AES 108th convention (2000), eq. for the exponential sweep.
    """
    turned = np.unwrap(np.angle(hilbert(reference)))
    step = max(1, reference.size // 2000)
    frequency = np.diff(turned[::step]) / (2.0 * np.pi * step / sample_rate)
    time = (np.arange(frequency.size) + 0.5) * step / sample_rate
    kept = slice(int(EDGE * time.size), int((1.0 - EDGE) * time.size))
    time, frequency = time[kept], frequency[kept]
    if time.size < 8 or np.any(frequency <= 0.0):
        return None
    slope, start = np.polyfit(time, np.log(frequency), 1)
    spread = float(np.std(np.log(frequency) - slope * time - start))
    return float(1.0 / slope) if slope > 0.0 and spread < STRAIGHT else None


def deconvolver(reference: FloatArray, *, sample_rate: float) -> Callable[..., Deconvolved]:
    """What divides recordings by one reference (N,): `divide(recording, orders=0) -> Deconvolved`. Hz.

    Spectral division, regularised where the sweep has no power. The harmonic of order n, up to `orders`, comes out
    earlier than the linear response by rate times ln n, and is cut out half-way to its neighbours.
    Source: A. Farina, AES 108th convention (2000); S. Mueller and P. Massarani, J. AES 49 (2001), section 4.
    """
    rate = sweep_rate(reference, sample_rate=sample_rate)
    inverse = cache(lambda count: _inverse(reference, count))

    def divide(recording: FloatArray, *, orders: int = 0) -> Deconvolved:
        count = next_fast_len(recording.size + reference.size, real=True)
        found = np.fft.irfft(np.fft.rfft(recording, count) * inverse(count), count)
        kept = max(recording.size - reference.size, int(SHORTEST * sample_rate))
        harmonics = {}
        for order in range(2, orders + 1) if rate is not None else ():
            before = rate * np.log((order + 1) / order)
            first = -round((rate * np.log(order) + 0.5 * before) * sample_rate)
            length = round(before * sample_rate)
            if -first < found.size // 2 and length > 0:
                harmonics[order] = read_only(np.take(found, np.arange(first, first + length), mode="wrap"))
        return Deconvolved(found[:kept], harmonics)

    return divide


def _inverse(reference: FloatArray, count: int) -> ComplexArray:
    """1 / spectrum of the reference, padded to `count`, tamed where it has no power."""
    spectrum = np.fft.rfft(reference, count)
    power = np.abs(spectrum) ** 2
    index = np.arange(1.0, power.size)
    octave = smoothed(index, power[1:] * index, fraction=3)  # a sweep has equal power in every octave
    least = REGULARISATION * float(octave.max())
    power[1:] += np.where(octave < least, least, 0.0) / index
    return np.asarray(np.conj(spectrum) / np.maximum(power, np.finfo(float).tiny))
