"""The search on a cheap invented solver: order, store, resume, limits; and on the real one, a hidden member found."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import evenflare.search.request as request_module
from evenflare import radiation
from evenflare.air import Air
from evenflare.closed_forms import piston_pattern
from evenflare.directivity import Directivity, Observation
from evenflare.files import InputError
from evenflare.metrics import directivity_index
from evenflare.objective import search_observation
from evenflare.search import check_search, history_rows, loop, nearest, plan, run_search
from evenflare.search.descent import Descent, quantised
from evenflare.search.store import STORE, opened
from evenflare.search.worker import Job, Outcome, evaluate
from evenflare.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import FAMILIES, Driver, Limits, Mounting, ParameterSpace, Waveguide

LIMITS = Limits(depth=(0.06, 0.14), mouth_diameter=(0.14, 0.22))
FREQUENCY = np.geomspace(900.0, 12000.0, 24)
TEXT = 'name = "hidden"'


def cheap_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    """Two pistons side by side in size, the larger as strong as the wall is steep: invented, smooth in the shape."""
    meridian = waveguide.meridian
    size = 2 * np.pi * observation.frequency / air.speed_of_sound
    steep = float(np.mean(meridian.dense.angle))
    pattern = piston_pattern(size * meridian.mouth_radius / 2, observation.off_axis)
    pattern = pattern + steep * piston_pattern(size * meridian.depth / 4, observation.off_axis)
    pattern[:, observation.off_axis > 0.5 * np.pi + 1e-9] = 0.0
    valid = np.ones(size.size, bool)
    return Directivity(observation, pattern[:, None, :], valid, air.density, air.speed_of_sound, half_space=True)


def slow_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    time.sleep(0.02)
    return cheap_solve(waveguide, observation, air)


def refusing_solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
    raise ValueError("beyond this solver's reach")


def cheap(setting):
    return cheap_solve


def slow(setting):
    return slow_solve


def refusing(setting):
    return refusing_solve


def hidden_target(solve=cheap_solve, *, family="conical", vector=(0.4, 0.6, 0.3), **others) -> Target:
    """A target made from a member of a family."""
    waveguide = ParameterSpace(family, LIMITS).waveguide(np.array(vector))
    directivity = solve(waveguide, Observation(FREQUENCY, np.arange(37) * 5 * DEGREE), Air())
    values = {
        "name": "hidden",
        "driver": Driver(),
        "mounting": Mounting(),
        "air": Air(),
        "index_kind": "sphere",
        "frequency": FREQUENCY,
        "index_db": directivity_index(directivity),
        "tolerance_db": np.full(24, 0.5),
        "weight": np.ones(24),
        "beamwidth": None,
        "crossover": None,
        "limits": LIMITS,
        "families": ("conical", "exponential", "free"),
        "candidates": 90,
        "seed": 1,
    }
    return Target(**(values | others))


def searched(folder: Path, target: Target | None = None, **others):
    arguments = {"target_text": TEXT, "solver_factory": cheap}
    return run_search(target or hidden_target(), folder, **(arguments | others))


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """A whole run: its result, and its history."""
    folder = tmp_path_factory.mktemp("undisturbed")
    return searched(folder), list(history_rows(folder))


def test_history_is_the_same_with_two_workers(undisturbed, tmp_path):
    searched(tmp_path, workers=2)
    assert list(history_rows(tmp_path)) == undisturbed[1]


def test_candidates_are_numbered_without_gap_or_duplicate(undisturbed):
    result, rows = undisturbed
    assert [row["number"] for row in rows if row["stage"] == "screen"] == list(range(1, 82))
    assert sorted({row["number"] for row in rows}) == list(range(1, 91))
    assert result.asked == 90
    assert result.stopped_by == "candidates"
    assert {"number", "stage", "score", "feasible", "index_db", "depth_mm", "wall_angle_deg"} <= set(rows[0])
    assert [(row["number"], row["stage"]) for row in rows] == sorted(
        ((row["number"], row["stage"]) for row in rows), key=lambda at: (at[0], ("screen", "full").index(at[1]))
    )


def test_another_seed_asks_for_other_candidates(undisturbed, tmp_path):
    searched(tmp_path, seed=2)
    assert [row["depth_mm"] for row in history_rows(tmp_path)] != [row["depth_mm"] for row in undisturbed[1]]


def test_global_random_state_is_neither_read_nor_set(undisturbed, tmp_path):
    np.random.seed(99)  # noqa: NPY002 - the state that a library might use
    before = np.random.get_state()[1].copy()  # noqa: NPY002
    searched(tmp_path)
    assert np.array_equal(np.random.get_state()[1], before)  # noqa: NPY002
    assert list(history_rows(tmp_path)) == undisturbed[1]


def test_finished_run_is_read_back_without_solving(tmp_path):
    first = searched(tmp_path)
    again = searched(tmp_path, solver_factory=refusing)
    assert again == first


def test_winner_is_the_best_at_full_and_not_worse_than_the_best_published(undisturbed):
    result, rows = undisturbed
    full = [row["score"] for row in rows if row["stage"] == "full" and row["feasible"]]
    assert result.best.score.value == min(full)
    published = min(
        row["score"] for row in rows if row["stage"] == "full" and row["feasible"] and row["family"] != "free"
    )
    assert result.gain == pytest.approx(published - min(full))
    assert result.gain >= 0
    assert [winner.family for winner in result.winners] == ["conical", "exponential", "free"]
    assert all(winner.setting == "full" for winner in result.winners)


def main(folder: str) -> None:
    """A run in a process of its own, slow enough to be killed on the way."""
    run_search(hidden_target(), Path(folder), target_text=TEXT, solver_factory=slow, workers=2)


def children(pid: int) -> list[int]:
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    return [int(child) for child in text.split()]


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads the system's list of processes")
def test_run_killed_and_resumed_has_the_undisturbed_history(undisturbed, tmp_path):
    code = f"import test_search; test_search.main({str(tmp_path)!r})"
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent)}
    process = subprocess.Popen([sys.executable, "-c", code], env=environment)
    finished: list[dict[str, object]] = []
    deadline = time.monotonic() + 60
    while len(finished) < 25 and time.monotonic() < deadline:
        time.sleep(0.02)
        finished = list(history_rows(tmp_path)) if (tmp_path / STORE).is_file() else []
    workers = children(process.pid)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    kept = list(history_rows(tmp_path))
    assert 25 <= len(kept) < len(undisturbed[1])
    assert all(row["score"] in [each["score"] for each in undisturbed[1]] for row in kept)
    solved = []
    searched(tmp_path, progress=solved.append)
    assert list(history_rows(tmp_path)) == undisturbed[1]
    assert len(solved) == len(undisturbed[1]) - len(kept)  # nothing was repeated
    assert len(workers) >= 2
    while any(map(running, workers)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(running, workers))  # a killed parent leaves no workers behind


@pytest.mark.parametrize("moment", [1, 30, 85, 120])
def test_interrupted_run_keeps_its_best_and_resumes(undisturbed, tmp_path, moment):
    seen = []

    def progress(standing):
        seen.append(standing)
        if len(seen) == moment:
            raise KeyboardInterrupt

    result = searched(tmp_path, progress=progress)
    assert result.stopped_by == "interrupted"
    rows = list(history_rows(tmp_path))
    assert len(rows) >= moment
    feasible = [row for row in rows if row["feasible"]]
    stage = "full" if any(row["stage"] == "full" for row in feasible) else "screen"
    scores = [row["score"] for row in feasible if row["stage"] == stage]
    assert (result.best.score.value if result.best else None) == min(scores, default=None)
    searched(tmp_path)
    assert list(history_rows(tmp_path)) == undisturbed[1]


def test_time_limit_still_judges_the_best_at_full(undisturbed, tmp_path, monkeypatch):
    class Clock:
        now = 0.0

        def monotonic(self):
            self.now += 1.0
            return self.now

    monkeypatch.setattr(loop, "time", Clock())
    result = searched(tmp_path, minutes=0.5, progress=lambda standing: None)  # each report takes a second
    assert result.stopped_by == "time"
    assert 0 < result.asked < 81
    assert result.full > 0
    assert result.best.setting == "full"
    searched(tmp_path)
    again = [row for row in history_rows(tmp_path) if row["stage"] == "screen"]
    assert again == [row for row in undisturbed[1] if row["stage"] == "screen"]


def test_progress_counts_to_the_end(tmp_path):
    seen = []
    searched(tmp_path, progress=seen.append)
    assert [each.done for each in seen] == list(range(1, len(seen) + 1))
    assert seen[18].time_left is None, "the first few say little"
    assert seen[-1].time_left is not None
    assert seen[-1].done == seen[-1].total, "finalists that there are, not those that there might be"
    assert seen[0].total == 90 + 81, "each of the 81 at screen may become a finalist"
    assert list(dict.fromkeys(each.stage for each in seen)) == [
        "published families",
        "free curve",
        "the best at full setting",
        "polishing at full setting",
    ]
    assert all(each.rate > 0 for each in seen)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"target_text": 'name = "other"'}, "another target"),
        ({"seed": 7}, r"another seed \(1 there, 7 now\)"),
        ({"candidates": 120}, r"another number of candidates \(90 there, 120 now\)"),
    ],
)
def test_folder_of_another_run_is_refused(tmp_path, change, message):
    searched(tmp_path, minutes=0)
    with pytest.raises(InputError, match=f"holds a search with {message}.*Choose another --out folder"):
        searched(tmp_path, **change)


def test_folder_of_another_version_is_refused(tmp_path, monkeypatch):
    searched(tmp_path, minutes=0)
    monkeypatch.setattr(request_module, "__version__", "99.0")
    with pytest.raises(InputError, match=r"another version \(evenflare .* there, evenflare 99\.0"):
        searched(tmp_path)


def test_second_run_is_refused_while_the_first_runs(tmp_path):
    with opened(tmp_path, {"seed": "1"}), pytest.raises(InputError, match="another search is running in this folder"):
        searched(tmp_path)
    assert not list(history_rows(tmp_path))


def test_candidate_that_does_not_repeat_is_refused(tmp_path):
    searched(tmp_path, minutes=0)
    with sqlite3.connect(tmp_path / STORE) as connection:
        connection.execute(
            "INSERT INTO candidate VALUES (1, 'screen', 'conical', '[0.1, 0.2, 0.3]', 1.0, 1, '{}', '{}', '{}', '')"
        )
    connection.close()
    with pytest.raises(InputError, match="candidate 1 differs from the one this machine would ask for"):
        searched(tmp_path)


def test_damaged_store_is_reported(tmp_path):
    (tmp_path / STORE).write_bytes(b"not a database, but long enough to be read as one" * 100)
    with pytest.raises(InputError, match="cannot be read or written"):
        searched(tmp_path)
    with pytest.raises(InputError, match="cannot be read or written"):
        list(history_rows(tmp_path))


def test_folder_that_cannot_be_made_is_reported(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="cannot be written"):
        searched(tmp_path / "file" / "run")


def test_full_disk_is_reported_and_nothing_is_lost(tmp_path, monkeypatch):
    searched(tmp_path, minutes=0)
    with opened(tmp_path, {}) as store:
        pages = store.connection.execute("PRAGMA page_count").fetchone()[0]
        store.connection.execute(f"PRAGMA max_page_count={pages + 1}")
        outcome = Outcome(1.0, True, {"index_db": 1.0}, {}, {}, "x" * 500)

        def fill():
            for number in range(1, 1000):
                store.add(number, Job("conical", (0.1, 0.2, 0.3), "screen"), outcome)

        with pytest.raises(InputError, match=r"database or disk is full.*Free some disk space"):
            fill()
        kept = len(store.finished)
    assert kept > 0
    assert len(list(history_rows(tmp_path))) == kept


def test_folder_without_a_run_has_no_history(tmp_path):
    with pytest.raises(InputError, match="holds no search"):
        list(history_rows(tmp_path))


def test_bad_numbers_are_refused(tmp_path):
    most = 4 * (os.cpu_count() or 1)
    for workers in (0, most + 1):
        with pytest.raises(InputError, match=rf"^--workers = {workers}: must be 1 to {most}, .* Leave it out for one"):
            searched(tmp_path, workers=workers)
    for seed in (-1, 2**31):
        with pytest.raises(InputError, match=rf"^--seed = {seed}: must be 0 to 2147483647\. Choose another"):
            searched(tmp_path, seed=seed)
    with pytest.raises(InputError, match=r"^--candidates = 29: must be at least 30 for 3 families\. Raise it, or name"):
        searched(tmp_path, candidates=29)
    with pytest.raises(InputError, match=r"^--candidates = 1000001: must be at most 1000000\. Lower it$"):
        searched(tmp_path, candidates=1_000_001)
    few = hidden_target(candidates=29, source="t.toml")
    with pytest.raises(InputError, match=r"^t\.toml \[search\] candidates = 29: must be at least 30"):
        searched(tmp_path, few)
    alone = hidden_target(candidates=5, families=("conical",))
    with pytest.raises(InputError, match=r"candidates = 5: must be at least 10 for 1 family\. Raise it$"):
        searched(tmp_path, alone)
    assert list(tmp_path.iterdir()) == []


def test_check_before_a_search_refuses_what_the_search_would_and_makes_nothing(tmp_path):
    target, run = hidden_target(), tmp_path / "run"
    check_search(target, run, target_text=TEXT)
    assert not run.exists()
    with pytest.raises(InputError, match="--workers = 0"):
        check_search(target, run, target_text=TEXT, workers=0)
    searched(run, minutes=0)
    check_search(target, run, target_text=TEXT)
    with pytest.raises(InputError, match="holds a search with another target .* and another seed"):
        check_search(target, run, target_text="other", seed=9)
    with opened(run, {}), pytest.raises(InputError, match="another search is running in this folder"):
        check_search(target, run, target_text=TEXT)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="file: is a file, not a folder"):
        check_search(target, tmp_path / "file", target_text=TEXT)
    empty = tmp_path / "empty"
    empty.mkdir()
    (empty / STORE).touch()
    assert list(history_rows(empty)) == []
    check_search(target, empty, target_text=TEXT)  # ended before it wrote what it is made of


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


def test_nearest_of_a_family_is_its_best_or_what_breaks_the_limits_least(undisturbed, tmp_path):
    best = searched(tmp_path / "run")
    found = nearest(tmp_path / "run")
    assert set(found) == {"conical", "exponential", "free"}
    scores = [row for row in undisturbed[1] if row["score"] is not None]
    for family, outcome in found.items():
        assert outcome.value == min(row["score"] for row in scores if row["family"] == family)
    assert min(outcome.value for outcome in found.values()) == best.best.score.value
    target = hidden_target(limits=replace(LIMITS, smallest_concave_radius=0.05), families=("conical",), candidates=20)
    searched(tmp_path / "none", target)
    outcome = nearest(tmp_path / "none")["conical"]
    reasons = [str(row["reason"]) for row in history_rows(tmp_path / "none")]
    assert not outcome.feasible
    assert outcome.reason in reasons
    only = [float(reason.rpartition(" by ")[2]) for reason in reasons if reason.count(" by ") == 1]
    # Written to three digits.
    assert sum(max(0.0, each) for each in outcome.constraints.values()) <= min(only) * 1.005


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
