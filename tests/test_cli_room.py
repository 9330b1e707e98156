"""`room` as a user meets it: what is printed and written, for one and two designs, and what is refused."""

from __future__ import annotations

import csv
import json
import shutil

import numpy as np
import pytest

from commandline import contents, said
from evenflare.dsp.filters_file import FILE as FILTERS
from evenflare.report.kit import canvas
from evenflare.room.evenness import balance, evenness_db
from evenflare.room.paths import counted_bands
from evenflare.room.room_file import read_room
from room_shared import ROOM, forward, pattern, rising, stored

SECTIONS = {
    "name": "box",
    "design_id": "0123456789ab",
    "sections": {"48000": [{"b": [0.5, 0.0, 0.0], "a": [1.0, 0.0, 0.0]}]},
    "fir": {"files": {}},
    "aim": {"from_hz": 500.0, "to_hz": 16000.0},
}


@pytest.fixture(scope="module")
def furnished(tmp_path_factory):
    """A folder with a room, two directivities, one in a baffle, and a filter."""
    folder = tmp_path_factory.mktemp("furnished")
    (folder / "room.toml").write_text(ROOM)
    stored(folder / "one", rising(pattern(forward), -1.0))
    stored(folder / "two", pattern(forward), name="second box", design_id="ba9876543210")
    stored(folder / "flush", pattern(forward, half_space=True))
    (folder / "filters").mkdir()
    (folder / "filters" / FILTERS).write_text(json.dumps(SECTIONS))
    return folder


@pytest.fixture
def den(furnished, tmp_path, monkeypatch):
    """A copy of it to work in; pictures are made but not drawn."""
    shutil.copytree(furnished, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    return tmp_path


def contents_of(path) -> list[str]:
    return [line for line in path.read_text().splitlines() if not line.startswith("#")]


def table(path) -> dict[str, np.ndarray]:
    read = list(csv.DictReader(contents_of(path)))
    return {name: np.array([float(row[name] or "nan") for row in read]) for name in read[0]}


def test_one_design_is_put_into_the_room(capsys, den):
    code, out, err = said(capsys, "room one room.toml --out heard --filters filters")
    assert (code, err) == (0, "")
    source = rising(pattern(forward), -1.0)
    filtering = np.full(8 * counted_bands().size, 0.25)
    number = balance(read_room("room.toml"), source, filtering=filtering).evenness
    assert (
        f"Reflected less direct level: {number:.2f} dB rms about each seat's mean, third-octaves 200 Hz to 16 kHz"
        in out
    )
    assert "Direct-to-reverberant ratio" in out
    assert "standard's estimate" in out
    names = {path.name for path in (den / "heard").iterdir()}
    assert names == {line.split()[0] for line in out.partition("Written in heard:\n")[2].splitlines()}
    assert {"room.html", "room.json", "seats.csv", "seats_fine.csv", "room_curves.csv", "arrivals.png"} <= names
    record = json.loads((den / "heard" / "room.json").read_text())
    # Tables hold levels to 1e-4 dB.
    assert record["designs"][0]["evenness_db"] == pytest.approx(number, abs=1e-3)
    assert record["designs"][0]["filters"] == "filters/equaliser.json"
    assert record["command"] == "evenflare room one room.toml --out heard --filters filters"
    assert [seat["name"] for seat in record["designs"][0]["seats"]] == ["sofa", "seat 2"]


def test_tables_hold_every_seat_and_what_the_filter_takes(capsys, den):
    said(capsys, "room one room.toml --out heard --filters filters/equaliser.json")
    seats, fine = table(den / "heard" / "seats.csv"), table(den / "heard" / "seats_fine.csv")
    curves = table(den / "heard" / "room_curves.csv")
    bands = curves["frequency_hz"].size
    assert (seats["seat"].size, fine["seat"].size) == (2 * bands, 2 * 8 * bands)
    assert curves["filter_db"] == pytest.approx(np.full(bands, 20 * np.log10(0.5)), abs=1e-3)
    for name in ("direct", "first_reflections", "sound_power"):
        shift = curves[f"{name}_db"] - curves[f"unfiltered_{name}_db"]
        assert shift == pytest.approx(curves["filter_db"], abs=1e-3)
    reflected = 10 ** (seats["early_db"] / 10) + 10 ** (seats["late_db"] / 10)
    assert 10 * np.log10(reflected) == pytest.approx(seats["reflected_db"], abs=1e-3)
    assert seats["direct_db"] - seats["reflected_db"] == pytest.approx(seats["direct_to_reverberant_db"], abs=1e-3)
    windows = table(den / "heard" / "time_windows.csv")
    spans = ("from_0_to_5_ms_db", "from_5_to_20_ms_db", "from_20_to_80_ms_db", "later_db")
    assert 10 * np.log10(sum(10 ** (windows[name] / 10) for name in spans)) == pytest.approx(
        seats["reflected_db"], abs=1e-3
    )
    first = list(csv.DictReader(contents_of(den / "heard" / "arrivals.csv")))
    assert [row["surfaces"] for row in first if row["arrival"] == "0"] == ["direct", "direct"]
    assert {row["seat"] for row in first} == {"1", "2"}
    text = (den / "heard" / "seats.csv").read_text()
    assert "# seats: 1 sofa, 2 seat 2" in text


def test_two_designs_stand_side_by_side(capsys, den):
    code, out, err = said(capsys, "room one two room.toml --out both")
    assert (code, err) == (0, "")
    assert "\nEvener where both play, 200 Hz to 16 kHz: " in out
    assert "box: Reflected less direct" in out
    assert "second box: Reflected less direct" in out
    assert {"seats_1.csv", "seats_2.csv", "room_curves_2.csv"} <= {path.name for path in (den / "both").iterdir()}
    page = (den / "both" / "room.html").read_text()
    assert '<h2 id="part-1">What matters</h2>' in page
    assert "second box" in page


def test_several_rooms_are_counted_together_as_a_target_counts_them(capsys, den):
    (den / "rooms").mkdir()
    (den / "rooms" / "wide.toml").write_text(ROOM.replace("4.1", "6.5").replace('"den"', '"wide"'))
    (den / "rooms" / "dead.toml").write_text(ROOM.replace("[0.1, 0.2]", "[0.8, 0.6]").replace('"den"', '"dead"'))
    code, out, err = said(capsys, "room one two rooms --room room.toml --out many --from-hz 500")
    assert (code, err) == (0, "")
    rooms = [read_room(den / path) for path in ("rooms/dead.toml", "rooms/wide.toml", "room.toml")]
    numbers = np.array(
        [evenness_db(rooms, each, plays=(500.0, 16e3)) for each in (rising(pattern(forward), -1.0), pattern(forward))]
    )
    worst = ("dead", "wide", "den")[int(numbers[0].argmax())]
    assert (
        f"box: Reflected less direct level: {numbers[0].mean():.2f} dB rms on the mean over 3 rooms, at worst"
        f" {numbers[0].max():.2f} dB ({worst})" in out
    )
    ahead = "box" if numbers[0].mean() < numbers[1].mean() else "second box"
    assert f"Evener on the mean, where both play: {ahead}, by {abs(np.diff(numbers.mean(axis=1))[0]):.2f} dB" in out
    rows = list(csv.DictReader(contents_of(den / "many" / "rooms.csv")))
    assert [row["design"] + row["room"] for row in rows[:4]] == ["1dead", "1wide", "1den", "2dead"]
    assert [float(row["evenness_db"]) for row in rows] == pytest.approx(numbers.ravel(), abs=1e-3)
    record = json.loads((den / "many" / "rooms.json").read_text())
    # Tables hold levels to 1e-4 dB.
    assert [each["mean_db"] for each in record["designs"]] == pytest.approx(numbers.mean(axis=1).tolist(), abs=1e-3)
    assert {path.name for path in (den / "many").iterdir()} == {"rooms.html", "rooms.json", "rooms.csv", "any_room.png"}
    assert "second box" in (den / "many" / "rooms.html").read_text()


def test_band_of_play_hides_neither_what_is_unknown_nor_what_filters_let_through(capsys, den):
    stored(den / "high", pattern(forward, frequency=np.geomspace(900.0, 18e3, 31)))
    _, _, err = said(capsys, "room high room.toml --out heard --from-hz 1000")
    assert err == ""  # as behind a crossover
    _, _, err = said(capsys, "room high room.toml --out heard --from-hz 1000 --filters filters")
    assert (
        "warning: high: its valid band leaves 1 kHz to 16 kHz to count instead of 200 Hz to 16 kHz: nothing is" in err
    )
    assert "35 % of what it plays" in err
    _, out, err = said(capsys, "room one room.toml --out heard --from-hz 1000 --filters filters")
    assert "third-octaves 1 kHz to 16 kHz" in out
    assert "warning: one: its filters let 200 Hz to 800 Hz through, so it plays there, though --from-hz" in err


def test_room_in_which_nothing_comes_back_is_told_in_words_and_written(capsys, den):
    (den / "deaf.toml").write_text(ROOM.replace("[0.1, 0.2]", "1").replace("floor = 0.3", "floor = 1"))
    code, out, err = said(capsys, "room one two deaf.toml --out heard")
    assert code == 0
    assert "Nothing comes back to the seats" in out
    assert "warning: den: its surfaces absorb everything, so nothing comes back" in err
    record = json.loads((den / "heard" / "room.json").read_text(), parse_constant=lambda each: pytest.fail(each))
    assert record["designs"][0]["evenness_db"] is None
    assert record["evener"] is None
    assert contents_of(den / "heard" / "seats_1.csv")[1].split(",")[3:6] == ["", "", ""]
    code, out, _ = said(capsys, "room one two deaf.toml --room deaf.toml --out many")
    assert code == 0
    assert "box: nothing comes back in any of the rooms" in out
    json.loads((den / "many" / "rooms.json").read_text(), parse_constant=lambda each: pytest.fail(each))


def test_designs_of_one_name_are_told_apart_and_filters_of_another_are_warned_of(capsys, den):
    stored(den / "again", pattern(forward))
    code, out, err = said(capsys, "room one again room.toml --out both --filters filters --filters filters")
    assert code == 0
    assert "box (one): " in out
    assert "box (again): " in out
    assert err == ""
    _, _, err = said(capsys, "room two room.toml --out other --filters filters")
    assert "warning: filters/equaliser.json was made for box (id 0123456789ab), not for second box" in err


def test_a_narrow_valid_band_counts_with_a_warning(capsys, den):
    stored(den / "high", pattern(forward, frequency=np.geomspace(900.0, 18e3, 31)))
    code, out, err = said(capsys, "room high room.toml --out heard")
    assert code == 0
    assert "third-octaves 1 kHz to 16 kHz" in out
    assert (
        "warning: high: its valid band leaves 1 kHz to 16 kHz to count instead of 200 Hz to 16 kHz: nothing is" in err
    )
    assert "known of 200 Hz to 800 Hz, 35 % of what it plays. Solve it" in err


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("room flush room.toml", "flush: the directivity is that of a waveguide in an infinite baffle"),
        ("room one two one room.toml", "3 directivities: must be one, or two to compare. Leave some out"),
        (
            "room one two room.toml --filters filters",
            "--filters names 1 file: must be 2, one for each directivity in their order, or none. Give it again",
        ),
        ("room one empty", "empty: holds no room file. Name a folder in which files end in .toml"),
        ("room one room.toml --from-hz 5", "--from-hz 5: must be 20 to 20000. Name a frequency in Hz"),
        ("room one room.toml --from-hz 9000", "one: 3 thirds of an octave are valid where it plays, 9000 to 16000 Hz"),
        ("room none room.toml", "none: is not there. Name a folder that evenflare solve"),
        ("room one none.toml", "none.toml: cannot be read"),
        ("room one room.toml --filters none.json", "none.json: cannot be read"),
        ("room one outside.toml", 'outside.toml [[seats]] "sofa" position_m = [3.9, 5, 1.1]: is outside the room'),
        ("room one wall.toml", 'wall.toml [[seats]] "sofa" position_m = [3.9, 0, 1.1]: is inside the wall at y = 0'),
        ("room one dead.toml", "dead.toml [absorption] floor = 1.01: 1.01 must be 0 to 1"),
    ],
)
def test_bad_input_is_told_and_nothing_is_written(capsys, den, line, message):
    (den / "empty").mkdir()
    (den / "outside.toml").write_text(ROOM.replace("[3.9, 2.0, 1.1]", "[3.9, 5.0, 1.1]"))
    (den / "wall.toml").write_text(ROOM.replace("[3.9, 2.0, 1.1]", "[3.9, 0.0, 1.1]"))
    (den / "dead.toml").write_text(ROOM.replace("floor = 0.3", "floor = 1.01"))
    code, out, err = said(capsys, f"{line} --out heard")
    assert (code, out) == (2, "")
    assert err.startswith(message)
    assert not (den / "heard").exists()


def test_all_faulty_files_are_told_at_once(capsys, den):
    code, _, err = said(capsys, "room none lacking.toml --out heard")
    assert code == 2
    assert err.count("\n") == 2


def test_a_filter_that_cannot_hold_the_band_is_refused(capsys, den):
    low = SECTIONS | {"sections": {"8000": SECTIONS["sections"]["48000"]}}
    (den / "filters" / FILTERS).write_text(json.dumps(low))
    code, _, err = said(capsys, "room one room.toml --out heard --filters filters")
    assert code == 2
    assert "must be at most 4000, half the highest sample rate" in err


def test_a_failure_while_writing_leaves_the_old_files(capsys, den, monkeypatch):
    said(capsys, "room one room.toml --out heard")
    before = contents(den / "heard")
    from evenflare.report.room import room

    monkeypatch.setattr(room, "page", lambda *_, **__: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    code, _, err = said(capsys, "room two room.toml --out heard")
    assert code == 2
    assert "disk is full" in err
    assert contents(den / "heard") == before
