"""The part of an impulse response before the first reflection: where it begins, its window, its spectrum, the noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from evenflare.bands import smoothed
from evenflare.units import ComplexArray, FloatArray

LEAD = 1e-3
"""s kept before the arrival: other angles may sound earlier than the axis."""
TAPER_SHARE = 0.25
"""Of the length, over which the window falls where nothing else is stated."""
CHUNK = 4096
"""Samples transformed at a time: bounds the memory of a long window."""
STRIDE = 256
"""Samples by which the phasors that are kept grow: readings of one session are asked for the same again and again."""
MOST_TAILS = 16
"""Places after the window at which the noise is heard through it."""
LEAST_NOISE = 96
"""Samples that a stretch must have to tell the noise from."""


@dataclass(frozen=True)
class Window:
    """The window that all readings share.

    arrival : s from the first sample, of the direct sound on axis.
    length  : s from the arrival to the end of the taper.
    lead    : s before the arrival; its first half is the rise.
    taper   : s, the last part of `length`, over which it falls.
    """

    arrival: float
    length: float
    lead: float
    taper: float

    def weights(self, count: int, *, sample_rate: float) -> tuple[int, FloatArray]:
        """First sample inside, and the weights from there: half-cosine rise and fall, 1 between. Hz."""
        first = max(0, int(np.ceil((self.arrival - self.lead) * sample_rate)))
        last = min(count, int(np.floor((self.arrival + self.length) * sample_rate)) + 1)
        time = np.arange(first, last) / sample_rate
        rise = _ramp((time - self.arrival + self.lead) / (0.5 * self.lead)) if self.lead > 0.0 else np.ones(time.size)
        fall = _ramp((self.arrival + self.length - time) / self.taper) if self.taper > 0.0 else np.ones(time.size)
        return first, np.asarray(rise * fall)


def _ramp(x: FloatArray) -> FloatArray:
    return np.asarray(np.sin(0.5 * np.pi * np.clip(x, 0.0, 1.0)) ** 2)


def arrival_time(samples: FloatArray, *, sample_rate: float) -> float:
    """Time, s from the first sample, at which an impulse response (N,) is loudest: the greatest of its envelope.

    A parabola through three samples places it between them. The envelope is the analytic signal's, so that neither
    polarity nor phase moves it. ValueError if the response is silent. Source: common practice.
    """
    peak = int(np.argmax(np.abs(samples)))
    first = max(0, peak - 2048)
    near = samples[first : peak + 2048]  # the envelope of a long record is wanted near its peak only
    spectrum = np.fft.fft(near)
    spectrum[1 : (near.size + 1) // 2] *= 2.0
    spectrum[near.size // 2 + 1 :] = 0.0
    envelope = np.abs(np.fft.ifft(spectrum))
    top = int(np.argmax(envelope))
    if not envelope[top] > 0.0:
        raise ValueError("the impulse response is silent")
    return float((first + top + vertex(envelope, top)) / sample_rate)


def vertex(values: FloatArray, top: int) -> float:
    """Offset, in steps from -0.5 to 0.5, of the top of the parabola through the greatest value and its neighbours."""
    if not 0 < top < values.size - 1:
        return 0.0
    before, here, after = values[top - 1 : top + 2]
    bend = before - 2.0 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def spectra(samples: FloatArray, frequency: FloatArray, *, window: Window, sample_rate: float) -> ComplexArray:
    """Responses (R, F) of windowed impulse responses (R, N), exactly at any frequencies (F,) Hz; phase from `arrival`.

    Unit of the samples; phasors exp(+j w t), so that sound after `arrival` has a falling phase.
    """
    first, weights = window.weights(samples.shape[1], sample_rate=sample_rate)
    found = np.zeros((samples.shape[0], frequency.size), dtype=np.complex128)
    for begin in range(0, weights.size, CHUNK):
        part = weights[begin : begin + CHUNK]
        windowed = samples[:, first + begin : first + begin + part.size] * part
        later = np.exp(-2j * np.pi * ((first + begin) / sample_rate - window.arrival) * frequency)
        found += windowed @ _phasors(part.size, frequency, sample_rate) * later
    return found


def _phasors(count: int, frequency: FloatArray, sample_rate: float) -> ComplexArray:
    """(N, F), exp(-j w t) from the first of so many samples on."""
    # Windows of one session differ by a few samples.
    whole = STRIDE * -(-count // STRIDE)
    return _kept_phasors(whole, frequency.tobytes(), sample_rate)[:count]


@lru_cache(maxsize=4)
def _kept_phasors(count: int, frequency: bytes, sample_rate: float) -> ComplexArray:
    time = np.arange(count) / sample_rate
    found: ComplexArray = np.exp(-2j * np.pi * np.outer(time, np.frombuffer(frequency)))
    found.setflags(write=False)
    return found


def noise_power(
    samples: FloatArray, frequency: FloatArray, *, window: Window, sample_rate: float
) -> tuple[FloatArray | None, str]:
    """Mean square (F,) that noise alone has in such a windowed spectrum, and from which part of the record (N,) it is.

    From before the window where that is long enough, else from the record's last quarter if the window ends before it
    (a reverberant place is then counted as noise). None where neither is there. Averaged over an octave.
    Source: periodogram, P. D. Welch (1967), of one segment.
    """
    first, weights = window.weights(samples.size, sample_rate=sample_rate)
    tail = max(3 * samples.size // 4, first + weights.size)
    if first >= LEAST_NOISE:
        part, place = samples[:first], "before the arrival"
    elif samples.size - tail >= LEAST_NOISE:
        part, place = samples[tail:], "the end of the record"
    else:
        return None, "nowhere: the record has no part without sound"
    shape = np.hanning(part.size + 2)[1:-1]
    own = np.fft.rfftfreq(part.size, 1.0 / sample_rate)[1:]
    density = np.abs(np.fft.rfft((part - part.mean()) * shape))[1:] ** 2 / np.sum(shape**2)
    even = smoothed(own, density, fraction=1)
    return np.asarray(np.interp(frequency, own, even) * np.sum(weights**2)), place


def tail_power(samples: FloatArray, frequency: FloatArray, *, window: Window, sample_rate: float) -> FloatArray:
    """Mean square (F,) that the same window gives in the record's (N,) last half, clear of the window itself.

    Averaged over such places and over an octave; nan where there is none. Hum shows here: its wave is longer than what
    a record has before the arrival, and a window's skirts let it in far above its own frequency.
    """
    first, weights = window.weights(samples.size, sample_rate=sample_rate)
    begin = max(samples.size // 2, first + weights.size)
    starts = np.arange(begin, samples.size - weights.size + 1, max(weights.size // 2, 1))[:MOST_TAILS]
    if starts.size == 0:
        return np.full(frequency.size, np.nan)
    rows = np.stack([samples[start : start + weights.size] * weights for start in starts])
    square = np.mean(np.abs(rows @ _phasors(weights.size, frequency, sample_rate)) ** 2, axis=0)
    near = np.abs(np.log2(frequency[:, None] / frequency[None, :])) <= 0.5
    return np.asarray((near @ square) / near.sum(axis=1))
