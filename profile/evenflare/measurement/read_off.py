"""What is read off a measurement and a prediction, side by side: index, beamwidth, level on axis, sound power."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.measurement.compare import Comparison
from evenflare.units import BoolArray, FloatArray

Two = tuple[FloatArray, FloatArray]
"""Measured and predicted, (F,) each."""


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
    def gain(self) -> float:
        """dB, measured less predicted level on axis, mean over the valid frequencies: what drives them differs."""
        measured, predicted = (metrics.on_axis_level(each) for each in self.both)
        with np.errstate(invalid="ignore"):
            difference = (measured - predicted)[self.comparison.valid]
        return float(np.mean(difference[np.isfinite(difference)])) if np.isfinite(difference).any() else np.nan

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
