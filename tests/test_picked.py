"""Candidates of a run as designs, the different good ones among them, and what was assumed."""

from __future__ import annotations

import csv
import io
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from cheap_search import cheap, cheap_solve, hidden_target, searched
from commandline import TARGET as PLAIN
from commandline import asked, said
from evenflare import read_design
from evenflare.commands.picking import pick_command
from evenflare.commands.run_sections import FOLDER, run_sections, write_shapes
from evenflare.report.kit.sheet import PageSection
from evenflare.search import history_rows, run_search
from evenflare.search.picked import picked
from evenflare.search.shapes import DIFFERENT, GOOD, GOOD_BY, MOST, different_shapes
from evenflare.search.starts import start_at
from evenflare.search.store import STORE, finished
from evenflare.search.worker import waveguide_of
from evenflare.target.assumed import Rejected, assumed_line, assumptions, rejected_lines, rejections
from evenflare.target.copied import COPY, copied_target, copy_target
from evenflare.target.target import read_target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Bound, Conical, Waveguide, limit_excess
from evenflare.waveguide.likeness import apart, farthest, walls
from target_texts import GOOD as TARGET
from target_texts import OBLONG

LIMITED = (
    PLAIN.replace("[search]", "throat_angle_deg = [0, 40]\n[search]")
    .replace('["conical", "free"]', '["conical", "tractrix", "free"]')
    .replace("seed = 3\n", "")
)


@pytest.fixture(scope="module")
def searched_once(tmp_path_factory):
    """A run on the cheap solver with its copy of the target, of which each test has one of its own."""
    folder = tmp_path_factory.mktemp("searched")
    (folder / "target.toml").write_text(LIMITED)
    target = read_target(folder / "target.toml")
    run_search(target, folder / "run", target_text=LIMITED, solver_factory=cheap)
    copy_target(folder / "target.toml", folder / "run")
    return folder / "run"


@pytest.fixture
def run(here, searched_once):
    """The run in a folder of its own; the target's file is gone."""
    shutil.copytree(searched_once, here / "run")
    (here / "target.toml").unlink()
    return Path("run")


class TestPick:
    def test_every_row_with_a_shape_becomes_its_design(self, run):
        target = read_target(copied_target(run))
        for number, job, outcome in finished(run):
            if job.setting != "screen" or not outcome.parameters:
                continue
            pick_command(run, number, Path("picked.toml"))
            design = read_design("picked.toml")
            same = waveguide_of(target, job.family, job.vector)
            # A design file holds every number to its last digit or 1e-12 of it.
            assert farthest(walls(design.waveguide), walls(same)) < 1e-11
            assert design.name == f"target: candidate {number}"
            assert 1000 * design.waveguide.depth == pytest.approx(outcome.parameters["depth_mm"], rel=1e-12)

    def test_without_a_number_it_is_the_best(self, run, capsys):
        code, out, _ = said(capsys, "pick run --out best.toml")
        best = min((o.rank, n) for n, job, o in finished(run) if o.feasible and job.setting == "full")
        assert code == 0
        assert out.startswith(f"best.toml: candidate {best[1]} of ")
        assert out.endswith(f", score {best[0]:.3f} dB at full\n")
        best = picked(run, read_target(run / COPY)).waveguide
        assert farthest(walls(read_design("best.toml").waveguide), walls(best)) < 1e-11  # as above

    def test_one_that_breaks_limits_has_a_shape_too(self, run, capsys):
        number, _, outcome = next(each for each in finished(run) if "throat_angle_deg" in each[2].reason)
        code, out, _ = said(capsys, f"pick run --number {number} --out broken.toml")
        assert code == 0
        assert f"not solved: it {outcome.reason}" in out
        target = read_target(run / COPY)
        assert limit_excess(read_design("broken.toml").waveguide, target.limits)["throat_angle_deg"] > 0

    def test_only_the_folder_is_needed(self, run, tmp_path_factory):
        elsewhere = tmp_path_factory.mktemp("elsewhere") / "moved"
        shutil.move(run, elsewhere)
        assert pick_command(elsewhere, 1, elsewhere / "one.toml").picked.number == 1

    def test_a_run_without_a_copy_takes_the_target(self, run, capsys):
        shutil.move(run / COPY, "kept.toml")
        code, _, err = said(capsys, "pick run --number 3 --out three.toml")
        assert (code, "run: holds no copy of its target" in err, "--target" in err) == (2, True, True)
        assert said(capsys, "pick run --number 3 --out three.toml --target kept.toml")[0] == 0
        Path("other.toml").write_text(LIMITED.replace("[60, 100]", "[65, 100]"))
        code, _, err = said(capsys, "pick run --number 3 --out three.toml --target other.toml")
        assert (code, "built again from other.toml" in err) == (2, True)

    @pytest.mark.parametrize("number", [0, -1, 61_000])
    def test_number_that_is_not_there(self, run, capsys, number):
        code, _, err = said(capsys, f"pick run --number {number} --out x.toml")
        last = max(number for number, _, _ in finished(run))
        assert code == 2
        assert (
            f"run: candidate {number}: is not there, the run holds 1 to {last}. evenflare history run lists them" in err
        )
        assert not Path("x.toml").exists()

    def test_one_that_is_no_waveguide(self, run, monkeypatch, capsys):
        def none(*_):
            raise ValueError("no wall at all")

        monkeypatch.setattr("evenflare.search.picked.waveguide_of", none)
        code, _, err = said(capsys, "pick run --number 2 --out x.toml")
        assert code == 2
        assert "run: candidate 2: is no waveguide (" in err
        assert "Pick one that has a score, or breaks limits only" in err

    def test_folder_without_a_run_and_number_that_is_none(self, here, capsys):
        assert "holds no copy of its target" in said(capsys, "pick . --number 1 --out x.toml")[2]
        assert (
            f"holds no search ({STORE} is missing)"
            in said(capsys, "pick . --number 1 --out x.toml --target target.toml")[2]
        )
        code, _, err = asked(capsys, "pick . --number best --out x.toml")
        assert (code, "invalid int value: 'best'" in err) == (2, True)


class TestCopy:
    def test_what_a_target_names_is_copied_and_named_anew(self, tmp_path):
        room = Path(__file__).parent.parent / "targets"
        where = tmp_path / "here"
        shutil.copytree(room, where)
        (where / "impedance.csv").write_text("frequency_hz,resistance,reactance\n100,1,0\n20000,1,0.1\n")
        text = (where / "sideboard.toml").read_text()
        named = 'exit_half_angle_deg = 0\nsource = "impedance"\nsource_impedance_csv = "impedance.csv"'
        (where / "sideboard.toml").write_text(text.replace("exit_half_angle_deg = 0", named))
        before = read_target(where / "sideboard.toml")
        copy_target(where / "sideboard.toml", tmp_path / "run")
        shutil.rmtree(where)
        after = read_target(tmp_path / "run" / COPY)
        assert (after.driver, after.mounting, after.rooms, after.limits) == (
            before.driver,
            before.mounting,
            before.rooms,
            before.limits,
        )
        assert (after.name, after.families, after.seed) == (before.name, before.families, before.seed)
        copy_target(tmp_path / "run" / COPY, tmp_path / "run")  # onto itself, as where a run goes on from its copy
        assert read_target(tmp_path / "run" / COPY).rooms == before.rooms

    def test_a_target_without_a_name_keeps_that_of_its_file(self, here):
        (here / 'odd "name".toml').write_text(TARGET.split("\n", 1)[1])
        copy_target(here / 'odd "name".toml', here / "run")
        assert read_target(here / "run" / COPY).name == read_target(here / 'odd "name".toml').name == 'odd "name"'


class TestShapes:
    def test_they_are_good_and_apart_and_the_first_is_the_best(self, run):
        target = read_target(run / COPY)
        shapes = different_shapes(run, target)
        assert 2 <= len(shapes) <= MOST
        assert shapes[0].candidate.number == picked(run, target).number
        assert max(each.score for each in shapes) <= GOOD * shapes[0].score + GOOD_BY
        wall = [walls(each.candidate.waveguide) for each in shapes]
        least = DIFFERENT * wall[0][0, -1, 1]
        for i, one in enumerate(wall):
            assert all(apart(one, other) >= least for other in wall[:i])
        # Greedy: whoever is as good as the last one taken, and judged like it, is too near to one before it.
        taken = {each.candidate.number for each in shapes}
        last = shapes[-1]
        better = [
            waveguide_of(target, job.family, job.vector)
            for number, job, outcome in finished(run)
            if outcome.feasible and job.setting == "full" and outcome.rank < last.score and number not in taken
        ]
        if last.candidate.job.setting == "full":
            assert all(min(apart(walls(each), other) for other in wall) < least for each in better)

    def test_designs_and_table(self, run):
        target = read_target(run / COPY)
        for stale in range(1, MOST + 1):
            (run / FOLDER).mkdir(exist_ok=True)
            (run / FOLDER / f"{stale}.toml").write_text("stale")
        shapes, files = write_shapes(target, run)
        text = (run / FOLDER / "shapes.csv").read_text()
        assert "# Different: at least" in text
        rows = list(csv.DictReader(io.StringIO("\n".join(line for line in text.splitlines() if line[0] != "#"))))
        assert [row["file"] for row in rows] == [f"{i}.toml" for i in range(1, len(shapes) + 1)]
        assert {path.name for path in (run / FOLDER).glob("*.toml")} == {row["file"] for row in rows}
        for row, shape in zip(rows, shapes, strict=True):
            design = read_design(run / FOLDER / row["file"])
            assert farthest(walls(design.waveguide), walls(shape.candidate.waveguide)) < 1e-11  # as above
            assert float(row["depth_mm"]) == pytest.approx(design.waveguide.depth / MILLIMETRE, abs=5.1e-4)
            assert float(row["score_db"]) == pytest.approx(shape.score, abs=5.1e-5)
        assert [name for name, _ in files] == [f"{FOLDER}/1.toml to {len(shapes)}.toml", f"{FOLDER}/shapes.csv"]

    def test_a_run_without_a_winner_has_none(self, tmp_path):
        target = hidden_target(limits=replace(hidden_target().limits, smallest_concave_radius=0.5))
        searched(tmp_path, target)
        assert write_shapes(target, tmp_path) == ([], [])
        assert not (tmp_path / FOLDER).exists()


def test_sections_of_the_page(run, monkeypatch):
    """Side by side, what it began from with each term, and what was assumed with what it rejected."""
    monkeypatch.setattr("evenflare.commands.run_sections.factory_for", lambda *_, **__: lambda setting: cheap_solve)
    target = read_target(run / COPY)
    start = start_at(target, Waveguide(Conical(0.09, 37 * DEGREE)), name="cone")
    result = run_search(target, Path("from"), target_text=LIMITED, solver_factory=cheap, starts=[start])
    shapes, _ = write_shapes(target, Path("from"))
    sections = run_sections(result, target, Path("from"), shapes, [start])
    assert [each.title for each in sections] == ["Different good shapes", "What it began from", "What was assumed"]
    beside, began, assumed = sections
    assert [row[0] for row in beside.rows] == [f"shapes/{i}.toml" for i in range(1, len(shapes) + 1)]
    assert len(beside.pictures) == len(began.pictures) == 1
    assert list(began.head) == ["dB", "winner", "cone"]
    row = next(row for row in history_rows(Path("from")) if row["number"] == 1 and row["stage"] == "full")
    found = {each[0]: each[1:] for each in began.rows}
    assert found["score"] == [f"{result.best.score.value:.3f}", f"{row['score']:.3f}"]
    assert found["index"][1] == f"{row['index_db']:.3f}"
    assert isinstance(assumed, PageSection)
    counts = {each[0].split(":")[0]: each[1:] for each in assumed.rows}
    assert "throat_angle_deg" in result.rejected  # asked for, so not among what was assumed
    assert "throat_angle_deg" not in counts
    assert counts["greatest_wall_angle_deg"] == ["–", "–"]


class TestAssumed:
    def test_a_key_that_is_written_is_not_assumed(self, target_of):
        bare = TARGET.replace("throat_angle_deg = [2, 20]\n", "").replace("greatest_wall_angle_deg = 88\n", "")
        assert {"throat_angle_deg", "greatest_wall_angle_deg"} <= {each.key for each in assumptions(target_of(bare))}
        written = {each.key for each in assumptions(target_of(TARGET))}
        assert {"throat_angle_deg", "greatest_wall_angle_deg", "throat_angle_mismatch_deg"}.isdisjoint(written)
        assert "roundover_radius_mm" in written
        fixed = TARGET.replace("[search]", "roundover_radius_mm = 9\n[search]")
        assert "roundover_radius_mm" not in {each.key for each in assumptions(target_of(fixed))}

    def test_families_and_sections(self, target_of):
        families = 'families = ["conical", "free"]\n'
        found = {each.key: each.words for each in assumptions(target_of(OBLONG.replace(families, "")))}
        assert found["families"].startswith("all, conical, exponential,")
        assert found["hyperbolic_parameter"] == "0 to 3"
        assert "section_exponent" not in found
        bare = OBLONG.replace("section_exponent = [2, 3.5]\n", "")
        assert {each.key: each.words for each in assumptions(target_of(bare))}["section_exponent"] == "2, an ellipse"
        assert "section_exponent" not in {each.key for each in assumptions(target_of(TARGET))}

    def test_counts_of_what_they_rejected(self, target_of):
        target = target_of(TARGET.replace("throat_angle_deg = [2, 20]\n", ""))
        excess = [{"throat_angle_deg": 3.0, "depth_mm": 1.0}, {"throat_angle_deg": 1.0}, {"throat_angle_deg": -1.0}]
        found = rejections(excess)
        assert found == {"throat_angle_deg": Rejected(2, 1), "depth_mm": Rejected(1, 0)}
        assert rejected_lines(target, found, 3) == [
            "throat_angle_deg was assumed (0 to 60, of the wall at the throat) and rejected 2 of 3 candidates, 1 by"
            " itself. Write throat_angle_deg in [limits] if it should be otherwise"
        ]
        assert "Assumed, since t.toml does not say: throat_angle_deg 0 to 60" in assumed_line(target)

    def test_a_default_that_rejects_is_counted_in_a_search(self, tmp_path):
        """Steep cones: more than 60 degrees at the throat, which nobody asked to avoid."""
        limits = replace(hidden_target().limits, depth=(0.03, 0.06), mouth_diameter=(0.2, 0.3))
        target = replace(hidden_target(families=("conical",), limits=limits), left_out=("throat_angle_deg",))
        result = searched(tmp_path, target)
        steep = {
            number
            for number, _, outcome in finished(tmp_path)
            if outcome.parameters.get("wall_angle_deg", 0) > 60 + 1e-6
        }
        assert result.rejected["throat_angle_deg"].candidates == len(steep) > 0
        assert result.built == len({number for number, _, _ in finished(tmp_path)})


class TestFewDimensions:
    def test_a_search_of_one_parameter_and_of_none(self, tmp_path):
        limits = replace(hidden_target().limits, depth=(0.09, 0.09), mouth_diameter=(0.18, 0.18))
        one = hidden_target(families=("conical",), limits=limits, candidates=20)
        result = searched(tmp_path / "one", one)
        assert result.feasible
        assert {len(job.vector) for _, job, _ in finished(tmp_path / "one")} == {1}
        none = replace(one, limits=replace(limits, bounds=(Bound("roundover_radius_mm", 0.01, 0.01),)))
        result = searched(tmp_path / "none", none)
        assert result.asked == 1
        assert result.best.waveguide.shape.roundover_radius == 0.01
