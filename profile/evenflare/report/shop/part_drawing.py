"""The part on one sheet of paper, to scale: sections, front, sizes, the wall at stations, datums, cautions."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np

from evenflare.manufacture.casting.casting import CAUTIONS as CASTING_CAUTIONS
from evenflare.manufacture.part.oblong_sizes import OblongSizes, flange_bolts
from evenflare.manufacture.part.rings import radius_at as round_radius
from evenflare.manufacture.part.slices import slices
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.points.points import CAUTIONS
from evenflare.manufacture.process.types import Process
from evenflare.report.kit import paper, style, wall
from evenflare.report.kit.paper import LONG, MARGIN, SHORT, lettered
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide

SCALES = (1.0, 2.0, 2.5, 5.0, 10.0)
"""Of reduction (ISO 5455:1979), the first with which all views fit."""
STATIONS = 9
_STRIP = 84.0
"""mm, beside the views, for words."""
_LINE = 3.7
_SMALL = 7.0
_AROUND = 26.0
"""mm of paper about a view, for its dimension lines."""
_FRONT = 24.0
"""mm of paper about the front view, likewise."""
_TITLE = 9.0
_THIN = {"color": style.QUIET, "linewidth": 0.4}


def drawing(waveguide: Waveguide, solid: SolidFile, process: Process, *, name: str, design_id: str) -> Any:
    """One A4 page, lying; at its scale if it is printed at its size."""
    page = paper.blank(LONG, SHORT)
    planes = [("A–A", 0.0)] if waveguide.is_round else [("A–A, horizontal", 0.0), ("B–B, vertical", 0.5 * np.pi)]
    width, height = (2.0 * half for half in _halves(solid))
    low, high = (
        float(edge) / MILLIMETRE for edge in (solid.mesh.vertices[:, 2].min(), solid.mesh.vertices[:, 2].max())
    )
    room = LONG - 2 * MARGIN - _STRIP
    scale = _scale(waveguide, (high - low), max(width, height) / MILLIMETRE, width / MILLIMETRE, room, len(planes))
    left, middle = MARGIN, 0.5 * (SHORT + _TITLE)
    for title, azimuth in planes:
        across = (width if azimuth == 0.0 else height) / MILLIMETRE
        span = (high - low) / scale + _AROUND
        axes = _view(page, left, middle, span, across / scale + 2 * 16.0, scale, title=f"Section {title}")
        axes.set_xlim(low - 15.0 * scale, low + (span - 15.0) * scale)
        _section(axes, waveguide, solid, azimuth=azimuth, scale=scale)
        left += span + 4.0
    span = width / MILLIMETRE / scale + _FRONT
    axes = _view(page, left, middle, span, height / MILLIMETRE / scale + 2 * 16.0, scale, title="Front")
    axes.set_xlim(-0.5 * span * scale, 0.5 * span * scale)
    _front(axes, waveguide, solid, scale=scale)
    _words(page, waveguide, solid, process, scale=scale, name=name, design_id=design_id)
    _bar(page, scale)
    return page


def _halves(solid: SolidFile) -> tuple[float, float]:
    """m, half the part's width and height."""
    x, y = np.abs(solid.mesh.vertices[:, :2]).max(axis=0).tolist()
    return x, y


def _scale(waveguide: Waveguide, deep: float, high: float, wide: float, room: float, sections: int) -> float:
    free = room - sections * (_AROUND + 4.0) - _FRONT
    for scale in SCALES:
        if sections * deep / scale + wide / scale <= free and high / scale <= SHORT - 2 * MARGIN - _TITLE - 40.0:
            return scale
    return SCALES[-1]


def _view(page: Any, left: float, middle: float, width: float, height: float, scale: float, *, title: str) -> Any:
    """Axes in mm of the part, for a view of so many mm of paper, its middle on the axis."""
    axes = page.add_axes((left / LONG, (SHORT - middle - 0.5 * height) / SHORT, width / LONG, height / SHORT))
    axes.set_ylim(-0.5 * height * scale, 0.5 * height * scale)
    axes.set_axis_off()
    axes.text(0.5, 1.0, title, transform=axes.transAxes, ha="center", va="bottom", size=_SMALL + 1, color=style.INK)
    return axes


def _section(axes: Any, waveguide: Waveguide, solid: SolidFile, *, azimuth: float, scale: float) -> None:
    outlines = [outline / MILLIMETRE for outline in slices(solid.mesh, azimuth=azimuth)]
    for outline in outlines:
        axes.fill(*outline.T, facecolor="#eef1f3", edgecolor=style.INK, linewidth=0.9, hatch="///", hatch_linewidth=0.4)
    points = np.concatenate(outlines)
    back, front, edge = float(points[:, 0].min()), float(points[:, 0].max()), float(points[:, 1].max())
    axes.plot([back - 6 * scale, front + 8 * scale], [0, 0], color=style.QUIET, linewidth=0.6, dashes=(10, 3, 2, 3))
    depth = waveguide.depth / MILLIMETRE
    throat = 0.5 * _across(waveguide, 0.0, azimuth)
    mouth = 0.5 * _across(waveguide, waveguide.depth, azimuth)
    _length(axes, (0.0, -edge - 9 * scale), (depth, -edge - 9 * scale), f"{depth:.2f}", scale=scale, foot=-edge)
    if back < -1e-3:
        _length(axes, (back, -edge - 4 * scale), (0.0, -edge - 4 * scale), f"{-back:.2f}", scale=scale, foot=-edge)
    sign = "Ø" if waveguide.is_round else ""
    at = front + 6 * scale
    _length(axes, (at, -mouth), (at, mouth), f"{sign}{2 * mouth:.2f}", scale=scale, foot=front)
    at = back - 5 * scale
    _length(axes, (at, -throat), (at, throat), f"Ø{2 * throat:.2f}", scale=scale, foot=back)
    sizes = solid.sizes
    if sizes.kind == "shell":
        thick = sizes.flange_thickness / MILLIMETRE
        at = edge + 5 * scale
        _length(axes, (depth - thick, at), (depth, at), f"{thick:.2f}", scale=scale, foot=edge)
    box = {"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": style.INK, "linewidth": 0.6}
    axes.plot([front, front], [edge, edge + 9 * scale], **_THIN)
    axes.text(front, edge + 9 * scale, "A", size=_SMALL, ha="center", va="center", bbox=box)


def _front(axes: Any, waveguide: Waveguide, solid: SolidFile, *, scale: float) -> None:
    sizes, (half_width, half_height) = solid.sizes, _halves(solid)
    turn = np.linspace(0.0, 2 * np.pi, 241)
    if isinstance(sizes, OblongSizes) and sizes.flange_diameter is None:
        x, y = np.array([1, -1, -1, 1, 1]) * half_width, np.array([1, 1, -1, -1, 1]) * half_height
    else:
        x, y = half_width * np.cos(turn), half_width * np.sin(turn)
    axes.plot(x / MILLIMETRE, y / MILLIMETRE, color=style.INK, linewidth=0.9)
    for z in (waveguide.depth, 0.0):
        if waveguide.is_round:
            radius = round_radius(waveguide.meridian, z)
            rim = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        else:
            rim = wall.section(waveguide.surface, z)
        axes.plot(*rim.T / MILLIMETRE, color=style.INK, linewidth=0.9)
    for bolt in flange_bolts(sizes):
        axes.plot(*np.divide(bolt, MILLIMETRE), marker="+", color=style.INK, markersize=6, markeredgewidth=0.7)
    for ends in (((-1, 1), (0, 0)), ((0, 0), (-1, 1))):
        axes.plot(
            np.array(ends[0]) * (half_width / MILLIMETRE + 3 * scale),
            np.array(ends[1]) * (half_height / MILLIMETRE + 3 * scale),
            color=style.QUIET,
            linewidth=0.6,
            dashes=(10, 3, 2, 3),
        )
    w, h = half_width / MILLIMETRE, half_height / MILLIMETRE
    rectangle = isinstance(sizes, OblongSizes) and sizes.flange_diameter is None
    sign, at = "" if rectangle else "Ø", -h - 9 * scale
    _length(axes, (-w, at), (w, at), f"{sign}{2 * w:.2f}", scale=scale, foot=-h)
    if rectangle:
        at = w + 9 * scale
        _length(axes, (at, -h), (at, h), f"{2 * h:.2f}", scale=scale, foot=w)


def _across(waveguide: Waveguide, z: float, azimuth: float) -> float:
    """mm, of the opening at a depth."""
    if waveguide.is_round:
        return 2.0 * round_radius(waveguide.meridian, z) / MILLIMETRE
    return 2.0 * wall.radius_at(waveguide.surface, z, azimuth) / MILLIMETRE


def _length(
    axes: Any,
    start: tuple[float, float],
    stop: tuple[float, float],
    words: str,
    *,
    scale: float,
    foot: float,
) -> None:
    """A dimension line with its number; `foot`: where the part is, from which its extension lines come."""
    upright = start[0] == stop[0]
    for x, y in (start, stop):
        if upright:
            axes.plot([foot + np.sign(x - foot) * scale, x + np.sign(x - foot) * scale], [y, y], **_THIN)
        else:
            axes.plot([x, x], [foot + np.sign(y - foot) * scale, y + np.sign(y - foot) * scale], **_THIN)
    arrow = {"arrowstyle": "<->", "color": style.INK, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 6}
    axes.annotate("", stop, start, arrowprops=arrow)
    axes.text(
        0.5 * (start[0] + stop[0]),
        0.5 * (start[1] + stop[1]),
        words,
        size=_SMALL,
        color=style.INK,
        ha="center",
        va="center",
        rotation=90 if upright else 0,
        bbox={"boxstyle": "square,pad=0.12", "facecolor": "white", "edgecolor": "none"},
    )


def _words(
    page: Any, waveguide: Waveguide, solid: SolidFile, process: Process, *, scale: float, name: str, design_id: str
) -> None:
    """Title, sizes, stations, notes and cautions in a strip at the right."""
    left, down = LONG - MARGIN - _STRIP, MARGIN
    for line in textwrap.wrap(name, 34)[:2]:
        _say(page, line, left, down, size=11, weight="bold")
        down += 5.2
    sizes, mass = solid.sizes, solid.volume * process.density
    facts = [
        f"design id {design_id}",
        f"scale 1 : {scale:g} on A4, sizes in mm",
        f"{sizes.kind} of {process.material}, {solid.volume * 1e3:.3f} litres, {mass:.2f} kg",
        *([f"wall {sizes.wall / MILLIMETRE:.2f} at least"] if sizes.kind == "shell" else []),
        _bolt_words(solid),
        *_features(solid),
        f"waveguide's wall: profile of a surface within {2 * process.tolerance / MILLIMETRE:g}, equally about the shape"
        " of points.csv (ISO 1101), referred to datums A and B",
        "datum A: front face, the mouth plane; datum B: the axis, of the throat's bore",
        "other sizes: ISO 2768-m. Edges of mouth and throat sharp: do not break them by more than 0.2",
    ]
    down = _list(page, facts, left, down + 1.0)
    down = _stations(page, waveguide, left, down + 2.0)
    about = CASTING_CAUTIONS if "pattern" in process.makes else CAUTIONS
    cautions = [each.removeprefix("caution: ") for each in about if "These are points" not in each]
    _say(page, "Cautions", left, down + 2.0, weight="bold")
    _list(page, cautions, left, down + 6.0)


def _bolt_words(solid: SolidFile) -> str:
    sizes = solid.sizes
    count = len(flange_bolts(sizes))
    if count == 0:
        return "no holes in the front"
    if isinstance(sizes, OblongSizes):
        return f"{count} holes in the front where marked, for the screws at hand; places in the head of points.csv"
    circle = f"Ø{sizes.bolt_circle / MILLIMETRE:.2f}"
    return f"{count} holes in the front, for the screws at hand, evenly on a circle of {circle}, the first on x"


def _features(solid: SolidFile) -> list[str]:
    """What is cut from the part besides its wall."""
    seat, features, words = solid.features.seat, solid.features, []
    if seat.depth > 0.0:
        words.append(
            f"driver's seat in the back: Ø{seat.diameter / MILLIMETRE:.2f}, {seat.depth / MILLIMETRE:.2f} deep"
        )
    if seat.is_cut and seat.bolts:
        words.append(
            f"{seat.bolts} holes Ø{seat.hole_diameter / MILLIMETRE:.2f} for the driver,"
            f" {seat.hole_depth / MILLIMETRE:.2f} deep from the throat plane, on a circle of"
            f" Ø{seat.bolt_circle / MILLIMETRE:.2f}, the first on x"
        )
    if solid.sizes.kind == "shell" and seat.is_cut:
        radius, top = (length / MILLIMETRE for length in features.hub(solid.sizes.wall))
        words.append(f"hub that carries it Ø{2 * radius:.2f}, from the back face to {top:.2f} above the throat plane")
    if features.edge_radius > 0.0:
        words.append(f"edge between front and outside R{features.edge_radius / MILLIMETRE:.2f}")
    elif features.has_rim:
        wide, deep = features.rebate_width / MILLIMETRE, features.rebate_depth / MILLIMETRE
        words.append(f"rebate round the front {wide:.2f} wide, {deep:.2f} deep")
    return words


def _stations(page: Any, waveguide: Waveguide, left: float, down: float) -> float:
    depths = np.linspace(0.0, waveguide.depth, STATIONS)
    heads = ["z", "diameter"] if waveguide.is_round else ["z", "width", "height"]
    planes = (0.0,) if waveguide.is_round else (0.0, 0.5 * np.pi)
    _say(page, "The wall, from the throat plane z = 0 to the mouth", left, down, weight="bold")
    down += _LINE + 0.6
    for k, head in enumerate(heads):
        _say(page, head, left + 24.0 * (k + 1), down, ha="right", colour=style.QUIET)
    for z in depths.tolist():
        down += _LINE
        values = [z / MILLIMETRE, *(_across(waveguide, z, azimuth) for azimuth in planes)]
        for k, value in enumerate(values):
            _say(page, f"{value:.3f}", left + 24.0 * (k + 1), down, ha="right")
    return down + _LINE


def _list(page: Any, texts: list[str], left: float, down: float) -> float:
    for text in texts:
        for k, line in enumerate(textwrap.wrap(text, 62)):
            if k == 0:
                _say(page, "–", left, down)
            _say(page, line, left + 3.0, down)
            down += _LINE
    return down


def _say(
    page: Any,
    text: str,
    x: float,
    down: float,
    *,
    size: float = _SMALL,
    weight: str = "normal",
    ha: str = "left",
    colour: str = style.INK,
) -> None:
    page.text(x / LONG, 1.0 - down / SHORT, lettered(text), size=size, weight=weight, color=colour, ha=ha, va="top")


def _bar(page: Any, scale: float) -> None:
    """50 mm of paper, so that a print shows whether it kept the scale."""
    axes = page.add_axes((MARGIN / LONG, MARGIN / SHORT, 50.0 / LONG, 4.0 / SHORT))
    axes.set_xlim(0.0, 50.0)
    axes.set_ylim(0.0, 4.0)
    axes.set_axis_off()
    axes.plot([0.0, 0.0, 50.0, 50.0], [3.0, 0.2, 0.2, 3.0], color=style.INK, linewidth=0.8, clip_on=False)
    axes.text(25.0, 1.0, f"50 mm of paper, {50 * scale:g} mm of the part", size=_SMALL, ha="center", va="bottom")
