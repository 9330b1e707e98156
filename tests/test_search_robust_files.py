"""Target files that ask for a robust search: the process that they name, what is wrong with them, and their copies."""

from __future__ import annotations

from pathlib import Path

import pytest

from commandline import TARGET
from evenflare.commands.forgiving import read_search_target
from evenflare.files import InputError
from evenflare.search import check_search, run_search
from evenflare.search.identity import identity
from evenflare.search.store import opened
from evenflare.target.copied import copied_target, copy_target
from evenflare.target.target import Target, read_target

ROBUST = TARGET.replace("[search]", '[search]\nrobust = true\nprocess = "router"\nrobust_k = 1.5')


def read(folder: Path, text: str) -> Target:
    (folder / "target.toml").write_text(text)
    return read_search_target(folder / "target.toml")


def refusal(folder: Path, text: str) -> str:
    with pytest.raises(InputError) as caught:
        read(folder, text)
    return str(caught.value)


def test_a_process_is_one_that_comes_along_or_a_file_beside_the_target(tmp_path):
    target = read(tmp_path, ROBUST)
    assert target.robust.k == 1.5
    assert target.robust.accuracy.spread == pytest.approx(8e-5)
    (tmp_path / "mine.toml").write_text(MINE)
    assert read(tmp_path, ROBUST.replace('"router"', '"mine.toml"')).robust.accuracy.spread == pytest.approx(2e-4)


MINE = """name = "mine"
tolerance_mm = 0.2
material = "pine"
density_kg_per_m3 = 500
[machine]
kind = "none"
[stock]
kind = "block"
[accuracy]
wall_spread_mm = 0.2
correlation_length_mm = 20
around = "alike"
source = "invented"
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('process = "router"\n', "", ["[search] process: missing beside robust = true", 'process = "router"']),
        ("robust = true\n", "", ["process: says nothing without robust = true. Add that, or remove it"]),
        ("robust = true", 'robust = true\ntrade = ["score", "depth_mm"]', ["robust and trade exclude each other"]),
        ("robust_k = 1.5", "robust_k = 9", ["robust_k = 9: must be 0 to 5. Lower it"]),
        ('"router"', '"roter"', ["process = roter: no such file", "router, lathe, sheets, casting"]),
    ],
)
def test_a_fault_is_told_with_its_key_and_remedy(tmp_path, old, new, words):
    assert old in ROBUST
    told = refusal(tmp_path, ROBUST.replace(old, new))
    for word in [str(tmp_path / "target.toml"), *words]:
        assert word in told


def test_a_process_that_does_not_say_how_true_it_is_is_refused(tmp_path):
    (tmp_path / "mine.toml").write_text(MINE.split("[accuracy]")[0])
    told = refusal(tmp_path, ROBUST.replace('"router"', '"mine.toml"'))
    assert "does not say how true it is, which robust = true ranks by. Add an [accuracy] table" in told
    (tmp_path / "mine.toml").write_text(MINE.replace("spread_mm = 0.2", "spread_mm = 0"))
    assert "every unit is exactly as drawn" in refusal(tmp_path, ROBUST.replace('"router"', '"mine.toml"'))


def test_a_target_whose_process_was_not_read_is_not_searched(tmp_path):
    (tmp_path / "target.toml").write_text(ROBUST)
    with pytest.raises(InputError, match="was not read"):
        run_search(read_target(tmp_path / "target.toml"), tmp_path / "run", target_text=ROBUST)
    assert not (tmp_path / "run").exists()


def test_a_process_that_changes_is_another_search_and_its_words_do_not_count(tmp_path):
    (tmp_path / "mine.toml").write_text(MINE)
    text = ROBUST.replace('"router"', '"mine.toml"')
    with opened(tmp_path / "run", identity(read(tmp_path, text), text=text, seed=3)):
        pass
    (tmp_path / "mine.toml").write_text(MINE.replace('"invented"', '"guessed"'))
    assert check_search(read(tmp_path, text), tmp_path / "run", target_text=text) == []
    (tmp_path / "mine.toml").write_text(MINE.replace("spread_mm = 0.2", "spread_mm = 0.3"))
    with pytest.raises(InputError, match=r"\[search\] process, what it says in wall_spread_mm = 0.2 there, 0.3 now"):
        check_search(read(tmp_path, text), tmp_path / "run", target_text=text)
    with pytest.raises(InputError, match=r"\[search\] robust = true there, left out now"):
        check_search(read(tmp_path, TARGET), tmp_path / "run", target_text=TARGET)


def test_a_run_keeps_a_copy_of_its_process_and_names_one_that_comes_along(tmp_path):
    (tmp_path / "mine.toml").write_text(MINE)
    for name, kept in (("mine.toml", "files/mine.toml"), ("router", "router")):
        (tmp_path / "target.toml").write_text(ROBUST.replace("router", name))
        copy_target(tmp_path / "target.toml", tmp_path / "run")
        copy = read_search_target(copied_target(tmp_path / "run"))
        assert copy.robust.process == kept
        assert copy.robust.accuracy == read_search_target(tmp_path / "target.toml").robust.accuracy


# Real solutions
