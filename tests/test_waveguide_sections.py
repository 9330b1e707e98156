"""Sections between the planes: superellipses and rounded rectangles, their identities and derivatives."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, box

from evenflare.units import DEGREE
from evenflare.waveguide import RoundedRectangle, Superellipse
from evenflare.waveguide.sections import Mouth

MOUTH = Mouth(0.1, 0.11, 0.06)
QUARTER = np.linspace(0.0, 90.0, 91) * DEGREE
PAIRS = ((0.0, 2.0), (0.03, 2.0), (0.06, 3.0), (0.09, 5.0))
SECTIONS = [Superellipse(3.0), Superellipse(20.0), Superellipse(1.6), Superellipse(PAIRS), RoundedRectangle(0.01)]


class TestSuperellipse:
    @given(st.floats(1.5, 20), st.floats(0.01, 1), st.floats(0, 1.5707))
    @settings(deadline=None, max_examples=60)
    def test_it_keeps_its_equation(self, mouth, share, psi):
        section = Superellipse(mouth)
        z = np.array([share * MOUTH.depth])
        n, f = section.exponent_at(z, depth=MOUTH.depth)[0], section.factor(z, np.array([psi]), mouth=MOUTH)[0]
        # rounding, raised to at most the twentieth power
        assert (f * np.cos(psi)) ** n + (f * np.sin(psi)) ** n == pytest.approx(1.0, abs=1e-13)

    def test_two_is_the_ellipse_and_the_throat_is_one(self):
        assert np.array_equal(Superellipse().factor(np.array(0.05), QUARTER, mouth=MOUTH), np.ones(91))
        for section in SECTIONS:
            assert section.factor(np.array(0.0), QUARTER, mouth=MOUTH) == pytest.approx(1.0, abs=1e-14)

    def test_the_diagonal_by_hand(self):
        # n = 4 at 45 degrees: (2 / 4)^(-1/4) = 2^(1/4)
        found = Superellipse(4.0).factor(np.array(0.1), np.array([45 * DEGREE]), mouth=MOUTH)
        assert found == pytest.approx(2**0.25, rel=1e-14)

    def test_a_number_is_reached_from_two_without_a_crease(self):
        section = Superellipse(4.0)
        n = section.exponent_at(np.array([0.0, 0.05, 0.1]), depth=0.1)
        assert n == pytest.approx([2.0, 3.0, 4.0], abs=1e-14)
        steps = section.exponent_at(np.array([0.0, 1e-6, 0.1 - 1e-6, 0.1]), depth=0.1)
        # 3 t^2 * 2 at t = 1e-5
        assert np.abs(np.diff(steps)[[0, 2]]).max() < 1e-9

    def test_pairs_are_met_with_a_monotone_curve_level_beyond_the_last(self):
        section = Superellipse(PAIRS)
        known, values = np.array(PAIRS).T
        assert section.exponent_at(known, depth=0.1) == pytest.approx(values, abs=1e-14)
        fine = section.exponent_at(np.linspace(0.0, 0.1, 1001), depth=0.1)
        assert np.diff(fine).min() >= -1e-14
        assert fine[-1] == 5.0
        assert section.cuts(0.1) == (0.03, 0.06, 0.09)
        assert section.cuts(0.06) == (0.03,)
        # no crease where it turns level
        near = section.exponent_at(np.array([0.09 - 1e-6, 0.09, 0.09 + 1e-6]), depth=0.1)
        assert np.abs(np.diff(near)).max() < 1e-6

    def test_the_throats_pair_is_put_in(self):
        assert Superellipse(((0.1, 4.0),)) == Superellipse(((0.0, 2.0), (0.1, 4.0)))

    @pytest.mark.parametrize(
        ("exponent", "message"),
        [
            (1.2, r"section_exponent = 1\.2: must be 1\.5 to 20; .* Raise it"),
            (30.0, r"section_exponent = 30: must be 1\.5 to 20; .* Lower it"),
            (float("nan"), r"section_exponent = nan: must be 1\.5 to 20"),
            ((), "holds no pair"),
            (((0.0, 2.0),), "holds only the throat's pair"),
            (((0.0, 3.0), (0.1, 4.0)), r"= 3 at z_mm = 0: must be 2, since the throat is round\. Write 2"),
            (((-0.01, 2.0), (0.1, 4.0)), r"begins at z_mm = -10: must not be below 0"),
            (((0.05, 3.0), (0.05, 4.0)), r"z_mm = 50 follows 50: must rise by 0\.001 at least"),
            (((0.05, 3.0), (0.02, 4.0)), r"z_mm = 20 follows 50: must rise"),
            (((0.05, 3.0), (0.1, 40.0)), r"= 40 at z_mm = 100: must be 1\.5 to 20"),
            (((0.05, float("inf")),), "not two finite numbers"),
        ],
    )
    def test_other_exponents_are_refused_with_the_remedy(self, exponent, message):
        with pytest.raises(ValueError, match=message):
            Superellipse(exponent)


class TestRoundedRectangle:
    def test_the_mouth_is_the_rectangle_with_quarter_circles(self):
        """Against shapely's buffer of the inner rectangle, an offset worked out by another library."""
        a, b, radius = MOUTH.half_width, MOUTH.half_height, 0.015
        inner = box(-a + radius, -b + radius, a - radius, b - radius)
        f = RoundedRectangle(radius).factor(np.array(0.1), QUARTER, mouth=MOUTH)
        for x, y in zip(a * f * np.cos(QUARTER), b * f * np.sin(QUARTER), strict=True):
            assert inner.distance(Point(x, y)) == pytest.approx(radius, abs=1e-14)

    def test_between_it_is_a_rectangle_with_quarter_ellipses(self):
        """Half way, 3 t^2 - 2 t^3 = 1/2: the corner's semi-axes as shares are the means of 1 and the mouth's."""
        p, q = 0.5 * (1 + 0.015 / 0.11), 0.5 * (1 + 0.015 / 0.06)
        f = RoundedRectangle(0.015).factor(np.array(0.05), QUARTER, mouth=MOUTH)
        x, y = f * np.cos(QUARTER), f * np.sin(QUARTER)
        corner = (x > 1 - p) & (y > 1 - q)
        assert ((x - 1 + p) / p)[corner] ** 2 + ((y - 1 + q) / q)[corner] ** 2 == pytest.approx(1.0, abs=1e-13)
        assert np.maximum(x, y)[~corner] == pytest.approx(1.0, abs=1e-14)
        assert 5 < corner.sum() < 86

    def test_a_corner_as_wide_as_a_square_mouth_is_a_circle(self):
        f = RoundedRectangle(0.05).factor(np.linspace(0, 0.1, 11)[:, None], QUARTER, mouth=Mouth(0.1, 0.05, 0.05))
        assert f == pytest.approx(1.0, abs=1e-14)

    @pytest.mark.parametrize("radius", [0.0, -0.001, float("nan")])
    def test_a_corner_without_a_radius_is_refused(self, radius):
        with pytest.raises(ValueError, match=r"corner_radius_mm = .*: must be above 0, .* Raise it"):
            RoundedRectangle(radius)

    def test_a_corner_wider_than_half_the_smaller_side_is_refused(self):
        with pytest.raises(ValueError, match=r"corner_radius_mm = 70: must be at most half .* side, 60\. Lower it"):
            RoundedRectangle(0.07).check(MOUTH)
        RoundedRectangle(0.06).check(MOUTH)


class TestCurve:
    @pytest.mark.parametrize("section", SECTIONS)
    def test_it_is_the_factor_times_the_circle(self, section):
        z = np.broadcast_to(np.linspace(0.0, 0.1, 11)[:, None], (11, 91))
        psi = np.broadcast_to(QUARTER, z.shape)
        curve, f = section.curve(z, psi, mouth=MOUTH), section.factor(z, psi, mouth=MOUTH)
        assert curve.x == pytest.approx(f * np.cos(psi), abs=1e-14)
        assert curve.y == pytest.approx(f * np.sin(psi), abs=1e-14)

    @pytest.mark.parametrize("section", [Superellipse(3.0), Superellipse(9.0), Superellipse(PAIRS), Superellipse(1.6)])
    def test_derivatives_by_depth_and_parameter(self, section):
        """Against central differences, off the pairs and off the planes, where an exponent below 2 is pointed."""
        z, psi = np.meshgrid([0.011, 0.041, 0.072], np.linspace(0.2, 1.4, 13), indexing="ij")
        h = {"z": 1e-5, "t": 1e-4}

        def shifted(**steps):
            return section.curve(z + steps.get("z", 0) * h["z"], psi + steps.get("t", 0) * h["t"], mouth=MOUTH)

        exact = section.curve(z, psi, mouth=MOUTH)
        for axis, by in itertools.product("xy", "zt"):
            plus, minus = (getattr(shifted(**{by: side}), axis) for side in (1, -1))
            middle = getattr(exact, axis)
            # relative to the largest: the differences err by the step's square, rounding by its inverse square
            first, second = getattr(exact, f"{axis}_{by}"), getattr(exact, f"{axis}_{by}{by}")
            assert (plus - minus) / (2 * h[by]) == pytest.approx(first, abs=1e-5 * np.abs(first).max())
            assert (plus - 2 * middle + minus) / h[by] ** 2 == pytest.approx(second, abs=1e-4 * np.abs(second).max())
            both = getattr(exact, f"{axis}_tz")
            plus, minus = (getattr(shifted(z=side), f"{axis}_t") for side in (1, -1))
            assert (plus - minus) / (2 * h["z"]) == pytest.approx(both, abs=1e-5 * np.abs(both).max())

    @pytest.mark.parametrize("section", SECTIONS)
    def test_all_is_finite_in_the_planes(self, section):
        z = np.array([[0.0], [0.03], [0.1]]) * np.ones(2)
        psi = np.array([0.0, 0.5 * np.pi]) * np.ones((3, 1))
        assert all(np.isfinite(column).all() for column in section.curve(z, psi, mouth=MOUTH))
