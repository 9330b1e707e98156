"""Boundary elements of free-standing waveguides: against spheres, their own refinement, and conservation."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from bodies import BODIES, MM, ROUNDED, standing
from boundaries import AIR, ANGLES, at_density
from evenflare import metrics, radiation
from evenflare.design.file import Design
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import Fineness, body_solver, judge_solver
from evenflare.units import DEGREE, FloatArray, amplitude_db
from evenflare.waveguide import BodyPoints, Conical, Driver, Mounting, RoundCabinet, Waveguide
from shapes import CONE

AUDIBLE = Observation(np.geomspace(200, 16000, 20), ANGLES)
SHAPES = {"baffle": CONE, **BODIES}


@cache
def dense(name: str) -> FloatArray:
    """The index at twice the density."""
    return metrics.directivity_index(at_density(20)(boundary_of(SHAPES[name]), AUDIBLE, AIR))


@cache
def judged(name: str, setting: radiation.Setting) -> Directivity:
    return radiation.solver(setting, method="boundary_elements")(SHAPES[name], AUDIBLE, AIR)


class TestBodies:
    @pytest.mark.parametrize("name", BODIES)
    def test_refines_to_one_answer(self, name: str) -> None:
        boundary = boundary_of(BODIES[name])
        coarse, fine = (metrics.directivity_index(at_density(each)(boundary, AUDIBLE, AIR)) for each in (10, 14))
        finer = dense(name)
        assert np.sqrt(np.mean((fine - finer) ** 2)) < 0.003  # dB rms: converged
        assert np.sqrt(np.mean((coarse - finer) ** 2)) < 0.01  # dB rms, of the default

    @pytest.mark.parametrize("name", BODIES)
    def test_power_at_the_exit_is_that_far_away(self, name: str) -> None:
        angle, weights = np.polynomial.legendre.leggauss(90)
        observation = Observation(np.geomspace(200, 12000, 8), np.arccos(angle)[::-1])
        found = judge_solver()(BODIES[name], observation, AIR)
        far = 2 * np.pi * np.abs(found.pressure[:, 0]) ** 2 @ weights[::-1] / AIR.impedance
        np.testing.assert_allclose(found.sound_power, far, rtol=3e-3)  # 0.013 dB

    def test_points_of_a_sphere_are_the_sphere(self) -> None:
        radius, depth, rim = 0.16, 0.08, Conical(0.08, 40 * DEGREE).meridian(12.7e-3).mouth_radius
        begin = float(np.arcsin(rim / radius))
        angle = np.linspace(begin, np.pi, 181)
        z = depth + radius * (np.cos(angle) - np.cos(begin))
        r = np.append(radius * np.sin(angle[:-1]), 0.0)
        points = BodyPoints(tuple(zip(z.tolist(), r.tolist(), strict=True)))
        body = Waveguide(Conical(depth, 40 * DEGREE), Driver(), Mounting(body=points))
        sphere = replace(body, mounting=Mounting(radius))
        solve = judge_solver()
        level, wanted = (amplitude_db(np.abs(solve(each, AUDIBLE, AIR).pressure)) for each in (body, sphere))
        loud = wanted > wanted.max(axis=2, keepdims=True) - 20
        np.testing.assert_allclose(level[loud], wanted[loud], atol=0.02)  # dB: a spline through 181 points, and meshes

    def test_a_small_body_radiates_all_round(self) -> None:
        """At 50 Hz the cabinet is a twentieth of a wavelength wide: a point source of the exit's volume velocity."""
        observation = Observation(np.array([50.0]), ANGLES)
        found = judge_solver()(BODIES["cabinet, rounded edges"], observation, AIR)
        wanted = AIR.density * 50.0 * Driver().exit_area / 2  # |p| r = rho f U / 2 (Morse & Ingard 1968, 7.1)
        # 4 %, 0.3 dB: next to a point source there is a dipole in proportion to k times the radius, 0.14.
        np.testing.assert_allclose(np.abs(found.pressure), wanted, rtol=0.04)
        assert abs(metrics.directivity_index(found)[0]) < 0.3  # dB, same reason

    def test_resonances_of_the_solid_are_cured(self) -> None:
        """Without points inside some frequencies are lost; with them the neighbours agree, as sound outside must."""
        frequency = np.linspace(900, 1500, 241)
        boundary = boundary_of(BODIES["cabinet, rounded edges"])
        observation = Observation(frequency, np.array([0.0, 1.0, 2.0]))
        roughness = []
        for inside in (0.0, Fineness().inside):
            found = body_solver(Fineness(edges=(), inside=inside, checked=False))(boundary, observation, AIR)
            level = amplitude_db(np.abs(found.pressure[:, 0]))
            roughness.append(np.abs(np.diff(level, 2, axis=0)).max())
        assert roughness[0] > 0.05  # dB of second difference, over steps of 2.5 Hz
        assert roughness[1] < 0.005

    def test_a_curved_exit_closes_the_throat_as_a_flat_one_does(self) -> None:
        """Where the wavelength is long the shape of the exit does not matter, only its volume velocity."""
        flat = BODIES["rolled shell"]
        curved = replace(flat, driver=Driver(12.7e-3, 15 * DEGREE))
        observation = Observation(np.array([400.0]), ANGLES)
        one, other = (judge_solver()(each, observation, AIR).pressure for each in (flat, curved))
        np.testing.assert_allclose(np.abs(one), np.abs(other), rtol=0.005)  # the cap takes 0.05 % of the air


class TestMarchOfABody:
    @pytest.mark.parametrize("name", BODIES)
    def test_it_is_a_sphere_and_says_so(self, name: str) -> None:
        body = BODIES[name]
        found = radiation.solver("screen")(body, AUDIBLE, AIR)
        words = found.provenance["approximation"]
        assert "rigid sphere" in words
        diameter = float(words.split(" mm diameter")[0].split()[-1]) * MM
        assert diameter >= 1.1 * 2 * body.meridian.mouth_radius - MM
        sphere = replace(body, mounting=Mounting(diameter / 2))
        wanted = radiation.solver("screen")(sphere, AUDIBLE, AIR)
        assert not found.half_space
        # 0.05 dB: the diameter in words is rounded to a millimetre.
        np.testing.assert_allclose(metrics.directivity_index(found), metrics.directivity_index(wanted), atol=0.05)
        assert "approximation" not in wanted.provenance

    def test_its_volume_is_the_bodys(self) -> None:
        cabinet = RoundCabinet(300 * MM, 250 * MM)
        found = radiation.solver("estimate")(standing(ROUNDED, cabinet), AUDIBLE, AIR)
        radius = (0.75 * 0.15**2 * 0.25) ** (1 / 3)  # of the sphere as large as the cylinder
        assert f" {2 * radius / MM:.0f} mm diameter" in found.provenance["approximation"]

    @pytest.mark.parametrize("name", BODIES)
    def test_it_is_near_the_judge(self, name: str) -> None:
        """What it is good for: a search that the judge ranks again."""
        march = radiation.solver("full")(BODIES[name], AUDIBLE, AIR)
        apart = metrics.directivity_index(march) - metrics.directivity_index(judged(name, "full"))
        off = np.sqrt(np.mean(apart**2))
        assert 0.2 < off < 1.3  # dB rms: the bodies' edges diffract, and a sphere has none


class TestMethods:
    @pytest.mark.parametrize("name", SHAPES)
    def test_settings_of_the_judge(self, name: str) -> None:
        """The errors that are stated for them, against twice the density."""
        errors = []
        for setting in radiation.SETTINGS:
            found = judged(name, setting)
            errors.append(np.sqrt(np.mean((metrics.directivity_index(found) - dense(name)) ** 2)))
            assert found.provenance["method"] == "boundary_elements"
            assert found.provenance["setting"] == setting
        estimate, screen, full = errors
        assert estimate < 0.1  # dB rms
        assert screen < 0.02
        assert full < 0.01
        assert full < estimate

    def test_the_public_solver_takes_the_method_by_name(self) -> None:
        design = Design("cone", CONE, AIR, Observation(np.array([1000.0, 4000.0]), ANGLES))
        march, judge = (radiation.solve(design, method=each) for each in radiation.METHODS)
        assert (march.provenance["method"], judge.provenance["method"]) == radiation.METHODS
        np.testing.assert_allclose(
            metrics.directivity_index(march), metrics.directivity_index(judge), atol=0.03
        )  # dB: of either
