"""What is read off a measurement and a prediction, side by side: index, beamwidth, level on axis, sound power."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.measurement.compare import Comparison
from evenflare.units import BoolArray, FloatArray

Two = tuple[FloatArray, FloatArray]
"""Measured and predicted, (F,) each."""


EVEN_DB = 0.5
"""dB rms, to which a difference of levels is even over frequency: twice what a good measurement repeats to. Judgement,
no source."""
LEAST_FALL = 1.0
"""dB from the lowest to the highest frequency, below which a slope is not worth a word. Judgement."""
MOSTLY = 0.5
"""Of the rms about the gain, to which a slope must bring it down to be what the difference is."""


@dataclass(frozen=True)
class LevelDifference:
    """Measured less predicted level on axis over frequency, in parts; nan where nothing is known.

    raw   : dB rms, of the difference as it is.
    gain  : dB, its median: one for every frequency.
    even  : dB rms about the gain.
    slope : dB per octave, the median of the slopes between any two frequencies.
    left  : dB rms about gain and slope.
    kind  : what it is: "gain" if it is even over frequency, "slope" if a slope is most of the rest, else "shape".
    """

    raw: float
    gain: float
    even: float
    slope: float
    left: float
    kind: Literal["gain", "slope", "shape"]


def level_difference(frequency: FloatArray, difference: FloatArray) -> LevelDifference:
    """A difference of levels (F,), dB, at frequencies (F,), Hz, in its parts. Source of the slope: Theil (1950), Sen
    (1968), from memory: a few frequencies that stand apart, a notch for instance, move neither it nor the gain.
    """
    known = np.isfinite(difference)
    octave, level = np.log2(frequency[known]), difference[known]
    if not level.size:
        return LevelDifference(np.nan, np.nan, np.nan, np.nan, np.nan, "gain")
    gain = float(np.median(level))
    even = _rms(level - gain)
    slope, left = 0.0, even
    if level.size > 2:
        one, other = np.triu_indices(level.size, k=1)
        slope = float(np.median((level[other] - level[one]) / (octave[other] - octave[one])))
        straight = level - slope * octave
        left = _rms(straight - np.median(straight))
    kind: Literal["gain", "slope", "shape"] = "gain"
    if even > EVEN_DB:
        falls = abs(slope) * np.ptp(octave) > LEAST_FALL
        kind = "slope" if falls and left <= MOSTLY * even else "shape"
    return LevelDifference(_rms(level), gain, even, slope, left, kind)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


@dataclass(frozen=True)
class ReadOff:
    """Curves of both over the common frequencies, by the same quadrature on the common directions."""

    comparison: Comparison

    @property
    def both(self) -> tuple[Directivity, Directivity]:
        """Measured and predicted."""
        return self.comparison.measured, self.comparison.predicted

    @cached_property
    def uncovered(self) -> str:
        """Why neither index nor power can be had from the common directions; empty if they can."""
        try:
            metrics.sphere_weights(self.comparison.observation, half_space=self.comparison.measured.half_space)
        except ValueError as error:
            return str(error)
        return ""

    @cached_property
    def index(self) -> Two | None:
        """Whole-sphere directivity index, dB; None where `uncovered`."""
        if self.uncovered:
            return None
        measured, predicted = (metrics.directivity_index(each) for each in self.both)
        return measured, predicted

    @cached_property
    def beamwidths(self) -> dict[float, Two]:
        """rad, by the azimuth of each plane; nan where there is no crossing."""
        planes = self.comparison.observation.plane.tolist()
        one, other = self.both
        return {at: (metrics.beamwidth(one, plane=at), metrics.beamwidth(other, plane=at)) for at in planes}

    @cached_property
    def level(self) -> LevelDifference:
        """Of the levels on axis over the valid frequencies: what drives them differs."""
        measured, predicted = (metrics.on_axis_level(each) for each in self.both)
        with np.errstate(invalid="ignore"):
            difference = (measured - predicted)[self.comparison.valid]
        return level_difference(self.comparison.observation.frequency[self.comparison.valid], difference)

    @property
    def gain(self) -> float:
        """dB, measured less predicted level on axis, one for all frequencies."""
        return self.level.gain

    @cached_property
    def on_axis(self) -> Two:
        """Level on axis, dB re 20 uPa, the measured one less `gain`."""
        measured, predicted = (metrics.on_axis_level(each) for each in self.both)
        return measured - self.gain, predicted

    @cached_property
    def power(self) -> Two | None:
        """Sound power level, dB re 1 pW, the measured one less `gain`; None where `uncovered`."""
        if self.uncovered:
            return None
        measured, predicted = (metrics.sound_power_level(each) for each in self.both)
        return measured - self.gain, predicted

    def rms(self, both: Two | None) -> float | None:
        """Of measured less predicted over the valid frequencies where both are known; None if there are none."""
        return rms_difference(both, self.comparison.valid)


def rms_difference(both: Two | None, valid: BoolArray) -> float | None:
    """Root of the mean square of the first less the second, (F,) each, where valid and finite; None if nowhere."""
    if both is None:
        return None
    with np.errstate(invalid="ignore"):
        difference = (both[0] - both[1])[valid]
    difference = difference[np.isfinite(difference)]
    return float(np.sqrt(np.mean(difference**2))) if difference.size else None
