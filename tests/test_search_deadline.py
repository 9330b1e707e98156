"""The end that a user sets, in the time of a clock that only work moves."""

from __future__ import annotations

import math
import os
import signal
import time
from collections import deque
from concurrent.futures import Future
from pathlib import Path
from threading import Thread
from types import SimpleNamespace

import pytest

from cheap_search import hidden_target, searched
from evenflare.cli.designs import prepare_cabinet
from evenflare.commands import cabinets
from evenflare.commands import closing as closing_module
from evenflare.commands.closing import EVERYTHING, EXTENTS, PART, SPARE, WRITTEN, Closing
from evenflare.search import deadline as deadline_module
from evenflare.search import history_rows, loop, progress
from evenflare.search.deadline import Deadline, TimeIsUpError
from evenflare.words import duration

COST = {"screen": 0.1, "full": 0.2}
"""s that an invented candidate takes."""


class Worker:
    """A worker that takes COST for each candidate, and the clock that it moves on."""

    def __init__(self, monkeypatch, *, cost=None) -> None:
        self.now, self.calls, self.cost = 0.0, deque(), cost or COST
        clock = SimpleNamespace(monotonic=lambda: self.now)
        for module in (deadline_module, loop, progress):
            monkeypatch.setattr(module, "time", clock)
        monkeypatch.setattr(deadline_module, "wait", self.wait)
        monkeypatch.setattr(loop, "wait", self.wait_for_all)

    def submit(self, fn, target, factory, job):
        future = Future()
        self.calls.append((future, lambda: fn(target, factory, job), self.cost[job.setting]))
        self.begin()
        return future

    def begin(self) -> None:
        """What is next, that was not cancelled, is at work as soon as there is something."""
        while self.calls and not self.calls[0][0].running():
            if self.calls[0][0].set_running_or_notify_cancel():
                return
            self.calls.popleft()

    def work(self) -> None:
        future, call, cost = self.calls.popleft()
        self.now += cost
        future.set_result(call())
        self.begin()

    def wait(self, due, timeout=None, **_):
        self.work()
        done = {future for future in due if future.done()}
        return done, due - done

    def wait_for_all(self, waiting, **_):
        while any(not future.done() for future in waiting):
            self.work()
        return SimpleNamespace(done=set(waiting))


def timed(folder, worker, *, seconds, closing=0.0, **others):
    return searched(folder, executor=worker, minutes=seconds / 60.0, closing=lambda: closing, **others)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """s that everything takes."""
    with pytest.MonkeyPatch.context() as patch:
        worker = Worker(patch)
        searched(tmp_path_factory.mktemp("whole"), executor=worker)
    return worker.now


@pytest.mark.parametrize(("part", "closing"), [(0.2, 0.0), (0.6, 0.0), (0.9, 1.0)])
def test_a_deadline_is_kept_and_used_finalists_and_what_follows_included(tmp_path, monkeypatch, whole, part, closing):
    worker = Worker(monkeypatch)
    result = timed(tmp_path, worker, seconds=part * whole, closing=closing)
    assert result.stopped_by == "time"
    assert worker.now + closing <= part * whole + 1e-9
    if result.left_out:  # less is left than the longest candidate takes, and the one that begins when it is done
        assert worker.now + closing > part * whole - 2 * COST["full"] - 1e-9
    assert result.best.setting == "full", "the best that there was time for"
    assert result.full == sum(row["stage"] == "full" for row in history_rows(tmp_path))


def test_with_time_for_few_finalists_it_is_told_how_many_are_left_out(tmp_path, monkeypatch):
    worker = Worker(monkeypatch, cost={"screen": 0.1, "full": 0.7})
    result = timed(tmp_path, worker, seconds=9.0)
    assert worker.now <= 9.0 + 0.7, "how long the first of its kind takes is not known before"
    assert result.left_out > 0
    assert result.best.setting == "full", "the best by the screen come first"


def test_what_time_cut_off_continues_to_the_same_candidates(tmp_path, monkeypatch):
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    searched(whole)
    expected = {(row["number"], row["stage"]): row["score"] for row in history_rows(whole)}
    for seconds in (2.05, 5.0):
        timed(cut, Worker(monkeypatch), seconds=seconds)
    monkeypatch.undo()
    searched(cut)
    found = {(row["number"], row["stage"]): row["score"] for row in history_rows(cut)}
    assert {at: score for at, score in found.items() if at[1] == "screen"} == {
        at: score for at, score in expected.items() if at[1] == "screen"
    }


def test_no_time_at_all_asks_for_nothing(tmp_path, monkeypatch):
    result = timed(tmp_path, Worker(monkeypatch), seconds=3.0, closing=3.0)
    assert (result.asked, result.stopped_by) == (0, "time")


def test_the_forecast_holds_from_the_first_tenth_on(tmp_path, monkeypatch):
    """Within a factor of 1.5, with what follows the search, where candidates of a kind take alike."""
    worker, seen = Worker(monkeypatch), []
    searched(
        tmp_path,
        hidden_target(candidates=150),
        executor=worker,
        closing=lambda: 20.0,
        progress=lambda standing: seen.append((worker.now, standing.time_left)),
    )
    whole = worker.now + 20.0
    later = [(now, left) for now, left in seen if now >= 0.1 * whole]
    assert len(later) > 0.5 * len(seen)
    for now, left in later:
        assert (whole - now) / 1.5 <= left <= 1.5 * (whole - now)


def test_progress_counts_the_candidates_that_were_asked_for(tmp_path):
    seen = []
    searched(tmp_path, progress=seen.append)
    assert {each.total for each in seen} == {90}
    assert [each.done for each in seen] == sorted(each.done for each in seen)
    assert seen[-1].done == 90
    best = [each for each in seen if each.leader]
    assert best[-1].leader[1].setting == "full"
    assert best[-1].leader[0] == searched(tmp_path).best.number


def test_candidates_at_work_are_waited_for_and_the_others_are_not(monkeypatch):
    worker = Worker(monkeypatch)
    futures = [worker.submit(lambda *_: None, None, None, SimpleNamespace(setting="full")) for _ in range(5)]
    done = []
    with pytest.raises(TimeIsUpError):
        done.extend(Deadline(0.7).completed(futures, lambda: COST["full"]))
    assert worker.now == pytest.approx(2 * COST["full"]), "the next is at work, and done by 0.6"
    assert sum(future.done() for future in futures) == 2


def test_without_an_end_everything_is_waited_for(monkeypatch):
    worker = Worker(monkeypatch)
    futures = [worker.submit(lambda *_: None, None, None, SimpleNamespace(setting="full")) for _ in range(3)]
    assert len(list(Deadline().completed(futures, lambda: 1e9))) == 3
    endless = Deadline()
    endless.keep_for_finals(None)  # a part of whatever there is
    assert endless.left == math.inf


# What becomes of a winner.


@pytest.fixture
def clock(monkeypatch):
    clock = SimpleNamespace(now=0.0)
    clock.monotonic = lambda: clock.now
    monkeypatch.setattr(closing_module, "time", clock)
    monkeypatch.setattr(closing_module.os, "getloadavg", lambda: (0.0, 0.0, 0.0))
    return clock


def test_as_much_is_made_of_a_winner_as_there_is_time_for(clock):
    closing = Closing(hidden_target(), began=0.0, minutes=1.0)
    needed = [closing.seconds(each) for each in EXTENTS]
    assert needed == sorted(needed, reverse=True)
    assert closing.reserve() == needed[0], "a small part of a minute"
    for extent, need in zip(EXTENTS, needed, strict=True):
        clock.now = 60.0 - 1.001 * need
        assert closing.extent() == extent
    clock.now = 60.0 - 0.9 * needed[-1]
    assert closing.extent() is None
    assert Closing(hidden_target(), began=0.0, minutes=None).extent() == EVERYTHING


def test_a_slow_machine_keeps_more_in_hand_and_a_short_search_no_more_than_its_part(clock):
    closing = Closing(hidden_target(), began=0.0, minutes=2.0)
    before = closing.reserve()
    closing.note(1.0, 3.0)
    assert closing.seconds(EVERYTHING) == pytest.approx(3.0 * before)
    closing.note(1.0, 2.0)
    assert closing.seconds(EVERYTHING) == pytest.approx(2.5 * before), "half way from 3 to 2"
    for _ in range(20):
        closing.note(1.0, 30.0)
    assert closing.seconds(EXTENTS[-1]) > PART * 120.0
    assert closing.reserve() == pytest.approx(SPARE * 30.0 * WRITTEN), "the page alone, and time for candidates"


def test_the_forecast_counts_the_cabinet_the_candidates_and_the_files(clock):
    closing = Closing(hidden_target(), began=0.0, minutes=None)
    files = closing.seconds(EVERYTHING)
    words = closing.forecast(4000, processes=2, cabinet=40.0)
    # 0.03 s of a core for each, two at a time.
    assert words == (
        f"Forecast: about {duration(40.0 + 60.0 + files)} (the cabinet 40 s, 4000 candidates {duration(60.0)}, the"
        f" winner's files {duration(files)})"
    )
    assert closing.forecast(0, processes=2, cabinet=0.0) == (
        f"Forecast: about {duration(files)} (the winner's files {duration(files)})"
    )


def test_a_cabinet_that_takes_longer_than_there_is_time_is_left_off(monkeypatch):
    solved = []

    def prepare(question, progress):
        for number in (1, 2, 3):
            solved.append(number)
            progress(cabinets.CabinetProgress(1000.0, number, 3, None, ""))

    monkeypatch.setattr(cabinets, "question_of", lambda path: object())
    monkeypatch.setattr(cabinets, "prepare", prepare)
    assert not prepare_cabinet(Path("target.toml"), quiet=True, ends=-math.inf)
    assert solved == [1], "what is solved is kept, and nothing more is begun"
    assert prepare_cabinet(Path("target.toml"), quiet=True)
    assert solved == [1, 1, 2, 3]


def test_a_ctrl_c_while_futures_are_taken_to_be_waited_for_leaves_none_locked():
    first, second = sorted((Future(), Future()), key=id)  # in the order in which they are taken
    taken = second._condition.acquire

    def taken_when_a_ctrl_c_comes(*how):
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)  # in which it is heard
        return taken(*how)

    second._condition.acquire = taken_when_a_ctrl_c_comes
    with pytest.raises(KeyboardInterrupt):
        list(Deadline().completed([first, second], lambda: 0.0))
    free = []
    other = Thread(target=lambda: free.append(first._condition.acquire(timeout=1.0)))
    other.start()
    other.join()
    assert free == [True]


def test_what_is_cancelled_is_not_waited_for(tmp_path, monkeypatch):
    """A cluster's future that is cancelled just as its worker finishes is never told to be done."""

    class Cluster:
        asked = 0

        def submit(self, fn, *args):
            future = Future()
            self.asked += 1
            if self.asked % 4 == 0:
                future.set_result(fn(*args))
            return future

    def interrupt(_):
        raise KeyboardInterrupt

    waited = []
    monkeypatch.setattr(loop, "wait", lambda futures: waited.extend(futures) or SimpleNamespace(done=set()))
    cluster = Cluster()
    assert searched(tmp_path, executor=cluster, progress=interrupt).stopped_by == "interrupted"
    assert cluster.asked >= 4
    assert not any(future.cancelled() for future in waited)
