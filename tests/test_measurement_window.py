"""What a place allows: reflection-free time, lowest frequency, far field, and the readings that a plan asks for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.air import absorption
from evenflare.measurement.plan import MeasuringPlace, angles_of, plan
from evenflare.measurement.window import (
    far_field_distance,
    far_field_limit,
    height_for,
    lowest_frequency,
    reflection_free_time,
    rim_lag,
)
from evenflare.units import CELSIUS_ZERO, DEGREE

SPEED = 343.2
"""m/s, of the worked values."""


@pytest.mark.parametrize(
    ("source", "microphone", "distance", "milliseconds", "hertz"),
    [
        # Image source, worked by hand: [hypot(x, hs + hm) - hypot(x, hs - hm)] / 343.2.
        (1.2, 1.2, 1.0, 4.66200, 214.500),
        (1.2, 1.2, 2.0, 3.27535, 305.311),
        (1.5, 1.5, 1.0, 6.30034, 158.722),
        (1.5, 1.5, 2.0, 4.67818, 213.758),
        (2.0, 2.0, 2.0, 7.20319, 138.827),
        (3.0, 3.0, 2.0, 12.6007, 79.3608),
        (5.0, 5.0, 3.0, 21.6792, 46.1271),
        (1.2, 0.9, 1.0, 3.73517, 267.725),
    ],
)
def test_time_until_the_ground_is_heard(source, microphone, distance, milliseconds, hertz):
    time = reflection_free_time(distance, source, microphone_height=microphone, speed_of_sound=SPEED)
    assert 1e3 * time == pytest.approx(milliseconds, rel=1e-5)  # six digits are printed
    assert lowest_frequency(time) == pytest.approx(hertz, rel=1e-5)


@pytest.mark.parametrize(("hertz", "distance", "height"), [(200, 2, 1.565939), (300, 2, 1.212924), (500, 1, 0.6789597)])
def test_height_that_a_lowest_frequency_takes(hertz, distance, height):
    found = float(height_for(hertz, distance, speed_of_sound=SPEED))
    assert found == pytest.approx(height, rel=1e-6)  # seven digits, worked by hand
    time = reflection_free_time(distance, found, microphone_height=found, speed_of_sound=SPEED)
    assert 1.0 / time == pytest.approx(hertz, rel=1e-12)  # the two are each other's inverse


def test_far_field_of_two_mouths():
    # 2 D^2 / lambda: D 0.4 m at 10 kHz, 0.3 m at 5 kHz, worked by hand.
    assert float(far_field_distance(0.4, 10e3, speed_of_sound=SPEED)) == pytest.approx(9.32401, rel=1e-6)
    assert float(far_field_distance(0.3, 5e3, speed_of_sound=SPEED)) == pytest.approx(2.62238, rel=1e-5)
    assert far_field_limit(0.4, 9.32401, speed_of_sound=SPEED) == pytest.approx(10e3, rel=1e-6)
    # Never nearer than a wavelength or the mouth's width.
    assert float(far_field_distance(0.1, 100.0, speed_of_sound=SPEED)) == pytest.approx(3.432)


@pytest.mark.parametrize(("distance", "degrees"), [(2.0, 104.634), (4.0, 52.4148), (9.324, 22.4974)])
def test_lag_of_the_rim(distance, degrees):
    lag = float(rim_lag(0.4, 10e3, distance=distance, speed_of_sound=SPEED)) / DEGREE
    assert lag == pytest.approx(degrees, rel=1e-5)  # geometry, worked by hand


@pytest.mark.parametrize("bad", [(0.0, 1.0, 1.0), (1.0, -1.0, 1.0), (1.0, 1.0, 0.0)])
def test_a_place_below_ground_is_refused(bad):
    with pytest.raises(ValueError, match="above 0"):
        reflection_free_time(bad[0], bad[1], microphone_height=bad[2], speed_of_sound=SPEED)


@settings(deadline=None)
@given(st.floats(0.1, 20.0), st.floats(0.1, 20.0), st.floats(0.2, 20.0))
def test_the_window_is_mirror_symmetric_and_opens_with_height(source, microphone, distance):
    def time(a: float, b: float) -> float:
        return reflection_free_time(distance, a, microphone_height=b, speed_of_sound=SPEED)

    assert time(source, microphone) == pytest.approx(time(microphone, source))  # sound runs both ways alike
    assert time(source + 0.1, microphone + 0.1) > time(source, microphone) > 0.0


def test_a_plan_holds_the_numbers_of_its_place():
    place = MeasuringPlace(2.0, 3.0, 3.0, mouth=0.24, temperature=CELSIUS_ZERO + 16, humidity=0.7)
    found = plan(place)
    speed = place.air.speed_of_sound
    assert found.free == found.ground == pytest.approx(12.6007e-3 * SPEED / speed, rel=1e-5)
    assert found.gate == pytest.approx(0.9 * found.free)
    assert found.lowest == pytest.approx(1.0 / found.gate)
    assert found.record > 2.0 / speed + found.gate  # the direct sound travels first
    assert found.readings == 72  # two orbits of 36
    lost = absorption([1e4], place.temperature, humidity=0.7) * 2.0
    assert found.loss[found.frequency == 1e4] == pytest.approx(lost)
    # The pattern of a mouth D changes over lambda / D: at the limit that is one step of 10 degrees.
    assert speed / found.angles_to / 0.24 == pytest.approx(10 * DEGREE)


def test_the_nearest_surface_counts():
    near = plan(MeasuringPlace(2.0, 3.0, 3.0, mouth=0.24, wall=1.2))
    assert near.free == near.wall == pytest.approx(3.27535e-3 * SPEED / near.place.air.speed_of_sound, rel=1e-5)
    far = plan(MeasuringPlace(2.0, 3.0, 3.0, mouth=0.24, wall=9.0))
    assert far.free == far.ground < far.wall


def test_heights_further_apart_than_the_distance_cannot_be():
    with pytest.raises(ValueError, match="difference of the heights"):
        plan(MeasuringPlace(2.0, 1.0, 4.0, mouth=0.24))


def test_whole_orbits_are_those_of_cta_2034_a():
    orbits = angles_of("none", step=10 * DEGREE)
    for angles in orbits.values():  # ANSI/CTA-2034-A: every 10 degrees all round, -180 being 180
        np.testing.assert_allclose(angles / DEGREE, np.arange(-170, 181, 10), atol=1e-9)
    both = {(round(a / DEGREE), plane) for plane, angles in orbits.items() for a in angles}
    poles = {(angle, "vertical") for angle in (0, 180)}
    assert len(both - poles) == 70  # the standard's number of responses


@pytest.mark.parametrize(
    ("symmetry", "baffle", "horizontal", "vertical"),
    [
        ("round", False, (0, 180, 19), None),
        ("two_planes", False, (0, 180, 19), (0, 180, 19)),
        ("left_right", False, (0, 180, 19), (-170, 180, 36)),
        ("none", True, (-90, 90, 19), (-90, 90, 19)),
        ("left_right", True, (0, 90, 10), (-90, 90, 19)),
    ],
)
def test_sides_that_the_symmetry_gives_are_spared(symmetry, baffle, horizontal, vertical):
    orbits = angles_of(symmetry, step=10 * DEGREE, baffle=baffle, spare=True)
    expected = {"horizontal": horizontal, **({} if vertical is None else {"vertical": vertical})}
    found = {name: (*np.round(a[[0, -1]] / DEGREE).astype(int).tolist(), a.size) for name, a in orbits.items()}
    assert found == expected
