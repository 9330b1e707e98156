"""The command tolerance as a user calls it: its answer, its files, its exit codes, and slips in the asking."""

import json
from dataclasses import replace

import numpy as np
import pytest

from evenflare.cli import run
from evenflare.commands import tolerance as command
from evenflare.design.tolerance_file import read_tolerance
from evenflare.files import InputError
from evenflare.studies import sensitivity
from evenflare.studies import tolerance as study
from evenflare.studies.sensitivity import times
from evenflare.waveguide.accuracy import Accuracy
from toleranced import scattered

pytestmark = pytest.mark.usefixtures("unpainted")

DESIGN = """name = "invented"
[waveguide]
family = "oblate_spheroidal"
depth_mm = 40
wall_angle_deg = 45
[driver]
exit_diameter_mm = 25.4
[analysis]
frequencies_hz = [2000, 4000, 8000, 16000, 20000]
"""


@pytest.fixture
def design(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(DESIGN)
    return path


def coarse(monkeypatch):
    """Few places, and few walls that prove a band."""
    monkeypatch.setattr(sensitivity, "ROUND_PLACES", 6)
    for name in ("WORST_WALLS", "RANDOM_WALLS", "EVEN"):
        monkeypatch.setattr(study, name, 1)


def test_answer_comes_first_and_its_file_reads_back(design, tmp_path, capsys, monkeypatch):
    accuracy = Accuracy(spread=2e-5, correlation_length=0.02, around="alike", source="invented")
    monkeypatch.setattr(command, "_process", lambda name: ("a lathe", accuracy))
    draw = scattered(0.02, 0.055, knots=6)
    # How true the statistical band is, is tested beside it.
    monkeypatch.setattr(study, "LINEAR_UNITS", 100)
    monkeypatch.setattr(study, "SOLVED_UNITS", 10)
    monkeypatch.setattr(
        command,
        "_units",
        lambda accuracy, design, seed, count: [times(each, accuracy.spread / 1e-3) for each in draw(seed, count)],
    )
    out = tmp_path / "out"
    asked = ["tolerance", str(design), "--within-db", "0.5", "--out", str(out), "--process", "lathe", "--units", "12"]
    assert run([*asked, "--quiet"]) == 0
    first, *rest = capsys.readouterr().out.splitlines()
    assert first.startswith("Keep the first ")
    assert any(line.startswith("Of 12 units as a lathe makes them, 100.0% keep 0.5 dB") for line in rest)
    assert any(line.startswith("Machinist: ") for line in rest)
    assert any(line.startswith("Foundry: ") for line in rest)
    found, record = read_tolerance(out), json.loads((out / "tolerance.json").read_text())
    assert (found.within_db, found.share, found.process) == (0.5, 0.95, "a lathe")
    assert found.zones[0].from_z == 0.0
    assert found.zones[-1].to_z == pytest.approx(0.04, abs=1e-9)
    assert len(found.statistical) == len(found.zones)
    assert {"waviness", "offset", "bow", "scale", "throat_step"} <= set(found.db_per_mm)
    assert record["frequencies"] == 4  # nothing beyond 16 kHz unless asked
    assert 0.0 < record["units"]["share_from"] < 1.0
    assert record["units"]["share_to"] == 1.0
    page = (out / "report.html").read_text()
    assert page.index("Keep the first ") < page.index("<table")
    zones = (out / "zones.csv").read_text().splitlines()
    assert f"{found.zones[0].plus * 1e3:.6g}" in zones[-len(found.zones)]

    # A process that scatters fifty times as much cannot keep it, however finely that is looked at.
    monkeypatch.setattr(command, "_process", lambda name: ("a lathe", replace(accuracy, spread=1e-3)))
    coarse(monkeypatch)
    assert run([*asked, "--quiet"]) == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--within-db", "0"], "--within-db 0: must be 0.01 to 20. Raise it"),
        (["--within-db", "1", "--share", "1"], "--share 1: must be 0.5 to 0.999. Lower it"),
        (["--within-db", "1", "--units", "5"], "--units: belongs to --process"),
        (["--within-db", "1", "--process", "rooter"], "Did you mean router?"),
        (["--within-db", "1", "--to-hz", "1000"], "none of its frequencies"),
    ],
)
def test_slip_is_told_with_its_remedy(design, tmp_path, capsys, words, told):
    assert run(["tolerance", str(design), "--out", str(tmp_path / "out"), "--quiet", *words]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


GOOD = {
    "within_db": 1,
    "share": 0.95,
    "process": None,
    "design_id": "0123456789ab",
    "db_per_mm": {"offset": 1.5},
    "zones": [
        {"from_z_mm": 0, "to_z_mm": 20, "minus_mm": 0.1, "plus_mm": 0.2},
        {"from_z_mm": 20, "to_z_mm": 80, "minus_mm": 0.3, "plus_mm": 0.3},
    ],
}


def test_tolerance_of_other_hands_is_read(tmp_path):
    path = tmp_path / "tolerance.json"
    path.write_text(json.dumps(GOOD))
    found = read_tolerance(path)
    assert [(zone.minus, zone.plus) for zone in found.zones] == [
        pytest.approx((1e-4, 2e-4)),
        pytest.approx((3e-4, 3e-4)),
    ]
    assert found.statistical == ()
    assert found.process == ""


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"zones": []}, "zones: holds none"),
        ({"within_db": "much"}, "within_db = much: must be a number from 0"),
        ({"zones": [GOOD["zones"][0], {**GOOD["zones"][1], "from_z_mm": 30}]}, "from_z_mm = 30: must be 20"),
        ({"zones": [{**GOOD["zones"][0], "to_z_mm": -1}]}, "to_z_mm = -1: must be a number"),
        ({"zones": 3}, "is no tolerance of a wall"),
        ({"db_per_mm": None}, "is no tolerance of a wall"),
    ],
)
def test_broken_tolerance_is_told(tmp_path, change, told):
    path = tmp_path / "tolerance.json"
    path.write_text(json.dumps(GOOD | change))
    with pytest.raises(InputError) as error:
        read_tolerance(path)
    assert told in str(error.value)


def test_sensitivities_are_a_row_for_each_place_and_octave(design, tmp_path, monkeypatch):
    coarse(monkeypatch)
    out = tmp_path / "out"
    assert run(["tolerance", str(design), "--within-db", "0.5", "--out", str(out), "--quiet"]) == 0
    lines = [line for line in (out / "sensitivity.csv").read_text().splitlines() if line[0] != "#"]
    assert lines[0].startswith("share,z_mm,azimuth_deg,octave_hz,index_db_per_mm")
    assert len(lines) - 1 == 7 * 4
    assert np.isfinite(float(lines[1].split(",")[4]))
    assert not (out / "units.csv").exists()
