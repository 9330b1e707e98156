"""An equaliser made: what a directivity wants, the sections and responses that give it, and what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.dsp import fir
from evenflare.dsp.biquad import group_delay, response
from evenflare.dsp.equaliser import Aim, Headroom, Wanted, filtered, headroom, wanted
from evenflare.dsp.fir import Fir, Phase, Ringing
from evenflare.dsp.fit import FittedSections, SectionLimits, fitted, high_pass_sections
from evenflare.dsp.interference import interpolated
from evenflare.dsp.peaks import Peak, sections_peak, taps_peak
from evenflare.units import DEGREE, ComplexArray, FloatArray, amplitude_db

SAMPLE_RATES = (44100, 48000, 96000, 192000)
"""Hz, those that loudspeakers' processors run at."""
AUDIBLE, FAINT = 20.0, -40.0
"""Hz and dB, from which on filters are compared outside the band."""
SHORTEST, LONGEST = 1e-3, 1.0
"""s, of a finite impulse response."""


@dataclass(frozen=True)
class FirWish:
    """The finite impulse response that is asked for.

    phase   : "linear": none beside the latency, which is half the length; "mixed": what makes the axis minimum-phase.
    length  : s.
    latency : s; None for half of a linear one, and a quarter of a mixed one.
    Errors  : ValueError if the length is out of range, the latency not inside it, or not the half of a linear one.
    """

    phase: Phase = "linear"
    length: float = 0.04
    latency: float | None = None

    def __post_init__(self) -> None:
        if not SHORTEST <= self.length <= LONGEST:
            raise ValueError(
                f"a length of {1e3 * self.length:g} ms: must be {1e3 * SHORTEST:g} to {1e3 * LONGEST:g} ms"
            )
        if self.latency is None:
            return
        if not 0.0 <= self.latency < self.length:
            raise ValueError(
                f"a latency of {1e3 * self.latency:g} ms: must be 0 to below the length, {1e3 * self.length:g} ms"
            )
        if self.phase == "linear" and abs(self.latency - 0.5 * self.length) > 1e-4:
            raise ValueError(
                f"a latency of {1e3 * self.latency:g} ms: of a linear phase it is half the length,"
                f" {500.0 * self.length:g} ms. Leave it out, double it for the length, or ask for a mixed phase"
            )


ANY = SectionLimits()
USUAL = FirWish()


@dataclass(frozen=True)
class MadeFilter:
    """A finite impulse response, and over the band how far it is from what it is made for: dB and degrees at most."""

    taps: Fir
    off: float
    turned: float

    @cached_property
    def ringing(self) -> Ringing:
        """What comes before its peak."""
        return fir.ringing(self.taps)


@dataclass(frozen=True)
class Parting:
    """How far sections and finite impulse response of one sample rate part, by level.

    inside, inside_at   : dB at most over the band, and Hz where.
    outside, outside_at : the same outside it, from `AUDIBLE` to half the sample rate, where either is above `FAINT`.
    boost               : dB, the sections' greatest gain outside the band.
    """

    inside: float
    inside_at: float
    outside: float
    outside_at: float
    boost: float


@dataclass(frozen=True)
class Equalisation:
    """An equaliser for a directivity.

    before    : the directivity that it is for, with its driver.
    aim       : what is made even, and
    high_pass : Hz, or None.
    wanted    : the correction asked for, the high-pass apart.
    limits    : of the sections.
    fitted    : the sections.
    wish      : what finite impulse response was asked for.
    made      : that by sample rate.
    delay     : s, of the axis beside its minimum phase, from the reference point.
    """

    before: Directivity
    aim: Aim
    high_pass: float | None
    wanted: Wanted
    limits: SectionLimits
    fitted: FittedSections
    wish: FirWish
    made: dict[int, MadeFilter]
    delay: float

    @property
    def band(self) -> tuple[float, float]:
        """Hz, from and to where it is fitted."""
        return float(self.wanted.frequency[0]), float(self.wanted.frequency[-1])

    @property
    def rate(self) -> int:
        """Hz, the highest sample rate, at which curves are shown."""
        return max(self.fitted.sections)

    def response(self, frequency: FloatArray) -> ComplexArray:
        """Complex response of the sections (F,) at `frequency` (F,) Hz."""
        return response(self.fitted.biquads(self.rate), frequency, sample_rate=self.rate)

    def high_pass_response(self, frequency: FloatArray) -> ComplexArray:
        """Complex response of the high-pass alone, 1 where there is none."""
        passing = [each.at_sample_rate(self.rate) for each in high_pass_sections(self.high_pass)]
        return response(passing, frequency, sample_rate=self.rate)

    def delays(self, frequency: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Group delay (F,) s of the sections, and of the finite impulse response less its latency."""
        own = self.made[self.rate].taps
        sections = group_delay(self.fitted.biquads(self.rate), frequency, sample_rate=self.rate)
        return sections, own.group_delay(frequency) - own.latency / self.rate

    @cached_property
    def after(self) -> Directivity:
        """What is heard through the sections, at frequencies that the sample rate can hold."""
        held = self.before.observation.frequency < 0.5 * self.rate
        gain = np.zeros(held.size, dtype=np.complex128)
        gain[held] = self.response(self.before.observation.frequency[held])
        return filtered(self.before, gain)

    @cached_property
    def headroom(self) -> Headroom:
        """What the sections cost in level, over the band."""
        at = self.wanted.frequency
        peaks = [each for pair in self.peaks.values() for each in pair]
        return headroom(at, amplitude_db(self.response(at)), self.wanted.on_axis, peaks=peaks)

    @cached_property
    def peaks(self) -> dict[int, tuple[Peak, Peak]]:
        """By sample rate, of the sections and of the finite impulse response, from 0 to half the sample rate."""
        return {
            rate: (sections_peak(self.fitted.biquads(rate), sample_rate=rate), taps_peak(made.taps))
            for rate, made in self.made.items()
        }

    @cached_property
    def partings(self) -> dict[int, Parting]:
        """By sample rate, how far the finite impulse response is from the sections."""
        return {rate: self._parting(rate) for rate in self.made}

    def _parting(self, rate: int) -> Parting:
        low, high = self.band
        at = np.sort(np.concatenate([np.geomspace(AUDIBLE, 0.499 * rate, 400), self.band]))
        sections = amplitude_db(np.abs(response(self.fitted.biquads(rate), at, sample_rate=rate)) + 1e-30)
        taps = amplitude_db(np.abs(self.made[rate].taps.response(at)) + 1e-30)
        apart = np.abs(taps - sections)
        inside = (at >= low) & (at <= high)
        beyond = ~inside & (np.maximum(taps, sections) > FAINT)
        places = [np.where(which, apart, -1.0).argmax() for which in (inside, beyond)]
        first, second = (
            (float(max(np.where(which, apart, 0.0)[place], 0.0)), float(at[place]))
            for which, place in zip((inside, beyond), places, strict=True)
        )
        return Parting(*first, *second, float(np.where((at <= low) | (at >= high), sections, -np.inf).max()))


def equalise(
    directivity: Directivity,
    aim: Aim,
    *,
    band: tuple[float, float],
    limits: SectionLimits = ANY,
    high_pass: float | None = None,
    wish: FirWish = USUAL,
    sample_rates: Sequence[int] = SAMPLE_RATES,
) -> Equalisation:
    """The equaliser of a directivity over a band (Hz). Errors: ValueError as `wanted` and `fitted`."""
    asked = wanted(directivity, aim, band=band)
    sections = fitted(asked, limits, sample_rates=sample_rates, high_pass_at=high_pass)
    excess, delay = _excess(directivity, asked)
    made = {rate: _made(asked, wish, excess, high_pass, rate) for rate in sorted(set(sample_rates))}
    return Equalisation(directivity, aim, high_pass, asked, limits, sections, wish, made, delay)


def _excess(directivity: Directivity, asked: Wanted) -> tuple[FloatArray, float]:
    """(G,) rad, phase on axis beyond its minimum phase over the wanted correction's frequencies; and its delay in s."""
    known = directivity.observation.frequency
    inside = (known >= asked.frequency[0] * 0.999) & (known <= asked.frequency[-1] * 1.001) & directivity.valid
    frequency, pressure = known[inside], directivity.on_axis[inside]
    minimum = np.exp(1j * fir.least_phase(frequency, np.abs(pressure)))
    bridged = interpolated(asked.frequency, asked.left_alone, frequency) < -1e-9
    distance = directivity.observation.distance
    travel = 0.0 if directivity.observation.far_field else distance / directivity.speed_of_sound
    near = pressure * np.exp(2j * np.pi * frequency * travel)
    excess, delay = fir.excess_phase(frequency, near, minimum, bridged=bridged.astype(np.float64))
    return interpolated(frequency, excess, asked.frequency), delay


def _made(asked: Wanted, wish: FirWish, excess: FloatArray, high_pass: float | None, rate: int) -> MadeFilter:
    """The finite impulse response at a sample rate (Hz)."""
    taps = fir.taps_of(wish.length, sample_rate=rate)
    share = 0.5 if wish.phase == "linear" else 0.25 if wish.latency is None else wish.latency / wish.length
    latency = taps // 2 if wish.phase == "linear" else min(round(share * taps), taps - 1)
    steps = fir.transform_frequencies(taps, sample_rate=rate)
    level = asked.faded(asked.correction, steps, high_pass=high_pass)
    curve = fir.corrective(level, phase=wish.phase, excess=asked.faded(excess, steps))
    passing = response([each.at_sample_rate(rate) for each in high_pass_sections(high_pass)], steps, sample_rate=rate)
    curve = curve * (np.abs(passing) if wish.phase == "linear" else passing)
    own = fir.designed(curve, taps=taps, latency=latency, sample_rate=rate)
    inside = (steps >= asked.frequency[0]) & (steps <= asked.frequency[-1])
    at = steps[inside][:: max(1, int(inside.sum()) // 400)]
    place = np.searchsorted(steps, at)
    ratio = own.response(at) * np.exp(2j * np.pi * at * latency / rate) / curve[place]
    off, turned = float(np.abs(amplitude_db(ratio)).max()), float(np.abs(np.angle(ratio)).max()) / DEGREE
    return MadeFilter(own, off, turned)
