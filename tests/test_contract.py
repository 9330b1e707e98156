"""Files, columns and Python names that users and their scripts rely on, after one small search of each kind."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from shapely import LineString, points

import evenflare
from evenflare import metrics
from evenflare.cli import run
from evenflare.design.file import design_id
from evenflare.directivity.types import Directivity
from evenflare.objective import search_observation
from evenflare.report.kit import canvas
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide, joined, sampled

TARGET = """
name = "even, for a workshop that is invented"
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1500, 3000, 6000]
index_db = [7.0, 9.0, 9.5]
tolerance_db = [0.5, 0.5, 0.7]
beamwidth_deg = [130, 98, 92]
[limits]
depth_mm = [60, 100]
mouth_diameter_mm = [180, 240]
smallest_concave_radius_mm = 3.2
[search]
families = ["conical", "free"]
candidates = 24
"""

SOLUTION = {
    "directivity.csv": ["frequency_hz", "azimuth_deg", "off_axis_deg", "level_db", "phase_deg", "valid"],
    "summary.csv": [
        *("frequency_hz", "directivity_index_db", "far_field_index_db", "sound_power_index_db", "beamwidth_deg"),
        *("on_axis_level_db", "on_axis_phase_deg", "sound_power_level_db", "throat_resistance", "throat_reactance"),
        *("error_estimate_db", "polar_error_db", "impedance_error_percent", "valid"),
    ],
    "agreement.csv": [
        *("frequency_hz", "march_index_db", "boundary_elements_index_db", "difference_index_db", "march_beamwidth_deg"),
        *("boundary_elements_beamwidth_deg", "difference_beamwidth_deg", "march_valid", "boundary_elements_valid"),
    ],
    "cabinet_effect.csv": [
        "frequency_hz",
        *("baffle_index_db", "baffle_beamwidth_deg", "baffle_on_axis_level_db", "baffle_valid"),
        *("cabinet_index_db", "cabinet_beamwidth_deg", "cabinet_on_axis_level_db", "cabinet_valid"),
        *("free_standing_index_db", "free_standing_beamwidth_deg", "free_standing_on_axis_level_db"),
        "free_standing_valid",
    ],
    "standard_curves.csv": [
        *("frequency_hz", "on_axis_db", "listening_window_db", "early_reflections_db", "sound_power_db"),
        *("early_reflections_index_db", "sound_power_index_db", "in_room_db"),
    ],
}
POINTS = [
    *("index", "z_mm", "r_mm", "wall_angle_deg", "normal_z", "normal_r", "tool_z_mm", "tool_r_mm", "program_z_mm"),
]
CHORD_ERROR, TOOL_RADIUS = 0.05, 3.0
"""mm, the defaults."""
PAINTED = b"\x89PNG of a figure"
DECIMALS_DB = 1.01e-4
"""Levels are written to four decimals; the difference of two rounded ones may be off by one."""


def table(path: Path) -> tuple[list[str], list[str], dict[str, np.ndarray]]:
    """Header lines, column names and columns of a CSV; nan where empty."""
    lines = path.read_text(encoding="utf-8").splitlines()
    header = [line for line in lines if line.startswith("#")]
    assert lines[: len(header)] == header  # all before the row of names
    names, *rows = csv.reader(lines[len(header) :])
    assert all(len(row) == len(names) for row in rows)
    values = np.array([[float(cell or "nan") for cell in row] for row in rows])
    return header, names, dict(zip(names, values.T, strict=True))


def said(*words: object) -> str:
    """Standard output of a command that must succeed."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert run([*map(str, words), "--quiet"]) == 0
    return out.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A search, its winner solved and exported by its own commands, and what these said."""
    base = tmp_path_factory.mktemp("contract")
    target = base / "target.toml"
    target.write_text(TARGET)
    search, solve, export = base / "run", base / "solved", base / "to_cut"
    best = search / "best.toml"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(canvas, "png", lambda _: PAINTED)  # other tests look at pictures
        said("search", target, "--out", search, "--workers", 1)
        said("solve", best, "--out", solve)
        said("export", best, "--out", export)
    printed = said("history", search).splitlines()
    about = [line for line in printed if line.startswith("#")]
    history = list(csv.DictReader(printed[len(about) :]))
    score = json.loads(said("score", best, "--target", target, "--json"))
    return SimpleNamespace(
        target=target,
        search=search,
        best=best,
        solved=solve,
        exported=export,
        history=history,
        score=score,
        about=about,
    )


@pytest.mark.parametrize("name", SOLUTION)
def test_solve_writes_the_agreed_columns_under_a_header(made, name):
    header, names, _ = table(made.solved / name)
    assert [column for column in names if column in SOLUTION[name]] == SOLUTION[name]  # more may stand between
    text = "\n".join(header)
    assert design_id(evenflare.read_design(made.best)) in text
    assert "# units: Hz" in text
    assert "caution" in text


def test_folders_hold_the_agreed_files(made):
    def files(folder: Path) -> set[str]:
        return {path.name for path in folder.iterdir() if path.suffix != ".png"}

    solution, exported = {*SOLUTION, "provenance.json"}, {"design.toml", "solid.stl", "points.csv", "report.html"}
    assert files(made.solved) == solution
    assert files(made.exported) == exported
    assert files(made.search / "best") == solution | exported
    assert {"best.toml", "best", "report.html", "candidates.sqlite"} <= files(made.search)
    for folder in (made.solved, made.search / "best"):
        pictures = list(folder.glob("*.png"))
        assert pictures
        assert {picture.read_bytes() for picture in pictures} == {PAINTED}


def test_angles_and_validity_of_a_baffle_are_written_as_agreed(made):
    _, _, columns = table(made.solved / "directivity.csv")
    behind = columns["off_axis_deg"] > 90
    assert set(columns["azimuth_deg"]) == {0.0}
    assert np.array_equal(np.unique(columns["off_axis_deg"]), np.arange(0.0, 181.0, 5.0))
    assert behind.any()
    assert np.all(np.isnan(columns["level_db"][behind]) & np.isnan(columns["phase_deg"][behind]))
    assert np.all(columns["valid"][behind] == 0)
    assert np.all(columns["level_db"][columns["off_axis_deg"] == 0] == 0)
    assert set(columns["valid"][~behind]) == {1.0}
    text = (made.solved / "directivity.csv").read_text()
    assert re.search(r"^\d.*,180,,,0$", text, re.MULTILINE)


def test_summary_says_what_python_says(made):
    design = evenflare.read_design(made.best)
    directivity = evenflare.solve(design, method="march", setting="full")
    assert isinstance(directivity, Directivity)
    _, _, columns = table(made.solved / "summary.csv")
    for name, expected in {
        "directivity_index_db": metrics.directivity_index(directivity),
        "on_axis_level_db": metrics.on_axis_level(directivity),
        "sound_power_level_db": metrics.sound_power_level(directivity),
        "error_estimate_db": directivity.error_estimate,
        "polar_error_db": directivity.polar_error,
    }.items():
        assert np.abs(columns[name] - expected).max() <= DECIMALS_DB, name
    wide = np.rad2deg(metrics.beamwidth(directivity))
    assert np.array_equal(np.isnan(columns["beamwidth_deg"]), np.isnan(wide))  # empty where it never falls 6 dB
    assert np.nanmax(np.abs(columns["beamwidth_deg"] - wide)) < 1e-3  # written to three decimals
    impedance = columns["throat_resistance"] + 1j * columns["throat_reactance"]
    assert directivity.throat_impedance is not None
    # Six significant digits of each part.
    assert np.abs(impedance - directivity.throat_impedance).max() < 1e-5
    assert columns["valid"].all()


def test_standard_curves_are_consistent_with_each_other_and_the_summary(made):
    header, _, columns = table(made.solved / "standard_curves.csv")
    _, _, summary = table(made.solved / "summary.csv")
    window = columns["listening_window_db"]
    power, early = columns["sound_power_index_db"], columns["early_reflections_index_db"]
    assert np.abs(window - columns["sound_power_db"] - power).max() <= DECIMALS_DB
    assert np.abs(window - columns["early_reflections_db"] - early).max() <= DECIMALS_DB
    assert np.array_equal(power, summary["sound_power_index_db"])
    assert np.array_equal(columns["frequency_hz"], summary["frequency_hz"])
    assert any("half space" in line for line in header)


def test_provenance_says_how_it_was_solved(made):
    record = json.loads((made.solved / "provenance.json").read_text())
    assert record["design_id"] == design_id(evenflare.read_design(made.best))
    assert record["method"] == "march"
    assert record["setting"] == "full"
    assert record["version"] == evenflare.__version__
    assert record["command"].startswith("evenflare solve ")
    assert str(made.best) in record["command"]


def test_exported_design_is_the_same_shape(made):
    best = evenflare.read_design(made.best)
    for path in (made.exported / "design.toml", made.search / "best" / "design.toml"):
        again = evenflare.read_design(path)
        assert again.waveguide == best.waveguide
        assert design_id(again) == design_id(best)


def test_exported_solid_is_closed_and_stands_in_mm_on_the_throat_plane(made):
    depth = evenflare.read_design(made.best).waveguide.meridian.depth / MILLIMETRE
    solid = trimesh.load(made.exported / "solid.stl")
    assert solid.is_watertight
    assert solid.volume > 0  # normals point outward
    # STL holds single precision: 1e-5 mm at 100 mm.
    assert solid.bounds[:, 2] == pytest.approx([0.0, depth], abs=1e-4)


def test_point_list_has_the_agreed_columns_and_geometry(made):
    header, names, columns = table(made.exported / "points.csv")
    depth = evenflare.read_design(made.best).waveguide.meridian.depth / MILLIMETRE
    assert [name for name in names if name in POINTS] == POINTS
    assert np.array_equal(columns["index"], np.arange(1, columns["index"].size + 1))
    # Written to 1e-6 mm.
    assert (columns["z_mm"][0], columns["z_mm"][-1]) == pytest.approx((0.0, depth), abs=2e-6)
    normal_z, normal_r = columns["normal_z"], columns["normal_r"]
    assert np.hypot(normal_z, normal_r) == pytest.approx(1.0, abs=1e-9)  # ten decimals each
    assert normal_r[0] < 0  # from the wall into the air
    assert columns["tool_z_mm"] == pytest.approx(columns["z_mm"] + TOOL_RADIUS * normal_z, abs=2e-6)
    assert columns["tool_r_mm"] == pytest.approx(columns["r_mm"] + TOOL_RADIUS * normal_r, abs=2e-6)
    assert columns["program_z_mm"] == pytest.approx(columns["tool_z_mm"] - TOOL_RADIUS - depth, abs=2e-6)
    assert columns["tool_r_mm"].min() >= 0
    text = "\n".join(header)
    for word in ("datum", "tool", "chord error", "tolerance", "caution", design_id(evenflare.read_design(made.best))):
        assert word in text


def dense_wall(waveguide: Waveguide) -> np.ndarray:
    """Points (N, 2) in mm on the wall, chords within a micrometre of it."""
    frame = joined(sampled(waveguide.meridian, chord_error=1e-6))
    return np.column_stack([frame.z, frame.r]) / MILLIMETRE


def test_exported_points_read_back_within_the_chord_error(made):
    path = made.exported / "from_points.toml"
    path.write_text('[waveguide]\nmeridian_csv = "points.csv"\n[driver]\nexit_diameter_mm = 25.4\n')
    try:
        again = dense_wall(evenflare.read_design(path).waveguide)
    finally:
        path.unlink()
    wall = dense_wall(evenflare.read_design(made.best).waveguide)
    assert LineString(wall).distance(points(again)).max() < CHORD_ERROR
    assert LineString(again).distance(points(wall)).max() < CHORD_ERROR


def test_history_has_a_row_for_each_number_and_stage_in_order(made):
    rows = made.history
    assert made.about[0].startswith("# every scored candidate of the search in run")
    assert any(line.startswith("# units: ") for line in made.about)
    names = list(rows[0])
    assert names[:4] == ["number", "stage", "score", "feasible"]
    assert {"family", "index_db", "beamwidth_db", "depth_mm", "mouth_diameter_mm", "wall_angle_deg"} <= set(names)
    keys = [(int(row["number"]), ("estimate", "screen", "full").index(row["stage"])) for row in rows]
    assert keys == sorted(set(keys))
    assert {number for number, _ in keys} == set(range(1, 25))
    assert {row["feasible"] for row in rows} <= {"0", "1"}
    assert all(float(row["score"]) >= 0 for row in rows if row["feasible"] == "1")
    assert {row["family"] for row in rows} == {"conical", "free"}


def test_run_keeps_different_shapes_and_its_target_and_gives_any_candidate(made):
    lines = (made.search / "shapes" / "shapes.csv").read_text(encoding="utf-8").splitlines()
    names = next(line for line in lines if not line.startswith("#")).split(",")
    agreed = "file,number,family,stage,score_db,apart_from_best_mm,apart_from_nearest_mm"
    assert names[:7] == agreed.split(",")
    assert any("Different: at least" in line for line in lines)
    best = evenflare.read_design(made.best)
    assert design_id(evenflare.read_design(made.search / "shapes" / "1.toml")) == design_id(best)
    assert (
        evenflare.read_target(made.search / "target" / "target.toml").limits
        == evenflare.read_target(made.target).limits
    )
    page = (made.search / "report.html").read_text(encoding="utf-8")
    assert "What was assumed" in page
    assert "throat_angle_deg: 0 to 60, of the wall at the throat" in page
    out = made.search.parent / "picked.toml"
    said("pick", made.search, "--out", out)
    assert design_id(evenflare.read_design(out)) == design_id(best)


def test_best_design_scores_what_history_says_of_it(made):
    full = [row for row in made.history if row["stage"] == "full" and row["feasible"] == "1"]
    best = min(full, key=lambda row: float(row["score"]))
    # The file holds every length to 1e-12 of it; the rest is rounding in the solver.
    assert made.score["score_db"] == pytest.approx(float(best["score"]), abs=1e-6)
    assert made.score["feasible"] is True
    for name, value in made.score["terms_db"].items():
        assert value == pytest.approx(float(best[name]), abs=1e-6)
    measured = evenflare.read_design(made.best).waveguide.meridian
    assert measured.depth / MILLIMETRE == pytest.approx(float(best["depth_mm"]), abs=1e-9)


def test_score_names_terms_and_limits_with_their_units(made):
    assert list(made.score) == [
        *("score_db", "feasible", "terms_db", "limits", "places", "notes"),
        *("met", "outside", "not_counted_hz"),
    ]
    assert made.score["met"] is False
    assert set(made.score["outside"]) == {"index", "beamwidth"}
    assert made.score["not_counted_hz"] == []
    assert made.score["notes"] == []
    assert all(name.endswith("_db") for name in made.score["terms_db"])
    assert all(name.endswith(("_mm", "_deg")) for name in made.score["limits"])
    assert max(made.score["limits"].values()) <= 0
    words = said("score", made.best, "--target", made.target)
    assert f"score {made.score['score_db']:.4f} dB" in words
    assert "BROKEN" not in words


def test_python_scores_as_the_command_does(made):
    design, target = evenflare.read_design(made.best), evenflare.read_target(made.target)
    directivity = evenflare.solve(replace(design, observation=search_observation(target)))
    found = evenflare.score(directivity, design.waveguide, target)
    assert found.value == pytest.approx(made.score["score_db"], rel=1e-12)  # the same sums
    assert found.constraints == pytest.approx(made.score["limits"])


def test_reports_are_pages_that_name_their_design(made):
    for path in (made.search / "report.html", made.search / "best" / "report.html", made.exported / "report.html"):
        text = path.read_text(encoding="utf-8")
        assert text.lstrip().lower().startswith("<!doctype html>")
        assert design_id(evenflare.read_design(made.best)) in text
        assert "://" not in re.sub(r"http://www\.w3\.org/\S*", "", text)  # opens anywhere, fetches nothing


def at_distance(made: SimpleNamespace, distance: str) -> tuple[list[str], dict[str, np.ndarray], dict[str, np.ndarray]]:
    """The best design solved at a distance: the summary's header and columns, and the directivity's."""
    before, table_name, after = made.best.read_text().partition("[analysis]\n")
    path = made.solved.parent / "near.toml"
    keys = f"{distance}\nfrom_hz = 1000\nto_hz = 8000\nper_octave = 2\n"
    kept = re.sub(r"frequencies_hz = \[.*?\]\n", "", after, flags=re.DOTALL)
    path.write_text(before + table_name + keys + kept)
    folder = made.solved.parent / "near"
    said("solve", path, "--out", folder)
    header, _, summary = table(folder / "summary.csv")
    return header, summary, table(folder / "directivity.csv")[2]


@pytest.mark.usefixtures("tables_alone")
def test_finite_distance_differs_sensibly_from_the_far_field(made):
    made_at = {d: at_distance(made, f"distance_m = {d}") for d in ("2.0", "8.0")}
    far = at_distance(made, "")
    assert any("at 2 m" in line for line in made_at["2.0"][0])
    assert any("far field" in line for line in far[0])
    spherical = 20 * np.log10(2.0)
    level = made_at["2.0"][1]["on_axis_level_db"] - (far[1]["on_axis_level_db"] - spherical)
    # Sound seems to come from somewhere within a mouth's width, 0.24 m at most, behind the mouth plane.
    assert 0.01 < np.abs(level).max() < 20 * np.log10((2 + 0.24) / 2)
    assert level.max() < 0.0
    front = far[2]["level_db"] > -15  # no deep minima, where any change is large in dB
    near, further = (np.abs(made_at[d][2]["level_db"] - far[2]["level_db"])[front].max() for d in ("2.0", "8.0"))
    assert 0.01 < near < 1.0
    # The departure falls as 1 / distance.
    assert further == pytest.approx(near / 4, rel=0.3)


def test_python_offers_what_it_names():
    for name in evenflare.__all__:
        thing = getattr(evenflare, name)
        assert callable(thing)
        assert thing.__doc__
    with pytest.raises(AttributeError, match="no attribute 'solver_of_everything'"):
        _ = evenflare.solver_of_everything  # type: ignore[attr-defined]
