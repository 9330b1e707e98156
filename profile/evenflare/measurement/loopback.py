"""What comes back from the output straight into a second input: when the sound really began, and how loud it was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import correlate

from evenflare.units import FloatArray, amplitude_db

LEAST_ALIKE = 0.8
"""Correlation with what was played, from which it is that: filters of a card turn the ends of the band a little."""
BEFORE, AFTER = 1e-3, 10e-3
"""s kept before and after the sweep in the reference that is made of it."""
STEADY_DB = 0.1
"""By which its level may differ from the reference's: a card's own gain does not move by as much. Judgement."""


@dataclass(frozen=True)
class Returned:
    """A sound in a longer recording: its first sample there, how alike the two are (0 to 1), and how much louder, dB.

    `alike` is negative where it came back inverted.
    """

    first: int
    alike: float
    louder: float


def found_in(recording: FloatArray, sound: FloatArray) -> Returned:
    """Where a sound (N,) lies in a recording (M,), M >= N, to a sample, by the greatest correlation of either sign."""
    agreed = correlate(recording, sound, mode="valid", method="fft")
    first = int(np.argmax(np.abs(agreed)))
    part = recording[first : first + sound.size]
    energy, own = float(sound @ sound), float(part @ part)
    gain = float(agreed[first]) / energy
    return Returned(
        first, gain * float(np.sqrt(energy / max(own, 1e-300))), float(amplitude_db(max(abs(gain), 1e-300)))
    )


def reference_of(recording: FloatArray, sound: FloatArray, *, sample_rate: float) -> FloatArray:
    """The part of a recording (M,) that holds a sound (N,), a little before and after it too."""
    first = max(found_in(recording, sound).first - round(BEFORE * sample_rate), 0)
    last = first + sound.size + round((BEFORE + AFTER) * sample_rate)
    return recording[first:last].copy()


def begun_at(recording: FloatArray, first: int) -> FloatArray:
    """A recording (M,) from its sample `first` on; what would lie before it is silence."""
    return recording[first:].copy() if first >= 0 else np.concatenate([np.zeros(-first), recording])
