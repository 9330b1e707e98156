"""Finite impulse responses: made from a curve with the phase asked for, and what they do in time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenflare.dsp.interference import interpolated
from evenflare.units import ComplexArray, FloatArray, read_only

Phase = Literal["linear", "mixed"]
FINENESS = 8
"""Points of the transform over taps: what aliases in the cepstrum and in time is then below rounding."""
TAPER = 0.25
"""Share of each side of the response over which its window falls to 0."""
QUIET = -60.0
"""dB re the peak: what comes before and is below is not counted as ringing."""


@dataclass(frozen=True)
class Fir:
    """A finite impulse response.

    taps        : (N,) one a sample.
    sample_rate : Hz.
    latency     : samples by which what it is made for comes later.
    """

    taps: FloatArray
    sample_rate: int
    latency: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "taps", read_only(self.taps))

    def response(self, frequency: FloatArray) -> ComplexArray:
        """Complex response (F,) at `frequency` (F,) Hz, with the latency in its phase."""
        return np.asarray(_turns(frequency, self) @ self.taps)

    def group_delay(self, frequency: FloatArray) -> FloatArray:
        """(F,) s at `frequency` (F,) Hz: the real part of sum(n h z^-n) / sum(h z^-n) over the sample rate."""
        turns = _turns(frequency, self)
        return np.asarray(
            (turns @ (np.arange(self.taps.size) * self.taps) / (turns @ self.taps)).real / self.sample_rate
        )


@dataclass(frozen=True)
class Ringing:
    """What comes before the peak of a response.

    level    : dB re the peak, the greatest of what lies before the peak's own flank (which ends where the magnitude
               first rises again toward earlier times); -inf for nothing.
    duration : s, from the first sample that is above `QUIET` re the peak to the peak.
    """

    level: float
    duration: float


def taps_of(length: float, *, sample_rate: int) -> int:
    """The odd number of taps nearest to a length in s, so that a symmetric response has its middle on a sample."""
    return 2 * max(1, round(0.5 * (length * sample_rate - 1.0))) + 1


def transform_frequencies(taps: int, *, sample_rate: int) -> FloatArray:
    """(K,) Hz from 0 to half the sample rate, at which `designed` wants its curve."""
    return np.asarray(np.fft.rfftfreq(_points(taps), 1.0 / sample_rate), dtype=np.float64)


def minimum_phase(magnitude: FloatArray) -> ComplexArray:
    """The minimum-phase response (K,) of a magnitude (K,) > 0 at K = N/2 + 1 even steps from 0 to half the sample rate.

    The cepstrum of the log magnitude, folded to positive times. ValueError if a magnitude is not above 0.
    Source: Oppenheim and Schafer, Discrete-Time Signal Processing, homomorphic filtering.
    """
    if not np.all(magnitude > 0.0):
        raise ValueError("a minimum phase needs a magnitude above 0 everywhere: leave zeros out of the transform")
    count = 2 * (magnitude.size - 1)
    cepstrum = np.fft.irfft(np.log(magnitude), count)
    cepstrum[1 : count // 2] *= 2.0
    cepstrum[count // 2 + 1 :] = 0.0
    return np.asarray(np.exp(np.fft.rfft(cepstrum)))


def least_phase(frequency: FloatArray, size: FloatArray) -> FloatArray:
    """The minimum phase (F,) rad, unwrapped, of a magnitude (F,) > 0 known at `frequency` (F,) Hz, rising.

    Between them straight in dB over log frequency; beyond them held, up to four times the highest, so that the phase
    bends little there.
    """
    steps = np.linspace(0.0, 4.0 * frequency[-1], 2**15 + 1)
    level = np.log(size)
    held = np.exp(interpolated(frequency, level - level.mean(), np.maximum(steps, frequency[0])))
    return np.asarray(np.interp(frequency, steps, np.unwrap(np.angle(minimum_phase(held)))))


def corrective(level: FloatArray, *, phase: Phase, excess: FloatArray) -> ComplexArray:
    """The curve (K,) of a correction of `level` (K,) dB at `transform_frequencies`.

    phase  : "linear", none; "mixed": the least that goes with the level, less `excess` (K,) rad, the phase of what is
             corrected beyond its own minimum phase, so that both together are minimum-phase.
    """
    size = 10.0 ** (level / 20.0)
    if phase == "linear":
        return np.asarray(size + 0j)
    return np.asarray(minimum_phase(size) * np.exp(-1j * excess))


def designed(curve: ComplexArray, *, taps: int, latency: int, sample_rate: int) -> Fir:
    """The response of `taps` taps whose curve comes nearest to a given one, `latency` samples later.

    curve : (K,) complex, without the latency, at `transform_frequencies`; real for a linear phase.
    Sampled in frequency, then windowed: flat, with the outer quarter of each side of the latency falling as a cosine.
    ValueError if the latency is outside the taps. Source: common practice, the window method.
    """
    if not 0 <= latency < taps:
        raise ValueError(f"a latency of {latency} samples: must be 0 to {taps - 1}, inside the {taps} taps")
    count = _points(taps)
    whole = np.roll(np.fft.irfft(curve, count), latency)[:taps]
    return Fir(whole * _window(taps, latency), sample_rate, latency)


def ringing(fir: Fir) -> Ringing:
    """What comes before the peak."""
    size = np.abs(fir.taps)
    peak = int(size.argmax())
    before = size[:peak][::-1] / size[peak]
    heard = np.flatnonzero(before > 10.0 ** (QUIET / 20.0))
    duration = (int(heard[-1]) + 1) / fir.sample_rate if heard.size else 0.0
    rises = np.flatnonzero(np.diff(before) > 0.0)
    rest = before[rises[0] + 1 :] if rises.size else before[:0]
    greatest = float(np.max(rest, initial=0.0))
    return Ringing(20.0 * float(np.log10(greatest)) if greatest > 0.0 else -np.inf, duration)


def excess_phase(
    frequency: FloatArray, pressure: ComplexArray, minimum: ComplexArray, *, bridged: FloatArray
) -> tuple[FloatArray, float]:
    """Phase (F,) rad of a pressure beyond its minimum phase and a delay, and that delay in s.

    frequency : (F,) Hz, rising. pressure : (F,) complex. minimum : (F,) its minimum-phase response.
    bridged   : (F,) 1 where the phase is interference: there it is straight over log frequency between its ends.
    The delay is the one that leaves the phases most alike, found on a grid and then by least squares; a polarity that
    is turned counts as phase of half a turn, and is left alone.
    """
    turned = pressure / np.abs(pressure) * np.conj(minimum / np.abs(minimum))
    weight = np.gradient(frequency)
    span = frequency[-1] - frequency[0]
    delays = np.arange(-0.02, 0.02, 0.1 / span)
    alike = np.abs((weight * turned) @ np.exp(2j * np.pi * np.outer(frequency, delays)))
    delay = float(delays[alike.argmax()])
    middle = np.sum(weight * turned * np.exp(2j * np.pi * frequency * delay))
    upright = np.real(middle) >= 0.0
    rest = np.unwrap(np.angle(turned * np.exp(2j * np.pi * frequency * delay) * (1.0 if upright else -1.0)))
    slope = float(np.sum(weight * frequency * rest) / np.sum(weight * frequency**2))
    excess = rest - slope * frequency
    good = bridged == 0
    if good.any():
        excess = np.interp(np.log(frequency), np.log(frequency[good]), excess[good])
    return np.asarray(excess), delay - slope / (2.0 * np.pi)


def _points(taps: int) -> int:
    return int(2 ** np.ceil(np.log2(FINENESS * taps)))


def _window(taps: int, latency: int) -> FloatArray:
    """(taps,) 1 about the latency, falling to either end over `TAPER` of what lies on that side."""
    place = np.arange(taps, dtype=np.float64)
    before, after = latency + 1.0, taps - latency
    share = np.where(place < latency, (place + 1.0) / before, (taps - place) / after)
    return np.asarray(np.sin(0.5 * np.pi * np.minimum(share / TAPER, 1.0)) ** 2)


def _turns(frequency: FloatArray, fir: Fir) -> ComplexArray:
    """(F, N) of exp(-j w n)."""
    angle = 2.0 * np.pi * np.asarray(frequency, dtype=np.float64) / fir.sample_rate
    return np.asarray(np.exp(-1j * np.outer(angle, np.arange(fir.taps.size))))
