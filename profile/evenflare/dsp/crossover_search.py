"""What is left open in a crossover, and the search for its most even choice."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import differential_evolution

from evenflare.dsp.crossover import Crossing, Crossover, Evenness, Setting, evenness, natural, responses
from evenflare.dsp.people import People
from evenflare.dsp.placing import UnfilteredWays
from evenflare.dsp.slopes import Slope
from evenflare.units import ComplexArray, FloatArray

MOST = 12000
"""Crossovers tried, that polishing takes beside: about ten seconds of four ways."""
MEMBERS = 6
"""Members of the population per open value, and at least `FEWEST`."""
FEWEST = 24
AT_END = 0.02
"""Share of a range: a value so near to its end would perhaps go further."""
Range = tuple[float, float]
"""Least and greatest; equal where the value is given."""


@dataclass(frozen=True)
class OpenCrossing:
    """Slopes to choose from, and a range of corners in Hz."""

    slopes: tuple[Slope, ...]
    frequency: Range


@dataclass(frozen=True)
class OpenSetting:
    """Ranges of delay (s) and gain (dB), and polarities to choose from: None for the one natural to the slopes."""

    delay: Range = (0.0, 0.0)
    gain: Range = (0.0, 0.0)
    inverted: tuple[bool | None, ...] = (None,)


@dataclass(frozen=True)
class Open:
    """Crossings from the highest down and ways from the top, with what is left open. ValueError if ranges overlap."""

    crossings: tuple[OpenCrossing, ...]
    settings: tuple[OpenSetting, ...]

    def __post_init__(self) -> None:
        for upper, lower in itertools.pairwise(self.crossings):
            if not lower.frequency[1] < upper.frequency[0]:
                raise ValueError(
                    f"crossings must fall: one may lie up to {lower.frequency[1]:g} Hz, the one above it down to"
                    f" {upper.frequency[0]:g} Hz. Keep their frequencies and ranges apart"
                )


@dataclass(frozen=True)
class Found:
    """What a search came to.

    tried    : crossovers that were tried.
    start    : evenness in the middle of all ranges, with the first slopes and polarities.
    evenness : of what was found.
    at_end   : open values that lie at an end of their range, in words.
    """

    crossover: Crossover
    start: Evenness
    evenness: Evenness
    tried: int
    at_end: tuple[str, ...]


@dataclass(frozen=True)
class _Variable:
    """An open value: which part of the crossover it is, and its range; whole numbers pick from a list."""

    part: str
    place: int
    low: float
    high: float
    whole: bool


def search(
    sounds: UnfilteredWays,
    choice: Open,
    *,
    power_share: float = 0.5,
    seed: int = 1,
    sample_rate: float | None = None,
    heard_by: People | None = None,
    fixed: ComplexArray | None = None,
) -> Found:
    """The crossover whose listening window and sound power together are most even over the frequencies of `sounds`.

    Differential evolution over all open values at once, slopes and polarities as whole numbers, then a gradient method
    on the others; the same seed finds the same. Nothing open: that one crossover. `heard_by`: where people may be, at
    the frequencies of `sounds`; their places and the lobe's tilt then count too. `fixed`: (N, F) filters that the ways
    have besides.
    Source: R. Storn and K. Price, J. Global Optimization 11 (1997) 341, as `scipy.optimize.differential_evolution`.
    """
    variables = _variables(choice)
    besides = 1.0 if fixed is None else fixed
    count = 0

    def score(vector: FloatArray) -> float:
        nonlocal count
        count += 1
        filters = responses(_made(choice, variables, vector), sounds.frequency, sample_rate=sample_rate) * besides
        return evenness(sounds, filters, power_share=power_share, heard_by=heard_by).score

    def evenly(crossover: Crossover) -> Evenness:
        filters = responses(crossover, sounds.frequency, sample_rate=sample_rate) * besides
        return evenness(sounds, filters, power_share=power_share, heard_by=heard_by)

    middle = np.array([0.0 if each.whole else 0.5 * (each.low + each.high) for each in variables])
    best = middle
    if variables:
        members = max(FEWEST, MEMBERS * len(variables))
        done = differential_evolution(
            score,
            [(each.low, each.high) for each in variables],
            x0=middle,
            popsize=-(-members // len(variables)),
            maxiter=max(1, MOST // members - 1),
            tol=1e-4,
            rng=seed,
            integrality=[each.whole for each in variables],
        )
        best = np.asarray(done.x)
    found = _made(choice, variables, best)
    return Found(
        found,
        evenly(_made(choice, variables, middle)),
        evenly(found),
        count,
        tuple(_at_ends(variables, best)),
    )


def _variables(choice: Open) -> list[_Variable]:
    """Corners count by their logarithm, so that octaves are alike."""
    found = []
    for place, crossing in enumerate(choice.crossings):
        low, high = np.log(crossing.frequency)
        found.append(_Variable("frequency", place, low, high, False))
        found.append(_Variable("slope", place, 0, len(crossing.slopes) - 1, True))
    for place, setting in enumerate(choice.settings):
        found.append(_Variable("delay", place, *setting.delay, False))
        found.append(_Variable("gain", place, *setting.gain, False))
        found.append(_Variable("polarity", place, 0, len(setting.inverted) - 1, True))
    return [each for each in found if each.high > each.low]


def _made(choice: Open, variables: Sequence[_Variable], vector: FloatArray) -> Crossover:
    """The crossover of a vector; what is not open as given."""
    at = {(each.part, each.place): float(value) for each, value in zip(variables, vector, strict=True)}
    crossings = []
    for place, crossing in enumerate(choice.crossings):
        slope = crossing.slopes[round(at.get(("slope", place), 0.0))]
        corner = at.get(("frequency", place))
        crossings.append(Crossing(slope, crossing.frequency[0] if corner is None else float(np.exp(corner))))
    usual = natural([each.slope for each in crossings])
    settings = []
    for place, setting in enumerate(choice.settings):
        inverted = setting.inverted[round(at.get(("polarity", place), 0.0))]
        settings.append(
            Setting(
                at.get(("delay", place), setting.delay[0]),
                at.get(("gain", place), setting.gain[0]),
                usual[place] if inverted is None else inverted,
            )
        )
    return Crossover(tuple(crossings), tuple(settings))


def _at_ends(variables: Sequence[_Variable], vector: FloatArray) -> list[str]:
    found = []
    for each, value in zip(variables, vector, strict=True):
        edge = AT_END * (each.high - each.low)
        # A delay below 0 is one of all the others: 0 is an end of nothing.
        low = each.low if each.part != "delay" or each.low > 0.0 else -np.inf
        if not each.whole and (value < low + edge or value > each.high - edge):
            found.append(f"{each.part} {each.place}")
    return found
