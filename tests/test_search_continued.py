"""The same command again: what continues a run, what is another one, and what is said of either."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cheap_search import TEXT, hidden_target, searched
from commandline import TARGET
from evenflare.files import InputError
from evenflare.room.room_file import MINIMAL
from evenflare.search import check_search, glimpse, history_rows
from evenflare.search import identity as module
from evenflare.search.identity import identity
from evenflare.search.store import STORE, opened
from evenflare.target.target import Target, read_target

ROOM = MINIMAL
IN_ROOM = TARGET.replace("[limits]", '[wanted.room]\nroom = "room.toml"\n[limits]') + (
    '[mounting]\nkind = "sphere"\nradius_mm = 150\n'
)


def read(folder: Path, text: str = TARGET) -> tuple[Target, str]:
    (folder / "room.toml").write_text(ROOM)
    (folder / "target.toml").write_text(text)
    return read_target(folder / "target.toml"), text


def begun(folder: Path, text: str = TARGET) -> Path:
    """A run of that target in which nothing was asked yet."""
    target, text = read(folder, text)
    with opened(folder / "run", identity(target, text=text, seed=3)):
        pass
    return folder / "run"


def asked(run: Path, text: str, **others) -> list[str]:
    target, text = read(run.parent, text)
    return check_search(target, run, target_text=text, **others)


def refusal(run: Path, text: str, **others) -> str:
    with pytest.raises(InputError) as caught:
        asked(run, text, **others)
    return str(caught.value).removeprefix(f"{run}: holds another search: ")


def test_comments_names_order_and_numbers_of_candidates_continue_a_run(tmp_path):
    run = begun(tmp_path)
    assert asked(run, '# a remark\nname = "mine"\n' + TARGET.replace("= 60", "= 600")) == []
    assert asked(run, TARGET, candidates=700) == []


def test_a_changed_target_is_refused_by_key_with_both_values_and_what_to_do(tmp_path):
    run = begun(tmp_path)
    assert refusal(run, TARGET.replace("[60, 100]", "[60, 110]")) == (
        "[limits] depth_mm = [60, 100] there, [60, 110] now. Choose another --out folder, and begin at what was found"
        f" here with --from {run}; or go back to what that search asked for, to continue it"
    )
    both = refusal(run, TARGET.replace("9.0", "8.9").replace("[search]", "smallest_draft_deg = 2\n[search]"), seed=8)
    assert both.startswith(
        "[wanted] index_db = [7, 9] there, [7, 8.9] now; [limits] smallest_draft_deg left out there, 2 now; seed = 3"
        " there, 8 now. "
    )


def test_of_a_long_list_the_value_that_changed_is_told(tmp_path):
    count = 40
    many = TARGET.replace("[1500, 4000]", str([1500 + 50 * i for i in range(count)]))
    many = many.replace("[7.0, 9.0]", str([7.0] * count)).replace("[0.5, 0.5]", str([0.5] * count))
    run = begun(tmp_path, many)
    changed = many.replace("3450]", "3451]")
    assert refusal(run, changed).startswith("value 40 of [wanted] frequency_hz is 3450 there, 3451 now. Choose")


def test_a_room_continues_until_its_file_asks_for_something_else(tmp_path, monkeypatch):
    run = begun(tmp_path, IN_ROOM)
    monkeypatch.setitem(globals(), "ROOM", "# a remark\n" + ROOM.replace('"sofa"', '"couch"'))
    assert asked(run, IN_ROOM) == []
    monkeypatch.setitem(globals(), "ROOM", ROOM.replace("3.8", "3.9"))
    assert refusal(run, IN_ROOM).startswith(
        "the room's [[seats]] position_m = [[3.8, 2, 1.1]] there, [[3.9, 2, 1.1]] now"
    )


def test_runs_of_earlier_versions_are_read_and_not_continued(tmp_path):
    """What they were made of stood there as the file's text, and the repr of what other files gave it."""
    run = begun(tmp_path, IN_ROOM)
    with closing(sqlite3.connect(run / STORE)) as connection, connection:
        connection.execute("DELETE FROM run WHERE name IN ('question', 'rules')")
        connection.execute("INSERT INTO run VALUES ('candidates', '60'), ('room', 'Room(source=Source(...))')")
        row = ("conical", "[0.5]", 1.25, 1, "{}", "{}", "{}", "")
        connection.execute("INSERT INTO candidate VALUES (1,'screen',?,?,?,?,?,?,?,?)", row)
    assert refusal(run, IN_ROOM).startswith(
        "one begun by an earlier evenflare, which asked for candidates in another order (it can be read, not"
        " continued). Choose another --out folder, and begin at what was found here with --from "
    )
    assert [each["score"] for each in history_rows(run)] == [1.25]
    assert glimpse(run).best == 1.25


def test_another_version_of_the_product_is_another_run(tmp_path, monkeypatch):
    run = begun(tmp_path)
    monkeypatch.setattr(module, "__version__", "99.0")
    assert re.match(r"version of evenflare = \d\S+ there, 99\.0 now\. Choose", refusal(run, TARGET))


def test_other_versions_of_libraries_are_told_and_refused_only_where_they_ask_otherwise(tmp_path, monkeypatch):
    run = tmp_path / "run"
    searched(run, minutes=0)
    monkeypatch.setattr(
        module, "version", ({name: module.version(name) for name in module.BESIDE} | {"cma": "9.9"}).__getitem__
    )
    (doubt,) = check_search(hidden_target(), run, target_text=TEXT)
    assert doubt.startswith("cma is 9.9 here and was ")
    searched(run)


def test_a_question_that_cannot_be_read_is_told_not_thrown(tmp_path):
    run = begun(tmp_path)
    for text in ("{", "[]", json.dumps({"a": 1})):
        with closing(sqlite3.connect(run / STORE)) as connection, connection:
            connection.execute("UPDATE run SET value = ? WHERE name = 'question'", (text,))
        assert refusal(run, TARGET).startswith("the target, whose question there cannot be read. Choose")


def test_fewer_candidates_than_there_are_ask_for_nothing_and_give_the_answer(tmp_path):
    whole = searched(tmp_path)
    before = list(history_rows(tmp_path))
    solved = []
    assert check_search(hidden_target(), tmp_path, target_text=TEXT, candidates=40) == [
        f"{tmp_path} holds 90 candidates of this search, 40 are asked for: no more are. For more, raise --candidates"
    ]
    fewer = searched(tmp_path, candidates=40, progress=solved.append)
    assert solved == []
    assert fewer.best == whole.best
    assert list(history_rows(tmp_path)) == before
    assert glimpse(tmp_path).candidates == 90
    assert glimpse(tmp_path).best == whole.best.score.value
