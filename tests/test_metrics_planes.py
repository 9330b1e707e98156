"""Metrics of what differs between its planes, against the elliptical piston in a baffle."""

from dataclasses import fields, replace

import numpy as np
import pytest

from ellipse import AIR, HALF_HEIGHT, HALF_WIDTH, elliptical_piston
from evenflare import metrics
from evenflare.closed_forms import elliptical_piston_index
from evenflare.directivity.types import Observation
from evenflare.units import DEGREE

SIZES = np.array([1.0, 3.0, 5.0, 10.0])
FREQUENCY = SIZES / HALF_WIDTH * AIR.speed_of_sound / (2 * np.pi)


def index_error(planes_deg, *, half_height=HALF_HEIGHT, step_deg=0.5):
    found = elliptical_piston(
        FREQUENCY, half_height=half_height, planes_deg=planes_deg, step_deg=step_deg, known_power=False
    )
    exact = elliptical_piston_index(SIZES / HALF_WIDTH, half_width=HALF_WIDTH, half_height=half_height)
    return metrics.directivity_index(found) - exact


def test_weights_of_three_planes_are_a_quarter_a_half_and_a_quarter():
    observation = elliptical_piston(FREQUENCY).observation
    for half_space, whole in ((False, 1.0), (True, 0.5)):
        weights = metrics.sphere_weights(observation, half_space=half_space).sum(axis=1)
        np.testing.assert_allclose(weights, whole * np.array([0.25, 0.5, 0.25]), rtol=1e-12)  # rounding


def test_three_planes_take_mean_squares_of_two_and_four_turns_exactly():
    # A square that goes with the azimuth as 1 + 0.4 cos 2f + 0.3 cos 4f has the mean 1; two planes take cos 4f for a
    # constant.
    def observed(planes):
        f = np.asarray(planes) * DEGREE
        square = 1 + 0.4 * np.cos(2 * f) + 0.3 * np.cos(4 * f)
        angles = np.arange(0, 181, 10) * DEGREE
        seen = Observation(FREQUENCY, angles, f, symmetry="two_planes")
        pressure = np.broadcast_to(np.sqrt(square)[None, :, None], seen.shape).astype(complex)
        whole = elliptical_piston(FREQUENCY, known_power=False)
        return metrics.sphere_mean_square(replace(whole, observation=seen, pressure=pressure, half_space=False))

    np.testing.assert_allclose(observed((0, 45, 90)), 1.0, rtol=1e-12)  # rounding
    np.testing.assert_allclose(observed((0, 90)), 1.3, rtol=1e-12)  # rounding


def test_index_from_seven_planes_is_the_closed_form():
    # Rings of 0.5 degrees leave 0.0005 dB on lobes of 45 of them (as of the round piston), planes of 15 degrees less.
    np.testing.assert_allclose(index_error(range(0, 91, 15)), 0.0, atol=0.001)


def test_index_from_three_planes_is_the_closed_form_but_for_what_turns_eight_times():
    # Three planes miss parts that go as cos 8f: at ratio 1.1 next to nothing (the bound is that of the rings); at 1.5
    # 0.053 dB at ka = 10, where horizontal and vertical pattern have moved apart by most of a lobe.
    np.testing.assert_allclose(index_error((0, 45, 90), half_height=HALF_WIDTH / 1.1), 0.0, atol=0.001)
    three, two = index_error((0, 45, 90)), index_error((0, 90))
    assert np.max(np.abs(three)) < 0.06
    assert np.max(np.abs(two)) > 0.5  # without the diagonal plane


@pytest.mark.parametrize(("plane", "half_size"), [(0.0, HALF_WIDTH), (0.5 * np.pi, HALF_HEIGHT)])
def test_beamwidth_of_each_plane(plane, half_size):
    # Full angle at -6 dB of round pistons of ka 3, 5 and 10, solved elsewhere; an ellipse has it in the plane of the
    # semi-axis that measures so.
    sizes, widths = np.array([3.0, 5.0, 10.0]), [94.99737, 52.50874, 25.55653]
    found = elliptical_piston(sizes / half_size * AIR.speed_of_sound / (2 * np.pi), step_deg=0.5)
    # Straight in dB over 0.5 degrees of a level that bends by at most 0.02 dB/degree^2 at 0.5 dB/degree: 0.003 degrees.
    np.testing.assert_allclose(metrics.beamwidth(found, plane=plane) / DEGREE, widths, atol=0.01)


def test_beamwidth_on_the_diagonal_is_that_of_the_reach_there():
    # An ellipse reaches sqrt((a^2 + b^2) / 2) across the diagonal plane.
    half_size = np.sqrt(0.5 * (HALF_WIDTH**2 + HALF_HEIGHT**2))
    found = elliptical_piston(np.array([5.0]) / half_size * AIR.speed_of_sound / (2 * np.pi), step_deg=0.5)
    # Tolerance as of the planes.
    assert metrics.beamwidth(found, plane=0.25 * np.pi)[0] / DEGREE == pytest.approx(52.50874, abs=0.01)


def test_standard_curves_take_the_two_orbits_and_leave_the_diagonal():
    three, two = elliptical_piston(FREQUENCY), elliptical_piston(FREQUENCY, planes_deg=(0, 90))
    spoilt = replace(three, pressure=three.pressure * np.array([1.0, 9.0, 1.0])[:, None])
    for each in fields(metrics.StandardCurves):
        values = [getattr(metrics.standard_curves(found), each.name) for found in (two, three, spoilt)]
        np.testing.assert_array_equal(values[0], values[1])
        np.testing.assert_array_equal(values[0], values[2])


def test_standard_curves_by_hand():
    # The window's nine responses: the axis, 10 degrees up and down, 10, 20 and 30 to either side.
    found = elliptical_piston(FREQUENCY, step_deg=10.0)
    square = np.abs(found.pressure) ** 2
    window = (square[:, 0, 0] + 2 * square[:, 2, 1] + 2 * square[:, 0, 1:4].sum(axis=1)) / 9
    curves = metrics.standard_curves(found)
    np.testing.assert_allclose(curves.listening_window - curves.on_axis, 10 * np.log10(window), atol=1e-9)  # rounding
    # Two half-orbits of each plane share every shell; a baffle's 90 degrees carry half their weight.
    weights = metrics.standard_weights()[:10] * np.where(np.arange(10) == 9, 0.5, 1.0)
    both = 2 * (square[:, 0] + square[:, 2])[:, 1:10] @ weights[1:]
    whole = 2 * metrics.standard_weights()[0] + 4 * metrics.standard_weights()[1:18].sum()
    power = (weights[0] * square[:, 0, 0] + both) / whole
    np.testing.assert_allclose(curves.sound_power - curves.on_axis, 10 * np.log10(power), atol=1e-9)  # rounding
