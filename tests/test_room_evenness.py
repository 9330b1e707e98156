"""The room's one number: what counts in it, what the room itself brings, how far small moves scatter it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare.report.room import words
from evenflare.room.evenness import (
    MOVED_BY,
    MOVES,
    PLAYS,
    balance,
    by_power,
    evenness_db,
    evenness_of,
    missing,
    moved_rooms,
)
from evenflare.room.paths import counted_bands, fine_bands, observed_bands
from evenflare.room.response import respond
from evenflare.room.room import Weather
from evenflare.studies.any_room import DesignInRooms, spread, two_in_rooms
from evenflare.studies.seats import DesignInRoom, two_balances
from room_shared import FREQUENCY, forward, pattern, rising, room_of

SEATS = ((3.9, 1.4, 1.1), (2.9, 3.2, 1.1))
THIRDS = counted_bands()


def high_pass(frequency, crossover=1000.0):
    """Squared magnitude of a fourth-order Linkwitz-Riley high-pass: (x^4 / (1 + x^4))^2. Source: its definition."""
    x = (frequency / crossover) ** 4
    return (x / (1.0 + x)) ** 2


def uneven(where, db_per_octave):
    """A beam whose off-axis level runs away from the axis's on one side of 1 kHz alone."""
    plain = pattern(forward)
    bent = rising(plain, db_per_octave).pressure
    chosen = where(FREQUENCY)[:, None, None]
    return dataclasses.replace(plain, pressure=np.where(chosen, bent, plain.pressure))


@pytest.fixture(scope="module")
def room():
    return room_of(0.2, seats=SEATS, order=4)


@pytest.fixture(scope="module")
def sources():
    """Uneven where the filter has removed it, and uneven, but less, where it plays."""
    return uneven(lambda f: f < 500.0, -6.0), uneven(lambda f: f > 1100.0, -2.0)


def test_what_the_filter_removed_does_not_rank_the_evener_source_behind(room, sources):
    room = dataclasses.replace(room, weather=Weather(humidity=0.0))  # dry air takes least: the sources alone differ
    filtering = high_pass(fine_bands(observed_bands(sources[0])))
    even_above, even_below = (balance(room, each, filtering=filtering) for each in sources)
    assert even_above.evenness < 0.7 * even_below.evenness
    everywhere = [balance(room, each).evenness for each in sources]
    assert everywhere[0] > 2.0 * everywhere[1]  # so much does it matter
    found = two_balances(even_above, even_below)
    assert found.difference < 0.0
    assert found.telling
    # An octave above the crossover all thirds are within 6 dB of the loudest, two octaves below all are 40 dB under.
    assert np.all(even_below.weight[THIRDS > 1500.0] == 1.0)
    assert np.all(even_below.weight[THIRDS < 260.0] < 1e-3)


def test_number_is_the_weighted_rms_written_out(room, sources):
    filtering = high_pass(fine_bands(observed_bands(sources[1])))
    heard = respond(room, sources[1], filtering=filtering)
    direct = 10.0 ** (0.1 * heard.thirds.direct)
    mean = direct.mean(axis=0)
    # Full weight to 6 dB under the loudest third, below that by power.
    weight = np.minimum(1.0, mean / mean.max() * 10.0**0.6)
    squares = []
    for apart in heard.thirds.reflected - heard.thirds.direct:
        middle = np.sum(weight * apart) / weight.sum()
        squares.append(np.sum(weight * (apart - middle) ** 2) / weight.sum())
    assert heard.evenness == pytest.approx(np.sqrt(np.mean(squares)), rel=1e-9)
    assert heard.balance.by_seat == pytest.approx(np.sqrt(squares), rel=1e-9)


def test_a_filter_that_only_equalises_takes_nothing_out_of_the_count(room):
    source = pattern(forward)
    gain = 10.0 ** (0.1 * 2.5 * np.sin(np.log(fine_bands(observed_bands(source)))))
    assert np.all(balance(room, source, filtering=gain).weight == 1.0)


def test_levels_that_swing_by_one_decibel_are_one_decibel_uneven():
    level = np.where(np.arange(20) % 2 == 0, 1.0, -1.0) + np.array([[0.0], [8.0]])
    assert evenness_of(level, np.ones(20)) == pytest.approx(1.0, rel=1e-12)
    # What swings further counts nothing without weight, nor where nothing comes back.
    level[:, :4], level[0, 4:6] = 30.0, -300.0
    assert evenness_of(level, np.repeat([0.0, 1.0], [4, 16])) == pytest.approx(1.0, rel=1e-12)


def test_the_rooms_own_number_is_that_of_an_omnidirectional_source(room):
    assert balance(room, pattern(forward)).floor == pytest.approx(balance(room, pattern()).evenness, rel=1e-9)


def test_scatter_is_that_of_rooms_worked_out_whole_with_seats_and_source_moved(room):
    source = rising(pattern(forward), -1.0)
    moved = list(moved_rooms(room))
    assert len(moved) == MOVES
    steps = [np.subtract(one, room.source.position) for each in moved for one in [each.source.position]]
    assert np.linalg.norm(steps, axis=1) == pytest.approx(np.full(MOVES, MOVED_BY), rel=1e-9)
    # Evenly spread: the mean of the directions is small against one.
    assert np.linalg.norm(np.mean(steps, axis=0)) < 0.1 * MOVED_BY
    whole = [float(evenness_db([each], source)[0]) for each in moved]
    found = balance(room, source)
    # Reflections beyond the third stay where they were: they add next to nothing, a tenth of the scatter.
    assert evenness_of(found.moved, found.weight) == pytest.approx(whole, abs=0.3 * found.scatter)
    assert found.scatter == pytest.approx(np.std(whole, ddof=1), rel=0.15)


def test_seats_and_source_at_a_wall_move_away_from_it():
    tight = room_of(0.2, at=(0.03, 1.1, 1.0), seats=((5.57, 2.0, 2.47),), order=1)
    for each in moved_rooms(tight):
        for place in (each.source.position, each.seats[0].position):
            assert all(0.0 < at < side for at, side in zip(place, tight.size, strict=True))


def test_two_designs_no_further_apart_than_their_scatter_are_told_so(room):
    source = pattern(forward)
    once = balance(room, source)
    found = two_balances(once, balance(room, rising(source, 1e-5)))
    noisy = dataclasses.replace(found, moved=np.linspace(-0.1, 0.1, MOVES))
    assert not noisy.telling
    assert words.told_of_two(noisy, ["a", "b"]).startswith("Neither is evener where both play, 200 Hz to 16 kHz:")
    clear = dataclasses.replace(noisy, numbers=(1.44, 0.97))
    assert words.told_of_two(clear, ["a", "b"]).startswith(
        "Evener where both play, 200 Hz to 16 kHz: b, by 0.47 dB (0.97 against 1.44), more than"
    )


def test_several_rooms_at_once_are_each_of_them_alone(room):
    source = rising(pattern(forward), -1.0)
    rooms = (room, room_of(0.4, size=(8.0, 3.0, 2.4), seats=((6.0, 2.0, 1.2),), order=3), room_of(0.1, order=5))
    together = evenness_db(rooms, source, plays=(500.0, 16e3))
    alone = [balance(each, source, plays=(500.0, 16e3)).evenness for each in rooms]
    assert together == pytest.approx(alone, rel=1e-9)
    assert np.ptp(together) > 0.05  # they are not alike
    designs = [
        DesignInRooms(name, "", "", "", rooms, tuple(balance(each, own) for each in rooms))
        for name, own in (("tilted", source), ("straight", pattern(forward)))
    ]
    both = two_in_rooms(designs)
    numbers = np.array([[one.evenness for one in each.balances] for each in designs])
    assert both.differences == pytest.approx(numbers[0] - numbers[1], rel=1e-9)
    assert both.numbers == pytest.approx(tuple(numbers.mean(axis=1)), rel=1e-9)
    assert designs[0].worst == int(numbers[0].argmax())
    assert spread(numbers[0]) == pytest.approx(np.std(numbers[0], ddof=1))
    assert both.scatter == pytest.approx(np.sqrt(sum(each.scatter**2 for each in both.rooms)) / 3)


def test_what_is_played_but_not_observed_has_its_share_with_and_without_filters(room):
    high = pattern(forward, frequency=np.geomspace(900.0, 18e3, 31))
    found = balance(room, high)
    lacking, share = missing(found, plays=PLAYS, gain=None)
    assert lacking == pytest.approx(THIRDS[:7])  # 200 to 800 Hz
    assert share == pytest.approx(7 / 20)
    # Behind a high-pass of the fourth order at 1 kHz what lies below is 20 dB down at 500 Hz and less.
    filtering = high_pass(fine_bands(observed_bands(high)))
    behind = balance(room, high, filtering=filtering)
    _, share = missing(behind, plays=PLAYS, gain=high_pass)
    radiated = 10.0 * np.log10(high_pass(THIRDS))
    own = by_power(radiated - radiated.max())
    # The direct sound is even; of a third only the middle is looked at where nothing is observed.
    assert share == pytest.approx(own[:7].sum() / own.sum(), rel=0.1)
    assert share < 0.08
    assert missing(found, plays=(1000.0, 16e3), gain=None)[1] == 0.0


def test_band_of_play_that_leaves_too_little_is_refused(room):
    with pytest.raises(ValueError, match="4 thirds of an octave are valid where it plays, 8000 to 16000 Hz: must be 6"):
        balance(room, pattern(), plays=(8000.0, 16e3))
    with pytest.raises(ValueError, match="no third of an octave is valid from 200 to 300 Hz, where it plays"):
        evenness_db([room], pattern(frequency=np.geomspace(900.0, 18e3, 31)), plays=(200.0, 300.0))


def told(room) -> tuple[str, str]:
    """What is printed, and what is warned of."""
    design = DesignInRoom("box", "", "solved", "", (200.0, 16e3), respond(room, rising(pattern(forward), -1.0)))
    return ". ".join([words.room_words(room), *words.lines(design), words.join_words(design.response)]), ". ".join(
        words.warnings([design])
    )


@pytest.mark.parametrize(
    ("absorption", "order", "said", "warned"),
    [
        (1.0, 3, "Nothing comes back to the seats", "test: its surfaces absorb everything, so nothing comes back"),
        (0.0, 3, "Reflected less direct", "test: its surfaces absorb nothing at 200 Hz to 16 kHz, where the air alone"),
        (0.2, 0, "No image sources", "test: [reflections] order = 0 follows no reflection"),
        ([1.0] * 5 + [0.0], 3, "next to nothing", ""),
    ],
    ids=["absorbs all", "absorbs nothing", "no images", "one wall"],
)
def test_rooms_at_the_end_of_what_is_possible_are_told_in_words(absorption, order, said, warned):
    spoken, warning = told(room_of(absorption, order=order))
    assert said in spoken
    assert warned in warning
    assert bool(warning) == bool(warned)
    for text in (spoken, warning):
        assert not any(each in text.lower() for each in ("inf ", "inf.", "nan", "e-", "e+"))
        assert not any(len(each) > 6 and each.replace(".", "").isdigit() for each in text.split())


def test_thirds_in_which_nothing_comes_back_are_left_out_and_named():
    rows = tuple((0.2, 0.2, 1.0, 0.2, 0.2) for _ in range(6))
    frequency = (200.0, 900.0, 1000.0, 1100.0, 16e3)
    deaf = dataclasses.replace(room_of(0.2, order=3), absorption_frequency=frequency, absorption=rows)
    assert balance(deaf, rising(pattern(forward), -1.0)).evenness < 10.0
    rows = tuple((0.2, 1.0, 1.0, 0.2) for _ in range(6))
    frequency = (200.0, 850.0, 1200.0, 16e3)
    deaf = dataclasses.replace(deaf, absorption_frequency=frequency, absorption=rows)
    assert balance(deaf, rising(pattern(forward), -1.0)).evenness < 10.0
    assert words.room_warnings(deaf) == [
        "test: its surfaces absorb everything at 1 kHz, where nothing comes back: these thirds are left out. Lower an"
        " absorption of 1"
    ]
