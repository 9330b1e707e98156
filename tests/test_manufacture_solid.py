"""The solid as a mesh: read back by trimesh, its volume against closed forms and quadrature of the meridian."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.files import InputError
from evenflare.manufacture import Mesh, Sizes, build, export, outline, revolved, solid_sizes, volume, write_solid
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import FAMILIES, Conical, Free, Meridian, OblateSpheroidal, Points, Tractrix, Waveguide
from evenflare.waveguide.walls import Arc, Line
from oblongs import Choice

MM = MILLIMETRE
CHORD = 0.05 * MM


def solid_of(waveguide, choice, chord_error=CHORD):
    sizes = solid_sizes(waveguide.meridian, choice)
    return sizes, build(waveguide.meridian, sizes, chord_error=chord_error)


def read_back(waveguide, choice, folder, chord_error=CHORD):
    path = folder / "solid.stl"
    facts = write_solid(waveguide, choice, path, chord_error=chord_error, design_id="0a1b2c", name="shelf horn")
    return facts, trimesh.load(path)


def frustum(depth, small, large):
    """Volume of a truncated cone: pi h (a^2 + a b + b^2) / 3."""
    return np.pi * depth * (small**2 + small * large + large**2) / 3


def bore(meridian):
    """Volume of the air between throat and mouth plane by Gauss points on each piece: pi r^2 dz."""
    node, weight = np.polynomial.legendre.leggauss(40)
    t, weight = 0.5 * (node + 1), 0.5 * weight
    total = 0.0
    for piece in meridian.pieces:
        wall = piece.frame_at(t)
        total += float(np.sum(weight * np.pi * wall.r**2 * np.cos(wall.angle) * wall.speed))
    return total


SHAPES = {
    "cone": Conical(90 * MM, 42 * DEGREE, 20 * MM),
    "sharp": Conical(90 * MM, 42 * DEGREE),
    "oblate": OblateSpheroidal(100 * MM, 40 * DEGREE, 3 * MM),
    "tractrix": Tractrix(120 * MM),
    "free": Free(120 * MM, 10 * DEGREE, (5.0, 10.0, 12.0, 3.0), 10 * MM),
    "corners": Points(((0.0, 0.0127), (0.03, 0.02), (0.05, 0.06), (0.09, 0.07)), corner=8 * DEGREE),
    "narrowing": Points(((0.0, 0.03), (0.03, 0.02), (0.05, 0.06))),
    "lip": Points(((0.0, 0.0127), (0.09, 0.1), (0.09, 0.12)), corner=8 * DEGREE),
}


@pytest.mark.parametrize("kind", ["block", "shell"])
@pytest.mark.parametrize("name", SHAPES)
def test_stl_reads_back_watertight_as_one_ring(name, kind, tmp_path):
    waveguide = Waveguide(SHAPES[name])
    facts, mesh = read_back(waveguide, Choice(kind), tmp_path)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.euler_number == 0
    assert len(mesh.faces) == facts.triangles
    # Single precision in the file: 6e-8 of each coordinate, of either sign.
    assert mesh.volume == pytest.approx(facts.volume / MM**3, rel=1e-6)
    depth, edge = waveguide.meridian.depth, 0.5 * facts.sizes.flange_diameter
    expected = np.array([[-edge, -edge, 0.0], [edge, edge, depth]]) / MM
    # Single precision at 150 mm: 1e-5 mm.
    assert mesh.bounds == pytest.approx(expected, abs=2e-5)


@settings(deadline=None, max_examples=20)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), kind=st.sampled_from(["block", "shell"]))
def test_solids_over_the_search_space_are_closed_rings(family, seed, kind):
    _, mesh = solid_of(drawn(family, seed), Choice(kind), 0.2 * MM)
    # As single precision in mm, which is what a file holds.
    held = trimesh.Trimesh((mesh.vertices / MM).astype(np.float32), mesh.faces)
    assert held.is_watertight
    assert held.is_winding_consistent
    assert held.euler_number == 0
    assert held.body_count == 1
    assert held.area_faces.min() > 0
    assert held.volume > 0


def test_block_around_a_cone_has_the_volume_of_cylinder_less_frustum():
    waveguide = Waveguide(Conical(90 * MM, 42 * DEGREE))
    sizes, mesh = solid_of(waveguide, Choice())
    end = waveguide.meridian.mouth_radius
    exact = np.pi * (0.5 * sizes.flange_diameter) ** 2 * 90 * MM - frustum(90 * MM, 12.7 * MM, end)
    sides = np.unique(np.round(np.arctan2(mesh.vertices[:, 1], mesh.vertices[:, 0]), 9)).size
    # Every cross-section is a polygon of n sides in place of a circle: area sin(2 pi/n) / (2 pi/n) of it.
    share = np.sin(2 * np.pi / sides) / (2 * np.pi / sides)
    assert volume(mesh) == pytest.approx(share * exact, rel=1e-12)
    assert volume(mesh) == pytest.approx(exact, rel=1e-3)  # chord error 0.025 mm of 120 mm: 2/3 x 0.0004


def test_shell_around_a_cone_has_the_volume_of_its_two_closed_forms():
    angle, wall, thick = 42 * DEGREE, 6 * MM, 10 * MM
    waveguide = Waveguide(Conical(90 * MM, angle))
    sizes = solid_sizes(waveguide.meridian, Choice("shell", wall, 300 * MM, thick))
    ring = outline(waveguide.meridian, sizes, chord_error=CHORD)
    behind = 90 * MM - thick
    at_flange = 12.7 * MM + behind * np.tan(angle)
    across = wall / np.cos(angle)
    outside = frustum(behind, 12.7 * MM + across, at_flange + across)
    exact = outside + np.pi * (150 * MM) ** 2 * thick - frustum(90 * MM, 12.7 * MM, waveguide.meridian.mouth_radius)
    # Pappus: the outline of straight edges is exact; its points within a micrometre of each other are one.
    polygon = shapely.Polygon(ring)
    assert 2 * np.pi * polygon.centroid.y * polygon.area == pytest.approx(exact, rel=1e-5)


@pytest.mark.parametrize("name", SHAPES)
def test_pappus_on_the_outline_is_the_volume_of_the_mesh(name):
    waveguide = Waveguide(SHAPES[name])
    for kind in ("block", "shell"):
        sizes = solid_sizes(waveguide.meridian, Choice(kind))
        ring = outline(waveguide.meridian, sizes, chord_error=CHORD)
        polygon = shapely.Polygon(ring)
        mesh = revolved(ring, chord_error=CHORD)
        sides = mesh.vertices.shape[0] // ring.shape[0]
        share = np.sin(2 * np.pi / sides) / (2 * np.pi / sides)
        # Guldin: area times the path of its centroid; both sums are exact but for rounding.
        assert volume(mesh) == pytest.approx(share * 2 * np.pi * polygon.centroid.y * polygon.area, rel=1e-10)


@pytest.mark.parametrize("name", ["oblate", "tractrix", "free"])
def test_volume_converges_on_quadrature_of_the_meridian_as_the_chord_error(name):
    waveguide = Waveguide(SHAPES[name])
    sizes = solid_sizes(waveguide.meridian, Choice())
    cylinder = np.pi * (0.5 * sizes.flange_diameter) ** 2 * waveguide.meridian.depth
    exact = cylinder - bore(waveguide.meridian)
    chords = np.array([0.4, 0.1, 0.025]) * MM
    errors = [abs(volume(build(waveguide.meridian, sizes, chord_error=e)) - exact) for e in chords]
    # At most the chord error over all of the surface, about four times the front's area on these shapes.
    assert errors[0] < chords[0] * 4 * np.pi * (0.5 * sizes.flange_diameter) ** 2
    # First order in the chord error (the step squared), less a little for whole numbers of sides: a factor of 4 each.
    order = np.log(np.array(errors[:-1]) / np.array(errors[1:])) / np.log(4)
    assert order == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("name", ["cone", "oblate", "tractrix", "free", "corners"])
@pytest.mark.parametrize("chord", [0.5, 0.05])
def test_surface_departs_from_the_wall_by_at_most_the_chord_error(name, chord):
    meridian = Waveguide(SHAPES[name]).meridian
    mesh = build(meridian, solid_sizes(meridian, Choice()), chord_error=chord * MM)
    t = np.linspace(0.0, 1.0, 2001)
    wall = shapely.LineString(np.vstack([np.column_stack(piece.frame_at(t)[:2]) for piece in meridian.pieces]))
    vertices = np.column_stack([mesh.vertices[:, 2], np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1])])
    # Vertices of the bore lie on the wall; the fine wall's own chords stand 0.1 um off.
    shapely.prepare(wall)
    bored = shapely.dwithin(wall, shapely.points(vertices), 0.2e-6)[mesh.faces].all(axis=1)
    assert bored.sum() > 0.25 * bored.size
    # All sides are alike: one quarter's first few stand for them.
    centre = mesh.vertices[mesh.faces].mean(axis=1)
    bored &= (centre[:, 1] > 0) & (centre[:, 1] < 0.2 * centre[:, 0])
    share = np.random.default_rng(1).dirichlet([0.6, 0.6, 0.6], size=12)
    inner = np.einsum("kc,fcx->fkx", share, mesh.vertices[mesh.faces[bored]]).reshape(-1, 3)
    places = shapely.points(inner[:, 2], np.hypot(inner[:, 0], inner[:, 1]))
    assert shapely.dwithin(wall, places, chord * MM).all()


def test_outline_of_a_shell_has_its_wall_everywhere():
    meridian = Waveguide(SHAPES["oblate"]).meridian
    sizes = solid_sizes(meridian, Choice("shell"))
    polygon = shapely.Polygon(outline(meridian, sizes, chord_error=0.01 * MM))
    t = np.linspace(0.0, 1.0, 2001)
    wall = shapely.LineString(np.vstack([np.column_stack(piece.frame_at(t)[:2]) for piece in meridian.pieces]))
    outside = [
        (z, r)
        for z, r in polygon.exterior.coords
        if 1e-6 < z < meridian.depth - sizes.flange_thickness - 1e-6 and shapely.Point(z, r).distance(wall) > 1e-6
    ]
    far = shapely.distance(shapely.points(outside), wall)
    assert len(outside) > 20
    # Within the chord error, on either side.
    assert far == pytest.approx(sizes.wall, abs=0.01 * MM)


def test_defaults_are_those_stated():
    meridian = Waveguide(Conical(90 * MM, 42 * DEGREE)).meridian
    mouth = 2 * meridian.mouth_radius
    assert solid_sizes(meridian, Choice()) == Sizes(
        "block", 6 * MM, mouth + 40 * MM, 10 * MM, pytest.approx(mouth + 20 * MM), 8
    )
    shallow = Waveguide(Conical(8 * MM, 42 * DEGREE)).meridian
    assert solid_sizes(shallow, Choice("shell")).flange_thickness == pytest.approx(8 * MM)


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        (Choice("tube"), r"\[solid\] kind = 'tube': must be one of block, shell"),
        (
            Choice("shell", wall=200 * MM),
            r"\[solid\] wall_mm = 200: must be at most 20 while flange_diameter_mm has its default, \d+\.?\d*\."
            r" Lower it, or write flange_diameter_mm = \d+ or more",
        ),
        (Choice("shell", wall=0.1 * MM), r"\[solid\] wall_mm = 0\.1: must be 0\.5 to 1000"),
        (Choice(flange_diameter=150 * MM), r"\[solid\] flange_diameter_mm = 150: must be 189\.473 to 10000"),
        (Choice("shell", flange_diameter=190 * MM), r"flange_diameter_mm = 190: must be 199\.473 .*twice the wall"),
        (Choice("shell", flange_thickness=95 * MM), r"flange_thickness_mm = 95: must be 0\.5 to 90 .*depth"),
        (Choice(bolt_circle=180 * MM), r"bolt_circle_mm = 180: must be 187\.473 to 227\.473"),
        (
            Choice(flange_width=250 * MM),
            r"\[solid\] flange_width_mm = 250: belongs to an oblong waveguide; the flange of a round one is round\."
            r" Leave it out, or write flange_diameter_mm",
        ),
        (Choice(bolts=-1), r"\[solid\] bolts = -1: must be 0 or more"),
    ],
)
def test_sizes_that_make_no_solid_are_refused(choice, message):
    meridian = Waveguide(Conical(90 * MM, 42 * DEGREE)).meridian
    with pytest.raises(InputError, match=message):
        solid_sizes(meridian, choice)


def test_bolt_circle_matters_only_with_bolts():
    meridian = Waveguide(Conical(90 * MM, 42 * DEGREE)).meridian
    assert solid_sizes(meridian, Choice(bolt_circle=180 * MM, bolts=0)).bolts == 0


def test_wall_beyond_the_mouth_plane_is_refused_by_place():
    rolled_back = Arc(20 * MM, 40 * MM, 60 * DEGREE, 150 * DEGREE, 20 * MM)
    meridian = Meridian((Line(0.0, 40 * MM - 20 * MM * np.tan(60 * DEGREE), 20 * MM, 40 * MM), rolled_back))
    for kind in ("block", "shell"):
        with pytest.raises(InputError, match=rf"the wall reaches z_mm = 22\.6\d, outside .* no {kind} holds it"):
            build(meridian, solid_sizes(meridian, Choice(kind)), chord_error=CHORD)


def test_wall_that_crosses_itself_is_refused_by_place():
    turn = Arc(60 * MM, 60 * MM, 0.0, 340 * DEGREE, 8 * MM)
    end = turn.frame_at(np.array([1.0]))
    meridian = Meridian(
        (Line(0.0, 60 * MM, 60 * MM, 60 * MM), turn, Line(float(end.z[0]), float(end.r[0]), 90 * MM, 50 * MM))
    )
    for kind in ("block", "shell"):
        with pytest.raises(InputError, match=r"Self-intersection\[0\.0"):
            build(meridian, solid_sizes(meridian, Choice(kind)), chord_error=CHORD)


def test_shell_that_closes_a_void_is_refused_by_place():
    # A bulge of radius 15 mm on a root of 23 mm: walls of 12 mm meet at the root and leave a void in the bulge.
    bulge = Arc(40 * MM, 60 * MM, -130 * DEGREE, 130 * DEGREE, 15 * MM)
    root = float(bulge.frame_at(np.array([1.0])).z[0])
    meridian = Meridian((Line(0.0, 60 * MM, 40 * MM, 60 * MM), bulge, Line(root, 60 * MM, 100 * MM, 60 * MM)))
    sizes = solid_sizes(meridian, Choice("shell", wall=12 * MM))
    with pytest.raises(InputError, match=r"encloses a void at z_mm = [45]\d"):
        outline(meridian, sizes, chord_error=CHORD)


def test_mesh_that_would_be_too_large_is_refused():
    meridian = Waveguide(Tractrix(900 * MM)).meridian
    with pytest.raises(InputError, match=r"--chord-error-mm = 0\.001: would need \d+ triangles, more than 5000000"):
        build(meridian, solid_sizes(meridian, Choice()), chord_error=0.001 * MM)


def test_the_same_design_gives_the_same_file(tmp_path):
    waveguide = Waveguide(SHAPES["cone"])
    for folder in ("one", "two"):
        read_back(waveguide, Choice(), tmp_path / folder)
    first, second = ((tmp_path / folder / "solid.stl").read_bytes() for folder in ("one", "two"))
    assert first == second
    assert first[:80] == b"evenflare mm 0a1b2c shelf horn".ljust(80)


def test_export_writes_both_files_or_none(tmp_path):
    waveguide = Waveguide(SHAPES["cone"])
    settings_ = {"chord_error": CHORD, "design_id": "0a1b2c", "name": "shelf horn"}
    with pytest.raises(InputError, match="--tool-radius-mm"):
        export(waveguide, Choice(), tmp_path / "out", tool_radius=40 * MM, **settings_)
    with pytest.raises(InputError, match="flange_diameter_mm"):
        export(waveguide, Choice(flange_diameter=1 * MM), tmp_path / "out", tool_radius=3 * MM, **settings_)
    assert not (tmp_path / "out").exists()
    done = export(waveguide, Choice(), tmp_path / "out", tool_radius=3 * MM, **settings_)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["points.csv", "solid.stl"]
    assert done.points.path.name == "points.csv"
    assert "drill 8 bolt holes" in done.points.path.read_text(encoding="utf-8")
    assert done.solid.volume > 0


def test_mesh_is_frozen():
    mesh = Mesh(np.zeros((3, 3)), np.array([[0, 1, 2]]))
    with pytest.raises(ValueError, match="read-only"):
        mesh.vertices[0, 0] = 1.0
