"""The room's words, numbers, pictures and page."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare.report.kit import canvas
from evenflare.report.room import room, room_figures, words
from evenflare.room.paths import fine_bands, observed_bands
from evenflare.room.response import respond
from evenflare.studies import seats
from evenflare.studies.seats import DesignInRoom
from room_shared import forward, pattern, rising, room_of

SEATS = ((3.9, 1.4, 1.1), (2.9, 3.2, 1.1))
SOURCE = rising(pattern(forward), -1.0)


@pytest.fixture(scope="module")
def one() -> DesignInRoom:
    gain = 10 ** (0.1 * 3.0 * np.log2(fine_bands(observed_bands(SOURCE)) / 1000.0))
    response = respond(room_of(0.2, seats=SEATS, order=4), SOURCE, filtering=gain)
    return DesignInRoom("box <one>", "0123456789ab", "solved", "equaliser.json", (500.0, 8000.0), response)


@pytest.fixture(scope="module")
def other(one) -> DesignInRoom:
    return DesignInRoom("second", "", "measured", "", (200.0, 15849.0), respond(one.response.room, pattern(forward)))


def test_trend_is_that_of_a_straight_level():
    f = np.geomspace(200.0, 16e3, 20)
    level = -1.5 * np.log2(f) + 40.0
    assert seats.trend(f, level, (500.0, 8000.0)) == pytest.approx((-1.5, 0.0), abs=1e-9)


def test_filter_tilts_all_three_curves_by_its_own_slope(one):
    band = seats.shared_band([one])
    f = one.response.thirds.frequency
    after, before = (seats.matters(one.response, filtered=each) for each in (True, False))
    assert set(after) == set(seats.MATTERS)
    for name in after:
        tilt = seats.trend(f, after[name], band)[0] - seats.trend(f, before[name], band)[0]
        # The filter's own 3 dB per octave; inside a third it weighs the curve's own slope.
        assert tilt == pytest.approx(3.0, abs=0.03)


def test_shared_band_is_where_all_are_counted(one, other):
    assert seats.shared_band([one, other]) == (500.0, 8000.0)
    apart = dataclasses.replace(other, band=(9000.0, 16000.0))
    assert seats.shared_band([one, apart]) == (500.0, 8000.0)


def test_words_say_where_the_estimate_parts(one):
    response = one.response
    thirds, weight = response.thirds.frequency, response.balance.weight
    # The filter rises by 3 dB per octave: what it leaves too little of is not told.
    far = np.where(weight >= 0.5, np.abs(response.departure), 0.0)
    assert weight[0] < 0.5 <= weight[-1]
    found = words.parting_words(response)
    worst = int(far.argmax())
    if far[worst] >= words.PARTING:
        assert words.band_name(thirds[worst]) in found
    level = response.in_room - response.thirds.steady.mean(axis=0)
    same = dataclasses.replace(response, in_room=response.in_room - level)
    assert words.parting_words(same) == "The standard's estimated in-room response is within 2 dB wherever it plays"
    for at, place in (("8 kHz", -4), ("200 Hz", 0)):
        bent = response.in_room - level
        bent[place] -= 5.0
        told = f"at {at} ({words.signed(5.0 - 5.0 * weight[place] / weight.sum())} dB)"
        assert (told in words.parting_words(dataclasses.replace(response, in_room=bent))) == (at == "8 kHz")


@pytest.mark.parametrize(
    ("midband", "name"), [(199.526, "200 Hz"), (316.228, "315 Hz"), (1000.0, "1 kHz"), (15848.9, "16 kHz")]
)
def test_bands_have_their_nominal_names(midband, name):
    assert words.band_name(midband) == name


def test_page_holds_everything_and_asks_for_nothing(one, other, monkeypatch):
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")
    drawn = room_figures.pictures([one, other])
    page = room.page(
        [one, other],
        drawn,
        shown=dict.fromkeys(drawn, b"\x89PNG"),
        what="Two in a room.",
        written=[("room.json", "numbers")],
        command="evenflare room",
    )
    assert "box &lt;one&gt;" in page
    assert "<one>" not in page
    assert page.count("<img ") == len(drawn) == 6
    assert not {"http", "<script", "<link"} & {word for word in ("http", "<script", "<link") if word in page}
    for title in ("What matters", "In this room", "The standard's estimate", "Seat by seat", "Reflections in time"):
        assert title.replace("'", "&#39;") in page
    assert "box &lt;one&gt;, before</th>" in page
    assert "second, before" not in page  # it has no filters


@pytest.mark.parametrize("count", [1, 2])
def test_pictures_are_drawn_for_one_and_two(one, other, count):
    drawn = room_figures.pictures([one, other][:count])
    for name, figure in drawn.items():
        assert canvas.png(figure).startswith(b"\x89PNG")
        for axes in figure.axes:
            assert axes.get_lines(), name
            low, high = axes.get_ylim()
            assert np.isfinite([low, high]).all()
        assert len(figure.axes) % count == 0
    titles = [axes.get_title(loc="left") for axes in drawn["what_matters.png"].axes[:count]]
    assert titles == ([""] if count == 1 else ["box <one>", "second"])


def test_room_without_images_is_told(other):
    tail_only = respond(dataclasses.replace(other.response.room, order=0), pattern(forward))
    assert words.join_words(tail_only) == "No image sources: all reflected sound is the tail"
    (warned,) = words.warnings([dataclasses.replace(other, response=tail_only)])
    assert warned.startswith("test: [reflections] order = 0 follows no reflection: all reflected sound is the")


def test_poor_join_is_warned_of(other):
    poor = dataclasses.replace(other, response=dataclasses.replace(other.response, join_db=-5.0))
    assert "far from diffuse" in words.warnings([poor])[0]
