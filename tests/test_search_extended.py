"""A run that is asked for more: what was there is its beginning, killed on the way or not."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cheap_search import TEXT, hidden_target, searched, slow
from evenflare.search import glimpse, history_rows, run_search
from evenflare.search.store import STORE

FEW, MORE = 60, 110


def rows(folder: Path) -> list[dict[str, object]]:
    return list(history_rows(folder)) if (folder / STORE).is_file() else []


def extended(folder: str) -> None:
    """In a process of its own, slow enough to be killed on the way."""
    run_search(hidden_target(), Path(folder), target_text=TEXT, solver_factory=slow, workers=2, candidates=MORE)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """Of a run that was extended: its result, the history before and after."""
    folder = tmp_path_factory.mktemp("extended")
    searched(folder, candidates=FEW)
    before = rows(folder)
    return searched(folder, candidates=MORE), before, rows(folder)


def test_a_run_is_the_beginning_of_the_longer_one(undisturbed, tmp_path):
    result, before, after = undisturbed
    assert result.asked == MORE
    assert [row for row in after if row["number"] <= FEW and row in before] == before, "nothing is lost or changed"
    at_once = searched(tmp_path, candidates=MORE)
    # But for those that were judged at full as the best of the shorter one.
    assert [row for row in after if row["stage"] == "screen"] == [
        row for row in rows(tmp_path) if row["stage"] == "screen"
    ]
    assert all(row in after for row in rows(tmp_path))
    assert result.best.score.value <= at_once.best.score.value


def test_nothing_is_solved_twice(undisturbed, tmp_path):
    searched(tmp_path, candidates=FEW)
    solved = []
    searched(tmp_path, candidates=MORE, progress=solved.append)
    assert len(solved) == len(undisturbed[2]) - len(undisturbed[1])
    assert solved[-1].done == solved[-1].total == MORE


def test_interrupted_before_its_finalists_a_longer_run_shows_what_is_best_by_the_screen(tmp_path):
    """A shorter one's finalists have scores at full, and are not the best for that."""
    target = hidden_target(families=("exponential", "free"), candidates=FEW)
    shorter, best = searched(tmp_path, target), []
    assert shorter.best.setting == "full"

    def progress(standing):
        best.append(standing.best)
        if standing.leader[1].setting == "screen" and standing.best < 0.9 * shorter.best.score.value:
            raise KeyboardInterrupt

    found = searched(tmp_path, target, candidates=400, progress=progress)
    assert found.stopped_by == "interrupted"
    assert found.best.score.value == best[-1] == glimpse(tmp_path).best < shorter.best.score.value


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="signals and processes as Linux has them")
def test_an_extended_run_killed_and_resumed_is_the_undisturbed_one(undisturbed, tmp_path):
    result, before, after = undisturbed
    searched(tmp_path, candidates=FEW)
    code = f"import test_search_extended as module; module.extended({str(tmp_path)!r})"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *sys.path])}
    process = subprocess.Popen([sys.executable, "-c", code], env=environment)
    deadline = time.monotonic() + 120
    while len(rows(tmp_path)) < len(before) + 10 and time.monotonic() < deadline:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert len(before) + 10 <= len(rows(tmp_path)) < len(after)
    again = searched(tmp_path, candidates=MORE)
    assert rows(tmp_path) == after
    assert again == result
