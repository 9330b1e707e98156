"""Searches for a whole front: against a grid, the same whatever the workers, the beginning of longer ones, resumed."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from cheap_search import LIMITS, OBLONG, cheap, hidden_target, oblong, oblong_target, searched
from commandline import TARGET
from evenflare.files import InputError
from evenflare.search import front_of, history_rows
from evenflare.search.front import nondominated
from evenflare.search.trading import Trading, along, costs_of
from evenflare.search.worker import Job, evaluate
from evenflare.target.quantities import Quantity
from evenflare.target.target import read_target
from evenflare.waveguide import ParameterSpace

SCORE, DEPTH = Quantity("score", "lower"), Quantity("depth_mm", "lower")
MOUTH, RADIUS = Quantity("mouth_diameter_mm", "lower"), Quantity("smallest_concave_radius_mm", "higher")


def traded(**others):
    return hidden_target(trade=(SCORE, DEPTH), vector=(0.9, 0.9, 0.3), **({"candidates": 150} | others))


def area(costs, reference) -> float:
    """Of what points (N, 2) beat, up to a reference: strips between them."""
    found, top = 0.0, reference[1]
    for x, y in sorted(map(tuple, costs)):
        if x < reference[0] and y < top:
            found, top = found + (reference[0] - x) * (top - y), y
    return found


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A whole run's target, result and history."""
    folder = tmp_path_factory.mktemp("run")
    return searched(folder, traded()), list(history_rows(folder)), folder


def screened(rows):
    """Those at screen; columns of families that a run did not reach are not there."""
    return [
        {name: value for name, value in row.items() if value is not None} for row in rows if row["stage"] == "screen"
    ]


def test_front_of_a_family_is_as_good_as_that_of_a_grid(tmp_path):
    target = traded(families=("conical",), candidates=343)
    # Seven steps of each of three parameters, and as many candidates. The grid's own steps leave it behind the true
    # front: a grid of eleven steps beats 1.06 times as much, the search 1.05 to 1.06 times on six seeds.
    axis = np.linspace(0.0, 1.0, 7).tolist()
    grid = [Job("conical", vector, "screen") for vector in itertools.product(axis, repeat=3)]
    reached = np.array([costs for job in grid if (costs := costs_of(evaluate(target, cheap, job), target.trade))])
    searched(tmp_path, target)
    costs = np.array([each.values for each in front_of(history_rows(tmp_path), stage="screen").members])
    corner = reached[nondominated(reached)].max(axis=0)
    assert area(costs, corner) > 1.02 * area(
        reached, corner
    )  # halfway between what any search must do and the worst of those seeds
    best = reached.min(axis=0)
    assert np.all(costs.min(axis=0) < best + 0.02 * (corner - best))  # both ends are reached


def test_history_is_the_same_with_two_workers(run, tmp_path):
    searched(tmp_path, traded(), workers=2)
    assert list(history_rows(tmp_path)) == run[1]


def test_shorter_run_is_the_beginning_of_the_longer_one(run, tmp_path):
    searched(tmp_path, traded(candidates=100))
    rows = screened(history_rows(tmp_path))
    assert rows == screened(run[1])[: len(rows)]
    assert len(rows) > 90  # a few steps are judged at full alone


@pytest.mark.parametrize("moment", [3, 130])
def test_interrupted_run_resumes(run, tmp_path, moment):
    seen = []

    def progress(standing):
        seen.append(standing)
        if len(seen) == moment:
            raise KeyboardInterrupt

    assert searched(tmp_path, traded(), progress=progress).stopped_by == "interrupted"
    searched(tmp_path, traded())
    assert list(history_rows(tmp_path)) == run[1]


def test_global_random_state_is_neither_read_nor_set(run, tmp_path):
    np.random.seed(99)  # noqa: NPY002 - the state that a library might use
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    searched(tmp_path, traded(candidates=100))
    assert np.array_equal(np.random.get_state()[1], before)  # noqa: NPY002
    assert screened(history_rows(tmp_path)) == screened(run[1])[: len(screened(history_rows(tmp_path)))]


def test_another_seed_asks_for_other_candidates(run, tmp_path):
    searched(tmp_path, traded(candidates=100), seed=2)
    # The middle of each family alone is looked at whatever the seed.
    depths = [{row["depth_mm"] for row in screened(rows)} for rows in (history_rows(tmp_path), run[1])]
    assert len(depths[0] & depths[1]) < 5


def test_whole_front_is_judged_at_full_and_the_free_curve_takes_part(run):
    result, rows, _ = run
    front = front_of(rows)
    assert front.stage == "full"
    assert {row["family"] for row in screened(rows)} == {"conical", "exponential", "free"}
    assert result.best is not None
    assert result.best.number == front.marked["lowest_score"].number


def test_what_breaks_a_limit_ranks_behind_all_that_keeps_them():
    trading = Trading(traded(), 1)
    jobs = trading.asks()
    good, bad = (evaluate(trading.target, cheap, jobs[i]) for i in (0, 1))
    trading._set_scale([costs for each in (good, bad) if (costs := costs_of(each, trading.quantities))])
    tight = traded(limits=LIMITS.__class__(**{**vars(LIMITS), "smallest_concave_radius": 0.05}))
    tighter = traded(limits=LIMITS.__class__(**{**vars(LIMITS), "smallest_concave_radius": 0.5}))
    broken, worse = (evaluate(each, cheap, jobs[0]) for each in (tight, tighter))
    assert costs_of(broken, trading.quantities) is None
    kept = max(trading._point(good) + trading._point(bad))
    assert kept <= 1.0 < trading._point(broken)[0] < trading._point(worse)[0]
    assert len(set(trading._point(worse))) == 1


def test_three_quantities_of_oblong_waveguides(tmp_path):
    target = oblong_target(
        trade=(SCORE, DEPTH, Quantity("mouth_width_mm", "lower")), families=("conical",), candidates=60
    )
    searched(tmp_path, target, solver_factory=oblong)
    rows = list(history_rows(tmp_path))
    assert {row["stage"] for row in rows} == {"screen", "full"}  # an estimate would rank too badly
    front = front_of(rows, [each.name for each in target.trade])
    assert len(front.members) > 5
    space = ParameterSpace("conical", OBLONG)
    assert {each.end for each in target.trade} <= set(front.marked)
    assert len(space.names) == 6


def test_front_is_thinned_from_end_to_end():
    jobs = [(Job("conical", (float(i),), "screen"), (float(i), 10.0 - i)) for i in range(11)]
    beaten = [(Job("conical", (0.5,), "screen"), (20.0, 20.0))]
    assert [job.vector[0] for job in along([*beaten, *jobs], 3)] == [0.0, 5.0, 10.0]
    assert len(along(jobs, 100)) == 11
    assert along([], 5) == []


@pytest.mark.parametrize(
    ("trade", "words"),
    [
        (
            '["score"]',
            r"must be 2 to 3 quantities, of score, index_db, .*depth_mm, mouth_diameter_mm, smallest_concave",
        ),
        (
            '["score", "dept_mm"]',
            r'\[search\] trade = \["score", "dept_mm"\]: dept_mm: must be one of score, .* mean depth_mm\?',
        ),
        ('["score", "room_db"]', r"room_db: must be one of score, index_db, smoothness_frequency_db"),
        ('["score", "depth_mm", "index_db", "mouth_diameter_mm"]', r"must be 2 to 3 quantities"),
        ('["score", "score"]', r"score: is named twice"),
        ('"score"', r"must be a list"),
        ("[1, 2]", r"must be text"),
    ],
)
def test_target_that_trades_nonsense_is_refused(tmp_path, trade, words):
    path = tmp_path / "target.toml"
    path.write_text(TARGET + f"trade = {trade}\n")
    with pytest.raises(InputError, match=words):
        read_target(path)


def test_target_file_says_what_is_traded(tmp_path):
    path = tmp_path / "target.toml"
    path.write_text(TARGET + 'trade = ["score", "smallest_concave_radius_mm", "depth_mm:higher"]\n')
    assert read_target(path).trade == (SCORE, RADIUS, Quantity("depth_mm", "higher"))
