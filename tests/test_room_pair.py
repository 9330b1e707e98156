"""Two loudspeakers: closed forms of point sources, and axes that cross in front of the seats."""

import dataclasses

import numpy as np
import pytest

from evenflare.room.pair import pair_heard
from evenflare.room.room import SourcePose, Weather
from evenflare.studies.pair import pair_in_room
from evenflare.units import DEGREE
from room_shared import forward, pattern, room_of

LEFT, RIGHT = (0.5, 3.05, 1.1), (0.5, 1.05, 1.1)
DRY = Weather(temperature=293.15, humidity=0.0, pressure=101325.0)
PLACES = np.array([[3.0, 2.05, 1.1], [3.0, 2.15, 1.1], [2.0, 1.0, 1.4]])


def pair_room(turned=0.0):
    room = room_of(0.2, at=LEFT, yaw=-turned, seats=[tuple(each) for each in PLACES.tolist()], weather=DRY)
    return dataclasses.replace(room, second=SourcePose(RIGHT, yaw=turned))


def test_levels_and_delays_of_point_sources_are_those_of_their_distances():
    room = pair_room()
    found = pair_heard(room, pattern(), PLACES)
    one, other = (np.linalg.norm(PLACES - np.array(at), axis=1) for at in (LEFT, RIGHT))
    np.testing.assert_allclose(found.later, (one - other) / room.air.speed_of_sound, atol=1e-12)  # rounding
    # Dry air takes less than 0.05 dB of a metre at the top.
    np.testing.assert_allclose(
        found.level, np.broadcast_to(20 * np.log10(other / one)[:, None], found.level.shape), atol=0.05
    )
    assert found.shift[0] == pytest.approx(0.0, abs=1e-9)  # rounding
    assert found.apart[0] == pytest.approx(2.0 * np.arctan2(1.0, 2.5), abs=1e-12)


def test_an_image_is_drawn_as_published():
    room = pair_room()
    # 0.14 m nearer the first: 0.41 ms earlier at 343 m/s, and louder by the distances.
    place = np.array([[3.0, 2.05 + 0.1, 1.1]])
    found = pair_heard(room, pattern(), place)
    one, other = (float(np.linalg.norm(place[0] - np.array(at))) for at in (LEFT, RIGHT))
    wanted = 0.078 * 20 * np.log10(other / one) + 0.133 * (other - one) / room.air.speed_of_sound / 1e-4
    assert found.shift[0] == pytest.approx(wanted, abs=0.005)  # air at the top


def test_axes_that_cross_in_front_hold_the_image_where_straight_ones_do_not():
    straight, crossed = (pair_in_room(pair_room(turned), pattern(forward)) for turned in (0.0, 50 * DEGREE))
    assert crossed.area > straight.area
    assert abs(crossed.seats.shift[1]) < abs(straight.seats.shift[1])
    assert crossed.holds[0]
    assert straight.holds[0]


def test_a_room_with_one_source_has_no_pair():
    with pytest.raises(ValueError, match="one source only"):
        pair_heard(room_of(0.2), pattern(), PLACES)
