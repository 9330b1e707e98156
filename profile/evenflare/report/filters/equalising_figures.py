"""The pictures of an equaliser."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.dsp.equalisation import Equalisation
from evenflare.dsp.fir import QUIET
from evenflare.report.kit import canvas, style
from evenflare.results.equaliser import columns
from evenflare.units import BoolArray, FloatArray, amplitude_db
from evenflare.words import spoken

BEYOND = -3.0
"""dB, of the level axis of pictures below what is drawn."""


def pictures(found: Equalisation) -> dict[str, Any]:
    """Every picture by the name of its file."""
    return {
        "equalised.png": _levels(found),
        "headroom.png": _headroom(found),
        "fir.png": _time(found),
        "group_delay.png": _delay(found),
    }


def _levels(found: Equalisation) -> Any:
    drawn, (above, middle, below) = canvas.stacked(7.4, ratios=(3, 3, 2.4))
    table = columns(found)
    frequency, (low, high) = table["frequency_hz"], found.band
    inside = (frequency >= low) & (frequency <= high)
    for axes, start, title, y in (
        (above, "", "Before and after the equaliser", "before, dB"),
        (middle, "equalised_", "", "after, dB"),
    ):
        style.dressed(axes, title, x="", y=y)
        shift = np.mean(table[f"{start}on_axis_db"][inside])
        for name, (colour, dash) in zip(
            ("on_axis_db", "listening_window_db", "sound_power_db"), style.LINES, strict=False
        ):
            level = table[f"{start}{name}"] - shift
            axes.plot(
                frequency, level, color=colour, linestyle=dash, linewidth=1.8, label=spoken(name.removesuffix("_db"))
            )
        _limits(axes, frequency, inside)
    style.dressed(below, "", x="frequency, Hz", y="correction, dB")
    at = found.wanted.frequency
    below.axhline(0.0, color=style.QUIET, linewidth=0.8)
    passed = amplitude_db(found.high_pass_response(at))
    below.plot(at, found.wanted.correction + passed, color=style.SKY, linewidth=4.0, alpha=0.7, label="wanted")
    below.plot(frequency, table["correction_db"], color=style.INK, linewidth=1.6, label="sections")
    below.plot(frequency, table["fir_correction_db"], color=style.ORANGE, linewidth=1.4, linestyle="--", label="FIR")
    _limits(below, frequency, inside)
    for axes in (above, middle, below):
        for place, dip in enumerate(found.wanted.dips):
            label = "left alone" if axes is above and place == 0 else None
            axes.axvspan(dip.low, dip.high, color=style.OLIVE, alpha=0.16, linewidth=0, label=label)
        style.over_frequency(axes, frequency, table["valid"] == 1.0, veil="not valid" if axes is above else "")
    style.legend(above)
    style.legend(below)
    return drawn


def _limits(axes: Any, frequency: FloatArray, inside: BoolArray) -> None:
    """A level axis that the band fills: what lies outside the band may leave it."""
    known = [np.asarray(line.get_ydata(), dtype=np.float64) for line in axes.get_lines()]
    values = np.concatenate([each[inside] if each.size == frequency.size else each for each in known])
    values = values[np.isfinite(values)]
    axes.set_ylim(np.floor(values.min() + BEYOND), np.ceil(values.max() - BEYOND))


def _headroom(found: Equalisation) -> Any:
    cost = found.headroom
    drawn, (above, below) = canvas.stacked(4.8, ratios=(2, 3))
    style.dressed(above, "Headroom", x="", y="correction, dB")
    above.axhline(0.0, color=style.QUIET, linewidth=0.8)
    above.axhline(found.limits.boost, color=style.ORANGE, linewidth=1.2, linestyle=":", label="allowed")
    above.plot(cost.band, cost.boost, color=style.BLUE, linewidth=1.8, marker="o", markersize=3.5, label="greatest")
    style.dressed(below, "", x="frequency, Hz", y="level on axis, dB")
    below.plot(cost.band, cost.alone, color=style.INK, linewidth=1.8, label="this band alone")
    below.plot(cost.band, cost.even, color=style.ORANGE, linewidth=1.8, linestyle="--", label="all bands together")
    for axes in (above, below):
        style.over_frequency(axes, cost.band, np.ones(cost.band.size, dtype=np.bool_))
        style.legend(axes)
    return drawn


def _time(found: Equalisation) -> Any:
    drawn, axes = canvas.stacked(3.0, ratios=(1,))
    own = found.made[found.rate].taps
    style.dressed(axes, "FIR over time", x="time from the peak, ms", y="magnitude, dB re the peak")
    size = amplitude_db(own.taps / np.abs(own.taps).max())
    time = 1e3 * (np.arange(own.taps.size) - int(np.abs(own.taps).argmax())) / own.sample_rate
    axes.plot(time, np.maximum(size, -120.0), color=style.BLUE, linewidth=0.9)
    axes.axhline(QUIET, color=style.QUIET, linewidth=0.8, linestyle=":")
    axes.set_ylim(-100, 5)
    shown = np.flatnonzero(size > -100.0)[[0, -1]]
    axes.set_xlim(*(time[shown] + [-0.5, 0.5]))
    return drawn


def _delay(found: Equalisation) -> Any:
    drawn, axes = canvas.stacked(3.2, ratios=(1,))
    at = found.wanted.frequency
    sections, taps = found.delays(at)
    style.dressed(axes, "Group delay", x="frequency, Hz", y="group delay, ms")
    axes.plot(at, 1e3 * sections, color=style.INK, linewidth=1.8, label="sections")
    axes.plot(at, 1e3 * taps, color=style.ORANGE, linewidth=1.6, linestyle="--", label="FIR, less its latency")
    style.over_frequency(axes, at, np.ones(at.size, dtype=np.bool_))
    style.legend(axes)
    return drawn
