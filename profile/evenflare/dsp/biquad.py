"""Second-order sections: the cookbook's filters, their response and delay, and whether they are minimum-phase.

A section is y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2], that is H(z) = B(z) / A(z) with a0 = 1:
the coefficients a1 and a2 are subtracted. A processor that adds them wants both with the opposite sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from evenflare.units import ComplexArray, FloatArray, read_only

Kind = Literal["low_pass", "high_pass", "all_pass", "peaking", "low_shelf", "high_shelf"]

BUTTERWORTH = float(np.sqrt(0.5))
"""Quality of a maximally flat second-order filter; of a shelf whose slope S is 1."""


@dataclass(frozen=True)
class Biquad:
    """A second-order section at one sample rate.

    b : (3,) numerator b0, b1, b2.
    a : (3,) denominator 1, a1, a2; a1 and a2 are subtracted in the difference equation.
    Errors : ValueError if a shape is wrong, a value is not finite or a[0] is not 1.
    """

    b: FloatArray
    a: FloatArray

    def __post_init__(self) -> None:
        for name in ("b", "a"):
            row = read_only(getattr(self, name))
            if row.shape != (3,) or not np.all(np.isfinite(row)):
                raise ValueError(f"{name} must be three finite coefficients, not {row}")
            object.__setattr__(self, name, row)
        if self.a[0] != 1.0:
            raise ValueError(f"a[0] = {self.a[0]:g}: must be 1. Divide all six coefficients by it")


def cookbook(
    kind: Kind, frequency: ArrayLike, *, sample_rate: float, quality: ArrayLike = BUTTERWORTH, gain_db: ArrayLike = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Coefficients b and a, each (..., 3) with a0 = 1, of filters of one kind; the arguments broadcast.

    frequency   : Hz, > 0 and below half the sample rate: corner, centre or middle of the shelf.
    sample_rate : Hz.
    quality     : > 0; of a peak, its centre over its bandwidth where the gain is half the peak's in dB.
    gain_db     : of a peak or shelf; the others pass it over.
    ValueError if an argument is out of range. Source: W3C Working Group Note "Audio EQ Cookbook", 8 June 2021.
    """
    f, q, gain = np.broadcast_arrays(*(np.asarray(each, dtype=np.float64) for each in (frequency, quality, gain_db)))
    if not (np.all(f > 0.0) and np.all(f < 0.5 * sample_rate)):
        raise ValueError(
            f"frequency {np.min(f):g} to {np.max(f):g} Hz: must be above 0 and below half the sample rate,"
            f" {0.5 * sample_rate:g} Hz"
        )
    if not np.all(q > 0.0):
        raise ValueError(f"quality = {np.min(q):g}: must be above 0")
    angle = 2.0 * np.pi * f / sample_rate
    cosine, alpha = np.cos(angle), np.sin(angle) / (2.0 * q)
    if kind in ("low_shelf", "high_shelf"):
        # A high shelf is a low one with the circle turned by half: every odd power changes its sign.
        turn = 1.0 if kind == "low_shelf" else -1.0
        amplitude = 10.0 ** (gain / 40.0)
        c, s = turn * cosine, 2.0 * np.sqrt(amplitude) * alpha
        up, down = amplitude + 1.0, amplitude - 1.0
        b = (
            amplitude * (up - down * c + s),
            turn * 2.0 * amplitude * (down - up * c),
            amplitude * (up - down * c - s),
        )
        a = (up + down * c + s, turn * -2.0 * (down + up * c), up + down * c - s)
    else:
        amplitude = 10.0 ** (gain / 40.0) if kind == "peaking" else np.ones_like(gain)
        a = (1.0 + alpha / amplitude, -2.0 * cosine, 1.0 - alpha / amplitude)
        if kind == "low_pass":
            b = (0.5 * (1.0 - cosine), 1.0 - cosine, 0.5 * (1.0 - cosine))
        elif kind == "high_pass":
            b = (0.5 * (1.0 + cosine), -(1.0 + cosine), 0.5 * (1.0 + cosine))
        elif kind == "all_pass":
            b = (1.0 - alpha, -2.0 * cosine, 1.0 + alpha)
        else:
            b = (1.0 + alpha * amplitude, -2.0 * cosine, 1.0 - alpha * amplitude)
    return np.stack(b, axis=-1) / a[0][..., None], np.stack(a, axis=-1) / a[0][..., None]


def low_pass(frequency: float, *, sample_rate: float, quality: float = BUTTERWORTH) -> Biquad:
    """Second-order low-pass. Arguments, errors and source of all makers as `cookbook`."""
    return Biquad(*cookbook("low_pass", frequency, sample_rate=sample_rate, quality=quality))


def high_pass(frequency: float, *, sample_rate: float, quality: float = BUTTERWORTH) -> Biquad:
    """Second-order high-pass."""
    return Biquad(*cookbook("high_pass", frequency, sample_rate=sample_rate, quality=quality))


def all_pass(frequency: float, *, sample_rate: float, quality: float = BUTTERWORTH) -> Biquad:
    """Second-order all-pass; its phase is -180 degrees at `frequency`."""
    return Biquad(*cookbook("all_pass", frequency, sample_rate=sample_rate, quality=quality))


def low_shelf(frequency: float, *, gain_db: float, sample_rate: float, quality: float = BUTTERWORTH) -> Biquad:
    """`gain_db` far below `frequency`, half of it there, 0 dB far above."""
    return Biquad(*cookbook("low_shelf", frequency, sample_rate=sample_rate, quality=quality, gain_db=gain_db))


def response(sections: Sequence[Biquad], frequency: ArrayLike, *, sample_rate: float) -> ComplexArray:
    """Complex response of sections in a row, shaped as `frequency` (Hz, 0 to half the sample rate); 1 for none."""
    delayed = _delayed(frequency, sample_rate)
    found = np.ones(delayed.shape[:-1], dtype=np.complex128)
    for section in sections:
        found = found * (delayed @ section.b) / (delayed @ section.a)
    return np.asarray(found)


def group_delay(sections: Sequence[Biquad], frequency: ArrayLike, *, sample_rate: float) -> FloatArray:
    """Group delay in s of sections in a row, shaped as `frequency` (Hz); infinite or nan at a zero on the circle.

    Of a polynomial in 1/z it is the real part of sum(n c_n z^-n) / sum(c_n z^-n), numerator's less denominator's.
    Source: J. O. Smith, Introduction to Digital Filters, numerical computation of group delay.
    """
    delayed = _delayed(frequency, sample_rate)
    ramp = np.arange(3.0)
    samples = np.zeros(delayed.shape[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        for section in sections:
            samples += ((delayed @ (ramp * section.b)) / (delayed @ section.b)).real
            samples -= ((delayed @ (ramp * section.a)) / (delayed @ section.a)).real
    return samples / sample_rate


def _delayed(frequency: ArrayLike, sample_rate: float) -> ComplexArray:
    """(..., 3) of 1, 1/z and 1/z^2 on the unit circle."""
    angle = 2.0 * np.pi * np.asarray(frequency, dtype=np.float64) / sample_rate
    return np.asarray(np.exp(-1j * angle[..., None] * np.arange(3.0)))
