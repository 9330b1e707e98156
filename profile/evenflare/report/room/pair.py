"""Two loudspeakers in words, and the map of the image between them."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.report.kit import canvas, sheet, style
from evenflare.report.kit.letters import lettered
from evenflare.room.pair import HOLDS, LOCATED, PER_DB, PER_MS
from evenflare.studies.pair import PairInRoom
from evenflare.units import DEGREE
from evenflare.words import hertz, signed

MAP = "pair_map.png"
LEVELS = (-1.0, -2.0 / 3.0, -HOLDS, HOLDS, 2.0 / 3.0, 1.0)
"""Shifts between which the map has one colour."""
COLOURS = ("#b98bb6", "#dcc5da", "#f7f4ea", "#bcd6e6", "#7fb0d2")


def line(found: PairInRoom) -> str:
    """Where the image holds, a sentence without its full stop."""
    names = [seat.name for seat, holds in zip(found.room.seats, found.holds, strict=True) if holds]
    where = ", ".join(names) if names else "no seat"
    return f"The image between both loudspeakers holds at {where}, and over {found.area:.1f} m2 of the plan"


def section(found: PairInRoom, picture: sheet.Picture, *, of: str) -> sheet.PageSection:
    """The page's part. of : whose it is, where there are two designs, as "name: "."""
    heard = found.seats
    rows = [
        (
            seat.name,
            signed(1e3 * later),
            signed(level),
            f"{apart / DEGREE:.0f}",
            f"{100.0 * shift:+.0f}".replace("-", "−"),
            "holds" if holds else "drawn to the " + ("first" if shift > 0.0 else "second"),
        )
        for seat, later, level, apart, shift, holds in zip(
            found.room.seats, heard.later, heard.mean_level, heard.apart, heard.shift, found.holds, strict=True
        )
    ]
    return sheet.PageSection(
        f"{of}Two loudspeakers",
        [
            f"{line(found)}.",
            "First is [source], second [second_source]; everything else on this page hears the first alone. Level: the"
            f" direct sound's mean over {hertz(LOCATED[0])} to {hertz(LOCATED[1])}.",
            f"An image goes {100 * PER_DB:.1f} % of the way from the middle to a loudspeaker for each dB by which that"
            f" is louder, and {10 * PER_MS:.1f} % for each 0.1 ms by which it is earlier, up to two thirds of the way,"
            " for loudspeakers 60 degrees apart (Lee and Rumsey, J. Audio Eng. Soc. 61 (2013) 978, from memory); level"
            f" and time are added. It counts as holding within {100 * HOLDS:.0f} %, our own choice. Axes that cross in"
            " front of the seats make the further loudspeaker the louder one, which holds the image.",
        ],
        ("Seat", "First later, ms", "First louder, dB", "Apart, degrees", "Image toward first, %", "Image"),
        rows,
        [picture],
        marked=frozenset(place for place, holds in enumerate(found.holds) if not holds),
    )


def pair_map(found: PairInRoom) -> Any:
    """The plan: how far the image is drawn to either loudspeaker where a listener sits."""
    length, width = found.room.size[:2]
    drawn, axes = canvas.stacked(max(3.2, canvas.WIDTH * min(width / length, 1.6) + 0.9), ratios=(1,))
    filled = axes.contourf(found.x, found.y, found.shift, levels=LEVELS, colors=COLOURS)
    axes.set_aspect("equal")
    axes.set_xlim(0.0, length)
    axes.set_ylim(0.0, width)
    for name, source in (("first", found.room.source), ("second", found.room.second)):
        if source is None:
            continue
        x, y = source.position[:2]
        ahead = source.axes[2]
        axes.annotate(
            "", (x + 0.5 * ahead[0], y + 0.5 * ahead[1]), (x, y), arrowprops={"arrowstyle": "->", "color": style.INK}
        )
        axes.plot(x, y, "s", color=style.INK, markersize=6)
        axes.annotate(name, (x, y), (6, -13), textcoords="offset points", fontsize=style.TEXT - 1, color=style.INK)
    for seat, holds in zip(found.room.seats, found.holds, strict=True):
        x, y = seat.position[:2]
        axes.plot(x, y, "o", color=style.INK, markersize=6, fillstyle="full" if holds else "none")
        axes.annotate(
            lettered(seat.name), (x, y), (6, -11), textcoords="offset points", fontsize=style.TEXT - 2, color=style.INK
        )
    bar = drawn.colorbar(filled, ax=axes, location="bottom", shrink=0.8, aspect=36)
    bar.set_ticks(LEVELS, labels=[f"{abs(100 * each):.0f} %" for each in LEVELS])
    bar.set_label("image drawn to the second (left end) or the first loudspeaker (right end)", fontsize=style.TEXT - 1)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    style.dressed(axes, "Where the image between both loudspeakers holds", x="x, m", y="y, m", grid=False)
    return drawn


def caption(found: PairInRoom) -> str:
    """How to read the map."""
    height = float(np.mean([seat.position[2] for seat in found.room.seats]))
    return (
        f"Pale: the image stays in the middle third. At {height:.2f} m above the floor, for the direct sound. Filled"
        " circles: seats where it holds."
    )
