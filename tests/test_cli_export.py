"""`export --process`: the files by their names, the exit codes, and what the sheets on paper say."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pypdf
import pytest
import trimesh

from commandline import paint_dots
from evenflare.cli import run
from evenflare.files import read_text
from evenflare.manufacture.milling.programs import PartPrograms, programs
from evenflare.manufacture.process.file import process_path
from evenflare.manufacture.proof import programs as proving

SMALL = """\
name = "small try"
[waveguide]
family = "conical"
depth_mm = 30
wall_angle_deg = 40
roundover_radius_mm = 6
[driver]
exit_diameter_mm = 25.4
[mounting]
kind = "baffle"
[solid]
flange_diameter_mm = 120
"""
ALWAYS = {"design.toml", "solid.stl", "points.csv", "report.html"}
WITH_PROCESS = ALWAYS | {"solid.3mf", "drawing.pdf", "drawing.dxf", "setup_sheet.pdf"}


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A design small enough to be cut in seconds."""
    path = tmp_path_factory.mktemp("design") / "small.toml"
    path.write_text(SMALL, encoding="utf-8")
    return path


def exported(design: Path, folder: Path, *more: str) -> int:
    return run(["export", str(design), "--out", str(folder), "--quiet", *more])


@pytest.fixture(scope="module")
def routed(design: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nobody looks at its pictures."""
    folder = tmp_path_factory.mktemp("routed")
    with pytest.MonkeyPatch.context() as patched:
        paint_dots(patched)
        assert exported(design, folder, "--process", "router", "--step") == 0
    return folder


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def words(path: Path) -> str:
    """The text of a PDF, on one line."""
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def test_router_files(routed: Path) -> None:
    programs = {"pins.nc", "roughing.nc", "finishing.nc", "profile.nc", "back.nc", "toolpath.csv", "proof.json"}
    assert names(routed) == WITH_PROCESS | programs | {"solid.step"}


def test_every_program_is_proved_and_says_whose_it_is(routed: Path) -> None:
    proof = json.loads((routed / "proof.json").read_text(encoding="utf-8"))
    assert [each["program"] for each in proof["programs"]] == [*("pins", "roughing", "finishing", "profile", "back")]
    report = (routed / "report.html").read_text(encoding="utf-8")
    for each in proof["programs"]:
        assert each["verdict"] == "pass"
        assert each["greatest_gouge_mm"] <= each["tolerance_mm"]
        text = (routed / f"{each['program']}.nc").read_text(encoding="utf-8")
        design_id = text.split("design id: ")[1].split(")")[0]
        assert design_id in report
        assert "caution" in text


def test_setup_sheet_tells_programs_tools_datum_and_cautions(routed: Path) -> None:
    text = words(routed / "setup_sheet.pdf")
    for said in (
        "roughing.nc",
        "finishing.nc",
        "back.nc",
        "ball 6",
        "Flute length",
        "Z0 at the front face",
        "Flip the part about its Y axis",
        "passed",
        "Guards and interlocks",
        "mask",
    ):
        assert said in text


def test_drawing_has_the_sizes(routed: Path) -> None:
    assert len(pypdf.PdfReader(routed / "drawing.pdf").pages) == 2
    text = words(routed / "drawing.pdf")
    # A cone of 40 degrees, 30 mm deep, that ends in an arc of 6 mm turning through 50 degrees: the arc is
    # 6 (1 - sin 40) = 2.143 mm deep and 6 cos 40 = 4.596 mm wide.
    mouth = 2 * (12.7 + (30 - 2.143) * np.tan(np.deg2rad(40)) + 4.596)
    for said in (f"{mouth:.2f}", "25.40", "30.00", "120.00", "datum A", "profile of a surface", "Cautions"):
        assert said in text


def test_drawing_keeps_its_scale(routed: Path) -> None:
    """A4 lying, ISO 216: 297 by 210 mm at 72 points to the inch."""
    box = pypdf.PdfReader(routed / "drawing.pdf").pages[0].mediabox
    # A tenth of a point is what the page's size is written to.
    assert [float(box.width), float(box.height)] == pytest.approx([297 / 25.4 * 72, 210 / 25.4 * 72], abs=0.1)


def test_lathe_files(design: Path, tmp_path: Path) -> None:
    assert exported(design, tmp_path, "--process", "lathe") == 0
    assert names(tmp_path) == WITH_PROCESS | {"outside.nc", "turning.nc", "toolpath.csv", "proof.json"}
    text = (tmp_path / "turning.nc").read_text(encoding="utf-8")
    assert "programmed_point: nose_centre" in text
    assert "G97" in text  # S is turns a minute, whatever ran before
    assert "at diameter" in words(tmp_path / "setup_sheet.pdf")
    assert "G18" in text


@pytest.mark.usefixtures("unpainted")
def test_sheets_files(design: Path, tmp_path: Path) -> None:
    assert exported(design, tmp_path, "--process", "sheets") == 0
    assert names(tmp_path) == WITH_PROCESS | {"layers.dxf", "layers.csv", "layer_points.csv", "glue_up.txt"}
    assert not ezdxf.readfile(tmp_path / "layers.dxf").audit().errors


@pytest.mark.usefixtures("unpainted")
def test_bevelled_layers_have_both_outlines_and_those_of_an_earlier_export_go(design: Path, tmp_path: Path) -> None:
    bevel = changed("sheets", tmp_path / "bevel.toml", sheet_thickness_mm="10")
    bevel.write_text(bevel.read_text(encoding="utf-8").replace('"step"', '"bevel"'), encoding="utf-8")
    folder = tmp_path / "out"
    assert exported(design, folder, "--process", str(bevel)) == 0
    drawn = {entity.dxf.layer for entity in ezdxf.readfile(folder / "layers.dxf").modelspace()}
    assert {"cut_inside_front", "cut_inside_back"} <= drawn
    assert "cut_inside_front" in words(folder / "setup_sheet.pdf")
    (folder / "layers.dxf").rename(folder / "layers_2.dxf")
    assert exported(design, folder, "--process", "sheets") == 0
    assert "layers_2.dxf" not in names(folder)


def test_fault_of_a_process_is_not_told_as_the_design_s(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    process = changed("router", tmp_path / "arcs.toml", arc_tolerance_mm="0.5")
    assert exported(design, tmp_path / "out", "--process", str(process)) == 2
    assert capsys.readouterr().err.startswith('process "router" [machine] arc_tolerance_mm = 0.5')


@pytest.mark.usefixtures("unpainted")
def test_casting_files(design: Path, tmp_path: Path) -> None:
    assert exported(design, tmp_path, "--process", "casting") == 0
    assert names(tmp_path) == WITH_PROCESS | {"pattern.stl", "pattern.csv"}
    assert trimesh.load(tmp_path / "pattern.stl").is_watertight
    assert "licensed foundry" in words(tmp_path / "setup_sheet.pdf")


def changed(bundled: str, path: Path, **values: str) -> Path:
    """A bundled process with other values, as a file."""
    import evenflare.manufacture as manufacture

    text = (Path(manufacture.__file__).parent / "processes" / f"{bundled}.toml").read_text(encoding="utf-8")
    for key, value in values.items():
        text = re.sub(rf"^{key} = [\d.]+", f"{key} = {value}", text, flags=re.MULTILINE)
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.usefixtures("unpainted")
def test_failed_proof_leaves_no_program(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A turning program that cuts 0.1 mm too far out at one point, where 0.05 mm are allowed."""
    assert exported(design, tmp_path, "--process", "lathe") == 0

    def gouging(*given: Any) -> PartPrograms:
        first, program = programs(*given).programs
        wrong = np.array(program.position)
        inside = np.flatnonzero(np.abs(wrong[:, 2] + 0.015) < 0.002)
        wrong[inside[-1], 0] += 0.1e-3
        return PartPrograms((first, dataclasses.replace(program, position=wrong)))

    monkeypatch.setattr(proving, "programs", gouging)
    assert exported(design, tmp_path, "--process", "lathe") == 1
    assert names(tmp_path) == WITH_PROCESS | {"proof.json"}
    _, proof = json.loads((tmp_path / "proof.json").read_text(encoding="utf-8"))["programs"]
    assert proof["verdict"] == "fail"
    # Along the normal of a wall at 40 degrees: 0.1 cos 40 = 0.077; the raster and the nose round it a little.
    assert proof["greatest_gouge_mm"] == pytest.approx(0.077, abs=0.01)
    assert "proof by cutting in software failed" in capsys.readouterr().err
    assert "FAILED" in words(tmp_path / "setup_sheet.pdf")
    assert "no program was written" in (tmp_path / "report.html").read_text(encoding="utf-8")


@pytest.mark.usefixtures("unpainted")
def test_programs_of_an_earlier_export_go_and_others_stay(design: Path, tmp_path: Path) -> None:
    (tmp_path / "back.nc").write_text("%\n(evenflare back program, milling)\nM30\n%\n", encoding="utf-8")
    (tmp_path / "roughing.nc").write_text("%\n(somebody's own)\nM30\n%\n", encoding="utf-8")
    assert exported(design, tmp_path) == 0
    assert names(tmp_path) == ALWAYS | {"roughing.nc"}


@pytest.mark.parametrize(
    ("process", "said"),
    [
        ("roter", "Did you mean router?"),
        ("none.toml", "no such file"),
    ],
)
def test_unknown_process_is_refused(
    design: Path, tmp_path: Path, process: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert exported(design, tmp_path / "out", "--process", process) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("unpainted")
def test_tool_that_is_too_short_costs_its_program_and_not_the_drawing(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    process = changed("router", tmp_path / "short.toml", reach_mm="12", flute_length_mm="11")
    assert exported(design, tmp_path / "out", "--process", str(process)) == 1
    error = capsys.readouterr().err
    assert "warning: roughing: left out." in error
    assert "reach_mm = 12" in error
    assert names(tmp_path / "out") == WITH_PROCESS
    assert "No program roughing: left out" in words(tmp_path / "out" / "setup_sheet.pdf")
    assert "No program roughing: left out" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_a_step_that_is_refused_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "oblong.toml"
    plane = 'family = "conical"\ndepth_mm = 30\nwall_angle_deg = {}\nroundover_radius_mm = 8\n'
    planes = f"[waveguide.horizontal]\n{plane.format(40)}[waveguide.vertical]\n{plane.format(30)}"
    text = f'name = "oblong"\n[waveguide]\n{planes}'
    thin = 'kind = "shell"\nwall_mm = 8\nflange_thickness_mm = 4\n'
    path.write_text(f"{text}[driver]\nexit_diameter_mm = 25.4\n[solid]\n{thin}", encoding="utf-8")
    assert exported(path, tmp_path / "out", "--step") == 2
    assert "--step" in capsys.readouterr().err
    assert not list((tmp_path / "out").glob("*"))


@pytest.mark.usefixtures("unpainted")
def test_a_finishing_tool_that_is_too_short_costs_its_own_program_alone(tmp_path, capsys):
    design = tmp_path / "design.toml"
    narrow = 'family = "conical"\ndepth_mm = 40\nwall_angle_deg = 25\n[driver]\nexit_diameter_mm = 25.4\n'
    design.write_text(f"[waveguide]\n{narrow}", encoding="utf-8")
    process = tmp_path / "short.toml"
    text = read_text(process_path("router"))
    assert "reach_mm = 125" in text
    process.write_text(text.replace("reach_mm = 125", "reach_mm = 31"), encoding="utf-8")
    out = tmp_path / "out"
    assert run(["export", str(design), "--out", str(out), "--process", str(process), "--quiet"]) == 1
    assert "finishing: left out." in capsys.readouterr().err
    programs = {path.name for path in out.glob("*.nc")}
    assert {"roughing.nc", "profile.nc", "back.nc"} <= programs
    assert "finishing.nc" not in programs
