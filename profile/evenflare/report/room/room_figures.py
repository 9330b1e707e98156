"""The pictures of designs in a room; of two, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare.report.kit import style
from evenflare.report.kit.letters import entry, lettered
from evenflare.report.room.by_design import by_design_axes, finish, floored
from evenflare.report.room.reflection_figures import arrivals_picture, in_time_picture
from evenflare.room.response import RoomResponse
from evenflare.studies.seats import HALF, MATTERS, DesignInRoom, matters, shared_band
from evenflare.units import FloatArray
from evenflare.words import spoken


def pictures(designs: Sequence[DesignInRoom]) -> dict[str, Any]:
    """Every picture by the name of its file."""
    return {
        "what_matters.png": _what_matters(designs),
        "direct_and_reflected.png": _direct_and_reflected(designs),
        "seats.png": _seats(designs),
        "in_room.png": _in_room(designs),
        "arrivals.png": arrivals_picture(designs),
        "in_time.png": in_time_picture(designs),
    }


def _what_matters(designs: Sequence[DesignInRoom]) -> Any:
    band = shared_band(designs)
    drawn, by_design = by_design_axes(designs, 6.6, (1, 1, 1))
    limits: list[list[float]] = [[], [], []]
    for each, column in zip(designs, by_design, strict=True):
        f = each.response.thirds.frequency
        inside = (f >= 0.94 * band[0]) & (f <= 1.06 * band[1])
        for filtered in (True, False) if each.filters else (True,):
            for row, (name, level) in enumerate(matters(each.response, filtered=filtered).items()):
                own = level - level[inside].mean()
                limits[row] += own[inside].tolist()
                if filtered:
                    column[row].plot(f, own, color=style.COLOURS[row], linewidth=2.0, label=spoken(name))
                else:
                    label = "before the filters" if row == 0 else None
                    column[row].plot(f, own, color=style.QUIET, linestyle="--", linewidth=1.3, label=label)
    for row, values in enumerate(limits):
        for column in by_design:
            column[row].set_ylim(np.floor(min(values)) - 1.5, np.ceil(max(values)) + 1.5)
    y = [f"{spoken(name)}, dB" for name in MATTERS]
    title = "What matters: direct sound, first reflections, sound power"
    finish(drawn, by_design, title, y, [each.response.thirds.frequency for each in designs])
    return drawn


def _direct_and_reflected(designs: Sequence[DesignInRoom]) -> Any:
    drawn, by_design = by_design_axes(designs, 6.8, (1, 1, 1))
    for each, column in zip(designs, by_design, strict=True):
        response = each.response
        thirds = response.thirds
        for place, seat in enumerate(response.room.seats):
            colour, dash = style.LINES[place % len(style.LINES)]
            wide = 1.5 if place < len(style.LINES) else 0.9
            for axes, level in zip(
                column,
                (thirds.direct[place], thirds.reflected[place], response.centred(-thirds.direct_to_reverberant)[place]),
                strict=True,
            ):
                axes.plot(thirds.frequency, level, color=colour, linestyle=dash, linewidth=wide, label=entry(seat.name))
        column[2].axhline(0.0, color=style.QUIET, linewidth=0.8, zorder=1)
    floored(by_design, (0, 1))
    y = ["direct, dB", "reflected, dB", "difference, dB"]
    title = "Direct and reflected sound at the seats"
    weights = [each.response.balance.weight for each in designs]
    counted = [weight >= HALF * weight.max() for weight in weights]
    finish(drawn, by_design, title, y, [each.response.thirds.frequency for each in designs], counted=counted)
    return drawn


def _seats(designs: Sequence[DesignInRoom]) -> Any:
    seats = designs[0].response.room.seats
    drawn, by_design = by_design_axes(designs, 1.6 + 1.15 * len(seats), [1] * len(seats))
    for each, column in zip(designs, by_design, strict=True):
        fine, thirds = each.response.fine, each.response.thirds
        for place, axes in enumerate(column):
            axes.plot(
                fine.frequency, fine.steady[place], color="#a9b3bb", linewidth=0.8, label="steady state, 1/24 octave"
            )
            for name, (colour, dash), words in (
                ("direct", style.LINES[0], "direct"),
                ("early", style.LINES[1], f"early, order 1 to {each.response.room.order}"),
                ("late", style.LINES[2], "late"),
            ):
                level = getattr(thirds, name)[place]
                axes.plot(thirds.frequency, level, color=colour, linestyle=dash, linewidth=1.5, label=words)
    floored(by_design, range(len(seats)))
    y = [lettered(seat.name if len(seat.name) <= 14 else f"{seat.name[:11]}...") + "\ndB" for seat in seats]
    finish(drawn, by_design, "Each seat", y, [each.response.thirds.frequency for each in designs])
    return drawn


def _in_room(designs: Sequence[DesignInRoom]) -> Any:
    drawn, by_design = by_design_axes(designs, 5.6, (3, 2))
    for each, (above, below) in zip(designs, by_design, strict=True):
        response = each.response
        f = response.thirds.frequency
        mean, estimate = _means(response)
        above.fill_between(
            f, mean - response.spread, mean + response.spread, color=style.SKY, alpha=0.35, linewidth=0, label="spread"
        )
        above.plot(f, mean, color=style.BLUE, linewidth=2.0, label="mean over seats")
        above.plot(f, estimate, color=style.ORANGE, linestyle="--", linewidth=1.8, label="standard's estimate")
        below.axhline(0.0, color=style.QUIET, linewidth=0.8, zorder=1)
        below.plot(f, response.departure, color=style.PLUM, linewidth=1.8, label="mean less estimate")
    floored(by_design, (0,))
    y = ["level, dB re its mean", "difference, dB"]
    title = "Steady state in this room, and the standard's estimate"
    finish(drawn, by_design, title, y, [each.response.thirds.frequency for each in designs])
    return drawn


def _means(response: RoomResponse) -> tuple[FloatArray, FloatArray]:
    """Mean of the seats' steady states and the estimate, (B,) dB each re its own mean."""
    return response.centred(response.thirds.steady).mean(axis=0), response.centred(response.in_room)
