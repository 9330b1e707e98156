"""Pictures of a waveguide and of its sound: the only place that draws. Each function returns a figure of its own.

Colours stay apart for colour-blind eyes and in grey print, and every line also has its own dash.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgb
from matplotlib.figure import Figure

from evenflare.directivity.types import Directivity
from evenflare.report.kit import canvas, scene, style
from evenflare.report.kit.smooth import between
from evenflare.report.kit.wall import grid
from evenflare.report.waveguide import drawing, history, wanted
from evenflare.report.waveguide.balloon import balloon, balloon_cells, octaves
from evenflare.results import tables
from evenflare.studies.directions import differs_round
from evenflare.target.target import Target
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import hertz

_MAP = LinearSegmentedColormap.from_list("evenflare", style.LEVELS)
_CONTOURS = (-18.0, -12.0, -6.0, -3.0)
_MAP_FLOOR, _MAP_STEP, _MAP_POINTS = -30.0, 1.5, 181
_BAR_TICKS = (-30, -24, -18, -12, -6, -3, 0)


def pictures(
    waveguide: Waveguide,
    directivity: Directivity | None,
    target: Target | None = None,
    *,
    all_round: Directivity | None = None,
) -> dict[str, Figure]:
    """Every picture of a waveguide, by the name of its file; of its sound where that is solved.

    Of an oblong waveguide its front as well; a map of each plane; and, where `all_round` is drawable and not the same
    round the axis, balloons.
    """
    found = {"profile.png": profile(waveguide)}
    if not waveguide.is_round:
        found["front.png"] = front(waveguide)
    if directivity is None:
        return found
    for name, plane in planes(directivity).items():
        found[f"directivity_map{name and '_' + name}.png"] = directivity_map(directivity, plane=plane)
    found["index_and_beamwidth.png"] = index_and_beamwidth(directivity, target)
    found["off_axis_curves.png"] = off_axis_curves(directivity)
    found["standard_curves.png"] = standard_curves(directivity)
    found["throat_impedance.png"] = throat_impedance(directivity)
    if all_round is not None and differs_round(all_round):
        found["balloon.png"] = balloons_at_octaves(all_round)
    return found


def planes(directivity: Directivity) -> dict[str, int]:
    """Index of each observed plane that is drawn, by its name; of no name where one stands for all.

    The horizontal one, the one nearest to halfway between (diagonal) and the vertical one.
    """
    azimuth = directivity.observation.plane
    if azimuth.size == 1:
        return {"": 0}
    named: dict[str, int] = {}
    for name, at in (("horizontal", 0.0), ("diagonal", 0.25 * np.pi), ("vertical", 0.5 * np.pi)):
        nearest = int(np.abs(azimuth - at).argmin())
        if nearest not in named.values():
            named[name] = nearest
    return named


def profile(waveguide: Waveguide) -> Figure:
    """The meridians mirrored about the axis, to scale in mm, with the sizes that a maker checks first."""
    figure = Figure(layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Profile", x="z from the throat plane, mm", y="r, mm")
    drawing.profile(axes, waveguide, width=canvas.WIDTH)
    style.legend(axes)
    return figure


def front(waveguide: Waveguide) -> Figure:
    """Sections of an oblong waveguide at several depths, throat and mouth among them, to scale in mm."""
    figure = Figure(layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Front", x="x, horizontal, mm", y="y, vertical, mm")
    drawing.front(axes, waveguide)
    style.legend(axes)
    figure.set_size_inches(
        canvas.WIDTH, min(6.3, 1.6 + (canvas.WIDTH - 0.9) * waveguide.mouth_height / waveguide.mouth_width)
    )
    return figure


def shape(waveguide: Waveguide, cells: FloatArray | None = None) -> Figure:
    """The wall in space, seen from in front of the mouth, to its right and above.

    cells : (N, 3) red, green, blue, 0 to 1, of the grid's cells, row by row; None for the colours of its sides.
    """
    figure = Figure(figsize=(canvas.WIDTH, 4.4), layout="constrained")
    axes, points = figure.add_subplot(), grid(waveguide)
    style.titled(figure, "Shape")
    parts = scene.pieces(points)
    sides = np.where(parts.inside[:, None], to_rgb(style.INSIDE), to_rgb(style.OUTSIDE))
    _painted(axes, parts, sides if cells is None else cells[parts.cell])
    rim = scene.seen(points[-1, [*range(points.shape[1]), 0]])
    axes.plot(rim[:, 0], rim[:, 1], color=style.INK, linewidth=1.2)
    return figure


def balloons_at_octaves(directivity: Directivity) -> Figure:
    """Directivity balloons to one scale: distance from the centre and colour are the level re on-axis.

    The dotted ring in the plane of the mouth is as far out as the on-axis level, the line runs along the axis.
    """
    found = balloon(directivity)
    rows = octaves(found.frequency)
    across = min(3, rows.size)
    down = -(-rows.size // across)
    figure = Figure(figsize=(canvas.WIDTH, 0.9 + 2.0 * down), layout="constrained")
    style.titled(figure, "Directivity balloon")
    panels = figure.subplots(down, across, squeeze=False).ravel()
    scale = ScalarMappable(Normalize(_MAP_FLOOR, style.HIGHEST), _MAP)
    for axes, row in zip(panels, rows.tolist(), strict=False):
        parts = scene.pieces(found.points(row))
        _painted(axes, parts, scale.to_rgba(balloon_cells(found, row)[parts.cell])[:, :3])
        scene.framed(axes)
        words = hertz(found.frequency[row]) + ("" if found.valid[row] else ", not valid")
        axes.set_title(words, fontsize=style.TEXT, color=style.INK, y=0.97)
    for axes in panels[rows.size :]:
        axes.set_axis_off()
    if panels.size > rows.size:
        scene.directions(panels[-1])
    bar = figure.colorbar(scale, ax=list(panels), location="bottom", aspect=45, pad=0.02, ticks=_BAR_TICKS)
    _bar(bar)
    return figure


def _painted(axes: Any, parts: scene.Pieces, colour: FloatArray) -> None:
    """Pieces (N) in their colours (N, 3) under their light, on axes of one scale without a frame."""
    lit = np.clip(colour * parts.light[:, None], 0.0, 1.0)
    axes.add_collection(PolyCollection(list(parts.outline), facecolors=lit, edgecolors=lit, linewidths=0.4))
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.autoscale_view()


def _bar(bar: Any) -> None:
    bar.set_label("level re on-axis, dB", color=style.INK, fontsize=style.TEXT)
    bar.ax.tick_params(labelsize=style.TEXT - 1, colors=style.QUIET)
    bar.outline.set_visible(False)


def directivity_map(directivity: Directivity, *, plane: int = 0) -> Figure:
    """Level re on-axis over frequency and off-axis angle in one observed plane, with contour lines.

    plane : index of the plane in the observation. In a baffle the map ends at 90 degrees.
    """
    observation = directivity.observation
    seen = ~directivity.behind
    frequency, angle = observation.frequency, observation.off_axis[seen] / DEGREE
    level = np.nan_to_num(tables.relative_level(directivity)[:, plane, seen].T, nan=2 * _MAP_FLOOR)
    figure = Figure(figsize=(canvas.WIDTH, 4.1), layout="constrained")
    axes = style.dressed(
        figure.add_subplot(),
        _named("Directivity map", directivity, plane),
        x="frequency, Hz",
        y="off-axis angle, degrees",
        grid=False,
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
        vmax=style.HIGHEST,
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
    bar = figure.colorbar(shades, ax=axes, pad=0.02, aspect=28, ticks=_BAR_TICKS)
    bar.add_lines(lines)
    _bar(bar)
    return figure


def _finely(frequency: FloatArray, angle: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Frequencies, angles and levels (A, F) of a grid fine enough for smooth lines."""
    logs = np.log(frequency)
    fine, steep = np.linspace(logs[0], logs[-1], _MAP_POINTS), np.linspace(angle[0], angle[-1], _MAP_POINTS)
    # Far below the map's floor a null is as deep as any, and would bend its surroundings.
    drawn = between(angle, np.maximum(level, 2 * _MAP_FLOOR), steep, axis=0)
    return np.exp(fine), steep, between(logs, drawn, fine, axis=1)


def index_and_beamwidth(directivity: Directivity, target: Target | None = None) -> Figure:
    """Both directivity indices and the -6 dB beamwidth over frequency, against the target's band if there is one.

    The wanted index of the target is shaded from wanted - tolerance to wanted + tolerance.
    """
    columns = tables.summary_columns(directivity)
    frequency = columns["frequency_hz"]
    figure = Figure(figsize=(canvas.WIDTH, 5.2), layout="constrained")
    above, below = figure.subplots(2, 1, sharex=True)
    style.dressed(above, "Directivity index and beamwidth", x="", y="index, dB")
    style.dressed(below, "", x="frequency, Hz", y="beamwidth at −6 dB, degrees")
    if target is not None:
        # Finely, because a wanted curve may bend between the frequencies that the target gives.
        columns_wanted = tables.target_columns(target, np.geomspace(target.frequency[0], target.frequency[-1], 241))
        wanted.index(above, columns_wanted, kind=target.index_kind)
        wanted.beams(below, columns_wanted, half_space=directivity.half_space)
    index = columns["directivity_index_db"]
    error = np.nan_to_num(columns["error_estimate_db"], posinf=0.0)
    above.fill_between(frequency, index - error, index + error, color=style.BLUE, alpha=0.25, linewidth=0)
    seen, far = directivity.observation, columns["far_field_index_db"]
    here = "" if seen.far_field else f" at {seen.distance:g} m"
    above.plot(frequency, index, color=style.BLUE, linewidth=2.0, label=f"whole-sphere index{here}")
    if not seen.far_field and np.isfinite(far).any():
        above.plot(frequency, far, color=style.BLUE, linewidth=1.2, linestyle=":", label="whole sphere, far field")
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
        colour, dash = style.PLANES[words] if words else (colour, dash)
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
    figure = Figure(figsize=(canvas.WIDTH, 4.8), layout="constrained")
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
    figure = Figure(figsize=(canvas.WIDTH, 3.6), layout="constrained")
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
    """Level re on-axis over the off-axis angle at the solved frequencies nearest to `frequencies` (Hz), by plane."""
    observation, drawn = directivity.observation, planes(directivity)
    seen = ~directivity.behind
    angle, level = observation.off_axis[seen] / DEGREE, tables.relative_level(directivity)[:, :, seen]
    figure = Figure(figsize=(canvas.WIDTH, 3.8 if len(drawn) == 1 else 0.9 + 2.3 * len(drawn)), layout="constrained")
    panels = figure.subplots(len(drawn), 1, sharex=True, squeeze=False).ravel()
    near = dict.fromkeys(int(np.abs(np.log(observation.frequency / each)).argmin()) for each in frequencies)
    for axes, (name, plane) in zip(panels, drawn.items(), strict=True):
        last = axes is panels[-1]
        words = f"{name}, level re on-axis, dB" if name else "level re on-axis, dB"
        style.dressed(
            axes,
            "Off-axis curves" if axes is panels[0] else "",
            x="off-axis angle, degrees" if last else "",
            y=words,
        )
        for row, (colour, dash) in zip(near, style.LINES, strict=False):
            label = f"{observation.frequency[row] / 1e3:.3g} kHz"
            axes.plot(angle, level[row, plane], color=colour, linestyle=dash, linewidth=1.7, label=label)
        _angle_ticks(axes.xaxis, angle)
        axes.set_xlim(angle[0], max(angle[-1], angle[0] + 1.0))
        axes.set_ylim(_MAP_FLOOR, 3)
        axes.set_yticks([-30, -24, -18, -12, -6, -3, 0])
    style.legend(panels[0])
    return figure


def _named(title: str, directivity: Directivity, plane: int) -> str:
    """A title with the plane where there are several."""
    azimuth = directivity.observation.plane
    if azimuth.size == 1:
        return title
    name = next((name for name, index in planes(directivity).items() if index == plane), "")
    return f"{title}, {name}{' plane' if name else 'plane'} at {azimuth[plane] / DEGREE:g}°"


def _angle_ticks(axis: Any, angle: FloatArray) -> None:
    """Ticks at round angles (degrees)."""
    step = 15 if np.ptp(angle) <= 90 else 30
    axis.set_ticks(np.arange(np.ceil(angle[0] / step) * step, angle[-1] + 1e-6, step))


def search_history(rows: Sequence[Mapping[str, Any]]) -> Figure:
    """Score over candidate number, by family and stage, with the best feasible score so far at each stage.

    rows : number, stage, score (dB, None where it failed), feasible and, where known, family of every candidate.
    """
    figure = Figure(figsize=(canvas.WIDTH, 4.6), layout="constrained")
    axes = style.dressed(figure.add_subplot(), "Search history", x="candidate number", y="score, dB (lower is better)")
    history.scores(axes, rows)
    return figure
