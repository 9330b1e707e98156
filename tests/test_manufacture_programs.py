"""Programs for router and lathe: what they leave and spare, and what is refused."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import wall_cloud
from evenflare.manufacture.milling.finishing import finishing, round_spiral
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.milling.slender import eased
from evenflare.manufacture.milling.turning import turning
from evenflare.manufacture.proof.proof import prove
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, OblateSpheroidal, Waveguide, joined, sampled
from oblongs import SHAPES
from programs_shared import departures, made, process, sizes_of, tool_distance
from shapes import BENCHMARK, CONE, through

SPHEROID = BENCHMARK["oblate-spheroidal 40 deg, roundover 20 mm"]
SMALL = Waveguide(Conical(30 * MM, 40 * DEGREE, 5 * MM))
TWO = {"round": SPHEROID, "oblong": SHAPES["rolled"]}
LENGTHS = r"[\d.]+"


def centres_of(program, waveguide):
    return program.position + np.array([0.0, 0.0, program.tool.radius + waveguide.depth])


@pytest.mark.parametrize("name", ["cone", "rolled", "edges"])
def test_finishing_leaves_ridges_no_higher_than_asked_on_oblong_walls(name):
    waveguide, asked = SHAPES[name], process(scallop_height=30e-6)
    program = finishing(waveguide, asked, wall_cloud(waveguide))
    left, gouge = departures(waveguide, centres_of(program, waveguide), 3 * MM, azimuths=(0.0, 0.7, 1.4, 3.9))
    assert 0.4 * asked.scallop_height < left <= asked.scallop_height
    assert gouge < 0.5e-6  # moves across a bulge: the square of 0.3 mm over eight radii, shared by two hundred turns


def test_straight_moves_of_a_spiral_cut_its_corners_by_the_chord_asked_for_and_no_less():
    chord = 0.02 * MM
    x, y, _ = round_spiral(CONE.meridian, radius=3 * MM, ridge=0.2 * MM, chord=chord).T
    radius, turn = np.hypot(x, y), np.diff(np.unwrap(np.arctan2(y, x)))
    # The sagitta of each move, r (1 - cos(turn / 2)); within a move the radius changes by up to half a percent.
    for end in (radius[1:], radius[:-1]):
        sagitta = end * (1.0 - np.cos(0.5 * turn))
        assert sagitta.max() <= 1.005 * chord
        assert sagitta.min() >= 0.98 * chord, "more points than are needed"


@given(
    depth=st.floats(20, 60),
    angle=st.floats(20, 55),
    rim=st.sampled_from([0.0, 3.0, 12.0]),
    height=st.floats(15, 60),
    conical=st.booleans(),
)
@settings(deadline=None, max_examples=6)
def test_finishing_of_random_round_walls_keeps_scallop_and_wall(depth, angle, rim, height, conical):
    family = Conical if conical else OblateSpheroidal
    waveguide = Waveguide(family(depth * MM, angle * DEGREE, rim * MM))
    asked = process(scallop_height=height * 1e-6, tolerance=0.1 * MM)
    program = finishing(waveguide, asked, None)
    left, gouge = departures(waveguide, centres_of(program, waveguide), 3 * MM, azimuths=(1.0,))
    assert left <= asked.scallop_height
    assert gouge < 0.5e-6


@pytest.mark.parametrize("waveguide", TWO.values(), ids=TWO)
def test_roughing_goes_down_level_by_level_and_leaves_the_stock(waveguide):
    asked = process()
    program = made(waveguide, asked)["roughing"]
    tips = program.position[~program.rapid]
    levels = tips[1:][np.diff(tips[:, 2]) == 0.0][:, 2]
    levels = levels[np.concatenate([[True], np.diff(levels) != 0.0])]
    floors = np.minimum.accumulate(levels)
    floors = floors[np.concatenate([[True], np.diff(floors) != 0.0])]
    assert np.all(np.diff(floors) < 0.0)
    assert np.abs(np.diff(floors)).max() <= asked.stepdown + 1e-9
    # Down to where the finishing ball passes the throat.
    assert floors[-1] == pytest.approx(-waveguide.depth - 3 * MM)
    wall = wall_points(waveguide)
    chosen = tips[tips[:, 2] < 0.0][::7]
    distance = tool_distance(program.tool, chosen, wall)
    assert distance.min() >= asked.stock_left - 1e-6
    # Between its steps it does come as near as it may: to the points of the wall, 0.5 mm apart, and 0.02 to spare.
    assert distance.min() <= asked.stock_left + 0.1 * MM


def wall_points(waveguide):
    if waveguide.is_round:
        wall = joined(sampled(waveguide.meridian, chord_error=1e-5))
        turn = np.linspace(0, 2 * np.pi, 721)
        rows = np.stack(
            [wall.r[:, None] * np.cos(turn), wall.r[:, None] * np.sin(turn), wall.z[:, None] + 0 * turn], axis=-1
        )
        return rows.reshape(-1, 3)[::3] - [0, 0, waveguide.depth]
    quarter = wall_cloud(waveguide).points[::20] - [0.0, 0.0, waveguide.depth]
    return np.concatenate([quarter * sign for sign in ((1, 1, 1), (-1, 1, 1), (1, -1, 1), (-1, -1, 1))])


def test_proof_in_software_finds_no_gouge_no_rapid_and_no_holder_in_material():
    asked = process(scallop_height=40e-6)
    found = made(SMALL, asked)
    proof = prove(
        SMALL,
        [found["roughing"], found["finishing"]],
        sizes=sizes_of(SMALL),
        tolerance=asked.tolerance,
        scallop_height=asked.scallop_height,
        grid=0.4 * MM,
    )
    rough, fine = proof.programs
    assert proof.passed
    assert rough.gouge.size == 0.0
    assert fine.gouge.size < 1e-6
    assert fine.leftover.size <= asked.scallop_height
    assert fine.plug == 0.0


@pytest.mark.parametrize("name", ["router", "lathe"])
def test_rapid_moves_run_at_the_safe_height_or_where_all_is_cleared(name):
    asked = process(name)
    for program in made(SPHEROID, asked).values():
        start = np.concatenate([[False], program.rapid[1:]])
        move = np.abs(np.diff(program.position, axis=0, prepend=program.position[:1]))
        low = program.position[:, 2] < asked.machine.safe_height - 1e-9
        sideways = start & (move[:, :2].max(axis=1) > 1e-9) & low
        down = start & (np.diff(program.position[:, 2], prepend=0.0) < -1e-9) & (program.position[:, 2] < 0.0)
        assert not down.any()
        if program.name == "finishing":
            assert not sideways.any()


def test_back_has_its_seat_and_mirrored_holes_from_its_own_datum():
    asked = process()
    seat = dataclasses.replace(asked.seat, bolts=3, bolt_circle=60 * MM, depth=4 * MM)
    asked = dataclasses.replace(asked, seat=seat)
    program = made(SPHEROID, asked)["back"]
    place, radius = program.position, program.tool.radius
    floor = place[np.abs(place[:, 2] + seat.depth) < 1e-9]
    assert np.hypot(*floor[:, :2].T).max() + radius == pytest.approx(0.5 * seat.diameter)
    bottom = place[np.abs(place[:, 2] - program.lowest) < 1e-9]
    assert program.lowest == pytest.approx(-seat.depth - seat.hole_depth)
    # Three bolts, the first on the part's +X, seen from behind with X turned round.
    for turn in (0.0, 120.0, 240.0):
        hole = 0.5 * seat.bolt_circle * np.array([-np.cos(turn * DEGREE), np.sin(turn * DEGREE)])
        near = np.hypot(*(bottom[:, :2] - hole).T)
        assert near[near < 5 * MM].max() + radius == pytest.approx(0.5 * seat.hole_diameter)
    assert any("about its Y axis" in line for line in program.setup)


@pytest.mark.parametrize(("share", "levels"), [(0.9, 1), (1.0, 1), (1.1, 2)])
def test_seat_goes_down_by_no_more_levels_than_steps_need(share, levels):
    asked = process()
    asked = dataclasses.replace(asked, seat=dataclasses.replace(asked.seat, bolts=0, depth=share * asked.stepdown))
    program = made(SPHEROID, asked)["back"]
    depths = program.position[~program.rapid & (program.position[:, 2] < -1e-9), 2]
    level, count = np.unique(depths.round(9), return_counts=True)
    # A level is gone round in many places; on the way down there are few.
    assert level[count > 10] == pytest.approx(-asked.seat.depth * np.arange(levels, 0, -1) / levels)


def test_holes_grow_shallower_where_the_wall_comes_near():
    wide = Waveguide(Conical(60 * MM, 60 * DEGREE))
    program = made(wide, process(tools={"bull 12": {"diameter": 10 * MM}}))["back"]
    # A hole of 8 on 76.2 leaves 34.1 - 2; there the cone is (32.1 - 12.7) / tan 60 = 11.2 deep, less 2.
    room = (32.1 - 12.7) / np.tan(60 * DEGREE) - 2
    assert -program.lowest / MM - 3 == pytest.approx(room, abs=0.5)  # between the 129 points of the wall
    assert -program.lowest / MM - 3 < 15


@pytest.mark.parametrize("point", ["nose_centre", "imaginary_tip"])
def test_turning_keeps_the_nose_off_the_wall_by_its_radius_and_the_stock(point):
    asked = process("lathe", machine={"programmed_point": point})
    (program,) = turning(SPHEROID, asked, behind=0.0)
    nose, position = program.tool.corner_radius, np.array(program.position)
    if point == "imaginary_tip":
        position += np.array([-nose, 0.0, nose])
    wall = joined(sampled(SPHEROID.meridian, chord_error=2e-8))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    places = np.append(np.arange(0.0, along[-1], 10e-6), along[-1])
    wall = wall._replace(z=np.interp(places, along, wall.z), r=np.interp(places, along, wall.r))
    away = np.hypot(position[:, 0, None] - wall.r, position[:, 2, None] + SPHEROID.depth - wall.z).min(axis=1)
    fine = program.feed < eased(asked, program.tool).machine.cutting_feed - 1e-9
    first = int(np.flatnonzero(fine & ~program.rapid)[0])
    last_cut = position.shape[0] - 3  # the lead-out and the way back leave the wall
    # The nose touches the exact wall at its rows; the wall's points are 10 um apart: 5^2 / 2 / 800 is 0.02 um.
    on_wall = away[first + 1 : last_cut]
    assert np.abs(on_wall - nose).max() < 1e-6
    rough = away[: first - 2]
    assert rough.min() == pytest.approx(nose + asked.stock_left, abs=6e-6)  # the contour is thinned to 5 um
    assert "nose" in program.datum


def test_turning_roughs_outward_and_returns_through_what_is_cut():
    (program,) = turning(CONE, process("lathe"), behind=0.0)
    position, rapid = program.position, program.rapid
    inside = rapid & (np.concatenate([[0.0], position[:-1, 2]]) < 0.0)
    back = position[inside]
    before = position[np.flatnonzero(inside) - 1]
    assert np.array_equal(back[:, 0], before[:, 0])  # along the axis
    assert np.all(back[:, 2] > before[:, 2])  # outward
    (deep,) = (float(line.split()[-2]) for line in program.setup if line.startswith("drill a bore"))
    assert deep * MM > CONE.depth  # right through


def refused(waveguide, asked, *words):
    """What is said where no program can be made, or, of one that cannot, where it is left out."""
    try:
        told = " ".join(programs(waveguide, asked, sizes_of(waveguide)).left_out)
    except InputError as error:
        told = str(error)
    for word in words:
        assert word in told
    return told


@pytest.mark.parametrize(
    ("tools", "left", "made_still"),
    [
        ({"ball 6": {"reach": 20 * MM, "flute_length": 15 * MM}}, ["finishing"], ["roughing", "back"]),
        ({"bull 12": {"diameter": 26 * MM}}, ["roughing", "finishing"], ["back"]),
        (
            {"flat 6": {"diameter": 9 * MM}, "flat 3": {"diameter": 8 * MM}},
            ["driver_holes"],
            ["roughing", "finishing", "back"],
        ),
    ],
)
def test_a_tool_that_does_not_fit_costs_its_own_program_and_what_counts_on_it(tools, left, made_still):
    deep = SPHEROID if "ball 6" in tools else SMALL
    found = programs(deep, process(tools=tools), sizes_of(deep))
    assert [each.name for each in found.programs] == made_still
    assert [line.split(":")[0] for line in found.left_out] == left
    if "finishing" in left and "roughing" in left:
        assert "after roughing, which is left out" in found.left_out[1]


def test_a_ball_that_is_too_large_is_refused_and_the_largest_one_fits():
    narrow = Waveguide(through((0, 12.7), (20, 40), (60, 45)))
    message = refused(
        Waveguide(OblateSpheroidal(60 * MM, 30 * DEGREE)),
        process(tools={"ball 6": {"diameter": 30 * MM, "corner_radius": 15 * MM}}),
        'tool "ball 6" diameter_mm = 30',
        "z_mm",
    )
    largest = float(re.search(rf"at most ({LENGTHS})\. ", message)[1]) * MM
    fits = process(tools={"ball 6": {"diameter": largest, "corner_radius": 0.5 * largest, "reach": 0.3}})
    assert "finishing" in made(Waveguide(OblateSpheroidal(60 * MM, 30 * DEGREE)), fits)
    refused(narrow, process(leave_at_most=0.0), "concave", "z_mm = 20", "leave_at_most_mm to 0.27")


@pytest.mark.parametrize("waveguide", TWO.values(), ids=TWO)
def test_a_tool_that_is_too_short_is_refused_and_the_reach_that_it_tells_does(waveguide):
    short = process(tools={"ball 6": {"reach": 20 * MM, "flute_length": 15 * MM}})
    message = refused(waveguide, short, 'tool "ball 6" reach_mm = 20', "the holder", "below the front face")
    needed = float(re.search(rf"at least ({LENGTHS})\. ", message)[1]) * MM
    assert 20 * MM < needed < waveguide.depth + 5 * MM
    made(waveguide, process(tools={"ball 6": {"reach": needed}}))


def test_a_thick_shank_is_refused():
    thick = process(tools={"ball 6": {"shank_diameter": 16 * MM, "flute_length": 8 * MM}})
    refused(SPHEROID, thick, "flute_length_mm = 8", "the shank, 16 mm wide")


def test_a_roughing_tool_wider_than_the_throat_is_refused_with_the_largest():
    message = refused(SMALL, process(tools={"bull 12": {"diameter": 26 * MM}}), 'tool "bull 12"', "throat")
    largest = float(re.search(rf"below ({LENGTHS})\. ", message)[1])
    assert largest == pytest.approx(24.4, abs=0.01)  # 25.4 less twice 0.5 of stock


def test_stock_and_machine_that_are_too_small_are_refused():
    stock = dataclasses.replace(process().stock, size=(100 * MM, 300 * MM, 200 * MM))
    refused(SPHEROID, process(stock=stock), "size_mm = [100, 300, 200]", "must be at least")
    refused(SPHEROID, process(machine={"work_volume": (0.7, 0.7, 0.1)}), "work_volume_mm = [700, 700, 100]", "roughing")


def test_what_a_lathe_or_a_straight_tool_cannot_make_is_refused():
    refused(SHAPES["cone"], process("lathe"), "turns round parts only")
    refused(Waveguide(through((0, 12.7), (20, 30), (40, 25))), process(), "hidden from the mouth from z_mm = 20")
    refused(CONE, process("lathe", tools={"bar, nose 0.8": {"shank_diameter": 25 * MM}}), "does not pass the throat")
    refused(CONE, process("lathe", tools={"bar, nose 0.8": {"reach": 50 * MM}}), "reach_mm = 50", "101.8 mm deep")
