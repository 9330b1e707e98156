"""All that a processor is loaded with: for each way sections, finite impulse response, gain, delay and polarity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from evenflare.dsp import linear
from evenflare.dsp.biquad import Biquad
from evenflare.dsp.crossover import sections
from evenflare.dsp.equalisation import Equalisation
from evenflare.dsp.fir import Fir
from evenflare.dsp.joining import Joined
from evenflare.dsp.speaker import Speaker
from evenflare.dsp.speaker_filters import usual_rates


@dataclass(frozen=True)
class WayFilters:
    """The filters of one way.

    delay    : s.
    gain     : dB.
    inverted : polarity.
    sections : by sample rate, Hz.
    firs     : by sample rate; empty for none.
    """

    name: str
    delay: float
    gain: float
    inverted: bool
    sections: Mapping[int, tuple[Biquad, ...]]
    firs: Mapping[int, Fir]


def way_sections(joined: Joined, way: int, rate: int) -> tuple[Biquad, ...]:
    """Sections of a way of a crossover at a sample rate (Hz): its own filters, its slopes, the baffle step's shelf."""
    step = joined.speaker.step
    shelf = () if step is None else (step.shelf(rate),)
    own = joined.speaker.own_filters[way].sections(rate)
    return (*own, *sections(joined.crossover, way, sample_rate=rate), *shelf)


def of_equaliser(found: Equalisation) -> list[WayFilters]:
    """An equaliser as one way: sections, and the finite impulse response that does the same."""
    own = {rate: found.fitted.biquads(rate) for rate in found.made}
    return [WayFilters("equaliser", 0.0, 0.0, False, own, {rate: made.taps for rate, made in found.made.items()})]


def _known(speaker: Speaker, rate: int) -> bool:
    return all(each.knows(rate) for each in speaker.own_filters)


def of_crossover(joined: Joined) -> list[WayFilters]:
    """Every way of a crossover, from the top, at its own sample rates and the usual ones that can hold it."""
    speaker, found = joined.speaker, joined.crossover
    corner = max(each.frequency for each in found.crossings)
    length = speaker.fir_length or (linear.length_for(found) if joined.firs else 0.0)
    rates = sorted({*speaker.sample_rates, *(each for each in usual_rates(corner) if _known(speaker, each))})
    ways = []
    for place, (way, setting) in enumerate(zip(speaker.sounds.ways, found.settings, strict=True)):
        firs = {rate: linear.taps(found, place, length=length, sample_rate=rate) for rate in rates if joined.firs}
        own = {rate: way_sections(joined, place, rate) for rate in rates}
        ways.append(WayFilters(way.name, setting.delay, setting.gain, setting.inverted, own, firs))
    return ways
