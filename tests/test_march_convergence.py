"""The march against its own refinement, and its estimate of what is left."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare import metrics, radiation
from evenflare.directivity.types import Observation
from evenflare.radiation.march import Resolution, at_resolution
from evenflare.units import DEGREE, ComplexArray
from evenflare.waveguide import Driver, Limits, Mounting, OblateSpheroidal, ParameterSpace, Waveguide
from listening import AIR, ANGLES, AUDIBLE, FULL
from shapes import BENCHMARK, FALLING


class TestConvergence:
    def test_order_of_a_step(self) -> None:
        """Third-degree elements: the impedance, an energy, converges with the sixth power of the step."""
        waveguide = Waveguide(OblateSpheroidal(0.1, 35 * DEGREE, 0.03))
        observation = Observation(frequency=np.array([6000.0]), off_axis=ANGLES)

        def impedance(steps: float) -> ComplexArray:
            found = at_resolution(Resolution(14, 0, steps, steps / 2))(waveguide, observation, AIR)
            assert found.throat_impedance is not None
            return found.throat_impedance

        exact = impedance(24)
        steps = np.array([3.0, 4.0, 5.5, 7.5])
        errors = np.array([abs(impedance(s) - exact)[0] for s in steps])
        order = -np.polyfit(np.log(steps), np.log(errors), 1)[0]
        assert 5.0 < order < 7.5  # whole elements only, so that steps shrink in jumps

    @pytest.mark.parametrize("waveguide", [FALLING, BENCHMARK["waist with two kinks"]], ids=["falling", "waist"])
    def test_kinks_and_falling_walls_refine_to_one_answer(self, waveguide: Waveguide) -> None:
        coarse = FULL(waveguide, AUDIBLE, AIR)
        fine = at_resolution(Resolution(10, 0.8, 6, 2))(waveguide, AUDIBLE, AIR)
        finer = at_resolution(Resolution(14, 1.0, 8, 3))(waveguide, AUDIBLE, AIR)
        index = metrics.directivity_index(finer)
        assert np.abs(metrics.directivity_index(fine) - index).max() < 0.005  # dB: converged
        assert np.sqrt(np.mean((metrics.directivity_index(coarse) - index) ** 2)) < 0.05  # dB: the bar of "full"

    @pytest.mark.slow
    @pytest.mark.parametrize("name", BENCHMARK)
    def test_error_of_full_and_of_its_estimate(self, name: str) -> None:
        waveguide = BENCHMARK[name]
        observation = Observation(frequency=np.geomspace(300, 20000, 60), off_axis=ANGLES)
        found = FULL(waveguide, observation, AIR)
        # Doubled modes and halved steps; the test above shows them converged.
        exact = at_resolution(Resolution(10, 0.9, 6, 2))(waveguide, observation, AIR)
        level = np.abs(exact.pressure[:, 0])
        kept = level[:, 0] > level.max(axis=1) * 10 ** (-10 / 20)
        error = (metrics.directivity_index(found) - metrics.directivity_index(exact))[kept]
        true = np.sqrt(np.mean(error**2))
        assert found.error_estimate is not None
        estimate = np.sqrt(np.mean(found.error_estimate[kept] ** 2))
        assert true < 0.05  # dB rms: the bar of "full"
        # An envelope, with a margin: what a level's error passes through on its way through zero counts as well.
        assert true / 2 < estimate < 5 * true
        seen = (level > 0.1 * level[:, :1]) & kept[:, None]
        polar = 20 * np.log10(np.abs(found.pressure[:, 0] / found.pressure[:, 0, :1])[seen]) - 20 * np.log10(
            (level / level[:, :1])[seen]
        )
        assert np.sqrt(np.mean(polar**2)) < 0.2  # dB rms above -20 dB: the bar of "full"

    @pytest.mark.slow
    @pytest.mark.parametrize("family", ["conical", "free", "hyperbolic"])
    @pytest.mark.parametrize("radius", [None, 0.2], ids=["baffle", "sphere"])
    def test_error_and_estimate_on_shapes_nobody_chose(self, family: str, radius: float | None) -> None:
        space = ParameterSpace(family, Limits((0.04, 0.14), (0.12, 0.28)), Driver(), Mounting(radius))
        for seed in range(100, 103):
            waveguide = space.waveguide(np.random.default_rng(seed).random(len(space.names)))
            found = FULL(waveguide, AUDIBLE, AIR)
            exact = at_resolution(Resolution(10, 0.8, 6, 2))(waveguide, AUDIBLE, AIR)
            level = np.abs(exact.pressure[:, 0])
            kept = level[:, 0] > level.max(axis=1) * 10 ** (-10 / 20)
            true = np.sqrt(np.mean((metrics.directivity_index(found) - metrics.directivity_index(exact))[kept] ** 2))
            assert found.error_estimate is not None
            estimate = np.sqrt(np.mean(found.error_estimate[kept] ** 2))
            assert true < 0.05  # dB rms: the bar of "full"
            assert true / 2 < estimate < 5 * max(true, 1e-4)  # an envelope; no estimate claims less than 0.0001 dB

    @pytest.mark.parametrize("name", BENCHMARK)
    def test_screen_is_the_same_solver_coarser(self, name: str) -> None:
        observation = Observation(frequency=np.geomspace(300, 20000, 30), off_axis=ANGLES)
        full = FULL(BENCHMARK[name], observation, AIR)
        screen = radiation.solver("screen")(BENCHMARK[name], observation, AIR)
        level = np.abs(full.pressure[:, 0])
        kept = level[:, 0] > level.max(axis=1) * 10 ** (-10 / 20)
        error = (metrics.directivity_index(screen) - metrics.directivity_index(full))[kept]
        assert 1e-4 < np.sqrt(np.mean(error**2)) < 0.5  # dB rms: the bar of "screen"; zero would be the same setting

    def test_estimate_is_right_at_low_frequency(self) -> None:
        """One mode is exact where the waveguide is small against the wavelength."""
        observation = Observation(frequency=np.array([200.0, 400.0]), off_axis=ANGLES)
        for waveguide in BENCHMARK.values():
            estimate = metrics.directivity_index(radiation.solver("estimate")(waveguide, observation, AIR))
            full = metrics.directivity_index(FULL(waveguide, observation, AIR))
            np.testing.assert_allclose(estimate, full, atol=0.1)  # dB; k r is below 0.8
