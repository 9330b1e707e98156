"""Slopes of a crossover: low-pass, high-pass and the all-pass that goes with them, as curves and as sections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from evenflare.dsp import biquad
from evenflare.dsp.biquad import Biquad
from evenflare.units import ComplexArray, FloatArray

Kind = Literal["linkwitz_riley", "butterworth", "linear_phase"]
Side = Literal["low_pass", "high_pass"]
ORDERS: dict[Kind, tuple[int, ...]] = {
    "linkwitz_riley": (2, 4, 6, 8),
    "butterworth": (1, 2, 3, 4, 5, 6, 7, 8),
    "linear_phase": tuple(range(2, 17)),
}
"""Orders that each kind can have; each is 6 dB per octave."""


@dataclass(frozen=True)
class Slope:
    """How two ways part.

    kind  : "linkwitz_riley": a Butterworth filter of half the order twice, each way 6 dB down at the corner, the sum
            all-pass. "butterworth": each way 3 dB down. "linear_phase": low-pass 1 / (1 + x^order) and high-pass
            x^order / (1 + x^order) of x, frequency over corner, without phase: they add up to 1.
    order : as in ORDERS. ValueError otherwise.
    """

    kind: Kind
    order: int

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind) or self.order not in ORDERS[self.kind]:
            allowed = ", ".join(map(str, ORDERS.get(self.kind, ())))
            raise ValueError(f"order = {self.order}: must be one of {allowed or 'none'} for {self.kind}")

    @property
    def times(self) -> int:
        """How often the Butterworth filter stands in a row."""
        return 2 if self.kind == "linkwitz_riley" else 1

    @property
    def turned(self) -> bool:
        """Whether the high-pass must be inverted for both ways to be in phase at the corner.

        There the high-pass leads the low-pass by order times 90 degrees. Odd Butterworth orders are in quadrature
        either way, and are left as they are.
        """
        return self.kind != "linear_phase" and self.order % 4 == 2


def qualities(order: int) -> tuple[float, ...]:
    """Qualities of the pole pairs of a Butterworth filter, the least first; an odd order has a real pole besides.

    Source: S. Butterworth (1930): poles evenly on a half circle.
    """
    pair = np.arange(order // 2)
    return tuple(sorted((0.5 / np.sin((2 * pair + 1) * np.pi / (2 * order))).tolist()))


def relative(frequency: FloatArray, corner: float, *, sample_rate: float | None) -> FloatArray:
    """Frequency over corner, of a filter at a sample rate as the bilinear transform with its corner kept bends it.

    sample_rate : Hz, above twice the frequency and the corner; None for the analogue filter.
    """
    if sample_rate is None:
        return np.asarray(frequency / corner)
    return np.asarray(np.tan(np.pi * frequency / sample_rate) / np.tan(np.pi * corner / sample_rate))


def response(
    slope: Slope, side: Side, frequency: FloatArray, *, corner: float, sample_rate: float | None = None
) -> ComplexArray:
    """Complex response (F,) at `frequency` (F,) Hz, the same as that of `sections` at the sample rate (Hz).

    A linear-phase slope has no sections and no sample rate: its curve is made as a finite impulse response.
    """
    if slope.kind == "linear_phase":
        power = (frequency / corner) ** slope.order
        return np.asarray((1.0 if side == "low_pass" else power) / (1.0 + power) + 0j)
    s = np.asarray(1j * relative(frequency, corner, sample_rate=sample_rate), dtype=np.complex128)
    order = slope.order // slope.times
    one = (1.0 if side == "low_pass" else s**order) / _denominator(order, s)
    return np.asarray(one**slope.times)


def all_pass_response(
    slope: Slope, frequency: FloatArray, *, corner: float, sample_rate: float | None = None
) -> ComplexArray:
    """What a way that is not parted here needs to stay in phase with the sum of the two that are: (F,).

    Linkwitz-Riley: that sum itself, B(-s) / B(s) of the Butterworth polynomial B of half the order. Linear phase: 1.
    Butterworth: 1, its sum is left uneven by nature or has the phase that the order gives it.
    """
    if slope.kind != "linkwitz_riley":
        return np.ones(frequency.shape, dtype=np.complex128)
    s = np.asarray(1j * relative(frequency, corner, sample_rate=sample_rate), dtype=np.complex128)
    below = _denominator(slope.order // 2, s)
    return np.asarray(np.conj(below) / below)


def sections(slope: Slope, side: Side, corner: float, *, sample_rate: float) -> tuple[Biquad, ...]:
    """Second-order sections of a slope at a sample rate (Hz), one of first order with b2 = a2 = 0 last; none if linear.

    ValueError if the rate cannot hold the corner (Hz). Source: bilinear transform, as the cookbook's filters.
    """
    if slope.kind == "linear_phase":
        return ()
    make = biquad.low_pass if side == "low_pass" else biquad.high_pass
    return _rows(slope, corner, sample_rate, make, _first_order(side, corner, sample_rate)) * slope.times


def all_pass_sections(slope: Slope, corner: float, *, sample_rate: float) -> tuple[Biquad, ...]:
    """Sections of `all_pass_response`; none where that is 1."""
    if slope.kind != "linkwitz_riley":
        return ()
    return _rows(slope, corner, sample_rate, biquad.all_pass, _first_order("all_pass", corner, sample_rate))


def _rows(
    slope: Slope, corner: float, sample_rate: float, make: Callable[..., Biquad], last: Biquad
) -> tuple[Biquad, ...]:
    order = slope.order // slope.times
    pairs = [make(corner, sample_rate=sample_rate, quality=quality) for quality in qualities(order)]
    return (*pairs, *([last] if order % 2 else []))


def _first_order(kind: Literal["low_pass", "high_pass", "all_pass"], corner: float, sample_rate: float) -> Biquad:
    """1 / (1 + s), s / (1 + s) or (1 - s) / (1 + s) by the bilinear transform, corner kept."""
    k = float(np.tan(np.pi * corner / sample_rate))
    pole = (k - 1.0) / (k + 1.0)
    b = {
        "low_pass": (k / (1.0 + k), k / (1.0 + k), 0.0),
        "high_pass": (1.0 / (1.0 + k), -1.0 / (1.0 + k), 0.0),
        "all_pass": (pole, 1.0, 0.0),
    }[kind]
    return Biquad(np.array(b), np.array([1.0, pole, 0.0]))


def _denominator(order: int, s: ComplexArray) -> ComplexArray:
    """The Butterworth polynomial of s."""
    found = 1.0 + s if order % 2 else np.ones_like(s)
    for quality in qualities(order):
        found = found * (1.0 + s / quality + s**2)
    return np.asarray(found)
