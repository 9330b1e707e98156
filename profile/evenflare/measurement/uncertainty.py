"""What repeats scatter and what noise there is."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.measurement.heard import Heard
from evenflare.units import FloatArray, amplitude_db, power_db

DECIBEL = float(20.0 / np.log(10.0))
"""dB per unit of a small relative change of an amplitude."""
LOUD_DB = -20.0
"""re on axis: the spread of weaker directions is mostly noise."""
ODD, ODD_DB = 4.0, 1.0
"""Times the usual spread, and dB, beyond which the repeats of one direction are told."""
LEAST_SIGNAL_DB = 20.0
"""Above the noise on axis, below which a frequency is not trusted: at 20 dB noise moves the axis by 0.6 dB rms, and
what is 20 dB down, the weakest that a comparison counts, is as weak as the noise."""


def pooled_spread(heard: Heard) -> FloatArray | None:
    """Standard deviation (F,) of one reading's level, dB, over all directions that were repeated; None without any.

    Root of the mean variance over the loud directions, each weighted by its degrees of freedom.
    """
    repeated = np.flatnonzero(heard.readings > 1.0)
    if repeated.size == 0:
        return None
    level = amplitude_db(np.maximum(np.abs(heard.pressure[repeated]), np.finfo(float).tiny))
    loud = level > level.max(axis=0) + LOUD_DB
    freedom = (heard.readings[repeated] - 1.0)[:, None] * loud
    square = np.sum(freedom * heard.spread[repeated] ** 2, axis=0) / np.maximum(freedom.sum(axis=0), 1.0)
    return np.asarray(np.sqrt(square))


def noise_floor(heard: Heard) -> FloatArray | None:
    """Mean square (F,) of the noise in one reading, Pa^2: the median over the directions; None where not known."""
    known = np.isfinite(heard.noise).all(axis=1)
    return np.asarray(np.median(heard.noise[known], axis=0)) if np.any(known) else None


def signal_to_noise(heard: Heard) -> FloatArray | None:
    """On axis, dB (F,); None where the noise is not known."""
    noise = noise_floor(heard)
    if noise is None:
        return None
    square = np.abs(heard.pressure[heard.reference]) ** 2
    return power_db(square / np.maximum(noise, np.finfo(float).tiny))


def repeat_findings(heard: Heard) -> dict[str, Any] | None:
    """How often directions were read, and how far the readings lay apart; None if none was repeated."""
    spread = pooled_spread(heard)
    if spread is None:
        return None
    own = spread[heard.trusted] if np.any(heard.trusted) else spread
    frequency = heard.frequency[heard.trusted] if np.any(heard.trusted) else heard.frequency
    return {
        "directions": int(np.count_nonzero(heard.readings > 1.0)),
        "readings_per_direction": [int(heard.readings.min()), int(heard.readings.max())],
        "spread_median_db": float(np.median(own)),
        "spread_greatest_db": float(own.max()),
        "spread_greatest_at_hz": float(frequency[np.argmax(own)]),
    }


def odd_repeats(heard: Heard) -> list[str]:
    """Directions whose readings lie apart far more than the others', in words: one of them may be a wrong file."""
    rows = np.flatnonzero(heard.readings > 1.0)
    if rows.size < 3 or not np.any(heard.trusted):
        return []
    size = np.median(heard.spread[np.ix_(rows, np.flatnonzero(heard.trusted))], axis=1)
    far = np.flatnonzero(size > max(ODD * float(np.median(size)), ODD_DB))
    return [
        f"the readings of {heard.files[rows[i]]} and its repeats lie {size[i]:.1f} dB apart (median), far more than"
        " those of other directions. Check that each is the right file"
        for i in far
    ]


def noise_findings(heard: Heard) -> dict[str, Any] | None:
    """Signal over noise on axis at trusted frequencies, dB; None where the noise is not known."""
    above = signal_to_noise(heard)
    if above is None or not np.any(heard.trusted):
        return None
    own, frequency = above[heard.trusted], heard.frequency[heard.trusted]
    return {
        "median_db": float(np.median(own)),
        "least_db": float(own.min()),
        "least_at_hz": float(frequency[np.argmin(own)]),
    }
