"""Sounds of our own to listen with: made from formulas, the same in every run."""

from __future__ import annotations

import numpy as np

from evenflare.studies.loudness import RATE
from evenflare.units import FloatArray

SEED = 7
LOWEST, HIGHEST = 40.0, 16000.0
"""Hz, of the noise."""


def pink_noise(seconds: float = 4.0) -> FloatArray:
    """Noise (N,) with equal power in every octave from LOWEST to HIGHEST, faded at its ends."""
    count = round(seconds * RATE)
    frequency = np.fft.rfftfreq(count, 1.0 / RATE)
    phase = np.random.default_rng(SEED).uniform(0.0, 2.0 * np.pi, frequency.size)
    inside = (frequency >= LOWEST) & (frequency <= HIGHEST)
    size = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency, LOWEST)), 0.0)
    return _full(np.fft.irfft(size * np.exp(1j * phase), count) * _fades(count, 0.05))


def clicks(seconds: float = 2.0) -> FloatArray:
    """Clicks (N,), one every half second: a wave of 2 kHz under a Gaussian of a period."""
    count = round(seconds * RATE)
    time = np.arange(count) / RATE
    total = np.zeros(count)
    for start in np.arange(0.05, seconds - 0.05, 0.5):
        after = time - start
        total += np.exp(-0.5 * (after * 2000.0) ** 2) * np.cos(2.0 * np.pi * 2000.0 * after)
    return _full(total)


def drum(seconds: float = 2.0) -> FloatArray:
    """A drum-like figure (N,): a falling tone with a burst of noise, then a burst of bright noise, in turn."""
    count = round(seconds * RATE)
    random = np.random.default_rng(SEED)
    total = np.zeros(count)
    for beat, start in enumerate(np.arange(0.05, seconds - 0.3, 0.25)):
        time = np.arange(round(0.25 * RATE)) / RATE
        noise = random.standard_normal(time.size)
        if beat % 2 == 0:
            fall = 2.0 * np.pi * (60.0 * time + 3.0 * (1.0 - np.exp(-time / 0.03)))
            sound = np.exp(-time / 0.07) * np.sin(fall) + 0.15 * np.exp(-time / 0.01) * noise
        else:
            sound = 0.4 * np.exp(-time / 0.03) * np.diff(noise, prepend=0.0)
        begin = round(start * RATE)
        total[begin : begin + time.size] += sound * _fades(time.size, 0.001)
    return _full(total)


SOUNDS = {"pink_noise": pink_noise, "clicks": clicks, "drum": drum}
"""By the name of their files."""


def _fades(count: int, seconds: float) -> FloatArray:
    time = np.arange(count) / RATE
    return np.sin(0.5 * np.pi * np.minimum(1.0, np.minimum(time, time[::-1]) / seconds)) ** 2


def _full(samples: FloatArray) -> FloatArray:
    return np.asarray(0.5 * samples / np.abs(samples).max())
