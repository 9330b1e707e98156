"""What stands ahead of a way's slopes: an equaliser, fitted for it or read, and a high-pass that protects its driver.

Both are there before the slopes are searched, so that the search hears what they do to level and phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.dsp import biquad, slopes
from evenflare.dsp.biquad import Biquad
from evenflare.dsp.crossover import Crossing
from evenflare.dsp.equaliser import Aim, Window, filtered, wanted
from evenflare.dsp.filters_file import Equaliser
from evenflare.dsp.fit import FittedSections, SectionLimits, fitted
from evenflare.dsp.placing import UnfilteredWays, Way, heard
from evenflare.units import ComplexArray, FloatArray

FINE = 48
"""Frequencies per octave at which an equaliser's way is looked at, whatever the sum is: a resonance is narrow."""


@dataclass(frozen=True)
class FittedEqualiser:
    """The equaliser that was fitted for a way.

    aim    : what it makes even.
    band   : Hz, from and to where it does.
    fitted : its sections by sample rate.
    """

    aim: Window
    band: tuple[float, float]
    fitted: FittedSections


@dataclass(frozen=True)
class OwnFilters:
    """The filters of one way ahead of its slopes.

    equaliser : fitted for it, or read; None for an ideal one, one that stands elsewhere, or none.
    high_pass : where it begins to cut, and how steeply; None for none.
    """

    equaliser: FittedEqualiser | Equaliser | None = None
    high_pass: Crossing | None = None

    @property
    def fitted(self) -> FittedEqualiser | None:
        """The equaliser if it was fitted."""
        return self.equaliser if isinstance(self.equaliser, FittedEqualiser) else None

    def knows(self, sample_rate: int) -> bool:
        """Whether there are sections for a sample rate (Hz): an equaliser that was read has its own."""
        return not isinstance(self.equaliser, Equaliser) or sample_rate in self.equaliser.sections

    def sections(self, sample_rate: int) -> tuple[Biquad, ...]:
        """Second-order sections at a sample rate (Hz) that the equaliser knows, the high-pass first."""
        passing: tuple[Biquad, ...] = ()
        even: tuple[Biquad, ...] = ()
        if self.equaliser is not None:
            even = (
                self.equaliser.sections[sample_rate]
                if isinstance(self.equaliser, Equaliser)
                else self.equaliser.fitted.biquads(sample_rate)
            )
        if self.high_pass is not None:
            slope, corner = self.high_pass.slope, self.high_pass.frequency
            passing = slopes.sections(slope, "high_pass", corner, sample_rate=sample_rate)
        return (*passing, *even)

    def response(self, frequency: FloatArray, *, sample_rate: int) -> ComplexArray:
        """Complex response (F,) at `frequency` (F,) Hz."""
        return biquad.response(self.sections(sample_rate), frequency, sample_rate=sample_rate)


def fitted_equaliser(
    way: Way, aim: Window, *, band: tuple[float, float], limits: SectionLimits, sample_rates: Sequence[int]
) -> FittedEqualiser:
    """The equaliser within limits that makes a way even over a band (Hz), fitted in level.

    Dips that other directions lack are left alone, as `wanted` has it.
    sample_rates : Hz, at which its sections are to be known.
    Errors: ValueError if the way is not known over the band, it is less than an octave, or it needs too much boost.
    """
    count = 1 + int(np.ceil(FINE * np.log2(band[1] / band[0])))
    own = heard([replace(way, level="nothing")], np.geomspace(*band, count)).own[0]
    asked = wanted(own, Aim(aim), band=band)
    worst = int(asked.correction.argmax())
    if (boost := float(asked.correction[worst])) > limits.boost:
        raise ValueError(
            f"to be even from {band[0]:.4g} to {band[1]:.4g} Hz the way needs a boost of {boost:.1f} dB at"
            f" {asked.frequency[worst]:.4g} Hz: must be at most {limits.boost:g} dB. Narrow equaliser_band_hz, or raise"
            " equaliser_boost_db"
        )
    return FittedEqualiser(aim, band, fitted(asked, limits, sample_rates=sample_rates))


def behind(sounds: UnfilteredWays, filters: Sequence[OwnFilters], *, sample_rate: int) -> UnfilteredWays:
    """The same ways behind the own filters of each (N), at a sample rate (Hz).

    A way whose equaliser is among them has, without its high-pass, a mean level of 0 dB over its passband.
    """
    frequency, observation = sounds.frequency, sounds.observation
    ahead = np.array([each.response(frequency, sample_rate=sample_rate) for each in filters])
    axis = sounds.pressure[:, :, 0, int(np.argmin(np.abs(observation.off_axis)))]
    distance = 1.0 if observation.far_field else observation.distance
    level = np.ones(len(filters))
    for place, (way, each) in enumerate(zip(sounds.ways, filters, strict=True)):
        if each.equaliser is not None:
            even = replace(each, high_pass=None).response(frequency, sample_rate=sample_rate)
            inside = (frequency >= way.passband[0]) & (frequency <= way.passband[1])
            sizes = np.log(distance * np.abs(axis[place] * even))
            level[place] = np.exp(np.mean(sizes[inside if inside.any() else slice(None)]))
    gain = ahead / level[:, None]
    pairs = np.einsum("nf,mf->fnm", gain, gain.conj())
    return replace(
        sounds,
        pressure=sounds.pressure * gain[:, :, None, None],
        power=sounds.power * pairs,
        window=sounds.window * pairs,
        own=tuple(filtered(own, each) for own, each in zip(sounds.own, gain, strict=True)),
        taken=sounds.taken * level[:, None],
        ahead=ahead,
    )
