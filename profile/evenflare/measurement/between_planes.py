"""What two orbits leave open of the power: how the sound may go on from one plane to the next."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from scipy.special import ive

from evenflare.directivity.types import Directivity
from evenflare.measurement.budget import evened, uniform
from evenflare.metrics import directivity_index, sphere_weights
from evenflare.units import FloatArray, power_db

Mouth = Literal["round", "oblong", "unknown"]
QUARTER = 24
"""Azimuths of a quarter turn at which the product is taken."""
UNLIKE_DB = 0.05
"""By how much the level between two planes may be taken in two ways, from which a mouth that no design names is taken
for oblong: planes 2 dB apart where it is loud. Judgement."""


def planes_uncertainty(directivity: Directivity, mouth: Mouth = "unknown") -> FloatArray:
    """Standard uncertainty (F,) dB of the index, because sound was heard in two planes only.

    The index takes the mean square to go as cos^2 and sin^2 of azimuth from one plane to the next. Two more ways that
    agree as well with what was heard: the level does so (an even, elliptical mouth is between both), or the pattern is
    the product of one over the width and one over the height (a rectangular one is exactly so). The truth is taken to
    lie anywhere as far off as they are. A round mouth has the first only; so has one that no design names, while both
    planes sound alike.
    0 where one plane stands for all by symmetry, or three and more were heard, which leave far less open.
    Checked on elliptical, rectangular and superelliptical pistons: tests/benchmark_budget.py.
    """
    seen = directivity.observation
    if seen.plane.size != 2:
        return np.zeros(seen.frequency.size)
    weights = sphere_weights(seen, half_space=directivity.half_space)
    square = np.maximum(np.abs(directivity.pressure) ** 2, 1e-300)
    square[:, :, ~weights.any(axis=0)] = 0.0
    mean = np.einsum("fpa,pa->f", square, weights)
    ring = weights.sum(axis=0)
    level = power_db(np.maximum(_by_level(square[:, 0], square[:, 1]) @ ring, 1e-300) / mean)
    smooth = evened(seen.frequency, level)
    if mouth == "round" or (mouth == "unknown" and not np.any(smooth[directivity.valid] > UNLIKE_DB)):
        return uniform(smooth)
    product = evened(seen.frequency, power_db(np.maximum(_by_product(directivity, weights), 1e-300) / mean))
    return uniform(np.maximum(product, smooth))


def model_uncertainty(model: Directivity) -> FloatArray:
    """(F,) dB, by how much the index from the planes and angles of a solved model differs from its own power's.

    ValueError if the model does not know its power.
    """
    if model.sound_power is None:
        raise ValueError("the model does not know its sound power: solve it")
    own, read = directivity_index(model), directivity_index(replace(model, sound_power=None, resolved=None))
    return evened(model.observation.frequency, read - own)


def _by_level(first: FloatArray, second: FloatArray) -> FloatArray:
    """Mean over azimuth of first^(cos^2) second^(sin^2): their geometric mean times I0 of half the log ratio."""
    first, second = np.maximum(first, 1e-300), np.maximum(second, 1e-300)
    half = 0.5 * np.abs(np.log(first / second))
    return np.asarray(np.sqrt(first * second) * ive(0, half) * np.exp(np.minimum(half, 600.0)))


def _by_product(directivity: Directivity, weights: FloatArray) -> FloatArray:
    """Mean square (F,) over the sphere of a pattern that is a product over both direction cosines; both sides alike.

    Behind the mouth's plane as the index takes it.
    """
    seen = directivity.observation
    square = np.abs(directivity.pressure) ** 2
    axis = np.maximum(np.abs(directivity.on_axis) ** 2, 1e-300)
    away = np.abs(seen.off_axis)
    front = away <= 0.5 * np.pi + 1e-9
    found = np.einsum("fpa,pa->f", square[:, :, ~front], weights[:, ~front])
    outward = np.unique(away[front].round(9))
    row = np.stack([square[:, :, np.abs(away - one) < 1e-6].mean(axis=2) for one in outward], axis=2)
    turn = (np.arange(QUARTER) + 0.5) * 0.5 * np.pi / QUARTER
    sine = np.sin(outward)
    across, up = np.arcsin(np.outer(sine, np.cos(turn))), np.arcsin(np.outer(sine, np.sin(turn)))
    ring = np.array([weights[:, np.abs(away - one) < 1e-6].sum() for one in outward])
    for i, level in enumerate(np.log(np.maximum(row, 1e-300))):
        first, second = (np.interp(at, outward, one) for at, one in zip((across, up), level, strict=True))
        found[i] += np.mean(np.exp(first + second), axis=1) @ ring / axis[i]
    return np.asarray(found)
