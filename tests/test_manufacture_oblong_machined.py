"""Patterns of oblong parts whose wall is machined: metal along its normal, held against round ones and closed forms."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from evenflare.design.file import Solid
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.casting.pattern_files import dimensions
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.types import DriverSeat
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Oblong, RoundedRectangle, Superellipse, Waveguide
from oblongs import SHAPES, cones

CASTING = read_process("casting").casting
MACHINED = dataclasses.replace(CASTING, wall="machined", machining_allowance=3 * MM, allowance_grade=None)
SEAT = DriverSeat(diameter=84 * MM, depth=4 * MM)


def pattern(waveguide, solid, casting=MACHINED):
    return build_pattern(waveguide, sizes_of(waveguide, solid), casting, chord_error=0.1 * MM, seat=SEAT)


def half_of(angle, z):
    """m, of a straight wall at so many degrees, at z mm."""
    return 12.7 * MM + z * MM * np.tan(angle * DEGREE)


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_metal_on_a_machined_wall_is_the_round_one_s_where_both_meridians_are_alike(kind):
    """The round one is a buffer that another library makes."""
    cone, solid = Conical(90 * MM, 42 * DEGREE, 12 * MM), Solid(kind, flange_diameter=270 * MM)
    turned = pattern(Waveguide(cone), solid)
    made = pattern(Waveguide(Oblong(cone, cone, Superellipse())), solid)
    bare = pattern(Waveguide(cone), solid, dataclasses.replace(MACHINED, wall="as_cast"))
    # Chords of 0.1 mm of 1e5 mm2 that cut two thirds of their height from either on the mean.
    assert made.volume == pytest.approx(turned.volume, abs=300 * MM**3)
    assert turned.volume - bare.volume > 1e5 * MM**3
    for z in (0.0, 30 * MM, 60 * MM):
        assert made.bore_radius(z, 0.3) == pytest.approx(turned.bore_radius(z), abs=0.05 * MM)


@pytest.mark.parametrize("name", ["rectangle", "edges"])
def test_metal_on_a_machined_wall_is_as_thick_along_its_normal_everywhere(name):
    waveguide = SHAPES[name] if name == "edges" else cones(42, 30, 8 * MM, RoundedRectangle(20 * MM))
    made = pattern(waveguide, Solid("block"))
    raw = trimesh.Trimesh(made.mesh.vertices / made.factor, made.mesh.faces)
    assert raw.is_watertight
    assert raw.body_count == 1
    surface, psi = waveguide.surface, np.linspace(0.0, 0.5 * np.pi, 300)
    spans = enumerate(itertools.pairwise(surface.cuts))
    wall = [surface.patch(np.linspace(*span, 400), psi, stretch=k, bends=False).points for k, span in spans]
    wall = cKDTree(np.concatenate([points.reshape(-1, 3) for points in wall]))
    places = np.abs(raw.vertices[(raw.vertices[:, 2] > 4 * MM) & (raw.vertices[:, 2] < surface.depth - 4 * MM)])
    away = wall.query(places)[0]
    away = away[away < 10 * MM]  # the other places lie on the outside
    assert away.size > 1000
    # The chord error into the air, and of edges' rolls; places of the wall 0.3 mm apart add (0.15 mm)^2 / 6 mm.
    assert away.min() > 3 * MM - 0.01 * MM
    assert away.max() < 3 * MM + 0.05 * MM
    # The sand within draws toward the front as it does from the wall itself, at 13.8 degrees or more (12.3 in 50 mm).
    centre = raw.triangles_center
    inside = (np.abs(centre[:, 2] - 0.5 * surface.depth) < 0.45 * surface.depth) & (
        wall.query(np.abs(centre))[0] < 4 * MM
    )
    flat = inside & (raw.face_normals[:, 2] < np.sin(13.8 * DEGREE) - 1e-3)
    # Slivers where bodies meet are less than a thousandth of it.
    assert raw.area_faces[flat].sum() < 1e-3 * raw.area_faces[inside].sum()


def test_sheet_states_the_bore_of_an_oblong_casting_whose_wall_is_machined():
    waveguide = cones(42, 25)
    made = pattern(waveguide, Solid("block"))
    # Along a straight wall's normal; in planes of symmetry it lies in these.
    for azimuth, angle in ((0.0, 42), (0.5 * np.pi, 25)):
        half = half_of(angle, 45) - 3 * MM / np.cos(angle * DEGREE)
        assert made.bore_radius(45 * MM, azimuth) == pytest.approx(half, abs=0.01 * MM)
    rows = {each.name: each for each in dimensions(waveguide, made, read_process("casting"))}
    for name, angle in (("mouth width", 42), ("mouth height", 25)):
        assert rows[name].machined
        assert rows[name].finished == pytest.approx(2 * half_of(angle, 90), abs=1e-9)
        assert rows[name].cast == pytest.approx(2 * half_of(angle, 90) - 6 * MM / np.cos(angle * DEGREE), abs=0.02 * MM)
