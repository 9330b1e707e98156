"""What a calibration found: the unknowns with their intervals, and how far the measurement is from the model since."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity
from evenflare.measurement.unknowns import Unknown
from evenflare.metrics import SAME_ANGLE, levels_re_on_axis
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import Waveguide

AS_WELL = 0.01
"""dB rms by which held-out angles may part more after a fit than before, where there was nothing to fit."""

LIKE_DB = 1.0
"""dB rms in which a prediction is like a measurement: twice what rigs agree to. Judgement, no source."""
MOST_LEFT = 0.5
"""Of the deviation before, likewise."""


@dataclass(frozen=True)
class CalibrationFigures:
    """Measured less predicted level, each re its own on-axis level, over some cells.

    bias, rms : dB; cells weigh as the sine of their angle, the area they stand for.
    worst     : dB, with its sign, and where: frequency in Hz, azimuth and off_axis in rad.
    cells     : how many.
    """

    bias: float
    rms: float
    worst: float
    frequency: float
    azimuth: float
    off_axis: float
    cells: int


@dataclass(frozen=True)
class Fitted:
    """One unknown, in its own unit.

    value          : most probable, and its
    standard_error : with low and high, the ends of its interval of 95 %, inside the unknown's bounds.
    learned        : 0 to 1, how much narrower the measurement made it than expected: 0, it says nothing about it.
    """

    unknown: Unknown
    value: float
    standard_error: float
    low: float
    high: float
    learned: float


@dataclass(frozen=True)
class Calibration:
    """What was fitted.

    fitted, correlation : the unknowns, (K), and (K, K) how their errors go together.
    waveguide, air      : the design as calibrated.
    measured            : at the frequencies that were used;
    before, after       : the predictions of the design as stated and as calibrated.
    held_out            : (A,) angles that the fit did not see.
    cells               : (F, P, A) where both were loud enough to compare.
    noise               : dB, standard deviation of one level about the fit, and
    variance_inflation  : by how much its variance counts more, because the errors of neighbours are correlated.
    solves              : how many.
    explanations        : how many sets of values explain the measurement nearly alike; intervals reach over all.
    discrepancy         : dB, standard deviation of the model's own error, which neighbouring levels share; in the
                          intervals.
    """

    fitted: tuple[Fitted, ...]
    correlation: FloatArray
    waveguide: Waveguide
    air: Air
    measured: Directivity
    before: Directivity
    after: Directivity
    held_out: BoolArray
    cells: BoolArray
    noise: float
    variance_inflation: float
    solves: int
    explanations: int = 1
    discrepancy: float = 0.0

    def deviation(self, predicted: Directivity) -> FloatArray:
        """(F, P, A) dB, measured less predicted, each re its own on axis; nan outside the cells."""
        levels = (np.where(self.cells, levels_re_on_axis(each), np.nan) for each in (self.measured, predicted))
        return np.subtract(*levels)

    def figures(self, predicted: Directivity, *, held_out: bool) -> CalibrationFigures:
        """Of `before` or `after`, on the angles that were held out of the fit or on those that were in it."""
        deviation = self.deviation(predicted)
        off_axis = self.measured.observation.off_axis
        mine = self.cells & (self.held_out == held_out) & (np.abs(off_axis) > SAME_ANGLE)
        weight = np.broadcast_to(np.abs(np.sin(off_axis)), mine.shape)[mine]
        values = deviation[mine]
        f, p, a = (int(axis) for axis in np.argwhere(mine)[int(np.abs(values).argmax())])
        observation = self.measured.observation
        return CalibrationFigures(
            float(np.average(values, weights=weight)),
            float(np.sqrt(np.average(values**2, weights=weight))),
            float(deviation[f, p, a]),
            float(observation.frequency[f]),
            float(observation.plane[p]),
            float(observation.off_axis[a]),
            int(values.size),
        )

    @property
    def explains(self) -> bool:
        """Whether the calibrated model is like the measurement on the angles that the fit did not see: to `LIKE_DB`
        rms, or to half of what it was off before.
        """
        before, after = (self.figures(each, held_out=True).rms for each in (self.before, self.after))
        return after <= max(LIKE_DB, MOST_LEFT * before)

    @property
    def helps(self) -> bool:
        """Whether the angles that the fit did not see agree better with it, or as well to a hundredth of a decibel."""
        before, after = (self.figures(each, held_out=True).rms for each in (self.before, self.after))
        return after <= before + AS_WELL
