"""A loudspeaker joined: the crossover found for it, and all that is heard of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.dsp import linear
from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.crossover import Crossover, responses, sections, trusted
from evenflare.dsp.crossover_search import Found, search
from evenflare.dsp.fir import Fir
from evenflare.dsp.handover import Handover, handovers, without_lobes
from evenflare.dsp.headroom import SystemHeadroom, system_headroom
from evenflare.dsp.people import Cancelled, cancellations
from evenflare.dsp.placing import mean_square, within
from evenflare.dsp.speaker import Speaker
from evenflare.dsp.speaker_filters import usual_rates
from evenflare.dsp.whole_range import Evened, evened
from evenflare.files import InputError
from evenflare.units import ComplexArray, FloatArray, amplitude_db, power_db


@dataclass(frozen=True)
class Joined:
    """What became of a loudspeaker.

    found     : the search's result; delays count from the least.
    filters   : (N, F) the slopes, delay, gain and polarity of each way at the highest sample rate, latency taken out.
    total     : the sum, (F, P, A), with the power of its own.
    handovers : every crossing.
    cancelled : nulls on the axis and where people may be: faults.
    lobeless  : (F,) dB, power without interference between the ways; `power` is the sum's, both re 1 Pa^2 (far: m^2).
    firs      : by sample rate, one for each way; empty without linear-phase slopes.
    fir_off   : dB, the most by which a finite impulse response differs from its slope within 20 dB of its passband.
    apart     : by sample rate, (dB) greatest departure of the sum on axis from that at the highest rate.
    evened    : the sum brought to what is wanted from end to end, if that is given.
    headroom  : how loud it can play, if some way has a limit.
    """

    speaker: Speaker
    found: Found
    filters: ComplexArray
    total: Directivity
    handovers: tuple[Handover, ...]
    cancelled: tuple[Cancelled, ...]
    lobeless: FloatArray
    power: FloatArray
    firs: dict[int, list[Fir]]
    fir_off: float
    apart: dict[int, float]
    evened: Evened | None
    headroom: SystemHeadroom | None

    @property
    def crossover(self) -> Crossover:
        """The one that was found."""
        return self.found.crossover


def rates_for(speaker: Speaker, crossover: Crossover) -> list[int]:
    """Hz, its own sample rates and the usual ones that can hold it and at which all its filters are known, rising."""
    corner = max(each.frequency for each in crossover.crossings)
    known = (rate for rate in usual_rates(corner) if all(each.knows(rate) for each in speaker.own_filters))
    return sorted({*known, *speaker.sample_rates})


def way_sections(joined: Joined, way: int, rate: int) -> tuple[Biquad, ...]:
    """Sections of a way at a sample rate (Hz): its own filters, slopes, alignment, baffle step's shelf, the sum's."""
    speaker = joined.speaker
    shelf = () if speaker.step is None else (speaker.step.shelf(rate),)
    even = () if joined.evened is None else joined.evened.biquads(rate)
    own = speaker.own_filters[way].sections(rate)
    slopes = sections(joined.crossover, way, sample_rate=rate)
    return (*own, *slopes, *speaker.aligned(way, rate), *shelf, *even)


def join(speaker: Speaker) -> Joined:
    """Search what is open, and work out what the joined loudspeaker does."""
    sounds, rate = speaker.sounds, speaker.sample_rates[-1]
    about = within(sounds, *speaker.band)
    low, high = speaker.band
    aligned = speaker.aligned_responses(sounds.frequency, rate)
    inside = (sounds.frequency >= low) & (sounds.frequency <= high)
    found = search(
        about,
        speaker.choice,
        power_share=speaker.power_share,
        seed=speaker.seed,
        sample_rate=rate,
        heard_by=speaker.heard_by.kept(inside),
        fixed=aligned[:, inside],
    )
    crossover = found.crossover
    least = min(each.delay for each in crossover.settings)
    settings = tuple(replace(each, delay=each.delay - least) for each in crossover.settings)
    crossover = replace(crossover, settings=settings)
    found = replace(found, crossover=crossover)
    frequency = sounds.frequency
    filters = responses(crossover, frequency, sample_rate=rate)
    firs: dict[int, list[Fir]] = {}
    off = 0.0
    if linear.is_linear(crossover):
        length = speaker.fir_length or linear.length_for(crossover)
        ways = range(len(settings))
        firs = {
            each: [linear.taps(crossover, way, length=length, sample_rate=each) for way in ways]
            for each in speaker.sample_rates
        }
        factor = linear.departure(crossover, firs[rate], frequency)
        heard = np.abs(filters) > 0.1 * np.abs(filters).max(axis=1, keepdims=True)
        off = float(np.max(np.abs(amplitude_db(factor[heard]))))
        filters = filters * factor
    valid = trusted(sounds, filters)
    filters = filters * aligned
    total = sounds.summed(filters, valid=valid)
    even = None
    if speaker.whole_range is not None:
        even = _evened(speaker, total, rates_for(speaker, crossover))
        filters = filters * response(even.biquads(rate), frequency, sample_rate=rate)
        total = sounds.summed(filters, valid=valid)
    power = mean_square(sounds.power, filters)
    distance = 1.0 if total.observation.far_field else total.observation.distance
    own = 4.0 * np.pi * distance**2 / (total.density * total.speed_of_sound) * power
    total = replace(total, sound_power=own)
    return Joined(
        speaker,
        found,
        filters,
        total,
        handovers(sounds, crossover, filters, total),
        cancellations(sounds, filters, valid, speaker.heard_by),
        without_lobes(sounds, filters),
        power_db(power),
        firs,
        off,
        _apart(speaker, crossover, even),
        even,
        _headroom(speaker, filters, total, even),
    )


def _evened(speaker: Speaker, total: Directivity, rates: list[int]) -> Evened:
    assert speaker.whole_range is not None  # asked for
    try:
        return evened(total, speaker.whole_range, sample_rates=rates)
    except ValueError as error:
        raise InputError(f"{speaker.path} [whole_range]: the sum of the ways {error}") from error


def _headroom(
    speaker: Speaker, filters: ComplexArray, total: Directivity, even: Evened | None
) -> SystemHeadroom | None:
    """By the level of the passband: that of what is wanted, or the mean over the band that is to be even."""
    frequency, observation = speaker.sounds.frequency, total.observation
    ways = _axis(speaker) * filters * (1.0 if observation.far_field else observation.distance)
    inside = (frequency >= speaker.band[0]) & (frequency <= speaker.band[1])
    passband = float(np.mean(amplitude_db(ways.sum(axis=0))[inside])) if even is None else even.level
    asked = total.valid if even is None else total.valid & even.within(frequency)
    return system_headroom(frequency, ways, speaker.levels.limits, passband=passband, counted=asked)


def _axis(speaker: Speaker) -> ComplexArray:
    """(N, F) of each way on axis, without filter."""
    sounds = speaker.sounds
    return sounds.pressure[:, :, 0, int(np.argmin(np.abs(sounds.observation.off_axis)))]


def _apart(speaker: Speaker, crossover: Crossover, even: Evened | None) -> dict[int, float]:
    """The sum on axis at each sample rate against that at the highest, where both hold the frequencies."""
    frequency, axis = speaker.sounds.frequency, _axis(speaker) / speaker.sounds.ahead
    found = {}
    for rate in speaker.sample_rates:
        held = frequency < 0.49 * rate
        sums = []
        for each in (rate, speaker.sample_rates[-1]):
            filters = responses(crossover, frequency[held], sample_rate=each)
            filters = filters * speaker.aligned_responses(frequency[held], each)
            own = [way.response(frequency[held], sample_rate=each) for way in speaker.own_filters]
            filters = filters * np.array(own)
            if even is not None:
                filters = filters * response(even.biquads(each), frequency[held], sample_rate=each)
            sums.append(np.sum(filters * axis[:, held], axis=0))
        found[rate] = float(np.max(np.abs(amplitude_db(sums[0]) - amplitude_db(sums[1]))))
    return found
