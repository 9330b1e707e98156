"""What a tool does not reach: stock that stays in hollows, and what a smaller roughing tool takes after a large one."""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pytest

from cutting import program, tool
from evenflare.files import InputError
from evenflare.manufacture.milling.clearance import within_reach
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.proof.proof import prove
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.manufacture.proof.rough_truth import prepared
from evenflare.manufacture.proof.simulate import cut, stock
from evenflare.manufacture.proof.truth import Front, Truth, outside
from evenflare.manufacture.wall.closed import closed
from evenflare.manufacture.wall.offset import NoRoomError
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Meridian, Oblong, Points, Waveguide
from evenflare.waveguide.walls import Line
from programs_shared import from_moves, made, process, sizes_of

RIGHT = 1.0 - np.sqrt(0.5)


def lines(*points):
    """A meridian of straight walls through (z, r) in mm."""
    return Meridian(tuple(Line(*(MM * each for each in (*a, *b))) for a, b in itertools.pairwise(points)))


def through(*points):
    return Waveguide(Points(tuple((z * MM, r * MM) for z, r in points), corner=8 * DEGREE))


# From the face at z = 8 outward, and in a right angle forward again.
STEPPED = lines((0, 12.7), (8, 12.7), (8, 30), (24, 30))
HOLLOW = through((0, 12.7), (6, 34), (20, 38))
BARE = {"scallop_height": 40e-6, "seat": dataclasses.replace(process().seat, diameter=0.0, bolts=0)}


@pytest.mark.parametrize("radius", [0.8, 3.0, 5.0])
def test_a_ball_leaves_in_a_right_corner_what_a_quarter_circle_does(radius):
    wall, (stays,) = closed(STEPPED, radius * MM)
    assert stays.thick == pytest.approx((np.sqrt(2) - 1) * radius * MM, rel=1e-9)
    assert (stays.z, stays.first, stays.last) == pytest.approx((8 * MM, 8 * MM, (8 + radius) * MM), abs=1e-9)
    arc = wall.pieces[2].frame_at(np.linspace(0, 1, 9))
    away = np.hypot(arc.z - (8 + radius) * MM, arc.r - (30 - radius) * MM)
    assert away == pytest.approx(np.full(9, radius * MM), abs=1e-12)  # rounding


def test_a_wall_is_closed_across_what_is_narrower_than_the_ball():
    """A groove 4 mm wide and deep under a ball of 6: it lies on both edges, sqrt(9 - 4) above them."""
    groove = lines((0, 12.7), (10, 12.7), (10, 16.7), (14, 16.7), (14, 12.7), (30, 12.7))
    _, (stays,) = closed(groove, 3 * MM)
    assert (stays.first, stays.last) == pytest.approx((10 * MM, 14 * MM), abs=1e-9)
    # From the middle over the groove to its farther corners.
    assert stays.thick == pytest.approx((np.hypot(2.0, np.sqrt(5) + 4.0) - 3.0) * MM, rel=1e-9)


def test_what_needs_no_closing_stays_as_it_is_and_a_ball_that_does_not_pass_the_throat_is_refused():
    plain = Conical(20 * MM, 40 * DEGREE, 4 * MM).meridian(12.7 * MM)
    assert closed(plain, 3 * MM) == (plain, ())
    with pytest.raises(NoRoomError, match="z_mm = 0"):
        closed(STEPPED, 13 * MM)


@pytest.fixture(scope="module")
def finished():
    return {
        name: (asked := process(name, leave_at_most=1.5 * MM, **BARE), programs(HOLLOW, asked, sizes_of(HOLLOW)))
        for name in ("router", "lathe")
    }


def proof_of(asked, made_programs, wall):
    return prove(
        wall,
        made_programs,
        sizes=sizes_of(HOLLOW),
        tolerance=asked.tolerance,
        scallop_height=asked.scallop_height,
        bore=11.5 * MM if asked.machine.kind == "lathe" else 0.0,
        grid=0.4 * MM,
        leaves=prepared(wall, asked),
    ).programs


# The wall turns by atan(21.3 / 6) - atan(4 / 14); between both a ball leaves R (1 / cos(turn / 2) - 1).
TURN = np.arctan2(21.3, 6.0) - np.arctan2(4.0, 14.0)


@pytest.mark.parametrize(("name", "radius"), [("router", 3.0), ("lathe", 0.8)])
def test_finishing_is_made_over_all_that_its_tool_reaches_and_says_what_stays(finished, name, radius):
    asked, found = finished[name]
    assert found.left_out == ()
    last = found.programs[-1]
    thick = radius * (1.0 / np.cos(0.5 * TURN) - 1.0)
    told = f"stock stays in a hollow that tool {last.tool.name} does not reach: {thick:.3f} thick at 6 from the throat"
    assert any(told in line for line in found.left)
    header = re.sub(r"\W+", " ", gcode(last, asked, design_id="a", name="b"))
    assert re.sub(r"\W+", " ", f"{thick:.3f} thick at 6 from the throat plane") in header
    for each in proof_of(asked, found.programs, within_reach(HOLLOW, asked)[0]):
        assert each.accepted, each
        assert each.leftover_within is not False
    if name == "router":
        # Against the wall itself what stays is left over.
        drawn = proof_of(asked, found.programs, HOLLOW)[-1]
        assert not drawn.accepted
        assert drawn.leftover.size > 0.5 * thick * MM


def test_the_ball_touches_all_round_in_the_hollow(finished):
    """Without the proof: from places on the arc that the ball leaves, by hand, to the moves of its middle."""
    _, found = finished["router"]
    path = found.programs[-1].position + np.array([0.0, 0.0, 3 * MM + HOLLOW.depth])
    first, last = np.arctan2(21.3, 6.0), np.arctan2(4.0, 14.0)
    middle = 0.5 * (first + last)
    # Its middle lies R / cos(turn / 2) off the corner, on the line that halves it.
    off = 3.0 / np.cos(0.5 * TURN)
    centre = np.array([6.0 + off * np.sin(middle), 34.0 - off * np.cos(middle)])
    angle = np.repeat(np.linspace(last, first, 9), 7)
    azimuth = np.tile(2 * np.pi * np.arange(7) / 7 + 0.3, 9)
    z, r = centre[0] - 3.0 * np.sin(angle), centre[1] + 3.0 * np.cos(angle)
    places = MM * np.column_stack([r * np.cos(azimuth), r * np.sin(azimuth), z])
    away = from_moves(places, path)
    assert away.max() < 3 * MM + 40e-6  # the ridges asked for
    assert away.min() > 3 * MM - 1e-6


@pytest.mark.parametrize("off", [-0.3, 0.3])
def test_an_error_in_the_hollow_is_found_all_the_same(finished, off):
    asked, found = finished["router"]
    last = found.programs[-1]
    # The ring in the hollow stays at one height; half its round is moved.
    first, end = np.arctan2(21.3, 6.0), np.arctan2(4.0, 14.0)
    height = 6.0 + 3.0 / np.cos(0.5 * TURN) * np.sin(0.5 * (first + end)) - 3.0 - 20.0
    ring = np.flatnonzero(np.abs(last.position[:, 2] - height * MM) < 1e-6)
    moved = np.array(last.position)
    moved[ring[: len(ring) // 2], 2] += off * MM
    wall = within_reach(HOLLOW, asked)[0]
    wrong = proof_of(asked, [dataclasses.replace(last, position=moved)], wall)[-1]
    assert wrong.gouge.size > 0.1 * MM if off < 0.0 else not wrong.leftover_within


def test_more_than_the_process_leaves_costs_finishing_and_says_what_would_stay():
    asked = process(leave_at_most=0.1 * MM, **BARE)
    found = programs(HOLLOW, asked, sizes_of(HOLLOW))
    assert [each.name for each in found.programs] == ["roughing"]
    thick = 3.0 * (1.0 / np.cos(0.5 * TURN) - 1.0)
    assert f"raise leave_at_most_mm to {np.ceil(100 * thick) / 100:g}" in found.left_out[0]
    assert found.left == ()


# Rest material.

CONE = Waveguide(Conical(24 * MM, 40 * DEGREE, 4 * MM))
SMALL = process().tool("bull 12")
WIDE = dataclasses.replace(SMALL, name="wide", diameter=36 * MM, shank_diameter=36 * MM, corner_radius=2 * MM)


def rested(**changes):
    asked = process(**BARE)
    return dataclasses.replace(asked, tools=(*asked.tools, WIDE), roughing_tool="wide", **changes)


@pytest.fixture(scope="module")
def after_wide():
    asked = rested(rest_tool="bull 12")
    found = made(CONE, asked)
    proof = prove(
        CONE,
        list(found.values()),
        sizes=sizes_of(CONE),
        tolerance=asked.tolerance,
        scallop_height=asked.scallop_height,
        grid=0.4 * MM,
        leaves=prepared(CONE, asked),
    )
    return asked, found, {each.program: each for each in proof.programs}


def test_a_tool_that_does_not_pass_the_throat_roughs_as_far_as_it_goes_and_a_smaller_one_the_rest(after_wide):
    asked, found, proof = after_wide
    assert list(found) == ["roughing", "rest", "finishing"]
    alone = programs(CONE, rested(), sizes_of(CONE))
    assert [line.split(":")[0] for line in alone.left_out] == ["roughing", "finishing"]
    assert any("too wide: the program rest goes on" in line for line in found["roughing"].setup)
    for each in proof.values():
        assert each.accepted, each
        assert 0.0 < each.engagement.size <= each.engagement_stated + 1e-9  # rounding of doubles
    # Levels h apart leave on a wall at 40 degrees to the axis h sin 40 above the stock left, as one tool would have.
    even = asked.stock_left + 27 * MM / 7 * np.sin(40 * DEGREE)  # 27: depth and the ball's radius, by at most 4
    assert proof["roughing"].leftover.size > 1.5 * even
    assert proof["rest"].leftover.size < even


def test_rest_goes_only_where_the_large_tool_left_something(after_wide):
    _, found, _ = after_wide
    lowest = found["roughing"].lowest
    cutting = found["rest"].position[~found["rest"].rapid]
    level = cutting[np.abs(np.diff(cutting[:, 2], prepend=0.0)) < 1e-9]
    # On a cone a wide tool gets as near the wall as a small one, but for a floor's corner, less than the stock left.
    assert level[:, 2].max() < lowest - 0.5 * MM
    # Depth of cut: 4 mm, eased for 130 mm of 12 mm by (8 D / L)^1.5.
    deepest = 4 * MM * (8 * 12 / 130) ** 1.5
    heights = np.unique(np.concatenate([level[:, 2].round(9), [round(lowest, 9)]]))
    assert np.diff(heights).max() <= deepest + 1e-9


def test_a_rest_tool_no_narrower_than_the_roughing_tool_is_refused(tmp_path):
    import evenflare.manufacture.process as room

    text = (room.__path__[0] + "/../processes/router.toml", tmp_path / "wide.toml")
    with open(text[0], encoding="utf-8") as file:
        text[1].write_text('rest_tool = "bull 12"\n' + file.read(), encoding="utf-8")
    with pytest.raises(InputError, match=r'rest_tool = "bull 12": is 12 mm wide: must be narrower'):
        read_process(str(text[1]))


# Roughing and holes: what harms nothing in the finished wall is found too.


SMALL_OBLONG = Waveguide(Oblong(Conical(14 * MM, 40 * DEGREE), Conical(14 * MM, 25 * DEGREE)))


@pytest.fixture(scope="module", params=[CONE, SMALL_OBLONG], ids=["round", "oblong"])
def roughed(request):
    asked = process(**BARE)
    return request.param, asked, made(request.param, asked)["roughing"]


def roughing_proof(waveguide, asked, rough):
    (found,) = prove(
        waveguide,
        [rough],
        sizes=sizes_of(waveguide),
        tolerance=asked.tolerance,
        scallop_height=asked.scallop_height,
        grid=0.4 * MM,
        leaves=prepared(waveguide, asked),
    ).programs
    return found


@pytest.mark.parametrize("way", ["level", "ring"])
def test_roughing_that_leaves_three_tenths_more_in_one_place_is_found(roughed, way):
    waveguide, asked, rough = roughed
    assert roughing_proof(waveguide, asked, rough).too_high.size == 0.0
    moved = np.array(rough.position)
    heights, counts = np.unique(moved[:, 2].round(9), return_counts=True)
    level = heights[counts > 30][2]  # on ramps and lifts stand fewer
    # Of the outermost ring, which comes last, about a quarter.
    some = np.flatnonzero(np.isclose(moved[:, 2], level, atol=1e-9))[-40:-15]
    if way == "level":
        moved[some, 2] += 0.3 * MM
    else:
        moved[some, :2] *= 1.0 - 0.3 * MM / np.hypot(*moved[some, :2].T)[:, None]
    found = roughing_proof(waveguide, asked, dataclasses.replace(rough, position=moved))
    assert not found.accepted
    # A level that is too high leaves its floor so; a ring that is too narrow leaves a step beside it.
    assert found.too_high.size > 0.2 * MM


def test_levels_of_an_oblong_wall_leave_what_those_of_the_round_one_do_that_it_may_be():
    """Two ways to the same: what a grown tool first meets along a meridian, and sections less the tool's width. The
    sections stand for all between them, so that the tool keeps up to 0.3 mm further off (a tool of 1 mm at its corner).
    """
    cone = Conical(24 * MM, 40 * DEGREE, 4 * MM)
    asked, x, y = process(**BARE), MM * np.linspace(0.0, 40.0, 401), MM * np.array([0.0, 7.0, 20.0])
    round_wall, oblong_wall = (
        prepared(Waveguide(shape), asked)["roughing"].highest for shape in (cone, Oblong(cone, cone))
    )
    left, off = oblong_wall(x, y), np.hypot(x[:, None], y)
    along = np.linspace(0.0, off.max() + 0.3 * MM, 5000)
    exact = round_wall(along, np.zeros(1))[:, 0]
    # 10 um for the grid along which the round wall's are told, and two cells of 20 um in which it looks at them.
    assert np.all(left <= np.interp(off + 0.31 * MM, along, exact) + 1e-9)
    assert np.all(left >= np.interp(off - 0.05 * MM, along, exact) - 1e-9)
    assert left.min() < -20 * MM


@pytest.mark.parametrize("off", [(0.3, 0.0, 0.0), (0.0, 0.3, 0.0), (0.0, 0.0, 0.3), (0.0, 0.0, -0.3)])
def test_a_hole_of_the_back_off_its_place_or_depth_is_found(off, tmp_path):
    asked = process(seat=dataclasses.replace(process().seat, diameter=60 * MM, bolt_circle=44 * MM, hole_depth=5 * MM))
    cone = Waveguide(Conical(36 * MM, 25 * DEGREE))
    back = made(cone, asked)["back"]
    position = np.array(back.position)
    hole = (np.hypot(position[:, 0] + 22 * MM, position[:, 1]) < 4 * MM) & (position[:, 2] < -asked.seat.depth - 1e-9)
    for wrong in (False, True):
        cut_at = np.where(hole[:, None] & wrong, position + MM * np.array(off), position)
        path = tmp_path / "back.nc"
        moved = dataclasses.replace(back, position=cut_at)
        path.write_text(gcode(moved, asked, design_id="a1", name="cone"), encoding="utf-8")
        (found,) = prove_files(cone, [path], asked, sizes=sizes_of(cone), grid=0.4 * MM).programs
        assert found.accepted is not wrong
    size = max(found.gouge.size, found.leftover.size)
    assert size == pytest.approx(0.3 * MM, abs=2e-6)  # rings of 24 chords and more


@pytest.mark.parametrize("deep", [0.4, 1.3])
def test_an_outside_tools_depth_of_cut_is_counted_across_its_feed(deep):
    cells, step = 3000, 0.01 * MM
    heights, none = np.zeros((cells, 1)), np.empty((1, 0))
    exact = Truth(
        step, heights, np.ones_like(heights), np.zeros((cells, 1), dtype=bool), none, none, 0.0, "half_section"
    )
    inner, nose = 29.99 * MM - deep * MM, 0.8 * MM
    path = np.array([[inner + nose, 0.0, 3 * MM], [inner + nose, 0.0, -10 * MM]])
    turned = program(path, tool("turning", 1.6), kind="turning")
    engaged = cut(stock(exact), turned, outward=True)[0].engaged
    assert engaged.depth == pytest.approx(deep * MM, abs=step)  # the stock ends between two cells


@pytest.mark.parametrize("round_part", [True, False])
def test_a_cell_on_the_parts_edge_is_none_of_its_front_face(round_part):
    x = np.array([67.8, 68.0, 68.2]) * MM
    off = outside(x[:, None], np.zeros(1), Front((68 * MM, 68 * MM), round=round_part))
    assert off[:, 0].tolist() == [False, True, True]
