"""One design, one part: what is not made as asked is refused or said, every process and every format has the same part,
and the front's holes are where and as wide as they should be. Solids are read back by other libraries.
"""

from __future__ import annotations

import dataclasses
import itertools
import re

import numpy as np
import pypdf
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.cli import run
from evenflare.commands.making import settled
from evenflare.design.file import Solid, read_design, write_design
from evenflare.files import InputError
from evenflare.manufacture import build_oblong, cloud, export, oblong_sizes, solid_sizes, write_solid
from evenflare.manufacture.part.bolts import front_places
from evenflare.manufacture.part.features import Features, FrontHoles, features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.rings import Bore
from evenflare.manufacture.part.step import write_step
from evenflare.manufacture.part.threemf import write_3mf
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.sheets.lamination import laminate
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import FAMILIES, Conical, Oblong, Superellipse, Waveguide
from oblongs import cones
from test_manufacture_features import holds

CONE = Waveguide(Conical(70 * MM, 45 * DEGREE, 12 * MM))
TEXT = """name = "any horn"
[waveguide]
family = "conical"
depth_mm = 70
wall_angle_deg = 45
roundover_radius_mm = 12
[driver]
exit_diameter_mm = 25.4
"""
CORNERED = """name = "cornered"
[waveguide]
meridian_csv = "wall.csv"
corner_deg = 8
[driver]
exit_diameter_mm = 25.4
"""
SCREWS = {"front_bolts": 6, "front_screw": "M5", "front_countersunk": True}
SEAT = {
    "seat_diameter": 84 * MM,
    "seat_depth": 4 * MM,
    "seat_bolt_circle": 70 * MM,
    "seat_bolts": 4,
    "seat_hole_diameter": 5 * MM,
    "seat_hole_depth": 9 * MM,
}
ALL = SCREWS | SEAT | {"edge_radius": 3 * MM, "front_bolt_inset": 11 * MM}


def design_of(folder, more="", text=TEXT):
    """The path of a design's file."""
    path = folder / "horn.toml"
    path.write_text(text + more, encoding="utf-8")
    (folder / "wall.csv").write_text("z_mm,r_mm\n0,12.7\n25,55\n70,78\n", encoding="utf-8")
    return path


def exported(path, folder, *more):
    return run(["export", str(path), "--out", str(folder), "--quiet", *more])


def text_of(pdf):
    return " ".join(" ".join(page.extract_text().split()) for page in pypdf.PdfReader(pdf).pages)


# The front's holes.


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_front_holes_take_their_closed_form_s_volume_of_a_step(kind, tmp_path):
    pytest.importorskip("OCP")
    from test_manufacture_step import mass, read

    sizes = solid_sizes(CONE.meridian, Solid(kind))
    front = features_of(Solid(kind, **SCREWS)).front
    volumes = []
    for holes in (FrontHoles(), front):
        features = fitted(CONE, sizes, Features(front=holes))
        write_step(CONE.meridian, sizes, tmp_path / "solid.step", title="x", features=features)
        volumes.append(mass(read(tmp_path / "solid.step")))
    # M5: 5.5 (ISO 273, medium), head 10.4 over 90 degrees (ISO 15065): as deep as wider than the hole.
    hole, head, through = 2.75, 5.2, 10.0 if kind == "shell" else 70.0
    sunk = head - hole
    cone = np.pi * sunk * (head**2 + head * hole + hole**2) / 3
    taken = 6 * (np.pi * hole**2 * (through - sunk) + cone)
    # Two integrals of a kernel to 1e-7 of a part a hundred times as large.
    assert volumes[0] - volumes[1] == pytest.approx(taken, rel=1e-4)


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_front_holes_are_open_through_and_where_they_should_be(kind, tmp_path):
    solid = Solid(kind, flange_diameter=230 * MM, front_bolts=5, front_bolt_inset=14 * MM, front_hole_diameter=6 * MM)
    write_solid(
        CONE, solid, tmp_path / "s.stl", chord_error=0.02 * MM, design_id="x", name="y", features=features_of(solid)
    )
    mesh = trimesh.load(tmp_path / "s.stl")
    assert mesh.is_watertight
    assert mesh.euler_number == 2 - 2 * (1 + 5)  # a ring with five holes more
    for turn in 2 * np.pi * np.arange(5) / 5:
        way = (115 - 14) * np.array([np.cos(turn), np.sin(turn), 0.0])
        beside = way * (1 - 3.1 / 101)
        for height in (60.5, 69.5):
            up = np.array([0.0, 0.0, height])
            assert not holds(mesh, way + up)
            assert holds(mesh, beside + up)


def test_front_holes_round_a_rectangle_stand_in_its_corners_and_between():
    waveguide = cones(roundover=15 * MM, section=Superellipse(3.0))
    wall = cloud(waveguide.surface)
    sizes = oblong_sizes(waveguide.surface, wall, Solid(flange_width=300 * MM, flange_height=200 * MM))
    places = np.array(front_places(sizes, FrontHoles(8, 10 * MM, 4 * MM)))
    assert np.abs(places).max(axis=0) == pytest.approx([140 * MM, 90 * MM])
    on_side, on_top = np.isclose(np.abs(places[:, 0]), 140 * MM), np.isclose(np.abs(places[:, 1]), 90 * MM)
    assert (on_side | on_top).all()
    assert (on_side & on_top).sum() == 4
    area = 0.5 * np.sum(places[:, 0] * np.roll(places[:, 1], -1) - places[:, 1] * np.roll(places[:, 0], -1))
    assert area == pytest.approx(280 * MM * 180 * MM)  # counter-clockwise
    with pytest.raises(InputError, match=r"front_bolts = 5: must be 0 or an even number"):
        front_places(sizes, FrontHoles(5, 10 * MM, 4 * MM))


@pytest.mark.parametrize(("kind", "flange"), [("block", {}), ("shell", {"flange_diameter": 330 * MM})])
def test_oblong_parts_have_their_front_holes(kind, flange, tmp_path):
    waveguide = cones()
    volumes = []
    for keys in ({}, {"front_bolts": 8, "front_hole_diameter": 6 * MM}):
        solid = Solid(kind, flange_thickness=10 * MM, **flange, **keys)
        told = {"design_id": "x", "name": "y", "features": features_of(solid)}
        export(waveguide, solid, tmp_path, chord_error=0.4 * MM, tool_radius=3 * MM, **told)
        mesh = trimesh.load(tmp_path / "solid.stl")
        assert mesh.is_watertight
        volumes.append(mesh.volume)
    deep = 10 if kind == "shell" else waveguide.depth / MM
    sides = 16  # the fewest of any circle; its chords keep within 0.4 of one of 6
    area = 0.5 * sides * 9 * np.sin(2 * np.pi / sides)
    # Where a body is cut its vertices may step aside by 0.1 um.
    assert volumes[0] - volumes[1] == pytest.approx(8 * area * deep, rel=1e-3)


def test_a_countersink_in_the_flange_of_an_oblong_shell_is_no_thin_place_of_its_wall():
    waveguide, solid = cones(), Solid("shell", front_bolts=8, front_screw="M4", front_countersunk=True)
    wall = cloud(waveguide.surface)
    sizes = oblong_sizes(waveguide.surface, wall, solid)
    features = fitted(waveguide, sizes, features_of(solid), wall=wall)
    # The countersink's edge is 20 - 10 - 4.7 mm from the mouth, nearer than the wall's 6 is thick.
    mesh, thinnest = build_oblong(waveguide.surface, wall, sizes, chord_error=0.2 * MM, features=features)
    assert thinnest.thickness > 5.5 * MM
    assert trimesh.Trimesh(mesh.vertices, mesh.faces).euler_number == 2 - 2 * (1 + 8)


BAD = [
    ({"front_bolt_inset": 3 * MM}, r"front_bolt_inset_mm = 3: must be 7\.2 to 12\.8, clear"),
    ({"front_bolt_inset": 14 * MM}, r"front_bolt_inset_mm = 14: must be 7\.2 to 12\.8, clear"),
    ({"front_screw": "M10"}, r"front_bolts = 6: holes that take 20 mm of the front need 24 between .* there are 20"),
    (
        {
            "kind": "shell",
            "front_screw": "M8",
            "flange_thickness": 4 * MM,
            "flange_diameter": 300 * MM,
            "front_bolt_inset": 15 * MM,
        },
        r'front_screw = "M8": its countersink is 4\.15',
    ),
    ({"front_bolts": 60}, r"front_bolts = 60: their holes would stand .* must be 12\.4 at least"),
    ({"edge_radius": 9 * MM, "front_bolt_inset": 10 * MM}, r"must be 16\.2 to|need 23"),
    (
        {"flange_diameter": 400 * MM, "front_bolt_inset": 80 * MM, "seat_diameter": 280 * MM, "seat_depth": 3 * MM},
        r"clear of the driver's seat",
    ),
]


@pytest.mark.parametrize(("keys", "message"), BAD)
def test_front_holes_that_leave_too_little_are_refused(keys, message):
    solid = Solid(**(SCREWS | keys))
    with pytest.raises(InputError, match=message):
        fitted(CONE, solid_sizes(CONE.meridian, solid), features_of(solid))


REFUSED = [
    ("front_screw = 'M4'", "front_bolts: missing beside front_screw"),
    ("front_bolts = 6", "either front_screw or front_hole_diameter_mm"),
    ("front_bolts = 6\nfront_screw = 'M4'\nfront_hole_diameter_mm = 5", "either front_screw or front_hole_diameter_mm"),
    ("front_bolts = 6\nfront_hole_diameter_mm = 5\nfront_countersunk = true", "must have front_screw beside it"),
    ("front_bolts = 6\nfront_screw = 'M7'", "front_screw"),
    ("front_bolts = 6\nfront_screw = 'M4'\nbolts = 8", "bolts and front_bolts exclude each other"),
    ("seat = false\nseat_diameter_mm = 90\nseat_depth_mm = 3", "seat = false and seat_diameter_mm exclude each other"),
]


@pytest.mark.parametrize(("keys", "message"), REFUSED)
def test_keys_of_the_front_that_contradict_each_other_are_refused(keys, message, tmp_path):
    with pytest.raises(InputError, match=message):
        read_design(design_of(tmp_path, f"[solid]\n{keys}\n"))


def test_front_holes_survive_a_file_and_take_the_place_of_the_drawn_bolts(tmp_path):
    keys = "[solid]\nfront_bolts = 6\nfront_screw = 'M5'\nfront_countersunk = true\nfront_bolt_inset_mm = 11\n"
    design = read_design(design_of(tmp_path, keys))
    write_design(design, tmp_path / "again.toml")
    assert read_design(tmp_path / "again.toml").solid == design.solid
    front = features_of(design.solid).front
    assert (front.count, front.screw) == (6, "M5")
    assert (front.diameter, front.countersink, front.inset) == pytest.approx((5.5 * MM, 10.4 * MM, 11 * MM))
    assert solid_sizes(design.waveguide.meridian, design.solid).bolts == 0


# What was stated, and what is made.


def test_a_design_s_hole_depth_is_refused_with_the_depth_that_would_do(tmp_path):
    keys = "[solid]\nseat_diameter_mm = 60\nseat_depth_mm = 3\nseat_bolts = 3\nseat_bolt_circle_mm = 48\n"
    keys += "seat_hole_diameter_mm = 4\nseat_hole_depth_mm = {}\n"
    with pytest.raises(InputError, match=r"seat_hole_depth_mm = 12: must be at most ") as refused:
        settled(read_design(design_of(tmp_path, keys.format(12))), None)
    would_do = re.search(r"at most ([\d.]+)", str(refused.value)).group(1)
    # A wall of 45 degrees from 12.7 at the throat is as far off as a hole that ends 2 mm before it; the land besides.
    assert float(would_do) == pytest.approx(24 - 2 - 2 - 12.7 - 2, abs=0.011)
    made = settled(read_design(design_of(tmp_path, keys.format(would_do))), None)
    assert made.features.seat.hole_depth == pytest.approx(float(would_do) * MM)
    assert made.changes == ()


@pytest.mark.usefixtures("unpainted")
def test_a_process_s_hole_that_is_made_shallower_is_said_everywhere(tmp_path, capsys):
    process = tmp_path / "cast.toml"
    seat = "[seat]\ndiameter_mm = 60\nbolt_circle_mm = 48\nbolts = 3\nhole_diameter_mm = 4\nhole_depth_mm = 12\n"
    text = (
        'name = "boards"\nmakes = ["sheets"]\ntolerance_mm = 0.2\nmaterial = "birch"\ndensity_kg_per_m3 = 680\n'
        '[machine]\nkind = "none"\n[stock]\nkind = "sheet"\nsheet_thickness_mm = 18\nsheet_size_mm = [1220, 610]\n'
        f"spacing_mm = 8\n{seat}"
    )
    process.write_text(text, encoding="utf-8")
    assert exported(design_of(tmp_path), tmp_path / "out", "--process", str(process)) == 0
    said = "driver's holes are 5.3 mm deep instead of 12"
    assert said in capsys.readouterr().err
    assert said in text_of(tmp_path / "out" / "setup_sheet.pdf").replace("’", "'")
    assert said.replace("'", "&#39;") in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert read_design(tmp_path / "out" / "design.toml").solid.seat_hole_depth == pytest.approx(5.3 * MM)
    # What comes out is what is asked of it again: nothing is left to say.
    again = settled(read_design(tmp_path / "out" / "design.toml"), read_process(process))
    assert again.changes == ()


# One part.


@pytest.mark.parametrize("first", ["router", "lathe", "sheets", "casting"])
@pytest.mark.parametrize("keys", [{}, {"edge_radius": 3 * MM}, SCREWS, SEAT])
def test_a_design_as_one_process_leaves_it_is_the_same_part_for_all_others(first, keys, tmp_path):
    design = dataclasses.replace(read_design(design_of(tmp_path)), solid=Solid(**keys))
    once = settled(design, read_process(first))
    write_design(once.design, tmp_path / "once.toml")
    for other in ("router", "lathe", "sheets", "casting"):
        again = settled(read_design(tmp_path / "once.toml"), read_process(other))
        assert again.features == once.features
        assert again.process.seat == once.process.seat == once.features.seat
        assert again.design.solid == once.design.solid
    assert features_of(once.design.solid) == once.features


def test_a_seat_that_only_the_process_has_is_said(tmp_path):
    design = read_design(design_of(tmp_path))
    assert "the design states no driver's seat" in settled(design, read_process("router")).changes[0]
    none = dataclasses.replace(design, solid=Solid(seat=False))
    assert settled(none, read_process("router")).changes == ()
    assert not settled(none, read_process("router")).process.seat.is_cut


@pytest.mark.parametrize("kind", ["block", "shell"])
@pytest.mark.parametrize("keys", [{}, ALL])
def test_every_format_holds_the_same_volume(kind, keys, tmp_path):
    pytest.importorskip("OCP")
    from test_manufacture_step import mass, read

    keys = {} if not keys else keys | ({"seat_hole_depth": 7 * MM, "wall": 4 * MM} if kind == "shell" else {})
    chord, solid = 0.05 * MM, Solid(kind, **keys)
    facts = write_solid(
        CONE, solid, tmp_path / "s.stl", chord_error=chord, design_id="x", name="y", features=features_of(solid)
    )
    write_3mf(facts.mesh, tmp_path / "s.3mf", title="x")
    write_step(CONE.meridian, facts.sizes, tmp_path / "s.step", title="x", features=facts.features)
    stl = trimesh.load(tmp_path / "s.stl")
    three = trimesh.load(tmp_path / "s.3mf").to_geometry()
    # Single precision against a nanometre.
    assert three.volume == pytest.approx(stl.volume, rel=1e-5)
    # Every face departs by the chord error at most.
    assert abs(stl.volume - mass(read(tmp_path / "s.step"))) < stl.area * chord / MM


@pytest.mark.parametrize("keys", [{}, {"seat_diameter": 84 * MM, "seat_depth": 4 * MM}])
def test_layers_hold_the_part_s_volume(keys, tmp_path):
    solid = Solid(**keys)
    design = dataclasses.replace(read_design(design_of(tmp_path)), solid=solid)
    process = settled(design, read_process("sheets")).process
    chord, sizes = 0.02 * MM, solid_sizes(CONE.meridian, solid)
    layers = laminate(CONE, sizes, process, chord_error=chord).layers
    bore, found = Bore(CONE, chord, 0.5 * process.seat.diameter), 0.0
    for layer in layers:
        # The last layer's back may lie behind the part.
        low = max(layer.z_from, -process.seat.depth)
        edges = [low, 0.0, layer.z_to] if low < 0.0 < layer.z_to else [low, layer.z_to]
        for start, end in itertools.pairwise(edges):
            z = np.linspace(start, end, 51)
            open_there = [bore.opening_at_depth(min(each, -1e-9) if end <= 0.0 else each).area for each in z]
            found += layer.outside.area * (end - start) - np.trapezoid(open_there, z)
    facts = write_solid(
        CONE, solid, tmp_path / "s.stl", chord_error=chord, design_id="x", name="y", features=features_of(solid)
    )
    # Circles by their own area, the mesh within its chord error; fifty trapezia to a layer are closer still.
    assert abs(found - facts.volume) < trimesh.load(tmp_path / "s.stl").area * MM**2 * chord


@settings(deadline=None, max_examples=4)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), kind=st.sampled_from(["block", "shell"]))
def test_steps_with_holes_over_the_search_space_are_valid_solids(family, seed, kind, tmp_path_factory):
    pytest.importorskip("OCP")
    from OCP.BRepCheck import BRepCheck_Analyzer

    from test_manufacture_step import mass, read

    waveguide, solid = drawn(family, seed), Solid(kind, front_bolts=7, front_screw="M4", front_countersunk=True)
    folder = tmp_path_factory.mktemp("step")
    sizes = solid_sizes(waveguide.meridian, solid)
    volumes = []
    for features in (Features(), fitted(waveguide, sizes, features_of(solid))):
        write_step(waveguide.meridian, sizes, folder / "s.step", title="x", features=features)
        shape = read(folder / "s.step")
        assert BRepCheck_Analyzer(shape).IsValid()
        volumes.append(mass(shape))
    deep = (sizes.flange_thickness if kind == "shell" else waveguide.depth) / MM
    # M4: 4.5, head 9.4 over 90 degrees.
    cone = np.pi * 2.45 * (4.7**2 + 4.7 * 2.25 + 2.25**2) / 3
    # As above; parts of the search space are up to a thousand times as large as their holes.
    assert volumes[0] - volumes[1] == pytest.approx(7 * (np.pi * 2.25**2 * (deep - 2.45) + cone), rel=2e-3)


# A corner that no tool reaches.


@pytest.mark.usefixtures("unpainted")
@pytest.mark.parametrize("process", [None, "sheets", "casting"])
def test_a_hollow_corner_leaves_all_that_needs_no_tool(process, tmp_path, capsys):
    path = design_of(tmp_path, text=CORNERED)
    more = () if process is None else ("--process", process)
    assert exported(path, tmp_path / "out", *more) == 0
    assert "does not reach all of this wall: a concave corner at z = 25.000" in capsys.readouterr().err
    assert trimesh.load(tmp_path / "out" / "solid.stl").is_watertight
    lines = (tmp_path / "out" / "points.csv").read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")]
    assert rows[0][6:] == ["tool_z_mm", "tool_r_mm", "program_z_mm"]
    assert all(row[6:] == ["", "", ""] for row in rows[1:])
    wall = np.array([row[1:3] for row in rows[1:]], dtype=float)
    # Straight between three points: every row lies on a line, to the last decimal of the file.
    assert wall[:, 1] == pytest.approx(np.interp(wall[:, 0], [0, 25, 70], [12.7, 55, 78]), abs=2e-6)
    if process is not None:
        assert (tmp_path / "out" / ("layers.dxf" if process == "sheets" else "pattern.stl")).exists()


def test_a_hollow_corner_is_refused_where_a_tool_is_asked_for(tmp_path, capsys):
    path = design_of(tmp_path, text=CORNERED)
    assert exported(path, tmp_path / "out", "--tool-radius-mm", "2") == 2
    assert "--tool-radius-mm = 2: a concave corner at z_mm = 25" in capsys.readouterr().err


def test_points_of_an_oblong_wall_with_a_crease_have_no_path_and_the_solid_stands(tmp_path):
    crease = Waveguide(Oblong(Conical(60 * MM, 40 * DEGREE, 8 * MM), Conical(60 * MM, 30 * DEGREE), Superellipse()))
    told = {"design_id": "x", "name": "y", "chord_error": 0.2 * MM, "tool_radius": 3 * MM}
    with pytest.raises(InputError, match="the crease"):
        export(crease, Solid(), tmp_path, **told)
    found = export(crease, Solid(), tmp_path, must_fit=False, **told)
    assert "the crease" in found.points.no_tool
    assert found.points.lowest_program_z is None
    assert trimesh.load(tmp_path / "solid.stl").is_watertight
    for name in ("points.csv", "points_azimuth_45.csv"):
        lines = (tmp_path / name).read_text(encoding="utf-8").splitlines()
        assert lines[-1].endswith(",,,")
        assert lines[-1].split(",")[3] != ""
