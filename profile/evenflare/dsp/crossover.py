"""A crossover: which filter stands before each way, as a curve and as sections, and what the ways then give together.

Ways are counted from the top. The crossing of place j parts way j from way j + 1. A way passes the low-pass of the
crossing above it, the high-passes of all crossings below it and, of the crossings further up, the all-pass: so that
Linkwitz-Riley and linear-phase slopes add up to an all-pass, or to 1, however many ways there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.dsp import slopes
from evenflare.dsp.biquad import Biquad
from evenflare.dsp.people import People
from evenflare.dsp.placing import UnfilteredWays, mean_square
from evenflare.dsp.slopes import Side, Slope
from evenflare.units import BoolArray, ComplexArray, FloatArray, amplitude_db, power_db

HEARD = -20.0
"""dB re its passband, above which a way behind its filter must be known: below, an error of its level by 3 dB changes
the sum by less than half a decibel."""


@dataclass(frozen=True)
class Crossing:
    """Where and how two ways part: slope and corner in Hz."""

    slope: Slope
    frequency: float


@dataclass(frozen=True)
class Setting:
    """What a way has besides its slopes.

    delay    : s.
    gain     : dB.
    inverted : polarity.
    """

    delay: float = 0.0
    gain: float = 0.0
    inverted: bool = False


@dataclass(frozen=True)
class Crossover:
    """Crossings from the highest down, and a setting for each way. ValueError if they do not fit together."""

    crossings: tuple[Crossing, ...]
    settings: tuple[Setting, ...]

    def __post_init__(self) -> None:
        corners = [each.frequency for each in self.crossings]
        if len(self.settings) != len(corners) + 1 or any(np.diff(corners) >= 0.0):
            raise ValueError(
                f"crossings at {corners} Hz must fall, and be one fewer than the {len(self.settings)} ways"
            )


def natural(crossing: Sequence[Slope]) -> tuple[bool, ...]:
    """Whether each way is inverted for neighbours to be in phase where they part; the lowest way is not."""
    turned = [slope.turned for slope in crossing]
    return tuple(sum(turned[way:]) % 2 == 1 for way in range(len(turned) + 1))


def steps(crossover: Crossover, way: int) -> list[tuple[Crossing, Side | None]]:
    """The crossings that a way passes, and on which side; None for the all-pass."""
    found: list[tuple[Crossing, Side | None]] = []
    for place, crossing in enumerate(crossover.crossings):
        if place >= way - 1:
            found.append((crossing, "high_pass" if place >= way else "low_pass"))
        else:
            found.append((crossing, None))
    return found


def sections(crossover: Crossover, way: int, *, sample_rate: float) -> tuple[Biquad, ...]:
    """Second-order sections of a way at a sample rate (Hz); linear-phase slopes have none."""
    found: list[Biquad] = []
    for crossing, side in steps(crossover, way):
        if side is None:
            found += slopes.all_pass_sections(crossing.slope, crossing.frequency, sample_rate=sample_rate)
        else:
            found += slopes.sections(crossing.slope, side, crossing.frequency, sample_rate=sample_rate)
    return tuple(found)


def responses(crossover: Crossover, frequency: FloatArray, *, sample_rate: float | None = None) -> ComplexArray:
    """(N, F) of each way: slopes, delay, gain and polarity, as at a sample rate (Hz), or analogue."""
    size = len(crossover.settings), frequency.size
    found = np.ones(size, dtype=np.complex128)
    for place, crossing in enumerate(crossover.crossings):
        slope, corner = crossing.slope, crossing.frequency
        found[: place + 1] *= slopes.response(slope, "high_pass", frequency, corner=corner, sample_rate=sample_rate)
        found[place + 1] *= slopes.response(slope, "low_pass", frequency, corner=corner, sample_rate=sample_rate)
        found[place + 2 :] *= slopes.all_pass_response(slope, frequency, corner=corner, sample_rate=sample_rate)
    return found * gains(crossover, frequency)


def gains(crossover: Crossover, frequency: FloatArray) -> ComplexArray:
    """(N, F) delay, gain and polarity of each way."""
    sizes = [10.0 ** (each.gain / 20.0) * (-1.0 if each.inverted else 1.0) for each in crossover.settings]
    delays = [each.delay for each in crossover.settings]
    return np.asarray(np.array(sizes)[:, None] * np.exp(-2j * np.pi * np.outer(delays, frequency)))


@dataclass(frozen=True)
class Evenness:
    """How even a sum is over a band.

    window : dB rms of the listening window's level about its mean.
    power  : dB rms of the sound power's level about the straight line over log frequency that is nearest to it.
    places : dB rms of the level where people may be, each place's about its own mean; 0 where none are given.
    tilt   : dB rms of the level above the axis against that below it; 0 where no people are given.
    score  : dB, by the share of the power in the mean of squares; window and places make up the rest in equal parts,
             and the tilt comes on top by its weight.
    """

    window: float
    power: float
    places: float
    tilt: float
    score: float


def evenness(
    sounds: UnfilteredWays, filters: ComplexArray, *, power_share: float = 0.5, heard_by: People | None = None
) -> Evenness:
    """Evenness of the ways behind filters (N, F), over all frequencies, which should be even on a logarithmic axis.

    A straight fall of the power with frequency is no fault: it is what a growing directivity index gives.
    A lobe that tilts has a smoother power, since what it takes from the axis it gives to the floor or the ceiling: so
    that the power alone would choose it.
    """
    window = power_db(mean_square(sounds.window, filters))
    power = power_db(np.maximum(mean_square(sounds.power, filters), 1e-30))
    x = np.log(sounds.frequency)
    x = x - x.mean()
    power = power - power.mean()
    line = x * (x @ power) / max(x @ x, 1e-12)
    rms = [float(np.sqrt(np.mean(each**2))) for each in (window - window.mean(), power - line)]
    if heard_by is None:
        score = np.sqrt((1.0 - power_share) * rms[0] ** 2 + power_share * rms[1] ** 2)
        return Evenness(rms[0], rms[1], 0.0, 0.0, float(score))
    level = amplitude_db(np.maximum(np.abs(np.einsum("nf,nfk->fk", filters, heard_by.pressure)), 1e-15))
    places = float(np.sqrt(np.mean((level - level.mean(axis=0)) ** 2)))
    sides = [power_db(np.maximum(mean_square(each, filters), 1e-30)) for each in (heard_by.above, heard_by.below)]
    tilt = float(np.sqrt(np.mean((sides[0] - sides[1]) ** 2)))
    direct = 0.5 * (rms[0] ** 2 + places**2)
    score = np.sqrt((1.0 - power_share) * direct + power_share * rms[1] ** 2 + heard_by.tilt_weight * tilt**2)
    return Evenness(rms[0], rms[1], places, tilt, float(score))


def needed_band(slope_above: Crossing | None, slope_below: Crossing | None) -> tuple[float, float]:
    """Hz, from and to where a way behind its slopes is above `HEARD`: 0 or infinite where it has no slope."""
    low, high = 0.0, np.inf
    octaves = np.geomspace(1.0, 2.0**10, 4001)
    for side, crossing in (("low_pass", slope_above), ("high_pass", slope_below)):
        if crossing is None:
            continue
        upward = side == "low_pass"
        at = crossing.frequency * (octaves if upward else 1.0 / octaves)
        loud = np.abs(
            slopes.response(crossing.slope, "low_pass" if upward else "high_pass", at, corner=crossing.frequency)
        )
        last = float(at[np.flatnonzero(loud > 10.0 ** (HEARD / 20.0))[-1]])
        low, high = (low, last) if upward else (last, high)
    return low, high


def trusted(sounds: UnfilteredWays, filters: ComplexArray) -> BoolArray:
    """(F,) True where every way that counts is known: whose filter (N, F) is within `HEARD` of its own passband."""
    loud = np.abs(filters)
    counts = loud > 10.0 ** (HEARD / 20.0) * loud.max(axis=1, keepdims=True)
    return np.asarray(np.all(sounds.valid | ~counts, axis=0))
