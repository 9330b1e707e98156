"""Frames of every kind of wall, meridians, sampling."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from shapely import LineString
from shapely import points as shapely_points

from evenflare.waveguide import Meridian, joined, sampled
from evenflare.waveguide.walls import (
    Arc,
    CurvatureWall,
    HyperbolicWall,
    Line,
    OblateSpheroidalWall,
    SplineWall,
    TractrixWall,
)
from shapes import through

MM = 1e-3
R0 = 12.7 * MM
PIECES = {
    "line": Line(0.0, 0.0127, 0.08, 0.09),
    "line straight out": Line(0.05, 0.02, 0.05, 0.09),
    "arc outward": Arc(0.0, 0.02, 0.2, 0.5 * np.pi, 0.03),
    "arc inward": Arc(0.0, 0.1, 1.2, -0.1, 0.04),
    "catenoid": HyperbolicWall(0.0127, 0.05, 0.0, 0.1),
    "hyperbolic": HyperbolicWall(0.0127, 0.06, 0.6, 0.12),
    "exponential": HyperbolicWall(0.0127, 0.06, 1.0, 0.12),
    "oblate-spheroidal": OblateSpheroidalWall(0.0127, 0.8, 0.1),
    "tractrix to its cusp": TractrixWall(0.1, 0.0127, 0.1),
    "tractrix, cut": TractrixWall(0.1, 0.0127, 0.07),
    "curvature": CurvatureWall(0.0, 0.0127, 0.1, 0.15, (2.0, 12.0, 3.0, 0.0, 9.0)),
    "curvature, at its end only": CurvatureWall(0.0, 0.0127, 0.0, 0.1, (*(0.0,) * 7, 200.0)),
    "curvature, both ways": CurvatureWall(0.01, 0.03, 0.6, 0.1, (-20.0, 15.0, 4.0)),
    "spline": SplineWall(
        ((0.0, 0.0127), (0.02, 0.02), (0.04, 0.035), (0.055, 0.06), (0.06, 0.08), (0.061, 0.1)),
        (0.3, 0.5, 0.75, 1.2, 1.4, 1.6),
        (5.0, 12.0, 15.0, 20.0, 8.0, 2.0),
    ),
    "spline of two": SplineWall(((0.0, 0.0127), (0.02, 0.02)), (0.3, 0.4), (4.0, -3.0)),
}


class TestFrames:
    @given(st.sampled_from(sorted(PIECES)), st.floats(0.001, 0.97))
    @settings(deadline=None, max_examples=300)
    def test_angle_speed_and_curvature_are_the_derivatives_of_the_position(self, name, t):
        step = 1e-5
        near = PIECES[name].frame_at(np.array([t - step, t, t + step]))
        dz, dr, turn = (near[i][2] - near[i][0] for i in range(3))
        speed, angle, curvature = near.speed[1], near.angle[1], near.curvature[1]
        # central differences: step^2 times a third derivative, and rounding over the step (1e-10 m)
        assert dz / (2 * step) == pytest.approx(speed * np.cos(angle), abs=2e-9 + 1e-6 * speed)
        assert dr / (2 * step) == pytest.approx(speed * np.sin(angle), abs=2e-9 + 1e-6 * speed)
        # the curvature's slope jumps at the knots of a curvature wall: step times its change
        slack = 2e-3 if name.startswith("curvature") else 1e-5
        assert turn / (2 * step * speed) == pytest.approx(curvature, rel=1e-5, abs=slack)

    @pytest.mark.parametrize("name", PIECES)
    def test_the_shape_of_the_answer_is_that_of_the_parameters(self, name):
        flat = PIECES[name].frame_at(np.linspace(0.0, 0.9, 6))
        square = PIECES[name].frame_at(np.linspace(0.0, 0.9, 6).reshape(2, 3))
        for one, other in zip(flat, square, strict=True):
            assert other.shape == (2, 3)
            assert other.ravel() == pytest.approx(one, rel=1e-13, abs=1e-16)  # sums in another order

    @pytest.mark.parametrize("name", ["curvature", "curvature, both ways"])
    def test_a_curvature_wall_agrees_with_an_integrated_differential_equation(self, name):
        piece = PIECES[name]
        bend = np.array(piece.curvature)
        knots = np.linspace(0, piece.length, bend.size)

        def along(s, y):
            return [np.cos(y[2]), np.sin(y[2]), np.interp(s, knots, bend)]

        state = [piece.z0, piece.r0, piece.angle0]
        for begin, end in itertools.pairwise(knots):  # the right side has corners at the knots
            s = np.linspace(begin, end, 7)
            solution = solve_ivp(along, (begin, end), state, method="DOP853", t_eval=s, rtol=1e-13, atol=1e-15)
            found = piece.frame_at(s / piece.length)
            # the integrator's own tolerance
            assert np.abs(np.array([found.z, found.r, found.angle]) - solution.y).max() < 1e-12
            state = solution.y[:, -1]

    def test_a_curvature_wall_keeps_its_accuracy_for_a_radian_per_interval(self):
        """Against the same wall with each interval cut in sixteen."""
        coarse = CurvatureWall(0.0, 0.0, 0.0, 1.0, (0.0, 2.0, 0.0, 2.0))
        knots = np.interp(np.linspace(0, 1, 49), np.linspace(0, 1, 4), coarse.curvature)
        fine = CurvatureWall(0.0, 0.0, 0.0, 1.0, tuple(knots.tolist()))
        t = np.linspace(0, 1, 101)
        assert np.abs(coarse.frame_at(t).z - fine.frame_at(t).z).max() < 1e-12  # as its description says
        assert np.abs(coarse.frame_at(t).r - fine.frame_at(t).r).max() < 1e-12


class TestMeridian:
    def test_pieces_that_do_not_meet_are_refused_with_the_place(self):
        with pytest.raises(ValueError, match=r"the wall has a gap of 0\.001 m at z = 0\.05 m"):
            Meridian((Line(0.0, 0.0127, 0.05, 0.05), Line(0.05, 0.051, 0.1, 0.08)))

    def test_a_wall_that_meets_the_axis_is_refused(self):
        with pytest.raises(ValueError, match="the wall meets the axis"):
            Meridian((Line(0.0, 0.0127, 0.05, 0.0),))

    def test_no_wall_at_all_is_refused(self):
        with pytest.raises(ValueError, match="at least one piece"):
            Meridian(())

    def test_its_sizes_are_those_of_its_ends(self):
        meridian = Meridian((Line(0.01, 0.0127, 0.05, 0.05), Line(0.05, 0.05, 0.1, 0.08)))
        assert (meridian.throat_radius, meridian.mouth_radius) == (0.0127, 0.08)
        assert meridian.depth == pytest.approx(0.09, rel=1e-15)
        assert meridian.ends.angle == pytest.approx([np.arctan2(37.3, 40), np.arctan2(30, 50)])
        assert meridian.dense.z.size == 2 * 129


class TestSampled:
    @pytest.mark.parametrize("bound", [0.5e-3, 0.05e-3, 0.001e-3])
    @pytest.mark.parametrize(
        "name", ["arc outward", "tractrix to its cusp", "curvature", "curvature, at its end only", "spline"]
    )
    def test_no_chord_departs_from_the_wall_by_more_than_the_bound(self, name, bound):
        """Measured by shapely, from twenty thousand places of the wall to the polyline."""
        (frame,) = sampled(Meridian((PIECES[name],)), chord_error=bound)
        fine = PIECES[name].frame_at(np.linspace(0, 1, 20001))
        distance = LineString(np.column_stack([frame.z, frame.r])).distance(shapely_points(fine.z, fine.r))
        # probed at nine places of each chord, so the greatest sagitta is missed by 1 % at most
        assert distance.max() < 1.01 * bound
        # not far more points than asked for: their chords use a good part of the bound
        assert distance.max() > 0.3 * bound

    @pytest.mark.parametrize("bound", [0.5e-3, 0.05e-3, 0.001e-3])
    @pytest.mark.parametrize("turn", [0.5 * np.pi, 0.3])
    def test_a_circle_takes_no_more_than_a_tenth_beyond_the_least_count(self, bound, turn):
        """A chord over the angle x departs by R (1 - cos(x/2))."""
        radius = 0.03
        (frame,) = sampled(Meridian((Arc(0.0, 0.02, 0.1, 0.1 + turn, radius),)), chord_error=bound)
        least = int(np.ceil(turn / (2 * np.arccos(1 - bound / radius))))
        chords = frame.z.size - 1
        assert least <= chords <= 1.1 * least + 1

    def test_straight_walls_take_two_points_and_pieces_keep_their_ends(self):
        meridian = through((0, 12.7), (40, 30), (80, 90)).meridian(R0)
        first, second = sampled(meridian, chord_error=0.05e-3)
        assert (first.z.tolist(), second.z.tolist()) == ([0.0, 0.04], [0.04, 0.08])
        assert (first.r[-1], second.r[0]) == (0.03, 0.03)

    @pytest.mark.parametrize("bound", [0.0, -1e-3, float("nan")])
    def test_a_bound_that_is_none_is_refused(self, bound):
        with pytest.raises(ValueError, match="chord_error = .*: must be above 0"):
            sampled(Meridian((PIECES["line"],)), chord_error=bound)

    def test_joined_frames_follow_each_other(self):
        frames = [PIECES["line"].frame_at(np.array([0.0, 1.0])), PIECES["arc outward"].frame_at(np.array([0.5]))]
        assert joined(frames).z.tolist() == [*frames[0].z, *frames[1].z]
