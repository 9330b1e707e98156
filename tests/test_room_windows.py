"""Levels by time after the direct sound, and the early-to-late ratio: closed forms, and a room-acoustics library."""

from __future__ import annotations

import itertools

import numpy as np
import pyroomacoustics
import pytest

from evenflare.room.evenness import balance
from evenflare.room.reflections import LEAST_LISTED, OCTAVES, WITHIN, heard_from, seat_reflections
from evenflare.room.response import respond
from evenflare.room.room import Weather, air_attenuation, reverberation_time
from evenflare.room.windows import EARLY, EDGES, octave_mean, time_windows
from evenflare.units import DEGREE
from room_shared import AT, SEAT, SIZE, forward, pattern, rising, room_of

DRY = Weather(temperature=293.15, humidity=0.0, pressure=101325.0)


def test_windows_add_up_to_what_is_reflected():
    source = rising(pattern(forward), -1.0)
    room = room_of(0.2, seats=(SEAT, (2.9, 3.2, 1.1)), yaw=20 * DEGREE, order=4)
    heard = respond(room, source)
    square = heard.windows.square
    level = 10.0 * np.log10(square[1:].sum(axis=0) / square[0])
    assert level == pytest.approx(heard.thirds.reflected - heard.thirds.direct, abs=1e-9)
    early = 10.0 * np.log10(square[:EARLY].sum(axis=0) / square[EARLY:].sum(axis=0))
    assert heard.windows.clarity == pytest.approx(early, abs=1e-12)


def test_windows_of_images_are_those_of_a_room_acoustics_library():
    """Equal walls, a source that sends the same everywhere: the library's images by their own delay and damping."""
    materials = pyroomacoustics.Material(0.3)
    other = pyroomacoustics.ShoeBox(list(SIZE), fs=16000, materials=materials, max_order=8, air_absorption=False)
    other.add_source(list(AT))
    other.add_microphone(list(SEAT))
    other.image_source_model()
    distance = np.linalg.norm(other.sources[0].images.T - SEAT, axis=1)
    room = room_of(0.3, order=8, weather=DRY)
    after = (distance - distance.min()) / room.air.speed_of_sound
    power = (other.sources[0].damping[0] / distance) ** 2
    found = time_windows(room, pattern())
    at = int(np.abs(found.frequency - 200.0).argmin())
    # Eight and a half mean free paths of 1.6 m are 42 ms: only the tail is later than 80 ms, and until 20 ms it is not
    # there. Dry air takes 0.01 dB of 30 m at 200 Hz.
    loss = np.exp(-air_attenuation(room, found.frequency[[at]])[0] * distance)
    for place, (low, high) in enumerate(itertools.pairwise(EDGES[:3]), start=1):
        inside = (after >= low) & (after < high) & (distance > distance.min())
        assert found.square[place, 0, at] == pytest.approx(np.sum((power * loss)[inside]), rel=1e-4)


def test_tail_dies_as_the_formula_says_and_gives_its_early_to_late_ratio():
    """Without images all reflected sound is the tail, which falls by 60 dB in the reverberation time:
    C50 = 10 lg((direct + 1 - q) / q), with q what is left after 50 ms."""
    room = room_of(0.25, order=0)
    found = time_windows(room, pattern())
    tail = found.square[1:, 0].sum(axis=0)
    # Half a mean free path is over before the direct sound is there: then it begins.
    assert 0.5 * room.mean_free_path < np.linalg.norm(np.subtract(SEAT, AT))
    assert 10.0 * np.log10(tail) == pytest.approx(
        10.0 * np.log10(found.square[0, 0]) + balance(room, pattern()).level[0], abs=1e-9
    )
    slope = 6.0 * np.log(10.0)
    for place, (low, high) in enumerate(itertools.pairwise(EDGES), start=1):
        # Up to 5 kHz, where the air changes the reverberation time little within a third.
        time = reverberation_time(room, found.frequency[:15])
        left = [np.exp(-slope * edge / time) for edge in (low, high)]
        assert found.square[place, 0, :15] / tail[:15] == pytest.approx(left[0] - left[1], rel=2e-3)
    left = np.exp(-slope * 0.050 / reverberation_time(room, found.frequency))
    wanted = 10.0 * np.log10((found.square[0, 0] / tail + 1.0 - left) / left)
    assert found.clarity[0] == pytest.approx(wanted, abs=0.1)
    octaves = [octave_mean(found.frequency, found.clarity, each)[0] for each in (500.0, 1000.0, 2000.0, 4000.0)]
    assert found.clarity_by_seat == pytest.approx([np.mean(octaves)], rel=1e-12)


def test_filter_leaves_the_early_to_late_ratio_where_it_is():
    source, room = rising(pattern(forward), -1.0), room_of(0.2, order=3)
    plain = time_windows(room, source)
    filtered = time_windows(room, source, filtering=np.full(8 * plain.frequency.size, 0.01))
    assert filtered.clarity == pytest.approx(plain.clarity, abs=1e-9)
    assert filtered.levels["direct"] == pytest.approx(plain.levels["direct"] - 20.0, abs=1e-9)


def test_first_reflections_are_listed_in_time_with_levels_re_the_direct_sound():
    room = room_of(0.36, order=3, weather=DRY)
    found = seat_reflections(room, SEAT, pattern(), within=balance(room, pattern()))
    assert found.after[0] == 0.0
    assert np.all(np.diff(found.after) >= 0.0)
    assert np.all(found.after <= WITHIN)
    assert found.arrivals.order.tolist()[0] == 0
    far = found.arrivals.distance
    wanted = 20.0 * np.log10(far[0] / far) + 10.0 * np.log10(1.0 - 0.36) * found.arrivals.order
    # Dry air takes up to 0.1 dB more of the longer way at the top, and less in the octave at 500 Hz.
    assert found.level == pytest.approx(wanted, abs=0.1)
    assert found.octaves[:, OCTAVES.index(500.0)] == pytest.approx(wanted, abs=0.01)


def test_at_least_six_are_listed_where_all_come_late():
    hall = room_of(0.3, size=(60.0, 40.0, 25.0), at=(30.0, 20.0, 12.0), seats=((33.0, 20.0, 12.0),), order=2)
    found = seat_reflections(hall, hall.seats[0].position, pattern(), within=balance(hall, pattern()))
    assert found.after.size == 1 + LEAST_LISTED
    assert found.after[1] > WITHIN


def test_directions_are_told_as_a_listener_sees_them_who_faces_the_source():
    # The source lies along x from here; then y is to the left, seen from above.
    ahead, left, above, behind = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.6, 0.0, 0.8), (-1.0, 0.0, 0.0)
    azimuth, elevation = heard_from(np.array([ahead, left, above, behind]))
    assert azimuth[:3] / DEGREE == pytest.approx([0.0, -90.0, 0.0], abs=1e-9)
    assert abs(azimuth[3]) / DEGREE == pytest.approx(180.0)
    assert elevation == pytest.approx([0.0, 0.0, np.arcsin(0.8), 0.0], abs=1e-12)
    # Facing along y, what lies along x is to the right.
    assert heard_from(np.array([left, ahead]))[0] / DEGREE == pytest.approx([0.0, 90.0], abs=1e-9)
