"""Boundary elements of waveguides flush in a baffle: against closed forms, the plane-wave horn equation, the march."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import known_sounds
from boundaries import AIR, ANGLES, at_density, at_sizes
from evenflare import closed_forms, metrics, radiation
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide import Conical, Driver, Exponential, Hyperbolic, OblateSpheroidal, Points, Waveguide
from shapes import BENCHMARK, FALLING, through

SOLVE = judge_solver()
SIZES = np.array([0.1, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0])
EIGHT = {
    **BENCHMARK,
    "oblate-spheroidal 45 deg, sharp mouth": Waveguide(OblateSpheroidal(0.1, 45 * DEGREE)),
    "hyperbolic": Waveguide(Hyperbolic(0.15, 0.07, 0.6)),
    "a kink of 43 degrees": Waveguide(through((0, 12.7), (60, 40), (75, 100))),
}


def piston(radius: float) -> Waveguide:
    """A disc a micrometre behind the baffle, which is 1e-5 of its radius: as good as in it."""
    return Waveguide(Points(((0.0, radius), (1e-6, radius))), Driver(radius))


class TestPiston:
    def test_index_impedance_and_pattern(self) -> None:
        radius = 0.1
        observation = at_sizes(SIZES, radius)
        found = SOLVE(piston(radius), observation, AIR)
        # 5e-4: ten nodes per wavelength, and the micrometre.
        np.testing.assert_allclose(metrics.directivity_index(found), closed_forms.piston_index(SIZES), atol=5e-4)
        np.testing.assert_allclose(found.throat_impedance, closed_forms.piston_impedance(SIZES), atol=5e-4)
        front = ANGLES <= 0.5 * np.pi + 1e-9
        wanted = known_sounds.piston_pressure(
            observation.frequency, ANGLES[front], radius=radius, velocity=1.0, air=AIR
        ) * np.exp(-1e-6j * found.wavenumber[:, None] * np.cos(ANGLES[front]))
        error = np.abs(found.pressure[:, 0, front] - wanted).max(axis=1) / np.abs(wanted).max(axis=1)
        assert error.max() < 5e-4  # of the on-axis pressure, level and phase included
        assert np.all(found.pressure[:, 0, ~front] == 0)

    def test_on_axis_at_a_finite_distance(self) -> None:
        radius, distance = 0.1, 0.07  # within the reach of the piston's own width
        observation = at_sizes(SIZES, radius, distance=distance)
        found = SOLVE(piston(radius), observation, AIR)
        wanted = closed_forms.piston_axis_pressure(
            observation.frequency, distance, radius=radius, velocity=1.0, air=AIR
        )
        # 1e-3 of the wave from the centre alone, AIR.impedance: where both waves cancel the sum is small.
        np.testing.assert_allclose(found.on_axis, wanted, atol=1e-3 * AIR.impedance)


class TestHorns:
    def test_finite_exponential_horn_near_the_plane_wave_equation(self) -> None:
        """Plane-wave horn equation ended by a baffled piston's impedance, integrated here by scipy, as a band."""
        throat, mouth, depth = 12.7e-3, 0.1, 0.15
        m = float(np.log(mouth / throat) / depth)
        observation = Observation(frequency=np.array([500.0, 1000.0]), off_axis=ANGLES)
        found = SOLVE(Waveguide(Exponential(depth, 1 / m)), observation, AIR)
        assert found.throat_impedance is not None
        for k, z in zip(found.wavenumber, found.throat_impedance, strict=True):
            start = closed_forms.piston_impedance(np.array([k * mouth]))[0]
            # dz/dx = -j k (1 - z^2) + 2 m z for z = p / (rho c u), from p' = -j k u, (S u)' = -j k S p.
            path = solve_ivp(
                lambda x, y, k=k: -1j * k * (1 - y**2) + 2 * m * y, (depth, 0), [start + 0j], rtol=1e-9, atol=1e-12
            )
            # 30 %: curved fronts lengthen the horn acoustically, which the plane-wave equation leaves out.
            assert abs(path.y[0, -1] - z) < 0.3 * abs(z)

    @pytest.mark.parametrize("name", EIGHT)
    def test_march_and_judge_agree(self, name: str) -> None:
        """Two methods that share only the wall, over the whole band: what a report may rely on."""
        observation = Observation(frequency=np.geomspace(500, 16000, 24), off_axis=ANGLES)
        judge = SOLVE(EIGHT[name], observation, AIR)
        march = radiation.solver("full")(EIGHT[name], observation, AIR)
        difference = metrics.directivity_index(judge) - metrics.directivity_index(march)
        assert np.sqrt(np.mean(difference**2)) < 0.1  # dB
        front = ANGLES <= 0.5 * np.pi + 1e-9
        level, other = (amplitude_db(each.pressure[:, 0, front]) for each in (judge, march))
        loud = level > level.max(axis=1, keepdims=True) - 20
        assert np.abs(level - other)[loud].max() < 0.5  # dB above -20 dB re the loudest direction

    @pytest.mark.parametrize("waveguide", [FALLING, BENCHMARK["tractrix"]], ids=["falling", "tractrix"])
    def test_power_in_is_power_out(self, waveguide: Waveguide) -> None:
        """Through the throat and through the opening: two sums over different unknowns."""
        found = SOLVE(waveguide, Observation(frequency=np.geomspace(400, 16000, 12), off_axis=ANGLES), AIR)
        assert found.throat_impedance is not None
        through_throat = found.throat_impedance.real * AIR.impedance * waveguide.driver.exit_area
        np.testing.assert_allclose(through_throat, found.sound_power, rtol=0.01)  # 0.04 dB

    @pytest.mark.parametrize("name", ["cone 45 deg, sharp mouth", "waist with two kinks", "tractrix"])
    def test_refines_to_one_answer_and_estimates_what_is_left(self, name: str) -> None:
        observation = Observation(frequency=np.geomspace(300, 20000, 16), off_axis=ANGLES)
        boundary = boundary_of(BENCHMARK[name])
        coarse, fine, finer = (
            metrics.directivity_index(at_density(each)(boundary, observation, AIR)) for each in (8, 16, 24)
        )
        off, left = (np.sqrt(np.mean((each - finer) ** 2)) for each in (coarse, fine))
        assert off < 0.02  # dB rms, well inside the 0.05 that the default promises
        assert left < 0.005  # dB rms: converged
        found = SOLVE(BENCHMARK[name], observation, AIR)
        assert found.error_estimate is not None
        true = np.sqrt(np.mean((metrics.directivity_index(found) - finer) ** 2))
        estimate = np.sqrt(np.mean(found.error_estimate**2))
        assert true / 4 < estimate < 6 * true  # an estimate from one frequency of each band
        assert found.polar_error is not None
        assert found.impedance_error is not None
        assert np.all(found.polar_error > 0.0)
        assert np.all(found.impedance_error < 0.02)  # of the impedance, as the index's 0.05 dB would be

    def test_wall_beyond_the_baffle_is_refused(self) -> None:
        shallow = Waveguide(Conical(0.002, 45 * DEGREE), Driver(12.7e-3, 40 * DEGREE))
        with pytest.raises(ValueError, match="reaches 2.6.* mm beyond the plane of the baffle"):
            SOLVE(shallow, at_sizes([1.0], 0.1), AIR)
