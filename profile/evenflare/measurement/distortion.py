"""Harmonics of distortion that stand above what noise and hum would give, and where their floor is."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.bands import midbands
from evenflare.measurement.deconvolve import Deconvolved
from evenflare.measurement.gate import Window, spectra
from evenflare.units import FloatArray, power_db

DENSITY = 6
"""Exciting frequencies per octave."""
ABOVE = 10.0
"""Power ratio to the floor from which a harmonic is told: noise alone reaches it once in 20000 (exponential law)."""
LEAST_PLACES = 4
"""Stretches without sound that a floor must be told from."""
MOST_PLACES = 200
"""Stretches at which it is listened for."""
MOST_ORDERS = 10
"""Harmonics of which the places are left out of the floor."""


def distortion(
    heard: Deconvolved, *, window: Window, band: tuple[float, float], duration: float, sample_rate: float
) -> dict[str, Any] | None:
    """On-axis harmonics re the linear response at the exciting frequency, dB, where they stand above their floor.

    window   : that of the linear response; each harmonic is heard through the same, where it arrives.
    band     : Hz, that the sweep excites. duration: s, of the recording.
    The floor is what the same window gives where nothing arrives, the median over such places over ln 2 (the mean of
    an exponential law); it is taken off the power of what stands 10 dB above it. None where no order is known.
    Source: A. Farina, AES 108th convention (2000).
    """
    if heard.rate is None or not heard.harmonics:
        return None
    first = window.arrival - window.lead
    found: dict[str, Any] = {}
    for order in heard.harmonics:
        early = heard.rate * np.log(order)
        lowest, highest = max(band[0], 2.0 / window.length), band[1] / order
        if not lowest < highest:
            continue
        exciting = midbands(DENSITY, lowest=lowest, highest=highest)
        base = np.abs(spectra(heard.samples[None], exciting, window=window, sample_rate=sample_rate)[0]) ** 2
        base = np.maximum(base, np.finfo(float).tiny)
        own = _through(heard, first - early, order * exciting, window=window, sample_rate=sample_rate)
        floor = _floor(heard, order * exciting, window=window, duration=duration, band=band, sample_rate=sample_rate)
        told = own > ABOVE * floor
        level = power_db(np.maximum(own - floor, np.finfo(float).tiny) / base)
        entry: dict[str, Any] = {
            "greatest_db": None,
            "at_hz": None,
            "median_db": None,
            "told_at": int(np.count_nonzero(told)),
            "of": int(exciting.size),
            "floor_median_db": float(np.median(power_db(np.maximum(floor, np.finfo(float).tiny) / base))),
        }
        if np.any(told):
            top = int(np.argmax(np.where(told, level, -np.inf)))
            entry |= {
                "greatest_db": float(level[top]),
                "at_hz": float(exciting[top]),
                "median_db": float(np.median(level[told])),
            }
        found[f"harmonic_{order}"] = entry
    return found or None


def _through(
    heard: Deconvolved, start: float, frequency: FloatArray, *, window: Window, sample_rate: float
) -> FloatArray:
    """Power (F,) of what the window lets through when it begins at `start` s, before or after 0."""
    _, weights = window.weights(heard.circular.size, sample_rate=sample_rate)
    moved = round(start * sample_rate) + np.arange(weights.size)
    part = np.take(heard.circular, moved, mode="wrap") * weights
    time = np.arange(weights.size) / sample_rate
    return np.asarray(np.abs(np.exp(-2j * np.pi * np.outer(frequency, time)) @ part) ** 2)


def _floor(
    heard: Deconvolved,
    frequency: FloatArray,
    *,
    window: Window,
    duration: float,
    band: tuple[float, float],
    sample_rate: float,
) -> FloatArray:
    """Power (F,) without sound. Noise of the recording at one instant comes out at one place for each frequency: only
    places count at which all frequencies are of the recording's inside.
    """
    assert heard.rate is not None
    length = window.lead + window.length
    span = heard.rate * np.log(frequency / band[0])
    early = [heard.rate * np.log(order) for order in range(1, MOST_ORDERS + 1)]
    places = np.linspace(-heard.rate * np.log(MOST_ORDERS), duration - length, MOST_PLACES)
    # Not where the sound or one of the first orders arrives, nor as long after it as the window lasts.
    arrival = window.arrival
    clear = [p for p in places if all(not -length < p - (arrival - e) < 2.0 * length for e in early)]
    rows = np.array(
        [_through(heard, place, frequency, window=window, sample_rate=sample_rate) for place in clear]
    ).reshape(len(clear), frequency.size)
    inside = (np.array(clear)[:, None] + span >= 0.0) & (np.array(clear)[:, None] + span <= duration - length)
    floor = np.full(frequency.size, np.inf)
    for index in range(frequency.size):
        own = rows[inside[:, index], index]
        if own.size >= LEAST_PLACES:
            floor[index] = np.median(own) / np.log(2.0)
    return floor
