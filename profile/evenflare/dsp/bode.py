"""The phase that goes with a level at the least: a driver's, whose ends fall away on slopes of their own."""

from __future__ import annotations

import numpy as np
from scipy.special import spence

from evenflare.units import FloatArray

END = 2.0
"""Ratio of frequencies over which a slope at either end is taken from a level."""
WHOLE = 0.25 * np.pi**2
"""Of the weight on either side of a frequency."""


def bode_phase(frequency: FloatArray, size: FloatArray) -> FloatArray:
    """Minimum phase (F,) rad, unwrapped, of a magnitude (F,) > 0 at `frequency` (F,) Hz, rising, two at least.

    Between frequencies straight in dB over log frequency, beyond them on as over the last octave. `fir.least_phase`
    holds the level there, which suits a correction; a driver goes on falling, and its phase knows that octaves before.
    Source: H. W. Bode, Network Analysis and Feedback Amplifier Design (1945), chapter 14 (from memory): of slopes in
    nepers over u = ln(f / f0), 1/pi times their integral weighed by ln coth(|u| / 2).
    """
    place, level = np.log(frequency), np.log(size)
    reach = min(float(np.log(END)), float(place[-1] - place[0]))
    first = (np.interp(place[0] + reach, place, level) - level[0]) / reach
    last = (level[-1] - np.interp(place[-1] - reach, place, level)) / reach
    slope = np.concatenate([[first], np.diff(level) / np.diff(place), [last]])
    apart = place[None, :] - place[:, None]
    near = np.exp(-np.abs(apart))
    # The integral of the weight from 0: pi^2 / 4 less twice Legendre's chi function of second order.
    weight = np.sign(apart) * (WHOLE - spence(1.0 - near) + spence(1.0 + near))
    edge = np.full((place.size, 1), WHOLE)
    return np.asarray(np.diff(np.hstack([-edge, weight, edge]), axis=1) @ slope / np.pi)
