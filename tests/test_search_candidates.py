"""Candidates: outcomes and their ranks, the evolution that looks for them; and hidden members found."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from cheap_search import LIMITS, TEXT, hidden_target, refusing, searched
from evenflare import radiation
from evenflare.metrics import directivity_index
from evenflare.objective import search_observation
from evenflare.search import history_rows, run_search
from evenflare.search.evolution import Evolution, quantised
from evenflare.search.worker import Job, Outcome, evaluate


def test_candidates_that_break_limits_are_kept_with_their_reason_and_not_solved(tmp_path):
    target = hidden_target(limits=replace(LIMITS, smallest_concave_radius=0.05), families=("conical",), candidates=20)
    result = searched(tmp_path, target, solver_factory=refusing)
    rows = list(history_rows(tmp_path))
    assert result.best is None
    assert not result.feasible
    assert result.nearest is not None
    assert re.match(r"the nearest, of family conical, breaks smallest_concave_radius_mm by [\d.]+", result.why)
    assert result.why.endswith("; most often broken is smallest_concave_radius_mm, by 20 of 20")
    assert result.stopped_by == "candidates"
    assert {row["feasible"] for row in rows} == {0}
    assert all(str(row["reason"]).startswith("breaks ") for row in rows)
    assert all("smallest_concave_radius_mm by" in str(row["reason"]) for row in rows)
    assert all(row["depth_mm"] is not None and row["score"] is None for row in rows)


def test_candidate_that_the_solver_refuses_is_an_outcome():
    outcome = evaluate(hidden_target(), refusing, Job("conical", (0.5, 0.5, 0.2), "screen"))
    assert outcome.value is None
    assert not outcome.feasible
    assert outcome.reason == "beyond this solver's reach"


def test_ranks_are_scores_then_violations_then_failures():
    def outcome(value, feasible, constraints):
        return Outcome(value, feasible, {}, constraints, {}, "")

    good = outcome(30.0, True, {"depth_mm": -1.0})
    near, far = (outcome(None, False, {"depth_mm": d, "mouth_diameter_mm": -5.0}) for d in (0.1, 400.0))
    broken = outcome(None, False, {})
    assert good.rank == 30.0
    assert good.rank < near.rank < far.rank < broken.rank


def test_vectors_are_rounded_and_inside_the_unit_cube():
    assert quantised(np.array([-0.2, 0.12345678, 1.3, -1e-9])) == (0.0, 0.123457, 1.0, 0.0)


def test_evolution_goes_down_a_sphere_and_repeats_for_a_seed():
    def asked(seed):
        evolution, found, values = Evolution(np.full(3, 0.5), spread=0.3, seed=[seed]), [], []
        for _ in range(40):
            vectors = evolution.ask()
            values += [float(np.sum((np.array(vector) - [0.2, 0.9, 0.5]) ** 2)) for vector in vectors]
            found += vectors
            evolution.tell(values[-len(vectors) :])
        return found, values

    found, values = asked(1)
    # On a sphere of three variables the strategy gains a factor of ten in about 60 tries: Hansen (2006), figure 9.
    assert min(values) < 1e-4
    assert asked(1)[0] == found
    assert asked(2)[0] != found


@pytest.mark.parametrize(("size", "count"), [(0, 1), (1, 6)])
def test_evolution_draws_what_is_too_small_for_it(size, count):
    evolution = Evolution(np.full(size, 0.5), spread=0.3, seed=[1])
    vectors = evolution.ask()
    evolution.tell([0.0] * len(vectors))
    assert len(vectors) == count
    assert all(len(vector) == size for vector in vectors)


def test_hidden_member_is_found_by_the_invented_solver(tmp_path):
    result = searched(tmp_path, hidden_target(families=("conical", "free"), candidates=400))
    # What a target made from a member is to be met within.
    assert result.best.score.terms["index_db"] < 0.2


@pytest.mark.slow
def test_hidden_oblate_spheroidal_member_is_found_by_the_march(tmp_path):
    solve = radiation.solver("full")
    target = hidden_target(
        solve, family="oblate_spheroidal", vector=(0.3, 0.7, 0.3), families=("oblate_spheroidal",), candidates=300
    )
    result = run_search(target, tmp_path, target_text=TEXT, workers=1)
    assert result.best.score.terms["index_db"] < 0.2
    assert result.best.score.value < 0.2
    found = solve(result.best.waveguide, search_observation(target), target.air)
    wanted = target.index_db
    # Plainly, without any weight of ours.
    assert np.sqrt(np.mean((directivity_index(found) - wanted) ** 2)) < 0.25
