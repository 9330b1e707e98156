"""The solid around an oblong waveguide: read back by trimesh and numpy-stl, against closed forms and the true wall."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
import stl
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.files import InputError
from evenflare.manufacture import OblongSizes, build_oblong, cloud, export, oblong_sizes, volume, write_stl
from evenflare.manufacture.part.stl import solid_file
from evenflare.units import DEGREE
from evenflare.waveguide import RoundedRectangle, Superellipse
from evenflare.waveguide.surface import depth_at
from oblongs import (
    DEPTH,
    HOLLOW,
    MM,
    NARROWING,
    SHAPES,
    THROAT,
    Choice,
    bore_of_cones,
    closed_ring,
    cones,
    dense_wall,
    held,
    semi_axes,
)

CHORD = 0.05 * MM
TOLD = {"design_id": "0a1b2c", "name": "shelf horn"}


def solid_of(waveguide, choice, chord_error=CHORD):
    surface = waveguide.surface
    wall = cloud(surface)
    sizes = oblong_sizes(surface, wall, choice)
    return sizes, *build_oblong(surface, wall, sizes, chord_error=chord_error)


@cache
def shell_of(name):
    """Around one of SHAPES, within 0.1 mm."""
    return solid_of(SHAPES[name], Choice("shell"), 0.1 * MM)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["block", "shell"])
@pytest.mark.parametrize("name", SHAPES)
def test_stl_reads_back_watertight_as_one_ring(name, kind, tmp_path):
    if kind == "block":
        facts = export(SHAPES[name], Choice(kind), tmp_path, chord_error=0.2 * MM, tool_radius=3 * MM, **TOLD).solid
    else:
        # The paths over the wall, most of an export, are a block's.
        sizes, made, thinnest = shell_of(name)
        facts = solid_file(tmp_path / "solid.stl", sizes, made, thinnest)
        write_stl(made, facts.path, title="shelf horn")
    mesh = trimesh.load(facts.path)
    assert closed_ring(mesh)
    assert len(mesh.faces) == facts.triangles
    # Single precision in the file: 6e-8 of each coordinate, of either sign.
    assert mesh.volume == pytest.approx(facts.volume / MM**3, rel=2e-6)
    width, height = facts.sizes.flange_width / 2, facts.sizes.flange_height / 2
    depth = SHAPES[name].depth
    # Single precision at 150 mm: 1e-5 mm.
    assert mesh.bounds == pytest.approx(np.array([[-width, -height, 0], [width, height, depth]]) / MM, abs=2e-5)
    other = stl.mesh.Mesh.from_file(str(facts.path))
    # Single precision in the file, again; the sum is of tetrahedra from the origin.
    first, second, third = np.moveaxis(other.vectors.astype(np.float64), 1, 0)
    assert np.sum(first * np.cross(second, third)) / 6.0 == pytest.approx(mesh.volume, rel=1e-6)


def test_block_around_elliptical_cones_has_the_volume_of_cuboid_less_bore():
    waveguide = cones()
    chords = np.array([0.5, 0.05, 0.005]) * MM
    a, b = semi_axes(DEPTH)
    exact = 4 * (a + 20 * MM) * (b + 20 * MM) * DEPTH - bore_of_cones()
    # The wall's area: below that of a cone of the larger angle.
    area = np.pi * (THROAT + a) * DEPTH / np.cos(42 * DEGREE)
    for chord in chords:
        sizes, mesh, _ = solid_of(waveguide, Choice(), chord)
        assert (sizes.flange_width, sizes.flange_height) == pytest.approx((2 * a + 40 * MM, 2 * b + 40 * MM))
        # Chords lie in the air side of a hollow wall: the material is more, by the chord error over the wall at most.
        assert 0 < volume(mesh) - exact < chord * area
    # What is left at the smallest: 0.005 mm x 40000 mm2 of 2.4 million mm3.
    assert volume(mesh) == pytest.approx(exact, rel=1e-4)


def test_round_block_has_the_volume_of_cylinder_less_bore():
    sizes, mesh, thinnest = solid_of(cones(), Choice(flange_diameter=250 * MM), 0.005 * MM)
    exact = np.pi * (125 * MM) ** 2 * DEPTH - bore_of_cones()
    assert sizes.flange_width is None
    # 0.005 mm x 110000 mm2 of both surfaces, of 4 million mm3.
    assert volume(mesh) == pytest.approx(exact, rel=1.5e-4)
    assert thinnest.thickness == pytest.approx(125 * MM - semi_axes(DEPTH)[0], abs=1e-9)


def test_shell_around_equal_cones_has_the_volume_of_the_round_closed_forms():
    angle, wall, thick = 42 * DEGREE, 6 * MM, 10 * MM
    _, mesh, thinnest = solid_of(
        cones(42.0, 42.0),
        Choice("shell", wall, flange_thickness=thick, flange_width=0.26, flange_height=0.25),
        0.01 * MM,
    )
    behind, across = DEPTH - thick, wall / np.cos(angle)

    def frustum(depth, small, large):
        return np.pi * depth * (small**2 + small * large + large**2) / 3

    outside = frustum(behind, THROAT + across, THROAT + behind * np.tan(angle) + across)
    exact = outside + 0.26 * 0.25 * thick - frustum(DEPTH, THROAT, THROAT + DEPTH * np.tan(angle))
    # 0.01 mm over both surfaces, 80000 mm2, of 850000 mm3.
    assert volume(mesh) == pytest.approx(exact, rel=1e-3)
    assert thinnest.thickness == pytest.approx(wall, abs=0.02 * MM)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "chord"), [("block", 0.5), ("block", 0.05), ("shell", 0.05)])
@pytest.mark.parametrize("name", ["cone", "rolled", "rectangle", "edges"])
def test_wall_of_the_mesh_departs_from_the_true_surface_by_at_most_the_chord_error(name, kind, chord):
    waveguide = SHAPES[name]
    dense = dense_wall(name)
    _, mesh, _ = solid_of(waveguide, Choice(kind), chord * MM)
    wall = dense.nearest(mesh.vertices, below=0.5 * MM) < 0.5 * MM
    corners = mesh.vertices[mesh.faces]
    level = np.ptp(corners[..., 2], axis=1) < 1e-9
    bored = wall[mesh.faces].all(axis=1) & ~level
    # Vertices on the exact surface; a micrometre is the dense wall's own bend between its points where it is tightest.
    assert dense.beside(mesh.vertices[np.unique(mesh.faces[bored])]).max() < 1e-6
    share = np.random.default_rng(1).dirichlet([0.6, 0.6, 0.6], size=6)
    inner = np.einsum("kc,fcx->fkx", share, corners[bored]).reshape(-1, 3)
    off = dense.beside(inner)
    assert off.max() <= chord * MM + 1e-6
    # It could be more: the grid is no finer than asked for by an order.
    if chord == 0.05:
        assert off.max() > 0.01 * MM


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_outside_of_a_shell_is_one_wall_away_from_the_inside(name):
    waveguide, chord = SHAPES[name], 0.1 * MM
    sizes, mesh, thinnest = shell_of(name)
    dense = dense_wall(name)
    z = mesh.vertices[:, 2]
    far = dense.nearest(mesh.vertices[(z > 1e-6) & (z < waveguide.depth - sizes.flange_thickness - 1e-6)])
    outside = far > 0.5 * MM
    assert outside.sum() > 100
    # Points of the dense wall stand 0.15 mm apart: 0.5 um at 6 mm. Round an edge the outside is a polygon of 5 degrees.
    assert far[outside].min() > sizes.wall - chord
    assert far[outside].max() < sizes.wall + chord
    assert sizes.wall - 2 * chord < thinnest.thickness < sizes.wall + 1e-6


@pytest.mark.parametrize("waveguide", [HOLLOW, NARROWING], ids=["hollow", "narrowing"])
def test_shell_round_a_hollow_corner_and_a_waist_is_closed(waveguide):
    sizes, mesh, thinnest = solid_of(waveguide, Choice("shell"), 0.2 * MM)
    assert closed_ring(held(mesh))
    assert thinnest.thickness > sizes.wall - 0.4 * MM


@settings(deadline=None, max_examples=8)
@given(
    angles=st.tuples(st.floats(15, 50), st.floats(15, 50)),
    roundover=st.sampled_from([0.0, 2.0, 10.0]),
    exponent=st.floats(2.0, 6.0),
    kind=st.sampled_from(["block", "shell"]),
)
def test_solids_of_many_shapes_are_closed_rings(angles, roundover, exponent, kind):
    waveguide = cones(*angles, roundover * MM, Superellipse(exponent), depth=50 * MM)
    _, mesh, _ = solid_of(waveguide, Choice(kind), 0.3 * MM)
    assert closed_ring(held(mesh))


def test_thinnest_place_of_a_block_is_the_land_at_the_mouth():
    a, b = semi_axes(DEPTH)
    _, _, thinnest = solid_of(cones(), Choice(flange_width=2 * a + 30 * MM, flange_height=2 * b + 8 * MM))
    assert thinnest.thickness == pytest.approx(4 * MM, abs=1e-9)
    assert (thinnest.z, thinnest.azimuth) == pytest.approx((DEPTH, 90 * DEGREE))


def test_thin_flange_behind_a_steep_mouth_is_told_as_the_thinnest_place():
    a, b = semi_axes(DEPTH)
    choice = Choice("shell", flange_thickness=1 * MM, flange_width=2 * a + 40 * MM, flange_height=2 * b + 40 * MM)
    _, _, thinnest = solid_of(cones(), choice)
    # The flange's back meets the shell's end, which stands at right angles to the wall: 1 mm / sin 42 degrees.
    assert thinnest.thickness == pytest.approx(1 * MM / np.sin(42 * DEGREE), rel=0.02)
    assert thinnest.z == pytest.approx(DEPTH - 1 * MM, abs=0.01 * MM)


def test_bolts_of_a_rectangular_flange_stand_midway_between_mouth_and_edge():
    surface = cones().surface
    a, b = semi_axes(DEPTH)
    sizes = oblong_sizes(surface, cloud(surface), Choice())
    x, y = a + 10 * MM, b + 10 * MM
    expected = [(x, -y), (x, 0), (x, y), (0, y), (-x, y), (-x, 0), (-x, -y), (0, -y)]
    assert np.array(sizes.bolts) == pytest.approx(np.array(expected), abs=1e-9)
    six = oblong_sizes(surface, cloud(surface), Choice(bolts=6)).bolts
    # The wide sides have the widest gaps.
    assert np.array(six) == pytest.approx(np.array([(x, -y), (x, y), (0, y), (-x, y), (-x, -y), (0, -y)]), abs=1e-9)
    round_one = oblong_sizes(surface, cloud(surface), Choice(flange_diameter=0.25, bolts=3)).bolts
    assert np.hypot(*np.array(round_one).T) == pytest.approx(0.5 * (a + 0.125), abs=1e-9)
    assert round_one[0][1] == 0.0


REFUSED = {
    "kind": (Choice("tube"), "[solid] kind = 'tube': must be one of block, shell, body"),
    "wall": (
        Choice("shell", wall=0.1 * MM),
        "[solid] wall_mm = 0.1: must be 0.5 to 1000 (a shell's thickness). Change it, or leave it out for the default",
    ),
    "default width": (
        Choice("shell", wall=25 * MM),
        "[solid] wall_mm = 25: must be at most 20 while flange_width_mm has its default, 227.473. Lower it, or write"
        " flange_width_mm = 238 or more",
    ),
    "width": (
        Choice(flange_width=150 * MM, flange_height=150 * MM),
        "[solid] flange_width_mm = 150: must be 189.473 to 10000 (at least the waveguide and a land of 1 mm). Change"
        " it, or leave it out for the default",
    ),
    "height": (
        Choice("shell", flange_width=250 * MM, flange_height=115 * MM),
        "[solid] flange_height_mm = 115: must be 121.335 to 10000 (at least the waveguide and twice the wall). Change"
        " it, or leave it out for the default",
    ),
    "diameter": (
        Choice(flange_diameter=150 * MM),
        "[solid] flange_diameter_mm = 150: must be 189.473 to 10000 (at least the waveguide and a land of 1 mm). Change"
        " it, or leave it out for the default",
    ),
    "both": (
        Choice(flange_diameter=250 * MM, flange_width=250 * MM),
        "[solid] flange_width_mm = 250: must not stand beside flange_diameter_mm; the flange is either a rectangle or"
        " round. Leave one out",
    ),
    "thickness": (
        Choice("shell", flange_thickness=95 * MM),
        "[solid] flange_thickness_mm = 95: must be 0.5 to 90 (the waveguide's depth). Change it, or leave it out for"
        " the default",
    ),
    "bolts": (Choice(bolts=-1), "[solid] bolts = -1: must be 0 or more"),
    "odd bolts": (
        Choice(bolts=5),
        "[solid] bolts = 5: must be 0 or an even number of 4 or more around a rectangular flange: one in each corner,"
        " the others alike on opposite sides. Change it, or write flange_diameter_mm for a round flange",
    ),
    "circle": (
        Choice(bolt_circle=200 * MM),
        "[solid] bolt_circle_mm = 200: a rectangular flange has its bolts on a rectangle, midway between mouth and"
        " edge. Leave it out, or write flange_diameter_mm for a round flange",
    ),
    "round circle": (
        Choice(flange_diameter=250 * MM, bolt_circle=180 * MM),
        "[solid] bolt_circle_mm = 180: must be 187.473 to 250 (between mouth and flange edge). Change it, or leave it"
        " out for the default",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_sizes_that_make_no_solid_are_refused(name):
    choice, message = REFUSED[name]
    surface = cones().surface
    with pytest.raises(InputError) as refused:
        oblong_sizes(surface, cloud(surface), choice)
    assert str(refused.value) == message


def test_too_thin_a_place_is_refused_by_name():
    surface = cones().surface
    wall = cloud(surface)
    a, b = semi_axes(DEPTH)
    block = OblongSizes("block", 6 * MM, None, 2 * a + 20 * MM, 2 * b + 1 * MM, 10 * MM, ())
    with pytest.raises(InputError) as refused:
        build_oblong(surface, wall, block, chord_error=CHORD)
    assert str(refused.value) == (
        "[solid] leaves 0.5 mm of material at z_mm = 90, azimuth_deg = 90: must be 1 at least. Widen the flange"
    )
    shell = OblongSizes("shell", 6 * MM, None, 2 * a + 20 * MM, 2 * b + 20 * MM, 0.1 * MM, ())
    with pytest.raises(InputError) as refused:
        build_oblong(surface, wall, shell, chord_error=CHORD)
    # 0.1 mm / sin 42 degrees = 0.149, where the flange's back meets the shell's end, less what chords take.
    assert re.match(r"\[solid\] leaves 0\.14\d mm of material at z_mm = 89\.9, azimuth_deg = ", str(refused.value))
    assert str(refused.value).endswith(": must be 0.25 at least. Thicken wall_mm or the flange")


@pytest.mark.parametrize("kind", ["block", "shell"])
def test_mesh_that_would_be_too_large_is_refused(kind):
    waveguide = cones(45.0, 40.0, section=RoundedRectangle(100 * MM), depth=900 * MM)
    with pytest.raises(
        InputError, match=r"--chord-error-mm = 0\.001: would need \d+ triangles, more than 5000000. Raise"
    ):
        solid_of(waveguide, Choice(kind), 0.001 * MM)


@pytest.mark.parametrize("name", ["rolled", "rectangle"])
def test_clearance_is_the_distance_along_the_normal_on_either_side(name):
    surface = SHAPES[name].surface
    random = np.random.default_rng(3)
    wall = cloud(surface)
    # Up to the seams of stretches, where the nearest point of the cloud lies on the other side.
    t, psi = np.concatenate([[0.02, 0.05, 0.95, 0.98], random.uniform(0.02, 0.98, 16)]), random.uniform(0.0, 1.57, 9)
    met = [surface.patch(depth_at(surface, k, t), psi, stretch=k) for k in range(len(surface.cuts) - 1)]
    points, normals = (np.concatenate([each[k].reshape(-1, 3) for each in met]) for k in (0, 1))
    for offset in (-1 * MM, 0.2 * MM, 1 * MM):
        # Less than the wall's least radius, so that the nearest point is where the normal stands; to a micrometre, as
        # its description says.
        found = wall.clearance(points + offset * normals, needed=5 * MM)
        assert found == pytest.approx(np.full(len(points), abs(offset)), abs=1e-6)
