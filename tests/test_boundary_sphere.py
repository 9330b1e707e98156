"""Boundary elements of closed bodies against the series of moving caps on a sphere, at the solid's resonances too."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import spherical_jn

import known_sounds
from boundaries import AIR, ANGLES, RADIUS, at_density, at_sizes, axial, ball, can
from evenflare import closed_forms, metrics, radiation
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.boundary import Boundary, BoundaryPart, Velocity, normal
from evenflare.radiation.boundary_elements import body_solver, judge_solver
from evenflare.units import DEGREE, ComplexArray, FloatArray
from evenflare.waveguide import Conical, Driver, Mounting, OblateSpheroidal, Waveguide

SIZES = np.array([0.01, 0.3, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0])
SOLVE = body_solver()


def series(
    boundary: Boundary, observation: Observation, half_angle: float, motion: closed_forms.Motion
) -> ComplexArray:
    """(F, A) Pa m of the closed form."""
    sizes = 2 * np.pi * observation.frequency / AIR.speed_of_sound * RADIUS
    source = known_sounds.point_source_pressure(observation.frequency, volume_velocity=boundary.source_area, air=AIR)
    pattern = closed_forms.cap_pattern(sizes, observation.off_axis, half_angle=half_angle, motion=motion)
    return np.asarray(source[:, None] * pattern)


def worst(found: Directivity, wanted: ComplexArray) -> FloatArray:
    """(F,) the largest error of the pressure over angles, of its largest magnitude."""
    return np.asarray(np.abs(found.pressure[:, 0] - wanted).max(axis=1) / np.abs(wanted).max(axis=1))


class TestCaps:
    @pytest.mark.parametrize("half_angle", [30 * DEGREE, 60 * DEGREE])
    @pytest.mark.parametrize(("velocity", "motion"), [(normal, "radial"), (axial, "axial")])
    def test_cap_on_a_sphere(self, velocity: Velocity, motion: closed_forms.Motion, half_angle: float) -> None:
        boundary, observation = ball(half_angle, velocity), at_sizes(SIZES, RADIUS)
        found = SOLVE(boundary, observation, AIR)
        # 5e-4 of the loudest direction, phase and level included: ten nodes per wavelength, third degree.
        assert worst(found, series(boundary, observation, half_angle, motion)).max() < 5e-4
        index = closed_forms.cap_index(SIZES, half_angle=half_angle, motion=motion)
        # 0.01 dB: where the axis lies in a minimum, that error against a small pressure.
        np.testing.assert_allclose(metrics.directivity_index(found), index, atol=0.01)

    def test_impedance_of_an_axial_cap(self) -> None:
        half_angle = 60 * DEGREE
        found = SOLVE(ball(half_angle, axial), at_sizes(SIZES, RADIUS), AIR)
        wanted = known_sounds.cap_impedance(SIZES, half_angle=half_angle, motion="axial")
        np.testing.assert_allclose(found.throat_impedance, wanted, atol=1e-3)  # near the cap's edge p goes as s log s

    def test_pulsating_sphere_at_a_distance(self) -> None:
        observation = at_sizes(SIZES, RADIUS, distance=0.2)
        found = SOLVE(ball(np.pi - 1e-6, normal), observation, AIR)
        wanted = known_sounds.pulsating_sphere_pressure(SIZES / RADIUS, 0.2, radius=RADIUS, velocity=1.0, air=AIR)
        # 1e-3: alike in all directions but for the error of the mesh.
        np.testing.assert_allclose(found.pressure[:, 0], np.repeat(wanted[:, None], ANGLES.size, 1), rtol=1e-3)

    def test_power_at_the_surface_is_that_far_away(self) -> None:
        angle, weights = np.polynomial.legendre.leggauss(60)
        observation = Observation(frequency=np.array([200.0, 1000, 3000]), off_axis=np.arccos(angle)[::-1])
        found = SOLVE(can(0.06, 0.2), observation, AIR)
        far = 2 * np.pi * np.abs(found.pressure[:, 0]) ** 2 @ weights[::-1] / AIR.impedance
        np.testing.assert_allclose(found.sound_power, far, rtol=1e-3)  # 0.004 dB

    def test_order_over_density(self) -> None:
        """Third-degree panels: the pressure's error falls with the fourth power of the panels' length, or nearly."""
        boundary, observation = ball(30 * DEGREE, axial), at_sizes([12.0], RADIUS)
        wanted = series(boundary, observation, 30 * DEGREE, "axial")
        densities = np.array([5.0, 7.0, 10.0, 14.0])
        errors = [worst(at_density(each)(boundary, observation, AIR), wanted)[0] for each in densities]
        order = -np.polyfit(np.log(densities), np.log(errors), 1)[0]
        assert 3.0 < order < 6.0  # whole panels only, so that their length shrinks in jumps

    def test_a_taper_moves_as_it_says(self) -> None:
        """A cap that moves along its normal, by the cosine of the angle from the axis, moves as a stiff one."""
        observation = at_sizes([2.0, 8.0], RADIUS)
        stiff = ball(30 * DEGREE, axial)
        cap = BoundaryPart(stiff.parts[0].piece, normal, lambda r: np.sqrt(1 - (r / RADIUS) ** 2))
        tapering = SOLVE(Boundary((cap, *stiff.parts[1:]), stiff.source_area), observation, AIR)
        even = SOLVE(stiff, observation, AIR)
        # Rounding: the nodes are the same.
        np.testing.assert_allclose(tapering.pressure, even.pressure, atol=1e-9 * np.abs(even.pressure).max())


@cache
def resonances(degrees: int = 40, largest: float = 40.0) -> list[list[float]]:
    """kR of a hollow soft sphere: zeros of j_n up to `largest`, by degree."""
    x = np.linspace(0.5, largest, 6000)
    found = []
    for degree in range(degrees):
        values = spherical_jn(degree, x)
        turns = np.flatnonzero(values[1:] * values[:-1] < 0)
        found.append([brentq(lambda y, n=degree: spherical_jn(n, y), x[i], x[i + 1], xtol=1e-13) for i in turns])
    return found


class TestResonancesOfTheSolid:
    """kR = pi, 4.4934, 5.7635, 6.2832, ...: zeros of spherical Bessel functions (Abramowitz & Stegun, table 10.6)."""

    def test_first_zeros_are_the_published_ones(self) -> None:
        zeros = resonances()
        first = [zeros[0][0], zeros[1][0], zeros[2][0], zeros[0][1]]
        np.testing.assert_allclose(first, [np.pi, 4.493409, 5.763459, 2 * np.pi], rtol=1e-6)  # digits printed

    @pytest.mark.parametrize(("inside", "least", "most"), [(0.0, 0.1, np.inf), (0.1, 0.0, 5e-4)], ids=["bare", "cured"])
    def test_at_resonance(self, inside: float, least: float, most: float) -> None:
        """Without points inside the solution at each of them is lost; with them it is as good as elsewhere."""
        zeros = resonances()
        lowest = sorted([zeros[0][0], zeros[1][0], zeros[2][0], zeros[0][1], zeros[1][1]])
        boundary, observation = ball(30 * DEGREE, axial), at_sizes(lowest, RADIUS)
        wanted = series(boundary, observation, 30 * DEGREE, "axial")
        found = [
            worst(at_density(10, inside=inside)(boundary, each, AIR), one[None])[0]
            for each, one in zip((at_sizes([size], RADIUS) for size in lowest), wanted, strict=True)
        ]
        assert min(found) >= least
        assert max(found) < most

    def test_every_kind_of_resonance_is_cured(self) -> None:
        """The first of each degree lives in the skin, later ones all through the solid; they lie ever closer."""
        zeros = resonances()
        sizes = sorted({row[0] for row in zeros if row} | {each for row in zeros for each in row[1::5]})
        boundary, observation = ball(30 * DEGREE, axial), at_sizes(sizes, RADIUS)
        wanted = series(boundary, observation, 30 * DEGREE, "axial")
        assert len(sizes) > 60
        assert worst(at_density(8)(boundary, observation, AIR), wanted).max() < 1e-3  # as between resonances


class TestInASphere:
    @pytest.mark.parametrize(
        "waveguide",
        [
            Waveguide(Conical(0.08, 40 * DEGREE, 0.01), Driver(), Mounting(0.13)),
            Waveguide(OblateSpheroidal(0.08, 40 * DEGREE), Driver(12.7e-3, 10 * DEGREE), Mounting(0.12)),
        ],
        ids=["cone", "oblate-spheroidal, curved exit"],
    )
    def test_march_and_judge_agree_on_a_sphere(self, waveguide: Waveguide) -> None:
        observation = Observation(frequency=np.geomspace(300, 16000, 16), off_axis=ANGLES)
        judge = judge_solver()(waveguide, observation, AIR)
        march = radiation.solver("full")(waveguide, observation, AIR)
        difference = metrics.directivity_index(judge) - metrics.directivity_index(march)
        assert np.sqrt(np.mean(difference**2)) < 0.05  # dB: the bar of the march
        np.testing.assert_allclose(judge.throat_impedance, march.throat_impedance, atol=0.02)  # both at resonances

    def test_a_wall_that_pokes_out_is_refused(self) -> None:
        waveguide = Waveguide(Conical(0.2, 20 * DEGREE), Driver(), Mounting(0.0857))
        with pytest.raises(ValueError, match=r"radius_mm = 85.7: the wall pokes out of the sphere, to 1\d\d"):
            judge_solver()(waveguide, at_sizes([1.0], RADIUS), AIR)
