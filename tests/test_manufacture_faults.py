"""Faults of a solid: planted ones are found, named with their place and drawn; nothing is mended."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from evenflare.design.file import Solid
from evenflare.files import InputError, together
from evenflare.manufacture import build, export, solid_sizes
from evenflare.manufacture.part import stl
from evenflare.manufacture.part.faults import MOST, SolidError, drawn, places_in
from evenflare.manufacture.part.outline import outline
from evenflare.manufacture.part.solid import Mesh
from evenflare.manufacture.part.soundness import check_sound
from evenflare.manufacture.part.stl import clear_faults, write_faults, write_stl
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Meridian, OblateSpheroidal, Points, Waveguide
from evenflare.waveguide.crossings import crossings
from evenflare.waveguide.walls import Arc, Line

CONE = Waveguide(Conical(90 * MM, 42 * DEGREE, 10 * MM))
TOLD = {"chord_error": 0.2 * MM, "tool_radius": 2 * MM, "design_id": "0a1b2c", "name": "shelf horn"}


def part(waveguide=CONE, chord_error=0.2 * MM):
    return build(waveguide.meridian, solid_sizes(waveguide.meridian, Solid()), chord_error=chord_error)


def ball(centre=(0.0, 0.0, 0.0), radius=20 * MM):
    made = trimesh.creation.icosphere(subdivisions=3, radius=radius)
    return np.asarray(made.vertices) + centre, np.asarray(made.faces)


def both(first, second):
    return Mesh(np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1] + len(first[0])]))


def moved(mesh, index, place):
    vertices = mesh.vertices.copy()
    vertices[index] = place
    return Mesh(vertices, mesh.faces)


def test_a_sound_part_passes():
    check_sound(part())


def test_a_lacking_triangle_is_found_at_its_place():
    mesh = part()
    with pytest.raises(SolidError, match=r"\[solid\] the mesh is not closed at x = ") as found:
        check_sound(Mesh(mesh.vertices, np.delete(mesh.faces, 77, axis=0)))
    gap = mesh.vertices[mesh.faces[77]]
    # Its three neighbours, each of which has two of its corners.
    assert len(found.value.triangles) == 3
    apart = np.linalg.norm(found.value.triangles[:, :, None] - gap, axis=-1).min(axis=2)
    # To single precision at 150 mm in mm: 1e-5 mm.
    assert ((apart < 2e-8).sum(axis=1) == 2).all()


def test_a_triangle_turned_over_is_found():
    mesh = part()
    faces = mesh.faces.copy()
    faces[12] = faces[12][::-1]
    with pytest.raises(SolidError, match="is not closed"):
        check_sound(Mesh(mesh.vertices, faces))


def test_vertices_that_fall_together_in_a_file_are_found():
    mesh = part()
    a, b = mesh.faces[40, :2]
    with pytest.raises(SolidError, match="has triangles without area") as found:
        check_sound(moved(mesh, a, mesh.vertices[b] * (1 + 1e-9)))
    assert len(found.value.triangles) >= 1


def test_a_body_apart_and_a_void_are_found():
    with pytest.raises(SolidError, match="falls into 2 surfaces"):
        check_sound(both(ball(), ball((0.1, 0, 0))))
    vertices, faces = ball(radius=5 * MM)
    with pytest.raises(SolidError, match="falls into 2 surfaces") as found:
        check_sound(both(ball(), (vertices, faces[:, ::-1])))
    assert np.abs(found.value.triangles).max() <= 20 * MM


def test_inside_out_is_found():
    mesh = part()
    with pytest.raises(SolidError, match="is inside out"):
        check_sound(Mesh(mesh.vertices, mesh.faces[:, ::-1]))


@pytest.mark.parametrize("chord_error", [0.2 * MM, 1 * MM])
def test_a_vertex_of_the_wall_pushed_through_the_outside_is_found_there(chord_error):
    mesh = part(Waveguide(OblateSpheroidal(90 * MM, 40 * DEGREE)), chord_error)
    radius = np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1])
    inside = np.flatnonzero((radius < 60 * MM) & (mesh.vertices[:, 2] > 20 * MM))
    index = inside[len(inside) // 2]
    place = mesh.vertices[index] * (0, 0, 1) + mesh.vertices[index] * (1, 1, 0) / radius[index] * 130 * MM
    with pytest.raises(SolidError, match="passes through itself") as found:
        check_sound(moved(mesh, index, place))
    reach = np.hypot(found.value.triangles[..., 0], found.value.triangles[..., 1]).max(axis=1)
    # All faults are at the spike: the spike's own triangles, or those of the outside round it, and none elsewhere.
    assert (np.linalg.norm(found.value.triangles - place, axis=-1).min(axis=1) < 60 * MM).all()
    assert reach.max() == pytest.approx(130 * MM, rel=1e-6)


def test_two_balls_cross_where_their_surfaces_meet_and_only_there():
    distance, radius = 25 * MM, 20 * MM
    mesh = both(ball(), ball((distance, 1.1 * MM, 0.7 * MM)))
    pairs = crossings(mesh.vertices, mesh.faces)
    middle = mesh.vertices[mesh.faces[np.unique(pairs)]].mean(axis=1)
    # They meet in a circle halfway, of radius sqrt(R^2 - (d/2)^2); triangles of 20 mm in three divisions: 3 mm.
    assert np.abs(middle[:, 0] - distance / 2).max() < 3 * MM
    assert np.abs(np.hypot(*middle[:, 1:].T) - np.sqrt(radius**2 - (distance / 2) ** 2)).max() < 3 * MM
    assert (pairs[:, 0] != pairs[:, 1]).all()
    # Euler: every triangle that the circle passes is named.
    angle = np.sort(np.arctan2(middle[:, 2], middle[:, 1]))
    assert np.diff(angle).max() < 20 * DEGREE


def test_crossings_are_those_of_every_edge_with_every_triangle():
    rng = np.random.default_rng(3)
    vertices, faces = rng.uniform(0, 0.1, (3 * 80, 3)), np.arange(3 * 80).reshape(-1, 3)
    found = {tuple(sorted(pair)) for pair in crossings(vertices, faces).tolist()}
    wanted = set()
    for i in range(80):
        for j in range(i):
            pair = vertices[faces[i]], vertices[faces[j]]
            if any(
                pierces(a, b, other)
                for own, other in (pair, pair[::-1])
                for a, b in zip(own, np.roll(own, 1, 0), strict=True)
            ):
                wanted.add((j, i))
    assert len(wanted) > 20
    assert found == wanted


def pierces(start, end, triangle):
    """Whether a line goes through a triangle: the signs of five tetrahedra's volumes."""

    def side(a, b, c, d):
        return np.sign(np.linalg.det([b - a, c - a, d - a]))

    a, b, c = triangle
    ends = side(start, a, b, c), side(end, a, b, c)
    around = {side(start, end, a, b), side(start, end, b, c), side(start, end, c, a)}
    return ends[0] != ends[1] and len(around) == 1


def test_a_wall_through_itself_is_named_and_drawn_beside_the_export(tmp_path):
    # The mouth's lip rolls back behind where the wall is deepest: no block holds it.
    lip = Points(tuple((0.001 * z, 0.001 * r) for z, r in ((0, 12.7), (30, 40), (55, 70), (60, 80), (55, 90))))
    with (
        pytest.raises(InputError, match=r"the wall reaches z_mm = .*The places are drawn in .*faults\.stl"),
        together(),
    ):
        export(Waveguide(lip), Solid(), tmp_path, **TOLD)
    assert [path.name for path in tmp_path.iterdir()] == ["faults.stl"]
    drawing = trimesh.load(tmp_path / "faults.stl")
    assert drawing.is_watertight
    # Rings round the axis at the places, half a mark around them.
    assert 55 < drawing.bounds[1, 2] < 62


def test_an_export_of_a_faulty_mesh_draws_it_and_leaves_nothing_else(tmp_path, monkeypatch):
    def lacking(*_, **__):
        mesh = part()
        return Mesh(mesh.vertices, mesh.faces[1:])

    (tmp_path / "solid.stl").write_text("older")
    monkeypatch.setattr(stl, "build", lacking)
    with pytest.raises(InputError, match="is not closed at .* drawn in"), together():
        export(CONE, Solid(), tmp_path, **TOLD)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["faults.stl", "solid.stl"]
    assert (tmp_path / "solid.stl").read_text() == "older"
    monkeypatch.undo()
    export(CONE, Solid(), tmp_path, **TOLD)
    assert not (tmp_path / "faults.stl").exists()


def test_a_drawing_of_faults_that_is_not_ours_is_kept(tmp_path):
    path = tmp_path / "faults.stl"
    write_stl(part(), path, title="something else")
    clear_faults(path)
    assert path.is_file()


def test_outlines_at_fault_name_and_hold_their_places():
    turn = Arc(60 * MM, 60 * MM, 0.0, 340 * DEGREE, 8 * MM)
    end = turn.frame_at(np.array([1.0]))
    last = Line(float(end.z[0]), float(end.r[0]), 90 * MM, 50 * MM)
    meridian = Meridian((Line(0.0, 60 * MM, 60 * MM, 60 * MM), turn, last))
    with pytest.raises(SolidError, match=r"Self-intersection\[0\.0") as found:
        outline(meridian, solid_sizes(meridian, Solid()), chord_error=0.1 * MM)
    # The loop of radius 8 mm from (60, 60) on: straight lines meet it or each other on its near side.
    assert np.hypot(*(found.value.places - (60 * MM, 60 * MM)).T).max() < 17 * MM


def test_drawings_are_closed_bodies_round_their_places(tmp_path):
    fault = SolidError("here", places=[(0.01, 0.02, 0.03), (0.0, 0.0, 0.0)])
    assert write_faults(fault, tmp_path / "points.stl")
    points = trimesh.load(tmp_path / "points.stl")
    assert points.is_watertight
    assert points.body_count == 2
    # An octahedron of half-size 1 mm: 4/3 mm3 each.
    assert points.volume == pytest.approx(8 / 3, rel=1e-4)
    ring = trimesh.Trimesh(*soup(drawn(SolidError("here", places=[(0.05, 0.03)])) / MM))
    assert ring.is_watertight
    # A square of 1 mm turned at 30 mm as a polygon of 48 sides: Pappus, 2 pi 30 mm3 times 0.9971.
    assert ring.volume == pytest.approx(2 * np.pi * 30 * 48 / (2 * np.pi) * np.sin(2 * np.pi / 48), rel=1e-6)
    assert not write_faults(SolidError("nowhere"), tmp_path / "none.stl")
    assert not (tmp_path / "none.stl").exists()
    assert len(drawn(SolidError("many", places=np.arange(15.0 * MOST).reshape(-1, 3)))) == 8 * MOST


def soup(triangles):
    places, index = np.unique(triangles.reshape(-1, 3).round(9), axis=0, return_inverse=True)
    return places, index.reshape(-1, 3)


def test_places_are_read_from_a_reason():
    assert places_in("Self-intersection[0.05 0.03]").tolist() == [[0.05, 0.03]]
    assert places_in("Valid Geometry").shape == (0, 2)
