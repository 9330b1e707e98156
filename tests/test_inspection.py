"""Scans registered, mapped and judged: invented parts in any position, with other surfaces, holes and stray points."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from evenflare.files import InputError
from evenflare.inspection import inspected
from evenflare.inspection.feet import drawn_wall
from evenflare.units import FloatArray
from evenflare.waveguide import Conical, Oblong, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from scanned import Planted, made

ROUND = Waveguide(Conical(0.05, np.radians(40), 0.012))
OBLONG = Waveguide(Oblong(Conical(0.05, np.radians(40), 0.01), Conical(0.05, np.radians(28), 0.01)))
PLANTED = Planted(scale=3e-3, offset=8e-5, bow=1.5e-4, ovality=1e-4)
CELLS = 150


def test_feet_on_an_oblong_wall_are_those_of_another_library() -> None:
    drawn = drawn_wall(OBLONG)
    rng = np.random.default_rng(0)
    surface = OBLONG.surface
    z = rng.uniform(surface.cuts[0] + 1e-3, surface.cuts[1] - 1e-3, 300)
    patch = surface.patch(z, rng.uniform(-np.pi, np.pi, (300, 1)), stretch=0)
    off = rng.uniform(-8e-4, 8e-4, 300)
    feet = drawn.feet(patch.points[:, 0] - off[:, None] * patch.normals[:, 0])
    assert feet.inside.all()
    # A micrometre: a node's sphere for the wall, and a tenth of what any scanner resolves.
    assert feet.off == pytest.approx(off, abs=1e-6)


def test_feet_of_a_cone_are_its_closed_form() -> None:
    cone = Waveguide(Conical(0.05, np.radians(40)))
    rng = np.random.default_rng(0)
    z, off, azimuth = rng.uniform(0.003, 0.047, 500), rng.uniform(-1e-3, 1e-3, 500), rng.uniform(-3, 3, 500)
    start = cone.meridian.ends
    angle = float(start.angle[0])
    r = start.r[0] + z * np.tan(angle) + off * np.cos(angle)
    points = np.column_stack([r * np.cos(azimuth), r * np.sin(azimuth), z - off * np.sin(angle)])
    feet = drawn_wall(cone).feet(points)
    assert feet.off == pytest.approx(off, abs=1e-12)  # rounding
    assert feet.share == pytest.approx(z / 0.05, abs=1e-9)
    assert feet.azimuth == pytest.approx(azimuth, abs=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("waveguide", "span", "seed"),
    [(ROUND, np.pi, 1), (ROUND, np.pi / 2, 2), (ROUND, np.pi / 3, 3), (OBLONG, np.pi, 4)],
    ids=["whole", "half", "third", "oblong"],
)
def test_a_part_in_any_position_is_found_and_what_was_planted_comes_back(
    waveguide: Waveguide, span: float, seed: int
) -> None:
    scan = made(waveguide, PLANTED, seed=seed, span=span, face=True, strays=0.1, count=4000)
    found = inspected(scan.scan, None, waveguide, cells=CELLS)
    back = scan.scan @ found.rotation.T + found.shift
    if waveguide.is_round:  # it may be turned about its axis
        turn = np.angle(np.sum((scan.part[:, 0] + 1j * scan.part[:, 1]) * np.conj(back[:, 0] + 1j * back[:, 1])))
        c, s = np.cos(turn), np.sin(turn)
        back = back @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    part = scan.part
    assert found.registered_to == "datums" or span < np.pi
    if found.registered_to == "datums":
        # The mouth's face, the only one scanned, lies in its plane, and the part has grown from there.
        part = part - [0.0, 0.0, PLANTED.scale * drawn_wall(waveguide).depth]
    shift, turned = found.pose_error[:3].max(), found.pose_error[3:]
    turned = turned[np.isfinite(turned)]  # about its axis a round one has none
    assert np.abs(back - part).max() < 4.0 * (shift + 0.1 * turned.max())
    for estimate, truth in (
        (found.scale, 1.0 + PLANTED.scale),
        (found.offset, PLANTED.offset),
        (found.bow, PLANTED.bow),
        (found.ovality, PLANTED.ovality),
        (found.waviness, scan.waves),
    ):
        # Of twenty values one in sixteen thousand lies beyond four standard errors.
        assert abs(estimate.value - truth) < 4.0 * estimate.standard_error
    assert found.used[: scan.wall].mean() > 0.95
    assert found.used[scan.wall :].mean() < 0.03  # strays that fell on the wall


def test_strays_about_a_part_that_is_partly_scanned_are_no_waves() -> None:
    """In many cells a stray beside a third of a part has one for itself."""
    scan = made(ROUND, PLANTED, seed=0, span=np.pi / 3, face=True, strays=0.13, count=4000)
    found = inspected(scan.scan, None, ROUND)
    assert found.used[scan.wall :].mean() < 0.005
    # Twice what such parts give without strays; with the strays among the wall it is five times and more.
    assert found.bow.standard_error < 6e-5


def test_registration_agrees_with_another_librarys() -> None:
    """trimesh.registration.icp, point to point, of a part without errors from a pose near its own."""
    scan = made(ROUND, Planted(), seed=5, waves=0.0, noise=1e-6, turned=False, count=3000)
    turn = trimesh.transformations.euler_matrix(0.01, -0.015, 0.0)
    turn[:3, 3] = [4e-4, -3e-4, 5e-4]
    moved = trimesh.transformations.transform_points(scan.scan, turn)
    found = inspected(moved, None, ROUND, to="best_fit", cells=CELLS)
    rows, around = np.linspace(0.0, 1.0, 120), np.linspace(-np.pi, np.pi, 241)[:-1]
    dense = drawn_wall(ROUND).wall_at(*np.broadcast_arrays(rows[:, None], around))[0].reshape(-1, 3)
    theirs = trimesh.registration.icp(moved, dense, max_iterations=60, threshold=1e-12, reflection=False, scale=False)[
        0
    ]
    axis = found.rotation.T @ np.array([0.0, 0.0, 1.0])
    their_axis = theirs[:3, :3].T @ np.array([0.0, 0.0, 1.0])
    assert axis == pytest.approx(turn[:3, :3] @ [0.0, 0.0, 1.0], abs=2e-4)
    # Points to points slide by a part of the spacing of the cloud, 1 mm over 50.
    assert axis == pytest.approx(their_axis, abs=5e-3)


def test_a_facetted_mesh_of_another_library_with_holes_and_strays(tmp_path) -> None:
    """A surface of revolution by trimesh, subdivided, holes cut; its corners lie on the wall as built."""
    from evenflare.inspection import check_unit, read_scan

    built = deviated(ROUND, WallDeviation(bow=2e-4))
    t = np.linspace(0.0, 1.0, 40)
    frames = [piece.frame_at(t) for piece in built.meridian.pieces]
    line = np.column_stack([np.concatenate([f.r for f in frames]), np.concatenate([f.z for f in frames])]) * 1e3
    mesh = trimesh.creation.revolve(line, sections=120)
    mesh.update_faces(np.linalg.norm(mesh.triangles_center - [40.0, 0.0, 35.0], axis=1) > 12.0)
    mesh.apply_transform(trimesh.transformations.random_rotation_matrix(np.array([0.2, 0.7, 0.4])))
    for name in ("part.stl", "part.ply"):
        (tmp_path / name).write_bytes(mesh.export(file_type=name[-3:]))
        scan = read_scan(tmp_path / name)
        check_unit(scan, ROUND)
        assert scan.kind == "mesh"
    found = inspected(scan.points, scan.normals, ROUND, cells=CELLS)
    assert abs(found.bow.value - 2e-4) < 4.0 * found.bow.standard_error
    assert found.bow.standard_error < 3e-5
    again = deviated(ROUND, found.wall)  # what is to be solved
    share = np.linspace(0.1, 0.9, 9)
    near = [np.abs(_radius(again, z) - _radius(built, z)) for z in 0.045 * share]
    assert max(near) < 4e-5  # a fifth of the bow


def _radius(waveguide: Waveguide, z: float) -> float:
    t = np.linspace(0.0, 1.0, 2001)
    frames = [piece.frame_at(t) for piece in waveguide.meridian.pieces]
    return float(np.interp(z, np.concatenate([f.z for f in frames]), np.concatenate([f.r for f in frames])))


def test_a_probes_ball_is_taken_off_along_the_normal() -> None:
    scan = made(ROUND, Planted(bow=1e-4), seed=6, waves=0.0, noise=2e-6, turned=False, count=90)
    away = drawn_wall(ROUND).feet(scan.part).normals
    found = inspected(scan.part - 1.5e-3 * away, None, ROUND, probe_radius=1.5e-3, cells=CELLS)
    assert found.points == pytest.approx(scan.part, abs=6.0 * found.pose_error[:3].max())
    assert abs(found.bow.value - 1e-4) < 4.0 * found.bow.standard_error


def test_a_throat_that_is_touched_tells_its_step_however_far_off_the_balls_centres_lie() -> None:
    share, azimuth = np.meshgrid([0.01, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9], np.arange(12) * np.pi / 6.0)
    part, away = (each.reshape(-1, 3) for each in drawn_wall(ROUND).wall_at(share, azimuth))
    part += 1e-6 * np.random.default_rng(8).normal(size=part.shape)
    found = inspected(part - 2.5e-3 * away, None, ROUND, probe_radius=2.5e-3, cells=CELLS)
    assert abs(found.throat_step.value) < 4.0 * found.throat_step.standard_error  # nan where it is not asked


def test_a_profile_keeps_its_axis_and_tells_no_ovality() -> None:
    z = np.linspace(0.001, 0.045, 60)
    points: FloatArray = np.column_stack([[_radius(ROUND, each) for each in z], np.zeros(60), z])
    found = inspected(points, None, ROUND, in_plane=True)
    assert np.isinf(found.pose_error[[0, 1, 3, 4, 5]]).all()
    assert found.ovality.value == 0.0
    assert np.abs(found.off[found.used]).max() < 1e-6


def test_what_is_no_scan_of_the_part_is_refused() -> None:
    with pytest.raises(InputError, match="6"):
        inspected(np.zeros((3, 3)), None, ROUND)
    ball = trimesh.creation.icosphere(4, 0.4).vertices
    with pytest.raises(InputError, match="not found"):
        inspected(np.asarray(ball), None, ROUND)
    plain = made(ROUND, Planted(), seed=7, count=1500)
    with pytest.raises(InputError, match="datums"):
        inspected(plain.scan, None, ROUND, to="datums", cells=CELLS)
