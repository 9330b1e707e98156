"""Oblong waveguides that several tests and the benchmark share, and a flat elliptical piston."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import (
    Conical,
    Driver,
    Exponential,
    Mounting,
    OblateSpheroidal,
    Oblong,
    RoundedRectangle,
    Superellipse,
    Waveguide,
)
from evenflare.waveguide.surface import Axes

WIDE, HIGH = OblateSpheroidal(0.1, 43.5 * DEGREE, 0.012), OblateSpheroidal(0.1, 27 * DEGREE, 0.012)
"""Meridians of 100 mm depth and mouths of 202 and 120 mm."""

CANDIDATE = Waveguide(Oblong(WIDE, HIGH))
"""On which speed and error are stated."""

OBLONG_BENCHMARK = {
    "oblate-spheroidal, ellipse": CANDIDATE,
    "conical, ellipse, sharp mouth": Waveguide(Oblong(Conical(0.1, 41 * DEGREE), Conical(0.1, 25.3 * DEGREE))),
    "oblate-spheroidal, exponent to 4": Waveguide(Oblong(WIDE, HIGH, Superellipse(4.0))),
    "exponential, exponent to 2.6": Waveguide(
        Oblong(Exponential(0.1, 0.05, 0.015), Exponential(0.1, 0.068, 0.01), Superellipse(2.6))
    ),
    "oblate-spheroidal, rounded rectangle": Waveguide(Oblong(WIDE, HIGH, RoundedRectangle(0.015))),
}


@dataclass(frozen=True)
class FlushEllipse:
    """The surface of an elliptical tube of no length that matters, with semi-axes a and b, m."""

    a: float
    b: float
    depth: float = 2e-9

    @property
    def cuts(self) -> tuple[float, float]:
        return 0.0, self.depth

    @property
    def throat_radius(self) -> float:
        return float(np.sqrt(self.a * self.b))

    def axes(self, z: FloatArray, *, stretch: int) -> Axes:
        ones = np.ones_like(z)
        return Axes(self.a * ones, self.b * ones, 0.0 * ones, 0.0 * ones)

    def factor(self, z: FloatArray, a: FloatArray, b: FloatArray, psi: FloatArray) -> FloatArray:
        return np.ones(np.broadcast_shapes(z.shape, psi.shape))

    def off_exit(self, radius: float) -> float:
        return 0.0  # all of it moves

    @property
    def horizontal(self) -> SimpleNamespace:
        return SimpleNamespace(dense=SimpleNamespace(angle=np.zeros(1)))

    vertical = horizontal


@dataclass(frozen=True)
class FlushPiston:
    """What the solver takes of a waveguide."""

    surface: FlushEllipse
    driver: Driver
    is_round: bool = False
    shape: None = None
    mounting: Mounting = Mounting()


def elliptical_piston(a: float, b: float) -> FlushPiston:
    """A flat elliptical piston flush with a baffle."""
    return FlushPiston(FlushEllipse(a, b), Driver(float(np.sqrt(a * b))))
