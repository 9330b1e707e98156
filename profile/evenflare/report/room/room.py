"""The page of designs in a room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import sheet
from evenflare.report.room import words
from evenflare.room.arrivals import met_words
from evenflare.room.windows import octave_mean
from evenflare.studies.seats import MATTERS, DesignInRoom, matters, shared_band, thirds_in, trend
from evenflare.words import band_name, hertz, signed, spoken

OCTAVES = (250.0, 1000.0, 4000.0)
"""Hz, bands for which a seat's direct-to-reverberant ratio is said."""


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
            [
                f"The room: {words.room_words(designs[0].response.room)}.",
                *(f"{line}." for line in words.evener_words(designs)),
                *_lines_by_design(designs),
            ],
            pictures=[pictures["direct_and_reflected.png"]],
        ),
        sheet.PageSection(
            "The standard's estimate",
            [
                "The standard weighs listening window, early reflections and sound power alike for every room; this is"
                " one room, with its own walls, source and seats.",
                *(f"{_of(each, designs)}{words.parting_words(each.response)}." for each in designs),
            ],
            pictures=[pictures["in_room.png"]],
        ),
        _seats_part(designs, [pictures["seats.png"]]),
        _time_part(designs, [pictures["arrivals.png"], pictures["in_time.png"]]),
        *more,
        sheet.PageSection(
            "How it is worked out",
            [
                "Every image sends what the source itself sends in the mirrored direction, in both planes; a wall"
                " leaves the square root of 1 less its absorption of the pressure, whatever the angle; air absorbs"
                " after ISO 9613-1.",
                "Early and late sound are sums of powers. The steady state adds direct and early sound as pressures,"
                " so that modes and combs show, and the tail by its power.",
                *(f"{_of(each, designs)}{words.join_words(each.response)}." for each in designs),
                "The number: reflected less direct level in third-octaves about each seat's mean, rms over seats and"
                " thirds. Behind filters a third counts in full down to 6 dB under the loudest third of the direct"
                " sound, and below that by its power; without filters every third does alike.",
                "Not in it: diffraction at furniture, scattering, absorption that depends on the angle. Below some 200"
                " Hz the levels of single modes are rough.",
            ],
        ),
    ]
    title = " and ".join(each.name for each in designs) + f" in {designs[0].response.room.name}"
    return sheet.sheet(title, what, parts=parts, written=written, command=command, warnings=words.warnings(designs))


WORDS = {
    "what_matters.png": (
        "Direct sound, first reflections and sound power, before and after the filters.",
        "Mean over the seats, each curve re its own mean. A filter shifts all three alike: where they run apart, only"
        " another waveguide helps.",
    ),
    "direct_and_reflected.png": (
        "Direct level, reflected level, and their difference about its mean, at every seat.",
        "The flatter the lowest row, the more the room sounds like the loudspeaker itself. Under the veil: thirds that"
        " count less than half.",
    ),
    "in_room.png": (
        "Steady state, mean over the seats and their spread, beside the standard's estimate; their difference.",
        "Each curve re its own mean. Shaded: one standard deviation between the seats.",
    ),
    "seats.png": (
        "Direct, early, late and steady-state level at each seat.",
        "Levels re 20 µPa for the drive of the directivity, with the filters.",
    ),
    "arrivals.png": (
        "Where the first reflections of each seat come from, and when and how loud they arrive.",
        "In plan, from above: floor and ceiling, whose marks point down and up, lie on the direct sound's line. Levels"
        " re the direct sound, mean over what counts.",
    ),
    "in_time.png": (
        "Reflected sound by time after the direct sound, and the early-to-late ratio at every seat.",
        "Levels re the direct sound, mean over the seats. A filter leaves them where they are.",
    ),
}
"""By picture: what it shows, and how to read it."""


def _of(each: DesignInRoom, designs: Sequence[DesignInRoom]) -> str:
    """Whose a line is, where there are two."""
    return "" if len(designs) == 1 else f"{each.name}: "


def _lines_by_design(designs: Sequence[DesignInRoom]) -> list[str]:
    return [f"{_of(each, designs)}{line}." for each in designs for line in words.lines(each)[:2]]


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
            octaves = [octave_mean(response.thirds.frequency, ratio[place], f) for f in OCTAVES]
            rows.append(
                [
                    seat.name if len(designs) == 1 else f"{seat.name}, {each.name}",
                    f"{distance:.2f}",
                    signed(float(response.mean(ratio[place]))),
                    *(signed(float(value)) if np.isfinite(value) else "none" for value in octaves),
                    f"{response.balance.by_seat[place]:.2f}",
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


def _time_part(designs: Sequence[DesignInRoom], pictures: Sequence[sheet.Picture]) -> sheet.PageSection:
    head = ["Seat", "First reflection", "Loudest reflection", "C50, dB"]
    rows = []
    for place, seat in enumerate(designs[0].response.room.seats):
        for each in designs:
            found, clarity = each.response.reflections[place], each.response.windows.clarity_by_seat[place]
            rows.append(
                [
                    seat.name if len(designs) == 1 else f"{seat.name}, {each.name}",
                    *(
                        f"{met_words(found.arrivals.hits[at].tolist())}, {1e3 * found.after[at]:.1f} ms,"
                        f" {signed(found.level[at])} dB"
                        if found.after.size > at
                        else "none"
                        for at in (1, 1 + int(np.argmax(found.level[1:])) if found.after.size > 1 else 1)
                    ),
                    signed(clarity) if np.isfinite(clarity) else "none",
                ]
            )
    return sheet.PageSection(
        "Reflections in time",
        [
            "Times after the direct sound; levels re the direct sound.",
            "C50 is the energy of the direct sound and the 50 ms after it over that of all that follows.",
            *(f"{line}." for line in words.clarity_words(designs)),
        ],
        head,
        rows,
        pictures,
    )
