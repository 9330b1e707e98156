"""The pictures of a crossover."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.dsp.handover import vertical_level
from evenflare.dsp.joining import Joined
from evenflare.report.filters import loudness
from evenflare.report.kit import canvas, style
from evenflare.report.waveguide import figures
from evenflare.results.crossover import columns, names
from evenflare.units import DEGREE, FloatArray
from evenflare.words import hertz, spoken

FLOOR = -36.0
"""dB, of the level axis of ways."""


def pictures(joined: Joined) -> dict[str, Any]:
    """Every picture by the name of its file."""
    return {
        "ways.png": _ways(joined),
        "index.png": _index(joined),
        "lobes.png": _lobes(joined),
        "vertical_map.png": figures.directivity_map(joined.total, plane=joined.total.observation.plane.size - 1),
        "power.png": _power(joined),
        **({} if joined.evened is None else {"whole_range.png": loudness.whole_picture(joined)}),
        **({} if joined.headroom is None else {"headroom.png": loudness.headroom_picture(joined)}),
    }


def _finish(axes: Any, joined: Joined, *, veil: bool) -> None:
    for each in joined.handovers:
        axes.axvline(each.frequency, color=style.QUIET, linewidth=0.9, linestyle=":")
    sounds = joined.speaker.sounds
    style.over_frequency(axes, sounds.frequency, joined.total.valid, veil="not valid" if veil else "")
    style.legend(axes)


def _ways(joined: Joined) -> Any:
    table, frequency = columns(joined), joined.speaker.sounds.frequency
    drawn, (above, below) = canvas.stacked(6.0, ratios=(3, 2))
    style.dressed(above, "Ways and their sum on axis", x="", y="level on axis, dB")
    for name, line in zip(names(joined), style.LINES, strict=False):
        above.plot(
            frequency, table[f"{name}_on_axis_db"], color=line[0], linestyle=line[1], linewidth=1.7, label=spoken(name)
        )
    above.plot(frequency, table["on_axis_db"], color=style.INK, linewidth=2.0, label="sum")
    top = 3.0 * np.ceil((np.max(table["on_axis_db"]) + 1.0) / 3.0)
    above.set_ylim(FLOOR, max(top, 6.0))
    style.dressed(below, "", x="frequency, Hz", y="filter phase, degrees")
    for name, line in zip(names(joined), style.LINES, strict=False):
        heard = table[f"{name}_filter_db"] > FLOOR
        phase = np.where(heard, table[f"{name}_filter_deg"], np.nan)
        turns = np.abs(np.diff(phase)) > 180.0
        phase = np.insert(phase, np.flatnonzero(turns) + 1, np.nan)
        at = np.insert(frequency, np.flatnonzero(turns) + 1, np.nan)
        below.plot(at, phase, color=line[0], linestyle=line[1], linewidth=1.4)
    below.set_ylim(-190, 190)
    below.set_yticks([-180, -90, 0, 90, 180])
    _finish(above, joined, veil=True)
    _finish(below, joined, veil=False)
    return drawn


def _index(joined: Joined) -> Any:
    table, frequency = columns(joined), joined.speaker.sounds.frequency
    drawn, panels = canvas.stacked(7.2, ratios=(3, 2, 2))
    labels = (
        ("index_db", "Index and beamwidth of the ways and of the sum", "index, dB"),
        ("beamwidth_horizontal_deg", "", "horizontal, degrees"),
        ("beamwidth_vertical_deg", "", "vertical, degrees"),
    )
    for axes, (column, title, label) in zip(panels, labels, strict=True):
        style.dressed(axes, title, x="frequency, Hz" if axes is panels[-1] else "", y=label)
        for place, (name, line) in enumerate(zip(names(joined), style.LINES, strict=False)):
            curve = np.where(joined.speaker.sounds.valid[place], table[f"{name}_{column}"], np.nan)
            axes.plot(frequency, curve, color=line[0], linestyle=line[1], linewidth=1.6, label=spoken(name))
        # Broad and below the others: they are one over most of the band.
        axes.plot(frequency, table[column], color=style.SKY, linewidth=4.5, alpha=0.6, label="sum", zorder=1.5)
        if column == "index_db":
            met = [at for each in joined.handovers for at in each.meets]
            values = [_lower_index(joined, table, at) for at in met]
            if met:
                axes.plot(met, values, "o", color=style.PLUM, markersize=6, label="indices meet")
            top = max([np.nanmax(table[column]), *values]) + 3.0
            axes.set_ylim(0, 2.0 * np.ceil(0.5 * top))
        else:
            axes.set_ylim(0, max(style.ceiling(axes, 30.0), 90.0))
            axes.set_yticks(np.arange(0, axes.get_ylim()[1] + 1, 60 if axes.get_ylim()[1] > 180 else 30))
        _finish(axes, joined, veil=axes is panels[0])
        if axes is not panels[0] and axes.get_legend() is not None:
            axes.get_legend().remove()
    return drawn


def _lower_index(joined: Joined, table: dict[str, FloatArray], at: float) -> float:
    place = next(each.lower for each in joined.handovers if at in each.meets)
    curve = table[f"{names(joined)[place]}_index_db"]
    return float(np.interp(np.log(at), np.log(table["frequency_hz"]), curve))


def _lobes(joined: Joined) -> Any:
    count = len(joined.handovers)
    drawn, panels = canvas.stacked(1.2 + 2.3 * count, ratios=[1.0] * count)
    for axes, each in zip(np.atleast_1d(panels), joined.handovers, strict=True):
        last = each is joined.handovers[-1]
        style.dressed(
            axes,
            "Vertical lobes" if each is joined.handovers[0] else "",
            x="vertical angle, degrees, up positive" if last else "",
            y="level, dB re on axis",
        )
        for factor, label, colour, dash in (
            (2.0**-0.5, "half an octave below", style.SKY, "--"),
            (2.0**0.5, "half an octave above", style.ORANGE, "-."),
            (1.0, "at the crossover", style.INK, "-"),
        ):
            known, angle, level = vertical_level(joined.total, factor * each.frequency)
            width = 2.0 if factor == 1.0 else 1.4
            axes.plot(
                angle / DEGREE, level, color=colour, linestyle=dash, linewidth=width, label=f"{label}: {hertz(known)}"
            )
        style.legend(axes)
        axes.axhline(-6.0, color=style.QUIET, linewidth=0.8, linestyle=":")
        axes.set_xlim(-90, 90)
        axes.set_xticks(np.arange(-90, 91, 30))
        axes.set_ylim(-30, max(3.0, style.ceiling(axes, 3.0)))
    return drawn


def _power(joined: Joined) -> Any:
    table, frequency = columns(joined), joined.speaker.sounds.frequency
    drawn, (above, below) = canvas.stacked(5.6, ratios=(3, 2))
    style.dressed(above, "Listening window and sound power", x="", y="level, dB")
    drawn_curves = (
        ("on_axis_db", "on axis", *style.LINES[4]),
        ("listening_window_db", "listening window", *style.LINES[0]),
        ("sphere_power_db", "sound power", *style.LINES[1]),
        ("power_without_lobes_db", "sound power without interference", *style.LINES[3]),
    )
    for column, label, colour, dash in drawn_curves:
        above.plot(frequency, table[column], color=colour, linestyle=dash, linewidth=1.7, label=label)
    if "baffle_step_db" in table:
        stepped = table["listening_window_db"] + table["baffle_step_db"]
        above.plot(frequency, stepped, color=style.OLIVE, linewidth=1.3, label="window, uncorrected baffle step")
    shown = np.concatenate([table[each[0]] for each in drawn_curves])
    above.set_ylim(3.0 * np.floor(np.nanmin(shown) / 3.0 - 0.1), 3.0 * np.ceil(np.nanmax(shown) / 3.0 + 0.1))
    style.dressed(below, "", x="frequency, Hz", y="power dip, dB")
    below.axhline(0.0, color=style.QUIET, linewidth=0.8)
    below.plot(frequency, table["power_dip_db"], color=style.PLUM, linewidth=1.8)
    dips = table["power_dip_db"]
    below.set_ylim(min(-4.0, np.floor(dips.min() - 0.5)), max(2.0, np.ceil(dips.max() + 0.5)))
    _finish(above, joined, veil=True)
    _finish(below, joined, veil=False)
    return drawn
