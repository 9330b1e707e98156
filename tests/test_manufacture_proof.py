"""Proof of programs: planted faults are found with their places, and proof.json says so."""

from __future__ import annotations

import json

import numpy as np
import pytest

from cutting import program, rings, tool
from evenflare.files import InputError
from evenflare.manufacture import Sizes, solid_sizes
from evenflare.manufacture.proof.proof import front_of, prove, write_proof
from evenflare.manufacture.proof.simulate import cut, stock
from evenflare.manufacture.proof.truth import truth
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Exponential, Oblong, Waveguide

FLARE = Waveguide(Exponential(0.04, 0.04, 0.008))
RADIUS, GRID, PLANTED = 3 * MM, 0.2 * MM, 0.05 * MM
AZIMUTH = 0.7
SIZES = Sizes(
    "block",
    6 * MM,
    90 * MM,
    10 * MM,
    85 * MM,
    0,
)
CLEAN = rings(FLARE.meridian, radius=RADIUS, stepover=0.35 * MM)
COARSE = rings(FLARE.meridian, radius=RADIUS, stepover=1 * MM, chord=20e-6)
"""Chords of a ring lie inward of it: they leave more, and cut no deeper."""
PARKED = np.array([[0.0, 0.0, 20 * MM]])
ABOVE = 10 * MM
"""Of the front face, where rapid moves run."""


def dent(t, depth=PLANTED):
    """Tip of a ball that cuts `depth` into the flare at a parameter of its wall's pieces, and the place on the wall."""
    piece = FLARE.meridian.pieces[0 if t < 1 else -1].frame_at(np.array([t if t < 1 else t - 1.0]))
    z, r, angle = float(piece.z[0]), float(piece.r[0]), float(piece.angle[0])
    off = RADIUS - depth
    centre_z, centre_r = z + off * np.sin(angle), r - off * np.cos(angle)
    tip = [centre_r * np.cos(AZIMUTH), centre_r * np.sin(AZIMUTH), centre_z - RADIUS - FLARE.depth]
    return np.array(tip), np.array([r * np.cos(AZIMUTH), r * np.sin(AZIMUTH), z - FLARE.depth])


def with_dent(t, depth=PLANTED, *, path=CLEAN):
    tip, place = dent(t, depth)
    above = tip * [1, 1, 0] * 0.5 + [0, 0, tip[2]]
    return np.vstack([path, path[-1:] * [1, 1, 0] * 0.5 + [0, 0, tip[2]], above, tip, above]), place


def proved(tips, **options):
    chosen = {"sizes": SIZES, "tolerance": 0.02 * MM, "scallop_height": 0.01 * MM, "grid": GRID} | options
    return prove(FLARE, [program(tips, tool())], **chosen)


def test_clean_path_passes():
    found = proved(CLEAN)
    assert found.passed
    (only,) = found.programs
    assert only.gouge.size < 0.003 * MM  # straight steps from ring to ring and chords
    assert only.leftover.size < 0.01 * MM  # scallops of 0.35 mm with a ball of 6 mm, 5 um on a plane
    assert only.leftover_within is True
    assert only.plug == pytest.approx(FLARE.depth)  # rings along the wall leave the core


@pytest.mark.parametrize("t", [0.02, 0.5, 1.3, 1.9], ids=["throat", "steep wall", "roundover", "mouth"])
def test_planted_gouge_is_found_with_its_place(t):
    tips, place = with_dent(t)
    found = proved(tips)
    assert not found.passed
    (only,) = found.programs
    # A cell at most 0.14 mm off the dent's middle sees it shallower by 0.14^2 / 2 / 2.2 mm, ball against bulging wall.
    assert PLANTED - 5e-6 < only.gouge.size < PLANTED + 2e-6
    assert np.linalg.norm(np.array(only.gouge.place) - place) < 0.3 * MM
    row = int(np.abs(only.map.x - place[0]).argmin()), int(np.abs(only.map.y - place[1]).argmin())
    near = only.map.gouges[row[0] - 1 : row[0] + 2, row[1] - 1 : row[1] + 2]
    assert np.nanmax(near) == only.gouge.size  # the map shows it where it is


@pytest.mark.parametrize("t", [0.3, 1.5])
def test_planted_gouge_is_met_more_exactly_on_a_finer_grid(t):
    tips, _ = with_dent(t, path=COARSE)
    errors = [abs(proved(tips, grid=grid * MM).programs[0].gouge.size - PLANTED) for grid in (0.8, 0.4, 0.1)]
    # Shallower by at most grid^2 / 4 over the radius of ball against wall, 2.2 mm at the least.
    assert all(
        error < (grid * MM) ** 2 / 4 / 2.1e-3 + 1e-6 for error, grid in zip(errors, (0.8, 0.4, 0.1), strict=True)
    )
    assert errors[-1] < 1.5e-6


def test_gouge_within_the_tolerance_passes_and_beyond_it_fails():
    tips, _ = with_dent(0.5, 0.015 * MM)
    assert proved(tips).passed
    assert not proved(tips, tolerance=0.01 * MM).passed


def test_stock_left_on_the_wall_is_met_along_the_normal():
    stock_left = 0.3 * MM
    found = proved(rings(FLARE.meridian, radius=RADIUS, stepover=0.35 * MM, lift=stock_left)).programs[0]
    assert found.gouge.size == 0.0
    # Scallops of 5 to 10 um above it, and the normal's direction over 0.3 mm on a radius of 8 mm: 0.3^2 / 2 / 8.
    assert stock_left - 1e-6 < found.leftover.size < stock_left + 0.02 * MM
    assert found.leftover_within is False


def test_rapid_move_through_material_is_found_with_its_place_and_fails():
    tips = np.vstack([PARKED, [[30 * MM, 0.0, 20 * MM]], [[30 * MM, 0.0, -5 * MM]], [[38 * MM, 0.0, -5 * MM]]])
    found = prove(
        FLARE,
        [program(tips, tool(), rapid=[True, True, False, True])],
        sizes=SIZES,
        tolerance=1.0,
        scallop_height=0.01 * MM,
        grid=GRID,
    )
    (contact,) = found.programs[0].contacts
    assert contact.what == "rapid move"
    assert contact.row == 3
    assert contact.depth == pytest.approx(5 * MM, abs=0.02 * MM)  # the ball's lowest cell, 0.14 mm off at most
    assert abs(contact.place[1]) < 3 * MM
    assert 30 * MM < contact.place[0] < 41 * MM
    assert not found.passed


def test_rapid_moves_over_material_and_straight_up_from_a_cut_touch_nothing():
    tips = np.vstack([PARKED, CLEAN[:1] * [1, 1, 0] + [0, 0, ABOVE], CLEAN, CLEAN[-1:] * [1, 1, 0] + [0, 0, ABOVE]])
    rapid = np.zeros(len(tips), dtype=bool)
    rapid[[0, 1, -1]] = True
    _, contacts = cut(stock(exact()), program(tips, tool(), rapid=rapid))
    assert contacts == ()
    rapid[-2] = True  # the last step of a ring cuts beside the core
    _, contacts = cut(stock(exact()), program(tips, tool(), rapid=rapid))
    assert [contact.what for contact in contacts] == ["rapid move"]


def exact(**options):
    return truth(FLARE, step=GRID, half_size=(47 * MM, 47 * MM), front=front_of(SIZES), **options)


@pytest.mark.parametrize(
    ("cutter", "what"),
    [
        (tool(reach=25.0, holder=40.0), "holder"),
        (tool(flutes=20.0, shank=16.0), "shank"),
    ],
)
def test_holder_or_shank_that_meets_the_wall_is_found_and_counts_as_gouge(cutter, what):
    found = prove(
        FLARE, [program(CLEAN, cutter)], sizes=SIZES, tolerance=0.02 * MM, scallop_height=0.01 * MM, grid=GRID
    )
    (contact,) = found.programs[0].contacts
    assert contact.what == what
    assert found.programs[0].gouge.size >= contact.depth > 10 * MM
    assert not found.passed


@pytest.mark.parametrize("what", ["shank", "holder"])
def test_what_passes_a_bore_wider_than_itself_touches_nothing(what):
    cutter = tool(flutes=10.0, shank=16.0) if what == "shank" else tool(reach=10.0, holder=16.0)
    down = program(np.array([[0.0, 0.0, 5 * MM], [0.0, 0.0, -20 * MM]]), cutter)
    # 8 mm of radius in bores of 7.9 and 8.1: the raster of 0.2 mm has cells between.
    _, (contact,) = cut(stock(exact(), bore=7.9 * MM), down)
    assert contact.what == what
    assert contact.depth == pytest.approx(10 * MM, abs=2e-6)  # the sweep's skin, a micrometre
    assert np.hypot(*contact.place[:2]) == pytest.approx(8 * MM, abs=0.1 * MM)
    _, contacts = cut(stock(exact(), bore=8.1 * MM), down)
    assert contacts == ()


def test_holder_above_the_front_face_touches_nothing():
    assert proved_with(tool(reach=45.0, holder=40.0)).passed


def proved_with(cutter):
    return prove(FLARE, [program(CLEAN, cutter)], sizes=SIZES, tolerance=0.02 * MM, scallop_height=0.01 * MM, grid=GRID)


def test_finishing_goes_on_from_what_roughing_left():
    core = FLARE.meridian.throat_radius - 3.5 * MM
    levels = np.arange(-1.0, -43.0, -1.0) * MM
    loops = [
        np.column_stack([r * np.cos(a), r * np.sin(a), np.full(a.size, z)])
        for z in levels
        for r in (0.0, 2.5 * MM, 5 * MM, core)
        for a in [np.linspace(0, 2 * np.pi, 25)]
    ]
    roughing = program(np.vstack([PARKED, *loops]), tool("flat", 6.0), name="roughing")
    found = prove(
        FLARE,
        [roughing, program(CLEAN, tool())],
        sizes=SIZES,
        tolerance=0.02 * MM,
        scallop_height=0.01 * MM,
        grid=GRID,
    )
    first, last = found.programs
    assert (first.program, last.program) == ("roughing", "finishing")
    assert first.leftover_allowed is None
    assert first.gouge.size == 0.0
    assert last.plug < 0.5 * MM  # beside the throat's edge, where the steep wall begins
    assert found.passed


def test_front_face_is_compared_but_not_around_bolts():
    sizes = solid_sizes(FLARE.meridian, SolidKind())
    tips = np.vstack([[[x * MM, 0.0, 5 * MM], [x * MM, 0.0, -2 * MM], [x * MM, 0.0, 5 * MM]] for x in (55.0,)])
    at_bolt = 0.5 * sizes.bolt_circle / MM - 55.0
    options = {"tolerance": 0.02 * MM, "scallop_height": 0.01 * MM, "grid": GRID}
    turned = prove(FLARE, [program(np.add(tips, [at_bolt * MM, 0, 0]), tool())], sizes=sizes, **options)
    assert turned.programs[0].gouge.size == 0.0
    between = tips @ np.array([[np.cos(22.5 * DEGREE), np.sin(22.5 * DEGREE), 0], [0, 1, 0], [0, 0, 1]])
    off = prove(FLARE, [program(between, tool())], sizes=sizes, **options)
    assert off.programs[0].gouge.size == pytest.approx(2 * MM, abs=0.01 * MM)  # a cell 0.14 mm off the ball's tip


class SolidKind:
    """A block with every size at its default."""

    kind = "block"
    wall = flange_diameter = flange_width = flange_height = flange_thickness = bolt_circle = None
    bolts = 8


def test_proof_file_holds_every_key_that_its_readers_rely_on(tmp_path):
    tips, place = with_dent(1.3)
    write_proof(proved(tips), tmp_path / "proof.json")
    (entry,) = json.loads((tmp_path / "proof.json").read_text(encoding="utf-8"))["programs"]
    assert entry["program"] == "finishing"
    assert entry["tool"] == {"kind": "ball", "diameter_mm": 6.0, "corner_radius_mm": 3.0}
    assert entry["datum"] == "Z0 at the front face"
    assert entry["greatest_gouge_mm"] == pytest.approx(0.05, abs=0.005)  # as above, rounded to 0.0001
    assert entry["greatest_gouge_at_mm"] == pytest.approx(list(place / MM), abs=0.3)
    assert 0.0 < entry["greatest_leftover_mm"] < 0.01
    assert entry["grid_mm"] == 0.2
    assert entry["verdict"] == "fail"
    assert "programmed_point" not in entry


def turning(points):
    return program(points, tool("turning", 1.6), name="turning", kind="turning")


def test_turning_program_is_proved_on_a_half_section_and_repeats_its_programmed_point(tmp_path):
    from evenflare.manufacture import tool_path

    path = tool_path(FLARE.meridian, tool_radius=0.8 * MM, chord_error=0.002 * MM)
    points = np.column_stack([path.centre_r, 0 * path.centre_r, path.centre_z - FLARE.depth])[::-1]
    options = {"sizes": SIZES, "tolerance": 0.01 * MM, "scallop_height": 0.01 * MM}
    found = prove(FLARE, [turning(points)], **options)
    assert found.passed
    write_proof(found, tmp_path / "proof.json")
    (entry,) = json.loads((tmp_path / "proof.json").read_text(encoding="utf-8"))["programs"]
    assert entry["programmed_point"] == "nose_centre"
    assert entry["tool"]["corner_radius_mm"] == 0.8
    wrong = prove(FLARE, [turning(np.add(points, [0.05 * MM, 0, 0]))], **options)
    # The steep wall at the throat leans by some degrees.
    assert wrong.programs[0].gouge.size == pytest.approx(0.05 * MM, rel=0.05)
    with pytest.raises(InputError, match="lathe turns round parts"):
        prove(Waveguide(Oblong(Conical(0.03, 0.8), Conical(0.03, 0.6))), [turning(points)], **options)


def test_boring_bar_that_meets_the_far_side_is_found():
    wide = program(PARKED, tool("turning", 1.6, shank=20.0)).tool
    points = np.array([[5 * MM, 0, 10 * MM], [5 * MM, 0, -20 * MM]])
    found = prove(
        FLARE,
        [program(points, wide, kind="turning")],
        sizes=SIZES,
        tolerance=0.01 * MM,
        scallop_height=0.01 * MM,
    )
    assert [contact.what for contact in found.programs[0].contacts] == ["bar"]
    assert not found.passed


def test_grid_out_of_range_is_refused_with_its_range():
    with pytest.raises(InputError, match=r"grid_mm = 0\.001: must be 0\.0225 to 2"):
        proved(CLEAN, grid=0.001 * MM)
