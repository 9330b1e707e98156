"""Limits of oblong waveguides: what is measured over the whole wall, by how much a limit is broken, and where."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare.units import DEGREE
from evenflare.waveguide import (
    Conical,
    Driver,
    Free,
    Limits,
    OblateSpheroidal,
    Oblong,
    RoundedRectangle,
    Superellipse,
    Tractrix,
    Waveguide,
    limit_excess,
    limit_places,
    measures,
)
from shapes import CONE, through

MM = 1e-3
R0 = 12.7 * MM
WIDE, HIGH = Conical(0.1, 45 * DEGREE), Conical(0.1, 30 * DEGREE)
CONES = Waveguide(Oblong(WIDE, HIGH))
"""Mouth 225.4 x 140.87 mm."""
HEIGHT = 2 * (12.7 + 100 * np.tan(30 * DEGREE))
OBLONG = Limits(mouth_width=(0.02, 2.0), mouth_height=(0.02, 2.0))
NAMES = {
    "depth_mm",
    "mouth_width_mm",
    "mouth_height_mm",
    "section_exponent",
    "smallest_concave_radius_mm",
    "greatest_wall_angle_deg",
    "smallest_wall_angle_deg",
    "throat_angle_deg",
    "throat_diameter_mismatch_mm",
    "throat_angle_mismatch_deg",
}


def limits(**changes):
    return dataclasses.replace(OBLONG, **changes)


class TestExcess:
    @pytest.mark.parametrize(
        ("kept", "name", "excess"),
        [
            (limits(depth=(0.04, 0.09)), "depth_mm", 10.0),
            (limits(mouth_width=(0.1, 0.2)), "mouth_width_mm", 25.4),
            (limits(mouth_width=(0.25, 0.3)), "mouth_width_mm", 24.6),
            (limits(mouth_height=(0.1, 0.12)), "mouth_height_mm", HEIGHT - 120),
            (limits(mouth_height=(0.1, 0.2)), "mouth_height_mm", 100 - HEIGHT),
            (limits(greatest_wall_angle=40 * DEGREE), "greatest_wall_angle_deg", 5.0),
            (limits(), "smallest_wall_angle_deg", -30.0),
            (limits(smallest_draft=34 * DEGREE), "smallest_draft_deg", 4.0),
            (limits(smallest_draft=3 * DEGREE), "smallest_draft_deg", -27.0),
            (limits(throat_angle=(0.0, 40 * DEGREE)), "throat_angle_deg", 5.0),
            (limits(throat_angle=(32 * DEGREE, 50 * DEGREE)), "throat_angle_deg", 2.0),
            (limits(throat_angle_mismatch=42 * DEGREE), "throat_angle_mismatch_deg", 3.0),
            (limits(), "throat_diameter_mismatch_mm", -0.2),
            (limits(section_exponent=(2.5, 4.0)), "section_exponent", 0.5),
            (limits(section_exponent=(2.0, 4.0)), "section_exponent", 0.0),
        ],
    )
    def test_it_is_signed_and_in_the_unit_of_its_name(self, kept, name, excess):
        # a millionth of a degree and of a micrometre are given away, so that a limit met exactly is kept
        assert limit_excess(CONES, kept)[name] == pytest.approx(excess, abs=2e-6)

    def test_every_limit_has_its_excess_and_its_place(self):
        assert set(limit_excess(CONES, OBLONG)) == set(limit_places(CONES, OBLONG)) == NAMES
        assert set(limit_excess(CONES, limits(smallest_draft=0.1))) == {*NAMES, "smallest_draft_deg"}

    def test_limits_met_exactly_are_kept(self):
        kept = Limits(
            depth=(0.1, 0.1),
            mouth_width=(0.2254, 0.2254),
            mouth_height=(HEIGHT * MM, HEIGHT * MM),
            greatest_wall_angle=45 * DEGREE,
            smallest_draft=30 * DEGREE,
            throat_angle=(30 * DEGREE, 45 * DEGREE),
            throat_diameter_mismatch=0.0,
            throat_angle_mismatch=45 * DEGREE,
        )
        assert max(limit_excess(CONES, kept).values()) <= 0

    def test_exponents_anywhere_stay_below_the_range_and_the_mouths_within(self):
        def excess(pairs):
            shape = Oblong(WIDE, HIGH, Superellipse(pairs))
            return limit_excess(Waveguide(shape), limits(section_exponent=(2.5, 4.0)))["section_exponent"]

        assert excess(((0.05, 4.5), (0.1, 3.0))) == pytest.approx(0.5, abs=1e-6)
        assert excess(((0.05, 2.1), (0.1, 3.0))) == pytest.approx(-0.5, abs=1e-6)
        assert excess(((0.05, 2.1), (0.1, 2.2))) == pytest.approx(0.3, abs=1e-6)

    def test_a_rounded_rectangle_has_no_exponent(self):
        waveguide = Waveguide(Oblong(WIDE, HIGH, RoundedRectangle(0.02)))
        assert set(limit_excess(waveguide, OBLONG)) == NAMES - {"section_exponent"}

    def test_an_oblong_waveguide_within_limits_for_round_ones_keeps_to_the_diameter_in_both_planes(self):
        excess = limit_excess(CONES, Limits(mouth_diameter=(0.15, 0.2)))
        assert set(excess) == NAMES
        assert excess["mouth_width_mm"] == pytest.approx(25.4, abs=2e-6)
        assert excess["mouth_height_mm"] == pytest.approx(150 - HEIGHT, abs=2e-6)

    def test_a_round_waveguide_within_limits_for_oblong_ones_is_as_wide_as_high(self):
        excess = limit_excess(CONE, limits(mouth_height=(0.1, 0.15)))
        assert set(excess) == NAMES - {"section_exponent"}
        assert excess["mouth_height_mm"] == pytest.approx(75.4, abs=2e-6)

    def test_a_draft_is_asked_of_round_ones_too(self):
        assert limit_excess(CONE, Limits(smallest_draft=50 * DEGREE))["smallest_draft_deg"] == pytest.approx(
            5, abs=2e-6
        )

    @pytest.mark.parametrize(
        ("given", "message"),
        [
            ({"mouth_width": (0.1, 0.2)}, "mouth_height_mm is missing: .* belong together"),
            ({"mouth_height": (0.1, 0.2)}, "mouth_width_mm is missing: .* Add it"),
            ({"mouth_diameter": None}, "the mouth has no limits: must have mouth_diameter_mm, or"),
        ],
    )
    def test_a_mouth_without_its_limits_is_refused(self, given, message):
        with pytest.raises(ValueError, match=message):
            Limits(**given)

    def test_kinds(self):
        assert OBLONG.oblong
        assert not Limits().oblong
        assert Limits(mouth_diameter=None, mouth_width=(0.1, 0.2), mouth_height=(0.1, 0.2)).oblong


class TestPlaces:
    def test_angles_and_mouth(self):
        places = limit_places(CONES, OBLONG)
        assert places["greatest_wall_angle_deg"].azimuth == pytest.approx(0.0, abs=1e-9)
        assert places["smallest_wall_angle_deg"].azimuth == pytest.approx(90 * DEGREE, abs=1e-9)
        assert places["mouth_width_mm"] == (pytest.approx(0.1), 0.0)
        assert places["mouth_height_mm"] == (pytest.approx(0.1), pytest.approx(90 * DEGREE))
        assert places["throat_angle_mismatch_deg"] == (0.0, 0.0)  # 45 degrees there, 30 in the other plane
        assert places["throat_diameter_mismatch_mm"] == (0.0, None)

    def test_round_ones_have_no_azimuth(self):
        places = limit_places(CONE, Limits(smallest_draft=0.1))
        assert set(places) == set(limit_excess(CONE, Limits(smallest_draft=0.1)))
        assert all(place.azimuth is None for place in places.values())
        assert places["smallest_concave_radius_mm"].z == measures(CONE).concave_at == 0.0


class TestMeasures:
    @pytest.mark.parametrize(
        "shape",
        [
            Conical(0.1, 30 * DEGREE),
            OblateSpheroidal(0.1, 45 * DEGREE, 0.02),
            Tractrix(0.1),
            Free(0.1, 0.3, (5.0, -8.0, 3.0, 10.0), 0.01),
            through((0, 12.7), (20, 14), (40, 50), (100, 80)),
        ],
    )
    def test_alike_in_both_planes_it_is_what_the_round_one_is(self, shape):
        one, other = measures(Waveguide(shape)), measures(Waveguide(Oblong(shape, shape)))
        for field in dataclasses.fields(one):
            if field.name not in ("places", "section_exponent"):
                # a round wall is looked at at 129 points of a piece, an oblong one at others
                assert getattr(other, field.name) == pytest.approx(getattr(one, field.name), rel=1e-6, abs=1e-8)
        assert other.concave_at == pytest.approx(one.concave_at, abs=1e-3)
        assert other.section_exponent == (2.0, 2.0)

    def test_sizes(self):
        found = measures(CONES)
        assert (found.mouth_width, found.mouth_height) == pytest.approx((0.2254, HEIGHT * MM))
        assert found.mouth_diameter == found.mouth_width
        assert found.throat_angles == pytest.approx((45 * DEGREE, 30 * DEGREE))

    def test_a_rounded_rectangle_is_narrowest_in_the_corner_of_its_mouth(self):
        """On a wall that hardly opens the corner's quarter circle is all there is: its radius over the cosine of the
        wall's angle, to the square of that angle.
        """
        for radius in (0.001, 0.003):
            shape = Oblong(Conical(0.1, 2 * DEGREE), Conical(0.1, 1.5 * DEGREE), RoundedRectangle(radius))
            found = measures(Waveguide(shape))
            assert found.smallest_concave_radius == pytest.approx(radius, rel=0.01)
            place = found.places["smallest_concave_radius_mm"]
            # along the depth the corner is slightly hollow too where it comes to rest, just before the mouth
            assert 0.097 <= place.z <= 0.1
            a, b = 0.5 * found.mouth_width, 0.5 * found.mouth_height
            # within the corner, seen from the axis
            low, high = np.arctan2(b - radius, a), np.arctan2(b, a - radius)
            assert low <= place.azimuth <= high

    @pytest.mark.parametrize("exponent", [3.0, 8.0, 20.0])
    def test_a_superellipse_is_narrowest_where_a_fine_search_finds_it(self, exponent):
        """Against 201 x 2401 places on the wall."""
        waveguide = Waveguide(Oblong(Conical(0.1, 30 * DEGREE), Conical(0.1, 10 * DEGREE), Superellipse(exponent)))
        found = measures(waveguide)
        z, psi = np.linspace(0.0, 0.1, 201), np.linspace(0.0, 90.0, 2401) * DEGREE
        curvatures = waveguide.surface.patch(z, psi, stretch=0).curvatures[..., 0]
        # the last grid of the search
        assert found.smallest_concave_radius == pytest.approx(-1 / curvatures.min(), rel=0.01)

    def test_a_corner_toward_the_axis_in_one_plane_is_zero_there(self):
        falling = through((0, 12.7), (40, 50), (100, 80))
        found = measures(Waveguide(Oblong(HIGH, falling)))
        assert found.smallest_concave_radius == 0.0
        place = found.places["smallest_concave_radius_mm"]
        assert (place.z, place.azimuth) == (pytest.approx(0.04), pytest.approx(90 * DEGREE))
        outward = measures(Waveguide(Oblong(HIGH, through((0, 12.7), (40, 20), (100, 80)))))
        assert outward.smallest_concave_radius > 0.01

    def test_a_falling_wall_breaks_the_smallest_angle_in_its_plane(self):
        waveguide = Waveguide(Oblong(HIGH, through((0, 12.7), (40, 50), (100, 40))))
        assert limit_excess(waveguide, OBLONG)["smallest_wall_angle_deg"] == pytest.approx(
            np.arctan(1 / 6) / DEGREE, abs=2e-6
        )
        place = limit_places(waveguide, OBLONG)["smallest_wall_angle_deg"]
        assert 0.04 <= place.z <= 0.1
        assert place.azimuth == pytest.approx(90 * DEGREE)

    def test_between_the_planes_a_wall_can_be_steeper_than_in_either(self):
        """A tube that grows square corners: level in both planes, and not on the diagonal."""
        tube = through((0, 12.7), (100, 12.7))
        found = measures(Waveguide(Oblong(tube, tube, Superellipse(4.0))))
        assert found.smallest_angle == pytest.approx(0.0, abs=1e-9)
        # f reaches 2^(1/4); 3 t^2 - 2 t^3 is steepest half way, with 1.5 times the mean slope: more than that slope
        assert np.tan(found.greatest_angle) > 12.7 * (2**0.25 - 1) / 100
        assert found.places["greatest_wall_angle_deg"].azimuth == pytest.approx(45 * DEGREE)

    def test_throats_and_drivers_of_other_sizes(self):
        shape = Oblong(through((0, 13), (50, 60)), through((0, 13), (50, 40)))
        assert limit_excess(Waveguide(shape), OBLONG)["throat_diameter_mismatch_mm"] == pytest.approx(0.4, abs=1e-9)
        horn = Waveguide(CONES.shape, Driver(exit_half_angle=10 * DEGREE))
        assert limit_excess(horn, limits(throat_angle_mismatch=40 * DEGREE))[
            "throat_angle_mismatch_deg"
        ] == pytest.approx(-5, abs=2e-6)
