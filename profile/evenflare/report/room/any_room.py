"""Designs in several rooms: words, picture and page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import canvas, sheet, style
from evenflare.report.kit.letters import entry, lettered
from evenflare.report.room.by_design import legend_below
from evenflare.report.room.words import room_warnings, scatter_words, seconds, unknown_warnings
from evenflare.room.evenness import MOVED_BY
from evenflare.room.room import reverberation_time
from evenflare.studies.any_room import DesignInRooms, mean_of, spread, two_in_rooms
from evenflare.words import band_name, signed

PICTURE = "any_room.png"
LONGEST = 24
"""Characters of a room's name in the picture."""


def lines(designs: Sequence[DesignInRooms]) -> list[str]:
    """What was found, a sentence each without its full stop."""
    found = evener_line(designs)
    for each in designs:
        start = f"{each.name}: " if len(designs) > 1 else ""
        if not np.isfinite(each.numbers).any():
            found.append(f"{start}nothing comes back in any of the rooms")
            continue
        found.append(
            f"{start}Reflected less direct level: {each.mean:.2f} dB rms on the mean over {len(each.rooms)} rooms, at"
            f" worst {each.numbers[each.worst]:.2f} dB ({each.rooms[each.worst].name}), standard deviation from room to"
            f" room {spread(each.numbers):.2f} dB; an ideal omnidirectional source has {mean_of(each.floors):.2f} dB"
            " on the mean"
        )
    return found


def evener_line(designs: Sequence[DesignInRooms]) -> list[str]:
    """Which of two is evener in these rooms, in how many, and whether that is more than the scatter."""
    both = two_in_rooms(designs)
    if both is None:
        return []
    first, second = both.numbers
    scatter = f"what moving seats and source by {1e2 * MOVED_BY:g} cm scatters that by ({scatter_words(both.scatter)})"
    if not both.telling:
        return [f"Neither is evener on the mean ({first:.2f} and {second:.2f} dB): no more apart than {scatter}"]
    ahead = 0 if first < second else 1
    apart = both.differences if ahead else -both.differences
    return [
        f"Evener on the mean, where both play: {designs[ahead].name}, by {abs(first - second):.2f} dB"
        f" ({min(first, second):.2f} against {max(first, second):.2f}), in {np.count_nonzero(apart > 0.0)} of"
        f" {apart.size} rooms, by {signed(apart.min())} to {signed(apart.max())} dB; more than {scatter}"
    ]


def warnings(designs: Sequence[DesignInRooms]) -> list[str]:
    """What a reader of the numbers must know, without full stops."""
    found = [words for room in designs[0].rooms for words in room_warnings(room)]
    for each in designs:
        found += unknown_warnings(each.path, each.balances[0], unknown=each.unknown, kept_out=each.kept_out)
    return found


def picture(designs: Sequence[DesignInRooms]) -> Any:
    """The number of every room, the evenest first, and the omnidirectional source's beside it."""
    numbers = np.array([each.numbers for each in designs])
    order = np.argsort(np.where(np.isfinite(numbers), numbers, np.inf).mean(axis=0), kind="stable")
    drawn, axes = canvas.stacked(1.5 + 0.27 * order.size, ratios=(1,))
    place = np.arange(order.size)
    axes.plot(
        designs[0].floors[order],
        place,
        linestyle="none",
        marker="|",
        markersize=11,
        color=style.QUIET,
        label="omnidirectional source",
    )
    for each, (colour, _), mark in zip(designs, style.LINES, ("o", "s"), strict=False):
        axes.plot(
            each.numbers[order],
            place,
            linestyle="none",
            marker=mark,
            markersize=5,
            color=colour,
            label=entry(each.name),
        )
    named = [designs[0].rooms[room].name for room in order]
    short = [name if len(name) <= LONGEST else f"{name[: LONGEST - 3]}..." for name in named]
    style.dressed(axes, "Reflected less direct level, room by room", x="rms about each seat's mean, dB", y="")
    axes.set_yticks(place, [lettered(name) for name in short])
    axes.invert_yaxis()
    axes.set_xlim(left=0.0)
    legend_below(drawn, [axes])
    return drawn


def page(
    designs: Sequence[DesignInRooms],
    drawn: Mapping[str, Any],
    *,
    shown: Mapping[str, bytes],
    what: str,
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page of designs in several rooms, with the pictures by name and each as the bytes of its file."""
    head = ["Room", "Size, m", "Reverberation time at 1 kHz", "Omnidirectional, dB", *(each.name for each in designs)]
    rows = [
        [
            room.name,
            " by ".join(f"{side:g}" for side in room.size),
            seconds(float(reverberation_time(room, [1000.0])[0])),
            _level(designs[0].floors[place]),
            *(_level(each.numbers[place]) for each in designs),
        ]
        for place, room in enumerate(designs[0].rooms)
    ]
    if all(np.isfinite(each.numbers).any() for each in designs):
        columns = [designs[0].floors, *(each.numbers for each in designs)]
        rows += [
            ["Mean", "", "", *(_level(mean_of(each)) for each in columns)],
            ["Worst", "", "", *(_level(float(np.nanmax(each))) for each in columns)],
            ["Standard deviation", "", "", *(_level(spread(each)) for each in columns)],
        ]
    marked = frozenset(range(len(designs[0].rooms), len(rows)))
    pictures = [
        sheet.picture_of(
            drawn[name],
            shown[name],
            alt="The number of each design in every room.",
            caption="The evenest room first. The bar: an ideal omnidirectional source there, the room's own.",
        )
        for name in drawn
    ]
    parts = [
        sheet.PageSection(
            "In these rooms",
            [f"{line}." for line in lines(designs)],
            head,
            rows,
            pictures,
            marked=marked,
        ),
        sheet.PageSection(
            "How it is worked out",
            [
                "In each room as for one alone: reflected less direct level in third-octaves about each seat's mean,"
                " rms over seats and thirds; image sources, then a diffuse tail.",
                *(_counted(each) for each in designs),
            ],
        ),
    ]
    title = " and ".join(each.name for each in designs) + f" in {len(designs[0].rooms)} rooms"
    return sheet.sheet(title, what, parts=parts, written=written, command=command, warnings=warnings(designs))


def _counted(each: DesignInRooms) -> str:
    found = each.balances[0]
    thirds = found.thirds[found.weight > 0.0]
    how = f"by what {each.filters} leaves of each" if each.filters else "all alike"
    return f"{each.name}: thirds from {band_name(thirds[0])} to {band_name(thirds[-1])} count, {how}."


def _level(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else "none"
