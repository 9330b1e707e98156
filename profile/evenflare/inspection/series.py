"""Several inspected parts, one after the other: their spread, what drifts, and what the process does on the whole.

Control charts for individuals: limits at the mean and 3 / 1.128 times the mean moving range of neighbours. Source:
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2. PartTrend: the slope of a straight line through parts in their
order (ordinary least squares), with Student's test of it; over several zones by Bonferroni's bound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from evenflare.inspection.found import Estimate
from evenflare.units import FloatArray
from evenflare.waveguide.accuracy import Accuracy

MOVING_RANGE = 1.128
"""Mean range of two Gaussian values over their standard deviation, 2 / sqrt(pi) (d2 of the handbook)."""
LIMIT = 3.0
"""Standard deviations from the mean to a control limit."""
DRIFTS = 0.05
"""Odds of seeing a drift in parts that do not drift, over all that was looked at together."""
FEWEST_TO_DRIFT = 3
SURE = 2.0
"""Standard errors from which on waviness is told from none, and so its length is."""
SHORTEST, LONGEST = 2e-3, 0.5
"""m, correlation lengths that a process file may state."""
USUAL_LENGTH = 0.02
"""m, where parts hold no waviness to tell it from."""


@dataclass(frozen=True)
class InspectedPart:
    """What a series needs of a part; m, shares and dB, all as inspection.json has them.

    kinds       : by name ("scale", "offset", "bow", "ovality", "tilt", "throat_step", "waviness"), with their errors.
    zones       : mean departure in each zone, nan without points; the same zones for all parts of a series.
    form_mean, form_square : m, m^2: mean and mean square of the wall's departure, scale and noise left out.
    waviness_length : m.
    alike       : whether more of its departure is alike all round than not.
    index_worst : dB, greatest change of the directivity index; nan where it was not solved.
    """

    name: str
    kinds: Mapping[str, Estimate]
    zones: Sequence[float]
    form_mean: float
    form_square: float
    waviness_length: float
    alike: bool
    index_worst: float
    within: bool | None = None


@dataclass(frozen=True)
class Chart:
    """A control chart for individuals. values : (N,) in their order; deviation : their standard deviation (N - 1);
    beyond : (N,) whether a value lies beyond the limits.
    """

    values: FloatArray
    mean: float
    deviation: float
    moving_range: float
    lower: float
    upper: float

    @property
    def beyond(self) -> tuple[bool, ...]:
        """Which values lie beyond the limits."""
        return tuple(bool(each < self.lower or each > self.upper) for each in self.values)


@dataclass(frozen=True)
class PartTrend:
    """A straight line through values in their order.

    slope : per part, with its standard error.
    odds  : of a slope as great or greater where nothing drifts (two-sided).
    """

    slope: Estimate
    odds: float


@dataclass(frozen=True)
class Contraction:
    """The contraction that a pattern should have had, a share, with its 95 % interval; used : the one it had."""

    value: float
    standard_error: float
    low: float
    high: float
    used: float


def control_chart(values: Sequence[float] | FloatArray) -> Chart:
    """Of two values or more. ValueError for fewer."""
    x = np.asarray(values, dtype=np.float64)
    if x.size < 2:
        raise ValueError(f"holds {x.size} part: a control chart needs two at least")
    mean, moving = float(x.mean()), float(np.abs(np.diff(x)).mean())
    away = LIMIT * moving / MOVING_RANGE
    return Chart(x, mean, float(x.std(ddof=1)), moving, mean - away, mean + away)


def drift(values: Sequence[float] | FloatArray) -> PartTrend | None:
    """None for fewer than three finite values, or such as do not scatter at all."""
    from scipy.stats import linregress  # takes a third of a second to load

    x = np.asarray(values, dtype=np.float64)
    if x.size < FEWEST_TO_DRIFT or not np.all(np.isfinite(x)) or np.ptp(x) == 0.0:
        return None
    line = linregress(np.arange(x.size), x)
    return PartTrend(Estimate(float(line.slope), float(line.stderr)), float(line.pvalue))


def drifting(drifts: Sequence[PartTrend | None]) -> tuple[int, ...]:
    """Which of several that were looked at together drift at 5 % over all."""
    looked = sum(each is not None for each in drifts)
    return tuple(i for i, each in enumerate(drifts) if each is not None and each.odds * looked < DRIFTS)


def mean_of(estimates: Sequence[Estimate]) -> tuple[Estimate, float]:
    """The mean over parts with its standard error, and the factor of that to either end of a 95 % interval.

    The error is the scatter between parts over sqrt(N), with Student's factor for so few; never less than what the
    inspections state of their mean.
    """
    values, errors = (np.array(each) for each in zip(*((e.value, e.standard_error) for e in estimates), strict=True))
    n = values.size
    stated = float(np.sqrt(np.sum(errors**2)) / n)
    if n == 1:
        return Estimate(float(values[0]), stated), float(stdtrit(np.inf, 0.975))
    scattered = float(values.std(ddof=1) / np.sqrt(n))
    return Estimate(float(values.mean()), max(scattered, stated)), float(stdtrit(n - 1, 0.975))


def contraction(scales: Sequence[Estimate], *, used: float, of: Literal["casting", "pattern"]) -> Contraction:
    """The contraction that makes castings of scale 1, from those of a pattern made with the contraction `used`.

    of : "casting", the pattern is the casting times 1 + s; "pattern", the casting is the pattern times 1 - s.
    A casting k times as large as drawn came of a pattern P times as large: the metal takes k / P of it, so the pattern
    should have been P / k.
    """
    scale, factor = mean_of(scales)
    k = scale.value
    if of == "casting":
        value, error = (1.0 + used) / k - 1.0, (1.0 + used) / k**2 * scale.standard_error
    else:
        value, error = 1.0 - (1.0 - used) * k, (1.0 - used) * scale.standard_error
    return Contraction(value, error, value - factor * error, value + factor * error, used)


def accuracy_of(parts: Sequence[InspectedPart], *, source: str) -> Accuracy:
    """What a process did to the walls of two parts or more. ValueError for fewer."""
    if len(parts) < 2:
        raise ValueError(f"holds {len(parts)} part: what a process does needs two at least")
    means, squares = (np.array([getattr(each, name) for each in parts]) for name in ("form_mean", "form_square"))
    scales = np.array([each.kinds["scale"].value for each in parts]) - 1.0
    bias, n = float(means.mean()), len(parts)
    # Of a place of one part about the mean of all; the mean took the part's own with it, hence N - 1 between parts.
    within = float(np.mean(squares - means**2))
    spread = float(np.sqrt(max(within + float(means.var(ddof=1)), 0.0)))
    # The inspections' own doubt is no scatter of the process.
    doubt = float(np.mean([each.kinds["scale"].standard_error ** 2 for each in parts]))
    wavy = np.array([each.kinds["waviness"].value ** 2 for each in parts])
    unsure = np.array([(SURE * each.kinds["waviness"].standard_error) ** 2 for each in parts])
    lengths = np.array([each.waviness_length for each in parts])
    steps = [each.kinds["throat_step"] for each in parts if np.isfinite(each.kinds["throat_step"].standard_error)]
    step = float(np.mean([each.value**2 - each.standard_error**2 for each in steps])) if steps else 0.0
    told = (wavy > unsure) & np.isfinite(lengths) & (lengths > 0.0)
    length = float(np.average(lengths[told], weights=wavy[told])) if told.any() else USUAL_LENGTH
    return Accuracy(
        bias=bias,
        spread=spread,
        correlation_length=float(np.clip(length, SHORTEST, LONGEST)),
        around="alike" if all(each.alike for each in parts) else "independent",
        scale_bias=float(scales.mean()),
        scale_spread=float(np.sqrt(max(float(scales.var(ddof=1)) - doubt, 0.0))),
        throat_step=float(np.sqrt(max(step, 0.0))),
        source=f"measured: {n} parts, {source}",
    )
