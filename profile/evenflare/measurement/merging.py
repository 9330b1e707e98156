"""Two readings of one source as one: the level and delay between them where both are known, and how one goes over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenflare.measurement.normalise import at_frequencies
from evenflare.measurement.readings import Response
from evenflare.units import ComplexArray, FloatArray, amplitude_db, read_only

ANOTHER_DB = 3.0
"""The same, above which they are hardly of one source."""
UNLIKE_DB = 1.0
"""rms difference between both readings within the overlap, above which it is told."""
LEAST = 3
"""Frequencies that the overlap must hold."""
HALF = 0.5
"""Octaves to either side of the frequency of a merge, over which one reading goes over into the other."""


@dataclass(frozen=True)
class Scale:
    """What the overlap says: dB and its parts, s, and whether the near field is the other way round."""

    level: float
    spread: float
    freedom: float
    slant: float
    delay: float | None
    inverted: bool
    off: float


def scaled(frequency: FloatArray, far: ComplexArray, taken: ComplexArray, *, gate: float | None, phase: bool) -> Scale:
    """Level, delay and polarity of the near field against the far one, within the overlap.

    Through a gate of T neighbouring frequencies are alike within 1 / T: so many of them count as are that far apart.
    """
    difference = amplitude_db(far) - amplitude_db(taken)
    level = float(np.mean(difference))
    octaves = np.log2(frequency)
    slant = float(np.polyfit(octaves - octaves.mean(), difference, 1)[0])
    apart = float(np.ptp(frequency)) * gate if gate else float(frequency.size)
    count = float(np.clip(apart, 1.0, frequency.size))
    spread = float(np.std(difference, ddof=1))
    if not phase:
        return Scale(level, spread, count, slant, None, False, 0.0)
    turned = np.unwrap(np.angle(far / taken))
    start = np.polyfit(frequency, turned, 1)[1]
    inverted = bool(np.cos(start) < 0.0)
    begin = np.pi if inverted else 0.0
    off = float((start - begin + np.pi) % (2.0 * np.pi) - np.pi)
    turned = turned - start + off
    delay = -float(np.sum(frequency * turned) / np.sum(frequency**2)) / (2.0 * np.pi)
    return Scale(level, spread, count, slant, delay, inverted, off)


def blended(far: ComplexArray, near: ComplexArray, share: FloatArray, *, phase: bool) -> ComplexArray:
    """Level in dB and phase each go over from one to the other, so that a difference of phase takes nothing away."""
    tiny = np.finfo(float).tiny
    level = share * np.log(np.maximum(np.abs(near), tiny)) + (1.0 - share) * np.log(np.maximum(np.abs(far), tiny))
    level = np.where(share >= 1.0, np.log(np.maximum(np.abs(near), tiny)), level)
    base = np.where(share >= 1.0, near, far)
    turn = np.where(share >= 1.0, 0.0, share * np.angle(near * np.conj(far))) if phase else 0.0
    return np.asarray(np.exp(level + 1j * (np.angle(base) + turn)))


@dataclass(frozen=True)
class Merged:
    """A near and a far reading as one, on axis.

    frequency : (F,) Hz. pressure: (F,) complex, at the far reading's level and delay.
    scale     : of the near one against it.
    """

    frequency: FloatArray
    pressure: ComplexArray
    phase_known: bool
    scale: Scale

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", read_only(self.frequency))
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))


def merged(far: Response, near: Response, to_far: Callable[[FloatArray], ComplexArray], *, at: float) -> Merged:
    """A reading close to a driver below `at` (Hz) and the one far from it above, both without their travel time.

    to_far : of frequencies (F,) Hz, far pressure over near pressure as a model of driver and box has it; its scale
             counts for nothing.
    Half an octave to either side level and phase go over from one to the other; level, delay and polarity of the near
    one are those that fit the far one there.
    ValueError unless both readings reach over that octave, the far one has frequencies in it, and their levels differ
    by `ANOTHER_DB` rms at most about their mean difference.
    Source: D. B. Keele, J. AES 22 (1974) 154; C. Struck and S. Temme, J. AES 42 (1994) 934 (both from memory).
    """
    low, high = at * 2.0**-HALF, at * 2.0**HALF
    for reading in (far, near):
        first, last = reading.frequency[[0, -1]]
        if first > low * (1.0 + 1e-9) or last < high * (1.0 - 1e-9):
            raise ValueError(
                f"{reading.file.name} reaches from {first:.4g} to {last:.4g} Hz: must reach from {low:.4g} to"
                f" {high:.4g} Hz, half an octave to either side"
            )
    below = near.frequency[near.frequency < far.frequency[0] * (1.0 - 1e-9)]
    frequency = np.concatenate([below, far.frequency])
    within = (frequency >= low * (1.0 - 1e-9)) & (frequency <= high * (1.0 + 1e-9))
    if np.count_nonzero(within) < LEAST:
        raise ValueError(f"{far.file.name} has fewer than {LEAST} frequencies from {low:.4g} to {high:.4g} Hz")
    phase = far.phase_known and near.phase_known
    distant, taken = at_frequencies(far, frequency), at_frequencies(near, frequency) * to_far(frequency)
    scale = scaled(frequency[within], distant[within], taken[within], gate=None, phase=phase)
    if scale.spread > ANOTHER_DB:
        raise ValueError(
            f"{near.file.name} differs from {far.file.name} by {scale.spread:.1f} dB rms from {low:.4g} to {high:.4g}"
            f" Hz: must be at most {ANOTHER_DB:g} dB. Check that both are of this driver, in this box"
        )
    turn = 0.0 if scale.delay is None else -2.0 * np.pi * frequency * scale.delay
    factor = 10.0 ** (0.05 * scale.level) * (-1.0 if scale.inverted else 1.0)
    share = np.cos(0.5 * np.pi * np.clip(np.log(frequency / low) / np.log(high / low), 0.0, 1.0)) ** 2
    share = np.where(frequency >= high * (1.0 - 1e-9), 0.0, share)
    return Merged(frequency, blended(distant, taken * factor * np.exp(1j * turn), share, phase=phase), phase, scale)
