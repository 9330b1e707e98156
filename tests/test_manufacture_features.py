"""Seat, rebate and rounded edge: volumes against closed forms, files read back by trimesh, sizes refused."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.design.file import Solid
from evenflare.files import InputError
from evenflare.manufacture import (
    build,
    build_oblong,
    cloud,
    export,
    oblong_sizes,
    outline,
    solid_sizes,
    volume,
    write_solid,
)
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.part.bolts import hole_depth
from evenflare.manufacture.part.features import Features, features_of, features_words
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.soundness import check_sound
from evenflare.manufacture.part.step import write_step
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import DriverSeat
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import FAMILIES, Conical, Hyperbolic, Points, RoundedRectangle, Waveguide
from feature_sets import EDGE, REBATE, SEAT, SETS
from oblongs import cones
from programs_shared import process

FINE = 0.005 * MM
DEPTH, ANGLE = 90 * MM, 42 * DEGREE
CONE = Waveguide(Conical(DEPTH, ANGLE))
MOUTH = CONE.meridian.mouth_radius
THROAT = CONE.meridian.throat_radius
TOLD = {"design_id": "0a1b2c", "name": "shelf horn"}


def made(waveguide, solid, folder, chord_error=FINE, process=None):
    """The facts of an export, and its STL as trimesh reads it, in m."""
    given = features_of(solid, process)
    facts = export(waveguide, solid, folder, chord_error=chord_error, tool_radius=1 * MM, features=given, **TOLD).solid
    mesh = trimesh.load(folder / "solid.stl")
    mesh.apply_scale(MM)
    return facts, mesh


def is_one_body(mesh):
    return mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1 and mesh.volume > 0


def polygon_share(radius, chord_error):
    """A regular polygon's area over its circle's, of the fewest sides, a multiple of four, within a chord error."""
    sides = 4 * max(4, int(np.ceil(0.25 * np.pi / np.arccos(1 - chord_error / radius) - 1e-9)))
    return sides / (2 * np.pi) * np.sin(2 * np.pi / sides)


def frustum(depth, small, large):
    """Volume of a truncated cone: pi h (a^2 + a b + b^2) / 3."""
    return np.pi * depth * (small**2 + small * large + large**2) / 3


def holds(mesh, place):
    """Whether a place is inside: the solid angle of all triangles (Van Oosterom and Strackee 1983) over 4 pi."""
    a, b, c = np.moveaxis(mesh.triangles - place, 1, 0)
    la, lb, lc = (np.linalg.norm(each, axis=1) for each in (a, b, c))
    above = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.sum(one * other, axis=1) for one, other in ((a, b), (b, c), (c, a))]
    below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return 2 * np.arctan2(above, below).sum() > 2 * np.pi


def tube(outer, inner, height):
    return np.pi * (outer**2 - inner**2) * height


def rounded_off(edge, radius):
    """What rounding the rim of a disc takes (Pappus): the square less the quarter circle, at their centroids."""
    square, quarter = radius**2, 0.25 * np.pi * radius**2
    return 2 * np.pi * (square * (edge - radius / 2) - quarter * (edge - radius + 4 * radius / (3 * np.pi)))


@pytest.mark.parametrize(
    ("keys", "change"),
    [
        ({}, lambda edge: 0.0),
        ({"seat_diameter": 90 * MM, "seat_depth": 3 * MM}, lambda edge: tube(edge, 45 * MM, 3 * MM)),
        (REBATE, lambda edge: -tube(edge, edge - 7 * MM, 4 * MM)),
        (EDGE, lambda edge: -rounded_off(edge, 4 * MM)),
        (
            {"seat_diameter": 90 * MM, "seat_depth": 3 * MM} | REBATE,
            lambda edge: tube(edge, 45 * MM, 3 * MM) - tube(edge, edge - 7 * MM, 4 * MM),
        ),
    ],
)
def test_block_around_a_cone_has_the_closed_volume(keys, change, tmp_path):
    facts, mesh = made(CONE, Solid(**keys), tmp_path)
    edge = 0.5 * facts.sizes.flange_diameter
    exact = np.pi * edge**2 * DEPTH - frustum(DEPTH, THROAT, MOUTH) + change(edge)
    assert is_one_body(mesh)
    # All circles are polygons of the same sides, of a chord error of half of FINE; the rounding's chords, within
    # another half, take 2/3 of that along 6 mm of arc: 7.4e-9 of 2.7e-3 m3.
    assert mesh.volume == pytest.approx(exact * polygon_share(edge, 0.5 * FINE), rel=3e-6)
    assert facts.volume == pytest.approx(mesh.volume, rel=1e-6)


def test_block_around_a_hyperbolic_wall_with_a_seat_has_the_closed_volume(tmp_path):
    # r = a (cosh u + T sinh u), u = z/L: the integral of r^2 in closed form (Salmon 1946, the family's definition).
    flare, t = 60 * MM, 0.7
    waveguide = Waveguide(Hyperbolic(DEPTH, flare, t))
    facts, mesh = made(waveguide, Solid(seat_diameter=90 * MM, seat_depth=3 * MM), tmp_path)
    end, edge = DEPTH / flare, 0.5 * facts.sizes.flange_diameter
    square = 0.5 * (1 + t**2) * np.sinh(2 * end) / 2 + 0.5 * (1 - t**2) * end + t * np.sinh(end) ** 2
    air = np.pi * waveguide.meridian.throat_radius**2 * flare * square
    exact = np.pi * edge**2 * DEPTH + tube(edge, 45 * MM, 3 * MM) - air
    # Chords of a bulging wall, within 2.5 um, take 2/3 of that over its 0.03 m2.
    assert mesh.volume == pytest.approx(exact * polygon_share(edge, 0.5 * FINE), abs=5e-8)


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_holes_of_the_seat_take_their_cylinders(kind, tmp_path):
    _, without = made(CONE, Solid(kind, **(SEAT | {"seat_bolts": 0})), tmp_path, chord_error=0.05 * MM)
    _, drilled = made(CONE, Solid(kind, **SEAT), tmp_path, chord_error=0.05 * MM)
    hole = np.pi * (2.5 * MM) ** 2 * 8 * MM * polygon_share(2.5 * MM, 0.05 * MM)
    # A shell's hub is as much higher as its holes are deep, and more than the holes.
    gone = without.volume - drilled.volume
    if kind == "block":
        # Single precision of the file: 6e-8 of 4e-3 m3, against 4.7e-7 m3.
        assert gone == pytest.approx(3 * hole, rel=1e-3)
    else:
        assert gone < 0
    assert is_one_body(drilled)
    assert drilled.euler_number == without.euler_number == 0
    for turn in 2 * np.pi * np.arange(3) / 3:
        way = 38.1 * MM * np.array([np.cos(turn), np.sin(turn), 0.0])
        # In the air of the hole just below its end, in wood just above; between the holes in wood.
        assert not holds(drilled, way + np.array([0, 0, 7.9 * MM]))
        assert holds(drilled, way + np.array([0, 0, 8.1 * MM]))
        assert holds(drilled, np.array([0, 0, 4 * MM]) - way)


def test_holes_are_those_that_the_back_program_mills():
    process = read_process("router")
    deep = dataclasses.replace(process.seat, hole_diameter=8 * MM, hole_depth=40 * MM)
    process, solid = dataclasses.replace(process, seat=deep), Solid()
    sizes = solid_sizes(CONE.meridian, solid)
    seat = fitted(CONE, sizes, features_of(solid, process)).seat
    back = programs(CONE, dataclasses.replace(process, seat=seat), sizes).programs[-1]
    assert seat.hole_depth < 40 * MM
    # The program's lowest point is its holes' floor, below the back face by seat and hole.
    assert -back.position[:, 2].min() == pytest.approx(seat.depth + seat.hole_depth, abs=1e-9)
    assert seat.hole_depth == hole_depth(CONE, process.seat)


def test_a_design_without_a_seat_takes_that_of_the_process_and_one_with_a_seat_keeps_its_own():
    router = read_process("router")
    assert features_of(Solid(), router).seat == router.seat
    own = features_of(Solid(**SEAT), router).seat
    assert own == features_of(Solid(**SEAT)).seat != router.seat
    assert own.diameter == pytest.approx(90 * MM)
    assert features_of(Solid()) == Features()


@settings(deadline=None, max_examples=12)
@given(
    family=st.sampled_from(FAMILIES),
    seed=st.integers(0, 2**20),
    kind=st.sampled_from(["block", "shell"]),
    keys=st.sampled_from(sorted(SETS)),
)
def test_parts_over_the_search_space_are_closed_and_in_one_piece(family, seed, kind, keys, tmp_path_factory):
    folder, solid = tmp_path_factory.mktemp("part"), Solid(kind, flange_thickness=12 * MM, **SETS[keys])
    told = {"chord_error": 0.2 * MM, "features": features_of(solid)} | TOLD
    facts = None
    try:
        facts = write_solid(drawn(family, seed), solid, folder / "solid.stl", **told)
    except InputError as error:
        # A wall so wide behind the holes leaves them no land: said so, and nothing else is refused here.
        if "seat_" not in str(error):
            raise
    assume(facts is not None)
    mesh = trimesh.load(folder / "solid.stl")
    assert is_one_body(mesh)
    assert mesh.euler_number == 0
    assert mesh.bounds[0, 2] == pytest.approx(-facts.features.seat.depth / MM, abs=1e-5)


@functools.cache
def oblong():
    """An oblong wall and its cloud, worked out once."""
    surface = cones(roundover=5 * MM, section=RoundedRectangle(15 * MM)).surface
    return surface, cloud(surface)


def oblong_part(kind, keys):
    """Sizes of an oblong part, its thinnest place, and its mesh in single precision, as a file holds it, by trimesh."""
    (surface, wall), solid = oblong(), Solid(kind, **keys)
    sizes = oblong_sizes(surface, wall, solid)
    waveguide = cones(roundover=5 * MM, section=RoundedRectangle(15 * MM))
    features = fitted(waveguide, sizes, features_of(solid), wall=wall)
    mesh, thinnest = build_oblong(surface, wall, sizes, chord_error=0.1 * MM, features=features)
    check_sound(mesh)
    held = trimesh.Trimesh((mesh.vertices / MM).astype(np.float32), mesh.faces)
    held.apply_scale(MM)
    return sizes, thinnest, held


@pytest.mark.parametrize(
    ("kind", "keys"),
    [*(("block", keys) for keys in SETS), ("shell", "seat and edge"), ("shell", "seat and rebate")],
)
def test_oblong_parts_are_closed_and_as_thick_as_asked(kind, keys):
    sizes, thinnest, mesh = oblong_part(kind, SETS[keys])
    assert is_one_body(mesh)
    assert mesh.euler_number == 0
    # The parallel of a shell is met within the chord error: 5.9 mm of 6; a block keeps its land of 20 mm or 2 by holes.
    assert thinnest.thickness > 5.8 * MM
    if kind == "shell":
        return
    width, height = sizes.flange_width, sizes.flange_height
    _, _, plain = oblong_part(kind, {})
    if keys == "rebate":
        taken = 4 * MM * (width * height - (width - 14 * MM) * (height - 14 * MM))
        # Single precision of the file: 6e-8 of 2.7e-3 m3 against 1.7e-5 m3.
        assert plain.volume - mesh.volume == pytest.approx(taken, rel=1e-4)
    if keys == "edge":
        # A square less a quarter circle along the four sides, mitred: along the centroid's rectangle.
        area = (1 - np.pi / 4) * (4 * MM) ** 2
        inward = (0.5 - np.pi / 4 * (1 - 4 / (3 * np.pi))) / (1 - np.pi / 4) * 4 * MM
        taken = 2 * area * (width + height - 4 * inward)
        # Chords within 0.1 mm along 6.3 mm of arc take 0.2 mm2 of 3.4 at most, all on one side.
        assert plain.volume - mesh.volume == pytest.approx(taken, rel=0.1)


@pytest.mark.parametrize("keys", [{}, SEAT, REBATE, EDGE])
@pytest.mark.parametrize("shape", [CONE, Waveguide(Points(((0.0, 0.0127), (0.05, 0.03), (0.08, 0.08))))])
def test_round_shells_are_nowhere_thinner_than_asked(shape, keys):
    wall = 5 * MM
    solid = Solid("shell", wall=wall, flange_thickness=10 * MM, **keys)
    sizes = solid_sizes(shape.meridian, solid)
    features = fitted(shape, sizes, features_of(solid))
    ring = outline(shape.meridian, sizes, chord_error=1e-6, features=features)
    surface = shapely.LineString(np.column_stack([shape.meridian.dense.z, shape.meridian.dense.r]))
    # The outside: what is neither wall nor in the plane of throat or mouth, with points between its corners.
    places = shapely.points(shapely.get_coordinates(shapely.segmentize(shapely.LinearRing(ring), 0.2 * MM)))
    depth, z = shape.meridian.depth, shapely.get_x(places)
    away = shapely.distance(places, surface)
    outside = (away > 1e-6) & (z > 1e-9) & (z < depth - 1e-9)
    # Chords of an edge that is rolled round in steps of 5 degrees: 1 - cos(2.5 degrees) of the wall, 5 um.
    assert away[outside].min() > wall - 6e-6


def test_step_file_holds_recess_rebate_and_edge(tmp_path):
    pytest.importorskip("OCP")
    from test_manufacture_step import mass, read

    solid = Solid(seat_diameter=90 * MM, seat_depth=3 * MM, **EDGE)
    sizes = solid_sizes(CONE.meridian, solid)
    write_step(CONE.meridian, sizes, tmp_path / "solid.step", title="x", features=features_of(solid))
    edge = 0.5 * sizes.flange_diameter
    exact = np.pi * edge**2 * DEPTH - frustum(DEPTH, THROAT, MOUTH) + tube(edge, 45 * MM, 3 * MM)
    # Splines through chords of 0.1 um.
    assert mass(read(tmp_path / "solid.step")) == pytest.approx((exact - rounded_off(edge, 4 * MM)) / MM**3, rel=1e-6)


BAD = [
    (SEAT | {"seat_diameter": 24 * MM}, r"\[solid\] seat_diameter_mm = 26: must be 29\.4 to"),
    (SEAT | {"seat_diameter": 390 * MM}, r"\[solid\] seat_diameter_mm = 392: must be 29\.4 to"),
    (SEAT | {"seat_bolt_circle": 86 * MM}, r"\[solid\] seat_bolt_circle_mm = 86: must be 32\.4 to 85"),
    (SEAT | {"seat_bolt_circle": 36 * MM}, r"\[solid\] seat_bolt_circle_mm = 36: with a land of 2"),
    (SEAT | {"seat_bolts": 24, "seat_hole_diameter": 9 * MM}, r"\[solid\] seat_bolts = 24: their holes .* 11 at least"),
    ({"rebate_width": 19.5 * MM, "rebate_depth": 4 * MM}, r"rebate_width_mm = 19\.5: must be 0 to 19 "),
    ({"rebate_width": 5 * MM, "rebate_depth": 89.5 * MM}, r"rebate_depth_mm = 89\.5: must be 0 to 89 "),
    ({"edge_radius": 19.5 * MM}, r"edge_radius_mm = 19\.5: must be 0 to 19 "),
    (REBATE | EDGE, "edge_radius_mm = 4: must not stand beside a rebate"),
    ({"kind": "shell", "rebate_width": 5 * MM, "rebate_depth": 5 * MM}, r"rebate_depth_mm = 5: must be 0 to 4 "),
    ({"kind": "shell", "edge_radius": 11 * MM}, r"edge_radius_mm = 11: must be 0 to 10 "),
    (
        SEAT | {"kind": "shell", "wall": 6 * MM, "seat_hole_depth": 20 * MM},
        r"seat_hole_depth_mm = 20: must be at most",
    ),
]


@pytest.mark.parametrize(("keys", "message"), BAD)
def test_sizes_that_leave_too_little_are_refused(keys, message, tmp_path):
    solid = Solid(**keys)
    with pytest.raises(InputError, match=message):
        made(CONE, solid, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_seat_of_the_process_is_named_as_such():
    process = dataclasses.replace(read_process("router"))
    seat = dataclasses.replace(process.seat, diameter=500 * MM)
    with pytest.raises(InputError, match=r'process "[^"]+" \[seat\] diameter_mm = 500'):
        fitted(CONE, solid_sizes(CONE.meridian, Solid()), Features(seat=seat))


def test_holes_near_the_corner_of_an_oblong_wall_are_refused():
    waveguide = cones(horizontal=42, vertical=40, section=RoundedRectangle(5 * MM))
    wall = cloud(waveguide.surface)
    sizes = oblong_sizes(waveguide.surface, wall, Solid())
    seat = DriverSeat(130 * MM, 3 * MM, 110 * MM, 8, 6 * MM, 60 * MM, depth_fixed=True)
    with pytest.raises(InputError, match=r"hole_depth_mm = 60: must be at most ") as refused:
        fitted(waveguide, sizes, Features(seat=seat), wall=wall)
    # The depth that it names does; a tenth more does not.
    would_do = float(str(refused.value).split("at most ")[1].split(",")[0]) * MM
    fitted(waveguide, sizes, Features(seat=dataclasses.replace(seat, hole_depth=would_do)), wall=wall)
    deeper = Features(seat=dataclasses.replace(seat, hole_depth=would_do + 0.1 * MM))
    with pytest.raises(InputError, match="must be at most"):
        fitted(waveguide, sizes, deeper, wall=wall)


def test_what_no_program_cuts_is_said():
    router, lathe = process("router"), process("lathe")
    assert len(features_words(features_of(Solid(), router), router)) == 1
    assert "back face" not in features_words(features_of(Solid(), router), router)[0]
    assert "4 mm" in features_words(features_of(Solid(**EDGE), router), router)[1]
    words = features_words(features_of(Solid(**SEAT | REBATE)), dataclasses.replace(lathe, seat=DriverSeat()))
    assert "the outside, the back face and any holes" in words[0]
    assert "seat" in words[1]
    assert "7 mm wide and 4 mm deep" in words[2]
    whole = features_words(features_of(Solid(**SEAT | REBATE)), read_process("router"))
    assert whole == ["in no program, but on the drawing: any holes of the front that only the drawing has"]
    holes = features_of(Solid(**SEAT | REBATE, front_bolts=4, front_screw="M4"))
    assert features_words(holes, read_process("router")) == []


def test_volume_without_features_is_as_it_always_was():
    sizes = solid_sizes(CONE.meridian, Solid())
    plain = build(CONE.meridian, sizes, chord_error=FINE)
    assert volume(build(CONE.meridian, sizes, chord_error=FINE, features=Features())) == volume(plain)
