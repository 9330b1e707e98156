"""Principal curvatures and normals against closed forms of surfaces, and against differences of normals."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.units import DEGREE
from evenflare.waveguide import (
    Conical,
    Frame,
    Free,
    OblateSpheroidal,
    Oblong,
    RoundedRectangle,
    Superellipse,
    Tractrix,
    Waveguide,
)
from evenflare.waveguide.forms import normals_and_curvatures
from evenflare.waveguide.sections import Mouth

QUARTER = np.linspace(0.0, 90.0, 31) * DEGREE
ROUNDING = 1e-12
"""Relative; a dozen operations on numbers near one."""


def forms(a, b, psi):
    """Of an elliptic section at every psi, on frames of one depth each (Z, 1)."""
    shape = np.broadcast_shapes(a.r.shape, psi.shape)
    curve = Superellipse().curve(np.zeros(shape), np.broadcast_to(psi, shape), mouth=Mouth(1.0, 1.0, 1.0))
    return normals_and_curvatures(a, b, curve)


def graph(z, r, slope, bend):
    """A wall r(z) with its derivatives, as a column."""
    stretch = np.sqrt(1 + slope**2)
    return Frame(*(np.asarray(v, float)[:, None] for v in (z, r, np.arctan(slope), bend / stretch**3, stretch)))


class TestClosedForms:
    def test_an_ellipsoid_seen_from_inside(self):
        """Gaussian and mean curvature with h = x^2/A^4 + y^2/B^4 + z^2/C^4: K = 1 / (A B C h)^2 and
        H = (A^2 + B^2 + C^2 - x^2 - y^2 - z^2) / (2 (A B C)^2 h^(3/2)) (do Carmo 1976, section 3-3, exercises, for K;
        H from the same implicit form; from memory).
        """
        A, B, C = 0.15, 0.08, 0.11
        z = -C * np.array([0.9, 0.6, 0.3, 0.1])  # a bowl that opens forward
        root = np.sqrt(1 - (z / C) ** 2)
        slope, bend = -z / C**2 / root, -1 / C**2 / root**3
        normals, curvatures = forms(
            graph(z, A * root, A * slope, A * bend), graph(z, B * root, B * slope, B * bend), QUARTER
        )
        x, y = A * root[:, None] * np.cos(QUARTER), B * root[:, None] * np.sin(QUARTER)
        h = (x / A**2) ** 2 + (y / B**2) ** 2 + (z[:, None] / C**2) ** 2
        mean = (A**2 + B**2 + C**2 - x**2 - y**2 - z[:, None] ** 2) / (2 * (A * B * C) ** 2 * h**1.5)
        assert curvatures.prod(axis=-1) == pytest.approx(1 / (A * B * C * h) ** 2, rel=ROUNDING)
        assert curvatures.mean(axis=-1) == pytest.approx(-mean, rel=ROUNDING)  # hollow
        inward = -np.stack([x / A**2, y / B**2, z[:, None] / C**2 + 0 * x], axis=-1) / np.sqrt(h)[..., None]
        assert normals == pytest.approx(inward, abs=ROUNDING)

    def test_an_elliptic_cone(self):
        """X = z c with c = (p cos, q sin, 1): one curvature is 0, the other p q |c|^2 / (z |c x c'|^3), from the
        second form of a cone, z det(c, c', c'') / |c x c'|.
        """
        p, q = 1.3, 0.6
        z = np.array([0.02, 0.1])
        wall = [graph(z, each * z, np.full(2, each), np.zeros(2)) for each in (p, q)]
        c = np.stack([p * np.cos(QUARTER), q * np.sin(QUARTER), np.ones(31)], axis=-1)
        turn = np.stack([-p * np.sin(QUARTER), q * np.cos(QUARTER), np.zeros(31)], axis=-1)
        area = np.linalg.norm(np.cross(c, turn), axis=-1)
        _, curvatures = forms(*wall, QUARTER)
        expected = -p * q * (c**2).sum(axis=-1) / (z[:, None] * area**3)
        assert curvatures[..., 0] == pytest.approx(expected, rel=ROUNDING)
        assert curvatures[..., 1] == pytest.approx(0.0, abs=1e-10)  # of 1/m, beside some 50

    def test_an_elliptic_cylinder(self):
        """The ellipse's curvature a b / (a^2 sin^2 + b^2 cos^2)^(3/2), any text on plane curves; and 0 along it."""
        a, b = 0.09, 0.04
        z = np.array([0.0, 0.05])
        walls = [graph(z, np.full(2, each), np.zeros(2), np.zeros(2)) for each in (a, b)]
        _, curvatures = forms(*walls, QUARTER)
        ellipse = a * b / ((a * np.sin(QUARTER)) ** 2 + (b * np.cos(QUARTER)) ** 2) ** 1.5
        assert curvatures[..., 0] == pytest.approx(np.tile(-ellipse, (2, 1)), rel=ROUNDING)
        assert curvatures[..., 1] == pytest.approx(0.0, abs=1e-10)

    def test_a_roundover_is_part_of_a_torus(self):
        """Curvature 1/R along the circle that turns, cos(angle)/r around the axis, up to the rim."""
        surface = Waveguide(Conical(0.1, 35 * DEGREE, 0.02)).surface
        z = surface.depth - np.linspace(np.sqrt(surface.depth - surface.cuts[1]), 0.0, 40) ** 2
        axes, patch = surface.axes(z, stretch=1), surface.patch(z, QUARTER, stretch=1)
        assert patch.curvatures[..., 1] == pytest.approx(50.0, rel=1e-9)
        around = -np.cos(axes.a_angle) / axes.a
        assert patch.curvatures[..., 0] == pytest.approx(np.tile(around[:, None], 31), abs=1e-9)

    @pytest.mark.parametrize(
        "shape",
        [
            OblateSpheroidal(0.1, 40 * DEGREE, 0.02),
            Free(0.1, 0.3, (5.0, -8.0, 3.0, 10.0)),
            Tractrix(0.1),
        ],
    )
    def test_a_round_wall_has_its_meridians_curvature_and_that_of_its_circumference(self, shape):
        surface = Waveguide(shape).surface
        for stretch, piece in enumerate(surface.horizontal.pieces):
            wall = piece.frame_at(np.linspace(0.0, 0.999, 50))
            expected = np.sort(np.stack([wall.curvature, -np.cos(wall.angle) / wall.r]), axis=0).T
            found = surface.patch(wall.z, QUARTER[::10], stretch=stretch).curvatures
            for column in range(4):
                # a depth is rounded to 1e-17 m, which matters where the wall is steep
                assert found[:, column] == pytest.approx(expected, rel=1e-7, abs=1e-7)


class TestDifferences:
    @pytest.mark.parametrize(
        "section",
        [
            Superellipse(),
            Superellipse(3.0),
            Superellipse(((0.05, 2.5), (0.1, 6.0))),
            RoundedRectangle(0.015),
        ],
    )
    def test_curvatures_are_the_turn_of_the_normals(self, section):
        """Weingarten's equations: along a principal direction the normal changes by the curvature times the way."""
        surface = Waveguide(
            Oblong(OblateSpheroidal(0.1, 45 * DEGREE, 0.02), Conical(0.1, 25 * DEGREE, 0.012), section)
        ).surface
        z, psi, step = np.linspace(0.012, 0.045, 7), np.linspace(0.1, 1.5, 15) + 0.0123, 1e-5
        exact = surface.patch(z, psi, stretch=0)
        ways, turns = [], []
        for dz, dpsi in ((0.1 * step, 0.0), (0.0, step)):
            sides = [surface.patch(z + side * dz, psi + side * dpsi, stretch=0) for side in (1, -1)]
            ways.append(sides[0].points - sides[1].points)
            turns.append(sides[0].normals - sides[1].normals)
        way, turn = np.stack(ways, axis=-1), np.stack(turns, axis=-1)
        shape_operator = np.linalg.pinv(way) @ turn
        found = np.sort(np.linalg.eigvals(shape_operator).real, axis=-1)
        # central differences; none of these points lies within a step of a joint of corner and side
        assert exact.curvatures == pytest.approx(found, rel=1e-5, abs=1e-4)

    def test_a_pointed_section_has_a_hollow_without_radius_in_its_planes(self):
        surface = Waveguide(Oblong(Conical(0.1, 0.7), Conical(0.1, 0.4), Superellipse(1.7))).surface
        patch = surface.patch(np.array([0.05, 0.1]), np.array([0.0, 0.7, 0.5 * np.pi]), stretch=0)
        # in the vertical plane the cosine of a rounded right angle is 6e-17, which is not quite the plane
        assert (patch.curvatures[:, 0, 0] < -1e20).all()
        assert (patch.curvatures[:, 2, 0] < -1e3).all()
        assert (patch.curvatures[:, 1, 0] > -100).all()
        assert np.isfinite(patch.normals).all()
