"""From the recording of an exponential sweep to the impulse response, and to the harmonics of distortion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from scipy.fft import next_fast_len
from scipy.signal import hilbert

from evenflare.bands import smoothed
from evenflare.units import ComplexArray, FloatArray, read_only

FADED = 0.25
"""Of the power in the half octave further inside, to which a fade may let it fall inside the band."""
STEPS = 24
"""To the octave, in which the ends of the band are sought, and
HALF an octave as a frequency ratio."""
HALF = 2.0**0.5
TAMED = 1e-4
"""Of the power around it, below which a single line inside the band is not divided by in full."""
EDGE_TAMED = 0.1
"""The same within `SKIRT` of the band's ends, where a sweep that breaks off leaves next to nothing in some lines."""
SKIRT = 2.0 ** (1.0 / 6.0)
"""Frequency ratio over which the inverse fades out beyond either end of the band."""
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
    circular  : where harmonics are, (C,) all that came out, what is before the first sample at the end; else empty.
    rate      : s, in which the sweep rises by the factor e; None if it is no exponential sweep.
    """

    samples: FloatArray
    harmonics: dict[int, FloatArray]
    circular: FloatArray = field(default_factory=lambda: np.zeros(0))
    rate: float | None = None

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


def excited_band(reference: FloatArray, *, sample_rate: float) -> tuple[float, float]:
    """Lowest and highest frequency, Hz, that a sweep or noise (N,) excites: the band that it can be divided by in.

    Outward from its strongest sixth of an octave, until the power per octave stays 6 dB below that of the half octave
    before: what a fade has weakened by more does not count, a slope over the whole band does not matter.
    """
    power = np.abs(np.fft.rfft(reference))[1:] ** 2
    frequency = np.fft.rfftfreq(reference.size, 1.0 / sample_rate)[1:]
    grid = np.geomspace(frequency[0], frequency[-1], int(STEPS * np.log2(frequency[-1] / frequency[0])) + 2)
    even = np.interp(grid, frequency, smoothed(frequency, power * frequency, fraction=6))
    top = int(np.argmax(even))
    fine = smoothed(frequency, power * frequency, fraction=STEPS)
    low = grid[0] * grid[-1] / _end(np.flip(even), grid[0] * grid[-1] / np.flip(grid), grid.size - 1 - top)
    high = _end(even, grid, top)
    for _ in range(2):  # what the smoothing over a sixth has reached too far
        near = np.median(fine[(frequency >= low) & (frequency <= max(low * HALF, low + 2.0 * frequency[0]))])
        low = frequency[np.flatnonzero((frequency >= low) & (fine >= FADED * near))[0]]
        near = np.median(fine[(frequency <= high) & (frequency >= min(high / HALF, high - 2.0 * frequency[0]))])
        high = frequency[np.flatnonzero((frequency <= high) & (fine >= FADED * near))[-1]]
    return float(low), float(high)


def _end(even: FloatArray, grid: FloatArray, top: int) -> float:
    """Upward from the index `top`, Hz of the last step before the power stays down."""
    half, third = STEPS // 2, STEPS // 3
    for index in range(top + 1, even.size):
        before = even[max(index - half, top) : index].max()
        if np.all(even[index : index + third] < FADED * before):
            return float(grid[index - 1])
    return float(grid[-1])


def deconvolver(
    reference: FloatArray, *, sample_rate: float, band: tuple[float, float] | None = None
) -> Callable[..., Deconvolved]:
    """What divides recordings by one reference (N,): `divide(recording, orders=0) -> Deconvolved`. Hz.

    band : Hz, that the reference excites; None to tell it from the reference (`excited_band`).
    Spectral division inside the band; beyond it the inverse is held at what it is at the band's end, and fades out
    within a sixth of an octave, however the sweep itself fades. The harmonic of order n, up to `orders`, comes out
    earlier than the linear response by rate times ln n, and is cut out half-way to its neighbours.
    Source: A. Farina, AES 108th convention (2000); S. Mueller and P. Massarani, J. AES 49 (2001), section 4.
    """
    rate = sweep_rate(reference, sample_rate=sample_rate)
    own = excited_band(reference, sample_rate=sample_rate) if band is None else band
    inverse = cache(lambda count: _inverse(reference, count, sample_rate=sample_rate, band=own))

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
        return Deconvolved(found[:kept].copy(), harmonics, found if harmonics else np.zeros(0), rate)

    return divide


def _inverse(reference: FloatArray, count: int, *, sample_rate: float, band: tuple[float, float]) -> ComplexArray:
    """1 / spectrum of the reference, padded to `count`, within its band; bounded and fading out beyond."""
    spectrum = np.fft.rfft(reference, count)
    frequency = np.fft.rfftfreq(count, 1.0 / sample_rate)
    power = np.abs(spectrum) ** 2
    inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
    around = smoothed(frequency[inside], power[inside] * frequency[inside], fraction=3) / frequency[inside]
    least = np.empty(power.size)
    edge = np.minimum(frequency[inside] / band[0], band[1] / frequency[inside]) < SKIRT
    least[inside] = np.where(edge, EDGE_TAMED, TAMED) * around
    least[: inside[0]], least[inside[-1] + 1 :] = FADED * around[0], FADED * around[-1]
    safe = np.maximum(frequency, 1e-3)
    away = np.maximum(np.log(band[0] / safe), np.log(safe / band[1])) / np.log(SKIRT)
    skirt = np.cos(0.5 * np.pi * np.clip(away, 0.0, 1.0)) ** 2
    return np.asarray(skirt * np.conj(spectrum) / np.maximum(power, np.maximum(least, np.finfo(float).tiny)))
