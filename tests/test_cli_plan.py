"""The command `plan`, as a user runs it."""

from __future__ import annotations

import csv
import shutil

import numpy as np
import pytest

from commandline import said
from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from synthetic_rig import SyntheticRig, point, write_session_files

PLACE = "plan --source-height-m 3.0 --microphone-height-m 3.0 --distance-m 2 --mouth-mm 240"


def test_it_prints_window_lowest_frequency_far_field_and_cautions(capsys):
    code, out, err = said(capsys, PLACE)
    assert code == 0, err
    # Image source at 3 m and 2 m at 343.2 m/s: 12.60 ms; at 20 Celsius and 50 % (Cramer, 343.99 m/s) 12.57.
    assert "Reflection-free window: 12.57 ms" in out
    assert "Gate: 11.31 ms" in out
    assert "Lowest trustworthy frequency: 88 Hz" in out  # 1 / 11.31 ms
    assert "up to 5.97 kHz" in out  # c r / (2 D^2)
    assert "Readings: 72 (horizontal 36, vertical 36)" in out
    assert "Steps of 10 degrees" in out
    for caution in ("Loud signals", "second safety bond", "power lines", "series capacitor", "temperature"):
        assert caution in out
    assert "--step-deg" in err  # ten degrees do not reach 20 kHz with such a mouth


def test_what_is_wanted_and_not_to_be_had_comes_with_its_remedy(capsys):
    code, out, err = said(capsys, f"{PLACE} --from-hz 60 --to-hz 5000")
    assert code == 0
    # Height for a window of 1 / 54 Hz at 2 m: 0.5 sqrt((2 + 343.99 / 54)^2 - 4) = 4.06 m.
    assert "raise source and microphone to 4.06 m" in err
    code, out, err = said(capsys, f"{PLACE} --from-hz 100 --wall-m 1.5 --to-hz 5000")
    assert "from other surfaces" in err
    assert "nearest other surface" in out


def test_page_angles_and_session_are_written(tmp_path, capsys):
    folder = tmp_path / "outside"
    code, _, err = said(capsys, f"{PLACE} --half --symmetry left_right --repeats 2 --out {folder}")
    assert code == 0, err
    page = (folder / "plan.html").read_text()
    assert "☐ turn_10_1.wav  ☐ turn_10_2.wav" in page
    assert "☐ tilt_-170_1.wav" in page
    assert "turn_-10" not in page
    assert page.count("☐") > 110 + 10  # every reading and every step
    assert "<script" not in page
    assert "http" not in page.replace("http-equiv", "")  # self-contained
    lines = [line for line in (folder / "angles.csv").read_text().splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert len(rows) == 2 * (19 + 36)
    assert rows[2] == {"azimuth_deg": "0", "off_axis_deg": "10", "repeat": "1", "file": "turn_10_1.wav"}


def test_its_session_file_reads_the_recordings_put_beside_it(tmp_path, capsys):
    folder = tmp_path / "outside"
    assert said(capsys, f"{PLACE} --out {folder}")[0] == 0
    recorded = tmp_path / "recorded"
    write_session_files(recorded, point, rig=SyntheticRig())
    for file in recorded.glob("*.wav"):
        shutil.copy(file, folder / file.name.replace("+", ""))
    session = read_session(folder / "session.toml")
    assert len(session.readings) == 72
    assert session.rig.source_height == 3.0
    assert session.symmetry == "left_right"
    code, _, err = said(capsys, f"{PLACE} --out {folder}")
    assert code == 2  # notes in a session file are not overwritten
    assert "is there already" in err


def test_cold_air_is_planned_with_a_warning(capsys, tmp_path):
    code, _, err = said(capsys, f"{PLACE} --temperature-c -5")
    assert code == 0
    assert "speed of sound: -5 Celsius at 101.325 kPa lies outside 0 to 30 Celsius" in err
    assert "outside 0 to 30 Celsius" not in said(capsys, f"{PLACE} --temperature-c 5")[2]
    # The coldest that may be planned is the coldest that the session which it writes may have.
    assert said(capsys, f"{PLACE} --temperature-c -20 --out {tmp_path / 'cold'}")[0] == 0


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ("--distance-m 0", "--distance-m 0: must be 0.05 to 1000"),
        ("--distance-m nan", "--distance-m nan: must be"),
        ("--mouth-mm -3", "--mouth-mm -3: must be"),
        ("--step-deg 7", "--step-deg 7: must go into 90"),
        ("--from-hz 30000", "--from-hz 30000: must be below --to-hz 20000"),
        ("--source-height-m 9", "above the difference of the heights"),
        ("--temperature-c 300", "--temperature-c 300: must be -20 to 50"),
    ],
)
def test_bad_values_are_refused_with_what_is_allowed(capsys, changed, message):
    code, out, err = said(capsys, f"{PLACE} {changed}")
    assert code == 2
    assert out == ""
    assert message in err


def test_its_session_knows_the_wall_and_gates_before_it(tmp_path, capsys):
    folder = tmp_path / "inside"
    assert said(capsys, f"{PLACE} --wall-m 1.1 --out {folder}")[0] == 0
    recorded = tmp_path / "recorded"
    write_session_files(recorded, point, rig=SyntheticRig(samples=2048))
    for file in recorded.glob("*.wav"):
        shutil.copy(file, folder / file.name.replace("+", ""))
    found = assemble(read_session(folder / "session.toml")).findings["gate"]
    session = read_session(folder / "session.toml")
    assert session.rig.wall == 1.1
    # 0.9 of the image source's longer path, by Pythagoras.
    longer = np.hypot(session.rig.distance, 2.2) - session.rig.distance
    assert found["length_ms"] == pytest.approx(0.9e3 * longer / session.rig.air.speed_of_sound, rel=1e-6)
