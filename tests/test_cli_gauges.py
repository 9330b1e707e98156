"""`export --tolerance` and `--gauges`: what drawing, sheets and lists say of the wall, and what is refused."""

from __future__ import annotations

import csv
import itertools
import json
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pytest
import shapely
import trimesh

from drawn import drawn as drawn_waveguide
from evenflare.air import Air
from evenflare.cli import run
from evenflare.design.file import Design, Solid, default_observation, design_id, read_design
from evenflare.manufacture import build, build_oblong, cloud, oblong_sizes, solid_sizes
from evenflare.manufacture.gauges.asked import WallAsked
from evenflare.manufacture.part.stl import solid_file
from evenflare.manufacture.process.file import read_process
from evenflare.report.shop import part_drawing
from evenflare.units import MILLIMETRE
from evenflare.waveguide.wall_zones import WallZone
from oblongs import SHAPES
from test_cli_export import SMALL, changed, names, words
from test_report_paper import LONG_NAME, stand_apart_within_the_margins

OBLONG = """\
name = "invented oblong try"
[waveguide.horizontal]
family = "conical"
depth_mm = 60
wall_angle_deg = 40
[waveguide.vertical]
family = "conical"
depth_mm = 60
wall_angle_deg = 30
[driver]
exit_diameter_mm = 25.4
"""
GAUGES = {"gauges.dxf", "probe_points.csv", "gauges.pdf"}


def written(folder: Path, text: str = SMALL) -> Path:
    path = folder / "design.toml"
    path.write_text(text, encoding="utf-8")
    return path


def tolerance_of(design: Path, path: Path, *, scale: float = 1.0, **more: object) -> Path:
    """A file as `evenflare tolerance` writes it, of invented values: three zones."""
    known = read_design(design)
    ends = [0.0, 10.0, 20.0, known.waveguide.depth / MILLIMETRE]
    sides = [(0.06, 0.04), (0.15, 0.15), (0.4, 0.3)]
    zones = [
        {
            **{"from_z_mm": low, "to_z_mm": high, "minus_mm": scale * minus, "plus_mm": scale * plus},
            **{"statistical_minus_mm": 2 * minus, "statistical_plus_mm": 2 * plus},
        }
        for (low, high), (minus, plus) in zip(itertools.pairwise(ends), sides, strict=True)
    ]
    kinds = ("offset", "bow", "waviness", "scale", "ovality", "tilt", "throat_step")
    record = {
        **{"design_id": design_id(known), "within_db": 0.3, "process": "router", "share": 0.95, "zones": zones},
        **{"db_per_mm": dict.fromkeys(kinds, 0.5), "headline": "anything else"},
    }
    path.write_text(json.dumps(record | more), encoding="utf-8")
    return path


def exported(design: Path, folder: Path, *more: str) -> int:
    return run(["export", str(design), "--out", str(folder), "--quiet", *more])


@pytest.mark.usefixtures("unpainted")
def test_zones_stand_on_drawing_sheets_and_list_and_gauges_beside_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design, folder = written(tmp_path), tmp_path / "out"
    tolerance = tolerance_of(design, tmp_path / "tolerance.json", scale=4.0)
    options = ("--tolerance", str(tolerance), "--gauges", "--process", "sheets")
    assert exported(design, folder, *options) == 0
    assert names(folder) >= GAUGES
    assert "narrower" not in capsys.readouterr().err.replace("zone a: narrower", "")
    for name in ("drawing.pdf", "setup_sheet.pdf", "gauges.pdf"):
        text = words(folder / name)
        for figure in ("0.240", "0.160", "0.400 UZ+0.0400", "1.200", "20.00"):
            assert figure in text, (name, figure)
        assert "keeps to 0.3 dB" in text
        assert "ISO 1660" in text
        assert "not been worked out" not in text
        stand_apart_within_the_margins(folder / name)
    assert "datum A: the throat plane" in words(folder / "drawing.pdf")
    head = [line for line in (folder / "points.csv").read_text(encoding="utf-8").split("\n") if "tolerance" in line]
    assert "zone b from z = 10.00 to 20.00: along the normal at most 0.600 nearer to the axis" in "".join(head)
    assert "1/85" not in "".join(head)
    rows = [line for line in (folder / "probe_points.csv").read_text(encoding="utf-8").split("\n") if line[:1] != "#"]
    points = list(csv.DictReader(rows))
    assert {row["zone"] for row in points} == {"a", "b", "c"}
    for row in points:
        ball, place, normal = (
            np.array([float(row[f"{kind}{axis}{unit}"]) for axis in "xyz"])
            for kind, unit in (("ball_", "_mm"), ("", "_mm"), ("normal_", ""))
        )
        assert ball == pytest.approx(place + 1.0 * normal, abs=1.1e-4)  # four decimals
    layers = {each.dxf.layer for each in ezdxf.readfile(folder / "gauges.dxf").modelspace()}
    assert layers == {"sheet", "go", "no_go", "engrave"}
    assert "Taylor" in words(folder / "gauges.pdf")

    # Beside another solid they would be cut: a later export without them takes them away.
    assert exported(design, folder) == 0
    assert not names(folder) & {"gauges.dxf", "probe_points.csv"}
    assert "nobody has worked out" in (folder / "points.csv").read_text(encoding="utf-8")


@pytest.mark.usefixtures("plain")
def test_oblong_part_has_blades_in_both_planes_and_plates_where_asked(tmp_path: Path) -> None:
    design = written(tmp_path, OBLONG.replace("invented oblong try", LONG_NAME))
    tolerance = tolerance_of(design, tmp_path / "tolerance.json")
    options = ("--gauges", "--tolerance", str(tolerance), "--sections-mm", "15,45", "--probe-radius-mm", "0.5")
    assert exported(design, tmp_path / "out", *options) == 0
    text = words(tmp_path / "out" / "gauges.pdf")
    for what in (
        "GO blade, all zones, plane at 90°",
        "NO-GO plate, zone b, z = 15.000",
        "GO plate, zone c, z = 45.000",
    ):
        assert what in text
    assert "no blade between both planes" in text
    assert "ball of radius 0.5" in text
    assert "zone c" in (tmp_path / "out" / "points_azimuth_45.csv").read_text(encoding="utf-8")
    stand_apart_within_the_margins(tmp_path / "out" / "gauges.pdf")


@pytest.mark.usefixtures("plain")
def test_without_a_tolerance_the_process_speaks_and_says_what_nobody_worked_out(tmp_path: Path) -> None:
    design = written(tmp_path)
    assert exported(design, tmp_path / "out", "--process", "sheets", "--gauges") == 0
    for name in ("drawing.pdf", "setup_sheet.pdf", "gauges.pdf"):
        text = words(tmp_path / "out" / name)
        assert 'what the process "sheets" works to' in text
        assert "has not been worked out: evenflare tolerance" in text
        assert "0.400" in text


@pytest.mark.usefixtures("plain")
def test_a_casting_asks_what_its_grade_keeps_and_no_less(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The pattern's sheet gives the mouth, some 87 mm, plus or minus 3 by DCTG 12 (6 mm for 63 to 100: ISO 8062-3)."""
    design, folder = written(tmp_path), tmp_path / "out"
    assert exported(design, folder, "--process", "casting") == 0
    sheet = (folder / "pattern.csv").read_text(encoding="utf-8")
    (mouth,) = [line.split(",") for line in sheet.split("\n") if line.startswith("mouth diameter")]
    drawing = words(folder / "drawing.pdf")
    assert f"{float(mouth[3]):.3f}" == "3.000"
    assert "3.000 3.000 6.000" in drawing
    assert "DCTG 12 of ISO 8062-3" in drawing
    assert "0.4, equally" not in drawing
    capsys.readouterr()

    tolerance = tolerance_of(design, tmp_path / "tolerance.json")
    assert exported(design, folder, "--process", "casting", "--tolerance", str(tolerance)) == 0
    assert "zones a, b, c: narrower than a wall as cast keeps" in capsys.readouterr().err
    assert 'wall = "machined"' in words(folder / "drawing.pdf")


@pytest.mark.usefixtures("plain")
def test_a_machined_wall_has_metal_on_its_pattern(tmp_path: Path) -> None:
    """Its bore is narrower than the part's by the allowance along the normal; between, nothing is machined away yet."""
    design = written(tmp_path)
    process = changed("casting", tmp_path / "machined.toml")
    process.write_text(process.read_text(encoding="utf-8").replace('"as_cast"', '"machined"'), encoding="utf-8")
    assert exported(design, tmp_path / "out", "--process", str(process)) == 0
    assert "machined after casting" in words(tmp_path / "out" / "drawing.pdf")
    assert "0.400" in words(tmp_path / "out" / "drawing.pdf")
    pattern = trimesh.load(tmp_path / "out" / "pattern.stl")
    assert pattern.is_watertight
    waveguide = read_design(design).waveguide
    casting = read_process(process).casting
    assert casting is not None
    sheet = (tmp_path / "out" / "pattern.csv").read_text(encoding="utf-8")
    (allowance,) = {
        float(line.split("machining allowance: ")[1].split(" ")[0])
        for line in sheet.split("\n")
        if "machining allowance" in line
    }
    frame = waveguide.meridian.pieces[0].frame_at(np.linspace(0.3, 0.7, 9))
    away = np.column_stack([-np.cos(frame.angle), np.sin(frame.angle)])
    moved = np.column_stack([frame.r, frame.z]) + allowance * MILLIMETRE * away
    cut = trimesh.intersections.mesh_plane(pattern, plane_normal=(0.0, 1.0, 0.0), plane_origin=(0.0, 0.0, 0.0))
    outline = shapely.MultiLineString(list(cut[..., [0, 2]] * MILLIMETRE / (1.0 + casting.contraction)))
    # The pattern's chords depart by 0.05 mm; the allowance is told to 0.001.
    assert max(outline.distance(shapely.Point(*point)) for point in moved) < 0.06 * MILLIMETRE
    (throat,) = [line.split(",") for line in sheet.split("\n") if line.startswith("throat diameter")]
    assert throat[-1] == "yes"
    assert float(throat[2]) < 25.4 - 1.8 * allowance


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"design_id": "000000000000"}, "design_id = 000000000000: is of another design"),
        ({"zones": []}, "zones"),
        ({"zones": [{"from_z_mm": 0, "to_z_mm": 12, "minus_mm": -0.1, "plus_mm": 0.1}]}, "minus_mm"),
        ({"zones": [{"from_z_mm": 1, "to_z_mm": 30, "minus_mm": 0.1, "plus_mm": 0.1}]}, "must be 0, the throat plane"),
        ({"zones": [{"from_z_mm": 0, "to_z_mm": 25, "minus_mm": 0.1, "plus_mm": 0.1}]}, "end at z = 25 mm"),
        ({"zones": 3}, "is no tolerance of a wall"),
    ],
)
def test_files_that_do_not_fit_are_refused(
    tmp_path: Path, more: dict[str, object], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    design = written(tmp_path)
    tolerance = tolerance_of(design, tmp_path / "tolerance.json", **more)
    assert exported(design, tmp_path / "out", "--tolerance", str(tolerance)) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "evenflare tolerance" in error or "must be" in error
    assert not list((tmp_path / "out").glob("*"))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--gauges",), "--gauges: needs zones"),
        (("--gauges", "--process", "sheets", "--probe-radius-mm", "0"), "--probe-radius-mm 0: must be 0.25 to 10"),
        (("--tolerance", "none.json"), "none.json"),
    ],
)
def test_gauges_of_nothing_are_refused(
    tmp_path: Path, options: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert exported(written(tmp_path), tmp_path / "out", *options) == 2
    assert said in capsys.readouterr().err


def test_letters_of_zones_stand_apart_on_the_drawings_of_many_designs(tmp_path: Path) -> None:
    """A dozen walls, eight drawn at random and four oblong, with one to twelve zones of any lengths, the narrowest a
    two-hundredth.
    """
    random = np.random.default_rng(5)
    families, shapes = ["conical", "exponential", "oblate_spheroidal", "free"], list(SHAPES.values())
    for number in range(12):
        oblong = number % 3 == 2
        waveguide = shapes[number // 3] if oblong else drawn_waveguide(families[number % 4], 100 + number)
        if oblong:
            wall = cloud(waveguide.surface)
            oblong_part = oblong_sizes(waveguide.surface, wall, Solid())
            mesh, _ = build_oblong(waveguide.surface, wall, oblong_part, chord_error=0.3 * MILLIMETRE)
            solid = solid_file(tmp_path / "solid.stl", oblong_part, mesh)
        else:
            sizes = solid_sizes(waveguide.meridian, Solid())
            mesh = build(waveguide.meridian, sizes, chord_error=0.3 * MILLIMETRE)
            solid = solid_file(tmp_path / "solid.stl", sizes, mesh)
        shares = np.cumsum(0.005 + random.random(number + 1) ** 3)
        ends = np.concatenate([[0.0], shares / shares[-1]]) * waveguide.depth
        zones = tuple(WallZone(float(a), float(b), 1e-4, 2e-4) for a, b in itertools.pairwise(ends))
        design = Design("invented", waveguide, Air(), default_observation(waveguide))
        path = tmp_path / f"{number}.pdf"
        part_drawing.write_drawing(design, solid, read_process("lathe"), WallAsked(zones, "sound", within=0.3), path)
        stand_apart_within_the_margins(path)
        views, *tables = (page.extract_text().split() for page in pypdf.PdfReader(path).pages)
        for k in range(len(zones)):
            assert views.count("abcdefghijkl"[k]) == (2 if oblong else 1), "once in each section"
            assert any("abcdefghijkl"[k] in words for words in tables)
