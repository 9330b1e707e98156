"""The curve through points: how far it may leave them, straights, jumps of curvature, corners at any spacing."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from shapely import LineString
from shapely import points as shapely_points

from evenflare.units import DEGREE
from evenflare.waveguide import BodyPoints, Conical, Free, Meridian, OblateSpheroidal, Points, Tractrix
from evenflare.waveguide.curve import drawn
from evenflare.waveguide.families import Shape
from evenflare.waveguide.walls import Arc, Line, SplineWall

MM = 1e-3
R0 = 12.7 * MM


def along(pieces, spacing):
    """Points (N, 2) on a wall about `spacing` m apart, whatever its pieces are, both ends included."""
    frames = [piece.frame_at(np.linspace(0.0, 1.0, 8001)) for piece in pieces]
    z, r = (np.concatenate([getattr(frame, name) for frame in frames]) for name in ("z", "r"))
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(z), np.diff(r)))])
    at = np.linspace(0.0, arc[-1], 1 + max(1, round(arc[-1] / spacing)))
    return np.column_stack([np.interp(at, arc, z), np.interp(at, arc, r)])


def wall_of(points, **others):
    return Points(tuple(zip(points[:, 0].tolist(), points[:, 1].tolist(), strict=True)), **others)


def turned(begin, angles_deg, lengths):
    """Points from (0, begin) on along chords of those headings and lengths, m."""
    heading = np.array(angles_deg) * DEGREE
    steps = np.array(lengths)[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.vstack([[0.0, begin], np.array([0.0, begin]) + np.cumsum(steps, axis=0)])


class TestDeparture:
    @given(
        st.lists(st.tuples(st.floats(-30, 30), st.floats(-4, -1.3)), min_size=2, max_size=25),
        st.floats(-20, 60),
    )
    @example([(0.0, -1.3), (8.0, -4.0), (8.0, -4.0), (8.0, -4.0), (8.0, -4.0)], 20.0)
    @settings(deadline=None, max_examples=150)
    def test_no_curve_leaves_its_chords_by_more_than_a_few_sagittas(self, steps, begin):
        """Chords of 0.1 to 50 mm in any order, turns of up to 30 degrees either way, no corners kept."""
        headings = begin + np.cumsum([turn for turn, _ in steps])
        points = turned(1.0, headings, [10.0**size for _, size in steps])
        assume(LineString(points).is_simple)
        length = np.hypot(*np.diff(points, axis=0).T)
        turn = np.zeros(len(points))
        turn[1:-1] = np.abs(np.diff(headings)) * DEGREE
        # 3.3 from the bounds on its angles and curvatures, and 5 % more for an arc longer than its chord
        allowed = 3.5 * length * np.maximum(turn[1:], turn[:-1]) / 8
        chords = [LineString(pair) for pair in itertools.pairwise(points)]
        for piece in drawn(points, corner=np.pi).pieces:
            knots = np.linspace(0.0, 1.0, 401)
            wall = piece.frame_at(knots)
            off = np.array([chord.distance(shapely_points(wall.z, wall.r)) for chord in chords])
            # 1 um and 1e-9: a point may be left by what its own decimals leave open
            assert (off - allowed[:, None]).min(axis=0).max() < 1e-9

    @pytest.mark.parametrize("count", [8, 20, 60])
    @pytest.mark.parametrize("slope", [5, 30, 60])
    @pytest.mark.parametrize("radius", [3 * MM, 30 * MM])
    def test_a_straight_wall_in_one_chord_before_an_arc_stays_straight(self, slope, radius, count):
        cone = Line(0.0, R0, 70 * MM * np.cos(slope * DEGREE), R0 + 70 * MM * np.sin(slope * DEGREE))
        arc = Arc(cone.z1, cone.r1, slope * DEGREE, 90 * DEGREE, radius)
        ends = arc.frame_at(np.linspace(0.0, 1.0, count))
        shape = wall_of(np.vstack([[0.0, R0], np.column_stack([ends.z, ends.r])]))
        line, curve = shape.meridian(R0).pieces
        assert line == Line(0.0, R0, pytest.approx(cone.z1, abs=1e-12), pytest.approx(cone.r1, abs=1e-12))
        found = curve.frame_at(np.linspace(0.0, 1.0, 500))
        # the arc to a thousandth of its sagitta at least, and to the nanometre where that is less
        off = np.abs(
            np.hypot(
                found.z - cone.z1 + radius * np.sin(slope * DEGREE), found.r - cone.r1 - radius * np.cos(slope * DEGREE)
            )
            - radius
        )
        sagitta = radius * (1 - np.cos(0.5 * (90 - slope) * DEGREE / (count - 1)))
        assert off.max() < max(1e-3 * sagitta, 1e-9)
        assert found.angle.max() <= 0.5 * np.pi + 1e-9
        assert shape.departure == pytest.approx(sagitta, rel=0.02)

    def test_a_body_keeps_its_straights_and_its_arcs(self):
        """A box with edges of 15 mm, its flanks one chord each."""
        rim = (0.0, 60 * MM)
        edge = Arc(0.0, 0.1, 0.5 * np.pi, np.pi, 15 * MM).frame_at(np.linspace(0, 1, 16))
        back = Arc(-0.2, 0.115, np.pi, 1.5 * np.pi, 15 * MM).frame_at(np.linspace(0, 1, 16))
        rows = [rim, *zip(edge.z, edge.r, strict=True), *zip(back.z, back.r, strict=True), (-0.215, 0.0)]
        pieces = BodyPoints(tuple((float(z), float(r)) for z, r in rows)).pieces(rim, 0.0)
        assert [type(piece) for piece in pieces] == [Line, SplineWall, Line, SplineWall, Line]
        assert pieces[1].frame_at(np.linspace(0, 1, 9)).curvature == pytest.approx(1 / (15 * MM), rel=1e-3)


class TestJumps:
    @pytest.mark.parametrize("spacing", [0.5 * MM, 1 * MM, 2 * MM, 3 * MM])
    @pytest.mark.parametrize(
        "pieces",
        [
            Conical(0.09, 42 * DEGREE, 0.02).meridian(R0).pieces,
            (
                Arc(0.0, R0, 0.05, 0.6, 0.12),
                Arc(0.12 * (np.sin(0.6) - np.sin(0.05)), R0 + 0.12 * (np.cos(0.05) - np.cos(0.6)), 0.6, 1.5, 0.05),
            ),
            OblateSpheroidal(0.1, 40 * DEGREE, 0.02).meridian(R0).pieces,
            Free(0.13, 3 * DEGREE, (0.0, 12.0, 4.0, 0.0, 2.0, 18.0, 14.0, 6.0), 0.012).meridian(R0).pieces,
        ],
        ids=["cone and roundover", "two arcs", "oblate-spheroidal", "free"],
    )
    def test_a_piece_begins_where_the_curvature_jumps_though_no_point_is_there(self, pieces, spacing):
        found = wall_of(along(pieces, spacing)).meridian(R0).pieces
        joints = [float(piece.frame_at(np.array([1.0])).z[0]) for piece in found[:-1]]
        wanted = float(pieces[0].frame_at(np.array([1.0])).z[0])
        # a thirtieth of the spacing
        assert min(abs(joint - wanted) for joint in joints) < spacing / 30
        # and the wall between the points is the one they were taken from: a micrometre, of chords with 0.02 to 0.1 mm
        line = LineString(along(pieces, 0.02 * MM))
        wall = Meridian(found).dense
        assert line.distance(shapely_points(wall.z, wall.r)).max() < 1e-6 * max(1.0, (spacing / MM / 2) ** 2)

    @pytest.mark.parametrize("spacing", [0.3 * MM, 1 * MM, 3 * MM])
    def test_a_smooth_wall_stays_whole(self, spacing):
        for shape in (OblateSpheroidal(0.09, 45 * DEGREE), Free(0.12, 5 * DEGREE, (2.0, 8.0, 12.0))):
            pieces = wall_of(along(shape.meridian(R0).pieces, spacing)).meridian(R0).pieces
            assert len(pieces) == 1 or spacing > 2 * MM

    def test_toward_a_cusp_pieces_grow_short(self):
        pieces = wall_of(along(Tractrix(0.1).meridian(R0).pieces, 1 * MM)).meridian(R0).pieces
        length = [
            float(np.hypot(*np.diff([piece.frame_at(np.array([0.0, 1.0]))[:2]], axis=2)[0, :, 0])) for piece in pieces
        ]
        assert len(pieces) > 4
        assert length[-1] < 0.1 * length[0]


def with_corner(corner_deg, spacing, *, bulge=0.05, noise=0.0, seed=0):
    """A wall of two arcs (radius `bulge`, m, or straights for 0) that meet in a corner; and its place, m from there."""
    s = np.arange(1, int(0.03 / spacing) + 1) * spacing
    bend = 0.0 if bulge == 0.0 else 1.0 / bulge
    one, other = 40 * DEGREE - bend * s, 40 * DEGREE + corner_deg * DEGREE + bend * s

    def path(heading0, sign):
        if bend == 0.0:
            return np.column_stack([sign * s * np.cos(heading0), sign * s * np.sin(heading0)])
        ends = heading0 + sign * bend * s
        return np.column_stack([np.sin(ends) - np.sin(heading0), np.cos(heading0) - np.cos(ends)]) / bend

    assert one.size == other.size
    points = np.vstack([path(40 * DEGREE, -1)[::-1], [[0.0, 0.0]], path((40 + corner_deg) * DEGREE, 1)])
    points = points + np.random.default_rng(seed).uniform(-noise, noise, points.shape)
    return points - points[0] + [0.0, 0.05], int(s.size)


class TestCorners:
    @given(
        st.sampled_from([0.2 * MM, 0.5 * MM, 1 * MM, 2 * MM, 5 * MM]),
        st.floats(9, 60) | st.floats(-60, -9) | st.floats(-7, 7),
        st.sampled_from([0.0, 0.04, 0.1, -0.06]),
    )
    @example(1 * MM, 16.0, 0.05)
    @settings(deadline=None, max_examples=150)
    def test_the_same_corners_are_kept_however_closely_the_points_lie(self, spacing, corner_deg, bulge):
        points, place = with_corner(corner_deg, spacing, bulge=bulge)
        expected = (place,) if abs(corner_deg) > 8 else ()
        assert drawn(points).corners == expected

    @pytest.mark.parametrize("spacing", [0.2 * MM, 0.5 * MM, 1 * MM, 2 * MM])
    def test_noise_neither_makes_corners_nor_hides_them(self, spacing):
        """Even noise of 0.03 mm, of which points 0.2 mm apart turn by 10 degrees and more."""
        for seed in range(10):
            points, place = with_corner(20.0, spacing, noise=0.03 * MM, seed=seed)
            found = drawn(points).corners
            assert len(found) == 1
            assert abs(found[0] - place) * spacing <= max(1 * MM, spacing)
            points, _ = with_corner(0.0, spacing, noise=0.03 * MM, seed=seed)
            assert drawn(points).corners == ()

    @pytest.mark.parametrize("shape", [Conical(0.09, 42 * DEGREE, 0.02), OblateSpheroidal(0.1, 40 * DEGREE, 0.02)])
    @pytest.mark.parametrize("spacing", [0.1 * MM, 0.5 * MM, 1 * MM, 2 * MM, 5 * MM])
    def test_a_roundover_is_no_corner(self, shape: Shape, spacing):
        assert wall_of(along(shape.meridian(R0).pieces, spacing)).corners == ()
