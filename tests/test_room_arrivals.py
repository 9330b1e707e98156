"""What reaches a seat one after another: ways and angles in closed form, and the sum against the steady state."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.room.arrivals import arrivals, met_words, sounded, way
from evenflare.room.images import images
from evenflare.room.interference import added
from evenflare.room.room import SURFACES, air_attenuation
from evenflare.units import DEGREE
from room_shared import AT, SEAT, SIZE, forward, pattern, rising, room_of

BANDS = np.array([500.0, 4000.0])


def test_first_order_ways_levels_and_angles_are_those_of_mirrors():
    """A mirror at each surface: the image's place gives way, delay and angles; sines of both angles with the wall are
    alike (law of reflection)."""
    room = room_of(0.36, order=3)
    found = arrivals(room, SEAT, pattern(), frequency=BANDS, order=1)
    assert found.order.tolist() == [0, *[1] * 6]
    assert np.all(np.diff(found.delay) >= 0.0)
    loss = air_attenuation(room, BANDS)
    for place in range(1, 7):
        surface = int(found.hits[place].argmax())
        axis, wall = surface // 2, SIZE[surface // 2] * (surface % 2)
        image = np.array(AT)
        image[axis] = 2.0 * wall - image[axis]
        to_image = image - SEAT
        far = np.linalg.norm(to_image)
        assert found.distance[place] == pytest.approx(far, rel=1e-12)
        assert found.delay[place] == pytest.approx(far / room.air.speed_of_sound, rel=1e-12)
        assert found.arriving[place] == pytest.approx(to_image / far, abs=1e-12)
        # Reflected at the wall, what arrives has left with the component across the wall turned over.
        mirrored = -to_image / far
        mirrored[axis] *= -1.0
        assert found.leaving[place] == pytest.approx(mirrored, abs=1e-12)
        assert found.off_axis[place] == pytest.approx(np.arccos(mirrored[0]), abs=1e-9)
        corners, met = way(room, found.leaving[place], found.distance[place])
        assert met == [SURFACES[surface]]
        # It meets the wall where the line between seat and image crosses it.
        share = (wall - SEAT[axis]) / to_image[axis]
        assert corners == pytest.approx(np.array([AT, SEAT + share * to_image, SEAT]), abs=1e-9)
        # sqrt(1 - 0.36) = 0.8 of the pressure. Single precision.
        wanted = 0.8 / far * np.exp(-0.5 * loss * far)
        assert np.abs(found.pressure[place]) == pytest.approx(wanted, rel=1e-6)
        assert found.walls[place] * found.air[place] / far == pytest.approx(wanted, rel=1e-12)


def test_ways_of_any_order_end_at_the_seat_and_meet_the_surfaces_that_they_are_told_to():
    room = room_of(0.2, yaw=30 * DEGREE)
    found = arrivals(room, SEAT, pattern(), frequency=BANDS, order=3)
    for leaving, distance, hits in zip(found.leaving, found.distance, found.hits, strict=True):
        corners, met = way(room, leaving, distance)
        assert corners[-1] == pytest.approx(SEAT, abs=1e-9)
        assert np.linalg.norm(np.diff(corners, axis=0), axis=1).sum() == pytest.approx(distance, rel=1e-9)
        assert [met.count(surface) for surface in SURFACES] == hits.tolist()


def test_arrivals_added_as_pressures_are_the_tones_of_the_steady_state():
    room = room_of(0.2, yaw=20 * DEGREE, order=4)
    source = rising(pattern(forward), -1.0)
    found = arrivals(room, SEAT, source, frequency=BANDS)
    turned = found.pressure * np.exp(-2j * np.pi * np.outer(found.delay, BANDS))
    there = images(room, SEAT, order=room.order)
    spectra = sounded(room, there, source, BANDS).astype(complex)
    delay = there.distance / room.air.speed_of_sound
    wanted = added(delay, spectra, BANDS, step=BANDS[0], count=9)[[1, round(BANDS[1] / BANDS[0])]]
    # Single precision of some hundred parts.
    assert turned.sum(axis=0) == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize(
    ("hits", "words"),
    [
        ([0] * 6, "direct"),
        ([0, 0, 0, 0, 1, 0], "floor"),
        ([0, 1, 0, 0, 0, 2], "wall at x = length and 2 x ceiling"),
    ],
)
def test_surfaces_are_named(hits, words):
    assert met_words(hits) == words
