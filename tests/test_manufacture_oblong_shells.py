"""Shells around oblong waveguides in every format: STEP read by a CAD kernel, patterns held against the round ones'."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import trimesh
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.TopAbs import TopAbs_SOLID

from evenflare.design.file import Solid
from evenflare.manufacture import build_oblong, cloud, volume
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.process.file import read_process
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Oblong, RoundedRectangle, Superellipse, Waveguide
from oblongs import SHAPES, DenseWall, cones
from test_manufacture_step import faces, mass
from test_manufacture_step_oblong import written

CASTING = read_process("casting").casting
BARE = dataclasses.replace(CASTING, contraction=0.0, machining_allowance=0.0, allowance_grade=None, draft=0.0)
SEAT = {
    "seat_diameter": 84 * MM,
    "seat_depth": 4 * MM,
    "seat_bolts": 4,
    "seat_bolt_circle": 74 * MM,
    "seat_hole_diameter": 4 * MM,
    "seat_hole_depth": 5 * MM,
}
SCREWS = {"front_bolts": 8, "front_screw": "M4", "front_countersunk": True, "front_bolt_inset": 11 * MM}
SOLIDS = {
    "plain": Solid("shell"),
    "all": Solid("shell", edge_radius=3 * MM, **SEAT, **SCREWS),
    "rebate": Solid("shell", wall=4 * MM, rebate_width=4 * MM, rebate_depth=3 * MM),
}
CORNERED = cones(horizontal=40, vertical=28, section=RoundedRectangle(16 * MM))


def same_volume(shape, waveguide, sizes, features, wall):
    chord = 0.4 * MM
    mesh, _ = build_oblong(waveguide.surface, wall, sizes, chord_error=chord, features=features)
    corners = mesh.vertices[mesh.faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()
    # Every face of the mesh departs by its chord error at most, so that on the whole a fifth of it is too much.
    assert abs(volume(mesh) - mass(shape) * MM**3) < 0.2 * area * chord


@pytest.mark.parametrize(("name", "solid"), [("cone", "all"), ("tight", "rebate"), ("corners", "plain")])
def test_step_of_a_shell_is_one_valid_solid_as_thick_as_asked(name, solid, tmp_path):
    waveguide = CORNERED if name == "corners" else SHAPES[name]
    sizes, features, wall, error, shape = written(waveguide, SOLIDS[solid], tmp_path)
    assert shape.ShapeType() == TopAbs_SOLID
    assert BRepCheck_Analyzer(shape).IsValid()
    if name != "corners":  # whose thousands of poles the kernel takes two seconds to integrate
        same_volume(shape, waveguide, sizes, features, wall)

    # The outside lies off the exact wall by the thickness, wherever it is looked at, and the bore on it.
    dense, places = DenseWall(waveguide.surface, count=300), []
    for each in faces(shape):
        found = BRepAdaptor_Surface(each)
        if found.GetType().name == "GeomAbs_BSplineSurface":
            up = np.linspace(found.FirstUParameter(), found.LastUParameter(), 8)[1:-1]
            on = np.linspace(found.FirstVParameter(), found.LastVParameter(), 8)[1:-1]
            points = [found.Value(u, v) for u in up for v in on]
            places += [[point.X(), point.Y(), point.Z()] for point in points]
    places = np.array(places) * MM
    away = dense.nearest(places)
    outside = away > 0.5 * sizes.wall
    assert outside.sum() >= 144
    assert (~outside).sum() >= 144
    # The nearest of the dense wall's points is up to 0.25 mm aside: 0.25^2 / 2 over a wall of 6 mm, and twice that.
    assert away[outside] == pytest.approx(sizes.wall, abs=error + 0.01 * MM)
    # As far aside the wall has bent from the plane that touches it by 0.25^2 / 2 over a radius of 7 mm.
    assert dense.beside(places[~outside]).max() < error + 0.005 * MM


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_rims_of_rectangular_parts_take_their_closed_form_s_volume_of_a_step(kind, tmp_path):
    waveguide, width, height = cones(), 266.0, 150.0
    size = {"flange_width": width * MM, "flange_height": height * MM, "bolts": 0}
    volumes = []
    for rim in ({}, {"edge_radius": 5 * MM}, {"rebate_width": 6 * MM, "rebate_depth": 4 * MM}):
        *_, shape = written(waveguide, Solid(kind, **size, **rim), tmp_path)
        assert BRepCheck_Analyzer(shape).IsValid()
        volumes.append(mass(shape))
    # Round: at each depth all four sides stand in by i, mitred; integrals of i and i^2 over a quarter circle.
    rounded = 2 * (width + height) * 5**2 * (1 - np.pi / 4) - 4 * 5**3 * (5 / 3 - np.pi / 2)
    step = 4 * (width * height - (width - 12) * (height - 12))
    # Two integrals of a kernel, each to 1e-7 of a part of up to 3e6 mm3.
    assert volumes[0] - volumes[1] == pytest.approx(rounded, abs=1.0)
    assert volumes[0] - volumes[2] == pytest.approx(step, abs=1.0)


def pattern(waveguide, solid, casting, **options):
    sizes = sizes_of(waveguide, solid)
    wall = None if waveguide.is_round else cloud(waveguide.surface)
    features = fitted(waveguide, sizes, features_of(solid), wall=wall)
    return build_pattern(waveguide, sizes, casting, chord_error=0.1 * MM, seat=features.seat, **options), features


def test_a_bare_pattern_of_an_oblong_shell_is_the_part_before_its_holes_are_drilled():
    waveguide, solid = SHAPES["edges"], Solid("shell", **SEAT)
    made, features = pattern(waveguide, solid, BARE, fillet=0.0)
    surface = waveguide.surface
    part, _ = build_oblong(surface, cloud(surface), made.sizes, chord_error=0.1 * MM, features=features)
    holes = 4 * np.pi * (2 * MM) ** 2 * 5 * MM
    # The same bodies with other chords, of 0.05 to 0.1 mm, round the hub, 102 mm wide and 15 high, and its recess:
    # 6000 mm2, of which 0.05 mm are 300 mm3.
    assert volume(made.mesh) == pytest.approx(volume(part) + holes, abs=300 * MM**3)


def test_the_pattern_of_an_oblong_shell_draws_and_leaves_metal_to_machine():
    made, features = pattern(SHAPES["oblate"], Solid("shell", **SEAT), CASTING)
    mesh = trimesh.Trimesh(made.mesh.vertices / made.factor / MM, made.mesh.faces)
    assert mesh.is_watertight
    assert mesh.euler_number == 0
    assert mesh.body_count == 1
    assert made.fillet == pytest.approx(6 * MM)
    radius, deep = 0.5 * made.recess[0], made.recess[1]
    assert radius < 0.5 * features.seat.diameter - made.allowance + 1e-9
    assert made.back + deep == pytest.approx(-made.allowance)
    assert mesh.bounds[:, 2] == pytest.approx(np.array([made.back, made.front]) / MM)
    # The outside, seen from behind, never narrows; slivers where bodies meet are less than a thousandth of it.
    normal, centre = mesh.face_normals, mesh.triangles_center
    outward = np.einsum("ij,ij->i", normal[:, :2], centre[:, :2]) > 0.05 * np.hypot(*centre[:, :2].T)
    steep = outward & (normal[:, 2] > -np.sin(CASTING.draft) + 1e-3)
    assert mesh.area_faces[steep].sum() < 1e-3 * mesh.area_faces[outward].sum()


@pytest.mark.parametrize("seat", [{}, SEAT], ids=["plain", "seat"])
def test_an_oblong_pattern_with_both_meridians_alike_is_the_round_one(seat):
    """The round one is turned from a half-section that another library makes."""
    cone = Conical(90 * MM, 42 * DEGREE, 12 * MM)
    solid = Solid("shell", flange_diameter=270 * MM, **seat)
    oblong, round_ = Waveguide(Oblong(cone, cone, Superellipse())), Waveguide(cone)
    turned, _ = pattern(round_, solid, CASTING)
    made, _ = pattern(oblong, solid, CASTING)
    assert made.fillet == pytest.approx(6 * MM)
    assert turned.fillet == pytest.approx(6 * MM)
    assert (made.back, made.front, made.recess) == (turned.back, turned.front, turned.recess)
    # Chords of 0.1 mm along either wall and around: 0.02 mm on the whole of 1e5 mm2.
    assert made.volume == pytest.approx(turned.volume, abs=2000 * MM**3)
    if seat:  # without one the round pattern has a fillet behind the throat too
        bare, _ = pattern(oblong, solid, CASTING, fillet=0.0)
        plain, _ = pattern(round_, solid, CASTING, fillet=0.0)
        # The fillet alone: chords of 0.1 mm leave 3 % of it open, those of 0.02 mm less than 1 %.
        assert made.volume - bare.volume == pytest.approx(turned.volume - plain.volume, rel=0.05)
