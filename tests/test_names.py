"""What a name, a note and a path may hold, at every reader that takes one; and how text is shown."""

from __future__ import annotations

import csv
import json
import re
import shlex
import sqlite3
import unicodedata
from functools import partial
from importlib.resources import files
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from commandline import DESIGN, said
from evenflare import text
from evenflare.commands.measured_ways import read_measured
from evenflare.design.file import design_toml, read_design
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.sofa import read_sofa, write_sofa
from evenflare.dsp.filters_file import read_equaliser
from evenflare.dsp.speaker import read_speaker
from evenflare.files import InputError
from evenflare.manufacture.process.file import read_process
from evenflare.measurement.session import read_session
from evenflare.results import formats, tables
from evenflare.room.room_file import read_room
from evenflare.target.target import read_target
from naming import NAMES, REFUSED, TROUBLE
from reports import piston

UNFIT = list(REFUSED)
HERE = Path(__file__).parent


@pytest.mark.parametrize("kind", UNFIT)
def test_what_no_name_may_hold_is_refused(kind):
    with pytest.raises(text.UnfitError, match=r"(must be .*\. (Take it out|Shorten it|Write some)$)"):
        text.name(REFUSED[kind])


@pytest.mark.parametrize("name", TROUBLE)
def test_any_script_and_sign_is_taken_and_composed(name):
    assert text.name(name) == unicodedata.normalize("NFC", name)


@given(st.text())
def test_what_is_shown_holds_nothing_that_is_refused(drawn):
    shown = text.visible(drawn)
    assert text.visible(shown) == shown, "what is visible stays as it is"
    assert not any(
        unicodedata.category(each) in ("Cc", "Cs", "Zl", "Zp") for each in shown.replace("\n", "").replace("\t", "")
    )
    shown.encode("utf-8")
    assert len(text.one_line(drawn).splitlines()) <= 1


def test_paths_are_taken_as_they_are_and_bounded():
    assert text.path("sub/e\u0301.csv") == "sub/e\u0301.csv", "a file system may tell it from the composed name"
    assert text.path("/".join(["x" * 255] * 10))
    for bad in ("a\x00.csv", "a\n.csv", "a\u202e.csv", "a\ud800", "x" * 256, "é" * 128, "x/" * 2001):
        with pytest.raises(text.UnfitError):
            text.path(bad)


def test_notes_may_have_lines_and_tabs_and_nothing_else():
    assert text.note("one\r\ntwo\tthree\n") == "one\ntwo\tthree\n"
    assert text.note("") == ""
    for bad in ("a\x00", "a\rb", "a\x1b[2J", "a\u202eb", "x" * 10_001):
        with pytest.raises(text.UnfitError):
            text.note(bad)


@given(NAMES)
def test_an_addition_to_a_name_gives_a_name(name):
    longer = text.added(text.name(name), ": best of the search")
    assert text.name(longer) == longer or len(longer) <= text.LONGEST_NAME


@given(st.text(st.characters(exclude_categories=("Cs",))))
def test_cells_read_back_less_their_apostrophes_and_begin_no_formula(drawn):
    line = ",".join(["1", text.quoted(drawn), "2"])
    ((first, found, last),) = csv.reader([line] if "\n" not in line else line.splitlines(keepends=True))
    assert (first, last) == ("1", "2")
    assert found[:1] not in tuple("=+-@\t\r\n＝＋－＠")
    assert "\n".join(line.removeprefix("'") for line in found.split("\n")) == text.visible(drawn)
    assert not any(each.startswith("#") for each in found.split("\n")), "no line that a reader would pass over"


def test_header_lines_are_one_line_and_begin_no_cell_with_a_formula():
    (line,) = text.comments(["design: a,=1+1; @b,\t-c\nrest"])
    assert line == "# design: a,'=1+1; '@b, '-c rest"
    assert text.comments(["bolts at (1, -2.5), (3,+4), -5"]) == ["# bolts at (1, -2.5), (3,+4), -5"], "numbers stay"
    assert text.comments(["a, -1+cmd|' /C calc'!A0, -1 +x"]) == ["# a, '-1+cmd|' /C calc'!A0, '-1 +x"]


# The same rule wherever a name is read. Each writes a file with the name and reads it.

ROOM = """[size]
length_m = 6
width_m = 4
height_m = 2.5
[absorption]
frequency_hz = [250, 500, 1000, 2000, 4000]
all_surfaces = 0.2
[source]
position_m = [0.5, 2, 1]
aim_at_m = [4, 2, 1]
"""


def toml(name: str) -> str:
    """As JSON has it, TOML has it: but for DEL, which JSON leaves as it is."""
    return (
        json.dumps(name, ensure_ascii=True).replace("\x7f", "\\u007f")
        if ord(max(name)) < 0x10000
        else ('"' + "".join(f"\\U{ord(each):08x}" for each in name) + '"')
    )


def in_design(folder, name, value):
    file = folder / "d.toml"
    file.write_text(DESIGN.replace('"plain cone"', value), encoding="utf-8")
    return read_design(file).name


def in_target(folder, name, value):
    file = folder / "t.toml"
    given_target = (HERE.parent / "targets" / "shelf.toml").read_text("utf-8")
    file.write_text(re.sub(r"^name = .*$", lambda _: f"name = {value}", given_target, flags=re.M), encoding="utf-8")
    return read_target(file).name


def in_process(folder, name, value):
    file = folder / "p.toml"
    bundled = Path(str(files("evenflare.manufacture"))) / "processes" / "router.toml"
    file.write_text(
        re.sub(r"^material = .*$", lambda _: f"material = {value}", bundled.read_text("utf-8"), flags=re.M),
        encoding="utf-8",
    )
    return read_process(str(file)).material


def in_room(folder, name, value):
    file = folder / "r.toml"
    file.write_text(f"{ROOM}[[seats]]\nname = {value}\nposition_m = [4, 2, 1.1]\n", encoding="utf-8")
    return read_room(file).seats[0].name


def in_provenance(folder, name, value):
    tables.write_solution(folder / "s", piston(step_deg=10), name="plain", design_id="a1")
    file = folder / "s" / "provenance.json"
    file.write_text(json.dumps(json.loads(file.read_text("utf-8")) | {"name": name}), encoding="utf-8")
    return read_directivity(folder / "s").name


def in_sofa(folder, name, value):
    file = write_sofa(piston(step_deg=10), folder / "s.sofa", name="plain")
    with netCDF4.Dataset(file, "a") as held:
        held.setncattr("Evenflare", json.dumps(json.loads(held.Evenflare) | {"name": name}))
    return read_sofa(file).name


def in_equaliser(folder, name, value):
    record = {
        "name": name,
        "design_id": "a1",
        "sections": {"48000": [{"b": [1, 0, 0], "a": [1, 0, 0]}]},
        "fir": {"files": {}},
        "aim": {"from_hz": 300, "to_hz": 9000},
    }
    (folder / "equaliser.json").write_text(json.dumps(record), encoding="utf-8")
    return read_equaliser(folder).name


READERS = [in_design, in_target, in_process, in_room, in_provenance, in_sofa, in_equaliser]


@pytest.mark.parametrize("reader", READERS, ids=lambda each: each.__name__)
def test_every_reader_refuses_what_no_name_may_hold_and_quotes_it_harmlessly(reader, tmp_path):
    for kind, name in REFUSED.items():
        with pytest.raises(InputError) as caught:
            reader(tmp_path, name, toml(name))
        assert text.visible(str(caught.value)) == str(caught.value), kind
        assert ": must be " in str(caught.value) or ": holds " in str(caught.value), kind


@pytest.mark.parametrize("reader", READERS, ids=lambda each: each.__name__)
def test_every_reader_takes_any_other_name_composed(reader, tmp_path):
    for name in TROUBLE[:: 1 if reader in (in_room, in_equaliser) else 4]:
        assert reader(tmp_path, name, toml(name)) == unicodedata.normalize("NFC", name)


def test_half_a_character_in_json_is_refused(tmp_path):
    for reader in (in_provenance, in_sofa, in_equaliser):
        with pytest.raises(InputError, match=r"name.* holds half (?:of )?a character"):
            reader(tmp_path, "a\ud800", "")


def test_another_program_s_title_follows_the_rule(tmp_path):
    file = write_sofa(piston(step_deg=10), tmp_path / "s.sofa", name="plain")
    with netCDF4.Dataset(file, "a") as held:
        held.delncattr("Evenflare")
        held.Title = "left\u202ethgir"
    with pytest.raises(InputError, match=r'Title = "left\\u202ethgir": holds a control of the direction of writing'):
        read_sofa(file)


PATHS = {
    "points": (
        read_design,
        '[waveguide]\nmeridian_csv = "a\\u0000.csv"\n[driver]\nexit_diameter_mm = 25.4\n',
        "meridian_csv",
    ),
    "readings": (
        read_session,
        '[rig]\ndistance_m = 2\n[files]\nkind = "response"\nhorizontal = "a\\u0000_{off_axis_deg}.txt"\n',
        "horizontal",
    ),
    "directivity": (
        partial(read_speaker, reading=read_measured),
        '[waveguide]\ndirectivity = "a\\u202e"\n[woofer]\npiston_radius_mm = 80\nbelow_mm = 200\n'
        '[woofer.crossover]\nkind = "butterworth"\norder = 2\nfrequency_hz = 1000\n',
        "directivity",
    ),
}


@pytest.mark.parametrize(("reader", "written", "key"), PATHS.values(), ids=list(PATHS))
def test_paths_in_files_follow_the_rule(reader, written, key, tmp_path):
    file = tmp_path / "f.toml"
    file.write_text(written, encoding="utf-8")
    with pytest.raises(InputError, match=rf"{key} = \"a\\.*: holds .* must be a path"):
        reader(file)


def test_a_file_s_own_name_becomes_a_name_whatever_it_holds(tmp_path):
    file = tmp_path / "two\nlines\u202e.toml"
    file.write_text("\n".join(line for line in DESIGN.splitlines() if not line.startswith("name")), encoding="utf-8")
    assert read_design(file).name == "two lines\\u202e"
    assert read_design(file).name in design_toml(read_design(file)).replace("\\\\", "\\")


def test_the_journal_takes_only_sound_names_and_notes(capsys, here):
    (here / "design.toml").write_text(DESIGN)
    for option, bad in (("--name", "a\x1b[2J"), ("--note", "a\u202eb"), ("--name", " ")):
        code, out, err = said(
            capsys, shlex.join(["journal", "j.sqlite", "add", "--design", "design.toml", option, bad])
        )
        assert (code, out) == (2, "")
        assert err.startswith(f"{option} = ")
        assert text.visible(err) == err
    assert not (here / "j.sqlite").exists()


def test_what_an_older_journal_holds_is_shown_harmlessly_and_never_as_a_formula(capsys, here):
    (here / "design.toml").write_text(DESIGN)
    add = ["journal", "j.sqlite", "add", "--design", "design.toml", "--name=-one", "--note", "=1+1\n@two"]
    assert said(capsys, shlex.join(add))[0] == 0
    with sqlite3.connect(here / "j.sqlite") as held:
        held.execute("UPDATE prototype SET notes = notes || ?", ("\n\x1b[2J\u202e",))
    listed = said(capsys, "journal j.sqlite list")[1]
    assert "\n     '=1+1\n     '@two\n     \\x1b[2J\\u202e\n" in listed
    whole = said(capsys, "journal j.sqlite export")[1]
    assert text.CELLS in whole
    (row,) = csv.DictReader(line for line in whole.splitlines(keepends=True) if not line.startswith("#"))
    assert (row["name"], row["notes"]) == ("'-one", "'=1+1\n'@two\n\\x1b[2J\\u202e")
    assert "\x1b" not in said(capsys, "journal j.sqlite export --text")[1]


def test_rows_of_a_search_hold_numbers_as_they_are_and_no_formulas(tmp_path, monkeypatch):
    from evenflare.commands import searching

    rows = [{"number": 1, "score": -0.5, "family": "free", "bend": None, "reason": "=HYPERLINK(1), twice"}]
    monkeypatch.setattr(searching, "history_rows", lambda _: iter(rows))
    monkeypatch.setattr(searching, "run_facts", lambda _: {"target": 'name = "-1, =2"', "seed": "1"})
    *header, head, row = searching.history_lines(tmp_path)
    assert all(line.startswith("# ") for line in header)
    assert "# target: -1, '=2" in header
    assert f"# {text.CELLS}" in header
    assert head == "number,score,family,bend,reason"
    assert row == '1,-0.5,free,,"\'=HYPERLINK(1), twice"'


def test_numbers_of_tables_stay_numbers(tmp_path):
    written = formats.csv_text({"level_db": np.array([-3.0, 2.0])}, header=["name: x,-3-y"])
    assert written == "# name: x,'-3-y\nlevel_db\n-3.0000\n2.0000\n"
