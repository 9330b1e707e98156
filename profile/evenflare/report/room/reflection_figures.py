"""The pictures of reflections in time: where each comes from, when it arrives, and what adds up to when."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import canvas, style
from evenflare.report.kit.letters import entry, lettered
from evenflare.report.room.by_design import by_design_axes, finish, floored, legend_below
from evenflare.room.arrivals import way
from evenflare.room.reflections import WITHIN, SeatReflections
from evenflare.room.room import Room
from evenflare.room.windows import WINDOWS
from evenflare.studies.seats import DesignInRoom
from evenflare.units import power_db

QUIETEST = -24.0
"""dB re the direct sound, down to which arrivals are drawn."""
KINDS = (("one wall", style.BLUE), ("floor or ceiling", style.ORANGE), ("two surfaces and more", style.QUIET))
"""Of arrivals, by what they met, and their colours."""
MARKS = ("o", "s")
"""Of designs, in the picture that both share."""
SHOWN = {
    "from_0_to_5_ms": "0 to 5 ms",
    "from_5_to_20_ms": "5 to 20 ms",
    "from_20_to_80_ms": "20 to 80 ms",
    "later": "later",
}


def _kind(hits: Sequence[int]) -> int:
    """Which of KINDS."""
    return 2 if sum(hits) > 1 else int(any(hits[4:]))


def arrivals_picture(designs: Sequence[DesignInRoom]) -> Any:
    """By seat: the plan with the ways of what arrives first, and its levels over time, of all designs."""
    room = designs[0].response.room
    latest = 1e3 * min(WITHIN, max(float(found.after[-1]) for each in designs for found in each.response.reflections))
    drawn, axes = canvas.grid(len(room.seats), 2, height=1.0 + 1.75 * len(room.seats))
    for place, (seat, (plan, times)) in enumerate(zip(room.seats, axes, strict=True)):
        found = [each.response.reflections[place] for each in designs]
        _plan(plan, room, found[0], seat.position)
        name = seat.name if len(seat.name) <= 14 else f"{seat.name[:11]}..."
        plan.set_ylabel(lettered(name), color=style.INK, fontsize=style.TEXT)
        for each, mark, design in zip(found, MARKS, designs, strict=False):
            _times(times, each, mark, entry(design.name) if len(designs) > 1 else "")
        last = place == len(room.seats) - 1
        style.dressed(times, "", x="after the direct sound, ms" if last else "", y="dB re direct")
        times.set_xlim(-0.5, latest + 0.5)
        times.set_ylim(QUIETEST, max(2.0, max(float(np.max(each.level)) for each in found) + 2.0))
    style.titled(drawn, "The first reflections: in plan, and in time")
    legend_below(drawn, axes.ravel())
    return drawn


def _plan(axes: Any, room: Room, found: SeatReflections, seat: Sequence[float]) -> None:
    """The room from above, with the ways of the first arrivals."""
    length, width, _ = room.size
    axes.plot([0, length, length, 0, 0], [0, 0, width, width, 0], color=style.INK, linewidth=1.2)
    arrivals = found.arrivals
    near = np.flatnonzero((found.after <= WITHIN) & (found.level > QUIETEST))
    for place in near[::-1]:
        hits = arrivals.hits[place].tolist()
        corners, _ = way(room, arrivals.leaving[place].tolist(), float(arrivals.distance[place]))
        colour, wide = (KINDS[_kind(hits)][1], 1.2 if sum(hits) == 1 else 0.5) if place else (style.INK, 1.6)
        axes.plot(corners[:, 0], corners[:, 1], color=colour, linewidth=wide, alpha=1.0 if sum(hits) < 2 else 0.55)
        if sum(hits) == 1:
            mark = "v" if hits[4] else "^" if hits[5] else "o"
            axes.plot(*corners[1, :2], marker=mark, color=colour, markersize=4, zorder=4)
    x, y, _ = room.source.position
    ahead = 0.12 * length * room.source.axes[2]
    axes.annotate("", (x + ahead[0], y + ahead[1]), (x, y), arrowprops={"arrowstyle": "->", "color": style.INK})
    axes.plot(x, y, marker="s", color=style.INK, markersize=5)
    axes.plot(seat[0], seat[1], marker="o", color=style.GREEN, markersize=6)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[:].set_visible(False)


def _times(axes: Any, found: SeatReflections, mark: str, design: str) -> None:
    """Levels over time as stems, coloured by what was met; a second design's hollow."""
    after, level = 1e3 * found.after, np.maximum(found.level, QUIETEST)
    kinds = np.array([_kind(hits) for hits in found.arrivals.hits.tolist()])
    kinds[0] = -1
    hollow = mark != MARKS[0]
    for kind, (words, colour) in enumerate(KINDS):
        own = kinds == kind
        if not hollow:
            axes.vlines(after[own], QUIETEST, level[own], color=colour, linewidth=1.0, alpha=0.7)
        axes.plot(
            after[own],
            level[own],
            linestyle="none",
            marker=mark,
            markersize=5 if hollow else 4,
            color=colour,
            markerfacecolor="none" if hollow else colour,
            label=words if not hollow else None,
        )
    axes.plot(0.0, 0.0, marker="o", color=style.INK, markersize=4)
    if design:
        face = "none" if hollow else style.INK
        axes.plot([], [], linestyle="none", marker=mark, color=style.INK, markerfacecolor=face, label=design)


def in_time_picture(designs: Sequence[DesignInRoom]) -> Any:
    """By design: what arrives in each window of time, mean over the seats, and the early-to-late ratio of each."""
    drawn, by_design = by_design_axes(designs, 5.4, (3, 2))
    for each, (above, below) in zip(designs, by_design, strict=True):
        windows = each.response.windows
        direct = windows.square[0].mean(axis=0)
        for (name, words), (colour, dash) in zip(SHOWN.items(), style.LINES, strict=False):
            level = power_db(windows.square[list(WINDOWS[name])].sum(axis=0).mean(axis=0) / direct)
            above.plot(windows.frequency, level, color=colour, linestyle=dash, linewidth=1.7, label=words)
        for clarity in windows.clarity:
            shown = np.minimum(clarity, 60.0)
            below.plot(windows.frequency, shown, color=style.PLUM, linewidth=0.9, alpha=0.8, label="C50, each seat")
    floored(by_design, (0,))
    title = "Reflected sound by time after the direct sound"
    frequency = [each.response.windows.frequency for each in designs]
    finish(drawn, by_design, title, ["dB re direct", "C50, dB"], frequency)
    return drawn
