"""A driver whose exit does not move evenly: in closed form, and in two solvers that share only its profile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import jv

import known_sounds
from evenflare import metrics, radiation
from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.radiation.march import Resolution, at_resolution
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide import Conical, Driver, Mounting, Oblong, Points, Waveguide

AIR = Air()
ANGLES = np.arange(0, 181, 5) * DEGREE
FINE = at_resolution(Resolution(8, 0.6, 4.5, 1.5))
STRONG = ((0.0, 1.0), (0.5, 0.6), (1.0, 0.0))
"""At rest at its edge."""
METHODS = pytest.mark.parametrize("method", radiation.METHODS)


@METHODS
def test_piston_that_moves_as_a_simply_supported_disc(method: radiation.Method) -> None:
    """Velocity 2 (1 - (r/a)^2) in a baffle: its far pressure is the flat piston's on axis, times 8 J2(x) / x^2.

    Source: Greenspan (1979), J. Acoust. Soc. Am. 65, 608, the family 2^(n+1) (n+1)! J_(n+1)(x) / x^(n+1).
    """
    radius, share = 0.05, np.linspace(0, 1, 81)
    driver = Driver(radius, velocity_profile=tuple(zip(share.tolist(), (1 - share**2).tolist(), strict=True)))
    frequency = np.array([0.5, 2.0, 5.0]) / radius * AIR.speed_of_sound / (2 * np.pi)
    front = ANGLES[1:19]
    observation = Observation(frequency, np.array([0.0, *front]))
    found = radiation.solver("full", method=method)(
        Waveguide(Points(((0.0, radius), (1e-6, radius))), driver), observation, AIR
    )
    even = known_sounds.piston_pressure(frequency, 0.0, radius=radius, velocity=1.0, air=AIR)[:, 0]
    np.testing.assert_allclose(np.abs(found.on_axis), np.abs(even), rtol=1e-3)  # 0.009 dB: as of the flat piston
    x = np.outer(found.wavenumber * radius, np.sin(front))
    pattern = np.abs(found.pressure[:, 0, 1:] / found.pressure[:, 0, :1])
    # 1e-3 of the axis: cubics through 81 values of a parabola, and the solvers' own error.
    np.testing.assert_allclose(pattern, np.abs(8 * jv(2, x) / x**2), atol=1e-3)


@pytest.mark.parametrize("half_angle", [0, 20], ids=["flat exit", "curved exit"])
def test_march_and_judge_agree_on_a_strong_taper(half_angle: float) -> None:
    driver = Driver(12.7e-3, half_angle * DEGREE, STRONG)
    cone = Waveguide(Conical(0.1, 35 * DEGREE), driver)
    observation = Observation(np.geomspace(500, 16000, 16), ANGLES)
    march, judge = FINE(cone, observation, AIR), judge_solver()(cone, observation, AIR)
    index, other = metrics.directivity_index(march), metrics.directivity_index(judge)
    np.testing.assert_allclose(index, other, atol=0.05)  # dB
    level = amplitude_db(np.abs(march.on_axis))
    np.testing.assert_allclose(level, amplitude_db(np.abs(judge.on_axis)), atol=0.05)  # dB
    np.testing.assert_allclose(march.throat_impedance, judge.throat_impedance, atol=0.006)  # as of an even exit
    even = FINE(replace(cone, driver=replace(driver, velocity_profile=None)), observation, AIR)
    assert np.abs(index - metrics.directivity_index(even)).max() > 5.0  # dB: the taper is worth agreeing on
    assert np.abs(level - amplitude_db(np.abs(even.on_axis))).max() > 5.0


@METHODS
@pytest.mark.parametrize("half_angle", [0, 20], ids=["flat exit", "curved exit"])
def test_a_profile_that_is_even_changes_nothing(method: radiation.Method, half_angle: float) -> None:
    cone = Waveguide(Conical(0.08, 40 * DEGREE), Driver(12.7e-3, half_angle * DEGREE))
    flat = replace(cone, driver=replace(cone.driver, velocity_profile=((0.0, 3.0), (1.0, 3.0))))
    observation = Observation(np.array([800.0, 9000.0]), ANGLES)
    solve = radiation.solver("screen", method=method)
    even, profiled = solve(cone, observation, AIR), solve(flat, observation, AIR)
    # Rounding, and the march's other quadrature for profiles.
    np.testing.assert_allclose(profiled.pressure, even.pressure, atol=1e-7 * np.abs(even.pressure).max())
    np.testing.assert_allclose(profiled.throat_impedance, even.throat_impedance, rtol=1e-7)


def test_power_into_the_throat_is_radiated() -> None:
    """In the judge what the tapered exit does to the air is summed over the exit, in free space, and in the march over
    the waves outside: alike only if both move alike.
    """
    body = Waveguide(Conical(0.08, 40 * DEGREE), Driver(12.7e-3, 0.0, STRONG), Mounting(0.14))
    observation = Observation(np.geomspace(500, 12000, 8), ANGLES)
    march, judge = FINE(body, observation, AIR), judge_solver()(body, observation, AIR)
    np.testing.assert_allclose(march.sound_power, judge.sound_power, rtol=0.01)  # 0.04 dB


def test_oblong_waveguide_hears_the_profile_too() -> None:
    """Equal meridians in both planes make a round cone."""
    driver, wall = Driver(12.7e-3, 0.0, STRONG), Conical(0.06, 38 * DEGREE)
    observation = Observation(np.array([4000.0, 11000.0]), ANGLES)
    solve = radiation.solver("full")
    oblong = solve(Waveguide(Oblong(wall, wall), driver), replace(observation, symmetry="two_planes"), AIR)
    round_ = solve(Waveguide(wall, driver), observation, AIR)
    # 0.02 dB: other modes and quadrature of the same solver.
    np.testing.assert_allclose(metrics.directivity_index(oblong), metrics.directivity_index(round_), atol=0.02)
    np.testing.assert_allclose(oblong.throat_impedance, round_.throat_impedance, atol=1e-3)


def test_one_mode_does_not_know_of_the_profile() -> None:
    """The quickest setting carries only the mean to the launching cap."""
    cone, observation = Waveguide(Conical(0.08, 40 * DEGREE)), Observation(np.array([6000.0]), ANGLES)
    solve = radiation.solver("estimate")
    tapered = solve(replace(cone, driver=Driver(12.7e-3, 0.0, STRONG)), observation, AIR)
    np.testing.assert_array_equal(tapered.pressure, solve(cone, observation, AIR).pressure)
