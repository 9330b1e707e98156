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

from evenflare.radiation import Setting
from evenflare.search.descent import Vector, quantised
from evenflare.search.worker import Job, Outcome
from evenflare.units import FloatArray

Asking = Generator[list[Job], Sequence[Outcome], "Point"]
"""Yields what is to be judged, is sent what became of it, and returns where it ended."""

DIFFERENCE = 0.004
"""On [0, 1], of a variable, for its slopes: some tenths of a millimetre, over which a solver's own steps average."""
RADIUS, LARGEST_RADIUS, SMALLEST_RADIUS = 0.1, 0.4, 1e-3
"""On [0, 1]: how far a step may go in each variable, at first and ever; below the last one there is no more to gain."""
SHORT = 1.0 / 3.0
"""Beside every step one of this part of its radius is judged: it costs one candidate, and saves a round of waiting."""
GOOD, POOR = 0.6, 0.25
"""Of the gain that the slopes promise: from there on they are trusted further, below it less."""
SETTLED = 0.001
"""dB that a step must gain; two in a row that do not are the end."""
MARGIN = 1e-6
"""By which a step keeps away from a limit, in the limit's unit."""


@dataclass(frozen=True)
class Point:
    """A candidate that was solved: its vector (n,) on [0, 1], and what became of it at a setting."""

    family: str
    vector: FloatArray
    setting: Setting
    outcome: Outcome

    @property
    def value(self) -> float:
        """dB, the score."""
        return self.outcome.rank

    def job(self, vector: FloatArray, setting: Setting) -> Job:
        """Of another vector of the family."""
        return Job(self.family, quantised(vector), setting)


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


def measured_slopes(point: Point, setting: Setting) -> Generator[list[Job], Sequence[Outcome], Slopes]:
    """The slopes at a point, by one-sided differences at a setting.

    A variable whose neighbours on both sides cannot be solved rests: its slopes are 0.
    """
    base, size = point.outcome, point.vector.size
    if setting != point.setting:
        (base,) = yield [point.job(point.vector, setting)]
    inward = np.where(point.vector < 0.5, DIFFERENCE, -DIFFERENCE)
    slopes = Slopes(np.zeros((len(base.deviations), size)), np.zeros((len(base.constraints), size)))
    due = list(range(size))
    for sign in (1.0, -1.0):
        changed = {i: point.vector + sign * inward * (np.arange(size) == i) for i in due}
        inside = [i for i, vector in changed.items() if 0.0 <= vector[i] <= 1.0]
        outcomes = (yield [point.job(changed[i], setting) for i in inside]) if inside else []
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
            {"type": "ineq", "fun": lambda step: -(excess + slopes.limits @ step) - MARGIN, "jac": lambda step: -slopes.limits}
        ],
        method="SLSQP",
        options={"maxiter": 200, "ftol": 1e-10},
    )
    return np.asarray(np.clip(found.x, low, high))


def descended(
    point: Point, *, slopes_at: Setting, goes_on: Callable[[float, float], bool] = lambda value, gain: True, slopes: Slopes | None = None,
    most: int | None = None,
) -> Generator[list[Job], Sequence[Outcome], tuple[Point, Slopes]]:
    """Go down from a point until no step gains enough, and say where that was.

    slopes_at : the setting at which slopes are measured; the steps are judged at the point's own.
    goes_on   : goes_on(value, gain), asked after every step: the score now, and the last step's gain, dB.
    """
    radius, idle, rounds = RADIUS, 0, 0
    fresh = slopes is None
    if slopes is None:
        slopes = yield from measured_slopes(point, slopes_at)
    while radius >= SMALLEST_RADIUS and idle < 2 and (most is None or rounds < most):
        rounds += 1
        radii = radius, SHORT * radius
        vectors = [point.vector + best_step(slopes, point, each) for each in radii]
        jobs = [point.job(vector, point.setting) for vector in vectors]
        outcomes = yield list(dict.fromkeys(jobs))
        by_job = dict(zip(dict.fromkeys(jobs), outcomes, strict=True))
        found = [by_job[job] for job in jobs]
        best = min((0, 1), key=lambda i: (not (found[i].feasible and found[i].deviations), found[i].rank))
        after = Point(point.family, np.array(jobs[best].vector), point.setting, found[best])
        gain = point.value - after.value if after.outcome.feasible and after.outcome.deviations else -np.inf
        step = after.vector - point.vector
        if not gain > 0.0:
            if fresh:
                radius *= SHORT**2
            else:
                slopes = yield from measured_slopes(point, slopes_at)
                fresh = True
            continue
        promised = point.value - float(np.linalg.norm(point.outcome.deviations + slopes.deviations @ step))
        trusted = gain / max(promised, 1e-9)
        if best == 0 and trusted > GOOD:
            radius = min(2.0 * radius, LARGEST_RADIUS)
        elif best == 1 or trusted < POOR:
            radius = radius * SHORT if best == 1 else 0.5 * radius
        idle = idle + 1 if gain < SETTLED else 0
        slopes = slopes.updated(step, point.outcome, after.outcome)
        point = after
        if not goes_on(point.value, gain):
            break
        if trusted < GOOD or idle or best == 1:
            if idle < 2:
                slopes = yield from measured_slopes(point, slopes_at)
                fresh = True
        else:
            fresh = False
    return point, slopes
