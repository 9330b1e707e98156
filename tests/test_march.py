"""The march against closed forms, an assembled solve of the same elements, and its own refinement."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenflare import closed_forms, metrics, radiation
from evenflare.air import Air
from evenflare.directivity import Directivity, Observation
from evenflare.radiation.elements import NODES, assembled, divided
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.march import Resolution, _solved
from evenflare.radiation.modes import radial_modes, radial_quadrature
from evenflare.radiation.termination import Sphere
from evenflare.radiation.wavefront import Following, along, launched, sweep
from evenflare.units import DEGREE, ComplexArray, FloatArray
from evenflare.waveguide import (
    FAMILIES,
    Conical,
    Driver,
    Exponential,
    Limits,
    Mounting,
    OblateSpheroidal,
    ParameterSpace,
    Tractrix,
    Waveguide,
)
from evenflare.waveguide.walls import Line
from shapes import BENCHMARK, FALLING, flush_disc, through

AIR = Air()
FULL = radiation.solver("full")
ANGLES = np.arange(0, 181, 5) * DEGREE
AUDIBLE = Observation(frequency=np.geomspace(300, 20000, 24), off_axis=ANGLES)


def at_sizes(sizes: list[float], radius: float, **more: float) -> Observation:
    """An observation at frequencies where k times the radius has these values."""
    frequency = np.array(sizes) / radius * AIR.speed_of_sound / (2 * np.pi)
    return Observation(frequency=frequency, off_axis=ANGLES, **more)


def sizes_of(directivity: Directivity, radius: float) -> FloatArray:
    return directivity.wavenumber * radius


def throat_power(directivity: Directivity, waveguide: Waveguide) -> FloatArray:
    assert directivity.throat_impedance is not None
    return directivity.throat_impedance.real * AIR.impedance * waveguide.driver.exit_area


class TestClosedForms:
    def test_flat_piston_in_a_baffle(self) -> None:
        radius = Driver().exit_radius
        waveguide = Waveguide(flush_disc(radius))
        found = FULL(waveguide, at_sizes([0.5, 1, 2, 3, 5, 10], radius), AIR)
        sizes = sizes_of(found, radius)
        # 0.0005 dB: three elements from disc to hemisphere, and the edge where the velocity jumps.
        np.testing.assert_allclose(metrics.directivity_index(found), closed_forms.piston_index(sizes), atol=5e-4)
        np.testing.assert_allclose(found.throat_impedance, closed_forms.piston_impedance(sizes), atol=5e-4)
        front = found.observation.off_axis <= 0.5 * np.pi
        pattern = np.abs(found.pressure[:, 0] / found.pressure[:, 0, :1])[:, front]
        wanted = np.abs(closed_forms.piston_pattern(sizes, found.observation.off_axis[front]))
        np.testing.assert_allclose(pattern, wanted, atol=2e-4)  # of the on-axis amplitude

    def test_level_of_a_piston_is_absolute(self) -> None:
        radius = Driver().exit_radius
        observation = at_sizes([0.5, 3], radius)
        found = FULL(Waveguide(flush_disc(radius)), observation, AIR)
        # rho f U at low frequency (Kinsler et al., Fundamentals of Acoustics, baffled piston): |p| r = rho f S u.
        wanted = AIR.density * observation.frequency * Driver().exit_area
        np.testing.assert_allclose(np.abs(found.on_axis), wanted, rtol=1e-4)  # index's accuracy in amplitude

    def test_piston_on_axis_at_a_finite_distance(self) -> None:
        radius = 0.1
        waveguide = Waveguide(flush_disc(radius), Driver(radius))
        observation = at_sizes([1, 5, 10], radius, distance=0.35)
        found = FULL(waveguide, observation, AIR)
        wanted = closed_forms.piston_axis_pressure(observation.frequency, 0.35, radius=radius, velocity=1.0, air=AIR)
        np.testing.assert_allclose(found.on_axis, wanted, rtol=1e-3)  # 0.009 dB: the bar of the far field

    @pytest.mark.parametrize("half_angle", [30, 60])
    def test_radially_moving_cap_on_a_sphere(self, half_angle: float) -> None:
        """A curved exit flush with the sphere is the vibrating cap of the Legendre series."""
        radius = 0.1
        driver = Driver(radius * np.sin(half_angle * DEGREE), half_angle * DEGREE)
        waveguide = Waveguide(flush_disc(driver.exit_radius), driver, Mounting(radius))
        observation = at_sizes([1, 2, 5, 10], radius, reference_z=-radius * np.cos(half_angle * DEGREE))
        found = FULL(waveguide, observation, AIR)
        sizes = sizes_of(found, radius)
        series = closed_forms.cap_pattern(sizes, ANGLES, half_angle=half_angle * DEGREE, motion="radial")
        pattern = found.pressure[:, 0] / found.pressure[:, 0, :1]
        # 0.001 of the on-axis amplitude: modes on a cap whose velocity jumps to zero at its edge.
        np.testing.assert_allclose(pattern, series / series[:, :1], atol=1e-3)
        index = closed_forms.cap_index(sizes, half_angle=half_angle * DEGREE, motion="radial")
        np.testing.assert_allclose(metrics.directivity_index(found), index, atol=2e-3)  # dB, same reason

    def test_pulsating_hemisphere_is_half_a_pulsating_sphere(self) -> None:
        driver = Driver(0.05, 90 * DEGREE)
        found = FULL(Waveguide(flush_disc(0.05), driver), at_sizes([0.5, 1, 2, 5], 0.05), AIR)
        assert found.throat_impedance is not None
        # Normalised by the flat exit's area, half that of the hemisphere over which the motion is spread.
        wanted = 0.5 * closed_forms.pulsating_sphere_impedance(sizes_of(found, 0.05))
        np.testing.assert_allclose(found.throat_impedance, wanted, atol=2e-5)  # one mode is exact, after a tube of 2 nm
        np.testing.assert_allclose(metrics.directivity_index(found), 10 * np.log10(2), atol=2e-5)  # dB, same reason

    @pytest.mark.parametrize("angle", [30, 45])
    def test_infinite_cone(self, angle: float) -> None:
        """On caps the spherical wave is exact: impedance j k x / (1 + j k x) at the slant distance x."""
        radius, a = 12.7e-3, angle * DEGREE
        wall = Line(0.0, radius, 0.1, radius + 0.1 * np.tan(a))
        wavenumber = 2 * np.pi * np.array([500.0, 1000, 2000, 5000]) / AIR.speed_of_sound
        caps = divided((along(Following(wall)),), 0.004, 4.0)
        source = _mean(a, 1)
        stiffness, flux, met = eliminated(assembled(caps, np.ones(len(caps.z), dtype=np.int64)), wavenumber, source)
        slant = float(caps.r[-1, -1] / np.sin(a))
        # dp/dr = -(1/r + j k) p of the outgoing wave, over the cap's area, of which sqrt(2) is the mode.
        admittance = 2 * slant**2 * (1 - np.cos(a)) * (1 / slant + 1j * wavenumber)
        pressure = flux[:, 0] / (stiffness[:, 0, 0] + admittance)
        start = radius / np.sin(a)
        impedance = 1j * wavenumber * (met + flux[:, 0] * pressure) * start**2 * (1 - np.cos(a))
        wanted = closed_forms.cone_throat_impedance(wavenumber, apex_distance=start)
        np.testing.assert_allclose(impedance, wanted, rtol=1e-5)  # 25 to 35 elements of sixth order

    def test_exponential_horn_follows_the_infinite_one(self) -> None:
        """Well above cutoff the mouth reflects little: within the ripple of a horn 2 wavelengths wide."""
        flare = 0.12
        horn = Waveguide(Exponential(0.36, flare))
        found = FULL(horn, Observation(frequency=np.geomspace(2500, 4500, 24), off_axis=ANGLES), AIR)
        cutoff = AIR.speed_of_sound / (2 * np.pi * flare)
        wanted = closed_forms.hyperbolic_throat_impedance(found.observation.frequency / cutoff, parameter=1.0)
        assert found.throat_impedance is not None
        # 0.08: the closed form assumes plane waves; caps in this flare are up to 75 degrees deep.
        np.testing.assert_allclose(np.mean(found.throat_impedance - wanted), 0, atol=0.08)

    def test_finite_exponential_horn_near_the_plane_wave_equation(self) -> None:
        """Plane-wave horn equation ended by a baffled piston's impedance, integrated here by scipy, as a band."""
        from scipy.integrate import solve_ivp

        throat, mouth, length = 12.7e-3, 0.1, 0.15
        m = float(np.log(mouth / throat) / length)
        found = FULL(
            Waveguide(Exponential(length, 1 / m)),
            Observation(frequency=np.array([500.0, 1000.0]), off_axis=ANGLES),
            AIR,
        )
        assert found.throat_impedance is not None
        for k, z in zip(found.wavenumber, found.throat_impedance, strict=True):
            start = closed_forms.piston_impedance(np.array([k * mouth]))[0]
            # dz/dx = -j k (1 - z^2) + 2 m z for z = p / (rho c u), from p' = -j k u, (S u)' = -j k S p.
            path = solve_ivp(
                lambda x, y, k=k: -1j * k * (1 - y**2) + 2 * m * y, (length, 0), [start + 0j], rtol=1e-9, atol=1e-12
            )
            # 30 %: curved fronts lengthen the horn acoustically, which the plane-wave equation leaves out.
            assert abs(path.y[0, -1] - z) < 0.3 * abs(z)

    def test_pattern_control_frequency(self) -> None:
        """Below the published rule's frequency the beam opens, above it the beam holds: within a half octave."""
        waveguide = Waveguide(OblateSpheroidal(0.12, 45 * DEGREE, 0.02))
        rule = closed_forms.pattern_control_frequency(90 * DEGREE, mouth_width=2 * waveguide.meridian.mouth_radius)
        frequency = np.array([rule / 3, *np.geomspace(1.5 * rule, 6 * rule, 9)])
        beam = metrics.beamwidth(FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES), AIR)) / DEGREE
        assert np.isnan(beam[0]) or beam[0] > 135
        assert 60 < np.median(beam[1:]) < 110  # the rule's coverage of 90 degrees, as a band


def _mean(half_angle: float, modes: int) -> FloatArray:
    """The mean of each mode over a cap, by quadrature."""
    u, weights = radial_quadrature(40)
    eta = np.sqrt(u)
    area = weights * np.sin(half_angle * eta) / eta
    return np.asarray(area @ radial_modes(modes, u)[0] / area.sum())


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
        caps = divided(sweep(waveguide), 0.02, 1.0)
        elements = assembled(caps, np.full(len(caps.z), 6))
        behind = type(elements)(elements.modes[:5], elements.start[:6], elements.stiffness, elements.mass)
        source = _mean(1e-7, 6)

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
        found = _solved(
            waveguide, Observation(frequency=frequency, off_axis=ANGLES), AIR, "full", Resolution(6, 0, 2.2, 1)
        )
        np.testing.assert_allclose(found.sound_power, throat_power(found, waveguide), rtol=1e-6)  # 1e-16 over 1e-10
        assert abs(np.diff(np.abs(found.on_axis))[0]) < 1e-3 * abs(found.on_axis[0])


class TestElimination:
    def test_equals_an_assembled_solve(self) -> None:
        """The same elements in one large matrix, by another library's direct solver."""
        waveguide = BENCHMARK["waist with two kinks"]
        wavenumber = np.array([40.0])
        caps = divided(sweep(waveguide), 0.06, 1.0)
        modes = 5 + np.arange(len(caps.z)) // 3
        elements = assembled(caps, modes)
        source = _mean(1e-7, 5)
        stiffness, flux, met = eliminated(elements, wavenumber, source)
        matrix, last = _assembled(elements, float(wavenumber[0]))
        right = np.zeros(matrix.shape[0])
        right[: source.size] = source
        # Ended by a spring on the last cap, so that the matrix is regular.
        matrix[np.ix_(last, last)] += np.eye(last.size)
        whole = np.linalg.solve(matrix, right)
        p = np.linalg.solve(stiffness[0] + np.eye(last.size), flux[0])
        np.testing.assert_allclose(p, whole[last], rtol=1e-9, atol=1e-12)  # rounding
        np.testing.assert_allclose(met[0] + flux[0] @ p, source @ whole[: source.size], rtol=1e-9)

    def test_radiation_admittance_is_symmetric_and_takes_power(self) -> None:
        end = Sphere(0.15, 0.7, 0.0, 12)
        admittance = end.radiation(np.array([3.0, 60.0, 200.0]), 12).admittance
        # Reciprocity. Solved from a Galerkin impedance, so that symmetry is not built in.
        np.testing.assert_allclose(
            admittance, np.swapaxes(admittance, 1, 2), rtol=0, atol=1e-9 * np.abs(admittance).max()
        )
        assert np.all(np.linalg.eigvalsh(admittance.imag) > -1e-9 * np.abs(admittance).max())


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


class TestConvergence:
    def test_order_of_a_step(self) -> None:
        """Third-degree elements: the impedance, an energy, converges with the sixth power of the step."""
        waveguide = Waveguide(OblateSpheroidal(0.1, 35 * DEGREE, 0.03))
        observation = Observation(frequency=np.array([6000.0]), off_axis=ANGLES)

        def impedance(steps: float) -> ComplexArray:
            found = _solved(waveguide, observation, AIR, "full", Resolution(14, 0, steps, steps / 2))
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
        fine = _solved(waveguide, AUDIBLE, AIR, "full", Resolution(10, 0.8, 6, 2))
        finer = _solved(waveguide, AUDIBLE, AIR, "full", Resolution(14, 1.0, 8, 3))
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
        exact = _solved(waveguide, observation, AIR, "full", Resolution(10, 0.9, 6, 2))
        level = np.abs(exact.pressure[:, 0])
        kept = level[:, 0] > level.max(axis=1) * 10 ** (-10 / 20)
        error = (metrics.directivity_index(found) - metrics.directivity_index(exact))[kept]
        true = np.sqrt(np.mean(error**2))
        assert found.error_estimate is not None
        estimate = np.sqrt(np.mean(found.error_estimate[kept] ** 2))
        assert true < 0.05  # dB rms: the bar of "full"
        assert true / 3 < estimate < 3 * true
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
            exact = _solved(waveguide, AUDIBLE, AIR, "full", Resolution(10, 0.8, 6, 2))
            level = np.abs(exact.pressure[:, 0])
            kept = level[:, 0] > level.max(axis=1) * 10 ** (-10 / 20)
            true = np.sqrt(np.mean((metrics.directivity_index(found) - metrics.directivity_index(exact))[kept] ** 2))
            assert found.error_estimate is not None
            estimate = np.sqrt(np.mean(found.error_estimate[kept] ** 2))
            assert true < 0.05  # dB rms: the bar of "full"
            assert true / 3 < estimate < 3 * max(true, 5e-4)  # no estimate claims less than 0.0005 dB

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


class TestObservation:
    def test_far_field_is_the_limit_of_distance(self) -> None:
        waveguide = Waveguide(Conical(0.08, 40 * DEGREE, 0.01), Driver(), Mounting(0.15))
        frequency = np.array([500.0, 4000.0])
        far = FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES, reference_z=0.03), AIR)
        r = 500.0
        near = FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES, distance=r, reference_z=0.03), AIR)
        spread = near.pressure[:, 0] * r * np.exp(1j * near.wavenumber[:, None] * r)
        # Differences fall with size^2 / (wavelength distance): 0.15^2 * 12 / 500.
        np.testing.assert_allclose(spread, far.pressure[:, 0], rtol=0, atol=2e-3 * np.abs(far.pressure).max())

    def test_reference_point_moves_the_phase_only(self) -> None:
        waveguide = BENCHMARK["tractrix"]
        frequency = np.array([3000.0])
        here = FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES, reference_z=0.0), AIR)
        ahead = FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES, reference_z=0.05), AIR)
        turned = here.pressure[0, 0] * np.exp(-1j * here.wavenumber * 0.05 * np.cos(ANGLES))
        np.testing.assert_allclose(ahead.pressure[0, 0], turned, atol=1e-12 * np.abs(turned).max())

    def test_nothing_behind_a_baffle(self) -> None:
        found = FULL(BENCHMARK["tractrix"], AUDIBLE, AIR)
        assert found.half_space
        assert np.all(found.pressure[:, :, ANGLES > 0.51 * np.pi] == 0)
        assert np.all(np.abs(found.pressure[:, :, ANGLES < 0.5 * np.pi]) > 0)

    def test_a_distance_inside_the_mouth_is_refused(self) -> None:
        observation = Observation(frequency=np.array([1000.0]), off_axis=ANGLES, distance=0.05, reference_z=0.176)
        with pytest.raises(ValueError, match="distance_m = 0.05: must keep every point outside the sphere of 0.1 m"):
            FULL(BENCHMARK["tractrix"], observation, AIR)

    def test_a_reference_behind_the_baffle_hides_the_last_angles(self) -> None:
        """From 90 mm behind the mouth and 0.5 m away, 85 degrees lies behind the baffle: no level, no crossing."""
        observation = Observation(frequency=np.array([1000.0]), off_axis=ANGLES, distance=0.5, reference_z=0.0)
        found = FULL(Waveguide(Conical(0.09, 42 * DEGREE)), observation, AIR)
        hidden = 0.5 * np.cos(ANGLES) < 0.09
        np.testing.assert_array_equal(found.behind, hidden)
        assert np.isnan(metrics.beamwidth(found)[0])

    def test_an_axis_behind_the_baffle_is_refused(self) -> None:
        observation = Observation(frequency=np.array([1000.0]), off_axis=ANGLES, distance=0.2, reference_z=-0.2)
        with pytest.raises(ValueError, match="distance_m = 0.2: the point on axis lies behind the baffle"):
            FULL(BENCHMARK["tractrix"], observation, AIR)

    def test_words_that_name_no_solver_are_refused(self) -> None:
        with pytest.raises(ValueError, match="setting 'fine': must be one of estimate, screen, full"):
            radiation.solver("fine")  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="method 'guess': must be one of march"):
            radiation.solver("full", method="guess")  # type: ignore[arg-type]

    def test_provenance_says_how_it_was_made(self) -> None:
        found = FULL(BENCHMARK["tractrix"], AUDIBLE, AIR)
        assert found.provenance["method"] == "march"
        assert found.provenance["setting"] == "full"
        # 1.8412 c / (2 pi a), the first zero of J1' (Abramowitz & Stegun 1964, table 9.5): 7.92 kHz for 25.4 mm.
        assert found.provenance["first_cross_mode_hz"] == pytest.approx(7918.5, rel=1e-3)
        assert found.provenance["bands"][-1]["modes"] > found.provenance["bands"][0]["modes"]


class TestWavefront:
    @settings(max_examples=40, deadline=None)
    @given(
        inner=st.tuples(st.floats(20, 60), st.floats(20, 60), st.floats(30, 120)),
        radius=st.one_of(st.none(), st.floats(0.125, 0.5)),
        exit_angle=st.floats(0, 25),
    )
    def test_caps_never_cross(self, inner: tuple[float, float, float], radius: float | None, exit_angle: float) -> None:
        first, second, third = inner
        middles = [(15, 0.5 * (12.7 + first)), (50, 0.5 * (first + second)), (90, 0.5 * (second + third))]
        corners = [(0, 12.7), (30, first), (70, second), (110, third)]
        shape = through(*sorted(middles + corners))
        assume(shape.meridian(12.7e-3).dense.angle.max() <= 0.5 * np.pi)
        whole = sweep(Waveguide(shape, Driver(12.7e-3, exit_angle * DEGREE), Mounting(radius)))
        for stretch in whole:
            apex = stretch.path.caps(np.linspace(stretch.t[0], stretch.t[-1], 200)).apex
            assert np.all(np.diff(apex) > -1e-12)

    def test_launching_cap(self) -> None:
        """At the end of the body before a roundover, at a sharp rim, and where a tractrix turns away."""

        def angle(waveguide: Waveguide) -> tuple[float, float]:
            before, _ = launched(sweep(waveguide))
            caps = before[-1].path.caps(before[-1].t[-1:])
            return float(caps.z[0]), float(caps.b[0]) / DEGREE

        cone = angle(Waveguide(Conical(0.1, 45 * DEGREE)))
        assert cone == pytest.approx((0.1, 45))
        rounded = Waveguide(OblateSpheroidal(0.1, 40 * DEGREE, 0.02))
        arc = rounded.meridian.pieces[1].at(np.array([0.0]))
        assert angle(rounded) == pytest.approx((float(arc.z[0]), float(arc.angle[0]) / DEGREE))
        # kappa r = sin^2 a / cos a = 1 at cos a = (sqrt(5) - 1)/2; to the grid of 65 points.
        assert angle(Waveguide(Tractrix(0.1)))[1] == pytest.approx(51.83, abs=2)

    def test_an_undercut_is_refused(self) -> None:
        with pytest.raises(ValueError, match="the wall turns to .* degrees at z = .* mm: must be at most 90"):
            sweep(Waveguide(through((0, 12.7), (30, 40), (20, 60))))

    def test_a_sphere_smaller_than_the_mouth_is_refused(self) -> None:
        with pytest.raises(ValueError, match="radius_mm = 80: must be at least the mouth's radius, 100"):
            sweep(Waveguide(Tractrix(0.1), Driver(), Mounting(0.08)))
