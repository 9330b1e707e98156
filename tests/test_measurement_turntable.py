"""Where a turntable's axis stood and where its 0 pointed, told from the readings and taken out of them."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.measurement.between_angles import at_angles, corrected
from evenflare.measurement.turntable import Alignment, align, lags, mirror_pairs
from evenflare.units import DEGREE, amplitude_db
from synthetic_rig import cap_on_sphere, driver, piston

SPEED = 340.0
DISTANCE = 2.0
FREQUENCY = np.geomspace(200.0, 12e3, 60)
ALL_ROUND = np.arange(-170, 181, 10) * DEGREE
FRONT = np.arange(-90, 91, 5) * DEGREE
SPHERE = cap_on_sphere(0.12, 0.5, SPEED)
PISTON = piston(0.08, SPEED)


def read(source, off_axis, *, angle=0.0, centre=(0.0, 0.0), noise=0.0, seed=1):
    """Pressure (A, F) as a rig would read it, travel on axis out; an error of `angle` rad, a centre off by x, z m."""
    noisy = np.random.default_rng(seed)
    rows = []
    for nominal in off_axis:
        true = nominal + angle
        across, ahead = DISTANCE * np.sin(true) - centre[0], DISTANCE * np.cos(true) - centre[1]
        path = np.hypot(across, ahead)
        seen = source(FREQUENCY, 0.0, float(np.arctan2(across, ahead)))
        rows.append(seen / path * np.exp(-2j * np.pi * FREQUENCY * (path - DISTANCE) / SPEED))
    found = np.array(rows)
    both = noisy.normal(size=(2, *found.shape))
    return found + noise * np.abs(found).max() * (both[0] + 1j * both[1])


def told(off_axis, pressure, **more) -> Alignment:
    usable = np.ones(FREQUENCY.size, dtype=bool)
    return align(
        off_axis, pressure, frequency=FREQUENCY, usable=usable, distance=DISTANCE, speed_of_sound=SPEED, **more
    )


@pytest.mark.parametrize("degrees", [-2.0, -0.5, 0.3, 1.5])
@pytest.mark.parametrize("lateral", [-6e-3, 0.0, 4e-3])
def test_offsets_of_a_sphere_all_round(degrees, lateral):
    found = told(ALL_ROUND, read(SPHERE, ALL_ROUND, angle=degrees * DEGREE, centre=(lateral, 0.0), noise=1e-3))
    # Ten degrees apart; what a cubic spline between them leaves.
    assert found.angle.value / DEGREE == pytest.approx(degrees, abs=0.05)
    assert found.lateral.value == pytest.approx(lateral, abs=0.3e-3)


@pytest.mark.parametrize(("degrees", "lateral"), [(0.8, 3e-3), (-1.0, -5e-3), (0.0, 0.0)])
def test_offsets_in_a_baffle(degrees, lateral):
    pressure = read(PISTON, FRONT, angle=degrees * DEGREE, centre=(lateral, 0.0), noise=1e-3)
    found = told(FRONT, pressure, half_space=True)
    assert found.angle.value / DEGREE == pytest.approx(degrees, abs=0.05)
    assert found.lateral.value == pytest.approx(lateral, abs=0.3e-3)
    assert found.angle.significant == (degrees != 0.0)


def test_readings_along_a_baffle_tell_nothing():
    """With the angle off, one of the two along the baffle is behind it: whatever stands in its file moves nothing."""
    pressure = read(PISTON, FRONT, angle=0.8 * DEGREE, centre=(3e-3, 0.0), noise=1e-3)
    behind = pressure.copy()
    behind[-1] *= 1e-3
    assert told(FRONT, behind, half_space=True) == told(FRONT, pressure, half_space=True)


def test_each_mirrored_pair_says_it_by_itself():
    found = told(ALL_ROUND, read(SPHERE, ALL_ROUND, angle=1.5 * DEGREE, centre=(4e-3, 0.0), noise=1e-3))
    front = found.pairs.off_axis < 100 * DEGREE
    assert front.sum() >= 5
    # Noise of -60 dB, a spline over ten degrees.
    assert found.pairs.angle[front] / DEGREE == pytest.approx(1.5, abs=0.2)
    assert found.pairs.lateral[front] == pytest.approx(4e-3, abs=0.5e-3)


def test_stated_errors_hold_the_truth():
    """Of 20 seeded runs with noise at -40 dB, angle and place within three standard errors."""
    truth = 0.4 * DEGREE, 2e-3
    runs = [
        told(ALL_ROUND, read(SPHERE, ALL_ROUND, angle=truth[0], centre=(truth[1], 0.0), noise=0.01, seed=seed))
        for seed in range(20)
    ]
    for name, value, floor in (("angle", truth[0], 0.02 * DEGREE), ("lateral", truth[1], 0.1e-3)):
        inside = [
            abs(getattr(run, name).value - value) < 3.0 * getattr(run, name).error + floor  # the spline's share
            for run in runs
        ]
        assert sum(inside) >= 19


def test_offsets_are_taken_out():
    truth = read(SPHERE, ALL_ROUND)
    pressure = read(SPHERE, ALL_ROUND, angle=1.0 * DEGREE, centre=(4e-3, 0.0))
    found = told(ALL_ROUND, pressure)
    angle, lateral = found.corrected
    moved = corrected(
        ALL_ROUND,
        pressure,
        frequency=FREQUENCY,
        angle=angle,
        lateral=lateral,
        distance=DISTANCE,
        speed_of_sound=SPEED,
    )
    fine = FREQUENCY < 0.5 * found.highest  # beyond, ten degrees are coarse for the spline
    loud = (amplitude_db(truth / truth[17]) > -20.0) & fine
    before, after = (np.abs(amplitude_db(each / truth))[loud] for each in (pressure, moved))
    assert before.max() > 0.4  # there is something to correct
    assert np.sqrt(np.mean(after**2)) < 0.2 * np.sqrt(np.mean(before**2))
    assert after.max() < 0.25


def test_one_wrong_file_moves_nothing_and_is_named():
    pressure = read(PISTON, FRONT, angle=0.6 * DEGREE, noise=1e-3)
    wrong = pressure.copy()
    at = int(np.argmin(np.abs(FRONT - 35 * DEGREE)))
    wrong[at] = pressure[int(np.argmin(np.abs(FRONT - 5 * DEGREE)))]
    found = told(FRONT, wrong, half_space=True)
    assert found.angle.value / DEGREE == pytest.approx(0.6, abs=0.1)  # the spline rings a little beside it
    assert (at, FRONT.size - 1 - at) in found.odd
    assert told(FRONT, pressure, half_space=True).odd == ()


def test_a_point_says_where_it_is_but_not_where_zero_is():
    def point(frequency, azimuth, off_axis):
        return driver(frequency)

    found = told(ALL_ROUND, read(point, ALL_ROUND, angle=1.0 * DEGREE, centre=(5e-3, 30e-3)))
    assert found.angle is None
    # An angle that is off turns the point's place ahead of the axis into one aside.
    assert found.lateral.value == pytest.approx(5e-3 - 30e-3 * DEGREE, abs=0.1e-3)
    assert found.along.value == pytest.approx(30e-3, abs=1e-3)


def test_nothing_is_told_from_one_side_or_without_symmetry():
    half = ALL_ROUND[ALL_ROUND > -1e-9]
    one_sided = told(half, read(SPHERE, half, angle=DEGREE))
    unlike = told(ALL_ROUND, read(SPHERE, ALL_ROUND, angle=DEGREE), mirrored=False)
    for found in (one_sided, unlike):
        assert found.angle is None
        assert found.lateral is None
        assert found.corrected == (0.0, 0.0)


def test_levels_alone_tell_the_angle():
    found = told(ALL_ROUND, np.abs(read(SPHERE, ALL_ROUND, angle=0.7 * DEGREE)).astype(complex), phase_known=False)
    assert found.angle.value / DEGREE == pytest.approx(0.7, abs=0.15)  # levels alone have kinks between the angles
    assert found.lateral is None


def test_pairs_leave_out_the_axis_and_straight_behind():
    pairs = mirror_pairs(np.array([-180, -90, -10, 0, 10, 20, 90, 180]) * DEGREE)
    assert pairs == [(4, 2), (6, 1)]


def test_lag_between_samples():
    first = driver(FREQUENCY)
    late = first * np.exp(-2j * np.pi * FREQUENCY * 123.4e-6)
    by, none = lags(first, np.stack([late, 0 * late]), frequency=FREQUENCY)
    assert by == pytest.approx(123.4e-6, abs=0.2e-6)  # a hundredth of a period
    assert none == 0.0
    assert lags(late, first[None], frequency=FREQUENCY) == pytest.approx(-123.4e-6, abs=0.2e-6)


def test_splines_go_all_round():
    values = np.stack([np.cos(ALL_ROUND), np.cos(3 * ALL_ROUND)], axis=1).astype(complex)
    wanted = np.array([-179.0, 3.0, 177.0]) * DEGREE
    found = at_angles(ALL_ROUND, values, wanted)
    np.testing.assert_allclose(found[:, 0], np.cos(wanted), atol=1e-5)  # (h w)^4 / 384 at 10 degrees
    np.testing.assert_allclose(found[:, 1], np.cos(3 * wanted), atol=5e-4)
