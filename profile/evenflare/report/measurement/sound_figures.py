"""Pictures of what was heard on axis: harmonics of distortion with their floor, and how sound dies away."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.measurement.decay import BURST, CLEAR, Decay
from evenflare.measurement.distortion import Distortion
from evenflare.report.kit import canvas, style
from evenflare.words import hertz

LOWEST = -42.0
"""dB, where the colours of a decay end, in steps of 6 dB."""
SHOWN = 40.0
"""Periods at most."""


def distortion(found: Distortion) -> Any:
    """Harmonics over the exciting frequency where they stand above their floor, and the floors as thin lines."""
    drawn, axes = canvas.stacked(4.0, ratios=(1,))
    style.dressed(axes, "Distortion on axis", x="exciting frequency, Hz", y="re the fundamental, dB")
    for order, level, floor, (colour, dash) in zip(found.orders, found.level, found.floor, style.LINES, strict=False):
        told = bool(np.any(np.isfinite(level)))
        name = f"harmonic {order}" + ("" if told else ": not above its floor")
        axes.plot(found.frequency, level, color=colour, linestyle=dash, linewidth=2.0, marker=".", label=name)
        axes.plot(found.frequency, floor, color=colour, linestyle=dash, linewidth=0.8, alpha=0.55)
    axes.plot([], [], color=style.QUIET, linewidth=0.8, label="thin: its floor of noise and hum")
    style.over_frequency(axes, found.frequency, np.ones(found.frequency.size, dtype=bool))
    style.legend(axes)
    return drawn


def decay(found: Decay) -> Any:
    """Level over frequency and periods after the arrival; what stands out is marked, grey: hidden by gate or noise."""
    drawn, axes = canvas.stacked(4.2, ratios=(1,))
    style.dressed(axes, "Decay on axis, in periods", x="frequency, Hz", y="periods after the arrival", grid=False)
    axes.set_facecolor("#aab3ba")
    shown = found.periods <= SHOWN
    level = np.ma.masked_invalid(np.clip(found.level[:, shown], LOWEST, 0.0)).T
    steps = np.linspace(LOWEST, 0.0, len(style.LEVELS) + 1)
    shades = axes.contourf(found.frequency, found.periods[shown], level, levels=steps, colors=style.LEVELS)
    axes.plot(
        found.frequency[[0, -1]],
        [BURST * CLEAR] * 2,
        color=style.QUIET,
        linestyle="--",
        linewidth=1.0,
        label="read from here",
    )
    axes.plot([], [], color=style.ORANGE, linewidth=1.2, linestyle=":", label="stands out")
    for each in found.resonances:
        axes.axvline(each.frequency, color=style.ORANGE, linewidth=1.2, linestyle=":")
        more = "≥ " if each.at_least else ""
        axes.annotate(
            f"{hertz(each.frequency)}\nQ {more}{each.quality:.0f}",
            (each.frequency, float(found.periods[shown][-1])),
            xytext=(3, -4),
            textcoords="offset points",
            va="top",
            fontsize=style.TEXT - 1,
            color="#ffffff",
            bbox={"facecolor": style.ORANGE, "edgecolor": "none", "pad": 1.5},
        )
    style.over_frequency(axes, found.frequency, np.ones(found.frequency.size, dtype=bool))
    axes.set_ylim(0.0, float(found.periods[shown][-1]))
    style.legend(axes)
    colours = drawn.colorbar(shades, ax=axes, pad=0.02, aspect=28)
    colours.set_label("re the loudest at its frequency, dB", color=style.INK, fontsize=style.TEXT)
    colours.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    colours.outline.set_visible(False)
    return drawn
