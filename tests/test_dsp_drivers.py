"""Drivers and where they stand, against closed forms: product theorem, two point sources, sampled pistons."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare import metrics
from evenflare.closed_forms import cap_index, piston_index, piston_pattern
from evenflare.directivity.types import Directivity, Observation
from evenflare.dsp.baffle_step import baffle_step, fitted, on_axis_step, power_step
from evenflare.dsp.drivers import Radiator, piston, stored
from evenflare.dsp.placing import Way, grid, heard, mean_square, placed
from evenflare.units import DEGREE, power_db
from reports import AIR, RADIUS
from reports import piston as sampled_piston

C = 343.2
FREQUENCY = np.geomspace(200.0, 8000.0, 25)
POINT = Radiator(lambda f, off, around: np.ones((f.size, off.size), dtype=complex), False, (0.0, np.inf), C)


def vertical(observation: Observation, pressure: np.ndarray) -> np.ndarray:
    return pressure[:, -1] if observation.plane[-1] > 1.5 else pressure[:, 0]


@pytest.mark.parametrize("spacing", [0.1, 0.25, 0.6])
def test_two_pistons_radiate_as_one_times_the_array_factor(spacing):
    # Product theorem: the pattern of one times cos(k d sin t / 2); Kinsler et al., section 7.8.
    observation = grid(FREQUENCY, half_space=True)
    half = 0.5 * spacing
    found = placed(piston(0.08, speed_of_sound=C), observation, [(0.0, half, 0.0), (0.0, -half, 0.0)])
    k = 2 * np.pi * FREQUENCY / C
    one = piston_pattern(k * 0.08, np.abs(observation.off_axis))
    wanted = one * np.cos(0.5 * spacing * np.outer(k, np.sin(observation.off_axis)))
    assert np.abs(vertical(observation, found) - wanted).max() < 1e-12  # rounding
    assert np.abs(found[:, 0] - one).max() < 1e-12  # nothing changes across


def test_a_driver_below_turns_the_phase_as_its_path():
    observation = grid(FREQUENCY, half_space=False)
    found = vertical(observation, placed(POINT, observation, [(0.0, -0.2, 0.05)]))
    path = 0.2 * np.sin(observation.off_axis) - 0.05 * np.cos(observation.off_axis)  # longer upward, shorter ahead
    assert np.abs(found - np.exp(-1j * np.outer(2 * np.pi * FREQUENCY / C, path))).max() < 1e-12


def test_at_a_finite_distance_every_driver_has_its_own_path():
    observation = grid(FREQUENCY, half_space=False, distance=1.5)
    found = vertical(observation, placed(POINT, observation, [(0.0, -0.3, 0.0)]))
    angle = observation.off_axis
    length = np.hypot(1.5 * np.cos(angle), 1.5 * np.sin(angle) + 0.3)
    wanted = np.exp(-1j * np.outer(2 * np.pi * FREQUENCY / C, length)) / length
    assert np.abs(found - wanted).max() < 1e-12


def test_at_a_finite_distance_a_piston_below_is_seen_from_above_its_axis():
    observation = grid(FREQUENCY, half_space=True, distance=1.0)
    found = vertical(observation, placed(piston(0.1, speed_of_sound=C), observation, [(0.0, -0.3, 0.0)]))
    ahead = np.abs(found[:, observation.off_axis.size // 2]) * np.hypot(1.0, 0.3)
    seen = np.abs(piston_pattern(2 * np.pi * FREQUENCY / C * 0.1, np.arctan([0.3]))[:, 0])
    assert np.abs(ahead - seen).max() < 1e-12


@pytest.mark.parametrize("spacing", [0.05, 0.2, 0.5])
def test_power_of_two_point_sources(spacing):
    # Mean over the sphere of |1 + exp(j k d . r)|^2 is 2 (1 + sin(kd) / (kd)); P. M. Morse, Vibration and Sound, 28.
    kd = np.array([0.3, 1.0, 2.5, 4.493, 7.7, 12.0])
    ways = [Way("upper", POINT, ((0.0, 0.0, 0.0),)), Way("lower", POINT, ((0.0, -spacing, 0.0),))]
    sounds = heard(ways, kd * C / (2 * np.pi * spacing))
    found = mean_square(sounds.power, np.ones((2, kd.size), dtype=complex))
    error = power_db(found / (2.0 * (1.0 + np.sin(kd) / kd)))
    assert np.abs(error).max() < 0.002  # ring zones of 2.5 degrees


def test_forms_give_what_the_sum_of_pressures_gives():
    ways = [
        Way("a", piston(0.03, speed_of_sound=C), ((0.0, 0.0, 0.0),)),
        Way("b", piston(0.09, speed_of_sound=C), ((0.0, -0.2, 0.0),)),
    ]
    sounds = heard(ways, FREQUENCY)
    filters = np.array([np.exp(1j * FREQUENCY / 700.0), 0.7 - 0.2j * FREQUENCY / 4000.0])
    total = sounds.summed(filters, valid=np.ones(FREQUENCY.size, dtype=bool))
    assert mean_square(sounds.power, filters) == pytest.approx(metrics.sphere_mean_square(total), rel=1e-12)
    window = metrics.standard_curves(total).listening_window
    assert power_db(mean_square(sounds.window, filters) / 20e-6**2) == pytest.approx(window, abs=1e-9)


def test_a_sampled_piston_is_the_piston_between_its_samples():
    directivity = sampled_piston(step_deg=5.0, frequencies=61)
    driver = stored(directivity)
    frequency = np.geomspace(400.0, 9000.0, 37)
    off_axis, around = np.linspace(0.0, 85.0, 41) * DEGREE, np.linspace(-3.0, 3.0, 41)
    found = driver.far(frequency, off_axis, around)
    wanted = piston_pattern(2 * np.pi * frequency * RADIUS / AIR.speed_of_sound, off_axis)
    assert np.abs(found / found[:, :1] - wanted).max() < 0.01  # 11 frequencies an octave, straight between
    assert driver.half_space
    assert driver.band[1] < 12000.0  # what is not valid is not used
    assert np.all(driver.far(frequency, np.array([100.0 * DEGREE]), np.zeros(1)) == 0.0)


@pytest.mark.parametrize("delay", [0.0, 4e-4, 7e-3])
def test_phase_between_frequencies_keeps_its_delay(delay):
    directivity = sampled_piston(frequencies=61)
    late = np.exp(-2j * np.pi * directivity.observation.frequency * delay)
    moved = dataclasses.replace(directivity, pressure=directivity.pressure * late[:, None, None])
    frequency = np.geomspace(500.0, 8000.0, 23)
    axis = np.zeros(1)
    turn = stored(moved).far(frequency, axis, axis) / stored(directivity).far(frequency, axis, axis)
    assert np.abs(turn[:, 0] - np.exp(-2j * np.pi * frequency * delay)).max() < 0.02


def test_the_far_pressure_of_a_measurement_at_2_m_has_its_travel_taken_out():
    far, near = sampled_piston(), sampled_piston(distance=2.0)
    travel = np.exp(-1j * near.wavenumber * 2.0)[:, None, None] / 2.0
    near = dataclasses.replace(near, pressure=far.pressure * travel)
    at, angle = np.array([700.0, 3000.0]), np.array([0.0, 0.5])
    assert stored(near).far(at, angle, angle) == pytest.approx(stored(far).far(at, angle, angle), rel=1e-6)


def test_up_and_down_left_and_right_stay_what_they_are():
    angles, planes = np.arange(-180.0, 181.0, 10.0) * DEGREE, np.array([0.0, 90.0]) * DEGREE
    off, plane = np.meshgrid(angles, planes)
    x, y = np.sin(off) * np.cos(plane), np.sin(off) * np.sin(plane)
    pressure = np.broadcast_to(np.exp(0.3 * x + 0.6 * y + 0.2 * np.cos(off)), (2, *off.shape)).astype(complex)
    observation = Observation(np.array([500.0, 1000.0]), angles, plane=planes, symmetry="none")
    driver = stored(Directivity(observation, pressure, np.ones(2, dtype=bool), 1.2, C))
    off_axis = np.full(4, 40.0 * DEGREE)
    found = driver.far(np.array([700.0]), off_axis, np.array([0.0, 90.0, 180.0, 270.0]) * DEGREE)[0]
    sides = np.array([0.3, 0.6, -0.3, -0.6]) * np.sin(off_axis) + 0.2 * np.cos(off_axis)
    assert found == pytest.approx(np.exp(sides), rel=1e-9)


BEHIND = np.linspace(171.0, 180.0, 10) * DEGREE


@pytest.mark.parametrize("angles", [(-170, 181), (-180, 180), (-180, 181)], ids=["0 to 180", "-180 to 0", "both"])
def test_straight_behind_belongs_to_both_sides(angles):
    # Measured on one side or on both, the pressure at 180 degrees ends the half-orbits of both: here a linear field,
    # whose pressure is known in every direction.
    off, plane = np.meshgrid(np.arange(*angles, 10.0) * DEGREE, np.array([0.0, 90.0]) * DEGREE)
    pressure = np.broadcast_to(2.0 + 0.5 * np.sin(off) * np.cos(plane) + np.cos(off), (2, *off.shape))
    observation = Observation(np.array([500.0, 1000.0]), off[0], plane=plane[:, 0], symmetry="none")
    driver = stored(Directivity(observation, pressure.astype(complex), np.ones(2, dtype=bool), 1.2, C))
    for azimuth, along in ((0.0, 0.5), (90.0, 0.0), (180.0, -0.5), (270.0, 0.0)):
        found = driver.far(np.array([700.0]), BEHIND, np.full(BEHIND.size, azimuth * DEGREE))[0]
        # The error of a cubic spline over 10 degrees, 5 / 384 h^4 of the fourth derivative, 1.1 at most: 1.4e-5; three
        # times that where it ends (not-a-knot).
        assert found == pytest.approx(2.0 + along * np.sin(BEHIND) + np.cos(BEHIND), abs=5e-5)


def test_a_baffled_driver_is_known_up_to_the_baffle():
    angles = np.arange(0.0, 91.0, 10.0) * DEGREE
    observation = Observation(np.array([500.0, 1000.0]), angles, plane=np.zeros(1), symmetry="round")
    pressure = np.broadcast_to(1.0 + np.cos(angles), (2, 1, angles.size)).astype(complex)
    driver = stored(Directivity(observation, pressure, np.ones(2, dtype=bool), 1.2, C, half_space=True))
    near = np.linspace(81.0, 90.0, 10) * DEGREE
    # As above.
    assert driver.far(np.array([700.0]), near, np.zeros(10))[0] == pytest.approx(1.0 + np.cos(near), abs=5e-5)


def test_between_planes_the_power_is_that_of_the_directivity():
    directivity = sampled_piston()
    wide = np.linspace(1.0, 0.4, directivity.observation.off_axis.size)
    pressure = np.concatenate([directivity.pressure, directivity.pressure * wide], axis=1)
    observation = dataclasses.replace(
        directivity.observation, plane=np.array([0.0, 0.5 * np.pi]), symmetry="two_planes"
    )
    two = dataclasses.replace(directivity, observation=observation, pressure=pressure)
    frequency = observation.frequency[directivity.valid]
    sounds = heard([Way("one", stored(two), ((0.0, 0.0, 0.0),))], frequency)
    own = metrics.directivity_index(dataclasses.replace(two, sound_power=None))[directivity.valid]
    # 2.5 against 5 degree rings: the narrowest beam is 30 degrees wide.
    assert metrics.directivity_index(sounds.own[0]) == pytest.approx(own, abs=0.1)


def test_index_of_pistons_in_a_baffle_and_on_a_sphere():
    baffled = heard([Way("flat", piston(0.08, speed_of_sound=C), ((0.0, 0.0, 0.0),))], FREQUENCY)
    k = 2 * np.pi * FREQUENCY / C
    assert metrics.directivity_index(baffled.own[0]) == pytest.approx(piston_index(k * 0.08), abs=0.1)  # 2.5 deg rings
    capped = heard([Way("cap", piston(0.08, speed_of_sound=C, sphere_radius=0.16), ((0.0, 0.0, 0.0),))], FREQUENCY[:15])
    wanted = cap_index(k[:15] * 0.16, half_angle=float(np.arcsin(0.5)))
    assert metrics.directivity_index(capped.own[0]) == pytest.approx(wanted, abs=0.05)


def test_a_piston_on_a_sphere_counts_its_phase_from_its_face():
    # Large against the wavelength the sphere is a baffle: level and phase on axis are the flat piston's, 1 Pa m.
    high = piston(0.01, speed_of_sound=C, sphere_radius=0.4).far(np.array([3000.0]), np.zeros(1), np.zeros(1))[0, 0]
    assert high == pytest.approx(1.0, abs=0.05)  # creeping waves and the cap's own depth
    # Small against it, half of it: free space.
    low = piston(0.01, speed_of_sound=C, sphere_radius=0.4).far(np.array([2.0]), np.zeros(1), np.zeros(1))[0, 0]
    assert low == pytest.approx(0.5, abs=0.02)


def test_levels_are_made_even_as_asked():
    driver = stored(sampled_piston())
    frequency = np.geomspace(400.0, 8000.0, 31)

    def alone(level):
        return heard([Way("w", driver, ((0.0, -0.2, 0.0),), level)], frequency, distance=3.0)

    axis = np.abs(alone("on_axis").own[0].on_axis) * 3.0
    assert axis == pytest.approx(np.ones(31), rel=1e-9)
    window = mean_square(alone("listening_window").window, np.ones((1, 31), dtype=complex))
    # The window is seen from the axis above the driver, its equaliser from the driver's own.
    assert power_db(window * 9.0) == pytest.approx(np.zeros(31), abs=0.3)
    assert np.ptp(np.abs(alone("nothing").taken)) == pytest.approx(0.0, abs=1e-12)


def test_a_way_whose_level_is_kept_is_scaled_by_the_mean_over_its_passband_with_both_ends():
    driver = stored(sampled_piston())
    frequency = np.array([500.0, 1000.0, 2000.0])
    whole = heard([Way("w", driver, ((0.0, 0.0, 0.0),), "on_axis")], frequency, distance=3.0).taken[0]
    way = Way("w", driver, ((0.0, 0.0, 0.0),), "nothing", passband=(500.0, 1000.0))
    kept = np.abs(heard([way], frequency, distance=3.0).taken[0])
    # The geometric mean of two, by hand; the third lies outside.
    assert kept == pytest.approx(np.full(3, np.sqrt(np.prod(np.abs(whole[:2])))), rel=1e-9)


def test_a_way_made_even_at_a_finite_distance_keeps_its_travel_and_nothing_else():
    frequency = np.geomspace(400.0, 8000.0, 31)
    own = heard([Way("w", stored(sampled_piston()), ((0.0, 0.0, 0.0),), "on_axis")], frequency, distance=3.0).own[0]
    # A point's spherical wave: rounding only.
    wanted = np.exp(-2j * np.pi * frequency / AIR.speed_of_sound * 3.0) / 3.0
    assert own.on_axis == pytest.approx(wanted, abs=1e-9)


def test_half_and_full_space_do_not_mix():
    ways = [Way("horn", piston(0.05, speed_of_sound=C), ((0.0, 0.0, 0.0),)), Way("woofer", POINT, ((0.0, -0.2, 0.0),))]
    with pytest.raises(ValueError, match="horn in an infinite baffle, woofer radiating all round"):
        heard(ways, FREQUENCY)


@pytest.mark.parametrize(
    ("size", "on_axis"),
    [(0.5, 0.7083555), (1.0, 3.035948), (2.0, 4.407200), (5.0, 5.455746)],
)
def test_baffle_step_is_that_of_a_point_on_a_sphere(size, on_axis):
    # Level on axis over a free source: series of Beranek and Mellow (2012), section 12.5, worked out with 30 digits.
    at = np.array([size * C / (2 * np.pi * 0.2)])
    assert on_axis_step(at, 0.2, speed_of_sound=C)[0] == pytest.approx(on_axis - 20 * np.log10(2.0), abs=1e-5)


def test_baffle_step_goes_from_6_db_to_nothing():
    low, high = np.array([1.0]), np.array([40e3])
    assert on_axis_step(low, 0.1, speed_of_sound=C)[0] == pytest.approx(-20 * np.log10(2.0), abs=1e-3)
    assert power_step(low, 0.1, speed_of_sound=C)[0] == pytest.approx(-10 * np.log10(2.0), abs=1e-3)
    assert on_axis_step(high, 0.1, speed_of_sound=C)[0] == pytest.approx(0.0, abs=0.1)  # kR = 73, creeping waves


def test_shelf_takes_the_baffle_step_back():
    step = baffle_step(0.3, 0.5, speed_of_sound=C)
    assert np.pi * step.radius**2 == pytest.approx(0.3 * 0.5)
    level = on_axis_step(np.array([step.half_way]), step.radius, speed_of_sound=C)[0]
    assert level == pytest.approx(-3.0, abs=0.05)  # 400 points over nearly three decades
    assert step.left < 0.5


def test_a_step_that_is_seen_in_part_only_has_no_shelf():
    at = np.geomspace(40.0, 4000.0, 200)
    whole = on_axis_step(at, 0.12, speed_of_sound=C)
    found = fitted(at, whole)
    assert found is not None
    assert found.radius is None
    low = int(np.searchsorted(at, 0.8 * found.half_way))
    assert fitted(at[low:], whole[low:]) is None
    assert fitted(at[:low], whole[:low]) is None
