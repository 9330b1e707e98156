"""The command that prints what a search can trade; what a search writes beside its winner."""

from __future__ import annotations

import csv
import io
import shlex

import pytest

from commandline import TARGET, contents, said
from evenflare.cli import run
from evenflare.commands import solving
from evenflare.design.file import read_design
from evenflare.report.kit import canvas
from evenflare.search import history_rows
from evenflare.target.target import read_target
from evenflare.units import MILLIMETRE

pytestmark = pytest.mark.usefixtures("compiled")


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    """A folder with a target that trades, and the run of its search, in which nothing is compared and painted."""
    folder = tmp_path_factory.mktemp("searched")
    trade = 'trade = ["score", "mouth_diameter_mm"]\n'
    (folder / "target.toml").write_text(
        TARGET.replace("= 60", "= 40").replace('["conical", "free"]', '["conical"]') + trade
    )
    words = f"search {folder / 'target.toml'} --out {folder / 'run'} --workers 1 --quiet"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(solving, "_compared", lambda sound, *_: sound)
        patched.setattr(canvas, "png", lambda _: b"unpainted")
        assert run(shlex.split(words)) == 0
    return folder


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO("".join(line for line in text.splitlines(True) if line[0] != "#"))))


def test_search_writes_its_front_with_designs_of_its_ends(searched):
    folder = searched / "run"
    rows = table((folder / "front.csv").read_text())
    assert list(rows[0]) == ["number", "family", "stage", "score", "mouth_diameter_mm", "point"]
    assert {row["stage"] for row in rows} == {"full"}
    marked = {point: row for row in rows for point in row["point"].split()}
    assert {"lowest_score", "lowest_mouth_diameter_mm"} <= set(marked)
    assert {path.stem for path in (folder / "front").iterdir()} == set(marked)
    assert (folder / "front.png").exists()
    target = read_target(searched / "target.toml")
    for point, row in marked.items():
        waveguide = read_design(folder / "front" / f"{point}.toml").waveguide
        # Six digits in the table.
        assert waveguide.mouth_width / MILLIMETRE == pytest.approx(float(row["mouth_diameter_mm"]), rel=1e-5)
        assert waveguide.driver == target.driver
    page = (folder / "report.html").read_text()
    assert "Trade-offs</h2>" in page
    assert f"number {marked['lowest_score']['number']}, score " in page
    assert "holds the winner back" in page
    assert (
        (folder / "binding.csv").read_text().splitlines()[-1].startswith(("limit,end,allowed,", "depth_mm,", "mouth_"))
    )


def test_front_is_printed_and_written(searched, capsys):
    code, out, err = said(capsys, f"front {searched / 'run'} --of score,mouth_diameter_mm")
    assert (code, err) == (0, "")
    of_run = table((searched / "run" / "front.csv").read_text())
    assert table(out) == of_run
    before = set(contents(searched / "run"))
    there = searched / "traded"
    words = f"front {searched / 'run'} --of depth_mm,smallest_concave_radius_mm --stage screen"
    code, out, _ = said(capsys, f"{words} --out {there} --target {searched / 'target.toml'}")
    assert code == 0
    assert (
        "candidates that keep the limits are beaten by none in depth and smallest concave radius, judged at screen"
        in out
    )
    assert {"front/lowest_depth_mm.toml", "front/highest_smallest_concave_radius_mm.toml"} <= set(contents(there))
    assert (there / "front.png").stat().st_size > 10_000
    assert set(contents(searched / "run")) == before
    rows = table((there / "front.csv").read_text())
    solved = [row for row in history_rows(searched / "run") if row["stage"] == "screen" and row["feasible"]]
    assert rows[0]["depth_mm"] == f"{min(row['depth_mm'] for row in solved):.6g}"


def test_target_of_another_run_gives_no_designs(searched, capsys, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text((searched / "target.toml").read_text().replace("[60, 100]", "[50, 100]"))
    code, out, err = said(capsys, f"front {searched / 'run'} --out {tmp_path / 'traded'} --target {other}")
    assert (code, out) == (2, "")
    assert "has another shape within its [limits]: must be the target that the run searched for" in err
    assert not (tmp_path / "traded").exists()


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("--of score", "--of = score: must be two or more quantities, of score, index_db, "),
        ("--of score,depth", "--of = depth: must be one of score, "),
        ("--target target.toml", "--target = target.toml: is for the designs, which go with --out FOLDER. Add it"),
        ("--stage estimate", "was solved at estimate and has score and depth_mm"),
    ],
)
def test_slips_are_refused(searched, capsys, more, words):
    code, out, err = said(capsys, f"front {searched / 'run'} {more}")
    assert (code, out) == (2, "")
    assert words in err


def test_folder_without_a_run_has_no_front(capsys, tmp_path):
    code, out, err = said(capsys, f"front {tmp_path}")
    assert (code, out) == (2, "")
    assert "holds no search" in err
