"""Least squares from one shape: slopes by differences, then steps within the limits and a region of trust.

What a score is made of, its deviations, is smooth in the shape, so its slopes say far more of the way down than its
rank does: a dozen solves for the slopes of as many variables and two for a step do what an evolution needs hundreds
for. Source: the Gauss-Newton method with a region of trust, J. Nocedal and S. Wright, Numerical optimization (2006),
sections 10.3 and 4.1; its update of slopes between two measurements of them, C. Broyden, Math. Comp. 19 (1965), 577.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.search.evolution import quantised
from evenflare.search.stages import Stage
from evenflare.search.worker import Job, Outcome
from evenflare.units import FloatArray

DIFFERENCE = 0.004
"""On [0, 1], of a variable, for its slopes: some tenths of a millimetre, over which a solver's own steps average."""
RADIUS, LARGEST_RADIUS, SMALLEST_RADIUS = 0.1, 0.4, 1e-3
"""On [0, 1]: how far a step may go in each variable, at first and ever; below the last one there is no more to gain."""
SHORT = 1.0 / 3.0
"""Beside every step one of this part of its radius is judged: it costs one candidate, and saves a round of waiting."""
ROUNDED = 1.004
"""Above 1, so that a short step is known as one though its vector is rounded."""
GOOD, POOR = 0.6, 0.25
"""Of the gain that the slopes promise: from there on they are trusted further, below it less."""
SETTLED = 0.001
"""dB that a step must gain; two in a row that do not are the end."""
SMALLEST_GAIN = 1e-9
"""dB, below which nothing was promised."""
MOST_ROUNDS = 100
MARGIN = 1e-6
"""By which a step keeps away from a limit, in the limit's unit."""


@dataclass(frozen=True)
class Point:
    """A candidate that was solved: its vector (n,) on [0, 1], and what became of it at a setting."""

    family: str
    vector: FloatArray
    setting: Stage
    outcome: Outcome

    @property
    def value(self) -> float:
        """dB, the score."""
        return self.outcome.rank

    def job(self, vector: FloatArray) -> Job:
        """Of another vector of the family, at the same setting."""
        return Job(self.family, quantised(vector), self.setting)


@dataclass(frozen=True)
class Slopes:
    """Over the variables: of the deviations (M, n), dB, and of each limit (K, n), in its unit."""

    deviations: FloatArray
    limits: FloatArray

    def updated(self, step: FloatArray, before: Outcome, after: Outcome) -> Slopes:
        """After a step (n,): changed along it, so that they give what it brought."""
        along = step / (step @ step)
        found = np.subtract(after.deviations, before.deviations), _excess(after, before) - _excess(before, before)
        return Slopes(
            self.deviations + np.outer(found[0] - self.deviations @ step, along),
            self.limits + np.outer(found[1] - self.limits @ step, along),
        )


def _excess(outcome: Outcome, like: Outcome) -> FloatArray:
    """By how much each limit is broken, in the order of another outcome."""
    return np.array([outcome.constraints.get(name, 0.0) for name in like.constraints])


def measured_slopes(point: Point) -> Generator[list[Job], Sequence[Outcome], Slopes]:
    """The slopes at a point, by one-sided differences at its setting.

    A variable whose neighbours on both sides cannot be solved rests: its slopes are 0.
    """
    base, size = point.outcome, point.vector.size
    inward = np.where(point.vector < 0.5, DIFFERENCE, -DIFFERENCE)
    slopes = Slopes(np.zeros((len(base.deviations), size)), np.zeros((len(base.constraints), size)))
    due = list(range(size))
    for sign in (1.0, -1.0):
        changed = {i: point.vector + sign * inward * (np.arange(size) == i) for i in due}
        inside = [i for i, vector in changed.items() if 0.0 <= vector[i] <= 1.0]
        outcomes = (yield [point.job(changed[i]) for i in inside]) if inside else []
        for i, outcome in zip(inside, outcomes, strict=True):
            if outcome.constraints:
                slopes.limits[:, i] = (_excess(outcome, base) - _excess(base, base)) / (sign * inward[i])
            if outcome.deviations and base.deviations:
                slopes.deviations[:, i] = np.subtract(outcome.deviations, base.deviations) / (sign * inward[i])
                due.remove(i)
    return slopes


def best_step(slopes: Slopes, point: Point, radius: float) -> FloatArray:
    """The step (n,) that by the slopes gains most, each variable within `radius` and [0, 1], every limit kept."""
    from scipy.optimize import minimize

    square, pull = slopes.deviations.T @ slopes.deviations, slopes.deviations.T @ np.array(point.outcome.deviations)
    excess = _excess(point.outcome, point.outcome)
    low, high = np.maximum(-radius, -point.vector), np.minimum(radius, 1.0 - point.vector)
    found = minimize(
        lambda step: 0.5 * step @ square @ step + pull @ step,
        np.zeros(point.vector.size),
        jac=lambda step: square @ step + pull,
        bounds=list(zip(low, high, strict=True)),
        constraints=[
            {
                "type": "ineq",
                "fun": lambda step: -(excess + slopes.limits @ step) - MARGIN,
                "jac": lambda step: -slopes.limits,
            }
        ],
        method="SLSQP",
        options={"maxiter": 200, "ftol": 1e-10},
    )
    return np.asarray(np.clip(found.x, low, high))


def descended(
    point: Point,
    slopes: Slopes,
    *,
    goes_on: Callable[[float, float], bool] = lambda value, gain: True,
    rounds: int = MOST_ROUNDS,
    measures: bool = True,
) -> Generator[list[Job], Sequence[Outcome], tuple[Point, Slopes]]:
    """Go down from a point by its slopes until no step gains enough; where that was, and the slopes there.

    goes_on  : goes_on(value, gain), asked after every step: the score now, and the last step's gain, dB.
    rounds   : of steps, at most.
    measures : slopes are measured again where those at hand fail; else they are only brought up to date by the steps.
    """
    radius, idle, fresh = RADIUS, 0, True
    for _ in range(rounds):
        found = yield from _tried(point, slopes, radius)
        if found is None and measures and not fresh:
            slopes, fresh = (yield from measured_slopes(point)), True
            continue
        if found is None:
            radius *= SHORT**2
            if radius < SMALLEST_RADIUS:
                break
            continue
        step = found.vector - point.vector
        gain, is_short = point.value - found.value, bool(np.abs(step).max() <= SHORT * radius * ROUNDED)
        promised = point.value - float(np.linalg.norm(point.outcome.deviations + slopes.deviations @ step))
        trusted = gain / max(promised, SMALLEST_GAIN)
        if is_short or trusted < POOR:
            radius *= SHORT
        elif trusted > GOOD:
            radius = min(2.0 * radius, LARGEST_RADIUS)
        slopes, point = slopes.updated(step, point.outcome, found.outcome), found
        idle = idle + 1 if gain < SETTLED else 0
        if idle == 2 or radius < SMALLEST_RADIUS or not goes_on(point.value, gain):
            break
        fresh = measures and (is_short or idle > 0 or trusted < GOOD)
        if fresh:
            slopes = yield from measured_slopes(point)
    return point, slopes


def _tried(point: Point, slopes: Slopes, radius: float) -> Generator[list[Job], Sequence[Outcome], Point | None]:
    """The better of a step and a short one, if it is better than the point."""
    jobs = [point.job(point.vector + best_step(slopes, point, each)) for each in (radius, SHORT * radius)]
    jobs = list(dict.fromkeys(jobs))
    outcomes = yield jobs
    better = [
        Point(point.family, np.array(job.vector), point.setting, outcome)
        for job, outcome in zip(jobs, outcomes, strict=True)
        if outcome.feasible and outcome.rank < point.value
    ]
    return min(better, key=lambda each: each.value, default=None)
