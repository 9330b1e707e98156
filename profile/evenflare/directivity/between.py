"""A directivity at frequencies between those at which it was observed."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.units import FloatArray

SAME_FREQUENCY = 1e-6
"""Of a frequency, by which another may differ that is the same one, worked out or read from a file."""
WIDEST_GAP = 2.0 ** (1.0 / 3.0)
"""Ratio of two observed frequencies between which one is still read off both. Judgement, no source."""


def with_frequencies(directivity: Directivity, wanted: FloatArray) -> Directivity:
    """A directivity with those of the wanted frequencies (K,) Hz as well that lie between two of its own.

    Both must be valid and at most a third of an octave apart; others are left out. Everything is linear in log
    frequency, of the pressure its square: the phase, which turns too fast to be known between, is 0 throughout then,
    and `resolved` is left out.
    """
    frequency = directivity.observation.frequency
    after = np.searchsorted(frequency, wanted)
    inside = (after > 0) & (after < frequency.size)
    wanted, right = wanted[inside], after[inside]
    left = right - 1
    apart = np.minimum(np.log(wanted / frequency[left]), np.log(frequency[right] / wanted))
    trusted = directivity.valid[left] & directivity.valid[right]
    added = (apart > SAME_FREQUENCY) & trusted & (frequency[right] <= frequency[left] * WIDEST_GAP * (1 + 1e-9))
    if not added.any():
        return directivity
    wanted, right, left = wanted[added], right[added], left[added]
    share = np.log(wanted / frequency[left]) / np.log(frequency[right] / frequency[left])
    order = np.argsort(np.concatenate([frequency, wanted]))

    def between(values: Any) -> Any:
        weight = share.reshape(-1, *(1,) * (values.ndim - 1))
        return np.concatenate([values, (1.0 - weight) * values[left] + weight * values[right]])[order]

    part = {
        each.name: between(value)
        for each in fields(directivity)
        if each.name not in ("pressure", "valid") and isinstance(value := getattr(directivity, each.name), np.ndarray)
    }
    return replace(
        directivity,
        observation=replace(directivity.observation, frequency=np.concatenate([frequency, wanted])[order]),
        pressure=np.sqrt(between(np.abs(directivity.pressure) ** 2)).astype(np.complex128),
        valid=np.concatenate([directivity.valid, np.ones(wanted.size, dtype=bool)])[order],
        resolved=None,
        **part,
    )
