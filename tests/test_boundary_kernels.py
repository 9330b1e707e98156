"""The boundary elements' parts: the ring's kernel, the layers' integrals, and the identities that they must meet."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.special import ellipe, ellipkm1, eval_legendre, spherical_jn, spherical_yn

from boundaries import RADIUS, ball, can
from evenflare.radiation.boundary import Boundary, normal
from evenflare.radiation.inside import enclosed, inside_points, outline_of
from evenflare.radiation.layers import double_layer, single_layer, still_layers
from evenflare.radiation.panels import Density, MeridianMesh, cut
from evenflare.radiation.ring import complete_elliptic, cosine_sine, moving_double, moving_single, still
from evenflare.units import ComplexArray, FloatArray

length = st.floats(-0.15, 0.15)


def azimuth_points(pieces: int = 16, count: int = 200) -> tuple[FloatArray, FloatArray]:
    """Gauss points and weights over [0, 2 pi] for even functions that may peak at 0."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    cuts = np.concatenate([[0.0], np.geomspace(1e-6, np.pi, pieces)])
    half = 0.5 * np.diff(cuts)[:, None]
    return (cuts[:-1, None] + half * (1 + nodes)).ravel(), (2 * half * weights).ravel()


class TestRing:
    @settings(deadline=None, max_examples=60)
    @given(
        k=st.floats(1.0, 400.0),
        z=length,
        r=st.floats(0.0, 0.2),
        ring_r=st.floats(1e-3, 0.2),
        tilt=st.floats(0.0, 2 * np.pi),
        near=st.booleans(),
        order=st.integers(0, 8),
    )
    def test_kernel_is_the_azimuth_integral(
        self, k: float, z: float, r: float, ring_r: float, tilt: float, near: bool, order: int
    ) -> None:
        if near:
            z, r = 0.01 * z, abs(ring_r + 0.01 * (r - 0.1))
        gap = np.hypot(z, r - ring_r)
        assume(gap > 1e-6)
        normal_z, normal_r = np.cos(tilt), np.sin(tilt)
        azimuth, weights = azimuth_points()
        distance = np.sqrt(z**2 + (r - ring_r) ** 2 + 4 * r * ring_r * np.sin(azimuth / 2) ** 2)
        green = weights * np.exp(-1j * k * distance) / (4 * np.pi * distance)
        along = -normal_z * z + normal_r * (ring_r - r + 2 * r * np.sin(azimuth / 2) ** 2)
        slope = -green * (1 + 1j * k * distance) / distance**2 * along
        turned = np.cos(order * azimuth)
        s, s2, d, d2 = still(-z, ring_r - r, r, ring_r, normal_z, normal_r, order)
        single = s + k**2 * s2 + complex(*moving_single(k, z, r, 0.0, ring_r, order))
        double = d + k**2 * d2 + complex(*moving_double(k, z, r, 0.0, ring_r, normal_z, normal_r, order))
        # Of the integral of the magnitude: the Gauss rule is sized for 3e-4 at its worst, and mostly far below.
        assert abs(single - green @ turned) < 1e-3 * np.abs(green).sum()
        assert abs(double - slope @ turned) < 1e-3 * (np.abs(slope).sum() + k * np.abs(green).sum())

    def test_elliptic_integrals(self) -> None:
        """Against scipy's, which are Cephes' polynomials."""
        complement = np.geomspace(1e-9, 1.0, 50)
        found = np.array([complete_elliptic(each) for each in complement])
        np.testing.assert_allclose(found[:, 0], ellipkm1(complement**2), rtol=1e-13)  # rounding
        np.testing.assert_allclose(found[:, 1], ellipe(1 - complement**2), rtol=1e-13)

    def test_cosine_and_sine(self) -> None:
        x = np.concatenate([[0.0], np.geomspace(1e-3, 1200, 4000)])
        found = np.array([cosine_sine(each) for each in x])
        # The series' last term, and the rounding of 400 half turns.
        np.testing.assert_allclose(found, np.stack([np.cos(x), np.sin(x)], axis=1), atol=3e-13)


def potentials(boundary: Boundary, k: float, density: Density) -> tuple[MeridianMesh, ComplexArray, ComplexArray]:
    """Mesh, single and double layer among all nodes."""
    mesh = cut(boundary, wavenumber=k, density=density)
    nodes = slice(0, mesh.size)
    layers = still_layers(mesh.z, mesh.r, mesh, nodes, at_nodes=True)
    return (
        mesh,
        single_layer(k, mesh.z, mesh.r, mesh, nodes, layers),
        double_layer(k, mesh.z, mesh.r, mesh, nodes, layers, at_nodes=True),
    )


class TestLayers:
    def test_work_that_serves_twice_gives_what_it_gives_once(self) -> None:
        mesh = cut(can(0.05, 0.1), wavenumber=200.0, density=Density())
        nodes = slice(0, mesh.size)
        z, r = np.append(mesh.z, [0.03, 0.2]), np.append(mesh.r, [0.02, 0.1])
        layers = still_layers(z, r, mesh, nodes, at_nodes=True)
        once = double_layer(200.0, z, r, mesh, nodes, layers)
        twice = double_layer(200.0, z, r, mesh, nodes, layers, at_nodes=True)
        np.testing.assert_allclose(twice, once, atol=1e-12 * np.abs(once).max())  # rounding of some 20 terms each

    @pytest.mark.parametrize("degree", [0, 1, 7, 20])
    def test_layers_on_a_sphere(self, degree: int) -> None:
        """On Legendre functions both layers are numbers: -j k R^2 j_n h_n, and -j (kR)^2 (j_n h_n' + j_n' h_n) / 2.

        Source: the expansion of Green's function (Morse & Ingard 1968, 7.2.31, from memory), its jump halved.
        """
        k = 150.0
        mesh, single, double = potentials(ball(0.5, normal), k, Density())
        x = k * RADIUS
        j, slope_j = spherical_jn(degree, x), spherical_jn(degree, x, derivative=True)
        h = j - 1j * spherical_yn(degree, x)
        slope_h = slope_j - 1j * spherical_yn(degree, x, derivative=True)
        values = eval_legendre(degree, mesh.z / RADIUS)
        wanted = -1j * k * RADIUS**2 * j * h
        # 2e-4 of the largest value of either: polynomials of third degree on panels of 0.4 wavelengths.
        np.testing.assert_allclose(single @ (values * mesh.rate), wanted * values, atol=2e-4 * 0.5 * RADIUS)
        wanted = -0.5j * x**2 * (j * slope_h + slope_j * h)
        np.testing.assert_allclose(double @ values, wanted * values, atol=2e-4)

    @pytest.mark.parametrize("boundary", [ball(0.5, normal), can(0.05, 0.1)], ids=["sphere", "can"])
    def test_sound_from_inside_meets_the_equation(self, boundary: Boundary) -> None:
        """A point source in the solid sends a wave that the integral equation outside must be content with."""
        k = 100.0
        mesh, single, double = potentials(boundary, k, Density())
        z = mesh.z + 0.05
        distance = np.hypot(z, mesh.r)
        pressure = np.exp(-1j * k * distance) / distance
        slope = -pressure * (1 / distance + 1j * k) * (z * mesh.normal_z + mesh.r * mesh.normal_r) / distance
        left = 0.5 * pressure - double @ pressure + single @ (slope * mesh.rate)
        # 1e-3: at the can's edges, where panels meet at right angles and nodes lie close to both.
        assert np.abs(left).max() < 1e-3 * np.abs(pressure).max()


class TestMesh:
    def test_area_and_normals_of_a_sphere(self) -> None:
        mesh = cut(ball(0.7, normal), wavenumber=50.0, density=Density())
        assert 2 * np.pi * mesh.area.sum() == pytest.approx(4 * np.pi * RADIUS**2, rel=1e-9)  # Gauss rules on an arc
        # The polynomials of a panel's shape, of eleventh degree over less than 0.7 rad.
        np.testing.assert_allclose(mesh.normal_z, mesh.z / RADIUS, atol=1e-9)
        np.testing.assert_allclose(mesh.normal_r, mesh.r / RADIUS, atol=1e-9)

    def test_nodes_follow_the_wavelength(self) -> None:
        sizes = [cut(ball(0.7, normal), wavenumber=k, density=Density()).size for k in (100.0, 200.0, 400.0)]
        arc = np.pi * RADIUS
        # Whole panels, and shorter ones where cap and sphere meet without a corner: within a quarter.
        np.testing.assert_allclose(sizes, 10 * arc * np.array([100, 200, 400]) / (2 * np.pi), rtol=0.25)

    def test_points_inside_are_inside(self) -> None:
        mesh = cut(can(0.05, 0.1), wavenumber=100.0, density=Density())
        z, r = inside_points(mesh, 30)
        assert z.size == 30
        assert np.all((z > -0.1) & (z < 0) & (r >= 0) & (r < 0.05))
        probes = np.array([[-0.05, 0.049], [-0.05, 0.051], [0.01, 0.0], [-0.099, 0.001]])
        np.testing.assert_array_equal(enclosed(probes, outline_of(mesh)), [True, False, False, True])
