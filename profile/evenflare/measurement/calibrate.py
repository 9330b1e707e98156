"""A model fitted to a measured prototype: what it cannot know, with how far that is known, and a check on other angles.

The unknowns are sought that make measured less predicted level smallest in the least squares, held to what is expected
of them; each frequency's gain is free, since the driver's response is not modelled. Bayes' rule for Gaussian noise and
Gaussian expectation: the maximum of the posterior, and the covariance of its parabola there.
Source: Tarantola (2005), Inverse problem theory, section 3.2 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import lsq_linear

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.measurement.calibration import Calibration, Fitted
from evenflare.measurement.discrepancy import Discrepancy, discrepancy_of, places_of
from evenflare.measurement.held_out import LOWEST_LEVEL, held_out_angles, thinned
from evenflare.measurement.unknowns import GAIN, IMPEDANCE, TAPER, Unknown, applied, unknowns_of
from evenflare.metrics import levels_re_on_axis
from evenflare.units import BoolArray, FloatArray, amplitude_db
from evenflare.waveguide import Waveguide

Solve = Callable[[Waveguide, Observation, Air], Directivity]
"""A solver, as `radiation.solver` gives it."""
Progress = Callable[[str], None]

FREQUENCIES = 24
HOLD_OUT = 3
NOISE_FLOOR = 0.03
"""dB of a level re on axis: a solver is not more exact than this, whatever little the residual shows."""
LEVEL_FLOOR = 0.3
"""dB of a level on axis over frequency, which a source's impedance is fitted to: what a rig repeats."""
STEP = 0.1
"""Of an unknown's width, over which differences are taken: far above the solver's own steps."""
CONVERGED = 0.1
"""Of an unknown's standard error, that a step may still move it."""
MOST_STEPS = 20
MOST_HALVINGS = 5
TAPERS = 3.0
"""Widths from what is stated, between which other explanations are sought."""
ALMOST = 6.0
"""Of the cost, minus twice a log-likelihood, by which another explanation is still possible: odds of 20 to 1."""
EARLY = 1
"""Steps after which derivatives are taken anew in any case: the first goes far."""
MOST_ALIKE = 0.9
"""Correlation of neighbouring residuals, beyond which it counts as this."""
NINETY_FIVE = 1.96
"""Standard errors from the value to either end of its interval."""


def calibrate(
    measured: Directivity,
    waveguide: Waveguide,
    solve: Solve,
    *,
    unknowns: Sequence[Unknown] | None = None,
    hold_out: int = HOLD_OUT,
    frequencies: int = FREQUENCIES,
    progress: Progress = lambda _: None,
) -> Calibration:
    """The unknowns of `waveguide` that explain `measured`.

    measured    : at least six angles beside the axis; the air and distance of the prediction are its own.
    solve       : what predicts; it is called twenty to forty times.
    unknowns    : left out, all that can be fitted; their widths are the strength of the regularisation.
    hold_out    : every so manieth angle outward from the axis is left out of the fit and used to check it.
    frequencies : at most so many valid ones, spread evenly in their logarithm.
    progress    : told what is being done, in words.
    Errors      : ValueError if there is too little to fit, or the solver cannot solve the design.
    """
    problem = _CalibrationProblem(measured, waveguide, solve, unknowns, hold_out, frequencies)
    return problem.fitted(progress)


class _Minimum(NamedTuple):
    """Where a descent ended: the unknowns (K) in widths, the prediction there, its residuals and their derivatives."""

    x: FloatArray
    predicted: Directivity
    blocks: list[FloatArray]
    slopes: list[FloatArray]


class _CalibrationProblem:
    """The measurement, what may explain it, and the predictions made on the way."""

    def __init__(
        self,
        measured: Directivity,
        waveguide: Waveguide,
        solve: Solve,
        unknowns: Sequence[Unknown] | None,
        hold_out: int,
        frequencies: int,
    ) -> None:
        self.measured = thinned(measured, frequencies, waveguide.driver.source.covers)
        self.waveguide, self.solve = waveguide, solve
        self.air = Air(measured.speed_of_sound, measured.density)
        self.unknowns = tuple(unknowns_of(waveguide, self.air) if unknowns is None else unknowns)
        self.start = np.array([each.start for each in self.unknowns])
        self.width = np.array([each.width for each in self.unknowns])
        self.low = (np.array([each.low for each in self.unknowns]) - self.start) / self.width
        self.high = (np.array([each.high for each in self.unknowns]) - self.start) / self.width
        self.with_level = any(each.name in (IMPEDANCE, GAIN) for each in self.unknowns)
        self.solves = 0
        self.before = self.predicted(np.zeros(self.start.size))
        self.cells = self._cells()
        heard = np.asarray(self.cells.any(axis=(0, 1)))
        self.held_out = held_out_angles(self.measured.observation.off_axis, heard, hold_out)
        self.used = self.cells & ~self.held_out
        if self.used.sum(axis=(1, 2)).max() < 2 or self.used.sum() <= 2 * self.start.size + self.used.shape[0]:
            raise ValueError(
                f"holds {int(self.used.sum())} levels above {LOWEST_LEVEL:g} dB re on axis that can be fitted: too few"
                f" for {self.start.size} unknowns. Measure more angles or frequencies"
            )

    def predicted(self, x: FloatArray) -> Directivity:
        """The prediction with the unknowns `x` widths from where they start."""
        self.solves += 1
        waveguide, air = applied(self.unknowns, self.start + self.width * x, self.waveguide, air=self.air)
        return self.solve(waveguide, self.measured.observation, air)

    def _cells(self) -> BoolArray:
        levels = [levels_re_on_axis(each) for each in (self.measured, self.before)]
        loud = np.all([np.isfinite(each) & (each > LOWEST_LEVEL) for each in levels], axis=0)
        return np.asarray(loud & ~self.measured.behind & ~self.before.behind)

    def residuals(self, predicted: Directivity) -> tuple[FloatArray, FloatArray]:
        """Measured less predicted level, dB: (F, P, A) re their mean at each frequency, nan where unused, and the
        means (F,).
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            off = amplitude_db(self.measured.pressure) - amplitude_db(predicted.pressure)
        off = np.where(self.used, off, np.nan)
        rows = self.used.any(axis=(1, 2))
        mean = np.full(off.shape[0], np.nan)
        mean[rows] = np.nanmean(off[rows], axis=(1, 2))
        return off - mean[:, None, None], mean

    def stacked(self, predicted: Directivity) -> list[FloatArray]:
        """The residuals that are fitted, a block for each kind of noise, one-dimensional."""
        shape, mean = self.residuals(predicted)
        blocks = [shape[self.used]]
        return [*blocks, mean[np.isfinite(mean)]] if self.with_level else blocks

    def jacobian(self, x: FloatArray, at: Directivity) -> list[FloatArray]:
        """(N, K) for each block: how residuals grow with each unknown, per width."""
        columns = []
        here = self.stacked(at)
        for i in range(x.size):
            step = np.zeros(x.size)
            step[i] = STEP if x[i] + STEP <= self.high[i] else -STEP
            there = self.stacked(self.predicted(x + step))
            columns.append([(b - a) / step[i] for a, b in zip(here, there, strict=True)])
        return [np.array(block).T for block in zip(*columns, strict=True)]

    def scales(self, blocks: Sequence[FloatArray]) -> list[tuple[float, float]]:
        """For each block of residuals their standard deviation, dB, and by how much its variance counts more.

        Neighbours whose errors are correlated, as those of a wrong model are, are fewer observations than they seem: an
        autoregressive series of correlation a counts (1 - a) / (1 + a) of its values, along each axis.
        Source: Bayley & Hammersley (1946), The "effective" number of independent observations in an autocorrelated
        time series, J. Roy. Stat. Soc. Suppl. 8, 184-197 (from memory).
        """
        shape = np.full(self.used.shape, np.nan)
        shape[self.used] = blocks[0]
        free = max(blocks[0].size - self.used.any(axis=(1, 2)).sum() - self.start.size, 1)
        noise = max(float(np.sqrt(np.sum(blocks[0] ** 2) / free)), NOISE_FLOOR)
        seen = shape[:, :, ~self.held_out]
        found = [(noise, _variance_inflation(seen, 0) * _variance_inflation(seen, 2))]
        if len(blocks) > 1:
            level = max(float(np.std(blocks[1])), LEVEL_FLOOR)
            found.append((level, _variance_inflation(blocks[1] - blocks[1].mean(), 0)))
        return found

    def step(self, x: FloatArray, blocks: list[FloatArray], slopes: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
        """The next x, and for each block the factor that its residuals are multiplied by.

        The noise is what the straight-line model leaves, so it and the step are found in turn.
        """
        left = blocks
        moved = x
        for _ in range(4):
            weights = self.weights(left)
            rows = np.vstack([*(w * slope for w, slope in zip(weights, slopes, strict=True)), np.eye(x.size)])
            values = np.concatenate([*(-w * block for w, block in zip(weights, blocks, strict=True)), -x])
            moved = x + lsq_linear(rows, values, bounds=(self.low - x - 1e-12, self.high - x + 1e-12)).x
            left = [block + slope @ (moved - x) for block, slope in zip(blocks, slopes, strict=True)]
        return np.clip(moved, self.low, self.high), weights

    def fitted(self, progress: Progress) -> Calibration:
        """From where the unknowns start, and from every other place that may lead to another explanation."""
        found = [self.descended(np.zeros(self.start.size), self.before, progress)]
        for x in self.elsewhere(found[0]):
            progress("another start")
            found.append(self.descended(x, self.predicted(x), progress))
        weights = max((self.weights(each.blocks) for each in found), key=lambda each: float(each[0]))
        found.sort(key=lambda each: _cost(weights, each.blocks, each.x))
        least = _cost(weights, found[0].blocks, found[0].x)
        return self._result([each for each in found if _cost(weights, each.blocks, each.x) <= least + ALMOST])

    def weights(self, blocks: Sequence[FloatArray]) -> FloatArray:
        """For each block of residuals 1 / dB, what they are multiplied by."""
        return np.array([1.0 / (noise * np.sqrt(inflation)) for noise, inflation in self.scales(blocks)])

    def elsewhere(self, found: _Minimum) -> list[FloatArray]:
        """Where along the taper the cost has other dips, the unknowns besides as found.

        Pressure is a straight line in the taper, so that one solve tells of all tapers; levels are not, and the exit's
        two shares of a pressure may explain it with either sign between them.
        """
        names = [each.name for each in self.unknowns]
        if TAPER not in names:
            return []
        i = names.index(TAPER)
        step = np.zeros(found.x.size)
        step[i] = 1.0 if found.x[i] + 1.0 <= self.high[i] else -1.0
        slope = (self.predicted(found.x + step).pressure - found.predicted.pressure) / step[i]
        weights, line, costs = self.weights(found.blocks), np.linspace(-TAPERS, TAPERS, 61), []
        line = line[(line >= self.low[i]) & (line <= self.high[i])]
        places = [np.where(np.arange(found.x.size) == i, taper, found.x) for taper in line]
        for x in places:
            there = replace(found.predicted, pressure=found.predicted.pressure + (x[i] - found.x[i]) * slope)
            costs.append(_cost(weights, self.stacked(there), x))
        dips = [k for k in range(1, line.size - 1) if costs[k] < min(costs[k - 1], costs[k + 1])]
        own = min(dips, key=lambda k: abs(line[k] - found.x[i]), default=-1)
        return [places[k] for k in dips if k != own]

    def descended(self, x: FloatArray, predicted: Directivity, progress: Progress) -> _Minimum:
        """Gauss-Newton steps, halved where one leads uphill, until a step from fresh derivatives is small against the
        standard errors. Between, derivatives are kept up by what each step shows (Broyden 1965).
        """
        blocks, fresh = self.stacked(predicted), True
        slopes: list[FloatArray] = []
        for turn in range(MOST_STEPS):
            if fresh:
                progress(f"step {turn + 1}: derivatives of {x.size} unknowns")
                slopes = self.jacobian(x, predicted)
            wanted, weights = self.step(x, blocks, slopes)
            error = np.sqrt(np.diag(_covariance(weights, slopes)))
            if fresh and np.all(np.abs(wanted - x) < CONVERGED * error):
                break
            cost = _cost(weights, blocks, x)
            for _ in range(MOST_HALVINGS):
                tried = self.predicted(wanted)
                moved = self.stacked(tried)
                if _cost(weights, moved, wanted) <= cost:
                    break
                wanted = 0.5 * (x + wanted)
            else:
                if fresh:
                    break  # downhill there is nothing but the solver's own steps
                fresh = True
                continue
            step = wanted - x
            fresh = turn < EARLY or bool(np.all(np.abs(step) < CONVERGED * error))
            for slope, before, after in zip(slopes, blocks, moved, strict=True):
                slope += np.outer(after - before - slope @ step, step) / (step @ step)
            x, predicted, blocks = wanted, tried, moved
            progress(f"step {turn + 1}: {np.sqrt(np.mean(blocks[0] ** 2)):.3f} dB rms")
        return _Minimum(x, predicted, blocks, slopes)

    def widened(self, found: _Minimum) -> tuple[FloatArray, Discrepancy]:
        """(K, K) covariance of the unknowns in widths, the model's own error in it, and that error.

        Of any estimate that is a straight line in the levels: their covariance carried through it, and what the
        expectation holds back. Never less than noise alone would leave, counted by how the errors of neighbours
        correlate. Where the angles that were held out err more than those fitted, so much larger is the model's error
        taken to be.
        """
        weights, noisy = self.weights(found.blocks), _covariance(self.weights(found.blocks), found.slopes)
        f, p, a = np.nonzero(self.used)
        seen = self.measured.observation
        places = places_of(seen.frequency[f], seen.plane[p], seen.off_axis[a])
        wrong = discrepancy_of(found.blocks[0], found.slopes[0], places, f, moved=found.x)
        wrong = replace(wrong, size=wrong.size * self.unseen(found.predicted))
        slopes = weights[0] ** 2 * found.slopes[0]
        middle = np.eye(noisy.shape[0]) + slopes.T @ wrong.covariance(places) @ slopes
        for weight, slope in zip(weights[1:], found.slopes[1:], strict=True):
            middle += (weight * slope).T @ (weight * slope)
        wider = np.sqrt(np.maximum(np.diag(noisy @ middle @ noisy) / np.diag(noisy), 1.0))
        return noisy * np.outer(wider, wider), wrong

    def unseen(self, predicted: Directivity) -> float:
        """How much larger the residuals are on the angles that were held out, at least 1."""
        with np.errstate(divide="ignore", invalid="ignore"):
            off = amplitude_db(self.measured.pressure) - amplitude_db(predicted.pressure)
        kept, left = (np.where(mine, off, np.nan) for mine in (self.used, self.cells & self.held_out))
        rows = np.isfinite(kept).any(axis=(1, 2)) & np.isfinite(left).any(axis=(1, 2))
        if not np.any(rows):
            return 1.0
        middle = np.nanmean(kept[rows], axis=(1, 2), keepdims=True)
        inside, outside = (float(np.sqrt(np.nanmean((each[rows] - middle) ** 2))) for each in (kept, left))
        return max(outside / max(inside, NOISE_FLOOR), 1.0)

    def _result(self, found: Sequence[_Minimum]) -> Calibration:
        """The first explanation, with intervals that reach over those that are nearly as good."""
        best = found[0]
        scales = self.scales(best.blocks)
        widths = [self.widened(each) for each in found]
        covariance, wrong = widths[0]
        reach = [np.sqrt(np.diag(each)) for each, _ in widths]
        error = reach[0]
        low = np.min([each.x - NINETY_FIVE * one for each, one in zip(found, reach, strict=True)], axis=0)
        high = np.max([each.x + NINETY_FIVE * one for each, one in zip(found, reach, strict=True)], axis=0)
        values = self.start + self.width * best.x
        fitted = tuple(
            Fitted(
                each,
                float(values[i]),
                float(each.width * error[i]),
                float(max(each.start + each.width * low[i], each.low)),
                float(min(each.start + each.width * high[i], each.high)),
                float(np.clip(1.0 - 0.5 * (high[i] - low[i]) / NINETY_FIVE, 0.0, 1.0)),
            )
            for i, each in enumerate(self.unknowns)
        )
        waveguide, air = applied(self.unknowns, values, self.waveguide, air=self.air)
        return Calibration(
            fitted=fitted,
            correlation=covariance / np.outer(error, error),
            waveguide=waveguide,
            air=air,
            measured=self.measured,
            before=self.before,
            after=best.predicted,
            held_out=self.held_out,
            cells=self.cells,
            noise=scales[0][0],
            variance_inflation=scales[0][1],
            solves=self.solves,
            explanations=len(_apart(found, error)),
            discrepancy=wrong.size,
        )


def _apart(found: Sequence[_Minimum], error: FloatArray) -> list[_Minimum]:
    """Those that differ by more than a standard error (K) from each before."""
    kept: list[_Minimum] = []
    for each in found:
        if all(np.any(np.abs(each.x - other.x) > error) for other in kept):
            kept.append(each)
    return kept


def _covariance(weights: FloatArray, slopes: Sequence[FloatArray]) -> FloatArray:
    """(K, K) of the unknowns in widths, noise and expectation together."""
    rows = [weight * slope for weight, slope in zip(weights, slopes, strict=True)]
    return np.asarray(np.linalg.inv(sum((each.T @ each for each in rows), np.eye(slopes[0].shape[1]))))


def _cost(weights: FloatArray, blocks: Sequence[FloatArray], x: FloatArray) -> float:
    fit = sum(float(np.sum((weight * block) ** 2)) for weight, block in zip(weights, blocks, strict=True))
    return fit + float(np.sum(x**2))


def _variance_inflation(residuals: FloatArray, axis: int) -> float:
    """(1 + a) / (1 - a) for the correlation a >= 0 of neighbours along an axis; nan where there is none."""
    rows = np.moveaxis(residuals, axis, 0)
    product = rows[1:] * rows[:-1]
    square = 0.5 * (rows[1:] ** 2 + rows[:-1] ** 2)
    known = np.isfinite(product)
    total = float(square[known].sum())
    a = float(np.clip(product[known].sum() / total, 0.0, MOST_ALIKE)) if total > 0.0 else 0.0
    return (1.0 + a) / (1.0 - a)
