"""What tests of a wall's tolerance share: waveguides on the bench, a stand-in that is linear, walls that scatter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.studies.sensitivity import PlaceSlopes, Sensitivity, WallBench, bench_for, on_places
from evenflare.units import FloatArray
from evenflare.waveguide import OblateSpheroidal, Waveguide
from evenflare.waveguide.deviated import WallDeviation

WAVEGUIDE = Waveguide(OblateSpheroidal(0.08, np.radians(45)))
"""Arc of 106 mm."""


def bench(count: int = 16, *, low: float = 3000.0, high: float = 16000.0) -> WallBench:
    """It, at frequencies where the wall tells."""
    observation = Observation(np.geomspace(low, high, count), np.radians(np.arange(0.0, 91.0, 5.0)))
    return bench_for(WAVEGUIDE, observation, Air(), counted=np.ones(count, dtype=bool))


@dataclass(frozen=True)
class LinearBench:
    """A stand-in whose index is a sum over the places of a grid, and nothing else."""

    slope: FloatArray
    share: FloatArray
    frequency: FloatArray
    waveguide: Waveguide = WAVEGUIDE
    azimuths: tuple[float, ...] = (0.0,)
    solved: list[FloatArray] = field(default_factory=list)

    def wave(self, values: FloatArray) -> WallDeviation:
        """See WallBench."""
        rows = tuple((float(each),) for each in np.ravel(values))
        return WallDeviation(shares=tuple(self.share.tolist()), waves=rows)

    def flat(self) -> WallDeviation:
        """See WallBench."""
        return self.wave(np.zeros(self.share.size))

    def index(self, deviation: WallDeviation) -> FloatArray:
        """See WallBench."""
        found: Any = SimpleNamespace(share=self.share, azimuths=np.zeros(1))
        return np.asarray(on_places(found, deviation)[:, 0] @ self.slope)

    def indices(self, deviations: Sequence[WallDeviation], progress: object = None) -> FloatArray:
        """See WallBench."""
        return np.array([self.index(each) for each in deviations])


def linear(count: int = 31, frequencies: int = 5, *, spacing: float = 3.5e-3) -> tuple[Any, Sensitivity]:
    """The stand-in and its sensitivity: slopes that oscillate along the wall, faster at higher frequencies."""
    share = np.linspace(0.0, 1.0, count)
    frequency = np.geomspace(2000.0, 16000.0, frequencies)
    turns = np.outer(share, np.linspace(0.5, 6.0, frequencies))
    slope = np.sin(2 * np.pi * turns + 0.4) * np.linspace(100.0, 1000.0, frequencies) * (0.3 + share[:, None])
    nothing = np.zeros(frequencies)
    places = tuple((PlaceSlopes(row, nothing, nothing, float("nan"), nothing),) for row in slope)
    kinds = {name: PlaceSlopes(nothing, nothing, nothing, float("nan"), nothing) for name in ("offset", "bow", "scale")}
    kinds["throat_step"] = kinds["bow"]
    found = Sensitivity(frequency, nothing, share, 0.08 * share, np.zeros(1), spacing, places, kinds)
    return LinearBench(slope, share, frequency), found


def scattered(length: float, arc: float, *, knots: int = 31) -> Any:
    """Draws walls whose places scatter by 1 mm, correlated by exp(-d^2 / (2 length^2)), by Cholesky's factor."""
    share = np.linspace(0.0, 1.0, knots)
    root = np.linalg.cholesky(covariance(share, length, arc) + 1e-9 * np.eye(knots))

    def draw(seed: int, count: int) -> list[WallDeviation]:
        walls = 1e-3 * np.random.default_rng(seed).standard_normal((count, knots)) @ root.T
        return [
            WallDeviation(shares=tuple(share.tolist()), waves=tuple((each,) for each in row)) for row in walls.tolist()
        ]

    return draw


def covariance(share: FloatArray, length: float, arc: float) -> FloatArray:
    """Of departures at shares of an arc, with a standard deviation of 1."""
    return np.exp(-0.5 * (np.subtract.outer(share, share) * arc / length) ** 2)
