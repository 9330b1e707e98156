"""The sound that is played: an exponential sweep within a band, and the levels by which it is approached."""

from __future__ import annotations

import numpy as np

from evenflare.units import FloatArray, amplitude_db

STEP_DB = 10.0
"""From level to level on the way up."""


def exponential_sweep(
    duration: float, lowest: float, highest: float, *, fade_in: float, fade_out: float, sample_rate: float
) -> FloatArray:
    """Sine (N,) whose frequency rises exponentially from `lowest` to `highest` Hz in `duration` s, greatest value 1.

    fade_in, fade_out : s, sin^2 from and to nothing; together at most the duration.
    Source: A. Farina, AES 108th convention (2000); fades and their use: S. Mueller and P. Massarani, J. AES 49 (2001).
    """
    time = np.arange(round(duration * sample_rate)) / sample_rate
    slow = duration / np.log(highest / lowest)
    rise = np.minimum(1.0, time / fade_in) if fade_in > 0.0 else np.ones(time.size)
    fall = np.minimum(1.0, (time[-1] - time) / fade_out) if fade_out > 0.0 else np.ones(time.size)
    fade = np.sin(0.5 * np.pi * np.minimum(rise, fall)) ** 2
    return np.asarray(np.sin(2.0 * np.pi * lowest * slow * np.expm1(time / slow)) * fade)


def levels(first: float, last: float) -> list[float]:
    """Levels, dB, from the quiet one in steps of 10 to the last; that one alone where it is no louder."""
    steps = np.arange(first, last, STEP_DB).tolist()
    return [*steps, last]


def level_of(played: FloatArray) -> float:
    """Of a sound (N,), dB of full scale: its greatest sample."""
    return float(amplitude_db(max(float(np.abs(played).max()), 1e-300)))
