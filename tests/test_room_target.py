"""[wanted.room]: a target that asks for a room, and the term that its score then has."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare.commands.observing import winner_observation
from evenflare.design.file import Design, read_design, write_design
from evenflare.files import InputError
from evenflare.metrics import directivity_index
from evenflare.objective import contributions, score, search_observation
from evenflare.room.evenness import balance, evenness_db
from evenflare.room.paths import HIGHEST, counted_bands
from evenflare.search.request import request
from evenflare.target.copied import copied_target, copy_target
from evenflare.target.target import read_target
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from room_shared import ROOM, forward, pattern, rising
from target_texts import GOOD, OBLONG

SPHERE = '[mounting]\nkind = "sphere"\nradius_mm = 150\n'
ASKED = '[wanted.room]\nroom = "r.toml"\n'
CONE = Waveguide(Conical(0.09, 45 * DEGREE))


def asking(more="", text=GOOD):
    return text.replace("[limits]", SPHERE + ASKED + more + "[limits]")


@pytest.fixture
def target(target_of, tmp_path):
    (tmp_path / "r.toml").write_text(ROOM)
    return target_of


def test_room_is_read_from_beside_the_target(target):
    found = target(asking("weight = 2\n"))
    assert ([each.name for each in found.rooms], found.room_weight) == (["den"], 2.0)
    assert target(asking()).room_weight == 0.5
    assert target(GOOD).rooms == ()


def test_several_files_and_folders_are_as_many_rooms(target, tmp_path):
    (tmp_path / "more").mkdir()
    for place in ("b", "a"):
        (tmp_path / "more" / f"{place}.toml").write_text(ROOM.replace('"den"', f'"{place}"'))
    (tmp_path / "more" / "notes.txt").write_text("no room")
    found = target(asking().replace('"r.toml"', '["more", "r.toml"]'))
    assert [each.name for each in found.rooms] == ["a", "b", "den"]
    (tmp_path / "run").mkdir()
    (tmp_path / "t.toml").write_text(asking().replace('"r.toml"', '["more", "r.toml"]'))
    copy_target(tmp_path / "t.toml", tmp_path / "run")
    assert read_target(copied_target(tmp_path / "run")).rooms == found.rooms
    once = request(target(asking()), target_text="").identity.question
    several = request(found, target_text="").identity.question
    assert {key for key in several if "room 3's" in key} == {
        key.replace("the room's", "room 3's") for key in once if "the room's" in key
    }


def test_waveguide_is_taken_to_play_from_where_something_is_wanted(target):
    crossed = "[wanted.crossover]\npiston_radius_mm = 105\nfrequency_hz = 1600\n"
    assert target(asking()).plays_from == target(asking()).frequency[0]
    assert target(asking(crossed)).plays_from == 1600.0
    assert target(asking("from_hz = 300\n" + crossed)).plays_from == 300.0


def test_candidates_are_observed_over_all_counted_bands(target):
    wanted, plain = target(asking("from_hz = 200\n")), target(GOOD)
    found, before = (search_observation(each).frequency for each in (wanted, plain))
    assert set(before) <= set(found)
    assert found[0] == pytest.approx(counted_bands()[0])
    # Where it does not play, nothing need be known.
    assert search_observation(target(asking())).frequency[0] == before[0]
    assert found[-1] >= counted_bands()[-1]
    # No gap wider than a third of an octave.
    assert np.diff(np.log2(found)).max() < 0.34


def test_winner_is_observed_where_the_room_counts_and_reads_back(target, tmp_path):
    wanted, plain = (winner_observation(each, CONE).frequency for each in (target(asking()), target(GOOD)))
    assert plain[0] == pytest.approx(300.0)
    assert wanted[:2] == pytest.approx([199.53, 251.19], rel=1e-4)  # IEC 61260-1: 1000 Hz 10^(n/10)
    assert list(wanted[2:]) == list(plain)
    made = Design("winner", CONE, target(GOOD).air, winner_observation(target(asking()), CONE))
    write_design(made, tmp_path / "best.toml")
    assert read_design(tmp_path / "best.toml").observation.frequency == pytest.approx(wanted)


def test_score_has_the_unevenness_of_the_room_at_its_weight(target):
    wanted = target(asking("weight = 2\nfrom_hz = 500\n").replace("beamwidth_deg = [180, 100, 90]\n", ""))
    seen = search_observation(wanted)
    found = rising(pattern(forward, off_axis=seen.off_axis, frequency=seen.frequency), -1.0)
    inside = found.observation.frequency >= wanted.frequency[0]
    index = np.interp(np.log(wanted.frequency), np.log(seen.frequency), directivity_index(found))
    wanted = dataclasses.replace(wanted, index_db=index)
    result = score(found, CONE, wanted)
    plain = score(found, CONE, dataclasses.replace(wanted, rooms=()))
    assert inside.sum() < inside.size
    # What the room command prints of it, asked for the same thirds.
    printed = balance(wanted.rooms[0], found, plays=(500.0, HIGHEST)).evenness
    assert result.terms["room_db"] == pytest.approx(printed, rel=1e-9)
    several = dataclasses.replace(wanted, rooms=(*wanted.rooms, dataclasses.replace(wanted.rooms[0], order=2)))
    each = evenness_db(several.rooms, found, plays=(500.0, HIGHEST))
    assert score(found, CONE, several).terms["room_db"] == pytest.approx(each.mean(), rel=1e-12)
    assert each[0] == pytest.approx(printed, rel=1e-9)
    assert {name: value for name, value in result.terms.items() if name != "room_db"} == plain.terms
    # Index counts 1, the room 2: of three parts two.
    expected = plain.value**2 - plain.terms["index_db"] ** 2
    expected += (plain.terms["index_db"] ** 2 + 2 * result.terms["room_db"] ** 2) / 3
    assert result.value == pytest.approx(np.sqrt(expected))
    assert sum(contributions(result).values()) == pytest.approx(result.value)
    assert contributions(result)["room_db"] > 0.5 * result.value


def test_half_space_is_refused_by_the_score(target):
    wanted = target(asking())
    seen = search_observation(wanted)
    flush = pattern(off_axis=seen.off_axis, frequency=seen.frequency, half_space=True)
    with pytest.raises(ValueError, match="infinite baffle"):
        score(flush, CONE, wanted)


def test_another_room_is_another_search(target, tmp_path):
    before = request(target(asking()), target_text="").identity.question
    assert not any("room" in key for key in request(target(GOOD), target_text="").identity.question)
    (tmp_path / "r.toml").write_text(ROOM.replace("2.5", "2.6"))
    after = request(target(asking()), target_text="").identity.question
    assert {key for key in after if after[key] != before[key]}
    assert all("room" in key for key in after if after[key] != before[key])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            asking().replace(SPHERE, ""),
            "t.toml [wanted.room]: a waveguide in an infinite baffle sends nothing behind it, so no room can hold it:"
            ' [mounting] kind must be "cabinet", "free_standing"',
        ),
        (
            OBLONG.replace("[limits]", ASKED + "[limits]"),
            "t.toml [wanted.room]: a waveguide in an infinite baffle sends nothing behind it",
        ),
        (asking().replace('"r.toml"', '"q.toml"'), 't.toml [wanted.room] room = "q.toml": is not there. Name a room'),
        (asking("wieght = 1\n"), "t.toml [wanted.room] wieght = 1: unknown key. Did you mean weight?"),
        (asking("from_hz = 5000\n"), "t.toml [wanted.room] from_hz = 5000: must be 20 to 4000. Lower it"),
        (asking("weight = 0\n"), "t.toml [wanted.room] weight = 0: must be 0.01 to 100. Raise it"),
        (asking().replace('room = "r.toml"\n', ""), "t.toml [wanted.room] room: missing. Add for example room ="),
    ],
)
def test_fault_is_told_with_its_remedy(target, text, message):
    with pytest.raises(InputError) as caught:
        target(text)
    assert str(caught.value).startswith(message)


def test_fault_of_the_room_file_is_told_by_its_name(target, tmp_path):
    (tmp_path / "r.toml").write_text(ROOM.replace("floor = 0.3", "floor = 3"))
    with pytest.raises(InputError, match=r"r.toml \[absorption\] floor = 3"):
        target(asking())


def test_room_that_sends_nothing_back_is_refused(target, tmp_path):
    (tmp_path / "r.toml").write_text(ROOM.replace("[0.1, 0.2]", "1").replace("floor = 0.3", "floor = 1"))
    with pytest.raises(InputError, match=r't.toml \[wanted.room\] room: "den" has no surface that reflects anything'):
        target(asking())


def test_baffle_and_room_do_not_go_together_in_python_either(target):
    with pytest.raises(ValueError, match="mounting is a baffle: must be a body"):
        dataclasses.replace(target(GOOD), rooms=target(asking()).rooms)
