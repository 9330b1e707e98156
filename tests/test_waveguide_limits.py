"""Limits and by how much a wall exceeds them, the smallest concave radius."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Free, Limits, Waveguide, limit_excess, measures
from shapes import BENCHMARK, CONE, FALLING, through

MM = 1e-3
R0 = 12.7 * MM


class TestLimits:
    @pytest.mark.parametrize(
        ("limits", "name", "excess"),
        [
            (Limits(depth=(0.04, 0.09)), "depth_mm", 10.0),
            (Limits(depth=(0.115, 0.2)), "depth_mm", 15.0),
            (Limits(depth=(0.04, 0.12)), "depth_mm", -20.0),
            (Limits(mouth_diameter=(0.1, 0.2)), "mouth_diameter_mm", 25.4),
            (Limits(mouth_diameter=(0.25, 0.3)), "mouth_diameter_mm", 24.6),
            (Limits(mouth_diameter=(0.2, 0.3)), "mouth_diameter_mm", -25.4),
            (Limits(smallest_concave_radius=0.02), "smallest_concave_radius_mm", 20 - 12.7 * np.sqrt(2)),
            (Limits(smallest_concave_radius=0.0032), "smallest_concave_radius_mm", 3.2 - 12.7 * np.sqrt(2)),
            (Limits(greatest_wall_angle=40 * DEGREE), "greatest_wall_angle_deg", 5.0),
            (Limits(greatest_wall_angle=80 * DEGREE), "greatest_wall_angle_deg", -35.0),
            (Limits(), "smallest_wall_angle_deg", -45.0),
            (Limits(throat_angle=(0.0, 30 * DEGREE)), "throat_angle_deg", 15.0),
            (Limits(throat_angle=(50 * DEGREE, 60 * DEGREE)), "throat_angle_deg", 5.0),
            (Limits(throat_angle=(0.0, 60 * DEGREE)), "throat_angle_deg", -15.0),
            (Limits(), "throat_diameter_mismatch_mm", -0.2),
            (Limits(), "throat_angle_mismatch_deg", -45.0),
            (Limits(throat_angle_mismatch=40 * DEGREE), "throat_angle_mismatch_deg", 5.0),
        ],
    )
    def test_excess_is_signed_and_in_the_unit_of_its_name(self, limits, name, excess):
        # a millionth of a degree and of a micrometre are given away, so that a limit met exactly is kept
        assert limit_excess(CONE, limits)[name] == pytest.approx(excess, abs=2e-6)

    def test_a_throat_of_another_size_than_the_exit_is_a_mismatch_either_way(self):
        for radius in (13.0, 12.4):
            excess = limit_excess(Waveguide(through((0, radius), (50, 60))), Limits())
            assert excess["throat_diameter_mismatch_mm"] == pytest.approx(0.6 - 0.2, abs=1e-9)
            assert limit_excess(Waveguide(through((0, radius), (50, 60))), Limits(throat_diameter_mismatch=0.7e-3))[
                "throat_diameter_mismatch_mm"
            ] == pytest.approx(-0.1, abs=1e-9)

    def test_a_throat_at_another_angle_than_the_exit_is_a_mismatch_either_way(self):
        limits = Limits(throat_angle_mismatch=3 * DEGREE)
        for exit_angle, mismatch in ((40, 5), (45, 0), (52, 7)):
            waveguide = Waveguide(CONE.shape, Driver(exit_half_angle=exit_angle * DEGREE))
            found = limit_excess(waveguide, limits)["throat_angle_mismatch_deg"]
            assert found == pytest.approx(mismatch - 3, abs=2e-6)

    def test_a_wall_that_falls_back_to_the_axis_breaks_the_smallest_angle(self):
        shape = through((0, 12.7), (40, 50), (100, 40))
        assert limit_excess(Waveguide(shape), Limits())["smallest_wall_angle_deg"] == pytest.approx(
            np.arctan(1 / 6) / DEGREE, abs=2e-6
        )

    def test_an_undercut_breaks_the_greatest_angle(self):
        shape = through((0, 12.7), (50, 50), (40, 60))
        assert limit_excess(Waveguide(shape), Limits())["greatest_wall_angle_deg"] == pytest.approx(45, abs=2e-6)

    def test_limits_met_exactly_are_kept(self):
        limits = Limits(
            depth=(0.1, 0.1),
            mouth_diameter=(0.2254, 0.2254),
            greatest_wall_angle=45 * DEGREE,
            throat_angle=(45 * DEGREE, 45 * DEGREE),
            throat_diameter_mismatch=0.0,
            throat_angle_mismatch=45 * DEGREE,
        )
        assert max(limit_excess(CONE, limits).values()) <= 0

    def test_every_limit_has_its_excess(self):
        expected = {
            "depth_mm",
            "mouth_diameter_mm",
            "smallest_concave_radius_mm",
            "greatest_wall_angle_deg",
            "smallest_wall_angle_deg",
            "throat_angle_deg",
            "throat_diameter_mismatch_mm",
            "throat_angle_mismatch_deg",
        }
        assert set(limit_excess(CONE, Limits())) == expected


class TestSmallestConcaveRadius:
    def test_a_cone_is_narrowest_at_its_throat_by_its_slant(self):
        found = measures(Waveguide(Conical(0.1, 30 * DEGREE)))
        assert found.smallest_concave_radius == pytest.approx(R0 / np.cos(30 * DEGREE), rel=1e-14)
        assert found.concave_at == 0

    def test_a_hollow_arc_has_its_own_radius(self):
        wide = Waveguide(Free(0.03, 60 * DEGREE, (-1 / 0.03, -1 / 0.03)), Driver(50 * MM))
        found = measures(wide)
        assert found.smallest_concave_radius == pytest.approx(0.03, rel=1e-12)
        assert found.arc_length == pytest.approx(0.03, rel=1e-4)  # chords of 1/128 of the arc

    def test_a_bulge_into_the_air_is_not_hollow(self):
        """An arc that turns away from the axis has no hollow but the circumference."""
        found = measures(Waveguide(Free(0.01, 0.0, (20.0, 20.0)), Driver(50 * MM)))
        assert found.smallest_concave_radius == pytest.approx(0.05, rel=1e-14)

    def test_a_corner_toward_the_axis_is_zero_and_one_away_from_it_is_not(self):
        found = measures(FALLING)
        assert (found.smallest_concave_radius, found.concave_at) == (0.0, pytest.approx(0.04))
        outward = measures(Waveguide(through((0, 12.7), (40, 20), (80, 90))))
        assert outward.smallest_concave_radius > 12.7 * MM

    def test_a_probed_hollow_is_found_where_it_lies(self):
        """A radius of 25 mm between two slopes, in points every half millimetre."""
        turn = np.linspace(60, 20, 60) * DEGREE
        z = 0.025 * (np.sin(turn[0]) - np.sin(turn))
        r = 0.06 + 0.025 * (np.cos(turn) - np.cos(turn[0]))
        shape = through(*zip(z / MM, r / MM, strict=True))
        # 1 %: a spline through points of an arc
        assert measures(Waveguide(shape, Driver(60 * MM))).smallest_concave_radius == pytest.approx(0.025, rel=0.01)

    def test_sizes_and_angles_are_those_of_the_wall(self):
        found = measures(BENCHMARK["tractrix"])
        assert found.mouth_diameter == pytest.approx(0.2, rel=1e-14)
        assert found.throat_diameter == pytest.approx(2 * R0, rel=1e-14)
        assert found.throat_angle == found.smallest_angle == pytest.approx(np.arcsin(0.127), rel=1e-12)
        assert found.greatest_angle == pytest.approx(0.5 * np.pi, rel=1e-14)
        assert found.arc_length == pytest.approx(0.1 * np.log(100 / 12.7), rel=1e-4)  # of a tractrix, by chords
