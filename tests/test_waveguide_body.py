"""Outlines of free-standing bodies: closed, simple, tangent where promised; their volume; profiles cut at the mouth."""

import itertools
import pickle
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from evenflare.units import DEGREE
from evenflare.waveguide import (
    BodyPoints,
    Conical,
    Driver,
    Mounting,
    OblateSpheroidal,
    Oblong,
    Points,
    RolledShell,
    RoundCabinet,
    Waveguide,
)
from evenflare.waveguide.body import SEAT, dense, outside, volume
from evenflare.waveguide.profile import divided
from evenflare.waveguide.walls import Arc, Line

ROUNDING = 1e-12
LEFT_OUT = 1e-9  # m, of a stretch that is too short to be one
CONE = Conical(0.09, 42 * DEGREE, 0.02)
TURN = 2 * np.pi


def ends(pieces):
    return [piece.frame_at(np.array([0.0, 1.0])) for piece in pieces]


def looks_like_an_outline(pieces, rim, back):
    """End to end from the rim to the axis at `back`, anticlockwise round what is solid, crossing nothing."""
    found = ends(pieces)
    assert np.hypot(found[0].z[0] - rim[0], found[0].r[0] - rim[1]) < LEFT_OUT
    assert abs(found[-1].r[1]) < ROUNDING
    assert found[-1].z[1] == pytest.approx(back, abs=ROUNDING)
    for before, after in itertools.pairwise(found):
        assert np.hypot(after.z[0] - before.z[1], after.r[0] - before.r[1]) < LEFT_OUT
    points = dense(pieces)
    assert points.r.min() > -ROUNDING
    path = np.column_stack([points.z, points.r])
    path = path[np.concatenate([[True], np.hypot(*np.diff(path, axis=0).T) > 1e-9])]
    assert LineString(path).is_simple
    solid = Polygon([*path, (rim[0], 0.0)])
    assert solid.exterior.is_ccw


def turns(pieces):
    """rad, of the angle from each piece to the next."""
    found = ends(pieces)
    return [(after.angle[0] - before.angle[1] + np.pi) % TURN - np.pi for before, after in itertools.pairwise(found)]


share = st.floats(0.0, 1.0)
rims = st.tuples(st.floats(0.02, 0.3), st.floats(0.03, 0.3))


@settings(deadline=None)
@given(rim=rims, spare=st.floats(1e-4, 0.3), behind=st.floats(SEAT, 0.5), rounded=share)
def test_any_round_cabinet_is_a_smooth_closed_outline(rim, spare, behind, rounded):
    depth, radius = rim[0] + behind, rim[1] + spare
    edge = rounded * min(spare, 0.5 * depth)
    pieces = RoundCabinet(2 * radius, depth, edge).pieces(rim, rim[0])
    looks_like_an_outline(pieces, rim, -behind)
    assert dense(pieces).r.max() == pytest.approx(radius, abs=ROUNDING)
    assert dense(pieces).z.max() == pytest.approx(rim[0], abs=ROUNDING)  # flush with the mouth
    if edge >= 1e-6:
        assert np.abs(turns(pieces)).max(initial=0.0) < 1e-6  # a straight piece may be no longer than 1e-9 m
        assert max(np.abs(piece.frame_at(np.array([0.5])).curvature[0]) for piece in pieces) == pytest.approx(1 / edge)
    else:
        assert turns(pieces) == pytest.approx([90 * DEGREE] * 2, abs=ROUNDING)


@settings(deadline=None)
@given(rim=rims, behind=st.floats(SEAT, 0.5), roll=st.floats(0.0, 0.45), corner=st.floats(0.01, 0.5), rounded=share)
def test_any_rolled_shell_is_a_smooth_closed_outline(rim, behind, roll, corner, rounded):
    radius = roll * (rim[0] + behind)
    sharp = RolledShell(radius, 2 * corner, behind).pieces(rim, rim[0])
    looks_like_an_outline(sharp, rim, -behind)
    taper, back = ends(sharp)[-2:]
    assert back.r[0] == pytest.approx(corner, abs=ROUNDING)
    if radius > 1e-6:
        first = ends(sharp)[0]
        assert first.angle[0] == pytest.approx(90 * DEGREE)  # outward, in the mouth plane
        assert turns(sharp)[:-1] == pytest.approx([0.0] * (len(sharp) - 2), abs=1e-6)
    # The largest edge that there is room for, and a share of it.
    half = 0.5 * turns(sharp)[-1]
    room = min(np.hypot(taper.z[1] - taper.z[0], taper.r[1] - taper.r[0]), corner)
    edge = 0.999 * rounded * room / np.tan(half)
    pieces = RolledShell(radius, 2 * corner, behind, edge).pieces(rim, rim[0])
    looks_like_an_outline(pieces, rim, -behind)
    if edge >= 1e-6 and radius >= 1e-6:
        assert np.abs(turns(pieces)).max() < 1e-6
        assert volume(pieces) < volume(sharp)


@settings(deadline=None, max_examples=30)
@given(rim=rims, spare=st.floats(0.02, 0.3), behind=st.floats(0.02, 0.5))
def test_points_of_a_cabinet_give_the_same_cabinet(rim, spare, behind):
    cabinet = RoundCabinet(2 * (rim[1] + spare), rim[0] + behind, 0.4 * min(spare, 0.5 * behind))
    pieces = cabinet.pieces(rim, rim[0])
    curve = np.linspace(0.0, 1.0, 13)
    frames = [piece.frame_at(curve if isinstance(piece, Arc) else curve[[0, -1]]) for piece in pieces]
    points = np.vstack([np.column_stack([frame.z, frame.r])[1:] for frame in frames])
    body = BodyPoints(tuple(map(tuple, [rim, *points[:-1].tolist(), (points[-1, 0], 0.0)])))
    found = body.pieces(rim, rim[0])
    looks_like_an_outline(found, rim, -behind)
    # A curve through 13 points of a quarter circle; the straight parts stay straight.
    assert volume(found) == pytest.approx(volume(pieces), rel=1e-4)
    assert sum(isinstance(piece, Line) for piece in found) == 3


class TestVolume:
    def test_of_a_sphere(self):
        """Closed form: 4/3 pi r^3, less the cap of height h before the rim, pi h^2 (3 r - h) / 3."""
        radius, angle = 0.15, 50 * DEGREE
        rim_z, rim_r = radius * np.cos(angle), radius * np.sin(angle)
        cap = radius - rim_z
        expected = 4 / 3 * np.pi * radius**3 - np.pi * cap**2 * (3 * radius - cap) / 3
        arc = Arc(rim_z, rim_r, 90 * DEGREE + angle, 270 * DEGREE, radius)
        assert volume([arc]) == pytest.approx(expected, rel=ROUNDING)

    def test_of_a_cylinder(self):
        """Closed form: pi r^2 h."""
        pieces = RoundCabinet(0.3, 0.25).pieces((0.09, 0.1), 0.09)
        assert volume(pieces) == pytest.approx(np.pi * 0.15**2 * 0.25, rel=ROUNDING)

    def test_of_a_truncated_cone(self):
        """Closed form: pi h (a^2 + a b + b^2) / 3."""
        pieces = RolledShell(0.0, 0.1, 0.06).pieces((0.09, 0.12), 0.09)
        expected = np.pi * 0.15 * (0.12**2 + 0.12 * 0.05 + 0.05**2) / 3
        assert volume(pieces) == pytest.approx(expected, rel=ROUNDING)

    def test_of_rounded_edges_after_pappus(self):
        """What a quarter circle takes off an edge: the square on the radius e less the quarter disc, an area of
        (1 - pi/4) e^2, whose centroid follows from theirs, e/2 and 4 e / (3 pi) from the circle's centre.
        """
        radius, depth, edge = 0.15, 0.25, 0.03
        pieces = RoundCabinet(2 * radius, depth, edge).pieces((0.09, 0.1), 0.09)
        off, quarter = (1 - np.pi / 4) * edge**2, np.pi / 4 * edge**2
        centroid = (edge**2 * edge / 2 - quarter * 4 * edge / (3 * np.pi)) / off
        at = radius - edge + centroid
        expected = np.pi * radius**2 * depth - 2 * off * TURN * at
        assert volume(pieces) == pytest.approx(expected, rel=ROUNDING)


class TestRefused:
    @pytest.mark.parametrize(
        ("body", "field", "unit"),
        [
            (RoundCabinet(0.2, 0.25), "diameter", "the mouth's, "),
            (RoundCabinet(0.3, 0.092), "depth", "at least "),
            (RoundCabinet(0.3, 0.25, 0.06), "edge_radius", "0 to "),
            (RolledShell(0.08, 0.1, 0.06), "rim_radius", "0 to "),
            (RolledShell(0.02, 0.1, 0.06, 0.2), "back_edge_radius", "0 to "),
        ],
    )
    def test_the_number_that_a_message_names_will_do(self, body, field, unit):
        """As it is printed: not what it was before it was rounded."""
        wall = Waveguide(CONE).meridian
        rim = (wall.depth, wall.mouth_radius), wall.depth
        with pytest.raises(ValueError, match=unit) as caught:
            body.pieces(*rim)
        named = float(re.search(unit + r"([\d.]+)[.,]", str(caught.value))[1])
        assert replace(body, **{field: named * 1e-3}).pieces(*rim)

    @pytest.mark.parametrize(
        ("body", "message"),
        [
            (RoundCabinet(0.2, 0.25), r"diameter_mm = 200: must be at least the mouth's, 205\.3\. Raise it"),
            (RoundCabinet(0.3, 0.092), r"depth_mm = 92: must be at least 95, the waveguide's 90 and 5 for the driver"),
            (RoundCabinet(0.3, 0.25, 0.06), r"edge_radius_mm = 60: must be 0 to 47\.3, what the mouth leaves of the"),
            (RoundCabinet(0.6, 0.2, 0.11), r"edge_radius_mm = 110: must be 0 to 100, half of depth_mm\. Lower it"),
            (RolledShell(0.02, 0.1, 0.004), r"back_depth_mm = 4: must be at least 5, behind the throat plane"),
            (
                RolledShell(0.08, 0.1, 0.06),
                r"rim_radius_mm = 80: must be 0 to 74\.9, less than half of the way from the mouth",
            ),
            (RolledShell(0.02, 0.1, 0.06, 0.2), r"back_edge_radius_mm = 200: must be 0 to 87, so that taper"),
            (
                BodyPoints(((0.09, 0.1035), (-0.02, 0.0))),
                r"body: the first point lies at z_mm = 90, r_mm = 103\.5: must",
            ),
            (
                BodyPoints(((-0.02, 0.05), (0.09, 0.10264), (-0.09, 0.0))),
                r"the first point lies at z_mm = -20.*to 0\.1\. Correct it; z counts from the throat plane",
            ),
            (
                BodyPoints(((0.09, 0.10264), (0.09, 0.2), (0.01, 0.2), (0.01, 0.0))),
                r"body: the last point lies at z_mm = 10: must be below 0, behind the throat plane",
            ),
            (
                BodyPoints(((0.09, 0.10264), (0.04, 0.02), (-0.03, 0.011), (-0.03, 0.0))),
                r"body: the outline crosses the waveguide at z_mm = .*must stay outside it\. Correct the points",
            ),
        ],
    )
    def test_body_that_does_not_fit_its_waveguide(self, body, message):
        with pytest.raises(ValueError, match=message) as caught:
            _ = Waveguide(CONE, Driver(), Mounting(body=body)).meridian
        assert str(caught.value).startswith("[mounting] ")

    @pytest.mark.parametrize(
        ("body", "remedy"),
        [
            (RolledShell(0.02, 0.04, 0.06), "Lower rim_radius_mm, or raise back_diameter_mm"),
            (BodyPoints(((0.09, 0.1), (-0.06, 0.02), (-0.06, 0.0))), "Correct the points, or give more where it bends"),
        ],
    )
    def test_taper_that_cuts_into_a_wall_that_widens_early(self, body, remedy):
        early = Points(((0.0, 0.0127), (0.01, 0.09), (0.09, 0.1)))
        with pytest.raises(
            ValueError, match=r"crosses the waveguide at z_mm = .*, r_mm = .*stay outside it\. "
        ) as caught:
            _ = Waveguide(early, Driver(), Mounting(body=body)).meridian
        assert remedy in str(caught.value)

    @pytest.mark.parametrize(
        ("points", "message"),
        [
            (((0.09, 0.1),), "must be two finite points"),
            (((0.09, 0.1), (-0.02, float("nan"))), "must be two finite points"),
            (
                ((0.09, 0.1), (-0.02, 0.01)),
                "the last point has r_mm = 10: must be 0, where the body closes on the axis",
            ),
            (((-0.02, 0.0), (0.09, 0.1)), "the last point has r_mm = 100: .* They run from the axis to the mouth: rev"),
            (((0.09, 0.1), (0.01, 0.0), (-0.02, 0.0)), "point 2 has r_mm = 0: must be above 0, only the last lies"),
            (((0.09, 0.1), (0.09, 0.1), (-0.02, 0.0)), "points 1 and 2 are the same"),
            (((0.09, 0.1), (-0.1, 0.1), (0.0, 0.12), (-0.05, 0.0)), "the body crosses itself"),
        ],
    )
    def test_points_that_are_no_body(self, points, message):
        with pytest.raises(ValueError, match=message):
            BodyPoints(points)

    def test_oblong_waveguide(self):
        oblong = Oblong(Conical(0.09, 0.7), Conical(0.09, 0.5))
        with pytest.raises(
            ValueError, match=r'outline = "round_cabinet": must be "rolled_shell" for a mouth that is not round'
        ):
            _ = Waveguide(oblong, Driver(), Mounting(body=RoundCabinet(0.4, 0.3))).surface

    def test_sphere_and_body_at_once(self):
        with pytest.raises(ValueError, match="a mounting is a sphere, a body or a cabinet"):
            Mounting(0.2, RoundCabinet(0.3, 0.2))


class TestMounted:
    def test_kinds(self):
        assert Mounting(body=RoundCabinet(0.3, 0.25)).kind == "free_standing"
        assert Waveguide(CONE).outside == ()
        assert Waveguide(CONE, mounting=Mounting(0.2)).outside == ()

    def test_outside_begins_at_the_rim_and_the_wall_is_that_of_the_bare_waveguide(self):
        waveguide = Waveguide(CONE, Driver(), Mounting(body=RolledShell(0.02, 0.12, 0.05, 0.01)))
        bare = Waveguide(CONE).meridian
        assert waveguide.meridian == bare
        looks_like_an_outline(waveguide.outside, (0.09, bare.mouth_radius), -0.05)
        assert pickle.loads(pickle.dumps(waveguide)) == waveguide

    def test_smooth_from_a_rounded_wall_into_a_flat_front_and_into_a_rolled_rim(self):
        for body in (RoundCabinet(0.3, 0.25, 0.02), RolledShell(0.02, 0.12, 0.05)):
            waveguide = Waveguide(CONE, Driver(), Mounting(body=body))
            first = waveguide.outside[0].frame_at(np.array([0.0]))
            assert first.angle[0] == pytest.approx(waveguide.meridian.ends.angle[1], abs=1e-9)

    def test_first_point_a_little_beside_the_rim_is_put_on_it(self):
        wall = Waveguide(CONE).meridian
        body = BodyPoints(((0.09, 0.1026), (0.09, 0.15), (-0.06, 0.15), (-0.06, 0.0)))
        assert body.points[0][1] != wall.mouth_radius
        assert ends(outside(wall, body))[0].r[0] == wall.mouth_radius


def rolled_profile(count, angle=35.0):
    """A cone, a rim of 15 mm radius rolled over to 200 degrees and a taper to a flat back, mm; and the rim's front."""
    z = np.linspace(0.0, 80.0, 9)
    wall = np.column_stack([z, 12.7 + z * np.tan(angle * DEGREE)])
    centre = wall[-1] + 15.0 * np.array([-np.sin(angle * DEGREE), np.cos(angle * DEGREE)])
    a = np.linspace(angle, 200.0, count)[1:] * DEGREE
    rim = centre + 15.0 * np.column_stack([np.sin(a), -np.cos(a)])
    back = rim[-1] + (rim[-1, 0] + 40.0) / -np.cos(200 * DEGREE) * np.array(
        [np.cos(200 * DEGREE), np.sin(200 * DEGREE)]
    )
    return np.vstack([wall, rim, back, [-40.0, 0.0]]) * 1e-3, (centre + np.array([15.0, 0.0])) * 1e-3


class TestDivided:
    @pytest.mark.parametrize("count", [15, 19, 30, 61, 200])
    def test_rolled_rim_is_cut_where_it_lies_farthest_forward(self, count):
        points, front = rolled_profile(count)
        shape, body = divided(points)
        waveguide = Waveguide(shape, Driver(), Mounting(body=body))
        wall = waveguide.meridian
        # 1 um of depth, as much as the curve through points 12 degrees apart leaves open
        assert wall.depth == pytest.approx(front[0], abs=2e-6)
        assert wall.ends.angle[1] == pytest.approx(90 * DEGREE, abs=0.1 * DEGREE)
        assert wall.dense.angle.max() <= 90 * DEGREE + 1e-9  # which every solver can follow, and rounding
        first = waveguide.outside[0].frame_at(np.array([0.0]))
        assert first.angle[0] == pytest.approx(wall.ends.angle[1], abs=0.1 * DEGREE)  # no corner at the cut
        looks_like_an_outline(waveguide.outside, (wall.depth, wall.mouth_radius), -0.04)

    def test_every_point_but_those_at_the_cut_is_kept(self):
        points, _ = rolled_profile(61)
        shape, body = divided(points)
        kept = {*shape.points, *body.points}
        assert len({tuple(point) for point in points.tolist()} - kept) <= 1
        assert shape.points[-1] == body.points[0]

    def test_sharp_rim_and_flat_front_begin_at_their_first_foremost_point(self):
        points = np.array([[0.0, 12.7], [80, 80], [80, 150], [-60, 150], [-60, 0]]) * 1e-3
        shape, body = divided(points)
        assert shape == Points(((0.0, 0.0127), (0.08, 0.08)))
        assert body == BodyPoints(((0.08, 0.08), (0.08, 0.15), (-0.06, 0.15), (-0.06, 0.0)))

    def test_rounded_wall_into_a_flat_front(self):
        wall = Waveguide(CONE).meridian.dense
        points = np.vstack([np.column_stack([wall.z, wall.r])[::16], [[0.09, 0.15], [-0.06, 0.15], [-0.06, 0.0]]])
        points = points[np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-9])]
        shape, body = divided(points)
        meridian = Waveguide(shape, Driver(), Mounting(body=body)).meridian
        assert meridian.mouth_radius == pytest.approx(wall.r[-1], abs=2e-4)
        assert meridian.depth == pytest.approx(0.09, abs=1e-6)
        assert meridian.dense.angle.max() <= 90 * DEGREE

    def test_corner_counts_for_both(self):
        points, _ = rolled_profile(61)
        shape, body = divided(points, corner=20 * DEGREE)
        assert shape.corner == body.corner == 20 * DEGREE

    @pytest.mark.parametrize(
        ("points", "message"),
        [
            ([[0, 12.7], [-50, 60], [-60, 0]], "the throat lies farthest forward: z must rise from the throat"),
            ([[0, 12.7], [50, 60], [60, 0]], "the last point, on the axis, lies farthest forward"),
            ([[0, 12.7], [50, 60], [40, 0], [-20, 0]], "point 2 has r_mm = 0: must be above 0, only the last lies on"),
        ],
    )
    def test_profile_that_is_no_body(self, points, message):
        with pytest.raises(ValueError, match=message):
            divided(np.array(points) * 1e-3)


class TestDriverThatMovesUnevenly:
    @settings(deadline=None, max_examples=50)
    @given(
        inner=st.lists(st.floats(0.05, 0.95), max_size=5, unique_by=lambda x: round(x, 2)),
        velocity=st.lists(st.floats(0.0, 3.0), min_size=7, max_size=7),
    )
    def test_mean_over_the_exit_is_one_and_the_curve_runs_through_the_pairs(self, inner, velocity):
        share = [0.0, *sorted(inner), 1.0]
        velocity = velocity[: len(share)]
        if max(velocity) < 0.1:
            velocity[0] = 1.0
        driver = Driver(velocity_profile=tuple(zip(share, velocity, strict=True)))
        found = driver.velocity(np.array(share))
        assert found * max(velocity) == pytest.approx(np.array(velocity) * found.max(), abs=1e-9)
        fine = np.linspace(0.0, 1.0, 20001)
        assert driver.velocity(fine).min() >= -1e-12  # never outside what is given
        assert driver.velocity(fine).max() <= found.max() * (1 + 1e-12)
        mean = np.trapezoid(driver.velocity(fine) * 2 * fine, fine)
        assert mean == pytest.approx(1.0, abs=1e-5)  # of 20000 trapezoids

    def test_level_on_the_axis(self):
        """Even about the axis: its slope there is 0."""
        driver = Driver(velocity_profile=((0, 1), (0.5, 0.97), (1, 0.8)))
        near = driver.velocity(np.array([0.0, 1e-4]))
        assert abs(near[1] - near[0]) < 1e-7

    def test_even_without_a_profile(self):
        assert Driver().velocity(np.array([0.0, 0.5, 1.0])).tolist() == [1.0, 1.0, 1.0]

    def test_two_pairs_keep_their_ratio(self):
        driver = Driver(velocity_profile=((0.0, 2.0), (1.0, 1.0)))
        centre, edge = driver.velocity(np.array([0.0, 1.0]))
        assert centre / edge == pytest.approx(2.0)
        assert edge < 1.0 < centre

    @pytest.mark.parametrize(
        "profile", [((0, 1),), ((0.1, 1), (1, 1)), ((0, 1), (0.9, 1)), ((0, 1), (0, 2), (1, 1)), ((0, 0), (1, 0))]
    )
    def test_profile_that_is_none(self, profile):
        with pytest.raises(ValueError, match="must run from a share of 0 to one of 1|not all 0"):
            Driver(velocity_profile=profile)


def test_travels_with_any_shape_between_processes():
    waveguide = Waveguide(OblateSpheroidal(0.09, 0.7), Driver(velocity_profile=((0, 1), (1, 0.8))))
    waveguide.driver.velocity(np.array([0.5]))
    assert pickle.loads(pickle.dumps(waveguide)) == waveguide
