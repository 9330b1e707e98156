"""The search on a cheap invented solver: order, winner, progress, resumed where it was killed or interrupted."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cheap_search import LIMITS, hidden_target, refusing, searched
from evenflare.search import history_rows, nearest
from evenflare.search.store import STORE


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


def descendants(pid: int) -> list[int]:
    """Processes that a process has begun, and those that these have."""
    text = " ".join(each.read_text() for each in Path(f"/proc/{pid}/task").glob("*/children"))
    found = [int(child) for child in text.split()]
    return found + [each for child in found for each in descendants(child)]


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads the system's list of processes")
def test_run_killed_and_resumed_has_the_undisturbed_history(undisturbed, tmp_path):
    code = f"import cheap_search; cheap_search.main({str(tmp_path)!r})"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    process = subprocess.Popen([sys.executable, "-c", code], env=environment)
    finished: list[dict[str, object]] = []
    deadline = time.monotonic() + 60
    while len(finished) < 25 and time.monotonic() < deadline:
        time.sleep(0.02)
        finished = list(history_rows(tmp_path)) if (tmp_path / STORE).is_file() else []
    workers = descendants(process.pid)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    kept = list(history_rows(tmp_path))
    assert 25 <= len(kept) < len(undisturbed[1])
    assert all(row["score"] in [each["score"] for each in undisturbed[1]] for row in kept)
    solved = []
    searched(tmp_path, progress=solved.append)
    assert list(history_rows(tmp_path)) == undisturbed[1]
    assert len(solved) == len(undisturbed[1]) - len(kept)  # nothing was repeated
    assert len(workers) >= 3, "two, and what the system needs to start them and to look after what they share"
    while any(map(running, workers)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(running, workers))  # a killed parent leaves no workers behind


@pytest.mark.parametrize("moment", [1, 30, 85, 95])
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


def test_progress_counts_to_the_end(tmp_path):
    seen = []
    searched(tmp_path, progress=seen.append)
    assert [each.done for each in seen] == sorted(each.done for each in seen)
    assert seen[18].time_left is None, "the first few say little"
    assert seen[-1].time_left is not None
    assert {each.total for each in seen} == {90}, "what was asked for"
    assert seen[-1].done == 90
    assert list(dict.fromkeys(each.stage for each in seen)) == ["searching", "the best at full setting"]
    assert all(each.rate > 0 for each in seen)


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
