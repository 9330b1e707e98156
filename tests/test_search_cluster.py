"""A search on a Dask cluster of this machine: the same history, a worker killed on the way, and what is refused."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

import killing
from cheap_search import hidden_target, marked, searched
from commandline import TARGET, said
from evenflare import __version__
from evenflare.commands import searching
from evenflare.files import InputError
from evenflare.search import cluster, history_rows
from evenflare.search.cluster import check_cluster, connected
from evenflare.search.worker import LOST
from evenflare.target.target import read_target

pytestmark = pytest.mark.slow


def process(*words, **environment) -> subprocess.Popen[bytes]:
    """A command of Dask's, silent; numbers of threads as a user's shell leaves them, unset."""
    unset = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    own = {name: value for name, value in os.environ.items() if name not in unset}
    own |= {"PYTHONPATH": os.pathsep.join(sys.path)} | environment
    return subprocess.Popen(
        [sys.executable, "-m", *words], env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def scheduler_in(folder: Path, **environment) -> subprocess.Popen[bytes]:
    """On a port of its own choice, which it writes down: one chosen here could be taken before it listens."""
    words = ("--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show")
    return process(
        "distributed.cli.dask_scheduler", *words, "--scheduler-file", str(folder / "scheduler.json"), **environment
    )


def worker_at(address: str, marks: Path) -> subprocess.Popen[bytes]:
    """Without a nanny: the process that is started is the one that works, and nothing starts another."""
    words = (address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
    return process("distributed.cli.dask_worker", *words, MARKS=str(marks))


@contextmanager
def ended(*processes: subprocess.Popen[bytes]):
    try:
        yield
    finally:
        for each in processes:
            each.kill()
            each.wait()


def address_in(folder: Path, scheduler: subprocess.Popen[bytes]) -> str:
    """Of a scheduler that has just been started, once it listens."""
    for _ in range(600):
        with suppress(OSError, ValueError):
            return str(json.loads((folder / "scheduler.json").read_text())["address"])
        assert scheduler.poll() is None, "the scheduler ended at once"
        time.sleep(0.1)
    raise AssertionError("the scheduler did not listen within a minute")


class Cluster:
    """A scheduler and its workers. `marks` is where these say what they do."""

    def __init__(self, folder: Path, **environment: str) -> None:
        self.marks = folder
        self.scheduler = scheduler_in(folder, **environment)
        self.address = address_in(folder, self.scheduler)
        self.workers: list[subprocess.Popen[bytes]] = []
        self.before = 0

    def add(self) -> None:
        """One more worker, as soon as it has started."""
        self.workers.append(worker_at(self.address, self.marks))

    def has(self, workers: int) -> None:
        """See that so many are there and work: others for those that have been killed. Wait until they are."""
        from distributed import Client

        self.workers = [each for each in self.workers if each.poll() is None]
        while len(self.workers) < workers:
            self.add()
        for _ in range(60):
            try:
                check_cluster(self.address)
                break
            except InputError:
                time.sleep(0.2)
        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=60)

    def end(self) -> None:
        """All of it."""
        with ended(self.scheduler, *self.workers):
            pass

    @property
    def begun(self) -> list[list[str]]:
        """Of each call of the solver in this test: the worker's process and how many threads its linear algebra has."""
        return self.marked[self.before :]

    @property
    def marked(self) -> list[list[str]]:
        """The same of all tests."""
        path = self.marks / "begun"
        return [line.split() for line in path.read_text().splitlines()] if path.is_file() else []

    def busy(self, calls: int) -> subprocess.Popen[bytes]:
        """A worker in the middle of a candidate, after so many were begun."""
        for _ in range(6000):
            busy = [each for each in self.workers if (self.marks / f"{each.pid}.busy").exists()]
            if busy and len(self.begun) >= calls:
                return busy[0]
            time.sleep(0.005)
        raise AssertionError("no worker took up a candidate")


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """One cluster for all tests that leave it in order, or one of its workers dead: starting it takes longest."""
    made = Cluster(tmp_path_factory.mktemp("marks"))
    try:
        yield made
    finally:
        made.end()


@pytest.fixture(scope="module")
def strict(tmp_path_factory):
    """Another, whose scheduler gives up a call with the first worker that it ends."""
    made = Cluster(tmp_path_factory.mktemp("strict"), DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0")
    try:
        yield made
    finally:
        made.end()


@pytest.fixture
def cluster_here(kept, request):
    """It, with both workers or as many as a test asks for at least, and nothing begun yet."""
    kept.has(getattr(request, "param", 2))
    kept.before = len(kept.marked)
    return kept


@pytest.fixture
def marked_run(monkeypatch, plain, unpainted):
    """The command's search with the invented, marked solver."""
    monkeypatch.setattr(searching, "run_search", partial(searching.run_search, solver_factory=marked))
    monkeypatch.setattr(searching, "_write_winner", lambda *_, **__: None)


@pytest.mark.usefixtures("compiled", "marked_run")
def test_ctrl_c_keeps_what_is_finished(capsys, here, cluster_here):
    def interrupt() -> None:
        cluster_here.busy(15)
        os.kill(os.getpid(), signal.SIGINT)

    interrupter = threading.Thread(target=interrupt)
    interrupter.start()
    line = f"search target.toml --out run --scheduler {cluster_here.address} --candidates 6000 --quiet"
    code, _, err = said(capsys, line)
    interrupter.join()
    assert code == 130
    assert re.fullmatch(
        r"interrupted; run holds \d+ candidates, the best at .* dB, run/best.toml; the same command continues\n", err
    )
    solved = sum(row["score"] is not None for row in history_rows(here / "run"))
    assert 8 <= solved <= len(cluster_here.begun)


def test_worker_with_other_packages_is_refused_by_name(cluster_here, monkeypatch):
    monkeypatch.setattr(cluster, "_versions", lambda: {"evenflare": "99.0", "numpy": "2.0.0"})
    with pytest.raises(InputError) as refused, connected(cluster_here.address, say=print):
        pass
    message = str(refused.value)
    assert message.startswith(f"--scheduler = {cluster_here.address}: workers must have the same packages as this")
    assert message.count("tcp://127.0.0.1:") == 3, "both workers by name"
    assert f"has evenflare {__version__} (99.0 here), numpy " in message
    assert message.endswith("Install the same versions there")
    # One that joins later is found out by the first candidate it is given.
    monkeypatch.undo()
    with connected(cluster_here.address, say=print) as judges:
        assert judges.submit(abs, -3).result() == 3
        late = cluster._Alike(judges.executor, {"numpy": "2.0.0"}).submit(abs, -3)
        with pytest.raises(InputError, match=rf"{socket.gethostname()} has numpy .* \(2\.0\.0 here\)"):
            late.result()


@pytest.mark.usefixtures("compiled", "marked_run")
def test_worker_killed_in_mid_candidate_costs_what_it_had_in_hand_alone(capsys, here, cluster_here, tmp_path):
    killed = []

    def kill() -> None:
        worker = cluster_here.busy(15)
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        killed.append(worker.pid)

    killer = threading.Thread(target=kill)
    killer.start()
    code, out, err = said(capsys, f"search target.toml --out run --scheduler {cluster_here.address} --quiet")
    killer.join()
    assert (code, err) == (0, "")
    assert out.startswith("60 candidates asked for, ")
    busy = cluster_here.marks / f"{killed[0]}.busy"
    assert busy.exists(), "it was in the middle of a candidate"
    rows = list(history_rows(here / "run"))
    keys = [(row["number"], row["stage"]) for row in rows]
    assert len(keys) == len(set(keys))
    assert sorted({number for number, _ in keys}) == list(range(1, 61))
    again = len(cluster_here.begun) - sum(row["score"] is not None for row in rows)
    # What it was at, and what it had done and not been asked for yet: results stay with a worker until they are.
    assert 1 <= again <= sum(int(pid) == killed[0] for pid, _ in cluster_here.begun)
    assert len({pid for pid, _ in cluster_here.begun}) == 2, "both workers took part"
    assert {threads for _, threads in cluster_here.begun} == {"1"}
    searched(tmp_path / "local", read_target(here / "target.toml"), target_text=TARGET)
    assert rows == list(history_rows(tmp_path / "local"))
    # The same folder is continued without the cluster, and needs nothing more.
    before = len(cluster_here.begun)
    assert said(capsys, "search target.toml --out run --workers 1 --quiet") == (0, out, "")
    assert len(cluster_here.begun) == before


@pytest.mark.usefixtures("compiled", "marked_run")
@pytest.mark.parametrize("cluster_here", [1], indirect=True)
def test_scheduler_that_dies_is_told_and_what_finished_is_kept(capsys, here, cluster_here, tmp_path):
    """Comes after all others on that cluster, which has no scheduler any more."""

    def kill() -> None:
        cluster_here.busy(15)
        cluster_here.scheduler.kill()

    killer = threading.Thread(target=kill)
    killer.start()
    code, out, err = said(capsys, f"search target.toml --out run --scheduler {cluster_here.address} --quiet")
    killer.join()
    assert (code, out) == (2, "")
    assert err == (
        f"--scheduler = {cluster_here.address}: the connection to the scheduler was lost. See that it runs, then run"
        " the same command again: what finished is kept\n"
    )
    kept = list(history_rows(here / "run"))
    searched(tmp_path / "local", read_target(here / "target.toml"), target_text=TARGET)
    scores = {(row["number"], row["stage"]): row["score"] for row in history_rows(tmp_path / "local")}
    assert len(kept) >= 10
    assert all(scores[row["number"], row["stage"]] == row["score"] for row in kept)


@pytest.mark.parametrize(
    ("info", "told"),
    [({"workers": {}, "n_workers": 2}, 0), ({"workers": {"tcp://a": {}}}, 0), ({"workers": {}, "n_workers": 0}, 1)],
)
def test_workers_are_counted_where_the_list_of_them_is_cut(monkeypatch, info, told):
    monkeypatch.setattr(cluster, "WATCH", 0.01)
    words = []
    with cluster._watched(SimpleNamespace(status="running", scheduler_info=lambda: info), "here", words.append):
        time.sleep(0.1)
    assert len(words) == told


def test_candidate_that_ends_its_worker_every_time_counts_as_failed_and_the_search_goes_on(
    strict, tmp_path, monkeypatch
):
    strict.has(3)  # two will die
    target = hidden_target(families=("conical", "free"), candidates=40)
    searched(tmp_path / "undisturbed", target)
    chosen = [row for row in history_rows(tmp_path / "undisturbed") if row["score"] is not None][4]
    # Workers have the variables that they were started with: these say it to each call.
    told = {"ONCE": "0", "ALWAYS": repr(1e-3 * chosen["depth_mm"])}
    for name, value in told.items():
        monkeypatch.setenv(name, value)
    searched(tmp_path / "spared", target, solver_factory=killing.sparing)
    with connected(strict.address, say=print) as judges:
        killer = partial(killing.told, told | {"MARKS": str(strict.marks)})
        result = searched(tmp_path / "run", target, solver_factory=killer, executor=judges)
    assert len((strict.marks / "ALWAYS").read_text().split()) == 2, "workers"
    assert result.lost == (chosen["number"],)
    assert [row["reason"] for row in history_rows(tmp_path / "run") if row["number"] == chosen["number"]] == [LOST]
    scores = [[row["score"] for row in history_rows(tmp_path / folder)] for folder in ("run", "spared")]
    assert scores[0] == scores[1]


def test_no_workers_at_the_start_is_refused_and_later_is_told_and_waited_for(strict, monkeypatch):
    monkeypatch.setattr(cluster, "PATIENCE", 0.5)
    monkeypatch.setattr(cluster, "WATCH", 0.1)
    strict.has(1)
    words = []
    with connected(strict.address, say=words.append) as judges:
        assert judges.submit(abs, -3).result() == 3
        for worker in strict.workers:
            worker.kill()
            worker.wait()
        waiting, deadline = judges.submit(abs, -4), time.monotonic() + 30
        while not words and time.monotonic() < deadline:
            time.sleep(0.1)
        lonely = f"--scheduler = {strict.address}: no workers are left; waiting for one. Ctrl-C keeps what is finished"
        assert words == [lonely]
        strict.add()
        assert waiting.result(timeout=60) == 4
        while len(words) < 2 and time.monotonic() < deadline + 30:
            time.sleep(0.1)
    assert words[1:] == [f"--scheduler = {strict.address}: workers are back"]


def test_candidate_that_keeps_ending_its_worker_is_told_with_what_to_do(strict, monkeypatch):
    strict.has(1)
    with pytest.raises(InputError) as refused, connected(strict.address, say=print) as judges:
        judges.submit(os._exit, 1).result(timeout=60)
    start = f"--scheduler = {strict.address}: a candidate ended the worker it was given to"
    assert str(refused.value).startswith(start)
    assert "Give each worker more, or fewer threads" in str(refused.value)
    # Now there is none, which a search that comes next is told at once.
    for worker in strict.workers:
        worker.kill()
        worker.wait()
    monkeypatch.setattr(cluster, "PATIENCE", 0.5)
    time.sleep(1.0)
    message = "has no workers, and none came within 0.5 s. Start some, one on each core: dask worker tcp://"
    with pytest.raises(InputError, match=message), connected(strict.address, say=print):
        pass
