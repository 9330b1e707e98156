"""Lines of descent that compete: a run is the beginning of a longer one, what does not pay ends, starts count."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cheap_search import hidden_target, searched
from evenflare.search import history_rows, run_search
from evenflare.search.starts import Start
from evenflare.target.target import read_target

TARGETS = Path(__file__).parents[1] / "targets"
SHORT, LONG = (hidden_target(candidates=count) for count in (70, 150))


def asked(folder):
    """Every candidate in order of its number."""
    rows = {row["number"]: row for row in history_rows(folder)}
    return [(rows[number]["family"], rows[number]["depth_mm"], rows[number]["reason"]) for number in sorted(rows)]


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    folder = tmp_path_factory.mktemp("long")
    return searched(folder, LONG), asked(folder)


def test_a_run_is_the_beginning_of_a_longer_one(long, tmp_path):
    searched(tmp_path, SHORT)
    assert asked(tmp_path) == long[1][:70]


def test_what_does_not_come_near_the_best_ends_early_and_says_so(tmp_path):
    target = replace(read_target(TARGETS / "hall.toml"), families=("conical", "tractrix", "free"), candidates=150)
    result = run_search(target, tmp_path, target_text="", workers=1)
    conical, tractrix, free = result.families
    assert re.fullmatch(
        r"a look from its middle: ended at [12]\.\d\d\d dB, \d\.\d\d\d dB behind the best until then", conical.words
    )
    assert tractrix.best is None
    assert "no shape was found that keeps the limits and can be solved; the nearest breaks" in tractrix.words
    assert conical.candidates < 40
    assert tractrix.candidates < 40
    assert free.candidates == 150 - conical.candidates - tractrix.candidates > 100
    # The evolution alone, of the free curve alone, was at 0.40 to 0.55 dB after twice as many, over three seeds.
    assert free.best < 0.5
    assert result.best.family == "free"


def test_a_start_is_judged_first_at_screen_and_full_and_the_answer_is_never_worse(long, tmp_path):
    folder = tmp_path / "start"
    vector = tuple(np.round(np.full(3, 0.4), 6).tolist())
    result = searched(folder, LONG, starts=[Start("mine.toml", "conical", vector, 0.0)])
    rows = [row for row in history_rows(folder) if row["number"] == 1]
    assert {row["stage"] for row in rows} == {"screen", "full"}
    assert {row["family"] for row in rows} == {"conical"}
    full = next(row["score"] for row in rows if row["stage"] == "full")
    assert result.best.score.value <= full
