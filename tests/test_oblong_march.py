"""The march through oblong waveguides: the elliptical piston's closed form, the round limit, symmetry and power."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import j1

from evenflare import metrics
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation import march
from evenflare.radiation.march import at_resolution, march_solver, memory_needed
from evenflare.radiation.resolution import Resolution
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import (
    Conical,
    Driver,
    Exponential,
    Free,
    OblateSpheroidal,
    Oblong,
    RoundedRectangle,
    Shape,
    Superellipse,
    Waveguide,
)
from listening import AIR, ANGLES, UNCHECKED, throat_power
from oblong_shapes import CANDIDATE, HIGH, OBLONG_BENCHMARK, WIDE, elliptical_piston

PLANES = np.array([0.0, 45.0, 90.0]) * DEGREE


def heard(frequency: list[float] | FloatArray, **more: float) -> Observation:
    return Observation(np.array(frequency), ANGLES, plane=PLANES, symmetry="two_planes", **more)


def index(waveguide: Waveguide, observation: Observation) -> FloatArray:
    return metrics.directivity_index(UNCHECKED(waveguide, observation, AIR))


class TestEllipticalPiston:
    """Semi-axes 60 and 40 mm. Pattern 2 J1(w)/w, w = k sin(t) sqrt(a^2 cos^2 + b^2 sin^2), the transform of a uniform
    ellipse (Stutzman & Thiele, Antenna Theory and Design, elliptical apertures; from memory).
    """

    A, B = 0.06, 0.04

    def solved(self, a: float, b: float, sizes: list[float]) -> Directivity:
        fine = Resolution(9, 0.45, 4.0, 1.5, azimuth_cost=0.5)
        observation = heard(np.array(sizes) / a * AIR.speed_of_sound / (2 * np.pi), reference_z=2e-9)
        return at_resolution(fine)(elliptical_piston(a, b), observation, AIR)  # type: ignore[arg-type]

    def test_pattern_in_three_planes(self) -> None:
        found = self.solved(self.A, self.B, [0.5, 1, 2, 3, 5, 7, 10])
        angles = found.observation.off_axis[: np.searchsorted(ANGLES, 90.1 * DEGREE)]
        across = np.hypot(self.A * np.cos(PLANES), self.B * np.sin(PLANES))
        w = found.wavenumber[:, None, None] * across[:, None] * np.sin(angles)
        wanted = np.where(w > 0, 2 * j1(w) / np.where(w > 0, w, 1), 1.0)
        pattern = found.pressure[:, :, : angles.size] / found.on_axis[:, None, None]
        np.testing.assert_allclose(pattern, wanted, atol=1e-4)  # of the on-axis amplitude, to ka = 10

    def test_level_on_axis(self) -> None:
        found = self.solved(self.A, self.B, [0.5, 3, 10])
        # rho f U, as a round piston (Rayleigh's integral on the axis at a large distance).
        wanted = AIR.density * found.observation.frequency * np.pi * self.A * self.B
        np.testing.assert_allclose(np.abs(found.on_axis), wanted, rtol=1e-4)  # as the pattern

    def test_power_is_the_integral_of_the_closed_pattern(self) -> None:
        found = self.solved(self.A, self.B, [0.5, 3, 10])
        # Gauss in cos(t) and midpoints in azimuth: exact to 1e-8 for a pattern this smooth.
        x, weight = np.polynomial.legendre.leggauss(60)
        cosine, azimuth = 0.5 * (x + 1), (np.arange(40) + 0.5) * np.pi / 40
        across = np.hypot(self.A * np.cos(azimuth), self.B * np.sin(azimuth))
        w = found.wavenumber[:, None, None] * np.sqrt(1 - cosine[:, None] ** 2) * across
        mean = np.einsum("q,fqp->f", weight, (2 * j1(w) / w) ** 2) / (4 * 40)
        wanted = -10 * np.log10(mean)
        # 0.0005 dB: as the round piston, the edge where the velocity jumps.
        np.testing.assert_allclose(metrics.directivity_index(found), wanted, atol=5e-4)


SAME = {
    "oblate-spheroidal": OblateSpheroidal(0.1, 42 * DEGREE, 0.012),
    "cone, sharp mouth": Conical(0.09, 42 * DEGREE),
    "exponential": Exponential(0.1, 0.05, 0.015),
    "free": Free(0.13, 5 * DEGREE, (2.0, 8.0, 12.0, 15.0), 0.012),
}


class TestRoundLimit:
    """Against the round solver, which has its own proofs."""

    FREQUENCIES = np.geomspace(300, 16e3, 24)

    @pytest.mark.parametrize("name", SAME)
    def test_equal_meridians_give_the_round_result(self, name: str) -> None:
        shape: Shape = SAME[name]
        observation = heard(self.FREQUENCIES)
        around, oblong = (UNCHECKED(Waveguide(each), observation, AIR) for each in (shape, Oblong(shape, shape)))
        # 0.01 dB: both sweep the same caps; what differs is where the nodes of an element lie.
        np.testing.assert_allclose(metrics.directivity_index(oblong), metrics.directivity_index(around), atol=0.01)
        size = np.abs(around.on_axis)[:, None, None]
        np.testing.assert_allclose(oblong.pressure / size, around.pressure / size, atol=2e-3)  # 0.02 dB of the axis
        np.testing.assert_allclose(oblong.throat_impedance, around.throat_impedance, atol=4e-3)  # of rho c, likewise

    @pytest.mark.parametrize("ratio", [1.001, 1.01])
    def test_index_is_continuous_at_the_circle(self, ratio: float) -> None:
        """A mouth of the same area is even in the ratio's logarithm, so what changes is its square: 1e-4 of it."""
        radius, depth, frequency = 0.06, 0.1, heard(self.FREQUENCIES)  # no dip on the axis

        def cone(mouth: float) -> Conical:
            return Conical(depth, float(np.arctan((mouth - Driver().exit_radius) / depth)))

        stretch = np.sqrt(ratio)
        oblong = Waveguide(Oblong(cone(radius * stretch), cone(radius / stretch)))
        found = index(oblong, frequency)
        assert np.abs(found - index(Waveguide(cone(radius)), frequency)).max() < 0.02  # dB

    @pytest.mark.parametrize("ratio", [1.001, 1.01, 1.1])
    def test_closing_stretch_costs_nothing_where_it_nearly_vanishes(self, ratio: float) -> None:
        stretch = np.sqrt(ratio)
        waveguide = Waveguide(Oblong(Conical(0.1, 25 * DEGREE * stretch), Conical(0.1, 25 * DEGREE / stretch)))
        observation = heard([3000.0, 8000.0, 12500.0])
        fine = Resolution(10, 0.55, 5.0, 2.0, azimuth_cost=0.5)
        wanted = metrics.directivity_index(at_resolution(fine)(waveguide, observation, AIR))
        np.testing.assert_allclose(index(waveguide, observation), wanted, atol=0.01)  # dB: as shapes far from round

    def test_rounded_rectangle_of_the_largest_corner_radius_is_a_circle(self) -> None:
        shape = SAME["oblate-spheroidal"]
        radius = Waveguide(shape).meridian.mouth_radius
        observation = heard([2000.0, 12000.0])
        found = index(Waveguide(Oblong(shape, shape, RoundedRectangle(radius))), observation)
        np.testing.assert_allclose(found, index(Waveguide(shape), observation), atol=0.01)  # dB, as above


class TestSymmetryAndPower:
    @pytest.mark.parametrize("section", [Superellipse(3.0), RoundedRectangle(0.02)], ids=["exponent", "corners"])
    def test_turning_the_waveguide_turns_its_pattern(self, section: Superellipse | RoundedRectangle) -> None:
        observation = heard([900.0, 4000.0, 9000.0])
        lying, standing = (
            UNCHECKED(Waveguide(Oblong(*pair, section)), observation, AIR) for pair in ((WIDE, HIGH), (HIGH, WIDE))
        )
        size = np.abs(lying.on_axis)[:, None, None]
        # Rounding: every mode has its image.
        np.testing.assert_allclose(standing.pressure[:, ::-1] / size, lying.pressure / size, atol=1e-6)

    @pytest.mark.parametrize("name", OBLONG_BENCHMARK)
    def test_power_into_the_throat_is_radiated(self, name: str) -> None:
        waveguide = OBLONG_BENCHMARK[name]
        found = march_solver("screen")(waveguide, heard(np.geomspace(300, 16e3, 8)), AIR)
        # Exact in the discrete equations: only rounding.
        np.testing.assert_allclose(found.sound_power, throat_power(found, waveguide), rtol=1e-7)

    def test_curved_exit_and_finite_distance(self) -> None:
        waveguide = Waveguide(Oblong(WIDE, HIGH), Driver(12.7e-3, 8 * DEGREE))
        far, near = (
            UNCHECKED(waveguide, heard([1000.0, 8000.0], reference_z=0.1, distance=distance), AIR)
            for distance in (np.inf, 200.0)
        )
        np.testing.assert_allclose(far.sound_power, throat_power(far, waveguide), rtol=1e-7)
        # At 200 m the field differs from its limit by about k a^2 / (2 r) = 0.004.
        travel = np.exp(1j * near.wavenumber * 200.0)[:, None, None] * 200.0
        size = np.abs(far.on_axis)[:, None, None]
        np.testing.assert_allclose(
            (near.pressure * travel / size)[:, :, :18], (far.pressure / size)[:, :, :18], atol=0.01
        )


class TestResources:
    def test_cores_change_nothing(self) -> None:
        observation = heard([1000.0, 3000.0, 9000.0])
        one, two = (march_solver("full", cores=cores)(CANDIDATE, observation, AIR) for cores in (1, 2))
        np.testing.assert_array_equal(one.pressure, two.pressure)
        np.testing.assert_array_equal(one.error_estimate, two.error_estimate)

    def test_memory_is_stated_and_refused_before_the_run(self, monkeypatch: pytest.MonkeyPatch) -> None:
        observation = heard(np.geomspace(300, 16e3, 4))
        needed = memory_needed(CANDIDATE, observation, AIR, setting="screen")
        assert 1e6 < needed < 1e8
        monkeypatch.setattr(march, "available_memory", lambda: needed - 1)
        with pytest.raises(ValueError, match=r"needs about 0\.0 GB of memory, and 0\.0 GB are free\. Lower to_hz"):
            march_solver("screen")(CANDIDATE, observation, AIR)

    def test_memory_grows_with_the_fifth_power_of_frequency(self) -> None:
        """Elements with the first power, modes with the second, matrices with their square."""
        sizes = [memory_needed(CANDIDATE, heard([top]), AIR) for top in (20e3, 40e3)]
        # Below the power in full, 32: some elements and modes are there at any frequency.
        assert 12 < sizes[1] / sizes[0] < 32
