"""Point lists and sections of an oblong waveguide: read back, against closed forms and distances from the true wall."""

from __future__ import annotations

import csv

import numpy as np
import pytest
import shapely

from evenflare.files import InputError
from evenflare.manufacture import cloud, curve_at, export, grid, largest_ball, oblong_path, section, section_depths
from evenflare.manufacture.points.oblong_points import CURVE_COLUMNS, GRID_COLUMNS, SECTION_COLUMNS
from evenflare.manufacture.points.points import CAUTIONS
from evenflare.manufacture.wall.oblong_offset import check_clear
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Oblong, Points, RoundedRectangle, Superellipse, Waveguide
from oblongs import DEPTH, HOLLOW, MM, NARROWING, SHAPES, THROAT, Choice, cones, dense_wall, normals_of_cones, semi_axes

CHORD, TOOL = 0.05 * MM, 3 * MM
TOLD = {"design_id": "0a1b2c", "name": "shelf\nhorn"}


def exported(waveguide, folder, choice=None, **options):
    chosen = {"chord_error": CHORD, "tool_radius": TOOL} | options
    return export(waveguide, choice or Choice(), folder, **chosen, **TOLD)


def rows_of(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return [line for line in lines if line.startswith("#")], {
        key: np.array([float(r[key]) for r in rows]) for key in rows[0]
    }


def stacked(columns, *names):
    return np.stack([columns[name] for name in names], axis=-1)


@pytest.fixture(scope="module")
def of_cones(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cones")
    return folder, exported(cones(), folder, azimuths=(0.0, 45 * DEGREE, 90 * DEGREE, 135 * DEGREE))


def test_grid_of_elliptical_cones_is_that_of_the_closed_forms(of_cones):
    folder, facts = of_cones
    header, columns = rows_of(folder / "points.csv")
    assert tuple(columns) == GRID_COLUMNS
    points, normals = stacked(columns, "x_mm", "y_mm", "z_mm"), stacked(columns, "normal_x", "normal_y", "normal_z")
    a, b = semi_axes(points[:, 2] * MM)
    # The file's last digit, on the smallest half-axis.
    assert (points[:, 0] * MM / a) ** 2 + (points[:, 1] * MM / b) ** 2 == pytest.approx(1.0, abs=2e-7)
    # Read at coordinates rounded to a nanometre.
    assert normals == pytest.approx(normals_of_cones(points * MM), abs=2e-7)
    assert np.linalg.norm(normals, axis=-1) == pytest.approx(1.0, abs=1e-9)
    tool = stacked(columns, "tool_x_mm", "tool_y_mm", "tool_z_mm")
    assert tool == pytest.approx(points + 3.0 * normals, abs=2e-6)
    assert columns["program_z_mm"] == pytest.approx(tool[:, 2] - 3.0 - 90.0, abs=2e-6)
    assert len(points) == facts.points.rows * facts.points.columns
    assert columns["index"] == pytest.approx(np.arange(1, len(points) + 1))
    shape = facts.points.rows, facts.points.columns
    grid_of = points.reshape(*shape, 3)
    assert columns["row"].reshape(shape)[:, 0] == pytest.approx(np.arange(1, shape[0] + 1))
    assert np.all(np.diff(grid_of[:, 0, 2]) > 0)
    assert grid_of[[0, -1], 0, 2] == pytest.approx([0.0, 90.0])
    azimuth = np.unwrap(np.arctan2(grid_of[..., 1], grid_of[..., 0]), axis=1)
    assert np.all(np.diff(azimuth, axis=1) > 0)
    assert azimuth[:, [0, -1]] / DEGREE == pytest.approx(np.broadcast_to([0.0, 360.0], (shape[0], 2)), abs=1e-6)
    assert grid_of[:, 0] == pytest.approx(grid_of[:, -1], abs=1e-9)
    assert facts.points.lowest_program_z == pytest.approx(columns["program_z_mm"].min() * MM, abs=2e-9)
    text = "\n".join(header)
    for words in ("design: shelf horn", "design id: 0a1b2c", "radius 3;", "datum:", "at most 0.05;", "tolerance:"):
        assert words in text
    assert "bolts: drill 8 holes, which the mesh leaves out, at (x, y): (103.736, -64.668)" in text
    assert "part: block, outside 227.473 wide (x) and 149.335 high (y); thinnest 20.000 at z = 90.000" in text
    assert all(f"# {line}" in header for line in CAUTIONS)
    assert "undercut" not in text


def test_curve_at_45_degrees_of_elliptical_cones_is_that_of_the_closed_form(of_cones):
    folder, _ = of_cones
    header, columns = rows_of(folder / "points_azimuth_45.csv")
    assert tuple(columns) == CURVE_COLUMNS
    z, r = columns["z_mm"] * MM, columns["r_mm"] * MM
    a, b = semi_axes(z)
    # The ellipse in polar form.
    assert r == pytest.approx(1.0 / np.sqrt(0.5 / a**2 + 0.5 / b**2), abs=2e-9)
    x = r * np.sqrt(0.5)
    normal = normals_of_cones(np.column_stack([x, x, z]))
    assert columns["normal_z"] == pytest.approx(normal[:, 2], abs=1e-6)
    assert columns["normal_r"] == pytest.approx((normal[:, 0] + normal[:, 1]) * np.sqrt(0.5), abs=1e-6)
    across = (normal[:, 1] - normal[:, 0]) * np.sqrt(0.5)
    assert columns["normal_across"] == pytest.approx(across, abs=1e-6)
    # Toward the horizontal plane, since the wall is wider there.
    assert across.min() < -0.3
    assert columns["tool_across_mm"] == pytest.approx(3.0 * across, abs=1e-5)
    slope = np.gradient(r, z)
    # Differences over 2 mm.
    assert np.tan(columns["wall_angle_deg"][1:-1] * DEGREE) == pytest.approx(slope[1:-1], abs=5e-3)
    assert any("normal_across is its part out of the half-plane" in line for line in header)


def test_curve_at_135_degrees_mirrors_that_at_45(of_cones):
    folder, _ = of_cones
    _, one = rows_of(folder / "points_azimuth_45.csv")
    _, other = rows_of(folder / "points_azimuth_135.csv")
    for name in CURVE_COLUMNS:
        sign = -1.0 if "across" in name else 1.0
        assert other[name] == pytest.approx(sign * one[name], abs=1e-9)


@pytest.mark.parametrize("name", ["rolled", "rectangle", "oblate", "edges"])
def test_curves_in_both_planes_read_back_as_the_meridians(name, tmp_path):
    waveguide = SHAPES[name]
    exported(waveguide, tmp_path)
    for angle, meridian in ((0, waveguide.surface.horizontal), (90, waveguide.surface.vertical)):
        _, columns = rows_of(tmp_path / f"points_azimuth_{angle}.csv")
        z, r = columns["z_mm"], columns["r_mm"]
        assert columns["normal_across"] == pytest.approx(0.0, abs=1e-9)
        keep = np.concatenate([[True], np.hypot(np.diff(z), np.diff(r)) > 0])  # one point for an edge
        again = Points(tuple(zip((z[keep] * MM).tolist(), (r[keep] * MM).tolist(), strict=True)))
        t = np.linspace(0.0, 1.0, 2001)
        wall = shapely.LineString(np.vstack([np.column_stack(piece.frame_at(t)[:2]) for piece in meridian.pieces]))
        back = np.vstack([np.column_stack(piece.frame_at(t)[:2]) for piece in again.meridian(THROAT).pieces])
        # As a round list: the spline through the rows overshoots by a micrometre where the curvature jumps.
        shapely.prepare(wall)
        assert shapely.dwithin(wall, shapely.points(back), 1e-6).all()


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_tool_touches_the_wall_and_gouges_it_nowhere(name):
    surface = SHAPES[name].surface
    dense, wall = dense_wall(name), cloud(surface)
    path = oblong_path(surface, wall, tool_radius=TOOL, chord_error=CHORD)
    curve = curve_at(surface, 30 * DEGREE, tool_radius=TOOL, chord_error=CHORD)
    for centres in (path.centres.reshape(-1, 3), curve.places):
        far = dense.nearest(centres)
        # The nearest of points 0.15 to 0.3 mm apart is at most 0.15^2 / (2 x 3) mm farther than the wall itself.
        assert far.min() > TOOL - 0.1e-6
        assert far.max() < TOOL + 5e-6
        # Each keeps to its own quarter: none crosses the axis.
        assert centres[:, :2].min() > -1e-9
    # Half way between neighbours, along rows, columns and diagonals, the ball cuts in by the chord error at most.
    c = path.centres
    for middle in (c[1:] + c[:-1], c[:, 1:] + c[:, :-1], c[1:, 1:] + c[:-1, :-1], c[1:, :-1] + c[:-1, 1:]):
        assert dense.nearest(0.5 * middle.reshape(-1, 3), below=TOOL).min() > TOOL - CHORD - 0.1e-6
    ends = curve.places[1:] + curve.places[:-1]
    assert dense.nearest(0.5 * ends, below=TOOL).min() > TOOL - CHORD - 0.1e-6


def test_tool_rolls_round_the_edges(tmp_path):
    facts = exported(SHAPES["edges"], tmp_path)
    assert facts.points.edges == 2
    header, columns = rows_of(tmp_path / "points.csv")
    assert any(line.startswith("# edges: rows that repeat") for line in header)
    points, normals = stacked(columns, "x_mm", "y_mm", "z_mm"), stacked(columns, "normal_x", "normal_y", "normal_z")
    shape = facts.points.rows, facts.points.columns, 3
    points, normals = points.reshape(shape), normals.reshape(shape)
    still = (np.diff(points, axis=0) == 0).all(axis=(1, 2))
    turn = np.arccos(np.clip(np.sum(normals[1:] * normals[:-1], axis=-1), -1, 1))
    # Sagitta of the roll: radius (1 - cos(turn / 2)) within the chord error.
    assert TOOL * (1 - np.cos(0.5 * turn[still].max())) <= CHORD
    in_plane = turn[still & (np.abs(points[1:, 0, 2] - 40) < 1e-9)][:, 0]
    edge = np.arctan(53 / 30) - np.arctan((27 - 12.7) / 40)
    # Normals are told to ten digits, whose arc cosine is good to 1e-5.
    assert in_plane.sum() == pytest.approx(edge, abs=1e-3)


def test_undercut_is_told_with_its_place(tmp_path):
    facts = exported(NARROWING, tmp_path)
    assert facts.points.undercut_z == 0.0
    header, _ = rows_of(tmp_path / "points.csv")
    assert any(line.startswith("# undercut: from z_mm = 0, azimuth_deg = 0 the wall narrows") for line in header)


def test_largest_ball_of_an_ellipse_is_its_smallest_hollow_radius():
    surface = Waveguide(Oblong(Conical(DEPTH, 42 * DEGREE), Conical(DEPTH, 5 * DEGREE))).surface
    reach = largest_ball(surface, cloud(surface))
    z, a, b = reach.z, *semi_axes(reach.z, 42.0, 5.0)
    # Meusnier: the ellipse's own radius b^2/a at its end over the cosine of the wall's angle.
    assert reach.radius == pytest.approx(b**2 / a / np.cos(42 * DEGREE), rel=1e-3)
    assert (z, reach.azimuth) == pytest.approx((DEPTH, 0.0), abs=1e-9)


def test_largest_ball_of_a_rounded_rectangle_is_met_and_refused_beyond():
    surface = cones(section=RoundedRectangle(5 * MM)).surface
    wall = cloud(surface)
    radius = largest_ball(surface, wall).radius
    # The mouth's corners are circles of 5 mm; behind it they are quarter ellipses, tighter than that.
    assert 2.5 * MM < radius < 5 * MM
    oblong_path(surface, wall, tool_radius=radius, chord_error=CHORD)
    with pytest.raises(InputError) as refused:
        oblong_path(surface, wall, tool_radius=6 * MM, chord_error=CHORD)
    reach = largest_ball(surface, wall)
    assert str(refused.value) == (
        f"--tool-radius-mm = 6: the wall is concave with a radius of {radius / MM:.4g} mm at z_mm = {reach.z / MM:.4g},"
        f" azimuth_deg = {reach.azimuth / DEGREE:.3g}, so it must be at most {np.floor(radius * 1e6) / 1e3:.3f}. Take a"
        " smaller tool, or open the wall there"
    )


def test_ball_that_cuts_in_between_is_refused_by_place():
    surface = cones().surface
    wall = cloud(surface)
    path = oblong_path(surface, wall, tool_radius=TOOL, chord_error=CHORD)
    moved = path.centres + np.array([0.0, 0.0, -0.01 * MM])
    with pytest.raises(InputError) as refused:
        check_clear(moved, wall, TOOL)
    # 0.01 mm along the axis is 0.01 sin(42 degrees) along the normal.
    assert str(refused.value).startswith(
        "--tool-radius-mm = 3: the ball would cut 0.007 mm into the wall with its centre"
    )
    assert str(refused.value).endswith("Take a smaller tool, or open the wall there")


FLAT = Waveguide(Oblong(Conical(DEPTH, 42 * DEGREE, 15 * MM), Conical(DEPTH, 25 * DEGREE)))


@pytest.mark.parametrize(
    ("waveguide", "message"),
    [
        (
            HOLLOW,
            "--tool-radius-mm = 3: a concave corner at z_mm = 40, azimuth_deg = 0 is reached by no round tool. Give"
            " that corner a radius above the tool's",
        ),
        (
            FLAT,
            "--tool-radius-mm = 3: the crease where the rim lies flat in one plane and slopes in the other at z_mm ="
            " 90, azimuth_deg = 90 is reached by no round tool. Give both meridians a roundover, or neither",
        ),
    ],
    ids=["hollow", "crease"],
)
def test_places_that_no_tool_reaches_are_refused_word_for_word(waveguide, message, tmp_path):
    with pytest.raises(InputError) as refused:
        exported(waveguide, tmp_path / "out")
    assert str(refused.value) == message
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"tool_radius": 0.0}, "--tool-radius-mm = 0: must be a number above 0. Give the ball's or nose's radius"),
        ({"chord_error": 6 * MM}, "--chord-error-mm = 6: must be 0.001 to 5"),
        ({"azimuths": (7.0,)}, "azimuth 401.07 degrees: must be 0 to 360. Give the same direction in that range"),
        (
            {"sections": (0.1,)},
            "a section at 100 mm: must be 0 to 90.0000, throat plane to mouth. Leave it out, or change it",
        ),
    ],
)
def test_settings_out_of_range_are_refused_and_leave_no_file(options, message, tmp_path):
    with pytest.raises(InputError) as refused:
        exported(cones(), tmp_path / "out", **options)
    assert str(refused.value).startswith(message)
    assert not (tmp_path / "out").exists()


def test_export_writes_all_files_the_same_each_time(tmp_path):
    one, two = (exported(SHAPES["oblate"], tmp_path / name, chord_error=0.3 * MM) for name in ("one", "two"))
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    curves = [f"points_azimuth_{angle}.csv" for angle in (0, 45, 90)]
    assert names == sorted(["points.csv", *curves, "sections.csv", "solid.stl"])
    assert [curve.path.name for curve in one.curves] == [*curves, "sections.csv"]
    assert all((tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes() for name in names)
    assert one.solid.volume == two.solid.volume


def test_sections_of_elliptical_cones_are_ellipses_within_the_chord_error(of_cones):
    folder, _ = of_cones
    _, columns = rows_of(folder / "sections.csv")
    assert tuple(columns) == SECTION_COLUMNS
    depths = np.unique(columns["depth_mm"])
    assert depths == pytest.approx(np.arange(0.0, 91.0, 10.0))
    for depth in depths:
        here = columns["depth_mm"] == depth
        points = stacked(columns, "x_mm", "y_mm")[here]
        a, b = np.array(semi_axes(depth * MM)) / MM
        # The file's last digit.
        assert (points[:, 0] / a) ** 2 + (points[:, 1] / b) ** 2 == pytest.approx(1.0, abs=2e-7)
        psi = np.linspace(0.0, 2 * np.pi, 4001)
        ellipse = shapely.points(a * np.cos(psi), b * np.sin(psi))
        off = shapely.distance(ellipse, shapely.LinearRing(points)).max()
        assert 0.01 < off <= 0.05
        assert columns["index"][here] == pytest.approx(np.arange(1, here.sum() + 1))
        assert points[0] == pytest.approx([a, 0.0], abs=1e-6)
        assert shapely.LinearRing(points).is_ccw


@pytest.mark.parametrize(
    "section_kind", [Superellipse(5.0), RoundedRectangle(4 * MM)], ids=["superellipse", "rectangle"]
)
@pytest.mark.parametrize("chord", [0.5, 0.01])
def test_sections_of_squarer_shapes_keep_the_chord_error_too(section_kind, chord):
    surface = cones(section=section_kind).surface
    psi = np.linspace(0.0, 2 * np.pi, 8001)
    for z in (30 * MM, DEPTH):
        ring = shapely.LinearRing(section(surface, z, chord_error=chord * MM))
        exact = surface.patch(np.array([z]), psi, stretch=0).points[0, :, :2]
        # Probes of the true curve meet its crests to 1 %.
        assert shapely.distance(shapely.points(exact), ring).max() <= 1.01 * chord * MM


def test_sections_are_those_asked_for_in_order():
    assert section_depths(DEPTH, (0.05, 0.01, 0.05)) == (0.01, 0.05)
    assert section_depths(0.025, None) == pytest.approx((0.0, 0.01, 0.02, 0.025))


def test_a_finer_chord_error_gives_a_finer_grid():
    surface = SHAPES["rolled"].surface
    sizes = [grid(surface, chord_error=chord * MM).points[..., 0].size for chord in (0.2, 0.02, 0.002)]
    # Lines go as the root of the chord error in both directions, where no largest cell rules.
    assert sizes[2] / sizes[1] == pytest.approx(10.0, rel=0.5)
    assert sizes[1] > sizes[0]
