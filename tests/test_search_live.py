"""A run's folder while the search is at work: best.toml and a page, rewritten now and then."""

from __future__ import annotations

import itertools
import os
import signal
import time
from datetime import datetime
from functools import partial
from types import SimpleNamespace

import pytest

from cheap_search import hidden_target, searched
from evenflare.commands import live as module
from evenflare.commands.closing import Closing
from evenflare.commands.live import EVERY, Live, held_words
from evenflare.commands.searching import _design
from evenflare.design.file import read_design
from evenflare.report.waveguide.live import ended_words, running_words
from evenflare.search.interruptions import interruptions_held

TARGET = hidden_target(families=("conical",), candidates=40)


@pytest.fixture
def clock(monkeypatch):
    clock = SimpleNamespace(now=0.0)
    clock.monotonic = lambda: clock.now
    monkeypatch.setattr(module, "time", clock)
    return clock


def live_in(folder) -> Live:
    closing = Closing(TARGET, began=0.0, minutes=None)
    return Live(TARGET, folder, command="evenflare search", closing=closing, design=partial(_design, TARGET))


@pytest.mark.usefixtures("unpainted")
def test_both_files_are_there_from_the_first_shape_on_and_rewritten_once_a_minute(tmp_path, clock, monkeypatch):
    live, written, leaders = live_in(tmp_path), [], []
    write = Live.write
    monkeypatch.setattr(Live, "write", lambda self, *at, **by: (written.append(clock.now), write(self, *at, **by)))

    def progress(standing):
        clock.now += 7.0
        leaders.append(standing.leader)
        live(standing)
        assert (tmp_path / "best.toml").is_file() == bool(written)
        assert (tmp_path / "report.html").is_file() == bool(written)

    searched(tmp_path, TARGET, progress=progress)
    first = next(i for i, leader in enumerate(leaders) if leader)
    assert written[0] == 7.0 * (first + 1)
    assert len(written) > 2
    assert all(later - before >= EVERY for before, later in itertools.pairwise(written))
    assert all(later - before < EVERY + 7.0 for before, later in itertools.pairwise(written))


def test_best_is_a_design_and_the_page_says_that_it_runs_and_what_it_found(tmp_path):
    live, seen = live_in(tmp_path), []
    searched(tmp_path, TARGET, progress=seen.append)
    live.write(seen[-1])
    number, job = seen[-1].leader
    design = read_design(tmp_path / "best.toml")
    assert design.waveguide.shape.family == job.family == "conical"
    page = (tmp_path / "report.html").read_text()
    assert "The search is running since " in page
    assert f"the best, number {number}, of family conical, has a score of {seen[-1].best:.3f} dB at full" in page
    assert '<meta http-equiv="refresh" content="60">' in page
    live(seen[-1])
    live.ended("was interrupted")
    page = (tmp_path / "report.html").read_text()
    assert "The search was interrupted at " in page
    assert "refresh" not in page
    assert held_words(tmp_path).endswith("/best.toml; the same command continues")


@pytest.mark.usefixtures("unpainted")
def test_a_page_that_takes_long_is_rewritten_less_often(tmp_path, clock, monkeypatch):
    live, seen = live_in(tmp_path), []
    searched(tmp_path, TARGET, progress=seen.append)

    def slow_design(waveguide):
        clock.now += 5.0
        return _design(TARGET, waveguide)

    live._design = slow_design
    live(seen[-1])
    assert clock.now == 5.0
    clock.now = 5.0 + 499.0
    live(seen[-1])
    assert clock.now == 504.0, "a hundredth of the time at most"
    clock.now = 5.0 + 501.0
    live(seen[-1])
    assert clock.now == 511.0


@pytest.mark.usefixtures("unpainted")
def test_what_fails_on_the_way_leaves_both_files_as_they_were(tmp_path, monkeypatch):
    live, seen = live_in(tmp_path), []
    searched(tmp_path, TARGET, progress=seen.append)
    live.write(seen[20])
    before = [(tmp_path / name).read_bytes() for name in ("best.toml", "report.html")]
    monkeypatch.setattr(module, "history_rows", lambda _: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        live.write(seen[-1])
    assert [(tmp_path / name).read_bytes() for name in ("best.toml", "report.html")] == before


def test_words_of_a_run_that_began_yesterday():
    began, now = datetime(2026, 3, 4, 22, 15), datetime(2026, 3, 5, 6, 1, 30)
    assert running_words(began, now).startswith(
        "The search is running since 22:15 on 04 March 2026; this page is of 06:01:30 on 05 March 2026."
    )
    assert ended_words(began, now, why="was interrupted") == (
        "The search was interrupted at 06:01:30 on 05 March 2026, after 7 h 46 min. The same command goes on with it."
    )


def drawn_by_one_that_catches_everything(done):
    with interruptions_held():
        os.kill(os.getpid(), signal.SIGINT)
        try:
            time.sleep(0.05)
            done.append("the page")
        except:  # noqa: E722 - as some libraries have it
            done.append("lost")


def test_an_interruption_while_a_page_is_drawn_is_heard_when_it_is_done():
    done = []
    with pytest.raises(KeyboardInterrupt):
        drawn_by_one_that_catches_everything(done)
    assert done == ["the page"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
