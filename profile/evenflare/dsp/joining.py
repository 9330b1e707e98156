"""A loudspeaker joined: the crossover found for it, and all that is heard of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.dsp import linear
from evenflare.dsp.crossover import Crossover, responses, trusted
from evenflare.dsp.crossover_search import Found, search
from evenflare.dsp.fir import Fir
from evenflare.dsp.handover import Handover, handovers, without_lobes
from evenflare.dsp.people import Cancelled, cancellations
from evenflare.dsp.placing import mean_square, within
from evenflare.dsp.speaker import Speaker
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

    @property
    def crossover(self) -> Crossover:
        """The one that was found."""
        return self.found.crossover


def join(speaker: Speaker) -> Joined:
    """Search what is open, and work out what the joined loudspeaker does."""
    sounds, rate = speaker.sounds, speaker.sample_rates[-1]
    about = within(sounds, *speaker.band)
    low, high = speaker.band
    found = search(
        about,
        speaker.choice,
        power_share=speaker.power_share,
        seed=speaker.seed,
        sample_rate=rate,
        heard_by=speaker.heard_by.kept((sounds.frequency >= low) & (sounds.frequency <= high)),
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
        _apart(speaker, crossover),
    )


def _apart(speaker: Speaker, crossover: Crossover) -> dict[int, float]:
    """The sum on axis at each sample rate against that at the highest, where both hold the frequencies."""
    sounds = speaker.sounds

    def filters(frequency: FloatArray, rate: int) -> ComplexArray:
        own = [each.response(frequency, sample_rate=rate) for each in speaker.own_filters]
        return responses(crossover, frequency, sample_rate=rate) * np.array(own)

    axis = sounds.pressure[:, :, 0, int(np.argmin(np.abs(sounds.observation.off_axis)))] / sounds.ahead
    found = {}
    for rate in speaker.sample_rates:
        held = sounds.frequency < 0.49 * rate
        sums = [
            np.sum(filters(sounds.frequency[held], each) * axis[:, held], axis=0)
            for each in (rate, speaker.sample_rates[-1])
        ]
        found[rate] = float(np.max(np.abs(amplitude_db(sums[0]) - amplitude_db(sums[1]))))
    return found
