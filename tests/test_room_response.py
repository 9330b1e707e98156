"""What seats hear: modes, decay, the join of early and late sound, the number for evenness, and what is refused."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pyroomacoustics
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.metrics import sound_power
from evenflare.room import paths as room_paths
from evenflare.room.arrivals import sounded
from evenflare.room.evenness import evenness_db
from evenflare.room.images import images
from evenflare.room.interference import added
from evenflare.room.paths import (
    counted_bands,
    fine_bands,
    heard,
    in_thirds,
    observed_bands,
    paths,
)
from evenflare.room.response import respond
from evenflare.room.room import Weather, decay, reverberation_time, tail_gain
from evenflare.units import DEGREE, REFERENCE_POWER, REFERENCE_PRESSURE, power_db
from room_shared import FREQUENCY, SIZE, forward, pattern, rising, room_of

SEATS = ((3.9, 1.4, 1.1), (2.9, 3.2, 1.1), (5.0, 0.9, 1.2), (4.6, 3.4, 1.7))
DRY = Weather(temperature=293.15, humidity=0.0, pressure=101325.0)


def test_modal_peaks_of_a_nearly_rigid_room_lie_at_the_closed_form():
    size = (1.9, 1.4, 1.1)
    # From corner to corner every mode is heard. 36 orders last 0.13 s, so that a peak is some 5 Hz wide.
    room = room_of(0.02, size=size, at=(0.03, 0.03, 0.03), seats=((1.87, 1.37, 1.07),), order=36)
    orders = [n for n in itertools.product(range(3), repeat=3) if any(n)]
    speed = room.air.speed_of_sound
    modes = sorted(0.5 * speed * float(np.sqrt(np.sum((np.array(n) / size) ** 2))) for n in orders)[:6]
    source = pattern(frequency=np.geomspace(20.0, 18e3, 41))
    found, step = images(room, room.seats[0].position, order=room.order), 0.25
    nodes = np.geomspace(20.0, 18e3, 41)
    spectra = sounded(room, found, source, nodes).astype(complex)
    total = added(found.distance / speed, spectra, nodes, step=step, count=4 * round(modes[-1] + 10.0))
    for before, mode, after in zip([0.0, *modes], modes, modes[1:], strict=False):
        if min(mode - before, after - mode) < 12.0:
            continue  # two that run into one have no peak of their own
        at = step * np.arange(total.size)
        near = np.abs(at - mode) <= 6.0
        at, level = at[near], np.abs(total[near])
        peak = at[level.argmax()]
        assert at[0] < peak < at[-1]
        assert peak == pytest.approx(mode, rel=0.02)


@pytest.mark.parametrize(
    ("size", "absorption", "tail", "seconds"),
    [
        # A room of 240 m3 and 268 m2 with 64.1 m2 of absorption: 0.603 s and 0.527 s, worked example at
        # reuven.tools/tools/reverberation-time.
        ((10.0, 8.0, 3.0), 64.1 / 268.0, "sabine", 0.603),
        ((10.0, 8.0, 3.0), 64.1 / 268.0, "eyring", 0.527),
        # 10 by 5 by 4 m, walls 0.35, ceiling 0.60, floor 0.15: A = 42 + 30 + 7.5 m2, 0.161 V / A; numerical 3 of
        # "RT calculation" at slideshare.net/NehaPaliwal31/rt-calculationpdf.
        ((10.0, 5.0, 4.0), (0.35, 0.35, 0.35, 0.35, 0.15, 0.60), "sabine", 0.161 * 200.0 / 79.5),
    ],
)
def test_reverberation_time_of_worked_examples(size, absorption, tail, seconds):
    room = room_of(absorption, size=size, tail=tail)
    # 0.161 s/m is rounded, and the air, which they leave out, takes 0.1 m2 at 125 Hz: half a per cent.
    assert reverberation_time(room, [125.0])[0] == pytest.approx(seconds, rel=5e-3)


# The library takes Eyring's logarithm wall by wall (Millington): the same where all walls are alike.
@pytest.mark.parametrize(("tail", "absorption"), [("sabine", (0.2, 0.1, 0.4, 0.3, 0.6, 0.5)), ("eyring", (0.3,) * 6)])
def test_reverberation_time_is_that_of_a_room_acoustics_library(tail, absorption):
    names = ("west", "east", "south", "north", "floor", "ceiling")
    materials = pyroomacoustics.make_materials(**dict(zip(names, absorption, strict=True)))
    other = pyroomacoustics.ShoeBox(list(SIZE), fs=16000, materials=materials, max_order=1, air_absorption=False)
    room = room_of(absorption, tail=tail)
    wanted = other.rt60_theory(formula=tail) * other.c / room.air.speed_of_sound
    # The air takes 0.02 % at 50 Hz.
    assert reverberation_time(room, [50.0])[0] == pytest.approx(wanted, rel=1e-3)


def test_tail_adds_up_to_the_diffuse_field_of_the_source_whatever_the_order():
    room = room_of(0.25)
    at = np.array([1000.0])
    # 4 W / (c A) of energy: 16 pi / A of the mean square at 1 m. Eyring's exponent stands for the absorption.
    whole = 16.0 * np.pi / (room.areas.sum() * decay(room, at))
    shares = [tail_gain(room, at, order=k - 1) - tail_gain(room, at, order=k) for k in range(1, 200)]
    first = whole - tail_gain(room, at, order=0)
    assert first + sum(shares) == pytest.approx(whole, rel=1e-9)


@pytest.mark.parametrize("source", [pattern(), pattern(forward)], ids=["omnidirectional", "beam"])
def test_early_and_late_sound_join_without_a_gap(source):
    rooms = [room_of(0.2, seats=SEATS, yaw=30 * DEGREE, order=order) for order in (6, 9, 12, 16)]
    found = [respond(room, source) for room in rooms]
    total = [power_db(np.mean(10 ** (each.thirds.reflected / 10), axis=0))[each.counted] for each in found]
    # The whole changes little with the order at which images end: the tail takes over where they leave off. In a room
    # of these proportions the field is not diffuse, for which a dB is left.
    assert np.ptp(total, axis=0).max() < 1.0
    assert all(abs(each.join_db) < 1.5 for each in found)
    late = [np.mean(each.thirds.late[:, each.counted]) for each in found]
    assert late[0] - late[-1] > 6.0  # there was something to hand over


def test_late_sound_follows_the_sound_power_and_not_the_axis():
    room = room_of(0.2, seats=SEATS)
    loud, beam = pattern(), pattern(forward)
    found = [heard(paths(room, each.observation, counted_bands()), each).late for each in (loud, beam)]
    wanted = sound_power(beam)[0] / sound_power(loud)[0]
    assert found[1] / found[0] == pytest.approx(np.full_like(found[0], wanted), rel=1e-9)


def test_direct_level_is_that_of_the_distance_and_power_and_steady_state_are_given():
    room = room_of(1.0, weather=DRY, order=1)
    found = respond(room, pattern())
    far = np.linalg.norm(np.subtract(room.seats[0].position, room.source.position))
    level = power_db(1.0 / REFERENCE_PRESSURE**2) - 20 * np.log10(far)
    # Dry air takes up to 0.2 dB of 4 m at the top.
    assert found.thirds.direct[0, :10] == pytest.approx(np.full(10, level), abs=0.02)
    # Nothing comes back: steady state is direct sound.
    assert found.thirds.steady[0] == pytest.approx(found.thirds.direct[0], abs=1e-3)
    power = 4 * np.pi / (1.2041 * 343.2) / REFERENCE_POWER
    assert found.power == pytest.approx(np.full(found.power.size, power_db(power)), abs=0.01)
    # 12, 44 and 44 % of the same mean square at 1 m (weights of CTA-2034-A): rounding only.
    whole = power_db(1.0 / REFERENCE_PRESSURE**2)
    assert found.in_room == pytest.approx(np.full(found.power.size, whole), abs=1e-9)


def test_first_reflections_are_those_of_the_six_surfaces():
    room = room_of(0.36, seats=SEATS, order=9)
    once = respond(dataclasses.replace(room, order=1), pattern())
    wanted = power_db(np.mean(10 ** (once.thirds.early / 10), axis=0))
    assert respond(room, pattern()).first == pytest.approx(wanted, abs=1e-9)


def test_room_as_even_as_its_source_has_next_to_no_unevenness():
    near = room_of(0.2, seats=((1.6, 1.1, 1.0),), weather=DRY)
    # What is left is the air's loss at the top, in direct and reflected sound.
    assert evenness_db([near], pattern()) < 0.35
    assert evenness_db([near], rising(pattern(), 2.0)) > 1.0


@given(slope=st.floats(-6.0, 6.0), level=st.floats(-40.0, 40.0))
@settings(deadline=None, max_examples=10)
def test_a_response_common_to_all_directions_does_not_change_evenness(slope, level):
    room = room_of(0.2, seats=SEATS[:2], order=3)
    beam = rising(pattern(forward), -1.0)
    gain = 10 ** ((level + slope * np.log2(FREQUENCY / 1000.0)) / 20)
    shaped = dataclasses.replace(beam, pressure=beam.pressure * gain[:, None, None])
    # Inside a third the weight shifts by a slope, and the level between frequencies is not taken in dB.
    assert evenness_db([room], shaped) == pytest.approx(evenness_db([room], beam), abs=0.02)


def test_fine_bands_make_up_their_third_without_gap_or_overlap():
    thirds = counted_bands()
    middle = fine_bands(thirds).reshape(thirds.size, -1)
    # IEC 61260-1:2014, 5.5 (from memory): G = 10^0.3, edges half a band from the middle, here 1/48 and 1/6 octave.
    edge, end = 10.0 ** (0.3 / 48), 10.0 ** (0.3 / 6)
    assert middle[:, 0] / edge == pytest.approx(thirds / end, rel=1e-12)
    assert middle[:, -1] * edge == pytest.approx(thirds * end, rel=1e-12)
    assert middle[:, 1:] / edge == pytest.approx(middle[:, :-1] * edge, rel=1e-12)


def test_filter_weighs_every_24th():
    room, source = room_of(0.2, seats=SEATS, order=4), rising(pattern(forward), -1.0)
    fine = fine_bands(observed_bands(source))
    gain = np.where(fine > 1000.0, 4.0, 0.25)  # a step in the middle of the third at 1 kHz
    plain, filtered = respond(room, source), respond(room, source, filtering=gain)
    for name in ("direct", "early", "late", "reflected", "steady"):
        finely, thirds = getattr(plain.fine, name), getattr(filtered.thirds, name)
        assert getattr(filtered.fine, name) == pytest.approx(finely + power_db(gain), abs=1e-9)
        assert thirds == pytest.approx(power_db(in_thirds(10 ** (0.1 * finely) * gain)), abs=1e-9)
    assert filtered.filter_db == pytest.approx(power_db(in_thirds(gain)))
    assert filtered.unfiltered.evenness == pytest.approx(plain.evenness, rel=1e-9)
    elsewhere = np.abs(np.log2(filtered.thirds.frequency / 1000.0)) > 0.1
    # The mean over all bands shifts by a twentieth of what the one with the step does, 1 dB.
    assert filtered.departure[elsewhere] == pytest.approx(plain.departure[elsewhere], abs=0.1)
    for name in ("direct", "first", "power", "evenness"):
        assert getattr(filtered.unfiltered, name) == pytest.approx(getattr(plain, name), abs=1e-9)


def test_means_are_taken_over_what_is_observed_of_the_counted_bands():
    high = pattern(frequency=np.geomspace(800.0, 18e3, 31))
    found = respond(room_of(), high)
    # 800 Hz is nominal for 794.
    assert found.thirds.frequency[found.counted][[0, -1]] == pytest.approx([794.3, 15849.0], rel=1e-4)


def test_images_and_absorption_are_worked_out_once_for_all_candidates(monkeypatch):
    room = room_of(0.21, seats=SEATS, order=5)
    first = evenness_db([room], pattern(forward))
    monkeypatch.setattr(room_paths, "images", lambda *_, **__: pytest.fail("worked out again"))
    assert evenness_db([dataclasses.replace(room)], pattern(forward)) == first
    assert evenness_db([room], pattern()) != first


def test_half_space_is_refused_with_the_remedy():
    flush = pattern(half_space=True)
    for ask in (lambda: respond(room_of(), flush), lambda: evenness_db([room_of()], flush)):
        with pytest.raises(
            ValueError, match='infinite baffle.*kind = "cabinet".*"free_standing".*round_cabinet.*"sphere"'
        ):
            ask()


@pytest.mark.parametrize(
    ("frequency", "message"),
    [
        (np.geomspace(9000.0, 18e3, 9), "valid from 9000 to 1.8e.04 Hz: must cover two octaves"),
        (np.array([180.0, 400.0, 2000.0, 18e3]), "not valid between 2000 and 1.8e.04 Hz: must have a valid frequency"),
    ],
)
def test_too_little_is_refused(frequency, message):
    with pytest.raises(ValueError, match=message):
        respond(room_of(), pattern(frequency=frequency))


@pytest.mark.parametrize(
    "wrong", [{"absorption": 1.1}, {"absorption": -0.1}, {"seats": ((6.0, 1.0, 1.0),)}, {"order": -1}, {"seats": ()}]
)
def test_room_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="absorption must be|must be inside|a room has"):
        room_of(**wrong)
