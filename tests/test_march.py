"""The march against closed forms, and at the distances and reference points it is asked for."""

from __future__ import annotations

import numpy as np
import pytest

import known_sounds
from evenflare import closed_forms, metrics, radiation
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.elements import assembled, caps_of, divided
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.wavefront import Following, along
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Conical, Driver, Exponential, Mounting, OblateSpheroidal, Waveguide
from evenflare.waveguide.walls import Line
from listening import AIR, ANGLES, AUDIBLE, FULL, cap_mean
from shapes import BENCHMARK, flush_disc


def at_sizes(sizes: list[float], radius: float, **more: float) -> Observation:
    """An observation at frequencies where k times the radius has these values."""
    frequency = np.array(sizes) / radius * AIR.speed_of_sound / (2 * np.pi)
    return Observation(frequency=frequency, off_axis=ANGLES, **more)


def sizes_of(directivity: Directivity, radius: float) -> FloatArray:
    return directivity.wavenumber * radius


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
        wanted = 0.5 * known_sounds.pulsating_sphere_impedance(sizes_of(found, 0.05))
        np.testing.assert_allclose(found.throat_impedance, wanted, atol=2e-5)  # one mode is exact, after a tube of 2 nm
        np.testing.assert_allclose(metrics.directivity_index(found), 10 * np.log10(2), atol=2e-5)  # dB, same reason

    @pytest.mark.parametrize("angle", [30, 45])
    def test_infinite_cone(self, angle: float) -> None:
        """On caps the spherical wave is exact: impedance j k x / (1 + j k x) at the slant distance x."""
        radius, a = 12.7e-3, angle * DEGREE
        wall = Line(0.0, radius, 0.1, radius + 0.1 * np.tan(a))
        wavenumber = 2 * np.pi * np.array([500.0, 1000, 2000, 5000]) / AIR.speed_of_sound
        (caps,) = caps_of([divided((along(Following(wall)),), 0.004, 4.0)])
        source = cap_mean(a, 1)
        stiffness, flux, met = eliminated(assembled(caps, np.ones(len(caps.z), dtype=np.int64)), wavenumber, source)
        slant = float(caps.r[-1, -1] / np.sin(a))
        # dp/dr = -(1/r + j k) p of the outgoing wave, over the cap's area, of which sqrt(2) is the mode.
        admittance = 2 * slant**2 * (1 - np.cos(a)) * (1 / slant + 1j * wavenumber)
        pressure = flux[:, 0, 0] / (stiffness[:, 0, 0] + admittance)
        start = radius / np.sin(a)
        impedance = 1j * wavenumber * (met[:, 0, 0] + flux[:, 0, 0] * pressure) * start**2 * (1 - np.cos(a))
        wanted = known_sounds.cone_throat_impedance(wavenumber, apex_distance=start)
        np.testing.assert_allclose(impedance, wanted, rtol=1e-5)  # 25 to 35 elements of sixth order

    def test_exponential_horn_follows_the_infinite_one(self) -> None:
        """Well above cutoff the mouth reflects little: within the ripple of a horn 2 wavelengths wide."""
        flare = 0.12
        horn = Waveguide(Exponential(0.36, flare))
        found = FULL(horn, Observation(frequency=np.geomspace(2500, 4500, 24), off_axis=ANGLES), AIR)
        cutoff = AIR.speed_of_sound / (2 * np.pi * flare)
        wanted = known_sounds.hyperbolic_throat_impedance(found.observation.frequency / cutoff, parameter=1.0)
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
        rule = known_sounds.pattern_control_frequency(90 * DEGREE, mouth_width=2 * waveguide.meridian.mouth_radius)
        frequency = np.array([rule / 3, *np.geomspace(1.5 * rule, 6 * rule, 9)])
        beam = metrics.beamwidth(FULL(waveguide, Observation(frequency=frequency, off_axis=ANGLES), AIR)) / DEGREE
        assert np.isnan(beam[0]) or beam[0] > 135
        assert 60 < np.median(beam[1:]) < 110  # the rule's coverage of 90 degrees, as a band


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
