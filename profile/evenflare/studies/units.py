"""Units of a waveguide as a process makes them: drawn, solved, and how many keep; beside what slopes alone say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import betaincinv

from evenflare.studies.sensitivity import Progress, Sensitivity, WallBench, predicted, times
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide.deviated import WallDeviation
from evenflare.waveguide.wall_places import wall_places

CONFIDENCE = 0.95
ALIKE = 0.2
"""Of the solved spread, by which that of the slopes may differ where they are called good; and"""
FELT = 0.02
"""dB, below which a spread is none."""


@dataclass(frozen=True)
class UnitSpread:
    """What the units of a process do.

    frequency : (C,) Hz.
    change    : (U, C) dB, of the index against the drawn wall's, solved; infinite where a unit is no waveguide; and
    linear    : (U, C) by the slopes alone.
    within    : dB.
    """

    frequency: FloatArray
    change: FloatArray
    linear: FloatArray
    within: float

    @property
    def count(self) -> int:
        """Units."""
        return len(self.change)

    @cached_property
    def good(self) -> BoolArray:
        """(U,) whether a unit keeps."""
        return np.asarray(np.abs(self.change).max(axis=1) <= self.within)

    @property
    def share(self) -> float:
        """Of units that keep, as drawn."""
        return float(self.good.mean())

    @property
    def interval(self) -> tuple[float, float]:
        """In which the share of all units lies with CONFIDENCE."""
        return share_interval(int(self.good.sum()), self.count)

    @property
    def least_share(self) -> float:
        """That the share of all units has at least, with CONFIDENCE."""
        return share_interval(int(self.good.sum()), self.count, confidence=2.0 * CONFIDENCE - 1.0)[0]

    @property
    def linear_share(self) -> float:
        """Of units that keep by the slopes alone."""
        return float((np.abs(self.linear).max(axis=1) <= self.within).mean())

    @cached_property
    def heard(self) -> FloatArray:
        """(V, C) dB, the change of those that are waveguides."""
        return np.asarray(self.change[np.isfinite(self.change).all(axis=1)])

    @property
    def mean(self) -> FloatArray:
        """(C,) dB, of the change."""
        return np.asarray(self.heard.mean(axis=0))

    @cached_property
    def spread(self) -> FloatArray:
        """(C,) dB, standard deviation of the change."""
        return np.asarray(self.heard.std(axis=0, ddof=1))

    @cached_property
    def linear_spread(self) -> FloatArray:
        """(C,) dB, by the slopes alone."""
        return np.asarray(self.linear.std(axis=0, ddof=1))

    @property
    def fails(self) -> BoolArray:
        """(C,) where slopes alone do not tell the spread."""
        felt = np.maximum(self.spread, self.linear_spread) > FELT
        return np.asarray(felt & (np.abs(self.linear_spread - self.spread) > ALIKE * self.spread))


def share_interval(good: int, count: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """In which a share lies, of which `good` of `count` were found: exact, whatever the share.

    Source: C. J. Clopper and E. S. Pearson (1934), Biometrika 26, 404.
    """
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if good == 0 else float(betaincinv(good, count - good + 1, tail))
    high = 1.0 if good == count else float(betaincinv(good + 1, count - good, 1.0 - tail))
    return low, high


def spread_of(
    bench: WallBench,
    found: Sensitivity,
    units: Sequence[WallDeviation],
    within: float,
    *,
    progress: Progress | None = None,
) -> UnitSpread:
    """Units solved."""
    rim = float(wall_places(bench.waveguide).radius[-1])
    nominal = bench.index(times(units[0], 0.0))
    change = bench.indices(units, progress) - nominal
    linear = np.array([predicted(found, unit, rim) for unit in units])
    return UnitSpread(bench.frequency, change, linear, within)
