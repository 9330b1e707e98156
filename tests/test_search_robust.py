"""Searches that rank by units as a process makes them."""

from __future__ import annotations

import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cheap_search import FREQUENCY, LIMITS, cheap, hidden_target, searched
from evenflare.air import Air
from evenflare.closed_forms import piston_pattern
from evenflare.commands.forgiving import robust_lines
from evenflare.directivity.types import Directivity, Observation
from evenflare.metrics import directivity_index
from evenflare.objective import score, search_observation
from evenflare.radiation import solver
from evenflare.search import Winner, history_rows, run_search
from evenflare.search import forgiving as module
from evenflare.search.evolution import quantised
from evenflare.search.forgiving import length_of
from evenflare.search.starts import Start
from evenflare.search.store import STORE
from evenflare.search.worker import Job, evaluate, waveguide_of
from evenflare.target.robust import Robust
from evenflare.target.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import ParameterSpace, Waveguide
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.deviated import deviated
from evenflare.waveguide.scatter import units
from test_search_robust_files import read

ROUGH = Accuracy(spread=3e-4, correlation_length=0.03, scale_spread=0.004, source="invented")


def robust_target(accuracy: Accuracy = ROUGH, k: float = 1.0, **others) -> Target:
    return hidden_target(robust=Robust("invented", k, accuracy), **others)


# The estimate and the samples


@pytest.mark.parametrize("size", [0.0, 0.3, 2.0])
def test_mean_and_spread_of_a_length_are_those_of_many_gaussian_vectors(size: float) -> None:
    """size : of the mean against a scatter of about 1."""
    random = np.random.default_rng(1)
    mean, factors = size * random.standard_normal(20) / np.sqrt(20.0), random.standard_normal((20, 8)) / np.sqrt(160.0)
    drawn = np.linalg.norm(mean + random.standard_normal((200_000, 8)) @ factors.T, axis=1)
    middle, spread = length_of(mean, factors)
    # The delta method's next order, 1 / (8 times the degrees of freedom) of the mean and several times that of the
    # spread; sampling leaves 0.2 %.
    assert middle == pytest.approx(drawn.mean(), rel=0.01)
    assert spread == pytest.approx(drawn.std(), rel=0.06)


def vector_of(target: Target) -> tuple[float, ...]:
    return quantised(np.full(len(ParameterSpace("conical", target.limits).names), 0.4))


def test_an_estimate_is_mean_plus_k_spreads_and_the_length_of_its_deviations() -> None:
    target = robust_target(k=2.0)
    plain = replace(target, robust=None)
    job = Job("conical", vector_of(target), "screen")
    found, drawn = evaluate(target, cheap, job), evaluate(plain, cheap, job)
    assert found.scatter.nominal == pytest.approx(drawn.value, rel=1e-12)  # the same solution
    assert found.scatter.units == 0
    assert found.value == found.scatter.mean + 2.0 * found.scatter.spread
    assert np.linalg.norm(found.deviations) == pytest.approx(found.value, rel=1e-6)  # single precision
    assert len(found.deviations) == len(drawn.deviations) + 1
    assert found.terms == drawn.terms


def test_a_bias_moves_the_mean_to_the_score_of_the_biased_wall() -> None:
    accuracy = Accuracy(bias=3e-3, spread=1e-7, source="invented")
    target = robust_target(accuracy)
    found = evaluate(target, cheap, Job("conical", vector_of(target), "screen"))
    waveguide = waveguide_of(target, "conical", vector_of(target))
    biased = deviated(waveguide, units(replace(accuracy, spread=0.0), waveguide, seed=1, count=1)[0], splined=True)
    there = score(cheap("screen")(biased, search_observation(target), target.air), waveguide, target)
    assert found.scatter.mean == pytest.approx(there.value, rel=1e-5)  # a spread of 0.1 micrometres beside 3 mm
    assert dict(found.terms) == pytest.approx(dict(there.terms), rel=1e-6)  # splines
    at_full = evaluate(target, cheap, Job("conical", vector_of(target), "full")).scatter
    assert at_full.mean == pytest.approx(there.value, rel=1e-5)
    assert abs(there.value - at_full.nominal) > 0.01


def test_of_a_process_with_a_bias_the_drawn_shape_is_not_solved_before_full(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "UNITS", 2)
    target = robust_target(replace(ROUGH, bias=1e-4), families=("conical",), candidates=120)
    found = searched(tmp_path / "run", target)
    by_stage = {stage: [row for row in rows(tmp_path / "run") if row["stage"] == stage] for stage in ("screen", "full")}
    assert {row["nominal_db"] for row in by_stage["screen"]} == {None}
    assert all(row["nominal_db"] > 0.0 for row in by_stage["full"] if row["feasible"])
    assert searched(tmp_path / "run", target) == found  # read back
    assert found.best.score.value == found.best.scatter.nominal
    cut_short = replace(found.best, scatter=replace(found.best.scatter, nominal=np.inf, units=0), setting="screen")
    assert robust_lines(replace(found, best=cut_short), target)[0].endswith("as drawn not solved by then")


def test_sampled_units_are_those_of_the_process_solved_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "UNITS", 6)
    target = robust_target(k=1.5)
    found = evaluate(target, cheap, Job("conical", vector_of(target), "units"))
    waveguide, observation = waveguide_of(target, "conical", vector_of(target)), search_observation(target)
    scores = [
        score(cheap("full")(deviated(waveguide, each, splined=True), observation, target.air), waveguide, target).value
        for each in units(ROUGH, waveguide, seed=module.SEED, count=6)
    ]
    assert found.scatter.units == 6
    assert found.scatter.mean == pytest.approx(np.mean(scores), rel=1e-12)  # rounding
    assert found.scatter.spread == pytest.approx(np.std(scores, ddof=1), rel=1e-12)  # rounding
    assert found.value == found.scatter.mean + 1.5 * found.scatter.spread


def some_refused(setting):
    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        if waveguide.depth > refused_beyond:
            raise ValueError("turns too sharply")
        return cheap(setting)(waveguide, observation, air)

    return solve


refused_beyond = 1.0


def test_units_that_cannot_be_solved_are_left_out_and_counted_up_to_a_quarter(monkeypatch: pytest.MonkeyPatch) -> None:
    target = robust_target()
    waveguide = waveguide_of(target, "conical", vector_of(target))
    depths = sorted(
        deviated(waveguide, each, splined=True).depth for each in units(ROUGH, waveguide, seed=module.SEED, count=64)
    )
    job = Job("conical", vector_of(target), "units")
    monkeypatch.setitem(globals(), "refused_beyond", 0.5 * (depths[55] + depths[56]))
    assert evaluate(target, some_refused, job).scatter.units == 56
    monkeypatch.setitem(globals(), "refused_beyond", 0.5 * (depths[45] + depths[46]))
    found = evaluate(target, some_refused, job)
    assert found.value is None
    assert found.reason == "18 of 64 units as they come out cannot be solved: turns too sharply"


def test_an_estimate_takes_two_solutions_more_and_at_full_three_with_a_bias() -> None:
    solved = []

    def counting(setting):
        return lambda *each: (solved.append(setting), cheap(setting)(*each))[1]

    for accuracy, at_full in ((ROUGH, 3), (replace(ROUGH, bias=1e-4), 4)):
        target = robust_target(accuracy)
        for stage, count in (("screen", 3), ("full", at_full)):
            evaluate(target, counting, Job("conical", vector_of(target), stage))
            assert solved == [stage] * count
            solved.clear()


# A shape that is best on paper alone


def two_valleys(setting):
    """A mouth's index is right in a narrow valley and, to a few hundredths of its size, in a wide one."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        mouth = waveguide.meridian.mouth_radius
        narrow, wide = (mouth - 0.08) / 2e-4, (mouth - 0.1) / 2e-2
        off = min(np.hypot(0.3 * narrow, 0.0), np.hypot(0.03, 0.3 * wide))
        size = 2 * np.pi * observation.frequency / air.speed_of_sound * 0.05 * (1.0 + min(off, 0.6))
        pattern = piston_pattern(size, observation.off_axis).astype(complex)
        pattern[:, observation.off_axis > 0.5 * np.pi + 1e-9] = 0.0
        valid = np.ones(size.size, bool)
        return Directivity(observation, pattern[:, None, :], valid, air.density, air.speed_of_sound, half_space=True)

    return solve


@pytest.mark.parametrize("stage", ["screen", "full", "units"])
def test_a_narrow_valley_ranks_first_as_drawn_and_a_wide_one_as_made(stage: str) -> None:
    piston = Observation(FREQUENCY, np.arange(37) * 5 * DEGREE)
    pattern = piston_pattern(2 * np.pi * FREQUENCY / 343.2 * 0.05, piston.off_axis).astype(complex)
    pattern[:, piston.off_axis > 0.5 * np.pi + 1e-9] = 0.0
    sound = Directivity(piston, pattern[:, None, :], np.ones(24, bool), 1.2041, 343.2, half_space=True)
    target = robust_target(index_db=directivity_index(sound))
    space = ParameterSpace("conical", LIMITS)
    place = space.names.index("mouth_radius") if "mouth_radius" in space.names else None
    assert place is not None, space.names
    ranks = {}
    for radius in (0.08, 0.1):
        vector = np.full(len(space.names), 0.4)
        low, high = LIMITS.mouth_diameter
        vector[place] = (2 * radius - low) / (high - low)
        outcome = evaluate(target, two_valleys, Job("conical", tuple(vector.tolist()), stage))
        assert outcome.feasible, outcome.reason
        ranks[radius] = outcome.scatter.nominal, outcome.value
    assert ranks[0.08][0] < ranks[0.1][0]
    assert ranks[0.08][1] > ranks[0.1][1]


# Runs


def rows(folder: Path) -> list[dict[str, object]]:
    return list(history_rows(folder))


def test_a_run_is_the_same_for_any_workers_and_however_often_it_was_stopped(tmp_path, monkeypatch):
    """Workers that share this process, and so the few units."""
    monkeypatch.setattr(module, "UNITS", 4)
    target = robust_target(families=("conical",), candidates=24)
    whole = searched(tmp_path / "whole", target)
    with ThreadPoolExecutor(2) as two:
        assert searched(tmp_path / "two", target, executor=two) == whole
    assert rows(tmp_path / "two") == rows(tmp_path / "whole")
    stopped = tmp_path / "stopped"
    searched(stopped, target, minutes=0.002)
    assert 0 < len(rows(stopped)) < len(rows(tmp_path / "whole"))
    assert searched(stopped, target) == whole
    screened = [[row for row in rows(each) if row["stage"] == "screen"] for each in (stopped, tmp_path / "whole")]
    assert screened[0] == screened[1]


def test_the_winner_is_the_best_over_units_and_the_best_drawn_shape_stands_beside_it(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "UNITS", 8)
    target = robust_target(families=("conical",), candidates=24)
    found = searched(tmp_path / "run", target)
    sampled = [row for row in rows(tmp_path / "run") if row["stage"] == "units"]
    assert 1 < len(sampled) <= 6
    assert all(row["units"] == 8 for row in sampled)
    best, drawn = min(sampled, key=lambda row: row["score"]), min(sampled, key=lambda row: row["nominal_db"])
    assert (found.best.number, found.best.value) == (best["number"], best["score"])
    assert best["score"] == best["mean_db"] + best["spread_db"]
    assert (found.nominal.number, found.nominal.scatter.nominal) == (drawn["number"], drawn["nominal_db"])
    full = [row for row in rows(tmp_path / "run") if row["stage"] == "full" and row["feasible"]]
    assert drawn["number"] == min(full, key=lambda row: row["nominal_db"])["number"]
    assert found.best.score.value == found.best.scatter.nominal
    words = robust_lines(found, target)
    assert "from 8 sampled units of invented" in words[0]
    assert f"{best['score']:.3f} dB, mean {best['mean_db']:.3f} plus 1 standard deviation of" in words[0]


def test_a_run_that_is_killed_goes_on_as_it_would_have(tmp_path, monkeypatch):
    """Every finished candidate is kept with its scatter; what was lost is asked again, in order."""
    monkeypatch.setattr(module, "UNITS", 4)
    target = robust_target(families=("conical",), candidates=20)
    whole = searched(tmp_path / "whole", target)
    shutil.copytree(tmp_path / "whole", tmp_path / "killed")
    with closing(sqlite3.connect(tmp_path / "killed" / STORE)) as connection, connection:
        for table in ("candidate", "deviation", "scatter"):
            connection.execute(f"DELETE FROM {table} WHERE number > 11")
    assert searched(tmp_path / "killed", target) == whole
    assert rows(tmp_path / "killed") == rows(tmp_path / "whole")


def test_history_of_an_ordinary_search_has_no_more_columns_than_it_had(tmp_path):
    searched(tmp_path / "run", hidden_target(families=("conical",), candidates=12))
    assert not {"nominal_db", "mean_db", "spread_db", "units"} & set(rows(tmp_path / "run")[0])


# Files


STEEP = """name = "steep"
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [2000, 5000, 8000, 11000, 14000]
index_db = [8, 9, 9.5, 9.5, 9.5]
tolerance_db = [1.0, 0.5, 0.5, 0.5, 0.5]
[limits]
depth_mm = [40, 110]
mouth_diameter_mm = [120, 200]
[search]
families = ["oblate_spheroidal"]
seed = 1
robust = true
process = "casting"
"""


@pytest.mark.slow
def test_as_made_the_robust_winner_is_no_worse_than_the_nominal_one(tmp_path, monkeypatch):
    """Of an ordinary search, at which the robust one begins; fresh units of both, solved by the march."""
    monkeypatch.setattr(module, "UNITS", 16)
    target = read(tmp_path, STEEP)
    nominal = run_search(replace(target, robust=None), tmp_path / "plain", target_text=STEEP, candidates=50).best
    start = Start("plain", nominal.family, vector_in(target, nominal), 0.0)
    found = run_search(target, tmp_path / "robust", target_text=STEEP, candidates=50, starts=[start])
    monkeypatch.setattr(module, "SEED", 1)
    monkeypatch.setattr(module, "UNITS", 32)
    jobs = [Job(each.family, vector_in(target, each), "units") for each in (found.best, nominal)]
    robust, drawn = (evaluate(target, solver, job) for job in jobs)
    # By the run's own 16 units it is no worse; of two shapes so near, other units tell the difference to 0.001 dB.
    assert robust.value <= drawn.value + 1e-3
    assert found.nominal.scatter.nominal <= nominal.value + 1e-6  # the start itself, or better
    estimate = evaluate(target, solver, jobs[0]._replace(setting="full")).scatter
    assert estimate.mean == pytest.approx(robust.scatter.mean, rel=0.05)  # some spreads
    assert 0.5 < estimate.spread / robust.scatter.spread < 2.0  # two waves stand for all; measured 0.7 to 1.3


def vector_in(target: Target, winner: Winner) -> tuple[float, ...]:
    return quantised(ParameterSpace(winner.family, target.limits, target.driver).vector(winner.waveguide))
