"""Searches that are refused: folders of other runs, damaged stores, full disks, bad numbers."""

from __future__ import annotations

import os
import sqlite3

import pytest

from cheap_search import TEXT, hidden_target, searched
from evenflare.files import InputError
from evenflare.search import check_search, history_rows
from evenflare.search.identity import identity
from evenflare.search.store import STORE, opened
from evenflare.search.worker import Job, Outcome

MADE_OF = identity(hidden_target(), text=TEXT, seed=1)


def test_another_seed_is_another_run(tmp_path):
    searched(tmp_path, minutes=0)
    with pytest.raises(InputError, match=r"holds another search: seed = 1 there, 7 now\. Choose another --out folder"):
        searched(tmp_path, seed=7)


def test_second_run_is_refused_while_the_first_runs(tmp_path):
    with opened(tmp_path, MADE_OF), pytest.raises(InputError, match="another search is running in this folder"):
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
    with opened(tmp_path, MADE_OF) as store:
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
    with pytest.raises(InputError, match="holds another search: seed = 1 there, 9 now"):
        check_search(target, run, target_text="other", seed=9)
    with opened(run, MADE_OF), pytest.raises(InputError, match="another search is running in this folder"):
        check_search(target, run, target_text=TEXT)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="file: is a file, not a folder"):
        check_search(target, tmp_path / "file", target_text=TEXT)
    empty = tmp_path / "empty"
    empty.mkdir()
    (empty / STORE).touch()
    assert list(history_rows(empty)) == []
    check_search(target, empty, target_text=TEXT)  # ended before it wrote what it is made of
