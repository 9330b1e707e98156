"""What a shape scores once a process has made it: an estimate from two waves, or sampled units solved at full.

The score is the length of its vector of deviations. Over the units of a process these are taken for Gaussian about
those of the mean wall, with the covariance that two waves make, `scatter.long_waves`; mean and standard deviation of
the length follow from its square's, whose mean is |d|^2 + tr C and whose variance is 4 d C d + 2 tr C^2, to first order
in that variance (the delta method, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evenflare.objective import Score
from evenflare.radiation import method_for
from evenflare.target.target import Target
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.scatter import long_waves, units

UNITS, FEW_UNITS = 64, 16
"""Sampled for a candidate at full: where a solution takes some hundredths of a second, and where seconds."""
ENOUGH = 0.75
"""Of them that must be solved: a wall may come out too sharply bent for a solver now and then."""
SEED = 20_000
"""Of the units: every candidate is made by the same run of the shop, so that they are told apart with fewer."""
WAVES = 0.5
"""Of the process's variance that the two waves stand for: they are of a length that acts more than its mixture does."""

Hear = Callable[[Waveguide], Score]
"""The score of a waveguide as made, solved and held against the target as the drawn one was."""


@dataclass(frozen=True)
class Scatter:
    """The score of a shape as a process makes it, dB.

    nominal      : of the drawn shape; infinite where a process with a bias is estimated before full: then the mean wall
                   is solved in its place.
    mean, spread : over units; the spread is a standard deviation.
    units        : that were sampled and solved; 0: estimated from two waves.
    """

    nominal: float
    mean: float
    spread: float
    units: int


class Forgiven(NamedTuple):
    """value : dB, mean plus k spreads.

    deviations : dB, whose root of the sum of squares it is; none where units were sampled.
    """

    value: float
    scatter: Scatter
    deviations: tuple[float, ...]


def units_of(target: Target) -> int:
    """Units that are sampled for a candidate at full."""
    return FEW_UNITS if target.oblong or method_for(target.mounting) != "march" else UNITS


def mean_wall(target: Target, waveguide: Waveguide) -> Waveguide | None:
    """The wall that a process with a bias makes on average; None where it has none: then that is the drawn one."""
    accuracy, _ = _asked(target)
    if not (accuracy.bias or accuracy.scale_bias):
        return None
    return _as_made(waveguide, WallDeviation(offset=accuracy.bias, scale=accuracy.scale_bias))


def estimated(target: Target, waveguide: Waveguide, nominal: float, of_mean: Score, hear: Hear) -> Forgiven:
    """By two more solutions. nominal : of the drawn shape, see Scatter; of_mean : of the mean wall."""
    accuracy, k = _asked(target)
    mean = np.array(of_mean.deviations)
    waves = [np.array(hear(_as_made(waveguide, each)).deviations) for each in long_waves(accuracy, waveguide)]
    middle, spread = length_of(mean, np.sqrt(WAVES) * np.stack([each - mean for each in waves], axis=1))
    value = middle + k * spread
    # What scatter adds is one number: the slopes of every deviation's own would be slopes of solvers' errors.
    added = np.sqrt(max(value**2 - float(mean @ mean), 0.0))
    return Forgiven(value, Scatter(nominal, middle, spread, 0), (*mean.tolist(), float(added)))


def _as_made(waveguide: Waveguide, deviation: WallDeviation) -> Waveguide:
    return deviated(waveguide, deviation, splined=True, alike=True)


def sampled(target: Target, waveguide: Waveguide, nominal: Score, hear: Hear) -> Forgiven:
    """By a solution of each unit. ValueError if too many of them cannot be solved."""
    accuracy, k = _asked(target)
    count = units_of(target)
    scores, reason = list[float](), ""
    for each in units(accuracy, waveguide, seed=SEED, count=count):
        try:
            scores.append(hear(deviated(waveguide, each, splined=True)).value)
        except ValueError as error:
            reason = str(error)
    if len(scores) < ENOUGH * count:
        raise ValueError(f"{count - len(scores)} of {count} units as they come out cannot be solved: {reason}")
    middle, spread = float(np.mean(scores)), float(np.std(scores, ddof=1))
    return Forgiven(middle + k * spread, Scatter(nominal.value, middle, spread, len(scores)), ())


def length_of(mean: FloatArray, factors: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation of the length of a Gaussian vector (M,) of covariance factors @ factors.T, (M, n)."""
    gram = factors.T @ factors
    square = float(mean @ mean + np.trace(gram))
    variance = float(4.0 * np.sum((factors.T @ mean) ** 2) + 2.0 * np.sum(gram**2))
    spread2 = variance / (4.0 * max(square, 1e-300))
    return float(np.sqrt(max(square - spread2, 0.0))), float(np.sqrt(spread2))


def _asked(target: Target) -> tuple[Accuracy, float]:
    robust = target.robust
    assert robust is not None  # asked for of robust targets only
    assert robust.accuracy is not None  # else the request was refused
    return robust.accuracy, robust.k
