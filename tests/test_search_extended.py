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
from evenflare.search import history_rows, run_search
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
