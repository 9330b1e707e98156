"""Files that claim, nest or wait without end, and what no reader may take for a file: refused, quickly and by name."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import time
from contextlib import closing

import numpy as np
import pytest
import soundfile

from design_texts import CONE, DRIVER, GOOD
from evenflare.columns import numbers
from evenflare.design.file import read_design
from evenflare.directivity.folder import read_directivity
from evenflare.dsp.filters_file import read_equaliser
from evenflare.files import InputError, check_folder, read_text, short
from evenflare.measurement.journal import add, entries, read_comparison
from evenflare.measurement.session import read_session
from evenflare.measurement.wav import MOST_CHANNELS, read_wav
from evenflare.search.store import STORE, history_rows, opened, standing
from evenflare.target.target import read_target
from evenflare.text import visible
from fuzz_formats import CASES, ENTRY, IDENTITY, write_corpus
from fuzz_rig import RIG
from fuzzing import bounded
from target_texts import GOOD as TARGET

LONG = "9" * 400
"""Digits, of an integer that no float holds."""
ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT"


@pytest.fixture(scope="module")
def corpus(tmp_path_factory):
    """A file of every format, all in order."""
    folder = tmp_path_factory.mktemp("corpus") / "all"
    write_corpus(folder)
    return folder


@pytest.fixture
def copy(corpus, tmp_path):
    """A folder of the corpus, to be changed."""

    def made(name):
        return shutil.copytree(corpus / name, tmp_path / name)

    return made


def refusal(read, *arguments) -> str:
    """The words of a refusal that comes in time."""
    with pytest.raises(InputError) as caught, bounded():
        read(*arguments)
    assert all(len(line) < 1000 for line in str(caught.value).splitlines()), "a line is read by a person"
    return str(caught.value)


READ_FILES = sorted(
    {(name, file) for name, case in CASES.items() for file in case.files if name != "names of readings"}
)


@pytest.mark.parametrize(("name", "file"), READ_FILES, ids=lambda each: str(each))
def test_a_pipe_is_refused_by_every_reader_instead_of_waited_for(copy, name, file):
    case = CASES[name]
    folder = copy(case.folder)
    (folder / file).unlink()
    os.mkfifo(folder / file)
    assert f"{os.path.basename(file)}: is a pipe, not a regular file" in refusal(case.read, folder)


def test_folders_devices_and_loops_are_no_files_and_a_link_to_a_file_is_one(tmp_path):
    (tmp_path / "real").write_text("text")
    (tmp_path / "link").symlink_to("real")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "endless").symlink_to("/dev/zero")
    assert read_text(tmp_path / "link") == "text"
    assert refusal(read_text, tmp_path / "loop").startswith(f"{tmp_path / 'loop'}: cannot be read (")
    assert "endless: is a device, not a regular file" in refusal(read_text, tmp_path / "endless")
    assert "cannot be read (Is a directory)" in refusal(read_text, tmp_path)
    assert "cannot be read (embedded null byte)" in refusal(read_text, tmp_path / "a\0b")
    assert "cannot be read (File name too long)" in refusal(read_text, tmp_path / ("x" * 5000))
    assert "cannot be written (File name too long)" in refusal(check_folder, tmp_path / ("x" * 5000))


def test_a_file_larger_than_any_of_its_kind_is_not_read(tmp_path):
    path = tmp_path / "design.toml"
    with path.open("wb") as file:
        file.truncate(10**12)  # of holes: it takes no room on the disk
    assert "design.toml: has more than 3 MB: must have at most as much" in refusal(read_design, path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD.replace("25.4", LONG), "driver.exit_diameter_mm holds a whole number of more than 18 digits"),
        (GOOD.replace("25.4", "9" * 5000), "holds a whole number of more than 18 digits"),
        (GOOD + "a = " + "[" * 5000, "holds tables or lists more than 10 deep"),
        (GOOD + "a = " + "[" * 50 + "]" * 50, "driver.a holds tables or lists more than 10 deep"),
        (GOOD + "[" + "a." * 3000 + "a]", "line 7 holds a key of more than 10 parts"),
        (GOOD + "".join(f"k{i} = 1\n" for i in range(100_000)), "holds more than 20000 keys"),
        (GOOD + "curve = [" + "1," * 30_000 + "]", "driver.curve holds 30000 values: must be at most 20000"),
    ],
    ids=["digits", "more digits", "open nesting", "nesting", "dots", "keys", "list"],
)
def test_toml_without_end_is_refused_in_time(tmp_path, text, words):
    (tmp_path / "d.toml").write_text(text)
    assert f"d.toml: {words}" in refusal(read_design, tmp_path / "d.toml")


def test_twenty_thousand_unknown_keys_are_counted_and_not_all_compared(tmp_path):
    (tmp_path / "d.toml").write_text(GOOD + "".join(f"k{i} = 1\n" for i in range(19_000)))
    began = time.process_time()
    told = refusal(read_design, tmp_path / "d.toml")
    assert time.process_time() - began < 5, "the time that a fuzzed file may take"
    assert told.count("\n") == 20
    assert told.endswith("and 18980 more faults like these")


@pytest.mark.parametrize("value", [LONG, "9" * 5000, "[" * 5000, "[" * 50 + "]" * 50, '"\\ud800"'])
@pytest.mark.parametrize(("file", "key"), [("solved/provenance.json", "name"), ("filters.json", "name")])
def test_json_without_end_is_refused_by_name(copy, file, key, value):
    folder = copy("joined")
    record = json.loads((folder / file).read_text())
    (folder / file).write_text(json.dumps(record | {key: "HERE"}).replace('"HERE"', value))
    read, path = (read_directivity, folder / "solved") if "solved" in file else (read_equaliser, folder / file)
    assert os.path.basename(file) in refusal(read, path)


def test_comparison_of_integers_without_end_is_refused(copy):
    folder = copy("kept")
    (folder / "comparison.json").write_text((folder / "comparison.json").read_text().replace("0.9", LONG))
    assert "comparison.json: rms_db holds a whole number of more than 18 digits" in refusal(read_comparison, folder)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('10,"13.7', 'line 3: 10,"13.7: is no row of a CSV (unexpected end of data). Close or remove its quotation'),
        (f'10,"{"x" * 200_000}"', "line 3: has more than 100000 characters"),
        ("10," + "9" * 90_000, f"line 3 r_mm = {'9' * 197}...: must be -2000 to 2000"),
        ("10," + "x" * 90_000, f"line 3 r_mm = {'x' * 197}...: must be a number"),
    ],
    ids=["open quote", "huge field", "many digits", "long word"],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_broken_row_of_a_csv_is_named_with_its_line(tmp_path, line, words, end):
    (tmp_path / "p.csv").write_bytes(end.join(["z_mm,r_mm", "0,12.7", line, "20,17", ""]).encode())
    (tmp_path / "d.toml").write_text(f'[waveguide]\nmeridian_csv = "p.csv"\n{DRIVER}')
    assert f"p.csv {words}" in refusal(read_design, tmp_path / "d.toml")


def test_a_quotation_mark_left_open_does_not_swallow_the_lines_below(tmp_path):
    # Closed two lines below, it would be one field of three lines.
    (tmp_path / "p.csv").write_text('z_mm,r_mm\n0,"12.7\n10,14\n20,17"\n')
    assert "p.csv line 2:" in refusal(lambda: list(numbers(tmp_path / "p.csv", ("z_mm", "r_mm"))))


def test_a_column_that_stands_twice_is_refused(tmp_path):
    (tmp_path / "p.csv").write_text("z_mm,r_mm,r_mm\n0,12.7,13\n")
    told = refusal(lambda: list(numbers(tmp_path / "p.csv", ("z_mm", "r_mm"))))
    assert "p.csv line 1: the column r_mm stands there twice" in told


def test_more_points_than_a_file_may_hold_are_refused(tmp_path):
    (tmp_path / "p.csv").write_text("z_mm,r_mm\n" + "".join(f"{i / 100},{12.7 + i / 100}\n" for i in range(20_002)))
    (tmp_path / "d.toml").write_text(f'[waveguide]\nmeridian_csv = "p.csv"\n{DRIVER}')
    assert "p.csv: holds more than 20000 points" in refusal(read_design, tmp_path / "d.toml")


def test_a_sparse_table_of_directions_takes_no_memory_for_what_is_not_there(copy):
    folder = copy("joined") / "solved"
    rows = "".join(f"{300 + i},{i / 100},{i / 100},0,0,1\n" for i in range(3000))
    (folder / "directivity.csv").write_text("frequency_hz,azimuth_deg,off_axis_deg,level_db,phase_deg,valid\n" + rows)
    # 3000 frequencies, planes and angles, each once: the grid has 27 thousand million directions.
    assert "directivity.csv: lacks 300 Hz at azimuth 0 and off-axis 0.01 degrees" in refusal(read_directivity, folder)


@pytest.mark.parametrize(
    ("column", "value"), [("level_db", "1e9"), ("frequency_hz", "1e300"), ("phase_deg", "inf"), ("level_db", "-inf")]
)
def test_a_reading_beyond_all_bounds_is_named(copy, column, value):
    folder = copy("joined") / "solved"
    lines = (folder / "directivity.csv").read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    fields = lines[at + 3].split(",")
    fields[lines[at].split(",").index(column)] = value
    (folder / "directivity.csv").write_text("\n".join([*lines[: at + 3], ",".join(fields), *lines[at + 4 :]]))
    told = refusal(read_directivity, folder)
    assert f"directivity.csv line {at + 4} " in told
    assert f"{column} = {float(value):g}: must be " in told


def test_a_small_sofa_file_that_claims_seven_gigabytes_is_refused(copy):
    from netCDF4 import Dataset

    path = copy("joined") / "foreign.sofa"
    with Dataset(str(path), "a") as file:
        file.createDimension("many", 30_000)
        # Nothing is ever written: in the file it is a few bytes, read it would be 30000 x 30000 x 8.
        file.createVariable("Data.Extra", "f8", ("many", "many"), zlib=True, chunksizes=(100, 100))
    assert path.stat().st_size < 100_000
    told = refusal(read_directivity, path)
    assert "foreign.sofa: says that it holds 9000" in told
    assert "values: must be at most 20000000" in told


def test_a_sofa_file_that_the_library_would_not_open_by_its_name_is_refused(copy):
    folder = copy("joined")
    (folder / "f.sofa").rename(folder / "f.SOFA")
    assert "f.SOFA: must end in .sofa, in small letters" in refusal(read_directivity, folder / "f.SOFA")


def test_a_sound_of_more_channels_than_a_rig_has_is_refused_before_it_is_read(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros((4, MOST_CHANNELS + 1)), 48000)
    assert f"a.wav: holds {MOST_CHANNELS + 1} channels: must be at most" in refusal(read_wav, tmp_path / "a.wav")


@pytest.fixture
def journal(tmp_path):
    add(tmp_path / "j.sqlite", ENTRY)
    return tmp_path / "j.sqlite"


def altered(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in statements:
            connection.execute(statement)


NINE = ", ".join(
    f"x AS {name}"
    for name in ["number", "added", "name", "design_id", "design", "notes", "files", "comparison", "calibration"]
)


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        (["DROP TABLE prototype", f"CREATE VIEW prototype AS {ENDLESS} {NINE} FROM c"], 'holds the view "prototype"'),
        (["CREATE TRIGGER t AFTER INSERT ON prototype BEGIN DELETE FROM prototype; END"], 'holds the trigger "t"'),
        (["ALTER TABLE prototype ADD COLUMN price REAL"], 'its table "prototype" has other columns than ours'),
        (["CREATE TABLE more (a)"], 'holds the table "more": must hold only prototype'),
    ],
    ids=["endless view", "trigger", "column", "table"],
)
def test_a_journal_that_holds_more_than_ours_is_refused(journal, statements, words):
    altered(journal, *statements)
    assert f"j.sqlite: {words}" in refusal(entries, journal)
    assert f"j.sqlite: {words}" in refusal(add, journal, ENTRY)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("comparison", "'[[[['"),
        ("comparison", f"'{{\"rms_db\": {LONG}}}'"),
        ("comparison", "'{}'"),
        ("calibration", "'{\"values\": 3}'"),
        ("files", "'7'"),
        ("name", "x'ff'"),
        ("design", "'a = ['"),
        ("added", "x'00'"),
    ],
)
def test_a_broken_row_of_a_journal_is_named(journal, column, value):
    altered(journal, f"UPDATE prototype SET {column} = {value}")
    assert "j.sqlite entry 1: is damaged" in refusal(entries, journal)


@pytest.fixture
def run(tmp_path):
    with opened(tmp_path, IDENTITY):
        pass
    row = "(1, 'screen', 'conical', '[0.5]', 1.0, 1, '{}', '{}', '{}', '')"
    altered(tmp_path / STORE, "PRAGMA journal_mode=DELETE", f"INSERT INTO candidate VALUES {row}")
    return tmp_path


def continued(folder):
    with opened(folder, IDENTITY):
        pass


def test_a_store_of_candidates_that_is_an_endless_view_is_refused(run):
    ten = ["number", "stage", "family", "vector", "score", "feasible", "terms", "limits", "parameters", "reason"]
    view = f"CREATE VIEW candidate AS {ENDLESS} {', '.join(f'x AS {name}' for name in ten)} FROM c"
    altered(run / STORE, "DROP TABLE candidate", view)
    for read in (lambda: list(history_rows(run)), lambda: standing(run), lambda: continued(run)):
        assert f'{STORE}: holds the view "candidate"' in refusal(read)


@pytest.mark.parametrize(
    ("column", "value"),
    [("vector", "'[['"), ("vector", f"'[{LONG}]'"), ("stage", "'later'"), ("terms", "'[1]'"), ("score", "'good'")],
)
def test_a_broken_candidate_is_named(run, column, value):
    altered(run / STORE, f"UPDATE candidate SET {column} = {value}")
    assert f"{STORE} candidate 1: is damaged" in refusal(lambda: list(history_rows(run)))
    assert f"{STORE} candidate 1: is damaged" in refusal(continued, run)


STEER = "\x1b[2J\x9b31m\u202e"
"""Clears a terminal, colours it, turns the direction of writing."""


def test_what_is_quoted_is_short_and_steers_no_terminal():
    assert str(InputError(f"d.toml: {STEER}\nsecond line")) == "d.toml: \\x1b[2J\\x9b31m\\u202e\nsecond line"
    assert visible("größer, 声") == "größer, 声"
    assert short("a\nb") == "a\\x0ab"
    assert short("x" * 500) == "x" * 197 + "..."


@pytest.mark.parametrize(
    "text",
    [
        CONE + DRIVER.replace("25.4", f'"{"x" * 5000}"'),
        CONE + DRIVER + f'"{"x" * 5000}" = 1\n',
        CONE + DRIVER + f"{'x' * 5000} = 1\n",
        CONE + DRIVER + f"[{'x' * 5000}]\na = 1\n",
        CONE + DRIVER + f"broken {'x ' * 3000}\n",
        CONE.replace("conical", "x" * 5000) + DRIVER,
        CONE + DRIVER + f'calibrated = "{"x" * 5000}"\n',
        f'[waveguide]\nmeridian_csv = "{"x" * 5000}"\n{DRIVER}',
        f'[waveguide]\nmeridian_csv = "{"世" * 180}"\n{DRIVER}',
        f'[waveguide]\nmeridian_csv = "a\\u0000b"\n{DRIVER}',
        f'[waveguide]\nmeridian_csv = "a\\u001b[2Jb"\n{DRIVER}',
        CONE + DRIVER + '"\\u001b[2J" = "\\u009b31m\\u202e"\n',
    ],
)
def test_a_long_or_hidden_value_of_a_design_is_quoted_in_part(tmp_path, monkeypatch, text):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "d.toml").write_text(text)
    told = refusal(read_design, "d.toml")
    assert told.startswith(("d.toml", "世世"))
    assert "x" * 201 not in told
    assert "x " * 101 not in told
    assert visible(told) == told


@pytest.mark.parametrize("name", ["x" * 200, "世" * 90 + "_{off_axis_deg}.wav", "{" * 150, "a\\u0000{off_axis_deg}"])
def test_odd_names_of_readings_are_refused(tmp_path, name):
    text = f'{RIG}[files]\nkind = "impulse_response"\nhorizontal = "{name}"\nsymmetry = "round"\n'
    (tmp_path / "s.toml").write_text(text)
    assert "s.toml [files] horizontal" in refusal(read_session, tmp_path / "s.toml")


BROKEN = {"toml": "exit_diameter_mm 25.4", "csv": "10;12", "txt": "1000 x", "json": '"name" 3,'}


@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\r\r\n"], ids=["crlf", "cr", "cr crlf"])
@pytest.mark.parametrize(("name", "file"), [each for each in READ_FILES if each[1].split(".")[-1] in BROKEN])
def test_a_broken_line_is_named_with_its_file_whatever_ends_lines(copy, name, file, end):
    case = CASES[name]
    folder = copy(case.folder)
    lines = (folder / file).read_bytes().split(b"\n")
    broken = BROKEN[file.split(".")[-1]].encode()
    (folder / file).write_bytes(end.join([*lines[:2], broken, *lines[2:]]))
    assert os.path.basename(file) in refusal(case.read, folder)


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (
            "mouth_diameter_mm = [180, 260]\nsmallest_concave_radius_mm = 400",
            "smallest_concave_radius_mm = 400: must be at most 25.6, on which a round",
        ),
        (
            "mouth_diameter_mm = [180, 260]\ngreatest_wall_angle_deg = 30",
            "mouth_diameter_mm = [180, ..]: must begin at 152.6 at most, what a wall of",
        ),
        (
            "mouth_diameter_mm = [100, 140]\nsmallest_draft_deg = 45",
            "mouth_diameter_mm = [.., 140]: must reach 145.2 at least, to which a wall of smallest_draft_deg = 45",
        ),
        (
            "mouth_diameter_mm = [180, 260]\nthroat_angle_deg = [70, 80]\ngreatest_wall_angle_deg = 60",
            "throat_angle_deg = [70, 80]: must begin below",
        ),
    ],
)
def test_limits_that_no_wall_can_keep_are_refused_with_file_and_key(tmp_path, monkeypatch, limits, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "t.toml").write_text(f"{TARGET.split('[limits]')[0]}[limits]\ndepth_mm = [60, 110]\n{limits}\n")
    assert f"t.toml [limits] {words}" in refusal(read_target, "t.toml")
