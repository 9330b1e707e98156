"""The log of prototypes: kept whole whatever ends its writer, read back as written, and read aright."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from evenflare.files import InputError
from evenflare.measurement import journal
from evenflare.measurement.calibrated_file import Known
from evenflare.measurement.journal import Prototype, add, entries, read_comparison, steps
from evenflare.report.measurement import prototypes
from evenflare.results.journal import csv_text

DESIGN = """name = "cone"
[waveguide]
family = "conical"
depth_mm = {depth}
wall_angle_deg = 42.0
[driver]
exit_diameter_mm = 25.4
[analysis]
distance_m = {distance}
"""
COMPARED = {
    "bias_db": 0.1,
    "rms_db": 0.9,
    "worst": {"deviation_db": -2.5, "frequency_hz": 12500.0, "azimuth_deg": 0.0, "off_axis_deg": 60.0},
    "index_rms_db": 0.4,
    "within": False,
}
FIRST = Prototype(
    "2026-03-01T10:00:00+01:00",
    "cone, first",
    "0123456789ab",
    DESIGN.format(depth=80.0, distance=2.0),
    "printed, sanded\nrim chipped",
    ("design.toml", "measured"),
    COMPARED,
    Known({"throat_taper": 0.1}, {"held_out_before": 0.9, "held_out_after": 0.5}),
)
SECOND = replace(
    FIRST,
    name="cone, second",
    design=DESIGN.format(depth=84.0, distance=3.0) + "[air]\nspeed_of_sound_m_per_s = 344.0\n",
    comparison=COMPARED | {"rms_db": 0.6, "within": True},
    calibration=None,
)
WRITER = f"""
import sys
from pathlib import Path
from evenflare.measurement.calibrated_file import Known
from evenflare.measurement.journal import Prototype, add
while True:
    print(add(Path(sys.argv[1]), {FIRST!r}), flush=True)
"""


def test_entries_come_back_as_they_were_added(tmp_path):
    path = tmp_path / "new" / "log.sqlite"
    assert [add(path, FIRST), add(path, SECOND)] == [1, 2]
    assert entries(path) == [replace(FIRST, number=1), replace(SECOND, number=2)]
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_step_names_what_was_built_differently_and_what_that_did():
    (step,) = steps([replace(FIRST, number=1), replace(SECOND, number=2)])
    # Where it was heard from is no change of the prototype.
    assert step.changed == {"waveguide.depth_mm": (80.0, 84.0), "air.speed_of_sound_m_per_s": (None, 344.0)}
    assert step.difference == pytest.approx(-0.3)
    assert prototypes.step_words(step) == (
        "Changed from number 1: depth_mm 80 to 84; air.speed_of_sound_m_per_s none to 344; deviation 0.90 to 0.60"
        " dB rms (−0.30)"
    )
    (unknown,) = steps([FIRST, replace(SECOND, comparison=None)])
    assert unknown.difference is None
    assert prototypes.step_words(unknown).endswith("deviation not known of both")


def test_killed_writer_loses_nothing_that_it_had_finished(tmp_path):
    path = tmp_path / "log.sqlite"
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        for _ in range(20):
            writer.stdout.readline()
        time.sleep(0.013)
        os.kill(writer.pid, signal.SIGKILL)
        told = [int(line) for line in writer.stdout.read().split()]
    found = entries(path)
    # What it had told is there, and at most the one whose telling was cut off as well.
    assert len(found) in (max(told, default=20), max(told, default=20) + 1)
    assert [each.number for each in found] == list(range(1, len(found) + 1))
    assert all(replace(each, number=0) == FIRST for each in found)
    assert add(path, SECOND) == len(found) + 1


def test_two_writers_wait_for_each_other(tmp_path):
    path = tmp_path / "log.sqlite"
    program = WRITER.replace("while True:", "for _ in range(5):")
    writers = [
        subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    numbers = [int(line) for each in writers for line in each.communicate(timeout=60)[0].split()]
    assert sorted(numbers) == list(range(1, 11))


def test_other_files_are_refused_and_left_alone(tmp_path):
    text, other = tmp_path / "notes.txt", tmp_path / "other.sqlite"
    text.write_text("not a database at all, but long enough to be taken for one " * 20)
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE cheese (name TEXT)")
    connection.close()
    before = [path.read_bytes() for path in (text, other)]
    with pytest.raises(InputError, match="cannot be read or written"):
        add(text, FIRST)
    for use in (lambda: add(other, FIRST), lambda: entries(other)):
        with pytest.raises(InputError, match="is no journal of prototypes"):
            use()
    assert [path.read_bytes() for path in (text, other)] == before
    with pytest.raises(InputError, match="is not there. Name a journal"):
        entries(tmp_path / "missing.sqlite")
    assert not (tmp_path / "missing.sqlite").exists()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "line 1: is not JSON"),
        ("[]", "lacks bias_db, rms_db, worst, index_rms_db"),
        (json.dumps({**COMPARED, "rms_db": "low"}), 'rms_db = "low": must be a number'),
    ],
)
def test_comparison_that_is_none_is_refused(tmp_path, text, message):
    (tmp_path / "comparison.json").write_text(text)
    with pytest.raises(InputError, match=message):
        read_comparison(tmp_path)


def test_words_table_and_picture_tell_the_whole_story():
    found = [replace(FIRST, number=1), replace(SECOND, number=2), replace(SECOND, number=3, comparison=None)]
    listed = prototypes.list_text(found).splitlines()
    told = "0.90 dB rms, calibration 0.90 to 0.50 on angles held out"
    assert listed[0] == f"  1  2026-03-01  0123456789ab  {told}  cone, first"
    assert listed[1:3] == ["     printed, sanded", "     rim chipped"]
    full = prototypes.full_text(found)
    assert "Calibrated: throat_taper 0.1" in full
    assert "    depth_mm = 84.0" in full
    rows = csv_text(found, header={"what": "log"}).splitlines()
    assert rows[0] == "# log"
    assert rows[1].startswith("# text cells: ")
    assert rows[2].split(",")[:6] == ["number", "added", "name", "design_id", "rms_db", "rms_change_db"]
    assert ",0.6,-0.3,0.1,-2.5,12500,60,0.4,1,,," in rows[5]  # the note before it holds a line break
    assert prototypes.list_text([]) == "No prototypes yet"
    drawn = prototypes.figure(found)
    assert any("depth_mm 80 to 84" in text.get_text() for text in drawn.axes[0].texts)
    assert [label.get_text() for label in drawn.axes[0].get_yticklabels()][:2] == ["1 cone, first", "2 cone, second"]
    assert journal.steps([]) == []
