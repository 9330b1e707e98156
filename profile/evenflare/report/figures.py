"""Pictures of a waveguide and of its sound: the only place that draws. Each function returns a figure of its own.

Colours stay apart for colour-blind eyes and in grey print, and every line also has its own dash.
"""

from __future__ import annotations

import io
import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from evenflare import files
from evenflare.directivity import Directivity
from evenflare.report import drawing, style, tables
from evenflare.target import Target
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Waveguide

# Lightness rises all the way, so that the map reads the same in grey.
_MAP = LinearSegmentedColormap.from_list(
    "evenflare", ["#16202c", "#1f3f5b", "#2f6f86", "#6fa196", "#c3c08f", "#f0dcae", "#fffaf0"]
)
_WIDTH = 5.6
_DOTS_PER_INCH = 180
_PAGE_DOTS_PER_INCH = 96
_CONTOURS = (-18.0, -12.0, -6.0, -3.0)
_MAP_FLOOR, _MAP_STEP, _MAP_POINTS = -30.0, 1.5, 181


def save(figure: Figure, path: Path) -> None:
    """Write a figure as PNG, whole or not at all. Errors: InputError if the folder cannot be written."""
    with files.replacing(path) as temporary:
        temporary.write_bytes(png(figure))


def png(figure: Figure) -> bytes:
    """A figure as the bytes of a PNG file, the same for the same figure."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=_DOTS_PER_INCH, metadata={"Software": None})
    return buffer.getvalue()


def page_size(figure: Figure) -> tuple[int, int]:
    """Width and height in pixels at which a page shows a figure."""
    width, height = figure.get_size_inches()
    return round(width * _PAGE_DOTS_PER_INCH), round(height * _PAGE_DOTS_PER_INCH)


def profile(waveguide: Waveguide) -> Figure:
    """The meridian mirrored about the axis, to scale in mm, with the sizes that a maker checks first."""
    figure = Figure(layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Profile", x="z from the throat plane, mm", y="r, mm")
    drawing.profile(axes, waveguide, width=_WIDTH)
    return figure


def directivity_map(directivity: Directivity, *, plane: int = 0) -> Figure:
    """Level re on-axis over frequency and off-axis angle in one observed plane, with contour lines.

    plane : index of the plane in the observation. In a baffle the map ends at 90 degrees.
    """
    observation = directivity.observation
    seen = ~directivity.behind
    frequency, angle = observation.frequency, observation.off_axis[seen] / DEGREE
    level = np.nan_to_num(tables.relative_level(directivity)[:, plane, seen].T, nan=2 * _MAP_FLOOR)
    figure = Figure(figsize=(_WIDTH, 4.1), layout="constrained")
    axes = style.dressed(
        figure.add_subplot(), "Directivity map", x="frequency, Hz", y="off-axis angle, degrees", grid=False
    )
    if min(level.shape) < 2:
        style.nothing(axes, "needs two frequencies and two angles")
        return figure
    top = _MAP_STEP * float(np.clip(np.ceil(level.max() / _MAP_STEP - 1e-6), 0, 2))
    finely = _finely(frequency, angle, level)
    shades = axes.contourf(
        *finely,
        levels=np.arange(_MAP_FLOOR, top + 0.1, _MAP_STEP),
        cmap=_MAP,
        vmin=_MAP_FLOOR,
        vmax=2 * _MAP_STEP,
        extend="both" if level.max() > top + 1e-6 else "min",
    )
    lines = axes.contour(
        *finely,
        levels=_CONTOURS,
        colors=[style.FAINT, style.FAINT, style.INK, style.INK],
        linewidths=[0.9, 0.9, 1.9, 0.9],
        linestyles="-",
    )
    style.over_frequency(axes, frequency, directivity.valid)
    _angle_ticks(axes.yaxis, angle)
    bar = figure.colorbar(shades, ax=axes, pad=0.02, aspect=28, ticks=[-30, -24, -18, -12, -6, -3, 0])
    bar.add_lines(lines)
    bar.set_label("level re on-axis, dB", color=style.INK, fontsize=style.TEXT)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    bar.outline.set_visible(False)
    return figure


def _finely(frequency: FloatArray, angle: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequencies, angles and levels (A, F) of a grid fine enough for smooth lines: cubics between the samples.

    They keep to the range of their neighbours (Fritsch and Carlson 1980, from memory), so that none is made up.
    """
    from scipy.interpolate import PchipInterpolator

    logs = np.log(frequency)
    fine, steep = np.linspace(logs[0], logs[-1], _MAP_POINTS), np.linspace(angle[0], angle[-1], _MAP_POINTS)
    # Far below the map's floor a null is as deep as any, and would bend its surroundings.
    drawn = np.maximum(level, 2 * _MAP_FLOOR)
    drawn = PchipInterpolator(angle, drawn, axis=0)(steep)
    return np.exp(fine), steep, PchipInterpolator(logs, drawn, axis=1)(fine)


def index_and_beamwidth(directivity: Directivity, target: Target | None = None) -> Figure:
    """Both directivity indices and the -6 dB beamwidth over frequency, against the target's band if there is one.

    The wanted index of the target is shaded from wanted - tolerance to wanted + tolerance.
    """
    columns = tables.summary_columns(directivity)
    frequency = columns["frequency_hz"]
    figure = Figure(figsize=(_WIDTH, 5.2), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True)
    style.dressed(above, "Directivity index and beamwidth", x="", y="index, dB")
    style.dressed(below, "", x="frequency, Hz", y="beamwidth at −6 dB, degrees")
    if target is not None:
        # Finely, because a wanted curve may bend between the frequencies that the target gives.
        wanted = tables.target_columns(target, np.geomspace(target.frequency[0], target.frequency[-1], 241))
        named = "whole-sphere" if target.index_kind == "sphere" else "sound-power"
        low, high = wanted["index_db"] - wanted["tolerance_db"], wanted["index_db"] + wanted["tolerance_db"]
        above.fill_between(
            wanted["frequency_hz"], low, high, color=style.GREEN, alpha=0.22, linewidth=0, label="tolerance"
        )
        above.plot(
            wanted["frequency_hz"], wanted["index_db"], color=style.GREEN, linewidth=1.2, label=f"wanted ({named})"
        )
        if np.isfinite(wanted["beamwidth_deg"]).any():
            below.plot(
                wanted["frequency_hz"], wanted["beamwidth_deg"], color=style.GREEN, linewidth=1.2, label="wanted"
            )
    index = columns["directivity_index_db"]
    error = np.nan_to_num(columns["error_estimate_db"], posinf=0.0)
    above.fill_between(frequency, index - error, index + error, color=style.BLUE, alpha=0.25, linewidth=0)
    above.plot(frequency, index, color=style.BLUE, linewidth=2.0, label="whole-sphere index")
    above.plot(
        frequency,
        columns["sound_power_index_db"],
        color=style.ORANGE,
        linewidth=1.6,
        linestyle="--",
        label="sound-power index",
    )
    widths = {name: values for name, values in columns.items() if name.startswith("beamwidth")}
    for (name, values), (colour, dash) in zip(widths.items(), style.LINES, strict=False):
        words = name.removeprefix("beamwidth_").removesuffix("deg").rstrip("_")
        below.plot(frequency, values, color=colour, linestyle=dash, linewidth=2.0, label=words or "this waveguide")
    below.set_ylim(0, style.ceiling(below, 30.0))
    below.set_yticks(np.arange(0, below.get_ylim()[1] + 1, 30))
    above.set_ylim(0, style.ceiling(above, 2.0))
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, frequency, directivity.valid, veil=veil)
        style.legend(axes)
    return figure


def standard_curves(directivity: Directivity) -> Figure:
    """The curves of ANSI/CTA-2034-A re the listening window, so that the driver's own response does not show.

    Both indices stand on the right-hand axis, of the same scale.
    """
    columns = tables.standard_columns(directivity)
    frequency, window = columns["frequency_hz"], columns["listening_window_db"]
    figure = Figure(figsize=(_WIDTH, 4.8), layout="constrained")
    axes = style.dressed(
        figure.add_subplot(),
        "Curves of ANSI/CTA-2034-A",
        x="frequency, Hz",
        y="level re listening window, dB",
    )
    if not np.isfinite(window).any():
        style.nothing(axes, "needs both orbits in 10 degree steps")
        return figure
    for (name, words), (colour, dash) in zip(
        {
            "on_axis_db": "on axis",
            "listening_window_db": "listening window",
            "early_reflections_db": "early reflections",
            "sound_power_db": "sound power",
            "in_room_db": "estimated in-room",
        }.items(),
        style.LINES,
        strict=False,
    ):
        axes.plot(frequency, columns[name] - window, color=colour, linestyle=dash, linewidth=1.7, label=words)
    right = axes.twinx()
    for name, words, colour, pattern in (
        ("early_reflections_index_db", "early-reflections index (right)", style.OLIVE, (0, (1, 1))),
        ("sound_power_index_db", "sound-power index (right)", style.INK, (0, (7, 2, 1, 2))),
    ):
        right.plot(frequency, columns[name], color=colour, linestyle=pattern, linewidth=1.4, label=words)
    top = style.ceiling(axes, 5.0)
    axes.set_ylim(top - 35, top)
    right.set_ylim(0, 35)
    right.set_ylabel("index, dB", color=style.INK, fontsize=style.TEXT)
    right.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET, length=0)
    right.spines[:].set_visible(False)
    style.marked(right, frequency)
    style.over_frequency(axes, frequency, directivity.valid)
    style.legend(axes, also=right)
    return figure


def throat_impedance(directivity: Directivity) -> Figure:
    """Resistance and reactance at the throat, mean pressure over velocity, in units of rho c."""
    frequency, impedance = directivity.observation.frequency, directivity.throat_impedance
    figure = Figure(figsize=(_WIDTH, 3.6), layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Throat impedance", x="frequency, Hz", y="impedance / (ρ c), no unit")
    if impedance is None:
        style.nothing(axes, "was not computed")
        return figure
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
    axes.axhline(1.0, color=style.QUIET, linewidth=0.8, linestyle=":")
    axes.plot(frequency, impedance.real, color=style.BLUE, linewidth=2.0, label="resistance")
    axes.plot(frequency, impedance.imag, color=style.ORANGE, linewidth=1.6, linestyle="--", label="reactance")
    style.over_frequency(axes, frequency, directivity.valid)
    style.legend(axes)
    return figure


def off_axis_curves(directivity: Directivity, *, frequencies: Sequence[float] = (1e3, 2e3, 4e3, 8e3, 16e3)) -> Figure:
    """Level re on-axis over the off-axis angle at the solved frequencies nearest to `frequencies` (Hz), first plane."""
    observation = directivity.observation
    seen = ~directivity.behind
    angle, level = observation.off_axis[seen] / DEGREE, tables.relative_level(directivity)[:, 0, seen]
    figure = Figure(figsize=(_WIDTH, 3.8), layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Off-axis curves", x="off-axis angle, degrees", y="level re on-axis, dB")
    near = dict.fromkeys(int(np.abs(np.log(observation.frequency / wanted)).argmin()) for wanted in frequencies)
    for row, (colour, dash) in zip(near, style.LINES, strict=False):
        label = f"{observation.frequency[row] / 1e3:.3g} kHz"
        axes.plot(angle, level[row], color=colour, linestyle=dash, linewidth=1.7, label=label)
    _angle_ticks(axes.xaxis, angle)
    axes.set_xlim(angle[0], max(angle[-1], angle[0] + 1.0))
    axes.set_ylim(_MAP_FLOOR, 3)
    axes.set_yticks([-30, -24, -18, -12, -6, -3, 0])
    style.legend(axes)
    return figure


def _angle_ticks(axis: Any, angle: FloatArray) -> None:
    """Ticks at round angles (degrees)."""
    step = 15 if np.ptp(angle) <= 90 else 30
    axis.set_ticks(np.arange(np.ceil(angle[0] / step) * step, angle[-1] + 1e-6, step))


def search_history(rows: Sequence[Mapping[str, Any]]) -> Figure:
    """Score over candidate number, by family and stage, with the best feasible score so far at each stage.

    rows : number, stage, score (dB, None where it failed), feasible and, where known, family of every candidate.
    """
    figure = Figure(figsize=(_WIDTH, 4.6), layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Search history", x="candidate number", y="score, dB (lower is better)")
    kept = [row for row in rows if row["score"] is not None and np.isfinite(row["score"])]
    if not kept:
        style.nothing(axes, "no candidate has been scored")
        return figure
    colours = dict(zip(dict.fromkeys(str(row.get("family", "")) for row in kept), itertools.cycle(style.COLOURS)))
    for full in (False, True):
        chosen = [row for row in kept if (row["stage"] == "full") == full]
        if not chosen:
            continue
        colour = [colours[str(row.get("family", ""))] for row in chosen]
        axes.scatter(
            [row["number"] for row in chosen],
            [row["score"] for row in chosen],
            s=28 if full else 6,
            facecolor="none" if full else colour,
            edgecolor=colour,
            linewidth=1.0 if full else 0.0,
            zorder=3 if full else 2,
        )
    for family, colour_of in colours.items():
        axes.scatter([], [], s=28, color=colour_of, label=family.replace("_", "-") or "candidate")
    if any(row["stage"] == "full" for row in kept):
        axes.scatter([], [], s=28, facecolor="none", edgecolor=style.INK, label="scored at full")
    last = max(row["number"] for row in kept)
    for stage, dash in zip(sorted({str(row["stage"]) for row in kept}), ("-", "--", ":"), strict=False):
        chosen = sorted(
            (row for row in kept if row["stage"] == stage and row["feasible"]), key=lambda row: int(row["number"])
        )
        if not chosen:
            continue
        best = np.minimum.accumulate([row["score"] for row in chosen])
        axes.plot(
            [*(row["number"] for row in chosen), last],
            [*best, best[-1]],
            drawstyle="steps-post",
            color=style.INK,
            linestyle=dash,
            linewidth=1.5,
            label=f"best, {stage}",
            zorder=4,
        )
    if min(row["score"] for row in kept) > 0:
        axes.set_yscale("log")
        low, high = axes.get_ylim()
        axes.minorticks_off()
        shown = [tick for tick in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low <= tick <= high]
        axes.set_yticks(shown, [f"{tick:g}" for tick in shown])
        axes.set_ylim(low, high)
    style.legend(axes)
    return figure
