"""A search and its history: progress, result, and what is told where there is none."""

from __future__ import annotations

import shlex
import sqlite3
from contextlib import closing

import pytest

from commandline import TARGET, contents, said, started
from evenflare.cli import run
from evenflare.columns import numbers

pytestmark = pytest.mark.usefixtures("compiled")

SEARCH = "search target.toml --out run --workers 1"


@pytest.mark.usefixtures("plain", "unpainted")
def test_search_tells_progress_on_standard_error_and_the_result_on_standard_output(capsys, here):
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20"))
    code, out, err = said(capsys, SEARCH)
    assert code == 0
    assert "Assumed, since target.toml does not say: throat_angle_deg 0 to 60" in err
    assert "Mouths up to 240 mm, the largest that [limits] allow, give an index of 7.0 dB (wanted at 1.5 kHz)" in err
    for stage in ("searching", "the best at full setting", "Solving and exporting the winner"):
        assert stage in err
        assert stage not in out
    answer, _, rest = out.partition("20 candidates asked for, ")
    assert answer.startswith("The target is not met: index leaves the tolerance.\nIndex: outside the tolerance at ")
    assert answer.endswith("Limits: all kept.\n")
    assert "What to do next:\n  20 candidates are too few to say what more would bring: ask for more:\n" in rest
    assert "    evenflare search target.toml --out run --candidates 600 --workers 1\n" in rest
    assert "better than the best shape of a published family that was tried" in out
    code, again, err = said(capsys, f"{SEARCH} --quiet")  # a finished run is read back
    assert (code, again, err) == (0, out, "")
    code, rows, err = said(capsys, "history run --quiet")
    assert (code, err) == (0, "")
    about = (
        "# every scored candidate of the search in run, a row per number and stage\n# seed 3; searched by evenflare "
    )
    assert rows.startswith(about)
    assert "\nnumber,stage,score,feasible,family," in rows
    (here / "rows.csv").write_text(rows)
    read = list(numbers(here / "rows.csv", ["number", "depth_mm"], empty=float("nan")))
    assert len(read) == sum(not line.startswith("#") for line in rows.splitlines()) - 1
    best = (here / "run" / "best.toml").read_bytes()
    (here / "target.toml").write_text(TARGET.replace("= 60", "= 20").replace("9.0", "8.9"))
    code, out, err = said(capsys, f"{SEARCH} --quiet")
    assert (code, out) == (2, "")
    assert "run: holds another search: [wanted] index_db = [7, 9] there, [7, 8.9] now. Choose another --out" in err
    code, out, err = said(capsys, f"{SEARCH} --quiet --seed 8")
    assert "[7, 8.9] now; seed = 3 there, 8 now. Choose" in err
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
    assert process.stdout.readline().startswith("# every scored candidate of the search in run")
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
        "10 candidates asked for, 0 solved, 0 of them at full\n"
        "No candidate keeps the limits of target.toml: the nearest, of family exponential, breaks"
        " smallest_concave_radius_mm by 6.56; most often broken is smallest_concave_radius_mm, by 10 of 10\n"
        "Widen [limits] in target.toml, or ask for more candidates\n"
    )
    assert set(contents(here / "run")) == {
        "candidates.sqlite",
        "candidates.lock",
        "progress.json",
        "target/target.toml",
    }


def test_search_that_had_no_time_does_not_blame_the_limits(capsys, here):
    code, out, err = said(capsys, f"{SEARCH} --quiet --minutes 1e-9")
    assert (code, err) == (1, "")
    assert out.startswith("Time was up before the first candidate: ")
    code, rows, err = said(capsys, "history run")
    assert (code, err) == (0, "")
    assert rows.endswith("\nnumber,stage,score,feasible,family,reason\n")
    assert all(line.startswith("# ") for line in rows.splitlines()[:-1])
