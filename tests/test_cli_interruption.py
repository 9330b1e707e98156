"""Commands that are interrupted or killed, and searches that continue where they ended."""

from __future__ import annotations

import ctypes
import importlib
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import numba
import numpy as np
import pytest

from commandline import TARGET, contents, said, started
from evenflare.cli import run
from evenflare.cli import searching as cli_searching
from evenflare.commands import designs, searching
from evenflare.search import history_rows
from evenflare.search.identity import identity
from evenflare.search.store import opened
from evenflare.search.worker import Job, Outcome
from evenflare.target.target import read_target

pytestmark = pytest.mark.usefixtures("compiled")

INTERRUPTED = r"interrupted; run holds \d+ candidates, the best at \S+ dB, run/best\.toml; the same command continues\n"


def test_interrupted_command_ends_with_130(capsys, here, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(designs, "solve_command", interrupted)
    code, out, err = said(capsys, "solve design.toml --out out --quiet")
    assert (code, out) == (130, "")
    assert err == "interrupted; what was finished is kept\n"


def hears(pid: int, number: int) -> bool:
    """Whether a process has a handler of its own for a signal."""
    caught = re.search(r"^SigCgt:\s*(\w+)", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    return caught is not None and bool(int(caught[1], 16) >> (number - 1) & 1)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the system's list of processes")
@pytest.mark.parametrize("after", [0.0, 0.2, 0.6])
def test_a_request_to_end_is_taken_as_ctrl_c(here, after):
    process = started("solve design.toml --out out --setting full --quiet")
    while not hears(process.pid, signal.SIGTERM):
        assert process.poll() is None
        time.sleep(0.01)
    time.sleep(after)  # it is loading or solving; both take longer
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (130, "")
    assert err == "interrupted; what was finished is kept\n"
    assert set(contents(here)) == {"design.toml", "target.toml"}


def test_an_interruption_waits_until_a_module_is_loaded(capsys, here, monkeypatch):
    """A library whose loading it met has given an ImportError."""
    (here / "loaded_slowly.py").write_text("import os, time\nos.kill(os.getpid(), 15)\ntime.sleep(0.1)\nwhole = True\n")
    monkeypatch.syspath_prepend(here)
    found = []

    def loads(*_):
        found.append(importlib.import_module("loaded_slowly").whole)
        time.sleep(60)

    monkeypatch.setattr(designs, "solve_command", loads)
    assert said(capsys, "solve design.toml --out out --quiet") == (130, "", "interrupted; what was finished is kept\n")
    assert found == [True]


@pytest.mark.parametrize("ready", [False, True], ids=["for the first time", "again"])
def test_an_interruption_waits_until_compiled_code_has_returned(capsys, here, monkeypatch, ready):
    """It met it asking for the types of what it returns: of two arrays it returned the second and a null pointer."""
    request = getattr(ctypes.CDLL(None), "raise")
    request.argtypes = [ctypes.c_int]

    @numba.njit("UniTuple(float64[::1], 2)(int64)")
    def asked_to_end_in(number):
        if number:
            request(number)
        return np.ones(1), np.ones(1)

    if ready:
        asked_to_end_in(0)
    met = []

    def solves(*_):
        try:
            asked_to_end_in(int(signal.SIGTERM))
            time.sleep(60)
        except BaseException as error:
            met.append(type(error))
            raise

    monkeypatch.setattr(designs, "solve_command", solves)
    assert said(capsys, "solve design.toml --out out --quiet") == (130, "", "interrupted; what was finished is kept\n")
    assert met == [KeyboardInterrupt]
    assert sys.gettrace() is None


def test_an_error_that_stands_for_an_interruption_is_one(capsys, here, monkeypatch):
    def replaces(*_):
        try:
            os.kill(os.getpid(), signal.SIGTERM)
            time.sleep(60)
        except KeyboardInterrupt:
            raise RuntimeError("initialization failed") from None

    monkeypatch.setattr(designs, "solve_command", replaces)
    assert said(capsys, "solve design.toml --out out --quiet") == (130, "", "interrupted; what was finished is kept\n")


def test_a_request_to_end_has_its_usual_meaning_outside_a_command(capsys, here):
    before = signal.getsignal(signal.SIGTERM)
    assert said(capsys, "history .")[0] == 2
    assert signal.getsignal(signal.SIGTERM) is before


def scored(folder: Path) -> int:
    """Scored candidates in a run's store, 0 before there is one."""
    store = f"{(folder / 'candidates.sqlite').as_uri()}?mode=ro"
    try:
        with closing(sqlite3.connect(store, uri=True)) as connection:
            count: int = connection.execute("SELECT count(*) FROM candidate WHERE feasible").fetchone()[0]
    except sqlite3.Error:
        return 0
    return count


PLAIN = """
from evenflare.cli import main
from evenflare.commands import searching, solving
from evenflare.report.kit import canvas
canvas.png = lambda _: b"unpainted"
solving._compared = lambda sound, *_: sound
"""
"""The command, but for `main()` at its end, with nothing painted, and no solution compared with others."""
UNCLOSED = "searching._write_winner = lambda *_, **__: None\n"
"""Nothing is made of a winner but its design."""


@pytest.fixture
def begin(here):
    """begin(n): a search in a process of its own, halted once it has n scored candidates.

    deaf   : as in the background of a script, it ignores Ctrl-C.
    closed : whether it makes of its winner all that it does of one but compare and paint it; else nothing but its
             design.
    """
    processes = []

    def begun(candidates: int, *, deaf: bool = False, closed: bool = False) -> subprocess.Popen[str]:
        how = {"preexec_fn": lambda: signal.signal(signal.SIGINT, signal.SIG_IGN)} if deaf else {}
        code = f"{PLAIN}{'' if closed else UNCLOSED}main()"
        how |= {"command": (sys.executable, "-c", code)}
        process = started("search target.toml --out run --workers 2 --quiet", start_new_session=True, **how)
        processes.append(process)
        deadline = time.monotonic() + 120
        while scored(here / "run") < candidates:
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.01)
        process.send_signal(signal.SIGSTOP)
        return process

    yield begun
    for process in processes:
        if process.poll() is None:
            process.kill()
            process.communicate()


@pytest.fixture
def unclosed(monkeypatch, unpainted):
    """Nothing is made of a winner but its design, and nothing painted: what ends or continues a search does not depend
    on it.
    """
    monkeypatch.setattr(searching, "_write_winner", lambda *_, **__: None)


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """The history of a whole run, and its best."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "target.toml").write_text(TARGET)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(searching, "_write_winner", lambda *_, **__: None)
        assert run(["search", f"{folder}/target.toml", "--out", f"{folder}/run", "--workers", "1", "--quiet"]) == 0
    return SimpleNamespace(
        history=list(searching.history_lines(folder / "run")), best=(folder / "run" / "best.toml").read_text()
    )


@pytest.mark.slow
@pytest.mark.parametrize("asked_by", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_search_keeps_what_is_finished_and_continues(capsys, here, unclosed, undisturbed, begin, asked_by):
    at_shutdown = asked_by == signal.SIGTERM
    process = begin(5, deaf=at_shutdown, closed=not at_shutdown)
    code, out, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, out) == (2, "")
    assert err.startswith("run: another search is running in this folder")
    code, out, _ = said(capsys, "history run")  # may be read meanwhile
    assert code == 0
    assert out.count("\n") > 5
    os.killpg(process.pid, asked_by)  # the workers too
    process.send_signal(signal.SIGCONT)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 130, err
    assert re.fullmatch(INTERRUPTED, err)
    assert "Best: " in out
    made = {"best/solid.stl", "best/summary.csv"} if not at_shutdown else set[str]()
    assert {"best.toml", "report.html"} | made <= set(contents(here / "run"))
    kept = list(searching.history_lines(here / "run"))
    assert 5 < len(kept) < len(undisturbed.history)
    code, _, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, err) == (0, "")
    assert list(searching.history_lines(here / "run")) == undisturbed.history
    assert (here / "run" / "best.toml").read_text() == undisturbed.best


def test_interrupted_while_starting_it_says_what_the_folder_holds(capsys, here, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli_searching, "compiled", interrupted)
    line = "search target.toml --out run --workers 1 --quiet"
    assert said(capsys, line) == (130, "", "interrupted; run holds no candidates yet; the same command begins\n")
    target, text = read_target("target.toml"), (here / "target.toml").read_text()
    with opened(here / "run", identity(target, text=text, seed=3)) as store:
        for number, score in ((1, 1.5), (2, 1.25)):
            job = Job("conical", (0.1 * number, 0.2, 0.3), "screen")
            store.add(number, job, Outcome(score, True, {}, {}, {}, ""))
    assert said(capsys, line) == (
        130,
        "",
        "interrupted; run holds 2 candidates, the best at 1.250 dB; the same command continues\n",
    )


class InterruptedOnce(tuple):
    """Values over which Ctrl-C comes when they are first packed."""

    came = False

    def __iter__(self):
        if not self.came:
            self.came = True
            raise KeyboardInterrupt
        return super().__iter__()

    def __array__(self, dtype=None, copy=None):
        return np.array(list(self), dtype)


def test_ctrl_c_while_a_candidate_is_kept_does_not_hinder_that_it_and_others_are(here):
    target, text = read_target("target.toml"), (here / "target.toml").read_text()
    deviations = InterruptedOnce((0.5, 0.25))
    jobs = [Job("conical", (0.1 * number, 0.2, 0.3), "screen") for number in (1, 2)]
    outcomes = [Outcome(1.5, True, {}, {}, {}, "", each) for each in (deviations, (0.5,))]
    with opened(here / "run", identity(target, text=text, seed=3)) as store:
        with pytest.raises(KeyboardInterrupt):
            store.add(1, jobs[0], outcomes[0])
        for number in (2, 1):
            store.add(number, jobs[number - 1], outcomes[number - 1])
    assert [row["number"] for row in history_rows(here / "run")] == [1, 2]


@pytest.mark.slow
def test_killed_search_continues_to_the_undisturbed_history(capsys, here, unclosed, undisturbed, begin):
    process = begin(12)
    process.kill()
    process.communicate()
    kept = list(searching.history_lines(here / "run"))
    assert 12 < len(kept) < len(undisturbed.history)
    code, _, err = said(capsys, "search target.toml --out run --workers 1 --quiet")
    assert (code, err) == (0, "")
    assert list(searching.history_lines(here / "run")) == undisturbed.history
    assert (here / "run" / "best.toml").read_text() == undisturbed.best


def loading(pid: int) -> bool:
    """Whether a search has started the process that loads what its workers need, and that they are copies of."""
    children = " ".join(each.read_text() for each in Path(f"/proc/{pid}/task").glob("*/children")).split()
    return any(b"forkserver" in Path(f"/proc/{child}/cmdline").read_bytes() for child in children)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="reads the system's list of processes")
@pytest.mark.parametrize("asked_by", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_at_a_terminal_which_reaches_loading_workers_too_ends_with_130(here, asked_by):
    process = started("search target.toml --out run --workers 2 --quiet", start_new_session=True)
    deadline = time.monotonic() + 60
    try:
        while not loading(process.pid):
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.01)
        time.sleep(0.2)  # it takes longer
        os.killpg(process.pid, asked_by)
        _, err = process.communicate(timeout=30)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
    assert process.returncode == 130, err
    assert err == "interrupted; run holds no candidates yet; the same command begins\n"
