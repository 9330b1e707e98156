"""Power through the march, and its elimination against an assembled solve of the same elements."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenflare import radiation
from evenflare.directivity.types import Observation
from evenflare.radiation import termination
from evenflare.radiation.elements import NODES, assembled, caps_of, divided
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.march import Resolution, at_resolution
from evenflare.radiation.termination import Sphere
from evenflare.radiation.wavefront import sweep
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import FAMILIES, Conical, Driver, Limits, Mounting, OblateSpheroidal, ParameterSpace, Waveguide
from listening import AIR, ANGLES, AUDIBLE, FULL, cap_mean, throat_power
from shapes import BENCHMARK


class TestConservation:
    @pytest.mark.parametrize("mounting", [Mounting(), Mounting(0.16)], ids=["baffle", "sphere"])
    @pytest.mark.parametrize("exit_angle", [0, 15])
    def test_power_into_the_throat_is_radiated(self, mounting: Mounting, exit_angle: float) -> None:
        waveguide = Waveguide(OblateSpheroidal(0.09, 42 * DEGREE, 0.02), Driver(12.7e-3, exit_angle * DEGREE), mounting)
        found = FULL(waveguide, AUDIBLE, AIR)
        # Exact in the discrete equations: only rounding, and 600 of infinitely many degrees on the sphere.
        np.testing.assert_allclose(found.sound_power, throat_power(found, waveguide), rtol=1e-8)

    def test_power_is_the_integral_of_intensity(self) -> None:
        angles = np.linspace(0, np.pi, 721)
        sphere = Waveguide(Conical(0.08, 40 * DEGREE, 0.01), Driver(), Mounting(0.15))
        observation = Observation(frequency=np.array([500.0, 3000, 12000]), off_axis=angles)
        found = FULL(sphere, observation, AIR)
        over_angles = np.trapezoid(np.abs(found.pressure[:, 0]) ** 2 * np.sin(angles), angles)
        np.testing.assert_allclose(found.sound_power, 2 * np.pi * over_angles / AIR.impedance, rtol=1e-4)  # quadrature

    @settings(max_examples=25, deadline=None)
    @given(
        family=st.sampled_from(FAMILIES),
        seed=st.integers(0, 2**20),
        radius=st.one_of(st.none(), st.floats(0.13, 0.6)),
    )
    def test_power_over_random_shapes(self, family: str, seed: int, radius: float | None) -> None:
        space = ParameterSpace(family, Limits((0.04, 0.12), (0.12, 0.26)), Driver(), Mounting(radius))
        waveguide = space.waveguide(np.random.default_rng(seed).random(len(space.names)))
        assume(waveguide.shape.meridian(waveguide.driver.exit_radius).mouth_radius < (radius or 1))
        observation = Observation(frequency=np.array([700.0, 5000.0, 15000.0]), off_axis=ANGLES)
        found = radiation.solver("screen")(waveguide, observation, AIR)
        np.testing.assert_allclose(found.sound_power, throat_power(found, waveguide), rtol=1e-7)  # rounding

    def test_power_at_the_resonance_of_the_cavity_behind_a_cap(self) -> None:
        """Elimination meets near-singular matrices there and must not lose the answer."""
        waveguide = BENCHMARK["oblate-spheroidal 40 deg, roundover 20 mm"]
        (caps,) = caps_of([divided(sweep(waveguide), 0.02, 1.0)])
        elements = assembled(caps, np.full(len(caps.z), 6))
        behind = type(elements)(elements.modes[:5], elements.start[:6], elements.stiffness, elements.mass)
        source = cap_mean(1e-7, 6)

        def determinant(wavenumber: float) -> float:
            return float(np.linalg.slogdet(eliminated(behind, np.array([wavenumber]), source)[0][0])[0])

        low, high = 5.0, 100.0
        grid = np.linspace(low, high, 400)
        signs = [determinant(k) for k in grid]
        at = next(i for i in range(1, 400) if signs[i] != signs[i - 1])
        low, high = grid[at - 1], grid[at]
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if determinant(middle) == signs[at - 1] else (low, middle)
        frequency = np.array([low, 1.0001 * low]) * AIR.speed_of_sound / (2 * np.pi)
        found = at_resolution(Resolution(6, 0, 2.2, 1))(
            waveguide, Observation(frequency=frequency, off_axis=ANGLES), AIR
        )
        np.testing.assert_allclose(found.sound_power, throat_power(found, waveguide), rtol=1e-6)  # 1e-16 over 1e-10
        assert abs(np.diff(np.abs(found.on_axis))[0]) < 1e-3 * abs(found.on_axis[0])


class TestElimination:
    def test_equals_an_assembled_solve(self) -> None:
        """The same elements in one large matrix, by another library's direct solver."""
        waveguide = BENCHMARK["waist with two kinks"]
        wavenumber = np.array([40.0])
        (caps,) = caps_of([divided(sweep(waveguide), 0.06, 1.0)])
        modes = 5 + np.arange(len(caps.z)) // 3
        elements = assembled(caps, modes)
        source = cap_mean(1e-7, 5)
        stiffness, flux, met = eliminated(elements, wavenumber, source)
        matrix, last = _assembled(elements, float(wavenumber[0]))
        right = np.zeros(matrix.shape[0])
        right[: source.size] = source[0]
        # Ended by a spring on the last cap, so that the matrix is regular.
        matrix[np.ix_(last, last)] += np.eye(last.size)
        whole = np.linalg.solve(matrix, right)
        p = np.linalg.solve(stiffness[0] + np.eye(last.size), flux[0, 0])
        np.testing.assert_allclose(p, whole[last], rtol=1e-9, atol=1e-12)  # rounding
        np.testing.assert_allclose(met[0, 0, 0] + flux[0, 0] @ p, source[0] @ whole[: source.size], rtol=1e-9)

    def test_radiation_admittance_is_symmetric_and_takes_power(self) -> None:
        end = Sphere(0.15, 0.7, 0.0, 12)
        admittance = end.radiation(np.array([3.0, 60.0, 200.0]), 12).admittance
        # Reciprocity. Solved from a Galerkin impedance, so that symmetry is not built in.
        np.testing.assert_allclose(
            admittance, np.swapaxes(admittance, 1, 2), rtol=0, atol=1e-9 * np.abs(admittance).max()
        )
        assert np.all(np.linalg.eigvalsh(admittance.imag) > -1e-9 * np.abs(admittance).max())

    def test_degrees_in_the_static_limit_say_what_their_waves_would(self, monkeypatch: pytest.MonkeyPatch) -> None:
        end, wavenumber = Sphere(0.15, 0.7, 0.0, 12), np.array([3.0])
        limit = end.radiation(wavenumber, 12).admittance
        monkeypatch.setattr(termination, "radiating_degree", lambda _: 100)
        waves = end.radiation(wavenumber, 12).admittance
        # The limit leaves out (k R / n)^2 of each, 5e-4 at degree 21 (seen: 4e-5 of the whole).
        np.testing.assert_allclose(limit, waves, rtol=0, atol=5e-4 * np.abs(waves).max())


def _assembled(elements, wavenumber: float) -> tuple[FloatArray, np.ndarray]:  # type: ignore[no-untyped-def]
    """K - k^2 M of all elements in one matrix, and the rows of the last cap."""
    rows = np.arange(elements.modes[0])
    count = rows.size
    blocks = []
    for e, n in enumerate(elements.modes):
        far = n if e == len(elements.modes) - 1 else min(n, elements.modes[e + 1])
        inner = count + np.arange(2 * n)
        after = inner[-1] + 1 + np.arange(far)
        # Modes that a neighbour lacks are held at zero: they point nowhere.
        near_rows = np.concatenate([rows, -np.ones(n - rows.size, dtype=int)])
        far_rows = np.concatenate([after, -np.ones(n - far, dtype=int)])
        blocks.append(np.concatenate([inner, near_rows, far_rows]).astype(int))
        count, rows = after[-1] + 1, after
    matrix = np.zeros((count, count))
    for e, n in enumerate(elements.modes):
        stiffness = elements.stiffness[elements.start[e] : elements.start[e + 1]].reshape(NODES * n, NODES * n)
        local = np.triu(stiffness) + np.triu(stiffness, 1).T
        mass = elements.mass[elements.start[e] // NODES : elements.start[e + 1] // NODES].reshape(NODES, n, n)
        for node in range(NODES):
            local[node * n : (node + 1) * n, node * n : (node + 1) * n] -= wavenumber**2 * mass[node]
        used = blocks[e] >= 0
        matrix[np.ix_(blocks[e][used], blocks[e][used])] += local[np.ix_(used, used)]
    return matrix, rows
