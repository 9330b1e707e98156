"""Sound that differs above and below, left and right, as in a cabinet: seen, drawn, read off and written all round."""

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from evenflare import metrics
from evenflare.closed_forms import cap_pattern
from evenflare.commands.comparing import design_like
from evenflare.design.file import read_design
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.types import Observation, Symmetry, for_symmetry
from evenflare.files import InputError
from evenflare.objective import score, search_observation
from evenflare.report.waveguide import balloon
from evenflare.results import tables
from evenflare.results.cabinet import write_cabinet_effect
from evenflare.room.paths import counted_bands, fine_bands, heard, paths
from evenflare.studies import directions
from evenflare.studies.cabinet import Case, effect
from evenflare.target.target import Target
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide import Conical, Mounting, Waveguide
from room_shared import room_of
from target_texts import GOOD, OBLONG
from tilted import HALF_ANGLE, RADIUS, SPEED, leaning, tilted_cap

FREQUENCY = np.geomspace(400.0, 3200.0, 7)
BANDS = np.geomspace(180.0, 18e3, 161)
ONE_SIDE = np.arange(0.0, 181.0, 10.0) * DEGREE
LEANS = {"left_right": (25.0, 0.0), "none": (25.0, -15.0)}

BOXED = """
[driver]
exit_diameter_mm = 25.4
[waveguide]
family = "conical"
depth_mm = 60
wall_angle_deg = 42
[mounting]
kind = "cabinet"
width_mm = 240
height_mm = 380
depth_mm = 260
"""


def plain(symmetry: Symmetry) -> Observation:
    return for_symmetry(Observation(FREQUENCY, ONE_SIDE), symmetry)


@pytest.mark.parametrize("symmetry", ["left_right", "none"])
def test_balloon_of_a_leaning_cap_is_its_pattern_all_round(symmetry: Symmetry) -> None:
    up, right = LEANS[symmetry]
    seen = tilted_cap(directions.dense(plain(symmetry)), up_deg=up, right_deg=right)
    assert directions.drawable(seen)
    assert directions.differs_round(seen)
    found = balloon.balloon(seen)
    away = leaning(found.off_axis[:, None], found.azimuth, up=up * DEGREE, right=right * DEGREE)
    size = 2.0 * np.pi * FREQUENCY * RADIUS / SPEED
    level = amplitude_db(cap_pattern(size, away.ravel(), half_angle=HALF_ANGLE)).reshape(found.level.shape)
    level -= level[:, :1, :1]
    beam = level > -10.0
    # Cubics over 5 and 15 degrees: 0.3 dB as of an elliptical piston (test_report_view).
    np.testing.assert_allclose(found.level[beam], np.minimum(level[beam], balloon.CEILING), atol=0.3)
    quarter = balloon.COLUMNS // 4
    assert found.level[-1, 12, quarter] > found.level[-1, 12, 3 * quarter] + 3.0  # it leans up


def test_balloon_needs_both_sides_where_above_and_below_differ() -> None:
    whole = directions.dense(plain("left_right"))
    few = dataclasses.replace(whole, plane=np.array([0.0, 0.5 * np.pi]))
    assert not directions.drawable(tilted_cap(few, up_deg=25.0))
    # Without left and right alike, planes over a quarter leave the others unseen.
    assert not directions.drawable(tilted_cap(dataclasses.replace(whole, symmetry="none"), up_deg=25.0))
    assert not directions.differs_round(tilted_cap(Observation(FREQUENCY, ONE_SIDE)))


@pytest.mark.parametrize("symmetry", ["left_right", "none"])
def test_power_of_a_leaning_cap_is_that_of_an_upright_one(symmetry: Symmetry) -> None:
    up, right = LEANS[symmetry]
    dense = directions.dense(plain(symmetry))
    upright = tilted_cap(Observation(FREQUENCY, np.linspace(0.0, np.pi, 181)))
    leaning_power = metrics.sound_power_level(tilted_cap(dense, up_deg=up, right_deg=right))
    # Ring zones over 5 degrees and half-orbits over 15: some hundredths of a dB.
    np.testing.assert_allclose(leaning_power, metrics.sound_power_level(upright), atol=0.05)


def test_observation_is_completed_by_what_a_symmetry_does_not_give() -> None:
    stated = Observation(FREQUENCY, ONE_SIDE)
    assert for_symmetry(stated, "round").shape == (7, 1, 19)
    assert for_symmetry(stated, "two_planes").shape == (7, 2, 19)
    whole = for_symmetry(stated, "left_right")
    assert whole.shape == (7, 2, 36)
    assert whole.off_axis[0] == pytest.approx(-170.0 * DEGREE)
    again = for_symmetry(whole, "none")
    np.testing.assert_array_equal(again.off_axis, whole.off_axis)
    np.testing.assert_array_equal(again.plane, [0.0, 0.5 * np.pi])


def test_folder_keeps_signed_angles_and_says_which_halves_are_alike(tmp_path: Path) -> None:
    seen = tilted_cap(plain("left_right"), up_deg=25.0)
    tables.write_solution(tmp_path, seen, name="leaning", design_id="7f3a", provenance={})
    assert tables.LEFT_RIGHT in (tmp_path / "directivity.csv").read_text(encoding="utf-8")
    again = read_directivity(tmp_path).directivity
    assert again.observation.symmetry == "left_right"
    np.testing.assert_allclose(again.observation.off_axis, seen.observation.off_axis, atol=1e-9)
    # Levels are written to 0.0001 dB, phases to 0.001 degrees.
    np.testing.assert_allclose(again.pressure, seen.pressure, rtol=1e-4)


@pytest.mark.parametrize(
    ("place", "symmetry", "angles"), [("", "two_planes", 19), ("waveguide_y_mm = 60", "left_right", 36)]
)
def test_design_like_a_measurement_of_one_side_is_seen_from_all_that_its_cabinet_needs(
    tmp_path: Path, place: str, symmetry: str, angles: int
) -> None:
    path = tmp_path / "boxed.toml"
    path.write_text(BOXED + place, encoding="utf-8")
    tables.write_solution(tmp_path / "measured", tilted_cap(Observation(FREQUENCY, ONE_SIDE)), name="", design_id="")
    observation = design_like(path, tmp_path / "measured").observation
    assert observation.symmetry == read_design(path).observation.symmetry == symmetry
    assert observation.shape == (7, 2, angles)


MOUNTED = '[mounting]\nkind = "cabinet"\nwidth_mm = 320\nheight_mm = 420\ndepth_mm = 300\nwaveguide_y_mm = 50\n'


def test_round_mouth_in_a_cabinet_is_judged_in_both_planes(target_of: Callable[[str], Target]) -> None:
    target = target_of(GOOD.replace("[limits]", MOUNTED + "[limits]"))
    observation = search_observation(target)
    assert observation.symmetry == "left_right"
    terms = score(tilted_cap(observation, up_deg=25.0), Waveguide(Conical(0.09, 45.0 * DEGREE)), target).terms
    upright = score(tilted_cap(observation), Waveguide(Conical(0.09, 45.0 * DEGREE)), target).terms
    assert "beamwidth_db" not in terms
    # Upright, the cap is alike in both planes; leaning up, the level on the axis counts against a louder one above.
    assert upright["beamwidth_vertical_db"] == pytest.approx(upright["beamwidth_horizontal_db"], abs=1e-6)
    assert abs(terms["beamwidth_vertical_db"] - terms["beamwidth_horizontal_db"]) > 0.5
    # In a baffle up and down are alike, and one plane stands for all.
    assert list(target_of(GOOD).planes) == [""]


def test_wanted_beamwidth_of_an_oblong_mouth_is_still_by_plane(target_of: Callable[[str], Target]) -> None:
    round_beam = OBLONG.replace("beamwidth_horizontal_deg", "beamwidth_deg").replace("[limits]", MOUNTED + "[limits]")
    with pytest.raises(InputError, match="is for a round mouth"):
        target_of(round_beam)


@pytest.mark.parametrize("symmetry", ["left_right", "none"])
def test_seats_hear_the_side_that_they_sit_on(symmetry: Symmetry) -> None:
    up, right = LEANS[symmetry]
    seen = tilted_cap(
        directions.dense(for_symmetry(Observation(BANDS, ONE_SIDE), symmetry)), up_deg=up, right_deg=right
    )
    here, away = np.array([1.0, 2.0, 1.2]), 25.0 * DEGREE  # an angle that is observed
    aside = 2.0 * np.tan(away)
    # The source looks along +x: seats above and below its axis, then left and right of it.
    steps = ((2.0, 0.0, aside), (2.0, 0.0, -aside), (2.0, aside, 0.0), (2.0, -aside, 0.0))
    room = room_of(1.0, at=tuple(here), seats=tuple(tuple(here + step) for step in steps), order=0)
    direct = heard(paths(room, seen.observation, counted_bands()), seen).direct
    size = 2.0 * np.pi * fine_bands(counted_bands()) * RADIUS / SPEED
    exact = []
    for azimuth in (0.5 * np.pi, -0.5 * np.pi):
        angle = leaning(np.array(away), np.array(azimuth), up=up * DEGREE, right=right * DEGREE)
        exact.append(amplitude_db(cap_pattern(size, angle, half_angle=HALF_ANGLE)[:, 0]))
    ratio, wanted = 10.0 * np.log10(direct[0] / direct[1]), exact[0] - exact[1]
    lower = fine_bands(counted_bands()) < 3000.0
    # Mean squares straight over log frequency between 24ths of an octave: thousandths of a dB.
    np.testing.assert_allclose(ratio[lower], wanted[lower], atol=0.02)
    assert ratio[lower].max() > 3.0
    sideways = 10.0 * np.log10(direct[2] / direct[3])[lower]
    assert (np.abs(sideways).max() < 1e-6) == (symmetry == "left_right")


def test_index_of_mountings_says_by_which_method(tmp_path: Path) -> None:
    cases = [Case("baffle", False, "flush", Mounting()), Case("cabinet", True, "a cabinet", Mounting())]
    seen = tilted_cap(for_symmetry(Observation(FREQUENCY, ONE_SIDE), "two_planes"))
    found = effect([(case, seen) for case in cases], [])
    for method, words in (("march", "solved by the march"), ("boundary_elements", "solved by boundary elements")):
        told = dataclasses.replace(found, method=method)
        write_cabinet_effect(tmp_path / "effect.csv", told, header=[], cautions=[], distance=float("inf"))
        assert words in (tmp_path / "effect.csv").read_text(encoding="utf-8")
