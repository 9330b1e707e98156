"""`distortion.csv`, `decay.csv` and `resonances.csv`: what a measurement on axis says beside the response."""

from __future__ import annotations

import numpy as np

from evenflare.measurement.decay import Decay
from evenflare.measurement.distortion import HIGHEST_ORDER, Distortion, greatest_of
from evenflare.results.formats import Columns

LEAST_TOLD = 3
"""Frequencies at which a harmonic must stand above its floor to be told in a line: one may be chance."""


def distortion_columns(found: Distortion) -> Columns:
    """A row per exciting frequency; a harmonic's level only where it stands above its floor."""
    nothing = np.full(found.frequency.size, np.nan)
    rows = {order: (found.level[i], found.floor[i]) for i, order in enumerate(found.orders)}
    columns: Columns = {"frequency_hz": found.frequency}
    for order in range(2, HIGHEST_ORDER + 1):
        level, floor = rows.get(order, (nothing, nothing))
        columns |= {f"harmonic_{order}_db": level, f"floor_{order}_db": floor}
    return columns


def decay_columns(found: Decay) -> Columns:
    """A row per frequency and whole number of periods that the gate leaves."""
    frequency, periods = np.meshgrid(found.frequency, found.periods, indexing="ij")
    kept = periods <= found.seen[:, None]
    return {"frequency_hz": frequency[kept], "periods": periods[kept], "level_db": found.level[kept]}


def resonance_columns(found: Decay) -> Columns:
    """A row per decay that stands out."""
    every = found.resonances
    return {
        "frequency_hz": np.array([each.frequency for each in every]),
        "quality": np.array([each.quality for each in every]),
        "at_least": np.array([float(each.at_least) for each in every]),
        "level_db": np.array([each.level for each in every]),
        "periods_to_20_db": np.array([each.periods for each in every]),
    }


def distortion_words(found: Distortion) -> str:
    """Of each harmonic above its floor the greatest over a quarter of an octave, in a line; empty if none is."""
    told = []
    for order, level in zip(found.orders, found.level, strict=True):
        if np.count_nonzero(np.isfinite(level)) >= LEAST_TOLD:
            top, greatest = greatest_of(level)
            told.append(f"harmonic {order} {greatest:.0f} dB at {found.frequency[top]:.0f} Hz")
    return f"Distortion, the greatest above its floor (distortion.csv): {', '.join(told)}" if told else ""


def decay_words(found: Decay) -> str:
    """Every resonance in a line; empty if there is none."""
    told = [
        f"{each.frequency:.0f} Hz, Q {each.quality:.0f}{' or more' if each.at_least else ''}, {each.level:.0f} dB,"
        f" {each.periods:.0f} periods to fall 20 dB"
        for each in found.resonances
    ]
    if not told:
        return ""
    return f"Resonances (resonances.csv; seen from {found.frequency[0]:.0f} Hz): {'; '.join(told)}"
