"""The point list and the tool's path, against closed forms and against shapely's distances and buffers."""

from __future__ import annotations

import csv
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from drawn import drawn
from evenflare.files import InputError
from evenflare.manufacture import Sizes, largest_tool_radius, tool_path, write_points
from evenflare.manufacture.points.points import CAUTIONS, COLUMNS
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import FAMILIES, Conical, Driver, Free, Meridian, OblateSpheroidal, Points, Tractrix, Waveguide
from evenflare.waveguide.walls import Arc, Line

MM = MILLIMETRE
CHORD, TOOL = 0.05 * MM, 3 * MM


def edged():
    """A cone, a sharp edge outward from 20 to 60 degrees, a second cone."""
    middle = 12.7 * MM + 40 * MM * np.tan(20 * DEGREE)
    end = middle + 30 * MM * np.tan(60 * DEGREE)
    return Meridian((Line(0.0, 12.7 * MM, 40 * MM, middle), Line(40 * MM, middle, 70 * MM, end)))


def hollow(radius, *, start, turn):
    """A straight wall at the angle `start`, bent toward the axis by `turn` on `radius`, straight again."""
    z, r = 20 * MM * np.cos(start), 60 * MM + 20 * MM * np.sin(start)
    arc = Arc(z, r, start, start - turn, radius)
    end = arc.frame_at(np.array([1.0]))
    z1, r1, a1 = float(end.z[0]), float(end.r[0]), float(end.angle[0])
    return Meridian((Line(0.0, 60 * MM, z, r), arc, Line(z1, r1, z1 + 20 * MM * np.cos(a1), r1 + 20 * MM * np.sin(a1))))


def fine_wall(meridian, count=4001):
    t = np.linspace(0.0, 1.0, count)
    parts = [piece.frame_at(t) for piece in meridian.pieces]
    wall = shapely.LineString(np.vstack([np.column_stack([p.z, p.r]) for p in parts]))
    shapely.prepare(wall)
    return wall


def rows_of(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    body = [line for line in lines if not line.startswith("#")]
    return [line for line in lines if line.startswith("#")], list(csv.DictReader(body))


def column(rows, name):
    return np.array([float(row[name]) for row in rows])


def written(waveguide, tmp_path, **options):
    path = tmp_path / "points.csv"
    chosen = {"chord_error": CHORD, "tool_radius": TOOL, "design_id": "0a1b2c", "name": "shelf horn"} | options
    facts = write_points(waveguide, path, **chosen)
    return facts, *rows_of(path)


def test_rows_of_a_45_degree_cone_are_those_worked_out_by_hand(tmp_path):
    facts, _, rows = written(Waveguide(Conical(90 * MM, 45 * DEGREE)), tmp_path, tool_radius=2 * MM)
    assert tuple(rows[0]) == COLUMNS
    half = 2 * np.sqrt(0.5)
    first, last = rows[0], rows[-1]
    expected = {"index": 1, "z_mm": 0, "r_mm": 12.7, "wall_angle_deg": 45, "normal_z": np.sqrt(0.5)}
    expected |= {"normal_r": -np.sqrt(0.5), "tool_z_mm": half, "tool_r_mm": 12.7 - half, "program_z_mm": half - 92}
    # The file's last digit.
    assert {name: float(value) for name, value in first.items()} == pytest.approx(expected, abs=1e-6)
    assert float(last["z_mm"]) == pytest.approx(90, abs=1e-6)
    assert float(last["r_mm"]) == pytest.approx(102.7, abs=1e-6)
    assert float(last["program_z_mm"]) == pytest.approx(half - 2, abs=1e-6)
    assert facts.lowest_program_z == pytest.approx((half - 92) * MM, abs=1e-12)
    assert facts.rows == len(rows)


@settings(deadline=None, max_examples=25)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), tool=st.floats(0.5, 10.0))
def test_tool_never_gouges_by_shapely_over_the_search_space(family, seed, tool):
    meridian = drawn(family, seed).meridian
    radius = tool * MM
    path = tool_path(meridian, tool_radius=radius, chord_error=CHORD)
    wall = fine_wall(meridian)
    centres = shapely.points(path.centre_z, path.centre_r)
    # The fine wall's own chords stand 0.02 um off.
    assert shapely.distance(centres, wall).min() >= radius - 0.05e-6
    moves = shapely.LineString(np.column_stack([path.centre_z, path.centre_r]))
    assert shapely.distance(moves, wall) >= radius - CHORD - 0.05e-6
    # The buffer of the wall, its arcs within 0.01 of the chord error: centres lie outside, or on its edge.
    inside = wall.buffer(radius - 0.05e-6, quad_segs=64)
    assert not shapely.contains(inside, centres).any()
    assert path.centre_r.min() >= 0


@settings(deadline=None, max_examples=25)
@given(family=st.sampled_from(FAMILIES), seed=st.integers(0, 2**20), chord=st.floats(0.005, 0.3))
def test_rows_lie_on_the_wall_in_order_within_the_chord_error(family, seed, chord):
    meridian = drawn(family, seed).meridian
    path = tool_path(meridian, tool_radius=TOOL, chord_error=chord * MM)
    wall = fine_wall(meridian)
    rows = shapely.points(path.wall.z, path.wall.r)
    # The fine wall's own chords stand 0.02 um off.
    assert shapely.dwithin(wall, rows, 0.05e-6).all()
    polyline = shapely.LineString(np.column_stack([path.wall.z, path.wall.r]))
    # The nearest chord is at most as far as the row's own; the probes of the wall miss its crest by 1 %.
    shapely.prepare(polyline)
    assert shapely.dwithin(polyline, shapely.points(wall.coords), 1.01 * chord * MM).all()
    along = shapely.line_locate_point(wall, rows)
    assert np.all(np.diff(along) > -1e-9)
    assert np.hypot(path.normal_z, path.normal_r) == pytest.approx(1.0, abs=1e-12)


def test_tool_rolls_round_a_sharp_edge_on_its_radius(tmp_path):
    path = tool_path(edged(), tool_radius=TOOL, chord_error=CHORD)
    still = np.abs(path.wall.z - 40 * MM) < 1e-12
    angles = path.wall.angle[still] / DEGREE
    assert angles[0] == pytest.approx(20)
    assert angles[-1] == pytest.approx(60)
    # Sagitta of the roll: radius (1 - cos(turn / 2)) within the chord error.
    assert TOOL * (1 - np.cos(0.5 * np.diff(angles).max() * DEGREE)) <= CHORD
    vertex = np.array([40 * MM, 12.7 * MM + 40 * MM * np.tan(20 * DEGREE)])
    centres = np.column_stack([path.centre_z, path.centre_r])[still]
    assert np.hypot(*(centres - vertex).T) == pytest.approx(TOOL, abs=1e-12)


@pytest.mark.parametrize(
    "waveguide",
    [
        Waveguide(Conical(90 * MM, 42 * DEGREE, 20 * MM)),
        Waveguide(OblateSpheroidal(100 * MM, 40 * DEGREE, 20 * MM)),
        Waveguide(Tractrix(120 * MM), Driver(18 * MM)),
        Waveguide(Free(120 * MM, 10 * DEGREE, (5.0, 10.0, 12.0, 3.0), 10 * MM)),
        Waveguide(Points(((0.0, 0.0127), (0.04, 0.027), (0.07, 0.08)), corner=8 * DEGREE)),
    ],
    ids=["cone", "oblate", "tractrix", "free", "edge"],
)
def test_rows_read_back_as_the_same_wall(waveguide, tmp_path):
    facts, _, rows = written(waveguide, tmp_path)
    z, r = column(rows, "z_mm"), column(rows, "r_mm")
    keep = np.concatenate([[True], np.hypot(np.diff(z), np.diff(r)) > 0])  # one point for an edge
    again = Points(tuple(zip((z[keep] * MM).tolist(), (r[keep] * MM).tolist(), strict=True)))
    assert len(again.corners) == facts.edges
    wall = fine_wall(waveguide.meridian)
    back = shapely.points(fine_wall(Waveguide(again).meridian, 1001).coords)
    # The spline through the rows overshoots by a micrometre where the curvature jumps: a fiftieth of the chord error.
    assert shapely.dwithin(wall, back, 1e-6).all()


def test_largest_tool_of_a_hollow_profile_is_its_radius_and_names_the_place():
    meridian = hollow(5 * MM, start=60 * DEGREE, turn=60 * DEGREE)
    reach = largest_tool_radius(meridian)
    # Closed form: the arc's own radius. Rounding of the probes is far below a nanometre.
    assert reach.radius == pytest.approx(5 * MM, abs=1e-9)
    assert 10 * MM <= reach.z <= 15 * MM
    tool_path(meridian, tool_radius=5.0 * MM, chord_error=CHORD)
    with pytest.raises(InputError, match=r"--tool-radius-mm = 5\.01: .*concave along.* at z_mm = 1\d.*at most 5\.000"):
        tool_path(meridian, tool_radius=5.01 * MM, chord_error=CHORD)


def test_largest_tool_at_the_throat_is_the_circumference_radius():
    reach = largest_tool_radius(Waveguide(Conical(90 * MM, 45 * DEGREE)).meridian)
    # r / cos a, Meusnier's theorem.
    assert reach.radius == pytest.approx(12.7 * MM * np.sqrt(2.0), rel=1e-12)
    assert reach.z == 0.0
    with pytest.raises(InputError, match=r"around its axis .* 17\.96 mm at z_mm = 0, so it must be at most 17\.960"):
        tool_path(Waveguide(Conical(90 * MM, 45 * DEGREE)).meridian, tool_radius=18 * MM, chord_error=CHORD)


def test_largest_tool_in_a_necked_groove_is_half_the_neck():
    # A groove of radius 5 mm that closes to a neck of 2 x 5 x sin(50 degrees) between two sharp lips.
    groove = Arc(20 * MM, 60 * MM, 130 * DEGREE, -130 * DEGREE, 5 * MM)
    end = groove.frame_at(np.array([1.0]))
    lip = float(end.z[0])
    meridian = Meridian((Line(0.0, 60 * MM, 20 * MM, 60 * MM), groove, Line(lip, 60 * MM, lip + 20 * MM, 60 * MM)))
    reach = largest_tool_radius(meridian)
    # The lips are rolled in steps of 2 degrees, so that the widest ball is met within 0.02 %.
    assert reach.radius == pytest.approx(5 * MM * np.sin(50 * DEGREE), rel=2e-4)
    with pytest.raises(InputError, match="two stretches of wall leave room only for a radius of"):
        tool_path(meridian, tool_radius=4.5 * MM, chord_error=CHORD)
    path = tool_path(meridian, tool_radius=3.8 * MM, chord_error=CHORD)
    centres = shapely.points(path.centre_z, path.centre_r)
    # Chords of the fine groove stand 0.001 um into the air.
    assert shapely.distance(centres, fine_wall(meridian)).min() >= 3.8 * MM - 0.01e-6


@settings(deadline=None, max_examples=20)
@given(radius=st.floats(3.0, 30.0), start=st.floats(10.0, 80.0), turn=st.floats(5.0, 60.0))
def test_tool_at_its_largest_still_does_not_gouge(radius, start, turn):
    meridian = hollow(radius * MM, start=start * DEGREE, turn=min(start, turn) * DEGREE)
    largest = largest_tool_radius(meridian).radius
    assert largest <= radius * MM * (1 + 1e-9)
    path = tool_path(meridian, tool_radius=largest, chord_error=CHORD)
    wall = fine_wall(meridian)
    # The fine wall's chords stand up to 0.01 um into the air where it is hollow.
    assert shapely.distance(shapely.points(path.centre_z, path.centre_r), wall).min() >= largest - 0.02e-6


def test_hollow_corner_is_refused_by_place():
    r = 12.7 * MM + 40 * MM * np.tan(50 * DEGREE)
    end = r + 30 * MM * np.tan(20 * DEGREE)
    meridian = Meridian((Line(0.0, 12.7 * MM, 40 * MM, r), Line(40 * MM, r, 70 * MM, end)))
    with pytest.raises(InputError, match=r"--tool-radius-mm = 3: a concave corner at z_mm = 40 is reached by no round"):
        tool_path(meridian, tool_radius=TOOL, chord_error=CHORD)


@pytest.mark.parametrize("radius", [0.0, -1e-3, float("nan")])
def test_tool_radius_must_be_above_zero(radius):
    with pytest.raises(InputError, match=r"--tool-radius-mm = .*: must be a number above 0"):
        tool_path(edged(), tool_radius=radius, chord_error=CHORD)


@pytest.mark.parametrize("chord", [0.0, 0.9e-6, 6e-3, float("nan")])
def test_chord_error_out_of_range_is_refused(chord):
    with pytest.raises(InputError, match=r"--chord-error-mm = .*: must be 0\.001 to 5"):
        tool_path(edged(), tool_radius=TOOL, chord_error=chord)


def test_header_says_what_a_machinist_must_know(tmp_path):
    sizes = Sizes("shell", 6 * MM, 250 * MM, 10 * MM, 230 * MM, 8)
    facts, header, _ = written(
        Waveguide(Conical(90 * MM, 42 * DEGREE, 20 * MM)), tmp_path, name="shelf\nhorn", sizes=sizes
    )
    text = "\n".join(header)
    for words in (
        "design: shelf horn",
        "design id: 0a1b2c",
        "units: mm and degrees",
        "datum:",
        "chord error: ",
        "0.05",
    ):
        assert words in text
    assert "radius 3;" in text
    assert f"lowest program_z {facts.lowest_program_z / MM:.4f}" in text
    assert "tolerance:" in text
    assert "drill 8 bolt holes" in text
    assert "circle of diameter 230.000" in text
    assert all(f"# {line}" in header for line in CAUTIONS)
    assert "undercut" not in text
    assert facts.undercut_z is None


def test_undercut_is_told(tmp_path):
    narrowing = Waveguide(Points(((0.0, 0.02), (0.03, 0.019))))
    facts, header, _ = written(narrowing, tmp_path)
    assert facts.undercut_z == 0.0
    assert any(line.startswith("# undercut: from z = 0.000") for line in header)


def test_a_tool_that_does_not_fit_leaves_the_old_file(tmp_path):
    waveguide = Waveguide(Conical(90 * MM, 45 * DEGREE))
    written(waveguide, tmp_path)
    before = (tmp_path / "points.csv").read_bytes()
    with pytest.raises(InputError):
        written(waveguide, tmp_path, tool_radius=30 * MM)
    assert (tmp_path / "points.csv").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["points.csv"]


def test_neighbouring_steps_are_alike_so_that_a_spline_holds():
    path = tool_path(Waveguide(Conical(90 * MM, 42 * DEGREE, 20 * MM)).meridian, tool_radius=TOOL, chord_error=CHORD)
    steps = np.hypot(np.diff(path.wall.z), np.diff(path.wall.r))
    # Growth of 0.3 per length of wall is at most a factor (2 + 0.3) / (2 - 0.3) from step to step.
    assert max(max(a / b, b / a) for a, b in pairwise(steps)) < 1.36
    assert steps.max() <= 2 * MM * (1 + 1e-9)
