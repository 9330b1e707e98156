"""Least squares by slopes: known minima, limits that bind, sides that cannot be solved."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.search.least_squares import Point, Slopes, best_step, descended, measured_slopes
from evenflare.search.worker import Outcome

REFUSED = Outcome(None, False, {}, {}, {}, "no such shape")


def outcome_of(deviations, limits=()):
    deviations = tuple(np.atleast_1d(deviations).tolist())
    kept = {f"limit_{i}": float(excess) for i, excess in enumerate(limits)}
    if any(excess > 0 for excess in kept.values()):
        return Outcome(None, False, {}, kept, {}, "breaks a limit")
    return Outcome(float(np.linalg.norm(deviations)), True, {}, kept, {}, "", deviations)


def driven(asking, judge):
    """What a descent returns, and every vector that it asked for."""
    asked, jobs = [], next(asking)
    while True:
        asked += [job.vector for job in jobs]
        try:
            jobs = asking.send([judge(np.array(job.vector)) for job in jobs])
        except StopIteration as end:
            return end.value, asked


def down(start, judge, **how):
    point = Point("free", np.array(start), "screen", judge(np.array(start)))
    slopes, first = driven(measured_slopes(point), judge)
    (found, _), then = driven(descended(point, slopes, **how), judge)
    return found, [*first, *then]


def rosenbrock(x):
    """On [0, 1]: x = (u + 2)/4. Its deviations' norm is 0 at u = (1, 1) only. H. Rosenbrock, Computer J. 3 (1960)."""
    u, v = 4.0 * x - 2.0
    return outcome_of([10.0 * (v - u**2), 1.0 - u])


def test_the_bottom_of_rosenbrock_s_valley_is_found():
    found, asked = down([0.2, 0.75], rosenbrock)
    # The method ends where a step gains less than 0.001 twice; the slope of the norm there is of order one.
    assert found.value < 0.01
    assert found.vector == pytest.approx([0.75, 0.75], abs=0.01)
    assert len(asked) < 200, "an evolution takes thousands"


def test_linear_deviations_need_one_step_where_no_limit_is_met():
    random = np.random.default_rng(3)
    matrix, wanted = random.normal(size=(9, 4)), np.array([0.45, 0.55, 0.5, 0.42])
    found, asked = down(np.full(4, 0.5), lambda x: outcome_of(np.append(matrix @ (x - wanted), 0.1)))
    assert found.vector == pytest.approx(wanted, abs=2e-6)  # vectors are rounded to six decimals
    assert len(asked) <= 4 + 2 + 4 + 2 + 2, "slopes, a step, and what it takes to see that no more is gained"


def test_a_limit_that_binds_is_met_and_never_broken_by_the_answer():
    # min (x - 0.9)^2 + (y - 0.9)^2 with x + y <= 1.1: at (0.55, 0.55), by symmetry.
    judge = lambda x: outcome_of(x - 0.9, [np.sum(x) - 1.1])  # noqa: E731
    found, _ = down([0.2, 0.4], judge)
    assert found.vector == pytest.approx([0.55, 0.55], abs=2e-3)
    assert found.outcome.constraints["limit_0"] <= 0.0


def test_the_best_step_is_that_of_another_solver():
    from scipy.optimize import lsq_linear

    random = np.random.default_rng(5)
    slopes = Slopes(random.normal(size=(12, 5)), np.zeros((0, 5)))
    point = Point("free", np.full(5, 0.5), "screen", outcome_of(random.normal(size=12)))
    for radius in (0.03, 0.3):
        known = lsq_linear(slopes.deviations, -np.array(point.outcome.deviations), bounds=(-radius, radius), tol=1e-12)
        # Both solvers end at 1e-10 of the square, whose root is what a variable is known to.
        assert best_step(slopes, point, radius) == pytest.approx(known.x, abs=3e-5)


def test_slopes_are_taken_from_the_side_that_can_be_solved():
    def judge(x):
        return REFUSED if x[0] > 0.3 or x[1] != 0.5 else outcome_of([2.0 * x[0], 1.0])

    point = Point("free", np.array([0.3, 0.5]), "screen", judge(np.array([0.3, 0.5])))
    slopes, asked = driven(measured_slopes(point), judge)
    assert slopes.deviations == pytest.approx(np.array([[2.0, 0.0], [0.0, 0.0]]), abs=1e-9)
    assert len(asked) == 4, "both sides of each, none further"


def test_slopes_at_the_edge_go_inward():
    point = Point("free", np.array([0.0, 1.0]), "screen", outcome_of([0.0, 1.0]))
    slopes, asked = driven(measured_slopes(point), lambda x: outcome_of(x))
    assert slopes.deviations == pytest.approx(np.eye(2), abs=1e-9)
    assert np.all((np.array(asked) >= 0.0) & (np.array(asked) <= 1.0))


def test_a_descent_that_is_not_worth_while_ends_after_a_step():
    assert len(down([0.2, 0.75], rosenbrock, goes_on=lambda value, gain: False)[1]) == 2 + 2


def test_without_measuring_only_steps_are_asked_for():
    _, asked = down([0.2, 0.75], rosenbrock, rounds=3, measures=False)
    assert len(asked) <= 2 + 3 * 2
