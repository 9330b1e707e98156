"""Worker processes that are killed, and run folders that are moved, while a search is at work."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import Future
from functools import partial
from pathlib import Path

import pytest

import killing
from cheap_search import cheap, hidden_target, searched
from commandline import said
from evenflare.commands import searching
from evenflare.files import InputError, staying, write_text
from evenflare.search import history_rows, pool, run_search
from evenflare.search.worker import LOST, Job

pytestmark = pytest.mark.usefixtures("marks")


@pytest.fixture
def marks(tmp_path, monkeypatch):
    folder = tmp_path / "marks"
    folder.mkdir()
    monkeypatch.setenv("MARKS", str(folder))
    return folder


def rows(folder: Path) -> list[dict[str, object]]:
    return list(history_rows(folder))


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> list[dict[str, object]]:
    """The history of a whole run."""
    folder = tmp_path_factory.mktemp("undisturbed")
    searched(folder)
    return rows(folder)


FEW = hidden_target(families=("conical", "free"), candidates=40)


def test_killed_workers_cost_a_second_try_and_at_last_their_candidate_but_not_the_search(tmp_path, marks, monkeypatch):
    searched(tmp_path / "undisturbed", FEW)
    solved = [row for row in rows(tmp_path / "undisturbed") if row["score"] is not None]
    for told, row in (("ONCE", solved[2]), ("ALWAYS", solved[4])):
        monkeypatch.setenv(told, repr(1e-3 * row["depth_mm"]))
    searched(tmp_path / "spared", FEW, solver_factory=killing.sparing)
    expected = rows(tmp_path / "spared")
    assert [row["number"] for row in expected if row["reason"] == "spared"] == [solved[4]["number"]]
    result = searched(tmp_path / "run", FEW, solver_factory=killing.killing, workers=2)
    killed = {mark.name: len(mark.read_text().split()) for mark in marks.iterdir()}
    assert killed == {"ONCE": 1, "ALWAYS": 2}, "processes"
    assert result.lost == (solved[4]["number"],)
    lost = {"reason": LOST} | {key: None for key in expected[0] if key.endswith(PARAMETERS)}
    assert rows(tmp_path / "run") == [row | (lost if row["reason"] == "spared" else {}) for row in expected]
    # Continued, it is as failed as before, by one worker too, whose process would have been the search's.
    assert searched(tmp_path / "run", FEW, solver_factory=killing.killing, workers=1) == result


PARAMETERS = ("_mm", "_deg", "_hz", "_per_m", "parameter")
"""By which columns end that are worked out beside the solving, and lost with it."""


class Mortal:
    """Judges whose processes are killed over some candidates, counted as they are first asked for."""

    lost = (ZeroDivisionError,)

    def __init__(self, chosen, *, always: bool = True) -> None:
        self.chosen, self.always, self.asked = chosen, always, list[Job]()

    def submit(self, fn, target, factory, job):
        again = job in self.asked
        self.asked += [] if again else [job]
        future = Future()
        if self.chosen(self.asked.index(job) + 1) and (self.always or not again):
            future.set_exception(ZeroDivisionError())
        else:
            future.set_result(fn(target, factory, job))
        return future


def test_where_most_are_killed_it_is_the_machine_and_nothing_is_held_against_candidates(tmp_path, undisturbed):
    with pytest.raises(InputError) as caught:
        searched(tmp_path / "run", executor=Mortal(lambda number: number > 30 and number % 3))
    assert str(caught.value).startswith("worker processes keep being killed, and ")
    assert str(caught.value).endswith("Run the same command again with fewer workers: what finished is kept")
    kept = rows(tmp_path / "run")
    assert len(kept) >= 30
    assert LOST not in {row["reason"] for row in kept}
    searched(tmp_path / "run")
    assert rows(tmp_path / "run") == undisturbed


def test_where_many_are_killed_at_once_and_none_alone_nothing_is_lost(tmp_path, undisturbed):
    searched(tmp_path / "run", executor=Mortal(lambda number: number > 30 and number % 3, always=False))
    assert rows(tmp_path / "run") == undisturbed


def test_the_command_tells_which_candidates_were_given_up(capsys, here, plain, monkeypatch):
    judges = Mortal(lambda number: number in range(8, 48, 6))
    search = partial(run_search, solver_factory=cheap)
    monkeypatch.setattr(
        searching, "run_search", lambda *words, executor, **others: search(*words, executor=judges, **others)
    )
    monkeypatch.setattr(searching, "_write_winner", lambda *_, **__: None)
    code, out, err = said(capsys, "search target.toml --out run --workers 2 --quiet")
    assert (code, err) == (0, "")
    lost = [row["number"] for row in rows(here / "run") if row["reason"] == LOST]
    assert len(lost) > 5
    listed = ", ".join(map(str, sorted(set(lost))[:5]))
    assert f"over each, for lack of memory most likely: number {listed}, ...\n" in out


# The pool itself.


def test_values_and_errors_come_back_with_where_they_happened():
    with pool.pool(2) as judges:
        assert [judges.submit(pow, base, 2).result() for base in range(20)] == [base**2 for base in range(20)]
        with pytest.raises(ZeroDivisionError) as caught:
            judges.submit(divmod, 1, 0).result()
        assert "pool.py" in caught.value.__notes__[0]
        with pytest.raises(Exception, match="pickle"):
            judges.submit(open, os.devnull).result()
        with pytest.raises(InputError, match="^a\nb\n"):
            judges.submit(raising, "a\nb").result()
        assert judges.submit(len, "x" * 1_000_000).result() == 1_000_000
        # What waits behind a call that kills its worker is not held to account for it.
        calls = [judges.submit(os._exit, 1) if number == 3 else judges.submit(abs, -number) for number in range(9)]
        for number, call in enumerate(calls):
            if number == 3:
                assert isinstance(call.exception(), pool.LostError)
            else:
                assert call.result() == number


def raising(words: str) -> None:
    raise InputError(words)


def test_a_script_without_its_guard_is_told_and_ends(tmp_path):
    script = tmp_path / "script.py"
    script.write_text(
        "from pathlib import Path\nfrom cheap_search import searched\n"
        f"searched(Path({str(tmp_path / 'run')!r}), workers=2)\n"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, env=environment, timeout=120)
    assert done.returncode == 1
    assert "InputError: a worker process ended unexpectedly while it loaded" in done.stderr
    assert "if __name__ == '__main__':" in done.stderr


# The run's folder.


def moving(folder: Path, at: int, *, to: Path | None = None):
    """Progress that moves the run's folder at a candidate."""
    seen = []

    def progress(standing):
        seen.append(standing)
        if len(seen) == at:
            folder.rename(to or folder.with_name("moved"))

    return progress


@pytest.mark.parametrize("workers", [1, 2])
def test_a_moved_folder_ends_the_search_and_keeps_what_is_finished(tmp_path, undisturbed, workers):
    run, moved = tmp_path / "run", tmp_path / "moved"
    with pytest.raises(InputError) as caught:
        searched(run, progress=moving(run, 20), workers=workers)
    assert str(caught.value).startswith(f"{run}: was moved, renamed or removed while it was written to.")
    if Path("/proc/self/fd").exists():
        assert str(caught.value).endswith(f"folder is now, {moved}. Run the same command again with --out {moved}")
    assert not run.exists()
    kept = rows(moved)
    assert 20 <= len(kept) < len(undisturbed)
    searched(moved)
    assert not [path.name for path in moved.iterdir() if path.name.endswith(("-wal", "-shm"))], "taken in and removed"
    assert rows(moved) == undisturbed


def test_the_command_ends_with_2_and_makes_no_stub(capsys, here, plain, monkeypatch):
    monkeypatch.setattr(searching, "run_search", moved_after(here / "run"))
    code, out, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("run: was moved, renamed or removed while it was written to")
    assert not (here / "run").exists()
    names = {path.name for path in (here / "moved").iterdir()}
    # What the search itself wrote on its way; nothing of the winner.
    assert names == {"candidates.lock", "candidates.sqlite", "best.toml", "progress.json", "report.html", "target"}


def moved_after(folder: Path):
    """A search that ends well, whose folder is moved before the winner is written."""

    def run(*words, **others):
        result = run_search(*words, **others, solver_factory=cheap)
        folder.rename(folder.with_name("moved"))
        return result

    return run


def test_another_folder_under_the_old_name_is_not_written_into(tmp_path):
    folder = tmp_path / "run"
    with staying(folder) as still_there:
        write_text(folder / "a" / "b" / "one.csv", "in")
        still_there()
        folder.rename(tmp_path / "moved")
        folder.mkdir()
        for attempt in (still_there, partial(write_text, folder / "two.csv", "out")):
            with pytest.raises(InputError, match="was moved, renamed or removed"):
                attempt()
        write_text(tmp_path / "elsewhere" / "three.csv", "is no matter of that folder")
    assert list(folder.iterdir()) == []
    assert (tmp_path / "moved" / "a" / "b" / "one.csv").read_text() == "in"
    write_text(folder / "two.csv", "out")


def test_a_removed_folder_is_told_without_a_place(tmp_path):
    folder = tmp_path / "run"
    with staying(folder) as still_there:
        folder.rmdir()
        with pytest.raises(
            InputError, match=r"where the folder is now\. Run the same command again with --out that folder$"
        ):
            still_there()
        with pytest.raises(InputError, match="was moved, renamed or removed"):
            write_text(folder / "one.csv", "in")
    assert not folder.exists()
