"""`evenflare measure` as a user gives it: files of a rig in, a directivity and what was assumed out. Invented data."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import sofar

from commandline import DESIGN, contents, said
from evenflare import metrics
from evenflare.air import air_at
from evenflare.directivity.folder import read_directivity
from evenflare.report.measurement import measuring_figures
from evenflare.report.waveguide import measured
from evenflare.units import DEGREE
from synthetic_rig import SyntheticRig, cap_on_sphere, piston, point, write_session_files

RIG = SyntheticRig(samples=2048, rotation_centre_z=0.05)
SOUND = air_at(RIG.temperature, RIG.humidity).speed_of_sound
TABLES = [
    *("budget.csv", "decay.csv", "directivity.csv", "directivity.sofa", "provenance.json", "readings.csv"),
    "report.html",
    "resonances.csv",
    *("session.json", "standard_curves.csv", "summary.csv"),
]
ANALYSIS = {"analysis": {"from_hz": 200, "to_hz": 16000, "per_octave": 3}}


def rig_files(folder: Path, pressure, **more) -> Path:
    more.setdefault("tables", {"rig": {"mounting": "sphere"}, **ANALYSIS})
    return write_session_files(folder, pressure, rig=RIG, **more)


@pytest.fixture(scope="module")
def readings(tmp_path_factory) -> Path:
    """A cap on a sphere, all round in both planes."""
    folder = tmp_path_factory.mktemp("rig")
    rig_files(folder, cap_on_sphere(0.12, 40 * DEGREE, SOUND), symmetry="none")
    return folder


@pytest.fixture
def work(tmp_path, monkeypatch, readings) -> Path:
    """An empty folder with those readings in it."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(readings, tmp_path / "rig")
    return tmp_path


@pytest.fixture
def plain(monkeypatch):
    """No pictures: they take most of the time, and one test looks at them."""
    monkeypatch.setattr(measured, "pictures", lambda directivity: {})
    monkeypatch.setattr(measuring_figures, "pictures", lambda found: {})


def summary(folder: Path) -> list[dict[str, str]]:
    lines = (folder / "summary.csv").read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_a_session_becomes_a_directivity_and_what_was_assumed_is_said(capsys, work):
    code, out, err = said(capsys, "measure rig/session.toml --out measured --responses")
    told = err.replace("Reading the files of the session\n", "").splitlines()
    # The cap's pattern is 113 degrees wide at 12.8 kHz; every ten degrees reads 8 less (closed form at either step).
    # The rig's sound is the far field's pattern at 2 m, which no cap is: the waves find it still to change.
    coarse, near = told
    assert near.startswith("warning: at 2 m the index is not yet that of the far field")
    assert code == 0
    assert re.match(r"warning: at 12800 Hz the angles lie too far apart .* the beamwidth by some \d degrees", coarse)
    folder = work / "measured"
    there = sorted(path.name for path in folder.iterdir())
    assert [name for name in there if not name.endswith(".png") and name != "responses"] == TABLES
    pictures = [name for name in there if name.endswith(".png")]
    assert {"on_axis.png", "directivity_map_horizontal.png", "directivity_map_vertical.png"} <= set(pictures)
    for name in there:
        assert f"  {name}" in out
    record = json.loads((folder / "session.json").read_text())
    assert (record["kind"], record["mounting"], record["design_id"]) == ("impulse_response", "sphere", "")
    assert len(record["files"]) == 72
    assert record["lowest_valid_hz"] > 0.0
    assert record["gate"]["length_ms"] > 0.0
    assert "no calibration: the microphone is taken for flat" in record["assumed"]
    for each in record["assumed"]:
        assert f"  {each}\n" in out
    assert {"beamwidth_horizontal_deg", "beamwidth_vertical_deg"} < set(summary(folder)[0])


def test_tables_sofa_file_and_responses_hold_one_directivity(capsys, work, plain):
    assert said(capsys, "measure rig/session.toml --out measured --responses --quiet")[0] == 0
    tables, sofa = read_directivity("measured"), read_directivity("measured/directivity.sofa")
    sofar.read_sofa("measured/directivity.sofa", verify=True, verbose=False)  # raises on any violation
    assert (tables.name, tables.mounting, sofa.name, sofa.mounting) == ("invented prototype", "sphere") * 2
    first, second = tables.directivity, sofa.directivity
    # Levels are written to 1e-4 dB, twice; far down in a null even that is more than a rounding.
    strong = metrics.levels_re_on_axis(second) > -40.0
    assert np.abs(20 * np.log10(np.abs(first.pressure / second.pressure)))[strong].max() < 2.1e-4
    code, out, _ = said(capsys, "measure measured/responses/session.toml --out again")
    assert code == 0
    assert "air_losses" not in out
    again = read_directivity("again/directivity.sofa").directivity
    assert again.observation.off_axis == pytest.approx(second.observation.off_axis, abs=1e-6)
    valid = second.valid & again.valid
    difference = metrics.directivity_index(again)[valid] - metrics.directivity_index(second)[valid]
    # 1e-4 dB of the files, and an angle offset that is fitted again to what has none: below 0.05 degrees.
    assert np.abs(difference).max() < 0.01
    assert metrics.on_axis_level(again)[valid] == pytest.approx(metrics.on_axis_level(second)[valid], abs=0.01)


def test_a_sofa_file_is_a_session_too(capsys, work, plain):
    assert said(capsys, "measure rig/session.toml --out measured --quiet")[0] == 0
    first = read_directivity("measured/directivity.sofa").directivity
    text = (work / "rig/session.toml").read_text().split("[files]")[0]
    files = '[files]\nkind = "sofa"\nsofa = "../measured/directivity.sofa"\nair_losses = "out"\n'
    (work / "rig/again.toml").write_text(text + files)
    code, out, _ = said(capsys, "measure rig/again.toml --out again")
    assert code == 0
    assert 'symmetry "none": as directivity.sofa has it' in out
    second = read_directivity("again/directivity.sofa").directivity
    difference = metrics.directivity_index(second) - metrics.directivity_index(first)
    assert np.abs(difference[first.valid]).max() < 0.01  # as above


def test_point_source_has_no_directivity(capsys, work, plain):
    """Index 0 dB, standard curves equal: a point source, through WAV files."""
    rig_files(work / "point", point, symmetry="left_right", off_axis_deg=range(-180, 180, 30))
    assert said(capsys, "measure point/session.toml --out measured --quiet")[0] == 0
    rows = [row for row in summary(work / "measured") if row["valid"] == "1"]
    assert len(rows) > 10
    for row in rows:
        # The gate and the tables' decimals leave hundredths of a dB.
        assert abs(float(row["directivity_index_db"])) < 0.05
        assert abs(float(row["sound_power_index_db"])) < 0.05
        assert row["beamwidth_horizontal_deg"] == ""


def test_half_an_orbit_that_stands_for_all(capsys, work, plain):
    """A piston in a baffle, one plane, one side: both beamwidths are the same, and nothing is behind."""
    where = {"azimuth_deg": (0.0,), "off_axis_deg": range(0, 91, 10), "symmetry": "round"}
    rig_files(work / "half", piston(0.08, SOUND), **where, tables={"rig": {"mounting": "baffle"}, **ANALYSIS})
    assert said(capsys, "measure half/session.toml --out measured --quiet")[0] == 0
    found = read_directivity("measured").directivity
    assert found.half_space
    assert found.observation.symmetry == "round"
    rows = summary(work / "measured")
    assert [row["beamwidth_horizontal_deg"] for row in rows] == [row["beamwidth_vertical_deg"] for row in rows]
    assert any(row["beamwidth_horizontal_deg"] for row in rows)


def test_unlike_mounting_is_warned_of_and_written_down(capsys, work, plain):
    (work / "rig/design.toml").write_text(DESIGN)
    path = work / "rig/session.toml"
    path.write_text('design = "design.toml"\n' + path.read_text())
    code, _, err = said(capsys, "measure rig/session.toml --out measured --quiet")
    assert code == 0
    assert 'warning: measured with mounting "sphere", and rig/design.toml has "baffle"' in err
    record = json.loads((work / "measured/session.json").read_text())
    assert "compares unlike things" in record["warnings"][0]
    assert len(record["design_id"]) == 12
    assert "# caution: measured with mounting" in (work / "measured/summary.csv").read_text()


def test_fault_leaves_an_earlier_result_as_it_was(capsys, work, plain):
    assert said(capsys, "measure rig/session.toml --out measured --quiet")[0] == 0
    before = contents(work / "measured")
    (work / "rig/turn_+20.wav").write_bytes(b"none")
    code, out, err = said(capsys, "measure rig/session.toml --out measured")
    assert (code, out) == (2, "")
    assert err.startswith("rig/turn_+20.wav: is not a WAV file that can be read")
    assert contents(work / "measured") == before
    assert said(capsys, "measure rig/session.toml --out new")[0] == 2
    assert not (work / "new").exists()


def test_draft_is_told_filled_in_and_measured(capsys, work, plain):
    path = work / "rig/session.toml"
    whole = path.read_text()
    path.unlink()
    code, out, err = said(capsys, "measure --write-session rig")
    assert (code, err) == (0, "")
    assert out.startswith("Drafted rig/session.toml: check every line, and fill in what is marked FILL IN\nAssumed:\n")
    assert "turn_{off_axis_deg}.wav (36 angles from -180 to 170) is the horizontal plane, by its name" in out
    code, _, err = said(capsys, "measure rig/session.toml --out measured")
    assert code == 2
    assert err.startswith("rig/session.toml [rig] distance_m: missing. Add for example distance_m = 2.0")
    rig = whole.split("[rig]\n")[1].split("[files]")[0]
    path.write_text(path.read_text().replace("[rig]\n", "[rig]\n" + rig))
    assert said(capsys, "measure rig/session.toml --out measured")[0] == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("", "SESSION: missing. Name a session file, or draft one with --write-session FOLDER"),
        ("rig/session.toml", "--out: missing. Add for example --out measured"),
        ("rig/session.toml --write-session rig", "SESSION: does not belong to --write-session"),
        ("--write-session rig --out here", "--out: does not belong to --write-session"),
        ("--write-session rig", "rig/session.toml: is there already, and is not overwritten"),
        ("none.toml --out here", "none.toml: cannot be read (No such file or directory)"),
    ],
)
def test_slips_in_the_options_are_told(capsys, work, plain, options, words):
    code, out, err = said(capsys, f"measure {options}")
    assert (code, out) == (2, "")
    assert err.startswith(words)
    assert not (work / "here").exists()


def test_one_plane_that_stands_for_itself_only_has_pictures_but_no_index(capsys, work, unpainted):
    where = {"azimuth_deg": (0.0,), "off_axis_deg": range(0, 181, 20), "symmetry": "left_right", "kind": "response"}
    rig_files(work / "half", point, **where)
    code, out, _ = said(capsys, "measure half/session.toml --out measured")
    assert code == 0
    assert "No index and no power: the plane at 90 degrees was not observed" in out
    rows = summary(work / "measured")
    assert {row["directivity_index_db"] for row in rows} == {""}
    assert {row["beamwidth_vertical_deg"] for row in rows} == {""}
    assert (work / "measured/index_and_beamwidth.png").exists()
    assert not (work / "measured/standard_curves.png").exists()


def test_budget_adds_up_to_what_the_summary_states_and_the_far_field_is_written_where_asked_for(capsys, work, plain):
    code, out, _ = said(capsys, "measure rig/session.toml --out measured --far-field")
    assert code == 0
    assert "Standard uncertainty of it (budget.csv)" in out
    lines = (work / "measured" / "budget.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    index = [row for row in rows if row["on_axis"] == "0"]
    parts = [name for name in rows[0] if name.endswith("_db") and name != "combined_db"]
    assert {"planes_db", "gate_db", "angle_db", "position_db", "microphone_db", "noise_db", "repeats_db"} <= set(parts)
    stated = {row["frequency_hz"]: row["error_estimate_db"] for row in summary(work / "measured")}
    for row in index:
        whole = np.sqrt(sum(float(row[name] or 0) ** 2 for name in parts))
        assert float(row["combined_db"]) == pytest.approx(whole, abs=3e-4)  # decimals of the table
        assert stated[row["frequency_hz"]] == row["combined_db"]
    told = json.loads((work / "measured" / "session.json").read_text())
    assert told["budget"]["index"]["parts"]["noise"]["kind"] == "A"
    near = {row["frequency_hz"]: row["far_field_index_db"] for row in summary(work / "measured")}
    for row in summary(work / "measured" / "far_field"):
        if row["valid"] == "1":
            assert row["directivity_index_db"] == near[row["frequency_hz"]]


def test_a_model_without_a_power_of_its_own_tells_nothing_of_planes(capsys, work, plain):
    said(capsys, "measure rig/session.toml --out measured")
    code, _, err = said(capsys, "measure rig/session.toml --out again --model measured")
    assert code == 2
    assert "holds no sound power of its own" in err
    assert not (work / "again").exists()
