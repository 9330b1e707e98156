"""What a router and a lathe cut beside the wall: paths held against closed forms and a geometry library, planted faults
found by the proof, and a tool that does not do costs its own program."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
import shapely

from evenflare.design.file import Solid
from evenflare.files import write_text
from evenflare.manufacture import oblong_sizes, solid_sizes
from evenflare.manufacture.milling.clearance import wall_cloud
from evenflare.manufacture.milling.gcode import gcode
from evenflare.manufacture.milling.operations import lathe_operations, operations
from evenflare.manufacture.milling.programs import programs as programs_of_part
from evenflare.manufacture.part.features import Features, features_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import DriverSeat, HoldDown
from evenflare.manufacture.proof.proof_files import prove_files
from evenflare.manufacture.sheets.layer_files import export_layers
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Oblong, Waveguide

CONE = Waveguide(Conical(0.02, 40 * DEGREE))
OBLONG = Waveguide(Oblong(Conical(0.02, 40 * DEGREE), Conical(0.02, 20 * DEGREE)))
ROUTER = replace(read_process("router"), seat=DriverSeat())
LATHE = replace(read_process("lathe"), seat=DriverSeat(diameter=60 * MM, depth=4 * MM))
HOLES = {"front_bolts": 4, "front_bolt_inset": 13 * MM, "front_screw": "M4", "front_countersunk": True, "bolts": None}
EDGE = Solid(flange_diameter=110 * MM, edge_radius=4 * MM, **HOLES)
REBATE = Solid(flange_diameter=110 * MM, rebate_width=6 * MM, rebate_depth=5 * MM)
BOX = Solid(flange_width=110 * MM, flange_height=90 * MM, edge_radius=4 * MM, **HOLES)
GRID = 0.4 * MM
RIM = 55 * MM


def sized(solid, waveguide=CONE):
    if waveguide.is_round:
        return solid_sizes(waveguide.meridian, solid)
    return oblong_sizes(waveguide.surface, wall_cloud(waveguide), solid)


def made(solid, process=ROUTER, waveguide=CONE):
    found = operations(waveguide, process, sized(solid, waveguide), features_of(solid, process))
    assert found.left == ()
    return {each.name: each for each in found.programs}


def turned(solid, process=LATHE):
    found = lathe_operations(CONE, process, sized(solid), features_of(solid, process))
    assert found.left == ()
    return {each.name: each for each in found.programs}


def proved(folder, programs, solid, process=ROUTER, waveguide=CONE):
    paths = []
    for program in programs:
        paths.append(folder / f"{program.name}.nc")
        write_text(paths[-1], gcode(program, process, design_id="0a1b2c", name="small cone"))
    features = features_of(solid, process)
    found = prove_files(waveguide, paths, process, sizes=sized(solid, waveguide), features=features, grid=GRID)
    return {each.program: each for each in found.programs}


@pytest.mark.parametrize(
    ("solid", "waveguide", "names"),
    [
        (EDGE, CONE, ["pins", "front_holes", "countersinks", "profile", "edge"]),
        (REBATE, CONE, ["pins", "profile", "rebate"]),
        (BOX, OBLONG, ["pins", "front_holes", "countersinks", "profile", "edge"]),
    ],
)
def test_operations_of_a_router_pass_and_leave_what_is_asked(tmp_path, solid, waveguide, names):
    programs = made(solid, waveguide=waveguide)
    assert list(programs) == names
    for each in proved(tmp_path, programs.values(), solid, waveguide=waveguide).values():
        assert each.accepted, each
        assert 0.0 < each.engagement.size <= each.engagement_stated < 8 * MM
        assert each.leftover_within, each


@pytest.mark.parametrize(("solid", "waveguide"), [(EDGE, CONE), (BOX, OBLONG)])
def test_the_profile_keeps_off_the_outside_and_touches_it_all_round(solid, waveguide):
    """By a geometry library: the way of the cutter's middle, against the part's outside."""
    program, radius = made(solid, waveguide=waveguide)["profile"], 6 * MM
    low = program.position[(program.position[:, 2] < -solid.edge_radius) & ~program.rapid]
    if waveguide is CONE:
        # Of straight moves the middle is nearest to the axis.
        away = np.hypot(*(0.5 * (low[1:, :2] + low[:-1, :2])).T)
        assert away.min() == pytest.approx(RIM + radius, abs=1e-7)
        # A last ring touches all round, within one chord, which leaves 5 um.
        azimuth = np.sort(np.arctan2(*low[1:, 1::-1][away < RIM + radius + 6e-6].T))
        assert np.diff(azimuth).max() < 2.1 * np.arccos(1 - 5e-6 / (RIM + radius))
    else:
        outside = shapely.box(-RIM, -45 * MM, RIM, 45 * MM)
        assert shapely.LineString(low[:, :2]).distance(outside) == pytest.approx(radius, abs=1e-9)
        # The cutter goes past each corner as far as along the sides.
        corners = {(round(x / MM, 6), round(y / MM, 6)) for x, y in low[:, :2]}
        assert corners >= {(61, 51), (-61, 51), (61, -51), (-61, -51)}


@pytest.mark.parametrize(("solid", "waveguide"), [(EDGE, CONE), (BOX, OBLONG)])
def test_tabs_stand_as_wide_and_high_as_they_are_said_to_be(solid, waveguide):
    program, hold = made(solid, waveguide=waveguide)["profile"], ROUTER.hold_down
    path = program.position
    deep = path[1:][
        (path[1:, 2] < hold.tab_height - CONE.depth - 1e-9) & (path[:-1, 2] < hold.tab_height - CONE.depth - 1e-9)
    ]
    round_ = np.exp(1j * np.pi * (np.arange(4) + 0.5) / 2) * RIM
    places = round_ if waveguide is CONE else np.array([RIM, -RIM, 45j * MM, -45j * MM])
    for place in places:
        out = place / abs(place)
        ends = [place + s * 1j * out for s in np.linspace(-0.5, 0.5, 9) * hold.tab_width]
        away = min(np.hypot(deep[:, 0] - end.real, deep[:, 1] - end.imag).min() for end in ends)
        assert away > 6 * MM - 1e-7  # the cutter's radius: no place of the tab's foot is reached from below its top
    assert program.lowest < -CONE.depth - 1 * MM  # the bull's corner passes the back too


@pytest.mark.parametrize(("kind", "lowest"), [("onion_skin", -19.2), ("free", -21.3)])
def test_a_skin_stays_and_a_free_part_is_cut_through(tmp_path, kind, lowest):
    hold = HoldDown(kind, "vacuum", 45 * MM, skin=0.8 * MM)
    process = replace(ROUTER, hold_down=hold)
    program = made(REBATE, process)["profile"]
    assert program.lowest == pytest.approx(lowest * MM, abs=1e-9)  # free: a corner of 1 mm and 0.3 mm below 20
    assert "vacuum" in " ".join(program.setup)
    found = proved(tmp_path, [program], REBATE, process)["profile"]
    assert found.accepted
    assert found.leftover_within


def test_no_pass_goes_deeper_than_the_stepdown():
    """Of the profile: heights at which it goes round differ by a stepdown at most, the first below the face."""
    flat = made(REBATE)["profile"].position
    levels = np.unique(np.round(flat[1:][np.abs(np.diff(flat[:, 2])) < 1e-12, 2], 9))
    assert np.diff(np.append(levels, 0.0)[np.append(levels, 0.0) <= 0.0]).max() <= ROUTER.stepdown + 1e-12
    drilled = made(EDGE)["front_holes"].position
    first = drilled[drilled[:, 0] > 30 * MM, 2]
    assert np.diff(-np.minimum.accumulate(np.minimum(first, 0.0))).max() <= ROUTER.stepdown + 1e-12


@pytest.mark.parametrize(
    ("name", "move", "gouge_mm"),
    [
        ("profile", lambda p, low: np.where(low[:, None], p * [1 - 0.1 * MM / 61e-3, 1 - 0.1 * MM / 61e-3, 1], p), 0.1),
        ("edge", lambda p, low: np.where(low[:, None], p - [0, 0, 0.3 * MM], p), 0.3),
        ("front_holes", lambda p, low: p + np.array([0.2 * MM, 0, 0]), 0.2),
        ("countersinks", lambda p, low: np.where(low[:, None], p - [0, 0, 0.3 * MM], p), 0.3 * np.sin(np.pi / 4)),
        ("rebate", lambda p, low: np.where(low[:, None], p - [0, 0, 0.3 * MM], p), 0.3),
    ],
)
def test_planted_faults_are_found(tmp_path, name, move, gouge_mm):
    solid = REBATE if name == "rebate" else EDGE
    programs = made(solid)
    wrong = programs[name]
    wrong = replace(wrong, position=move(wrong.position, wrong.position[:, 2] < 0.1 * MM))
    before = [programs[each] for each in ("front_holes", "profile") if each in programs and each != name]
    found = proved(tmp_path, [*before, wrong], solid)[name]
    assert not found.accepted
    # Chords and ridges of a few micrometres; the profile is shrunk by 0.1 at 61 mm, where its last ring runs.
    assert found.gouge.size == pytest.approx(gouge_mm * MM, abs=6e-6)


HELICAL = replace(
    ROUTER,
    hole_tool="flat 3",
    tools=tuple(
        replace(each, flute_length=30 * MM, reach=40 * MM) if each.name == "flat 3" else each
        for each in ROUTER.tools
        if each.name != "drill 4.5"
    ),
)


@pytest.mark.parametrize("way", [(0.3, 0.0, 0.0), (-0.3 * 0.6, 0.3 * 0.8, 0.0), (0.0, 0.0, 0.3)])
@pytest.mark.parametrize(
    ("name", "maker"), [("front_holes", "drill 4.5"), ("front_holes", "flat 3"), ("countersinks", ""), ("pins", "")]
)
def test_one_hole_off_its_place_or_too_shallow_is_found(tmp_path, name, maker, way):
    """Of several holes one is 0.3 mm off, or ends 0.3 mm too high: where it should be, and by how much."""
    process = HELICAL if maker == "flat 3" else ROUTER
    programs = made(EDGE, process)
    whole = programs[name]
    assert maker in whole.tool.name
    last = whole.position[-1, :2]  # above the last hole's middle, or beside it by a helix' ring
    own = np.hypot(*(whole.position[:, :2] - last).T) < 8 * MM
    own &= whole.position[:, 2] < (0.0 if way[2] else 1.0)
    wrong = replace(whole, position=whole.position + np.where(own[:, None], MM * np.array(way), 0.0))
    before = [programs["front_holes"]] if name == "countersinks" else []
    for each, accepted in ((whole, True), (wrong, False)):
        found = proved(tmp_path, [*before, each], EDGE, process)[name]
        assert found.accepted is accepted, found
    worst = max(found.gouge, found.leftover, key=lambda each: each.size)
    sunk = np.sin(np.pi / 4) if name == "countersinks" else 1.0  # along the normal of a cone of 90 degrees
    # Programs end at 0.1 um, rings are of chords; a cone is looked at from cell to cell.
    assert worst.size == pytest.approx(0.3 * sunk * MM, abs=(40e-6 if name == "countersinks" else 6e-6))
    assert np.hypot(worst.place[0] - last[0], worst.place[1] - last[1]) < 8 * MM


def test_a_hole_that_is_missing_is_left_over(tmp_path):
    program = made(EDGE)["front_holes"]
    first = int(np.flatnonzero(np.abs(program.position[:, 0]) < 1e-9)[0])
    short = replace(program, **{key: getattr(program, key)[:first] for key in ("position", "feed", "rapid")})
    found = proved(tmp_path, [short], EDGE)["front_holes"]
    assert found.leftover.size > 19 * MM
    assert found.leftover_within is False


def test_a_tool_that_does_not_do_costs_its_own_program():
    no_drill = replace(ROUTER, tools=tuple(tool for tool in ROUTER.tools if tool.name not in ("drill 4.5", "flat 3")))
    found = operations(CONE, no_drill, sized(EDGE), features_of(EDGE, no_drill))
    assert [each.name for each in found.programs] == ["pins", "profile", "edge"]
    assert "a hole of the front is in no program" in found.left[0]
    assert "hole_tool" in found.left[0]
    narrow = replace(ROUTER, hold_down=replace(ROUTER.hold_down, margin=20 * MM))
    found = operations(CONE, narrow, sized(EDGE), features_of(EDGE, narrow))
    assert [each.name for each in found.programs] == ["front_holes", "countersinks", "profile", "edge"]
    assert "margin_mm = 20: must be at least" in found.left[0]


def test_pins_turned_over_about_y_stand_where_they_stood_and_one_way_only():
    pins = made(EDGE)["pins"]
    places = np.unique(np.round(pins.position[:, :2], 9), axis=0)
    assert len(places) == 2
    assert np.all(places[:, 0] == 0.0)
    assert abs(places[:, 1].sum()) == pytest.approx(3 * MM)  # turned by half a turn they miss by as much
    assert pins.lowest < -CONE.depth - 10 * MM


@pytest.mark.parametrize("point", ["nose_centre", "imaginary_tip"])
@pytest.mark.parametrize("solid", [replace(EDGE, front_bolts=None), REBATE])
def test_operations_of_a_lathe_pass(tmp_path, solid, point):
    process = replace(LATHE, machine=replace(LATHE.machine, programmed_point=point))
    programs = turned(solid, process)
    assert list(programs) == ["outside", "turning_back"]
    for each in proved(tmp_path, programs.values(), solid, process).values():
        assert each.accepted, each
        assert each.leftover_within, each


def test_the_outside_is_turned_to_its_radius_behind_the_back_for_parting():
    program = turned(REBATE)["outside"]
    nose = 0.8 * MM
    # The nose's centre runs a nose beside the outside, until its lowest point is a parting width behind the back.
    at_depth = program.position[program.position[:, 2] < -10 * MM]
    assert at_depth[:, 0].min() == pytest.approx(RIM + nose)
    assert program.lowest - nose == pytest.approx(-(20 + 4 + 6) * MM)
    assert any("behind the back, Z -24.000" in line for line in program.setup)


def test_wall_and_outside_are_turned_in_one_chucking_and_parted_off_after_both():
    sizes, features = sized(REBATE), features_of(REBATE, LATHE)
    outside, wall, *_ = programs_of_part(CONE, replace(LATHE, seat=features.seat), sizes, features).programs
    assert "run after outside, in the same chucking" in wall.setup[0]
    assert wall.setup[-1].startswith("last in this chucking: part off, or saw, behind Z -24.000")
    assert not any("part off" in line for line in outside.setup)


@pytest.mark.parametrize("name", ["outside", "turning_back"])
def test_a_turned_fault_is_found(tmp_path, name):
    wrong = turned(EDGE)[name]
    off = -0.1 * MM if name == "outside" else 0.1 * MM
    wrong = replace(wrong, position=wrong.position + np.array([off, 0.0, 0.0]))
    found = proved(tmp_path, [wrong], EDGE, LATHE)[name]
    assert not found.accepted
    assert found.gouge.size > 0.1 * MM - 2e-6  # chords of 0.1 um; beside the recess a height tells more


def test_layers_carry_holes_and_recess(tmp_path):
    """Read back by another library; depths by hand: layers of 6 mm from 20 down to -4 mm, the recess's back face."""
    sheets = read_process("sheets")
    stock = replace(sheets.stock, sheet_thickness=6 * MM, sheet_size=(0.3, 0.3))
    seat = DriverSeat(60 * MM, 4 * MM, 52 * MM, 2, 4 * MM, 8 * MM)
    solid = replace(EDGE, flange_diameter=130 * MM, edge_radius=None)
    process = replace(sheets, stock=stock, seat=seat)
    front = features_of(solid).front
    files = export_layers(
        CONE, solid, process, tmp_path, chord_error=0.01 * MM, design_id="0a1b2c", name="cone", front=front
    )
    circles = [each for path in files.drawings for each in ezdxf.readfile(path).modelspace().query("CIRCLE")]
    of = Counter((each.dxf.layer, round(each.dxf.radius, 3)) for each in circles)
    assert of["drill", 2.25] == 4 * 4  # the front's, through four layers
    # Driver's holes end 8 mm above the throat plane: through the layer from -4 to 2, and 6 mm into the one above it,
    # which is through that one too.
    assert of["drill", 2.0] == 2 * 2
    assert of["pocket_back", 30.0] == 1
    (pocket,) = [hole for layer in files.lamination.layers for hole in layer.holes if hole.operation == "pocket_back"]
    assert pocket.depth == pytest.approx(4 * MM)
    text = files.glue_up.read_text(encoding="utf-8")
    assert "pocket from its back, 4.0000 deep, diameter 60.0000" in text
    assert "countersink them in layer 1 to a diameter of 9.4000 at 90 degrees" in text


def test_features_without_a_tool_are_in_no_program():
    bare = replace(ROUTER, profile_tool="", edge_tool="", hold_down=None)
    found = operations(CONE, bare, sized(EDGE), Features(edge_radius=4 * MM))
    assert found.programs == ()
