"""The wall in space: semi-axes by depth, cuts, points and normals, and meridians that do not belong together."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from evenflare.units import DEGREE
from evenflare.waveguide import (
    Conical,
    Driver,
    Exponential,
    Free,
    Meridian,
    Mounting,
    OblateSpheroidal,
    Oblong,
    RoundedRectangle,
    Superellipse,
    Surface,
    Tractrix,
    Waveguide,
)
from evenflare.waveguide.walls import Arc
from shapes import CONE, through

MM = 1e-3
R0 = 12.7 * MM
WIDE, HIGH = OblateSpheroidal(0.1, 45 * DEGREE, 0.02), Conical(0.1, 25 * DEGREE, 0.012)
OBLONG = Waveguide(Oblong(WIDE, HIGH, Superellipse(3.0)))
BENDING = Free(0.1, 0.2, (3.0, 8.0, 0.0, 3.0, 5.0, 6.0, 1.0, 9.0), 0.02)
QUARTER = np.linspace(0.0, 90.0, 19) * DEGREE


def stretch_depths(surface, stretch, count=40):
    """Depths in a stretch, closer to its mouth-side end."""
    low, high = surface.cuts[stretch], surface.cuts[stretch + 1]
    return high - (high - low) * np.linspace(1.0, 0.0, count) ** 2


class TestAxes:
    def test_they_follow_the_formulas_of_the_families(self):
        surface = Waveguide(Oblong(Exponential(0.1, 0.06), OblateSpheroidal(0.1, 40 * DEGREE))).surface
        z = np.linspace(0.0, 0.1, 301)
        axes = surface.axes(z, stretch=0)
        # the promised accuracy
        assert axes.a == pytest.approx(R0 * np.exp(z / 0.06), abs=1e-12)
        assert axes.b == pytest.approx(np.hypot(R0, z * np.tan(40 * DEGREE)), abs=1e-12)
        assert np.tan(axes.a_angle) == pytest.approx(axes.a / 0.06, rel=1e-10)
        assert np.tan(axes.b_angle) == pytest.approx(z * np.tan(40 * DEGREE) ** 2 / axes.b, abs=1e-10)

    @pytest.mark.parametrize("shape", [WIDE, HIGH, BENDING, Tractrix(0.15, 0.1, 0.02)])
    def test_every_point_of_a_meridian_is_found_by_its_depth(self, shape):
        surface = Waveguide(shape).surface
        for stretch, piece in enumerate(surface.horizontal.pieces):
            wall = piece.frame_at(1.0 - np.linspace(1.0, 0.0, 400) ** 2)
            axes = surface.axes(wall.z, stretch=stretch)
            # a depth itself is rounded to 1e-17 m, which a steep wall turns into that much times its slope
            allowed = 1e-12 + 2e-16 * np.minimum(np.abs(np.tan(wall.angle)), 1e6)
            assert np.all(np.abs(axes.a - wall.r) <= allowed)

    def test_a_roundover_is_its_circle_down_to_the_rim(self):
        """r = r_rim - sqrt(2 R d - d^2) at the distance d from the rim's plane."""
        surface = Waveguide(WIDE).surface
        distance = np.geomspace(1e-14, 5e-3, 200)
        z = surface.depth - distance
        axes = surface.axes(z, stretch=1)
        left = surface.depth - z  # as rounded
        circle = surface.horizontal.mouth_radius - np.sqrt(2 * 0.02 * left - left**2)
        assert axes.a == pytest.approx(circle, abs=2e-10)  # rounding of a depth of 0.1 m, under the root
        assert np.sin(axes.a_angle) == pytest.approx(1.0 - left / 0.02, abs=1e-12)
        rim = surface.axes(np.array(surface.depth), stretch=1)
        assert (float(rim.a), float(rim.a_angle)) == (
            surface.horizontal.mouth_radius,
            pytest.approx(0.5 * np.pi, abs=1e-12),
        )

    @pytest.mark.parametrize("shape", [WIDE, BENDING])
    def test_they_are_smooth_over_the_root_of_the_distance_from_the_rim(self, shape):
        surface = Waveguide(shape).surface
        root = np.linspace(0.0, np.sqrt(2e-3), 401)
        a = surface.axes(surface.depth - root**2, stretch=len(surface.cuts) - 2).a
        # of a smooth curve sampled so finely the fifth differences are rounding: 32 times that of a radius at a depth
        assert np.abs(np.diff(a, 5)).max() < 1e-8

    def test_a_cusp_is_reached(self):
        """The tractrix r = a sech u, z = a [(u0 - tanh u0) - (u - tanh u)], whose depth runs as the cube of u."""
        surface = Waveguide(Tractrix(0.1)).surface
        u, u0 = np.linspace(1e-4, 2.0, 300), np.arccosh(0.1 / R0)
        z = 0.1 * ((u0 - np.tanh(u0)) - (u - np.tanh(u)))
        axes = surface.axes(z, stretch=0)
        assert axes.a == pytest.approx(0.1 / np.cosh(u), abs=2e-12)  # rounding of a depth of 0.18 m, times 1e4
        assert surface.axes(np.array([surface.depth]), stretch=0).a == pytest.approx(0.1, rel=1e-14)

    def test_any_shape_of_array_and_the_ends_of_a_stretch(self):
        surface = OBLONG.surface
        z = np.array([[surface.cuts[0], surface.cuts[1]]])
        axes = surface.axes(z, stretch=0)
        assert all(column.shape == (1, 2) for column in axes)
        assert axes.a[0, 0] == axes.b[0, 0] == R0
        again = surface.axes(z[:, 1:], stretch=1)
        # both sides of a cut meet; the angle may jump there, but not on these tangent roundovers
        assert again.a[0, 0] == pytest.approx(axes.a[0, 1], abs=1e-12)

    def test_at_a_corner_the_angle_is_that_of_the_stretch_asked_for(self):
        kinked = Waveguide(Oblong(through((0, 12.7), (50, 62.7), (100, 80)), Conical(0.1, 20 * DEGREE))).surface
        at = np.array([0.05])
        assert kinked.cuts == pytest.approx((0.0, 0.05, 0.1))
        assert kinked.axes(at, stretch=0).a_angle == pytest.approx(45 * DEGREE)
        assert kinked.axes(at, stretch=1).a_angle == pytest.approx(np.arctan(17.3 / 50))


class TestCuts:
    def test_they_are_the_joints_of_both_meridians_and_of_the_section(self):
        section = Superellipse(((0.03, 2.2), (0.07, 3.0), (0.1, 3.5)))
        surface = Waveguide(Oblong(WIDE, HIGH, section)).surface
        joints = [
            shape.meridian(R0).pieces[0].frame_at(np.array([1.0])).z[0]  # where its roundover begins
            for shape in (WIDE, HIGH)
        ]
        assert surface.cuts == pytest.approx(sorted([0.0, 0.03, 0.07, *joints, 0.1]), abs=1e-15)

    def test_a_round_one_has_its_meridians(self):
        surface = Waveguide(WIDE).surface
        assert len(surface.cuts) == 3
        assert surface.horizontal is surface.vertical

    def test_joints_within_a_nanometre_are_one(self):
        near = [through((0, 12.7), (50 + shift, 62.7), (100, 80)) for shift in (0.0, 5e-7)]
        assert len(Waveguide(Oblong(*near)).surface.cuts) == 3


class TestPoints:
    @pytest.mark.parametrize("section", [Superellipse(), Superellipse(3.5), RoundedRectangle(0.015)])
    def test_they_lie_on_the_meridians_and_on_the_section(self, section):
        surface = Waveguide(Oblong(WIDE, HIGH, section)).surface
        for stretch in range(len(surface.cuts) - 1):
            z = stretch_depths(surface, stretch)
            axes, points = surface.axes(z, stretch=stretch), surface.patch(z, QUARTER, stretch=stretch).points
            assert points.shape == (z.size, QUARTER.size, 3)
            assert points[:, 0, 0] == pytest.approx(axes.a, rel=1e-14)
            assert points[:, -1, 1] == pytest.approx(axes.b, rel=1e-14)
            f = surface.factor(z[:, None], axes.a[:, None], axes.b[:, None], QUARTER)
            assert points[..., 0] == pytest.approx(axes.a[:, None] * f * np.cos(QUARTER), abs=1e-12)
            assert points[..., 1] == pytest.approx(axes.b[:, None] * f * np.sin(QUARTER), abs=1e-12)
            assert np.array_equal(points[..., 2], np.broadcast_to(z[:, None], points.shape[:2]))

    def test_the_other_quarters_are_mirrored(self):
        surface, z = OBLONG.surface, np.array([0.02, 0.05])
        first = surface.patch(z, QUARTER, stretch=0)
        for psi, sides in (
            (np.pi - QUARTER, (-1, 1, 1)),
            (np.pi + QUARTER, (-1, -1, 1)),
            (2 * np.pi - QUARTER, (1, -1, 1)),
        ):
            other = surface.patch(z, psi, stretch=0)
            for name in ("points", "normals"):
                # rounding of psi about pi
                assert getattr(other, name) == pytest.approx(getattr(first, name) * sides, abs=1e-14)
            # not in the planes themselves, where a superellipse is level on no width to speak of
            inside = np.s_[:, 1:-1]
            assert other.curvatures[inside] == pytest.approx(first.curvatures[inside], rel=1e-9, abs=1e-9)

    def test_each_depth_may_have_its_own_parameters(self):
        surface, z = OBLONG.surface, np.array([0.02, 0.05])
        psi = np.stack([QUARTER, QUARTER[::-1]])
        patch = surface.patch(z, psi, stretch=0)
        for row in range(2):
            alone = surface.patch(z[row : row + 1], psi[row], stretch=0)
            assert np.array_equal(patch.points[row], alone.points[0])
            assert np.array_equal(patch.normals[row], alone.normals[0])

    def test_patches_meet_at_a_cut(self):
        surface = OBLONG.surface
        for stretch, z in enumerate(surface.cuts[1:-1]):
            one, other = (surface.patch(np.array([z]), QUARTER, stretch=stretch + i) for i in (0, 1))
            assert other.points == pytest.approx(one.points, abs=1e-12)
            assert other.normals == pytest.approx(one.normals, abs=1e-9)  # these roundovers are tangent

    def test_the_throat_is_a_circle(self):
        for section in (Superellipse(4.0), RoundedRectangle(0.01)):
            points = Waveguide(Oblong(WIDE, HIGH, section)).surface.patch(np.zeros(1), QUARTER, stretch=0).points
            assert np.hypot(points[..., 0], points[..., 1]) == pytest.approx(R0, rel=1e-14)


class TestNormals:
    def test_they_point_into_the_air_and_along_the_axis_at_the_rim(self):
        surface = OBLONG.surface
        for stretch in range(len(surface.cuts) - 1):
            z = stretch_depths(surface, stretch)
            patch = surface.patch(z, QUARTER, stretch=stretch)
            assert np.linalg.norm(patch.normals, axis=-1) == pytest.approx(1.0, abs=1e-14)
            inward = -(patch.normals[..., :2] * patch.points[..., :2]).sum(axis=-1)
            assert inward.min() > -1e-12
            assert inward[0].min() > 0
        assert patch.normals[-1] == pytest.approx(np.tile([0.0, 0.0, 1.0], (QUARTER.size, 1)), abs=1e-9)

    @pytest.mark.parametrize("section", [Superellipse(), Superellipse(3.5), RoundedRectangle(0.015)])
    def test_they_stand_on_the_surface(self, section):
        surface = Waveguide(Oblong(WIDE, HIGH, section)).surface
        z, psi, step = np.linspace(0.01, 0.08, 15), np.linspace(0.01, 1.56, 40), 1e-6
        patch = surface.patch(z, psi, stretch=0)
        for dz, dpsi in ((step, 0.0), (0.0, step)):
            forward = surface.patch(z + dz, psi + dpsi, stretch=0).points
            chord = forward - surface.patch(z - dz, psi - dpsi, stretch=0).points
            along = (chord * patch.normals).sum(axis=-1) / np.linalg.norm(chord, axis=-1)
            # central differences err by the step's square times a third derivative, and at the joint of a corner
            # with a side, where the curvature jumps, by the step times that jump of at most 1/15 mm
            assert np.abs(along).max() < 1e-6


class TestRefusals:
    @pytest.mark.parametrize(
        ("horizontal", "vertical", "message"),
        [
            (
                through((0, 12.7), (100, 60)),
                through((0, 13), (100, 60)),
                r"horizontal meridian begins at r_mm = 12\.7000, the vertical one at 13\.0000: must be one radius",
            ),
            (
                Conical(0.1, 0.5),
                Conical(0.09, 0.5),
                r"horizontal meridian is 100\.0000 mm deep, the vertical one 90\.0000: must be one depth, .* Make",
            ),
            (
                Conical(0.1, 0.5),
                through((0, 12.7), (50, 40), (50, 50), (100, 60)),
                r"does not advance along the axis at z_mm = 50: must rise in z everywhere, .* Give that part a slope",
            ),
            (
                through((0, 12.7), (60, 50), (40, 60), (100, 70)),
                Conical(0.1, 0.5),
                r"does not advance along the axis at z_mm = 60: must rise",
            ),
            (Conical(0.1, 0.5, 0.5), Conical(0.1, 0.5), r"^horizontal: roundover_radius_mm = 500 leaves no wall"),
        ],
    )
    def test_meridians_without_a_common_wall_are_refused_with_the_remedy(self, horizontal, vertical, message):
        with pytest.raises(ValueError, match=message):
            _ = Waveguide(Oblong(horizontal, vertical)).surface

    def test_a_micrometre_between_meridians_is_bridged(self):
        """The depth counts as the horizontal meridian's, over which the vertical one is stretched."""
        surface = Waveguide(Oblong(WIDE, OblateSpheroidal(0.1 + 8e-7, 30 * DEGREE, 0.02))).surface
        rim = surface.axes(np.array([surface.depth]), stretch=len(surface.cuts) - 2)
        assert rim.b[0] == surface.vertical.mouth_radius
        assert len(surface.cuts) == 4

    def test_a_sphere_is_refused_by_name(self):
        with pytest.raises(ValueError, match=r'\[mounting\] kind = "sphere": must be "baffle", "cabinet" .* Change it'):
            _ = Waveguide(OBLONG.shape, Driver(), Mounting(0.3)).surface

    def test_a_corner_wider_than_the_mouth_is_refused(self):
        half = f"{HIGH.meridian(R0).mouth_radius / MM:.4g}"
        with pytest.raises(
            ValueError, match=rf"corner_radius_mm = 80: must be at most half .* side, {half}\. Lower it"
        ):
            _ = Waveguide(Oblong(WIDE, HIGH, RoundedRectangle(0.08))).surface

    def test_an_undercut_round_waveguide_has_its_meridian_and_no_surface(self):
        undercut = Waveguide(through((0, 12.7), (50, 50), (40, 60)))
        assert undercut.meridian.mouth_radius == pytest.approx(0.06)
        with pytest.raises(ValueError, match="does not advance along the axis at z_mm = 50"):
            _ = undercut.surface


class TestOblongWaveguide:
    def test_sizes(self):
        surface = OBLONG.surface
        assert not OBLONG.is_round
        assert OBLONG.depth == surface.depth == pytest.approx(0.1)
        assert OBLONG.mouth_width == 2 * WIDE.meridian(R0).mouth_radius
        assert OBLONG.mouth_height == 2 * HIGH.meridian(R0).mouth_radius

    def test_a_round_one_is_as_wide_as_high(self):
        assert CONE.is_round
        assert CONE.mouth_width == CONE.mouth_height == CONE.surface.mouth_width == pytest.approx(0.2254)
        assert CONE.depth == CONE.meridian.depth

    def test_it_has_no_one_meridian(self):
        with pytest.raises(TypeError, match="take surface.horizontal and surface.vertical"):
            _ = OBLONG.meridian

    @pytest.mark.parametrize("section", [Superellipse(((0.05, 2.5), (0.1, 4.0))), RoundedRectangle(0.01)])
    def test_it_travels_between_processes_before_and_after_its_wall_is_asked_for(self, section):
        fresh = Waveguide(Oblong(WIDE, HIGH, section))
        assert pickle.loads(pickle.dumps(fresh)) == fresh
        before = fresh.surface.axes(np.array([0.05]), stretch=1)
        again = pickle.loads(pickle.dumps(fresh))
        assert again == fresh
        assert hash(again) == hash(fresh)
        assert again.surface.axes(np.array([0.05]), stretch=1) == before


class TestSlivers:
    def test_a_roundover_too_small_to_advance_is_passed_over(self):
        """Near a cusp, where a roundover of micrometres has no depth left."""
        wall = Tractrix(0.1).meridian(R0)
        rim = wall.ends
        tiny = Arc(float(rim.z[1]), float(rim.r[1]), 0.5 * np.pi - 1e-5, 0.5 * np.pi, 2e-6)
        surface = Surface(*(Meridian((*wall.pieces, tiny)),) * 2, Superellipse())
        assert len(surface.cuts) == 2
        assert surface.axes(np.array([surface.depth]), stretch=0).a == pytest.approx(rim.r[1], abs=1e-9)
