"""What a loudspeaker is to be from end to end, and the filters, the same for all ways, that bring its sum there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.dsp.alignments import LowAlignment, fall_off
from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.equaliser import END, Wanted, check_band, valid_band
from evenflare.dsp.fit import FittedSections, SectionLimits, fitted
from evenflare.dsp.interference import grid, interpolated
from evenflare.units import REFERENCE_PRESSURE, BoolArray, FloatArray, amplitude_db


@dataclass(frozen=True)
class WholeRange:
    """What the listening window's level is to be.

    alignment : how it falls off at low frequencies.
    tilt      : dB per octave above
    tilt_from : Hz.
    band      : Hz, from and to where it is asked for; None for as far as the sum is known.
    limits    : of the sections that make it so.
    """

    alignment: LowAlignment
    tilt: float
    tilt_from: float
    band: tuple[float | None, float | None]
    limits: SectionLimits

    def level(self, frequency: FloatArray) -> FloatArray:
        """(F,) dB re the passband at `frequency` (F,) Hz."""
        octaves = np.maximum(np.log2(frequency / self.tilt_from), 0.0)
        return amplitude_db(fall_off(self.alignment, frequency)) + self.tilt * octaves


@dataclass(frozen=True)
class Evened:
    """The sum brought to what it is to be.

    band     : Hz, over which.
    sections : for every way alike.
    level    : dB re 1 Pa at 1 m, where the passband then lies.
    left     : (F,) dB, the listening window less the target, at the sum's frequencies.
    rms      : dB of it over the band.
    limited  : dB, by how much more the sections would have had to boost than they may.
    """

    band: tuple[float, float]
    sections: FittedSections
    level: float
    left: FloatArray
    rms: float
    limited: float

    def within(self, frequency: FloatArray) -> BoolArray:
        """(F,) True for frequencies (F,) Hz in the band."""
        return _inside(frequency, self.band)

    def biquads(self, sample_rate: int) -> tuple[Biquad, ...]:
        """The sections at a sample rate."""
        return self.sections.biquads(sample_rate)


def evened(total: Directivity, target: WholeRange, *, sample_rates: Sequence[int]) -> Evened:
    """The sections that bring the listening window of a sum nearest to a target, as an equaliser is fitted.

    The lowest octave keeps its level, so that nothing is asked below the band. Where more boost would be needed than is
    allowed, as much as that is given. ValueError if the sum is not known over the band, or a sample rate cannot hold
    it.
    """
    known = valid_band(total)
    low, high = (end if given is None else given for given, end in zip(target.band, known, strict=True))
    check_band(total, (low, high))
    frequency, at = total.observation.frequency, grid(low, high)
    window = metrics.standard_curves(total).listening_window + amplitude_db(REFERENCE_PRESSURE)
    if not total.observation.far_field:
        window = window + amplitude_db(total.observation.distance)
    correction = interpolated(frequency, target.level(frequency) - window, at)
    correction = correction - np.mean(correction[at <= 2.0 * low])
    most = target.limits.boost
    limited = max(0.0, float(correction.max()) - most)
    none = np.zeros(at.size)
    asked = Wanted(at, np.minimum(correction, most), interpolated(frequency, window, at), (), none, none)
    sections = fitted(asked, target.limits, sample_rates=sample_rates)
    rate = max(sample_rates)
    off = window + amplitude_db(response(sections.biquads(rate), frequency, sample_rate=rate)) - target.level(frequency)
    inside = _inside(frequency, (low, high))
    level = float(np.mean(off[inside]))
    left = off - level
    return Evened((low, high), sections, level, left, float(np.sqrt(np.mean(left[inside] ** 2))), limited)


def _inside(frequency: FloatArray, band: tuple[float, float]) -> BoolArray:
    return np.asarray((frequency >= band[0] * (1.0 - END)) & (frequency <= band[1] * (1.0 + END)))
