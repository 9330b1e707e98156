"""Room files: what they say, and what a user is told of a fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from evenflare.air import Air, air_at
from evenflare.files import InputError
from evenflare.report.room.words import room_warnings
from evenflare.room.room import SURFACES, Weather, reverberation_time
from evenflare.room.room_file import MINIMAL, read_room, read_rooms
from evenflare.units import DEGREE
from room_shared import ROOM

BUNDLED = Path(__file__).parent.parent / "targets" / "rooms" / "living_room.toml"


@pytest.fixture
def room(tmp_path, monkeypatch):
    """The room of a file of that text."""
    monkeypatch.chdir(tmp_path)

    def reader(text):
        Path("r.toml").write_text(text, encoding="utf-8")
        return read_room("r.toml")

    return reader


def changed(old, new, text=ROOM):
    assert old in text
    return text.replace(old, new)


def test_whole_file_is_read_in_si(room):
    found = room(ROOM)
    assert (found.name, found.size, found.order, found.tail) == ("den", (5.6, 4.1, 2.5), 4, "eyring")
    assert found.absorption_frequency == (250.0, 4000.0)
    assert dict(zip(SURFACES, found.absorption, strict=True))["floor"] == (0.3, 0.3)
    assert found.absorption[0] == (0.1, 0.2)
    assert found.source.yaw == pytest.approx(30 * DEGREE)
    assert [seat.name for seat in found.seats] == ["sofa", "seat 2"]
    assert (found.air, found.weather) == (Air(), Weather())


def test_least_file_and_the_bundled_one_are_read(room):
    assert room(MINIMAL).order == 12
    found = read_room(BUNDLED)
    assert (len(found.seats), found.order) == (6, 12)
    assert found.air == air_at(293.15, 0.5)


def test_the_bundled_dozen_is_in_order_and_spreads_far():
    found = read_rooms(BUNDLED.parent / "dozen")
    assert len({room.name for room in found}) == len(found) == 12
    assert [warned for room in found for warned in room_warnings(room)] == []
    time = np.array([reverberation_time(room, [1000.0])[0] for room in found])
    volume = np.array([room.volume for room in found])
    # From a treated room to a bare one, from a study to a hall.
    assert time.max() > 5.0 * time.min()
    assert volume.max() > 20.0 * volume.min()
    for path in (BUNDLED.parent / "dozen").iterdir():
        assert "An invented scenario: no such room exists." in path.read_text(encoding="utf-8")


def test_folder_without_room_files_is_told(tmp_path):
    (tmp_path / "notes.txt").write_text("no room")
    with pytest.raises(InputError, match="holds no room file. Name a folder in which files end in .toml, or a file"):
        read_rooms(tmp_path)


def test_one_seat_may_stand_in_a_plain_table(room):
    assert len(room(MINIMAL.replace("[[seats]]", "[seats]")).seats) == 1


def test_source_aims_at_a_point(room):
    found = room(changed("yaw_deg = 30", "aim_at_m = [3.6, 4.1, 1.0]")).source
    assert found.axes[2] == pytest.approx(np.array([1, 1, 0]) / np.sqrt(2))
    up = room(changed("yaw_deg = 30", "aim_at_m = [0.6, 1.1, 2.0]")).source
    assert up.axes[2] == pytest.approx([0, 0, 1], abs=1e-12)


def test_weather_is_that_of_the_air(room):
    found = room(ROOM + "[air]\ntemperature_c = 25\nhumidity_percent = 30\npressure_kpa = 100\n").weather
    assert found == Weather(298.15, 0.3, 100e3)


FAULTS = {
    "seat outside": (
        changed("[3.9, 2.0, 1.1]", "[6.9, 2.0, 1.1]"),
        'r.toml [[seats]] "sofa" position_m = [6.9, 2, 1.1]: is outside the room, x must be 0.02 to 5.58. Move it',
    ),
    "seat in a wall": (
        changed("[2.9, 3.2, 1.1]", "[2.9, 4.1, 1.1]"),
        'r.toml [[seats]] "seat 2" position_m = [2.9, 4.1, 1.1]: is inside the wall at y = width, y must be 0.02 to'
        " 4.08. Move it",
    ),
    "seat under the floor": (
        changed("[2.9, 3.2, 1.1]", "[2.9, 3.2, 0.01]"),
        'r.toml [[seats]] "seat 2" position_m = [2.9, 3.2, 0.01]: is inside the floor, z must be 0.02 to 2.48. Move it',
    ),
    "source outside": (
        changed("[0.6, 1.1, 1.0]", "[0.6, -1.1, 1.0]"),
        "r.toml [source] position_m = [0.6, -1.1, 1]: is outside the room, y must be 0.02 to 4.08. Move it",
    ),
    "seat at the source": (
        changed("[3.9, 2.0, 1.1]", "[0.6, 1.2, 1.0]"),
        'r.toml [[seats]] "sofa" position_m = [0.6, 1.2, 1]: is 0.1 m from the source, must be 0.3 m at least, where'
        " its far field holds. Move one of them",
    ),
    "two seats of one name": (
        changed("[[seats]]\nposition", '[[seats]]\nname = "sofa"\nposition'),
        'r.toml [[seats]] name = "sofa": stands there twice. Give each seat a name of its own',
    ),
    "absorption above 1": (
        changed("floor = 0.3", "floor = 1.3"),
        "r.toml [absorption] floor = 1.3: 1.3 must be 0 to 1, the share of the sound's power that is absorbed. A"
        " reverberation room may give that: then write 1",
    ),
    "absorption in per cent": (
        changed("floor = 0.3", "floor = 30"),
        "r.toml [absorption] floor = 30: 30 must be 0 to 1, the share of the sound's power that is absorbed. Is it in"
        " per cent? Then write 0.3",
    ),
    "absorption below 0": (
        changed("[0.1, 0.2]", "[0.1, -0.2]"),
        "r.toml [absorption] all_surfaces = [0.1, -0.2]: value 2: -0.2 must be 0 to 1, the share of the sound's power"
        " that is absorbed. Correct it",
    ),
    "absorption that is no number": (
        changed("floor = 0.3", 'floor = "soft"'),
        'r.toml [absorption] floor = "soft": must be a number, 0 to 1, or a list of them. Write it without quotation'
        " marks or unit",
    ),
    "lists of different length": (
        changed("[0.1, 0.2]", "[0.1, 0.2, 0.3]"),
        "r.toml [absorption] all_surfaces holds 3 values: must be 2, one for each frequency_hz, or a single number for"
        " all. Complete the list",
    ),
    "surface without absorption": (
        changed("all_surfaces = [0.1, 0.2]\n", ""),
        "r.toml [absorption] wall_x_0: missing. Add for example wall_x_0 = [0.15, 0.2, 0.25], or all_surfaces for"
        " whatever is not named",
    ),
    "unknown surface": (
        changed("floor =", "flor ="),
        "r.toml [absorption] flor = 0.3: unknown key. Did you mean floor?",
    ),
    "unknown key of a seat": (
        changed('name = "sofa"', 'nam = "sofa"'),
        'r.toml [seats] nam = "sofa": unknown key. Did you mean name?',
    ),
    "unknown table": (changed("[reflections]", "[reflection]"), "r.toml [reflection]: unknown table. Did you mean"),
    "unknown tail": (
        ROOM + 'tail = "eyrng"\n',
        'r.toml [reflections] tail = "eyrng": must be "eyring" or "sabine". Did you mean eyring?',
    ),
    "too many reflections": (
        changed("order = 4", "order = 99"),
        "r.toml [reflections] order = 99: must be 0 to 24. Lower it",
    ),
    "size of nothing": (changed("2.5\n", "0\n"), "r.toml [size] height_m = 0: must be 1 to 100. Raise it"),
    "two numbers for a point": (
        changed("[3.9, 2.0, 1.1]", "[3.9, 2.0]"),
        "r.toml [seats] position_m, value 1 = [3.9, 2.0]: must hold at least 3 values. Add some",
    ),
    "aimed twice": (
        changed("yaw_deg = 30", "yaw_deg = 30\naim_at_m = [1, 1, 1]"),
        "r.toml [source] aim_at_m and yaw_deg exclude each other: keep one of them",
    ),
    "aimed at itself": (
        changed("yaw_deg = 30", "aim_at_m = [0.6, 1.1, 1.0]"),
        "r.toml [source] aim_at_m is the source's own position: must be another point. Name one that its axis meets",
    ),
    "no seats": (
        ROOM.split("[[seats]]")[0],
        "r.toml [[seats]]: missing. Add for example [[seats]] with position_m = [3.8, 2.0, 1.1]",
    ),
    "a crowd": (
        ROOM + "".join(f"[[seats]]\nposition_m = [{2 + 0.2 * i:.1f}, 2, 1]\n" for i in range(11)),
        "r.toml [[seats]] holds 13: must be 12 at most. Remove some",
    ),
    "nothing": ("", "r.toml: is empty. The least that it holds is, for example:\n[size]"),
}


@pytest.mark.parametrize(("text", "message"), FAULTS.values(), ids=FAULTS.keys())
def test_fault_is_told_with_its_remedy(room, text, message):
    with pytest.raises(InputError) as caught:
        room(text)
    assert str(caught.value).startswith(message)


def test_all_faults_of_the_tables_are_told_at_once(room):
    with pytest.raises(InputError) as caught:
        room(changed("floor = 0.3", "floor = 3", changed("length_m = 5.6", "length_m = 0.1")))
    assert len(str(caught.value).splitlines()) == 2
