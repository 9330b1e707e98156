"""How sound dies away over frequency, counted in periods, and the resonances that stand out of it.

Each frequency is heard through a Gaussian tone burst of a few periods, as a wavelet: what the burst leaves of a smooth
response is gone with the burst, and what a resonance leaves falls as exp(-pi n / Q) over n periods, whatever the burst.
Source: S. Linkwitz, J. AES 28 (1980) 250, shaped tone bursts; the decay of a resonator, Kinsler et al., Fundamentals
of Acoustics, section 1.6 (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.bands import midbands
from evenflare.measurement.gate import Window, noise_power, spectra, tail_power
from evenflare.units import ComplexArray, FloatArray, amplitude_db, power_db, read_only

DENSITY = 24
"""Frequencies per octave at which resonances are sought."""
EVERY = 2
"""Of them, those that a table has."""
BURST = 2.0
"""Periods, standard deviation of the Gaussian burst in time: in frequency 1 / (4 pi), 8 %."""
WIDEST = 5.5
"""Of these to either side the burst is cut off, 131 dB down."""
CLEAR = 3.5
"""Of these after the arrival the burst itself is 53 dB down; from there on decays are read."""
AHEAD = 3.0
"""Of these before the gate's end what comes after it is 39 dB down; up to there."""
LEAST_SPAN = 6.0
"""Periods over which a decay must be seen."""
MOST_PERIODS = 60.0
SPACING = 0.5
"""Periods between the points of a decay."""
DROP_DB = 25.0
"""Over which a decay is fitted."""
LEAST_QUALITY = 10.0
"""Below, a decay is over with the burst: equalisers, crossovers and system filters have less. Judgement."""
SURE = 0.9
"""Of it, that a Q must have with two standard errors taken off."""
LEAST_LEVEL_DB = -20.0
"""Of a resonance re what is heard beside it: a change of the response by 0.8 dB at most. Judgement."""
BEATING = 1e-3
"""Share of the power that two decays may leave of what is heard beside the noise."""
FARTHEST = 0.2
"""Share of the frequency by which one of two may be off the burst's."""
STRAIGHT_DB = 1.0
"""rms departure of an exponential decay from a straight line; an echo bends by more."""
FALL_DB = 3.0
"""That a decay must fall by within what is seen for its Q to be told; less, and it is the least that Q can be."""
ABOVE = 20.0
"""Power ratio to the noise from which a decay is read."""
NEAR = 4
"""Steps of frequency to either side, within which a resonance is the loudest that is left."""
SAME = 0.04
"""Share of the frequency within which two are one, and by which what is heard may be off the burst's."""
EDGE_DB = 15.0
"""Difference between the medians over half an octave to either side: there a band ends, and filters ring."""
HIDDEN_DB = 6.0
"""Above the noise, that the response must be to either side."""
MARGIN = 1.2
"""Ratio of frequency that a burst keeps from the ends of the band."""


@dataclass(frozen=True)
class Resonance:
    """A decay that stands out.

    frequency : Hz. quality: Q; at_least: True where the gate shows too little of it to tell more than that.
    level     : dB, at its frequency, re what is heard there beside it.
    """

    frequency: float
    quality: float
    level: float
    at_least: bool = False

    @property
    def periods(self) -> float:
        """In which it falls by 20 dB."""
        return float(self.quality * np.log(10.0) / np.pi)


@dataclass(frozen=True)
class Decay:
    """The decay on axis.

    frequency  : (F,) Hz, from the lowest at which the gate leaves enough periods.
    periods    : (N,) after the arrival.
    level      : (F, N) dB re the loudest at that frequency; nan where the gate or the noise hides it.
    resonances : that stand out, frequencies rising.
    seen       : (F,) periods that the gate leaves.
    """

    frequency: FloatArray
    periods: FloatArray
    level: FloatArray
    resonances: tuple[Resonance, ...]
    seen: FloatArray

    def __post_init__(self) -> None:
        for name in ("frequency", "periods", "level", "seen"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def findings(self) -> dict[str, Any]:
        """For session.json."""
        return {
            "valid_from_hz": float(self.frequency[0]),
            "valid_to_hz": float(self.frequency[-1]),
            "least_quality": LEAST_QUALITY,
            "most_quality_at_lowest": most_quality(float(self.seen[0])),
            "found": [
                {"frequency_hz": each.frequency, "quality": each.quality, "level_db": each.level}
                for each in self.resonances
            ],
        }


def most_quality(seen: float) -> float:
    """The highest Q that so many periods tell: its decay falls by `FALL_DB` between the burst and the gate's end."""
    return float(20.0 * np.pi / np.log(10.0) * (seen - BURST * CLEAR) / FALL_DB)


def decay(
    samples: FloatArray, *, window: Window, heard_for: float, band: tuple[float, float], sample_rate: float
) -> Decay | None:
    """The decay of an impulse response (N,), and its resonances. Hz, s.

    window    : of the response. heard_for: s after its arrival that nothing but the source is heard.
    band      : Hz, that the record holds.
    None where the gate is too short to see any decay within the band.
    """
    lowest = max((BURST * (CLEAR + AHEAD) + LEAST_SPAN) / heard_for, MARGIN * band[0])
    highest = min(band[1], 0.5 * sample_rate) / MARGIN
    if not lowest < highest / 2.0:
        return None
    frequency = midbands(DENSITY, lowest=lowest, highest=highest)
    listen = _listener(samples, window, sample_rate)
    density = _noise(samples, frequency, window, sample_rate)
    noise = density / (2.0 * np.sqrt(np.pi) * BURST / frequency * sample_rate)
    seen = np.minimum(frequency * heard_for - BURST * AHEAD, MOST_PERIODS)
    heard = [listen(f, _periods(n)) for f, n in zip(frequency, seen, strict=True)]
    found: list[Resonance] = []
    for index in _loudest(heard):
        for own in _resonances(listen, float(frequency[index]), float(seen[index]), float(noise[index])):
            if any(abs(own.frequency / each.frequency - 1.0) < SAME for each in found):
                continue
            told = _standing_out(own, samples, window, sample_rate, band=band, noise=float(density[index]))
            if told is not None:
                found.append(told)
    whole = np.arange(0.0, MOST_PERIODS + 0.5)
    kept = slice(None, None, EVERY)
    level = np.full((frequency[kept].size, whole.size), np.nan)
    for row, (values, quiet) in enumerate(zip(heard[kept], noise[kept], strict=True)):
        power = np.abs(values) ** 2
        part = power[:: int(1.0 / SPACING)]
        level[row, : part.size] = np.where(part > quiet, power_db(np.maximum(part, 1e-300) / power.max()), np.nan)
    return Decay(frequency[kept], whole, level, tuple(sorted(found, key=lambda each: each.frequency)), seen[kept])


def _periods(seen: float) -> FloatArray:
    return np.arange(0.0, seen + 1e-9, SPACING)


def _listener(samples: FloatArray, window: Window, sample_rate: float) -> Callable[[float, FloatArray], ComplexArray]:
    """What is heard through a burst at a frequency, so many periods after the arrival: complex, gain 1 there."""

    def listen(frequency: float, periods: FloatArray) -> ComplexArray:
        wide = BURST / frequency * sample_rate
        at = (window.arrival + periods / frequency) * sample_rate
        near = np.round(at).astype(np.int64)[:, None] + np.arange(-int(WIDEST * wide), int(WIDEST * wide) + 1)
        first, last = max(int(near[0, 0]), 0), min(int(near[-1, -1]) + 1, samples.size)
        turn = 2.0 * np.pi * frequency / sample_rate
        down = samples[first:last] * np.exp(-1j * turn * np.arange(first, last))
        inside = (near >= first) & (near < last)
        part = np.where(inside, down[np.clip(near, first, last - 1) - first], 0.0)
        burst = np.exp(-0.5 * ((at[:, None] - near) / wide) ** 2)
        found = np.einsum("pn,pn->p", part, burst) / (np.sqrt(2.0 * np.pi) * wide)
        return np.asarray(found * np.exp(1j * turn * at))

    return listen


def _noise(samples: FloatArray, frequency: FloatArray, window: Window, sample_rate: float) -> FloatArray:
    """Mean square (F,) of the noise per sample; 0 where the record has no part without sound."""
    _, weights = window.weights(samples.size, sample_rate=sample_rate)
    before, _ = noise_power(samples, frequency, window=window, sample_rate=sample_rate)
    after = tail_power(samples, frequency, window=window, sample_rate=sample_rate)
    known = np.fmax(after, np.full(frequency.size, np.nan) if before is None else before)
    return np.asarray(np.nan_to_num(known) / np.sum(weights**2))


def _loudest(heard: list[ComplexArray]) -> list[int]:
    """Frequencies at which more is left after the burst than at those beside them, the loudest first."""
    first = int(BURST * CLEAR / SPACING)
    last = first + int(LEAST_SPAN / SPACING) + 1
    left = np.array([np.mean(np.abs(values[first:last]) ** 2) for values in heard])
    tops = [i for i in range(left.size) if left[i] > 0.0 and left[i] >= left[max(i - NEAR, 0) : i + NEAR + 1].max()]
    return sorted(tops, key=lambda i: -left[i])


@dataclass(frozen=True)
class _Decaying:
    """A decay: Hz, Q, and the complex amplitude at the arrival."""

    frequency: float
    quality: float
    amplitude: complex
    at_least: bool


def _resonances(
    listen: Callable[[float, FloatArray], ComplexArray], frequency: float, seen: float, noise: float
) -> list[_Decaying]:
    """What decays exponentially at about a frequency: one, two that beat, or none."""
    read = _read_off(listen, frequency, seen, noise)
    if read is None:
        return []
    alone = _one(frequency, *read)
    if alone is None:
        return [each for each in _two(frequency, *read) if each.quality >= LEAST_QUALITY]
    # The second time through a burst at the resonance's own frequency.
    read = _read_off(listen, alone.frequency, seen, noise)
    alone = None if read is None else _one(alone.frequency, *read)
    return [] if alone is None or alone.quality < LEAST_QUALITY else [alone]


def _read_off(
    listen: Callable[[float, FloatArray], ComplexArray], centre: float, seen: float, noise: float
) -> tuple[FloatArray, ComplexArray, float] | None:
    """Periods (N,) after the burst, what is left there (N,) less the burst's own turns, the noise's mean square; None
    where noise or a quick end leave too few.
    """
    n = _periods(seen)[int(BURST * CLEAR / SPACING) :]
    values = listen(centre, n) * np.exp(-2j * np.pi * n)
    good = np.abs(values) ** 2 > np.maximum(ABOVE * noise, np.abs(values[0]) ** 2 * 10.0 ** (-0.1 * DROP_DB))
    count = good.size if good.all() else int(np.argmin(good))
    return (n[:count], values[:count], noise) if (count - 1) * SPACING >= LEAST_SPAN else None


def _one(centre: float, n: FloatArray, values: ComplexArray, noise: float) -> _Decaying | None:
    """A single decay; None where the level's fall is not straight."""
    weight = np.abs(values) / np.sqrt(np.abs(values) ** 2 + 10.0 * noise)
    level = amplitude_db(values)
    slope, start = np.polyfit(n, level, 1, w=weight)
    left = np.sqrt(np.average((level - slope * n - start) ** 2, weights=weight**2))
    drift, begin = np.polyfit(n, np.unwrap(np.angle(values)), 1, w=weight)
    if left > STRAIGHT_DB or abs(drift) > 2.0 * np.pi * SAME:
        return None
    # Neighbouring points are alike for as long as the burst lasts.
    error = left * np.sqrt(2.0 * np.sqrt(np.pi) * BURST / SPACING / n.size) / np.std(n)
    if 20.0 * np.pi / np.log(10.0) < LEAST_QUALITY * (-slope + 2.0 * error) * SURE:
        return None
    at_least = bool(-slope * (n[-1] - n[0]) < FALL_DB)
    quality = most_quality(float(n[-1])) if at_least else float(20.0 * np.pi / np.log(10.0) / -slope)
    amplitude = complex(10.0 ** (0.05 * start) * np.exp(1j * begin))
    return _Decaying(float(centre * (1.0 + drift / (2.0 * np.pi))), quality, amplitude, at_least)


def _two(centre: float, n: FloatArray, values: ComplexArray, noise: float) -> list[_Decaying]:
    """Two decays that beat, by a matrix pencil (Y. Hua and T. Sarkar, IEEE Trans. ASSP 38 (1990), from memory)."""
    rows = np.lib.stride_tricks.sliding_window_view(values, values.size // 3 + 1)
    _, _, right = np.linalg.svd(rows, full_matrices=False)
    basis = right[:2].T
    pole = np.linalg.eigvals(np.linalg.pinv(basis[:-1]) @ basis[1:])
    if np.any(np.abs(pole) < 0.1):
        return []
    table = pole ** (n[:, None] / SPACING)
    amplitude = np.linalg.lstsq(table, values, rcond=None)[0]
    left = np.sum(np.abs(values - table @ amplitude) ** 2) / np.sum(np.abs(values) ** 2)
    rate, turn = -np.log(np.abs(pole)) / SPACING, np.angle(pole) / (2.0 * np.pi * SPACING)
    beside = 2.0 * noise * n.size / float(np.sum(np.abs(values) ** 2))
    if left > BEATING + beside or np.any(np.abs(turn) > FARTHEST) or np.any(rate <= 0.0):
        return []
    # The burst passes what is off its own frequency by less.
    passed = np.exp(-0.5 * (2.0 * np.pi * BURST * turn) ** 2)
    most = most_quality(float(n[-1]))
    return [
        _Decaying(
            float(centre * (1.0 + t)), float(min(np.pi * (1.0 + t) / r, most)), complex(a / p), bool(np.pi / r > most)
        )
        for t, r, a, p in zip(turn, rate, amplitude, passed, strict=True)
    ]


def _standing_out(
    found: _Decaying,
    samples: FloatArray,
    window: Window,
    sample_rate: float,
    *,
    band: tuple[float, float],
    noise: float,
) -> Resonance | None:
    """As it is told; None where it is too weak, or rings at the end of a band, or noise (mean square per sample) hides
    whether it does.
    """
    rate = np.pi * found.frequency / found.quality
    # A burst that lasts makes of exp(-a t) what is larger by exp((a s)^2 / 2), s its standard deviation.
    smear = np.exp(0.5 * (rate * BURST / found.frequency) ** 2)
    alone = found.amplitude / smear * sample_rate / rate
    steps = 2.0 ** (np.arange(1, 13) / 24.0)
    aside = np.concatenate([found.frequency / steps, [found.frequency], found.frequency * steps])
    aside = np.clip(aside, band[0], min(band[1], 0.5 * sample_rate))
    every = spectra(samples[None], aside, window=window, sample_rate=sample_rate)[0]
    below, above = (float(np.median(amplitude_db(part))) for part in (every[:12], every[13:]))
    level = float(amplitude_db(alone / max(abs(every[12] - alone), 1e-300)))
    _, weights = window.weights(samples.size, sample_rate=sample_rate)
    hidden = power_db(max(noise * float(np.sum(weights**2)), 1e-300)) + HIDDEN_DB > min(below, above)
    if level < LEAST_LEVEL_DB or abs(below - above) > EDGE_DB or hidden:
        return None
    return Resonance(found.frequency, found.quality, level, found.at_least)
