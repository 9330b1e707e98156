"""A search and its history: progress, result, and what is told where there is none."""

from __future__ import annotations

import shlex
import sqlite3
from contextlib import closing

import pytest

from commandline import TARGET, contents, said, started
from evenflare.cli import run

pytestmark = pytest.mark.usefixtures("compiled")

SEARCH = "search target.toml --out run --workers 1"


def test_search_tells_progress_on_standard_error_and_the_result_on_standard_output(capsys, here, plain):
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20"))
    code, out, err = said(capsys, SEARCH)
    assert code == 0
    assert "Assumed, since target.toml does not say: throat_angle_deg 0 to 60" in err
    assert err.startswith("The largest mouth that [limits] allow, 240 mm, can give an index of ")
    for stage in ("published families", "free curve", "the best at full setting", "Solving and exporting the winner"):
        assert stage in err
        assert stage not in out
    assert out.startswith("20 candidates asked for, ")
    assert "better than the best published family" in out
    code, again, err = said(capsys, f"{SEARCH} --quiet")  # a finished run is read back
    assert (code, again, err) == (0, out, "")
    code, rows, err = said(capsys, "history run --quiet")
    assert (code, err) == (0, "")
    assert rows.startswith("number,stage,score,feasible,family,")
    best = (here / "run" / "best.toml").read_bytes()
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20").replace("9.0", "8.9"))
    code, out, err = said(capsys, f"{SEARCH} --quiet")
    assert (code, out) == (2, "")
    assert "run: holds a search with another target. Choose another --out folder" in err
    code, out, err = said(capsys, f"{SEARCH} --quiet --seed 8")
    assert "another target and another seed (3 there, 8 now)" in err
    assert (here / "run" / "best.toml").read_bytes() == best
    assert said(capsys, "history run") == (0, rows, "")


def test_history_whose_reader_has_seen_enough_is_not_a_fault(here):
    folder = here / "run"
    folder.mkdir()
    target = here / "target.toml"
    assert run(shlex.split(f"search {target} --out {folder} --workers 1 --minutes 1e-9 --quiet")) == 1
    with closing(sqlite3.connect(folder / "candidates.sqlite")) as store, store:
        row = ("conical", "[0.5]", 1.0, 1, "{}", "{}", "{}", "")
        store.executemany(
            "INSERT INTO candidate VALUES (?,'screen',?,?,?,?,?,?,?,?)", [(i, *row) for i in range(1, 20_001)]
        )
    process = started("history run")
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().startswith("number,stage,score,feasible")
    process.stdout.close()
    assert process.stderr.read() == ""
    process.stderr.close()
    assert process.wait(timeout=60) == 0


def test_search_without_a_feasible_shape_is_no(capsys, here):
    text = TARGET.replace("[search]", "smallest_concave_radius_mm = 20\n[search]")
    (here / "target.toml").write_text(text.replace('"conical", "free"', '"exponential"').replace("= 60", "= 10"))
    code, out, err = said(capsys, f"{SEARCH} --quiet")
    assert (code, err) == (1, "")
    # The tenth is kept for polishing, and there is nothing to polish.
    assert out == (
        "9 candidates asked for, 0 solved, 0 of them at full\n"
        "No candidate keeps the limits of target.toml: the nearest, of family exponential, breaks"
        " smallest_concave_radius_mm by 6.43; most often broken is smallest_concave_radius_mm, by 9 of 9\n"
        "Widen [limits] in target.toml, or ask for more candidates\n"
    )
    assert set(contents(here / "run")) == {"candidates.sqlite", "candidates.lock", "target/target.toml"}


def test_search_that_had_no_time_does_not_blame_the_limits(capsys, here):
    code, out, err = said(capsys, f"{SEARCH} --quiet --minutes 1e-9")
    assert (code, err) == (1, "")
    assert out.endswith("No candidate keeps the limits of target.toml so far\n")
    assert said(capsys, "history run") == (0, "number,stage,score,feasible,family,reason\n", "")
