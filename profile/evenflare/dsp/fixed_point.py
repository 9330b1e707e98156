"""Sections in fixed point: coefficients as whole numbers, what rounding adds, and a run in whole numbers.

Qm.n has m bits before the point, that of the sign included, and n behind it: a whole number N stands for N / 2**n. A
section's five coefficients share a shift s: stored is c / 2**s, and the sum of products is shifted left by s.

Round-off noise: rounding to a step D adds white noise of variance D**2 / 12, where it happens. In the direct form I
with a long accumulator that is once a section, before 1 / A; in the transposed direct form II whose output and two
states are rounded, three times, each before 1 / A; with the rounding error of one sample taken off at the next (first
order), before (1 - 1/z) / A. Then the sections behind follow.
Source: L. B. Jackson, Bell System Technical Journal 49 (1970) 159; Oppenheim and Schafer, Discrete-Time Signal
Processing, effects of round-off noise (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter, sosfilt

from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.peaks import impulse_response, rows
from evenflare.units import FloatArray, amplitude_db, power_db

QUIET = -40.0
"""dB re the greatest gain, from which up responses in fixed point are held against those in floating point."""
LOWEST = 20.0
"""Hz, from which on they are."""


@dataclass(frozen=True)
class Word:
    """A word length of a processor.

    whole, fraction : bits of coefficients before the point, with the sign, and behind it.
    signal_whole, signal_fraction : the same of the signal.
    """

    whole: int
    fraction: int
    signal_whole: int
    signal_fraction: int

    @property
    def name(self) -> str:
        """Of the coefficients, as Q2.30."""
        return f"Q{self.whole}.{self.fraction}"

    @property
    def signal(self) -> str:
        """Of the signal."""
        return f"Q{self.signal_whole}.{self.signal_fraction}"

    @property
    def largest(self) -> float:
        """Magnitude that the signal reaches, 1 being full scale."""
        return float(2.0 ** (self.signal_whole - 1))


WORDS = (Word(1, 23, 1, 23), Word(2, 30, 1, 31), Word(5, 23, 5, 23))
"""24 bits; 32 bits; 28 bits with four of them for what exceeds full scale. Common practice, no source."""


@dataclass(frozen=True)
class FixedSection:
    """A section's b0, b1, b2, a1, a2 as whole numbers (5,), and the shift that they share, bits."""

    values: tuple[int, ...]
    shift: int

    def biquad(self, word: Word) -> Biquad:
        """What it amounts to."""
        b0, b1, b2, a1, a2 = (value * 2.0 ** (self.shift - word.fraction) for value in self.values)
        return Biquad(np.array([b0, b1, b2]), np.array([1.0, a1, a2]))


def fixed_values(values: FloatArray, word: Word) -> tuple[tuple[int, ...], int]:
    """Values (N,) rounded to the word's coefficients, and the least shift in bits with which all of them fit."""
    top = 2 ** (word.whole + word.fraction - 1) - 1
    shift = 0
    while True:
        scaled = np.rint(np.asarray(values) * 2.0 ** (word.fraction - shift))
        if scaled.max() <= top and scaled.min() >= -top - 1:
            return tuple(int(each) for each in scaled), shift
        shift += 1


def fixed(sections: Sequence[Biquad], word: Word) -> tuple[FixedSection, ...]:
    """Sections in a word length."""
    return tuple(FixedSection(*fixed_values(np.concatenate([each.b, each.a[1:]]), word)) for each in sections)


@dataclass(frozen=True)
class FixedPoint:
    """A row of sections in fixed point, and what that costs.

    sections    : whole numbers.
    down        : bits by which the input is shifted right, so that no input of full scale saturates any section.
    departure   : dB, greatest from the exact sections, from `LOWEST` up, where these are within `QUIET` of their top.
    noise       : dB re full scale, rms, of rounding at the output: direct form I,
    fed_back    : the same with first-order error feedback, and
    transposed  : the transposed direct form II.
    measured    : dB, as `noise`, in a run in whole numbers on the input that comes nearest to saturating the output.
    saturated   : how many samples of that run did.
    Errors      : `fixed_point` raises ValueError where a rounded section is not stable.
    """

    word: Word
    sections: tuple[FixedSection, ...]
    down: int
    departure: float
    noise: float
    fed_back: float
    transposed: float
    measured: float
    saturated: int


def fixed_point(sections: Sequence[Biquad], word: Word, *, sample_rate: float, samples: int = 1024) -> FixedPoint:
    """Sections in a row in a word length; the run has so many `samples`. ValueError if one, rounded, is not stable."""
    made = fixed(sections, word)
    own = [each.biquad(word) for each in made]
    worst = max((np.abs(impulse_response(own[: end + 1])).sum() for end in range(len(own))), default=1.0)
    # Full scale itself lies one step above the largest word; rounding adds to the signal, too.
    down = max(0, int(np.ceil(np.log2(worst * (1.0 + 1e-3) / word.largest))))
    noise, fed_back = _roundoff(own, word)
    whole = impulse_response(own)[:samples]
    test = np.where(whole[::-1] >= 0.0, 1.0, -1.0) * 2.0**-down * (1.0 - 2.0**-20)
    steps = [int(each) for each in np.rint(test * 2.0**word.signal_fraction)]
    got, saturated = run(made, steps, word)
    exact = sosfilt(rows(own), np.array(steps) * 2.0**-word.signal_fraction)
    error = np.array(got) * 2.0**-word.signal_fraction - exact
    return FixedPoint(
        word,
        made,
        down,
        departure(sections, own, sample_rate=sample_rate),
        noise,
        fed_back,
        noise + float(power_db(3.0)),
        float(power_db(max(float(np.mean(error**2)), 1e-30))),
        saturated,
    )


def departure(exact: Sequence[Biquad], made: Sequence[Biquad], *, sample_rate: float) -> float:
    """dB, greatest of `made` from `exact`, where these are within `QUIET` of their top."""
    at = np.geomspace(LOWEST, 0.4999 * sample_rate, 1000)
    wanted, found = (
        amplitude_db(np.abs(response(each, at, sample_rate=sample_rate)) + 1e-30) for each in (exact, made)
    )
    heard = wanted > wanted.max() + QUIET
    return float(np.abs(found - wanted)[heard].max())


def _roundoff(sections: Sequence[Biquad], word: Word) -> tuple[float, float]:
    """dB re full scale, rms: of the direct form I, and with first-order error feedback."""
    step = 2.0 ** (-2 * word.signal_fraction) / 12.0
    plain = shaped = 0.0
    for place, each in enumerate(sections):
        poles = Biquad(np.array([1.0, 0.0, 0.0]), each.a)
        heard = impulse_response([poles, *sections[place + 1 :]])
        plain += float(np.sum(heard**2))
        shaped += float(np.sum(lfilter([1.0, -1.0], [1.0], heard) ** 2))
    return tuple(float(power_db(max(step * each, 1e-30))) for each in (plain, shaped))  # type: ignore[return-value]


def run(sections: Sequence[FixedSection], signal: Sequence[int], word: Word) -> tuple[list[int], int]:
    """Sections in a row on a signal in steps of the word, direct form I, and how many samples saturated.

    Products are summed exactly; each section rounds once, half a step up, and stays within the signal's word.
    """
    top = 2 ** (word.signal_whole + word.signal_fraction - 1) - 1
    saturated = 0
    now = list(signal)
    for section in sections:
        b0, b1, b2, a1, a2 = section.values
        bits = word.fraction - section.shift
        half = 1 << (bits - 1)
        x1 = x2 = y1 = y2 = 0
        done = []
        for x in now:
            y = (b0 * x + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2 + half) >> bits
            if not -top - 1 <= y <= top:
                saturated += 1
                y = top if y > 0 else -top - 1
            x2, x1, y2, y1 = x1, x, y1, y
            done.append(y)
        now = done
    return now, saturated
