"""Pictures of a comparison: maps of the deviation, its course over frequency and angle, what is read off both."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Observation
from evenflare.measurement.compare import DIRECTION_FACTOR, Cell, Comparison
from evenflare.measurement.read_off import ReadOff, Two
from evenflare.measurement.sides import PREDICTIONS
from evenflare.report.kit import canvas, style
from evenflare.results.places import plane_name
from evenflare.units import DEGREE, BoolArray, FloatArray
from evenflare.words import signed

DIVERGING = "PuOr"
"""Orange below zero, violet above: apart for colour-blind eyes."""
SPREADING = "cividis"
LEAST_REACH, MOST_REACH = 1.0, 12.0
"""dB, ends of a map's colours."""
SHARE = 0.97
"""Of a map's cells, that lie within its colours: one wrong file shall not make the others pale."""
UNCOUNTED = "#aab3ba"


def plane_file(observation: Observation, azimuth: float) -> str:
    """What a file's name says of a plane; nothing where it is the only one."""
    if observation.plane.size == 1:
        return ""
    name = plane_name(observation, azimuth)
    return f"_{name}" if name in metrics.PLANES else f"_{azimuth / DEGREE:.4g}"


def pictures(found: Comparison, read: ReadOff, *, tolerance: float | None) -> dict[str, Any]:
    """Figures by the names of their files."""
    observation = found.observation
    drawn = {
        f"deviation_map{plane_file(observation, float(azimuth))}.png": deviation_map(found, plane)
        for plane, azimuth in enumerate(observation.plane)
    }
    drawn["deviation_over_frequency.png"] = _over_frequency(found, tolerance)
    drawn["deviation_over_angle.png"] = _over_angle(found, tolerance)
    if read.index is not None:
        drawn["index_compared.png"] = _index(found, read.index)
    drawn["beamwidth_compared.png"] = _beamwidths(found, read)
    drawn["level_and_power_compared.png"] = _levels(found, read)
    return drawn


def deviation_map(found: Comparison, plane: int) -> Any:
    """Deviation over frequency and angle in one plane, its worst cell marked; grey where it does not count."""
    observation = found.observation
    value = np.where(found.counted, found.deviation, np.nan)
    name = plane_name(observation, float(observation.plane[plane]))
    drawn, axes = cell_map(
        observation,
        value[:, plane],
        title=f"Deviation, {name}: {found.sides.less}",
        bar="deviation, dB",
        reach=reach(value),
        valid=found.valid,
        seen=found.seen,
    )
    worst = found.overall.worst
    if worst is not None and abs(worst.azimuth - observation.plane[plane]) < metrics.SAME_ANGLE:
        _mark(axes, worst, observation)
    return drawn


def reach(values: FloatArray) -> float:
    """dB, a round number that few values exceed, nan left out."""
    known = np.abs(values[np.isfinite(values)])
    if not known.size:
        return LEAST_REACH
    return float(np.clip(np.ceil(2.0 * np.quantile(known, SHARE)) / 2.0, LEAST_REACH, MOST_REACH))


def cell_map(
    observation: Observation,
    values: FloatArray,
    *,
    title: str,
    bar: str,
    reach: float,
    valid: BoolArray,
    seen: BoolArray,
    signed_values: bool = True,
) -> tuple[Any, Any]:
    """Values (F, A) as cells over frequency and angle, grey where nan; the figure and its axes.

    seen : (A,) angles to be drawn.
    """
    frequency, angle = observation.frequency, observation.off_axis[seen] / DEGREE
    drawn, axes = canvas.stacked(4.0, ratios=(1,))
    style.dressed(axes, title, x="frequency, Hz", y="off-axis angle, degrees", grid=False)
    axes.set_facecolor(UNCOUNTED)
    shades = axes.pcolormesh(
        _edges(frequency, ratio=True),
        _edges(angle),
        np.ma.masked_invalid(values[:, seen].T),
        cmap=DIVERGING if signed_values else SPREADING,
        vmin=-reach if signed_values else 0.0,
        vmax=reach,
        rasterized=True,
    )
    style.over_frequency(axes, frequency, valid)
    step = 15 if np.ptp(angle) <= 90 else 30
    axes.set_yticks(np.arange(np.ceil(angle[0] / step) * step, angle[-1] + 1e-6, step))
    axes.set_ylim(angle[0], angle[-1])
    colours = drawn.colorbar(shades, ax=axes, pad=0.02, aspect=28, extend="both" if signed_values else "max")
    colours.set_label(bar, color=style.INK, fontsize=style.TEXT)
    colours.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    colours.outline.set_visible(False)
    return drawn, axes


def _edges(middles: FloatArray, *, ratio: bool = False) -> FloatArray:
    """Half-way between neighbours, and as far beyond the ends."""
    if middles.size == 1:
        return np.array([0.8, 1.25]) * middles if ratio else middles + np.array([-0.5, 0.5])
    x = np.log(middles) if ratio else middles
    inner = 0.5 * (x[1:] + x[:-1])
    edges = np.concatenate([[2.0 * x[0] - inner[0]], inner, [2.0 * x[-1] - inner[-1]]])
    return np.asarray(np.exp(edges) if ratio else edges)


def _mark(axes: Any, worst: Cell, observation: Observation) -> None:
    """A ring around the worst cell, and its deviation beside it, toward the middle."""
    angle = worst.off_axis / DEGREE
    axes.plot([worst.frequency], [angle], "o", color=style.INK, markersize=10, markerfacecolor="none", zorder=4)
    right = worst.frequency > np.sqrt(observation.frequency[0] * observation.frequency[-1])
    up = angle < 0.5 * (observation.off_axis[0] + observation.off_axis[-1]) / DEGREE
    axes.annotate(
        f"worst {signed(worst.deviation)} dB",
        (worst.frequency, angle),
        xytext=(-8 if right else 8, 8 if up else -8),
        textcoords="offset points",
        ha="right" if right else "left",
        va="bottom" if up else "top",
        fontsize=style.TEXT - 1,
        color=style.INK,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.5},
        zorder=5,
    )


def _over_frequency(found: Comparison, tolerance: float | None) -> Any:
    """Rms and bias over the directions of each plane at each frequency."""
    observation = found.observation
    drawn, (above, below) = canvas.stacked(5.0, ratios=(1.4, 1))
    style.dressed(above, "Deviation over frequency", x="", y="rms, dB")
    style.dressed(below, "", x="frequency, Hz", y="bias, dB")
    below.axhline(0.0, color=style.QUIET, linewidth=0.8)
    top = 0.0
    for plane, (colour, dash) in zip(range(observation.plane.size), style.LINES, strict=False):
        bias, rms = at_each_frequency(found, plane)
        name = plane_name(observation, float(observation.plane[plane]))
        above.plot(observation.frequency, rms, color=colour, linestyle=dash, linewidth=1.8, label=name)
        below.plot(observation.frequency, bias, color=colour, linestyle=dash, linewidth=1.8)
        top = max(top, float(np.nanmax(rms, initial=0.0)), float(np.nanmax(np.abs(bias), initial=0.0)))
    _tolerated(above, tolerance, "tolerance of the rms over all")
    reach = 1.1 * max(top, tolerance or 0.0, 0.2)
    above.set_ylim(0.0, reach)
    below.set_ylim(-reach, reach)
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, observation.frequency, found.valid, veil=veil)
    style.legend(above)
    return drawn


def at_each_frequency(found: Comparison, plane: int) -> Two:
    """Bias and rms (F,) dB over a plane's counted cells, weighted by area; nan where there are none."""
    counted = found.counted[:, plane]
    weight = np.where(counted, found.weights, 0.0)
    total = weight.sum(axis=1)
    share = weight / np.where(total > 0.0, total, np.nan)[:, None]
    value = np.where(counted, found.deviation[:, plane], 0.0)
    return (share * value).sum(axis=1), np.sqrt((share * value**2).sum(axis=1))


def _over_angle(found: Comparison, tolerance: float | None) -> Any:
    """Rms over the valid frequencies in each direction."""
    observation = found.observation
    drawn, axes = canvas.stacked(3.4, ratios=(1,))
    style.dressed(axes, "Deviation over angle", x="off-axis angle, degrees", y="rms, dB")
    angle, top = observation.off_axis[found.seen] / DEGREE, 0.0
    for plane, (colour, dash) in zip(range(observation.plane.size), style.LINES, strict=False):
        rms = found.direction_rms[plane, found.seen]
        name = plane_name(observation, float(observation.plane[plane]))
        axes.plot(angle, rms, color=colour, linestyle=dash, linewidth=1.8, marker=".", markersize=4, label=name)
        top = max(top, float(np.nanmax(rms, initial=0.0)))
    _tolerated(axes, None if tolerance is None else DIRECTION_FACTOR * tolerance, "tolerance of one direction")
    for each in () if found.sides == PREDICTIONS else found.suspects:
        axes.plot([each.off_axis / DEGREE], [each.rms], "o", color=style.INK, markersize=10, markerfacecolor="none")
    axes.set_ylim(0.0, 1.1 * max(top, DIRECTION_FACTOR * (tolerance or 0.0), 0.2))
    step = 15 if np.ptp(angle) <= 90 else 30
    axes.set_xticks(np.arange(np.ceil(angle[0] / step) * step, angle[-1] + 1e-6, step))
    axes.set_xlim(angle[0], angle[-1])
    style.legend(axes)
    return drawn


def _tolerated(axes: Any, tolerance: float | None, words: str) -> None:
    if tolerance is not None:
        axes.axhline(tolerance, color=style.GREEN, linewidth=1.4, linestyle=(0, (1, 1)), label=words)


def _index(found: Comparison, index: Two) -> Any:
    drawn, (above, below) = canvas.stacked(4.8, ratios=(2.2, 1))
    style.dressed(above, "Directivity index, whole sphere", x="", y="index, dB")
    one, other = found.sides.names
    style.dressed(below, "", x="frequency, Hz", y=f"{one} less\n{other}, dB")
    _both(found, above, index)
    above.set_ylim(min(0.0, above.get_ylim()[0]), style.ceiling(above, 2.0))
    _difference(found, below, index)
    _over_both(found, (above, below))
    return drawn


def _beamwidths(found: Comparison, read: ReadOff) -> Any:
    """A panel a plane, two planes at most."""
    shown = list(read.beamwidths.items())[:2]
    drawn, panels = canvas.stacked(0.8 + 2.4 * len(shown), ratios=(1,) * len(shown))
    panels = list(np.atleast_1d(panels))
    for axes, (azimuth, widths) in zip(panels, shown, strict=True):
        title = "Beamwidth at −6 dB" if axes is panels[0] else ""
        label = "frequency, Hz" if axes is panels[-1] else ""
        name = plane_name(found.observation, azimuth)
        style.dressed(axes, title, x=label, y=f"{name},\ndegrees")
        _both(found, axes, (widths[0] / DEGREE, widths[1] / DEGREE))
        axes.set_ylim(0, style.ceiling(axes, 30.0))
    _over_both(found, panels)
    return drawn


def _levels(found: Comparison, read: ReadOff) -> Any:
    """Level on axis and sound power, those of the first shifted by one gain."""
    pairs = [("on axis,\ndB re 20 µPa", read.on_axis)]
    if read.power is not None:
        pairs.append(("sound power,\ndB re 1 pW", read.power))
    drawn, panels = canvas.stacked(1.0 + 2.3 * len(pairs), ratios=(1,) * len(pairs))
    panels = list(np.atleast_1d(panels))
    for axes, (words, both) in zip(panels, pairs, strict=True):
        first, last = axes is panels[0], axes is panels[-1]
        title = f"Level and power, {found.sides.names[0]} shifted by {signed(-read.gain)} dB" if first else ""
        style.dressed(axes, title, x="frequency, Hz" if last else "", y=words)
        _both(found, axes, both)
    _over_both(found, panels)
    return drawn


def _both(found: Comparison, axes: Any, both: Two) -> None:
    for values, words, (colour, dash) in zip(both, found.sides.names, style.LINES, strict=False):
        axes.plot(found.observation.frequency, values, color=colour, linestyle=dash, linewidth=1.9, label=words)


def _difference(found: Comparison, axes: Any, both: Two) -> None:
    value = both[0] - both[1]
    axes.axhline(0.0, color=style.QUIET, linewidth=0.8)
    axes.plot(found.observation.frequency, value, color=style.INK, linewidth=1.5)
    high = 1.15 * max(float(np.nanmax(np.abs(value[found.valid]), initial=0.0)), 0.1)
    axes.set_ylim(-high, high)


def _over_both(found: Comparison, panels: Sequence[Any]) -> None:
    for axes in panels:
        veil = "not valid" if axes is panels[0] else ""
        style.over_frequency(axes, found.observation.frequency, found.valid, veil=veil)
    style.legend(panels[0])
