"""Pictures of an inspected part: its deviation unrolled and along the depth, its index; and charts of several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.inspection.series import Chart
from evenflare.report.kit import canvas, style
from evenflare.report.kit.letters import entry
from evenflare.results.inspection import PartVerdict
from evenflare.studies.part_sound import PartSound
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Waveguide

COARSE, FINE, CROWD = 20, 72, 10
"""Fields of the map along the depth, and as many around, at least and at most; and points in each, fewer of which are
drawn one by one.
"""
MOST_DOTS = 4000
LINES = 61
NICE = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0)
"""mm, at which the scale of deviations may end."""


def reach(found: PartVerdict) -> float:
    """m, at which the scale of deviations ends, either way: above nearly all of them, and every limit."""
    off = np.abs(found.cells.off)
    limits = (
        [each for held in found.held.zones for each in (held.zone.minus, held.zone.plus)] if found.toleranced else []
    )
    most = max(float(np.quantile(off, 0.98)), *limits, 1e-5) / MILLIMETRE
    return next((each for each in NICE if each >= most), most) * MILLIMETRE


def deviation_map(found: PartVerdict, waveguide: Waveguide) -> Any:
    """Deviation over azimuth and depth, the wall unrolled."""
    figure, axes = canvas.stacked(4.3, ratios=(1,))
    style.dressed(
        axes, "Deviation, the wall unrolled", x="azimuth, degrees", y="z from the throat plane, mm", grid=False
    )
    counts = found.cells.cell >= 0
    inspection, limit = found.inspection, reach(found) / MILLIMETRE
    z = inspection.points[counts, 2] / MILLIMETRE
    turn = np.mod(inspection.azimuth[counts], 2.0 * np.pi) / DEGREE
    off = inspection.off[counts] / MILLIMETRE
    depth = waveguide.depth / MILLIMETRE
    look = {"cmap": canvas.DEVIATIONS, "vmin": -limit, "vmax": limit}
    columns = int(np.clip(np.sqrt(off.size / CROWD), COARSE, FINE))
    rows = columns
    if off.size < CROWD * COARSE**2:
        shown = axes.scatter(turn, z, c=off, s=14, edgecolors=style.QUIET, linewidths=0.3, **look)
    else:
        edges = np.linspace(0.0, 360.0, columns + 1), np.linspace(0.0, depth, rows + 1)
        cell = (
            np.clip(np.digitize(z, edges[1]) - 1, 0, rows - 1),
            np.clip(np.digitize(turn, edges[0]) - 1, 0, columns - 1),
        )
        flat = cell[0] * columns + cell[1]
        number = np.bincount(flat, minlength=rows * columns)
        total = np.bincount(flat, weights=off, minlength=rows * columns)
        mean = np.where(number > 0, total / np.maximum(number, 1), np.nan).reshape(rows, columns)
        axes.set_facecolor("#d1d6da")
        shown = axes.pcolormesh(*edges, mean, **look)
    axes.set_xlim(0.0, 360.0)
    axes.set_ylim(0.0, depth)
    axes.set_xticks(range(0, 361, 45))
    if found.toleranced:
        for each in found.held.zones[:-1]:
            axes.axhline(each.zone.to_z / MILLIMETRE, color=style.INK, linewidth=0.7, linestyle=":")
    axes.plot(
        found.worst.azimuth / DEGREE,
        found.worst.z / MILLIMETRE,
        "o",
        markersize=11,
        markerfacecolor="none",
        markeredgecolor=style.INK,
        markeredgewidth=1.4,
        clip_on=False,
    )
    bar = figure.colorbar(shown, ax=axes, pad=0.02, aspect=28, extend="both")
    bar.set_label("off the drawn wall, mm; + further from the axis", color=style.INK, fontsize=style.TEXT)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    bar.outline.set_visible(False)
    return figure


def along_depth(found: PartVerdict, waveguide: Waveguide) -> Any:
    """Deviation along the depth: points, their median, zones."""
    figure, axes = canvas.stacked(3.8, ratios=(1,))
    style.dressed(axes, "Deviation along the depth", x="z from the throat plane, mm", y="off the drawn wall, mm")
    counts = np.flatnonzero(found.cells.cell >= 0)
    z, off = found.inspection.points[counts, 2] / MILLIMETRE, found.inspection.off[counts] / MILLIMETRE
    limit, every = reach(found) / MILLIMETRE, max(1, -(-counts.size // MOST_DOTS))
    if found.toleranced:
        ends = [found.held.zones[0].zone.from_z, *(each.zone.to_z for each in found.held.zones)]
        at = np.array(ends) / MILLIMETRE
        for sign, name in ((-1.0, "minus"), (1.0, "plus")):
            edge = sign * np.array([getattr(each.zone, name) for each in found.held.zones]) / MILLIMETRE
            axes.step(
                at,
                np.append(edge, edge[-1]),
                where="post",
                color=style.GREEN,
                linewidth=1.6,
                label="zone's limits" if sign > 0 else None,
            )
    axes.plot(z[::every], off[::every], ".", color=style.SKY, markersize=2.5, alpha=0.5, label="points")
    bins = np.linspace(0.0, waveguide.depth / MILLIMETRE, LINES)
    place = np.digitize(z, bins)
    known = [k for k in range(1, LINES) if np.any(place == k)]
    axes.plot(
        [0.5 * (bins[k - 1] + bins[k]) for k in known],
        [np.median(off[place == k]) for k in known],
        color=style.BLUE,
        linewidth=1.9,
        label="median all round",
    )
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
    axes.set_xlim(0.0, waveguide.depth / MILLIMETRE)
    axes.set_ylim(-1.25 * limit, 1.25 * limit)
    style.legend(axes)
    return figure


def index(sound: PartSound) -> Any:
    """The index of the drawn wall, of the part, and the wanted one; below, how it changes."""
    figure, (above, below) = canvas.stacked(5.2, ratios=(3, 2))
    style.dressed(above, "Directivity index", x="", y="index, dB")
    style.dressed(below, "", x="frequency, Hz", y="part less drawn, dB")
    frequency = sound.frequency
    above.plot(frequency, sound.nominal, color=style.BLUE, linewidth=1.9, label="as drawn")
    above.plot(frequency, sound.part, color=style.ORANGE, linestyle="--", linewidth=1.9, label="as built")
    if sound.score is not None:
        above.plot(sound.score.frequency, sound.score.wanted, color=style.GREEN, linestyle="-.", label="wanted")
    if np.isfinite(sound.error).any():
        error = np.nan_to_num(1.96 * sound.error)
        below.fill_between(
            frequency,
            sound.change - error,
            sound.change + error,
            color=style.SKY,
            alpha=0.35,
            linewidth=0,
            label="95 % of the wall's doubt",
        )
    below.plot(frequency, sound.change, color=style.ORANGE, linewidth=1.7, label="change")
    below.axhline(0.0, color=style.QUIET, linewidth=0.8)
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, frequency, sound.valid, veil=veil)
    style.legend(above)
    return figure


def with_limit(figure: Any, within_db: float | None) -> Any:
    """The change of the index with its limit either way."""
    if within_db is not None:
        for sign in (-1.0, 1.0):
            figure.axes[1].axhline(sign * within_db, color=style.GREEN, linewidth=1.4)
    return figure


def charts(named: Mapping[str, tuple[Chart, float]], names: Sequence[str], *, title: str) -> Any:
    """Control charts one below the other, parts along. named : by what stands beside, the chart and SI of its unit."""
    figure, rows = canvas.stacked(1.1 + 1.35 * len(named), ratios=(1,) * len(named))
    style.titled(figure, title)
    every = np.atleast_1d(rows)
    number = np.arange(1, len(names) + 1)
    for axes, (label, (chart, factor)) in zip(every, named.items(), strict=True):
        style.dressed(axes, "", x="", y=label)
        values, beyond = chart.values / factor, np.array(chart.beyond)
        axes.axhline(chart.mean / factor, color=style.QUIET, linewidth=0.9)
        for each in (chart.lower, chart.upper):
            axes.axhline(each / factor, color=style.GREEN, linewidth=1.3, linestyle="--")
        axes.plot(number, values, "o-", color=style.BLUE, linewidth=1.4, markersize=4)
        axes.plot(
            number[beyond],
            values[beyond],
            "s",
            color=style.ORANGE,
            markersize=8,
            markerfacecolor="none",
            markeredgewidth=1.8,
        )
    every[-1].set_xticks(number, [entry(each)[:12] for each in names], rotation=30 if len(names) > 4 else 0)
    return figure
