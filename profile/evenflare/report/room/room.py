"""Designs in a room in words, and their page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import sheet
from evenflare.room.paths import HIGHEST, LOWEST, SLACK, WIDER
from evenflare.room.response import RoomResponse
from evenflare.room.room import reverberation_time
from evenflare.studies.seats import MATTERS, DesignInRoom, matters, shared_band, thirds_in, trend
from evenflare.units import FloatArray
from evenflare.words import band_name, hertz, signed, spoken

PARTING = 2.0
"""dB between this room and the standard's estimate, from which on they part."""
OCTAVES = (250.0, 1000.0, 4000.0)
"""Hz, bands for which a seat's direct-to-reverberant ratio is said."""


def counted_words(response: RoomResponse) -> str:
    """The band over which means are taken."""
    counted = response.thirds.frequency[response.counted]
    return f"{band_name(counted[0])} to {band_name(counted[-1])}"


def room_words(response: RoomResponse) -> str:
    """The room, in words."""
    room = response.room
    size = " by ".join(f"{side:g}" for side in room.size)
    time = reverberation_time(room, [250.0, 1000.0, 4000.0])
    return (
        f"{room.name}, {size} m: image sources to order {room.order}, then a diffuse tail after"
        f" {room.tail.capitalize()}; reverberation time {time[0]:.2f} s at 250 Hz, {time[1]:.2f} s at 1 kHz,"
        f" {time[2]:.2f} s at 4 kHz"
    )


def evenness_words(response: RoomResponse) -> str:
    """The one number, and where there is a filter, what it is without."""
    filtered = bool(np.any(response.filter_db))
    return (
        f"Reflected less direct level: {response.evenness:.2f} dB rms about each seat's mean, third-octaves"
        f" {counted_words(response)}"
        + (f", behind the filters; {response.unfiltered.evenness:.2f} dB without" if filtered else "")
    )


def ratio_words(response: RoomResponse) -> str:
    """Direct-to-reverberant ratio and spread of the seats."""
    mean = response.thirds.direct_to_reverberant[:, response.counted].mean(axis=1)
    spread = np.sqrt(np.mean(response.spread[response.counted] ** 2))
    return (
        f"Direct-to-reverberant ratio {signed(mean.min())} to {signed(mean.max())} dB over the seats; their steady"
        f" states differ by {spread:.2f} dB rms, each less its mean"
    )


def parting_words(response: RoomResponse) -> str:
    """Where this room and the standard's estimate part."""
    thirds, apart = response.thirds.frequency, response.departure
    far = np.abs(apart) >= PARTING
    runs = [run for run in np.split(np.arange(far.size), np.flatnonzero(np.diff(far)) + 1) if far[run[0]]]
    if not runs:
        return f"The standard's estimated in-room response is within {PARTING:g} dB everywhere"
    places = []
    for run in runs:
        ends, worst = [band_name(thirds[place]) for place in run[[0, -1]]], run[np.abs(apart[run]).argmax()]
        level = signed(apart[worst])
        if run.size == 1:
            places.append(f"{ends[0]} ({level} dB)")
        else:
            places.append(f"{ends[0]} to {ends[1]} ({level} dB at {band_name(thirds[worst])})")
    return f"Parts from the standard's estimate by {PARTING:g} dB or more at {', '.join(places)}"


def join_words(response: RoomResponse) -> str:
    """How image sources and tail meet."""
    if response.join_db is None:
        return "No image sources: all reflected sound is the tail"
    return (
        f"The last order of images brings {signed(response.join_db)} dB against what the tail's formula gives for it:"
        " 0 is a join without a step"
    )


def warnings(designs: Sequence[DesignInRoom]) -> list[str]:
    """What a reader of the numbers must know, without full stops."""
    found = []
    for each in designs:
        counted = each.response.thirds.frequency[each.response.counted]
        if counted[0] > LOWEST * SLACK or counted[-1] < HIGHEST / SLACK:
            found.append(
                f"{each.path}: its valid band leaves {counted_words(each.response)} to count instead of"
                f" {hertz(LOWEST)} to {hertz(HIGHEST)}. {WIDER}"
            )
        if each.response.join_db is not None and abs(each.response.join_db) > 3.0:
            found.append(
                f"{each.name}: {join_words(each.response)}. The room's field is far from diffuse: absorption lies on"
                " few surfaces. Raise [reflections] order, so that less is left to the tail"
            )
    return found


def lines(each: DesignInRoom) -> list[str]:
    """What was found of a design, a sentence each without its full stop."""
    response = each.response
    return [evenness_words(response), ratio_words(response), parting_words(response)]


def page(
    designs: Sequence[DesignInRoom],
    drawn: Mapping[str, Any],
    *,
    shown: Mapping[str, bytes],
    what: str,
    written: Sequence[tuple[str, str]],
    command: str,
    more: Sequence[sheet.PageSection] = (),
) -> str:
    """The page, with the pictures of `room_figures.pictures`, and each as the bytes of its file.

    more : sections of what else is in the room.
    """
    pictures = {
        name: sheet.picture_of(figure, shown[name], alt=WORDS[name][0], caption=WORDS[name][1])
        for name, figure in drawn.items()
        if name in WORDS
    }
    parts = [
        _matters_part(designs, [pictures["what_matters.png"]]),
        sheet.PageSection(
            "In this room",
            [f"The room: {room_words(designs[0].response)}.", *_lines_by_design(designs)],
            pictures=[pictures["direct_and_reflected.png"]],
        ),
        sheet.PageSection(
            "The standard's estimate",
            [
                "The standard weighs listening window, early reflections and sound power alike for every room; this is"
                " one room, with its own walls, source and seats.",
                *(f"{_of(each, designs)}{parting_words(each.response)}." for each in designs),
            ],
            pictures=[pictures["in_room.png"]],
        ),
        _seats_part(designs, [pictures["seats.png"]]),
        *more,
        sheet.PageSection(
            "How it is worked out",
            [
                "Every image sends what the source itself sends in the mirrored direction, in both planes; a wall"
                " leaves the square root of 1 less its absorption of the pressure, whatever the angle; air absorbs"
                " after ISO 9613-1.",
                "Early and late sound are sums of powers. The steady state adds direct and early sound as pressures,"
                " so that modes and combs show, and the tail by its power.",
                *(f"{_of(each, designs)}{join_words(each.response)}." for each in designs),
                "Not in it: diffraction at furniture, scattering, absorption that depends on the angle. Below some 200"
                " Hz the levels of single modes are rough.",
            ],
        ),
    ]
    title = " and ".join(each.name for each in designs) + f" in {designs[0].response.room.name}"
    return sheet.sheet(title, what, parts=parts, written=written, command=command, warnings=warnings(designs))


WORDS = {
    "what_matters.png": (
        "Direct sound, first reflections and sound power, before and after the filters.",
        "Mean over the seats, each curve re its own mean. A filter shifts all three alike: where they run apart, only"
        " another waveguide helps.",
    ),
    "direct_and_reflected.png": (
        "Direct level, reflected level, and their difference about its mean, at every seat.",
        "The flatter the lowest row, the more the room sounds like the loudspeaker itself.",
    ),
    "in_room.png": (
        "Steady state, mean over the seats and their spread, beside the standard's estimate; their difference.",
        "Each curve re its own mean. Shaded: one standard deviation between the seats.",
    ),
    "seats.png": (
        "Direct, early, late and steady-state level at each seat.",
        "Levels re 20 µPa for the drive of the directivity, with the filters.",
    ),
}
"""By picture: what it shows, and how to read it."""


def _of(each: DesignInRoom, designs: Sequence[DesignInRoom]) -> str:
    """Whose a line is, where there are two."""
    return "" if len(designs) == 1 else f"{each.name}: "


def _lines_by_design(designs: Sequence[DesignInRoom]) -> list[str]:
    return [f"{_of(each, designs)}{line}." for each in designs for line in lines(each)[:2]]


def _matters_part(designs: Sequence[DesignInRoom], pictures: Sequence[sheet.Picture]) -> sheet.PageSection:
    band = shared_band(designs)
    thirds = designs[0].response.thirds.frequency
    used = thirds[thirds_in(thirds, band)]
    head, cells = ["Curve"], {f"{spoken(name)}, {what}": [] for name in MATTERS for what in TRENDS}  # type: ignore[var-annotated]
    for each in designs:
        whens = [(False, "before"), (True, "after")] if each.filters else [(False, "")]
        for filtered, when in whens:
            head.append(f"{each.name}, {when}" if when else each.name)
            for name, level in matters(each.response, filtered=filtered).items():
                found = trend(each.response.thirds.frequency, level, band)
                for what, value in zip(TRENDS, found, strict=True):
                    cells[f"{spoken(name)}, {what}"].append(signed(value) if what == TRENDS[0] else f"{value:.2f}")
    filters = [f"Filters of {each.name}: {each.filters or 'none'}." for each in designs]
    return sheet.PageSection(
        "What matters",
        [
            "Match what was heard to a curve: a tone that is off on every seat is in the direct sound; one that is off"
            " from the side, or sounds detached, is in the first reflections; one that fills the room is in the power.",
            f"Slopes and ripple over {band_name(used[0])} to {band_name(used[-1])}; ripple is the rms deviation from"
            " the slope, in third-octaves.",
            *filters,
        ],
        head,
        [(name, *values) for name, values in cells.items()],
        pictures,
    )


TRENDS = ("slope in dB per octave", "ripple in dB")


def _seats_part(designs: Sequence[DesignInRoom], pictures: Sequence[sheet.Picture]) -> sheet.PageSection:
    room = designs[0].response.room
    head = ["Seat", "Distance, m", "Direct less reflected, dB", *(f"at {hertz(f)}" for f in OCTAVES), "Unevenness, dB"]
    rows: list[list[str]] = []
    for place, seat in enumerate(room.seats):
        distance = np.linalg.norm(np.subtract(seat.position, room.source.position))
        for each in designs:
            response = each.response
            ratio = response.thirds.direct_to_reverberant
            octaves = [_octave(response, ratio, f) for f in OCTAVES]
            rows.append(
                [
                    seat.name if len(designs) == 1 else f"{seat.name}, {each.name}",
                    f"{distance:.2f}",
                    signed(ratio[place, response.counted].mean()),
                    *("none" if values is None else signed(values[place]) for values in octaves),
                    f"{response.seat_evenness[place]:.2f}",
                ]
            )
    return sheet.PageSection(
        "Seat by seat",
        [
            "Direct less reflected: the mean over what counts, and in octaves. Unevenness: rms of the same difference"
            " about its mean.",
        ],
        head,
        rows,
        pictures,
    )


def _octave(response: RoomResponse, ratio: FloatArray, octave: float) -> FloatArray | None:
    """Mean (S,) of the three thirds of an octave, None where they were not observed."""
    near = np.abs(np.log2(response.thirds.frequency / octave)) < 0.4
    return ratio[:, near].mean(axis=1) if near.sum() == 3 else None
