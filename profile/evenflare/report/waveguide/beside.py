"""Shapes of a search side by side: their meridians to one scale, and their indices over frequency."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.metrics import directivity_index, standard_curves
from evenflare.objective import Score
from evenflare.report.kit import canvas, style
from evenflare.report.kit.sheet import PageSection, picture
from evenflare.report.waveguide import drawing, wanted
from evenflare.results import tables
from evenflare.target.target import BAND_SLACK, Target
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.words import spoken

ACROSS = 3
"""Panels in a row of small pictures."""


class Shown(NamedTuple):
    """A waveguide under a short name; its sound where it was solved for this."""

    name: str
    waveguide: Waveguide
    directivity: Directivity | None = None


def side_by_side(shapes: Sequence[Shown], target: Target) -> Any:
    """Each shape in a panel of its own: the meridian over the first one's, to one scale, and below it the index."""
    rows = -(-len(shapes) // ACROSS)
    heard = any(each.directivity is not None for each in shapes)
    parts = 2 if heard else 1
    drawn, panels = canvas.grid(rows * parts, ACROSS, height=rows * (3.4 if heard else 1.9) + 0.5)
    style.titled(drawn, "Shapes side by side")
    for axes in panels.ravel():
        axes.set_axis_off()
    low, high = _levels(shapes, target)
    for place, each in enumerate(shapes):
        row, column = parts * (place // ACROSS), place % ACROSS
        above = panels[row, column]
        above.set_axis_on()
        _meridians(above, shapes, place)
        if each.directivity is not None:
            below = panels[row + 1, column]
            below.set_axis_on()
            _index(below, [each], target)
            below.set_ylim(low, high)
    return drawn


def overlaid(shapes: Sequence[Shown], target: Target, *, title: str = "From start to winner") -> Any:
    """All shapes on one pair of axes: meridians, and indices over frequency."""
    heard = [each for each in shapes if each.directivity is not None]
    drawn, panels = canvas.grid(2 if heard else 1, 1, height=5.6 if heard else 2.8)
    above = panels[0, 0]
    style.dressed(above, title, x="z from the throat plane, mm", y="r, mm")
    for each, (colour, dash) in zip(shapes, style.LINES, strict=False):
        _wall(above, each.waveguide, colour=colour, dash=dash, label=each.name)
    above.set_aspect("equal")
    above.set_ylim(bottom=0.0)
    if heard:
        style.dressed(panels[1, 0], "", x="frequency, Hz", y="index, dB")
        _index(panels[1, 0], heard, target)
    style.legend(above)
    return drawn


def _meridians(axes: Any, shapes: Sequence[Shown], place: int) -> None:
    each = shapes[place]
    style.dressed(axes, "", x="", y="")
    axes.set_title(each.name, fontsize=style.TEXT - 1, color=style.INK)
    _wall(axes, shapes[0].waveguide, colour="#b4bdc4", dash="-", width=1.0)
    _wall(axes, each.waveguide, colour=style.BLUE, dash="-")
    walls = [wall.dense for shape in shapes for wall in drawing.meridians(shape.waveguide).values()]
    axes.set_aspect("equal")
    axes.set_xlim(-2.0, max(float(wall.z.max()) for wall in walls) / MILLIMETRE + 2.0)
    axes.set_ylim(0.0, 1.04 * max(float(wall.r.max()) for wall in walls) / MILLIMETRE)


def _wall(axes: Any, waveguide: Waveguide, *, colour: str, dash: Any, width: float = 1.8, label: str = "") -> None:
    for plane, wall in drawing.meridians(waveguide).items():
        frame = wall.dense
        axes.plot(
            frame.z / MILLIMETRE,
            frame.r / MILLIMETRE,
            color=colour,
            linestyle=style.PLANES["vertical"][1] if plane == "vertical" else dash,
            linewidth=width,
            label=label if plane != "vertical" else None,
        )


def _index(axes: Any, shapes: Sequence[Shown], target: Target) -> None:
    """The kind of index that the target names, over the wanted band."""
    low, high = target.frequency[[0, -1]]
    columns = tables.target_columns(target, np.geomspace(low, high, 121))
    style.dressed(axes, "", x=axes.get_xlabel(), y=axes.get_ylabel())
    wanted.index(axes, columns, kind=target.index_kind)
    for each, (colour, dash) in zip(shapes, style.LINES, strict=False):
        found = each.directivity
        if found is None:
            continue
        frequency, index = _index_of(found, target)
        axes.plot(frequency, index, color=colour, linestyle=dash, linewidth=1.8)
    axes.set_xscale("log")
    axes.minorticks_off()
    shown = [tick for tick in style.TICKS if 0.999 * low <= tick <= 1.001 * high]
    axes.set_xticks(shown, [style.thousands(tick) for tick in shown])
    axes.set_xlim(low, high)


def _index_of(found: Directivity, target: Target) -> tuple[FloatArray, FloatArray]:
    """Frequencies (F,) Hz within the wanted band, and the index (F,) dB there, of the kind that the target names."""
    frequency, (low, high) = found.observation.frequency, target.frequency[[0, -1]]
    inside = (frequency >= low * (1 - BAND_SLACK)) & (frequency <= high * (1 + BAND_SLACK))
    index = directivity_index(found) if target.index_kind == "sphere" else standard_curves(found).sound_power_index
    return frequency[inside], index[inside]


def _levels(shapes: Sequence[Shown], target: Target) -> tuple[float, float]:
    """dB between which all indices lie, so that the panels have one scale."""
    found = [_index_of(each.directivity, target)[1] for each in shapes if each.directivity is not None]
    values = np.concatenate([*found, target.index_db - target.tolerance_db, target.index_db + target.tolerance_db])
    step = 2.0
    return step * float(np.floor(np.nanmin(values) / step)), step * float(np.ceil(np.nanmax(values) / step))


def terms_rows(scores: Mapping[str, Score]) -> tuple[list[str], list[list[str]]]:
    """Head and rows of a table of scores by term, a column for each."""
    terms = dict.fromkeys(name for each in scores.values() for name in each.terms)
    rows = [["score", *(f"{each.value:.3f}" for each in scores.values())]]
    for term in terms:
        found = (each.terms.get(term) for each in scores.values())
        rows.append([spoken(term.removesuffix("_db")), *("–" if value is None else f"{value:.3f}" for value in found)])
    return ["dB", *scores], rows


def section(
    title: str,
    lines: Sequence[str],
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    drawn: Any,
    alt: str,
    caption: str,
) -> PageSection:
    """A section of the page with a table and, where something was drawn, a picture."""
    pictures = () if drawn is None else (picture(drawn, alt=alt, caption=caption),)
    return PageSection(title, lines, head, rows, pictures)
