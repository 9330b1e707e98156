"""Candidates: outcomes and their ranks, shares of the families, the descent; and hidden members found."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cheap_search import LIMITS, TEXT, hidden_target, refusing, searched
from evenflare import radiation
from evenflare.metrics import directivity_index
from evenflare.objective import search_observation
from evenflare.search import history_rows, plan, run_search
from evenflare.search.descent import Descent, quantised
from evenflare.search.worker import Job, Outcome, evaluate
from evenflare.waveguide import FAMILIES


def test_candidates_that_break_limits_are_kept_with_their_reason_and_not_solved(tmp_path):
    target = hidden_target(limits=replace(LIMITS, smallest_concave_radius=0.05), families=("conical",), candidates=20)
    result = searched(tmp_path, target, solver_factory=refusing)
    rows = list(history_rows(tmp_path))
    assert result.best is None
    assert not result.feasible
    assert result.nearest is not None
    assert re.match(r"the nearest, of family conical, breaks smallest_concave_radius_mm by [\d.]+", result.why)
    assert result.why.endswith("; most often broken is smallest_concave_radius_mm, by 18 of 18")
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


@given(
    families=st.lists(st.sampled_from(FAMILIES), min_size=1, unique=True),
    candidates=st.integers(60, 20000),
)
@settings(deadline=None)
def test_shares_use_every_candidate_and_are_fair(families, candidates):
    shares = plan(families, candidates)
    published = list(shares.published.values())
    assert sum(published) + shares.free + shares.polish == candidates
    assert shares.finalists >= max(100, candidates / 20 - 1)
    assert list(shares.published) == [family for family in families if family != "free"]
    if published and "free" in families:
        assert len(set(published)) == 1
        assert published[0] >= min(300, 0.9 * candidates // len(families) - 1)
        assert shares.free >= published[0]
    assert bool(shares.notes) == (bool(published) and min(published) < 300)


def test_six_families_of_3000_candidates_get_300_each():
    shares = plan(FAMILIES, 3000)
    assert set(shares.published.values()) == {300}
    assert shares.free == 1200
    assert shares.notes == ()
    assert plan(FAMILIES, 1998).notes == (
        "each published family gets 299 of 1998 candidates, fewer than the 300 that fit it reliably: 2000 candidates"
        " are enough for all",
    )
    assert plan(FAMILIES, 2000).notes == ()


def test_vectors_are_rounded_and_inside_the_unit_cube():
    assert quantised(np.array([-0.2, 0.12345678, 1.3, -1e-9])) == (0.0, 0.123457, 1.0, 0.0)


def test_descent_restarts_until_its_share_is_used_and_asks_for_no_more():
    starts = []

    def start(run):
        starts.append(run)
        return np.full(3, 0.5)

    descent = Descent("conical", 3, share=400, setting="screen", start=start, spread=0.3, seed=[1])
    asked, best = 0, np.inf
    while not descent.finished:
        vectors = descent.ask()
        values = [100 * float(np.sum((np.array(vector) - [0.2, 0.9, 0.5]) ** 2)) for vector in vectors]
        best = min(best, *values)
        asked += len(vectors)
        descent.tell(values, new=len(vectors))
    assert asked == 400
    assert starts == list(range(len(starts)))
    assert len(starts) > 1
    assert best < 1e-3  # the descent stops at changes of 2e-3, and the values are squares


def test_descent_that_finds_nothing_new_ends():
    descent = Descent("conical", 3, share=50, setting="screen", start=lambda run: np.full(3, 0.5), spread=0.3, seed=[1])
    for _ in range(100):
        if descent.finished:
            break
        descent.tell([1.0] * len(descent.ask()), new=0)
    assert descent.finished


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
    result = run_search(target, tmp_path, target_text=TEXT, workers=2)
    assert result.best.score.terms["index_db"] < 0.2
    assert result.best.score.value < 0.2
    found = solve(result.best.waveguide, search_observation(target), target.air)
    wanted = target.index_db
    # Plainly, without any weight of ours.
    assert np.sqrt(np.mean((directivity_index(found) - wanted) ** 2)) < 0.25
