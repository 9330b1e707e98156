"""Walls against their published formulas, and the roundover that ends them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Exponential, Free, Hyperbolic, OblateSpheroidal, Tractrix

MM = 1e-3
R0 = 12.7 * MM
SPEED_OF_SOUND = 343.2
SEVEN_DIGITS = 5e-7
"""Relative: the tables below give seven digits."""


def flare(cutoff: float) -> float:
    return SPEED_OF_SOUND / (2 * np.pi * cutoff)


def wall(shape):
    """The first piece of the wall behind a 25.4 mm exit."""
    return shape.meridian(R0).pieces[0]


class TestPublishedFormulas:
    @pytest.mark.parametrize(
        ("angle_deg", "radii_mm", "slope_deg"),
        [
            (30, [13.02395, 13.95075, 19.22559, 31.53765, 59.11534, 87.52880], 29.41732),
            (40, [13.37506, 15.22166, 24.52234, 43.83504, 84.86561, 126.5040], 39.68082),
            (45, [13.64881, 16.16447, 28.04086, 51.58769, 100.8032, 150.5367], 44.77081),
        ],
    )
    def test_oblate_spheroidal_table_of_radius_and_slope(self, angle_deg, radii_mm, slope_deg):
        """r = sqrt(r0^2 + z^2 tan^2 A), evaluated by hand at z = 5, 10, 25, 50, 100, 150 mm for r0 = 12.7 mm."""
        found = wall(OblateSpheroidal(0.150, angle_deg * DEGREE)).frame_at(np.array([5, 10, 25, 50, 100, 150]) / 150)
        assert found.r / MM == pytest.approx(radii_mm, rel=SEVEN_DIGITS)
        assert found.angle[4] / DEGREE == pytest.approx(slope_deg, rel=SEVEN_DIGITS)
        assert wall(OblateSpheroidal(0.150, angle_deg * DEGREE)).frame_at(np.zeros(1)).angle[0] == 0

    def test_oblate_spheroidal_is_a_coordinate_surface(self):
        """z = d sinh m sin n, r = d cosh m cos n at constant n, with d = r0 / cos n and asymptote 90 deg - n."""
        n = 50 * DEGREE
        found = wall(OblateSpheroidal(0.2, 0.5 * np.pi - n)).frame_at(np.linspace(0, 1, 50))
        d = R0 / np.cos(n)
        m = np.arcsinh(found.z / (d * np.sin(n)))
        assert found.r == pytest.approx(d * np.cosh(m) * np.cos(n), rel=1e-13)  # rounding

    @pytest.mark.parametrize(
        ("cutoff", "parameter", "radii_mm"),
        [
            (300, 0.0, [14.66413]),
            (300, 0.6, [19.06287]),
            (300, 1.0, [21.99536, 38.09416]),
            (500, 0.0, [18.40290]),
            (500, 0.6, [26.39386]),
            (500, 1.0, [31.72118, 79.23095]),
        ],
    )
    def test_hyperbolic_family_radius_at_100_and_200_mm(self, cutoff, parameter, radii_mm):
        """r = r0 [cosh(z/x0) + T sinh(z/x0)], x0 = c / (2 pi fc), c = 343.2 m/s (Salmon 1946), by hand."""
        found = wall(Hyperbolic(0.2, flare(cutoff), parameter)).frame_at(np.array([0.5, 1.0]))
        assert found.r[: len(radii_mm)] / MM == pytest.approx(radii_mm, rel=SEVEN_DIGITS)

    @pytest.mark.parametrize(("cutoff", "m"), [(300, 10.98459), (500, 18.30765)])
    def test_exponential_area_grows_with_m_4_pi_fc_over_c(self, cutoff, m):
        """S = S0 exp(m z), m = 4 pi fc / c in 1/m for c = 343.2 m/s (the exponential horn), by hand."""
        shape = Exponential(0.2, flare(cutoff))
        found = wall(shape).frame_at(np.linspace(0, 1, 33))
        assert np.log(found.r**2 / R0**2) == pytest.approx(m * found.z, rel=SEVEN_DIGITS)
        assert shape.meridian(R0) == Hyperbolic(0.2, flare(cutoff), 1.0).meridian(R0)

    @pytest.mark.parametrize(
        ("cutoff", "from_mouth"),
        [(300, [0.4291779, 0.1829051, 0.06754513]), (500, [0.2019389, 0.05774152, 0.002637714])],
    )
    def test_tractrix_table_of_distance_from_the_mouth(self, cutoff, from_mouth):
        """x = a ln{[a + sqrt(a^2 - r^2)] / r} - sqrt(a^2 - r^2) at r = 12.7, 50, 100 mm, by hand."""
        a = flare(cutoff)
        meridian = Tractrix(a).meridian(R0)
        u0, u = np.arccosh(a / R0), np.arccosh(a / np.array([0.0127, 0.05, 0.1]))
        found = meridian.pieces[0].frame_at(1 - u / u0)
        assert found.r == pytest.approx([0.0127, 0.05, 0.1], rel=1e-13)  # rounding
        assert meridian.depth - found.z == pytest.approx(from_mouth, rel=SEVEN_DIGITS)
        assert meridian.mouth_radius == pytest.approx(a, rel=1e-15)

    @given(st.floats(0.02, 0.5), st.floats(0.001, 0.999))
    @settings(deadline=None, max_examples=60)
    def test_tractrix_tangent_is_as_long_as_the_mouth_radius_everywhere(self, a, t):
        """The curve's defining property: along its tangent it is `a` from the wall to the axis."""
        step = 1e-5
        before, here, after = Tractrix(a).meridian(R0).pieces[0].frame_at(np.array([t - step, t, t + step])).r
        dz = np.diff(Tractrix(a).meridian(R0).pieces[0].frame_at(np.array([t - step, t + step])).z)[0]
        # central differences: step^2 times the square of u0 < 5, over u = 0.001 u0 at the cusp
        assert here * np.hypot(dz, after - before) / (after - before) == pytest.approx(a, rel=1e-4)

    def test_conical_wall_is_straight_at_its_half_angle(self):
        found = wall(Conical(0.1, 42 * DEGREE)).frame_at(np.linspace(0, 1, 9))
        assert found.r == pytest.approx(R0 + found.z * np.tan(42 * DEGREE), rel=1e-14)
        assert found.angle == pytest.approx(42 * DEGREE, rel=1e-14)

    def test_free_curve_integrates_its_curvature(self):
        """Constant curvature 1/R is a circle: known ends, whatever the number of knots."""
        for knots in (2, 3, 8):
            found = Free(0.1, 10 * DEGREE, (5.0,) * knots).meridian(R0).ends
            start, end = 10 * DEGREE, 10 * DEGREE + 0.5
            assert found.angle == pytest.approx([start, end], rel=1e-14)
            assert found.z[1] == pytest.approx(0.2 * (np.sin(end) - np.sin(start)), rel=1e-13)
            assert found.r[1] == pytest.approx(R0 + 0.2 * (np.cos(start) - np.cos(end)), rel=1e-13)


ROUNDED = {
    "conical": Conical(0.09, 42 * DEGREE, 0.02),
    "oblate_spheroidal": OblateSpheroidal(0.1, 40 * DEGREE, 0.02),
    "oblate_spheroidal, roundover wider than its throat bend": OblateSpheroidal(0.1, 60 * DEGREE, 0.05),
    "exponential": Exponential(0.12, 0.06, 0.015),
    "hyperbolic": Hyperbolic(0.12, 0.06, 0.6, 0.03),
    "tractrix": Tractrix(0.11, 0.12, 0.015),
    "tractrix at its cusp's depth": Tractrix(0.11, Tractrix(0.11).meridian(R0).depth, 0.02),
}


class TestRoundover:
    @pytest.mark.parametrize("name", ROUNDED)
    def test_it_leaves_the_wall_at_its_tangent_and_ends_at_90_degrees(self, name):
        shape = ROUNDED[name]
        body, arc = shape.meridian(R0).pieces
        leaves, begins, ends = body.frame_at(np.ones(1)), arc.frame_at(np.zeros(1)), arc.frame_at(np.ones(1))
        for end, begin in zip(leaves[:3], begins[:3], strict=True):
            assert begin[0] == pytest.approx(end[0], abs=1e-14)
        assert ends.angle[0] == pytest.approx(0.5 * np.pi, rel=1e-15)
        assert begins.curvature[0] == pytest.approx(1 / shape.roundover_radius, rel=1e-14)
        # a circle: its centre lies one radius behind the mouth plane, at the rim's radius
        across = np.hypot(begins.z[0] - (ends.z[0] - shape.roundover_radius), begins.r[0] - ends.r[0])
        assert across == pytest.approx(shape.roundover_radius, rel=1e-12)

    @pytest.mark.parametrize("name", ROUNDED)
    def test_depth_includes_it(self, name):
        # 1e-12 m: the tolerance of the root that cuts the wall
        assert ROUNDED[name].meridian(R0).depth == pytest.approx(ROUNDED[name].depth, abs=1e-12)

    def test_a_cone_with_one_has_the_mouth_that_geometry_gives(self):
        """Wall from r0 to the tangent point, then the arc: z and r add up by hand."""
        angle, depth, radius = 42 * DEGREE, 0.09, 0.02
        length = depth - radius * (1 - np.sin(angle))
        found = Conical(depth, angle, radius).meridian(R0).mouth_radius
        assert found == pytest.approx(R0 + length * np.tan(angle) + radius * np.cos(angle), abs=1e-14)

    def test_below_a_micrometre_the_mouth_is_sharp(self):
        assert Conical(0.09, 0.7, 0.9e-6).meridian(R0) == Conical(0.09, 0.7).meridian(R0)

    def test_a_free_curve_carries_it_beyond_its_arc(self):
        body, arc = Free(0.1, 0.1, (5.0, 5.0), 0.02).meridian(R0).pieces
        assert arc.frame_at(np.zeros(1)).angle[0] == pytest.approx(0.6, rel=1e-14)
        assert arc.frame_at(np.ones(1)).angle[0] == pytest.approx(0.5 * np.pi, rel=1e-15)
        assert arc.frame_at(np.zeros(1)).r[0] == body.frame_at(np.ones(1)).r[0]

    def test_a_wall_that_already_stands_at_90_degrees_has_none(self):
        shape = Free(0.1, 0.0, (5 * np.pi, 5 * np.pi), 0.02)
        assert len(shape.meridian(R0).pieces) == 1

    def test_a_tractrix_hands_over_where_it_turns_on_the_roundovers_radius_at_latest(self):
        """There sinh u = roundover radius / a, and the mouth radius is their hypotenuse; up to there it grows evenly
        with depth, past the depth of the cusp without a jump.
        """
        a, radius = 0.1, 0.03
        cusp, u = Tractrix(a).meridian(R0).depth, np.arcsinh(radius / a)
        deepest = cusp - a * (u - np.tanh(u)) + radius * (1 - 1 / np.cosh(u))
        assert deepest - cusp == pytest.approx(0.4327e-3, abs=1e-7)  # by hand from u = 0.295673
        assert Tractrix(a, deepest, radius).meridian(R0).mouth_radius == pytest.approx(np.hypot(a, radius), abs=1e-9)
        depths = deepest - 2e-3 * np.linspace(1, 0, 41) ** 2
        mouths = [Tractrix(a, depth, radius).meridian(R0).mouth_radius for depth in depths]
        # the last 2 mm of depth hold 3.9 mm of mouth, 0.16 mm at a time; from the cusp it would be a jump of 3.3 mm
        assert np.diff(mouths).min() > 0
        assert np.diff(mouths).max() < 0.3e-3
        with pytest.raises(ValueError, match=f"this tractrix ends at {deepest / MM:.4g} mm"):
            Tractrix(a, deepest + 1e-6, radius).meridian(R0)
