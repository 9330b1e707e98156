"""Boundary elements of bodies from triangles: exact fields, boxes and cylinders that are known otherwise, and power."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

import solids
from enclosures import (
    added,
    directions,
    far_of,
    one_thread,  # noqa: F401
    sources,
    whole,
)
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.exterior import cabinets
from evenflare.exterior.operator import Opening, responses
from evenflare.exterior.quads import pieces_of
from evenflare.exterior.scattering import ready
from evenflare.exterior.solids import checked, room_below, solid_mesh
from evenflare.exterior.waves import radial
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.radiation.march import march_solver
from evenflare.units import DEGREE, FloatArray, amplitude_db
from evenflare.waveguide import Cabinet, ClosedSolid, Conical, Mounting, RoundCabinet, SolidCabinet, Waveguide, solid_of
from evenflare.waveguide.solid import AnyCabinet

BODIES = {
    "box": solids.box(0.24, 0.38, 0.3),
    "wedge": solids.wedge(0.24, 0.38, 0.3),
    "step in the back": solids.angle_piece(0.24, 0.38, 0.3),
}
INSIDE = np.array([[-0.05, 0.07, 0.08], [-0.06, -0.05, 0.05]])
"""m, of two point sources in every body, on no mirror plane."""
AIR = Air()
CONE = Conical(0.07, 45 * DEGREE)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is solved before."""
    monkeypatch.setenv("EVENFLARE_CACHE", str(tmp_path))
    cabinets._OPERATORS.clear()
    cabinets._KEPT.clear()


@pytest.mark.parametrize(("name", "mirrors"), [("box", 3), ("wedge", 0), ("step in the back", 1)])
def test_sources_inside_are_found_on_the_surface_and_far_away(name: str, mirrors: int) -> None:
    """A body whose surface moves as point sources inside it would move it radiates as they do, whatever its shape."""
    body, k = solids.solid(BODIES[name]), 15.0
    assert len(body.mirrors) == mirrors
    mesh = solid_mesh(body, 0.08)
    slope, pressure = sources(k, INSIDE)
    q, moved = added(k, checked(ready(mesh, room=room_below(mesh, body))), slope)
    mesh = whole(mesh)
    known = pressure(mesh.place, mesh.normal)
    seen = directions(40)
    far, wanted = far_of(k, mesh, q, moved, seen), np.exp(1j * k * seen @ INSIDE.T) / (4 * np.pi)
    # Cells of a fifth of a wavelength: seen 0.5 and 0.07 %; of a tenth, 0.05 and 0.002 %.
    assert np.abs(q - known).max() < 1e-2 * np.abs(known).max()
    assert np.abs(far - wanted).max() * 4 * np.pi < 1.5e-3


@pytest.mark.parametrize("name", BODIES)
def test_the_surface_closes(name: str) -> None:
    """Area and volume as the library has them that made the body; Gauss's integral at the nodes is a half."""
    made = BODIES[name]
    mesh = whole(solid_mesh(solids.solid(made), 0.1))
    # Rounding.
    assert mesh.weight.sum() == pytest.approx(made.area, rel=1e-9)
    volume = np.sum(mesh.weight * np.sum(mesh.place * mesh.normal, axis=1)) / 3.0
    assert volume == pytest.approx(made.volume, rel=1e-9)


def heard_in(cabinet: AnyCabinet, frequency: FloatArray) -> Directivity:
    seen = Observation(frequency, np.arange(-170.0, 181.0, 10.0) * DEGREE, plane=np.array([0.0, 0.5 * np.pi]))
    return march_solver("full", cores=2)(Waveguide(CONE, mounting=Mounting(cabinet=cabinet)), seen, AIR)


def level(directivity: Directivity) -> FloatArray:
    return amplitude_db(np.abs(directivity.pressure / directivity.on_axis[:, None, None]))


def apart(one: Directivity, other: Directivity) -> tuple[float, float]:
    """dB, of the index and of the polar response above -20 dB."""
    loud = level(one) > -20.0
    return (
        float(np.abs(one.far_field_index - other.far_field_index).max()),
        float(np.abs(level(one) - level(other))[loud].max()),
    )


def test_a_box_from_triangles_is_the_box_by_its_sizes() -> None:
    """With the mouth off its middle; then with its faces cut into slivers, which are the same faces."""
    frequency = np.array([500.0, 1000.0, 1600.0])
    wanted = heard_in(Cabinet(0.24, 0.38, 0.3, x=0.01, y=0.06), frequency)
    plain = solids.solid(BODIES["box"])
    index, polar = apart(wanted, heard_in(SolidCabinet(plain, 0.01, 0.06), frequency))
    # Both have cells of 1 / 2.2 wavelengths, the same but for where faces are cut: seen 0.002 and 0.014 dB.
    assert index < 0.02
    assert polar < 0.1
    cut = slivers()
    assert cut.digest != plain.digest
    assert len(cut.outlines) == 6
    for size in (0.05, 0.1):
        ours, theirs = (solid_mesh(each, size).place for each in (cut, plain))
        assert ours.shape == theirs.shape
        # A sliver on an edge, lower than 0.01 mm, may count to either face.
        assert cKDTree(theirs).query(ours)[0].max() < 1e-5


def slivers() -> ClosedSolid:
    """The box, every face of which is cut into triangles of 0.02 mm width and less along its edges."""
    mesh = solids.box(0.24, 0.38, 0.3)
    inner = mesh.triangles.mean(axis=1)
    triangles = []
    for corners, middle in zip(mesh.triangles, inner, strict=True):
        # To a point so near the first side that the triangle on it has next to no height.
        foot = corners[:2].mean(axis=0)
        near = foot + 1e-4 * (middle - foot)
        triangles += [[corners[i], corners[(i + 1) % 3], near] for i in range(3)]
    return solid_of(np.array(triangles).astype(np.float32).astype(float))


def test_power_in_is_power_out_and_what_comes_back_is_reciprocal() -> None:
    """In a body without any symmetry, for any mixture of waves. Source: as of the built-in boxes."""
    cabinet, k, radius = SolidCabinet(solids.solid(BODIES["wedge"]), 0.0, 0.06), 15.0, 0.09
    mesh = solid_mesh(cabinet.solid, 0.07)
    body = ready(mesh, room=room_below(mesh, cabinet.solid))
    x, y, z = cabinet.centre.tolist()
    found = responses(k, body, [Opening((x, y, z), radius, False)], reach=cabinet.reach)[0]
    mouth, around = found.mouth, found.around
    h, _ = radial(np.array([k * radius]), int(mouth.degree.max()), outgoing=True)
    scale, weight = np.abs(h[0, mouth.degree]), 2 * mouth.degree + 1
    out = (found.far.conj().T / (2 * around.degree + 1)) @ found.far
    back = found.back / weight[:, None]
    into = 0.5 * (np.diag(1.0 / weight) + 0.5 * (back + back.conj().T))
    out, into, back = (each / scale[:, None] / scale for each in (out, into, back))
    # Cells of a sixth of a wavelength; of the built-in boxes 1e-4 and 2e-3 are asked for.
    assert np.abs(out - into).max() < 1e-3 * np.abs(into).max()
    assert np.abs(back - back.T).max() < 5e-3 * np.abs(back).max()


@pytest.mark.slow
def test_a_cylinder_in_facets_radiates_as_the_judge_for_bodies_of_revolution_has_it() -> None:
    frequency = np.array([500.0, 1600.0])
    # Sides round the circle, so that the area of the section is the circle's.
    sides = 64
    radius = 0.15 * np.sqrt(2 * np.pi / sides / np.sin(2 * np.pi / sides))
    body = solid_of(solids.cylinder(radius, 0.288, 0.015, sides=sides, steps=3))
    assert body.mirrors == (0, 1, 2)
    found = heard_in(SolidCabinet(body), frequency)
    seen = replace(found.observation, plane=np.zeros(1), off_axis=np.arange(0.0, 181.0, 10.0) * DEGREE)
    waveguide = Waveguide(CONE, mounting=Mounting(body=RoundCabinet(0.3, 0.288, 0.015)))
    judged = judge_solver("screen", cores=2)(waveguide, seen, AIR)
    # The index's bound; facets of 5.6 degrees round the circle and of 30 along the edge: seen 0.016 dB.
    assert np.abs(found.far_field_index - judged.far_field_index).max() < 0.05
    right = found.observation.off_axis > -1e-9
    loud = level(judged)[:, 0] > -20.0
    assert np.abs(level(found)[:, 0, right] - level(judged)[:, 0])[loud].max() < 0.1


def test_solved_bodies_are_kept_by_their_contents() -> None:
    """The same body from elsewhere is found again, one with a corner moved is not."""
    k = np.array([5.0])
    body = solids.solid(BODIES["box"])
    again = solids.solid(BODIES["box"].copy())
    moved = BODIES["box"].copy()
    moved.vertices = moved.vertices + np.array([0.001, 0.0, 0.0]) * (moved.vertices[:, :1] > 0.0)
    cabinets.operator_of(SolidCabinet(body, 0.0, 0.06), k, is_round=True)
    assert cabinets.is_kept(SolidCabinet(again, 0.0, 0.06), k, is_round=True)
    assert not cabinets.is_kept(SolidCabinet(again, 0.0, 0.05), k, is_round=True)
    assert not cabinets.is_kept(SolidCabinet(solids.solid(moved), 0.0, 0.06), k, is_round=True)


class TestMemory:
    def test_is_refused_with_the_wavenumber_that_it_does_for(self, monkeypatch: pytest.MonkeyPatch) -> None:
        cabinet = SolidCabinet(solids.solid(BODIES["wedge"]))
        most = 1_000_000_000
        monkeypatch.setattr(cabinets, "available_memory", lambda: most)
        k = np.array([20.0, cabinets.top_wavenumber(cabinet)])
        with pytest.raises(cabinets.ShortOfMemoryError, match="GB are free") as caught:
            cabinets.check_memory(cabinet, k, is_round=True)
        assert cabinets.memory_needed(cabinet, caught.value.top) <= most < caught.value.needed
        cabinets.check_memory(cabinet, np.array([20.0, caught.value.top]), is_round=True)

    def test_is_the_limit_of_bodies_of_too_many_faces(self) -> None:
        body = solid_of(
            np.array(trimesh.creation.icosphere(4, 0.2).slice_plane([0, 0, 0.1], [0, 0, -1], cap=True).triangles)
        )
        assert not body.mirrors or len(body.outlines) > 2000
        with pytest.raises(ValueError, match="flat faces need .* GB of memory at any frequency"):
            cabinets.top_wavenumber(SolidCabinet(body))


def ring(points: FloatArray) -> FloatArray:
    return np.stack([points, np.roll(points, -1, axis=0)], axis=1)


def circle(count: int, radius: float) -> FloatArray:
    turn = 2 * np.pi * np.arange(count) / count
    return radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)


@pytest.mark.parametrize(
    "sides",
    [
        ring(np.array([[0, 0], [0.3, 0], [0.3, 0.01], [0, 0.01]])),
        ring(circle(64, 0.15)),
        np.concatenate([ring(circle(64, 0.15)), ring(circle(48, 0.05)[::-1] + 0.02)]),
        np.concatenate([ring(circle(64, 0.15)), ring(circle(64, 0.148)[::-1])]),
        ring(np.array([[0, 0], [0.4, 0], [0.4, 0.02], [0.2, 0.011], [0.2, 0.05]])),
    ],
    ids=["strip", "disc", "disc with a hole", "thin ring", "acute"],
)
def test_pieces_tile_a_face_and_keep_its_edges(sides: FloatArray) -> None:
    pieces = pieces_of(sides, np.ones(len(sides), dtype=bool))
    corners, after = pieces.corners, np.roll(pieces.corners, -1, axis=1)

    def area(start: FloatArray, end: FloatArray) -> FloatArray:
        return 0.5 * np.sum(start[..., 0] * end[..., 1] - start[..., 1] * end[..., 0], axis=-1)

    each = area(corners, after)
    assert each.min() > 0.0
    # Rounding.
    assert each.sum() == pytest.approx(float(area(sides[:, 0], sides[:, 1])), rel=1e-9)
    edges = np.sum(pieces.sharp * np.linalg.norm(after - corners, axis=2))
    assert edges == pytest.approx(np.linalg.norm(sides[:, 1] - sides[:, 0], axis=1).sum(), rel=1e-9)
