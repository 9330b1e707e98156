"""How far repeats and noise leave a measured directivity uncertain."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.measurement.heard import Heard
from evenflare.metrics import sphere_weights
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


def index_error(directivity: Directivity, heard: Heard) -> tuple[FloatArray | None, str | None]:
    """Standard error (F,) of the directivity index, dB, and what it was told from; None where nothing tells it.

    Of single directions, from the spread of repeats over the root of their number, else from the noise; carried
    through the index to first order: the axis counts once for itself and, as each direction, by its share of the
    power. The noise also adds to the power: that bias is in it.
    Source: propagation of uncertainty, JCGM 100:2008, eq. 10.
    """
    try:
        weights = sphere_weights(directivity.observation, half_space=directivity.half_space)
    except ValueError:
        return None, None
    spread, noise = pooled_spread(heard), noise_floor(heard)
    if spread is None and noise is None:
        return None, None
    square = np.abs(directivity.pressure) ** 2
    mean = np.einsum("fpa,pa->f", square, weights)
    share = weights * square / np.maximum(mean, np.finfo(float).tiny)[:, None, None]
    count = float(np.median(heard.readings))
    axis = int(np.argmin(np.abs(directivity.observation.off_axis)))
    variance = np.zeros(mean.shape)
    if noise is not None:
        quiet = noise / count
        # Half the noise lies along the pressure; each direction's share of the power goes as its square.
        variance += DECIBEL**2 * 0.5 * quiet * np.einsum("fpa,pa->f", share, weights) / np.maximum(mean, 1e-300)
        variance += DECIBEL**2 * 0.5 * quiet / np.maximum(square[:, 0, axis], 1e-300)
        bias = power_db(1.0 + noise * weights.sum() / np.maximum(mean, 1e-300))
        variance += bias**2
    if spread is not None:
        # The spread holds the noise already; the larger of both counts.
        each = spread**2 / count
        repeated = each * (1.0 + np.sum(share**2, axis=(1, 2)) - 2.0 * share[:, 0, axis])
        variance = np.maximum(variance, repeated)
    return np.sqrt(variance), "noise" if spread is None else "repeats and noise" if noise is not None else "repeats"


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
