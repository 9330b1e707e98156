"""Several units in words, pictures and on their page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.directivity.folder import Stored
from evenflare.measurement.spread import Spread, SpreadFigures
from evenflare.report.kit import canvas, sheet, style
from evenflare.report.kit.letters import entry, lettered
from evenflare.report.measurement.comparison_figures import cell_map, plane_file, reach
from evenflare.results.comparison import nominal
from evenflare.results.places import plane_name, where_words
from evenflare.results.spread import index_spread, meaning
from evenflare.units import FloatArray
from evenflare.words import hertz, signed


def lines(found: Spread) -> list[str]:
    """What is found, a sentence each without its full stop."""
    at, overall = found.observation, found.figures()
    valid = at.frequency[found.valid]
    said = [
        f"{len(found.units)} units scatter by {overall.standard_deviation:.3f} dB (standard deviation of one unit) over"
        f" {overall.cells} cells from {hertz(valid[0])} to {hertz(valid[-1])}"
    ]
    if overall.largest is not None:
        value, *place = overall.largest
        said.append(f"Greatest of a cell {value:.3f} dB: {where_words(at, *place)}")
    if found.index is not None:
        said.append(f"Index: {index_spread(found):.3f} dB standard deviation")
    for name, each in found.against_reference.items():
        all_cells = each.overall
        worst = all_cells.worst
        where = "" if worst is None else f", worst {signed(worst.deviation)} dB: {where_words(at, *worst[1:])}"
        said.append(
            f"{name} less {found.reference_unit} (reference unit): {all_cells.rms:.3f} dB rms,"
            f" bias {signed(all_cells.bias)} dB, level on axis {signed(found.gains[name])} dB{where}"
        )
    return said


def pictures(found: Spread) -> dict[str, Any]:
    """Figures by the names of their files."""
    at = found.observation
    drawn = {}
    for plane, azimuth in enumerate(at.plane.tolist()):
        drawn[f"spread_map{plane_file(at, azimuth)}.png"] = cell_map(
            at,
            found.standard_deviation[:, plane],
            title=f"Spread between {len(found.units)} units, {plane_name(at, azimuth)}",
            bar="standard deviation, dB",
            reach=reach(found.standard_deviation),
            valid=found.valid,
            seen=found.seen,
            signed_values=False,
        )[0]
    drawn["against_reference.png"] = _against_reference(found)
    if found.index is not None:
        drawn["index_of_units.png"] = _index(found, found.index)
    return drawn


def _against_reference(found: Spread) -> Any:
    """Rms over the directions of each unit less the reference unit, and their levels on axis."""
    drawn, (above, below) = canvas.stacked(5.4, ratios=(1, 1))
    style.dressed(
        above, lettered(f"Each unit less {found.reference_unit} (reference unit)"), x="", y="rms over\ndirections, dB"
    )
    style.dressed(below, "", x="frequency, Hz", y="level on axis, dB")
    below.axhline(0.0, color=style.QUIET, linewidth=0.8)
    frequency, names = found.observation.frequency, list(found.units)
    reference_unit, top = found.on_axis[names.index(found.reference_unit)], 0.0
    for (name, each), look in zip(found.against_reference.items(), _looks(len(names)), strict=False):
        rms = _rms(each.deviation, np.where(each.counted, each.weights, 0.0))
        above.plot(frequency, rms, label=entry(name), **look)
        below.plot(frequency, found.on_axis[names.index(name)] - reference_unit, **look)
        top = max(top, float(np.nanmax(rms, initial=0.0)))
    above.set_ylim(0.0, max(1.1 * top, 0.1))
    for axes, veil in ((above, "not valid"), (below, "")):
        style.over_frequency(axes, frequency, found.valid, veil=veil)
    style.legend(above)
    return drawn


def _rms(value: FloatArray, weight: FloatArray) -> FloatArray:
    """(F,) over planes and angles; nan where nothing counts."""
    total = weight.sum(axis=(1, 2))
    square = (weight * np.nan_to_num(value) ** 2).sum(axis=(1, 2))
    return np.asarray(np.sqrt(square / np.where(total > 0.0, total, np.nan)))


def _index(found: Spread, index: FloatArray) -> Any:
    drawn, axes = canvas.stacked(3.6, ratios=(1,))
    style.dressed(axes, "Directivity index of each unit", x="frequency, Hz", y="index, dB")
    for name, row, look in zip(found.units, index, _looks(len(index)), strict=False):
        axes.plot(found.observation.frequency, row, label=entry(name), **look)
    axes.set_ylim(min(0.0, axes.get_ylim()[0]), style.ceiling(axes, 2.0))
    style.over_frequency(axes, found.observation.frequency, found.valid)
    style.legend(axes)
    return drawn


def _looks(count: int) -> list[dict[str, Any]]:
    """Colours and dashes, used again where there are more units."""
    return [
        {"color": colour, "linestyle": dash, "linewidth": 1.6}
        for colour, dash in (style.LINES[i % len(style.LINES)] for i in range(count))
    ]


CAPTIONS = {
    "spread_map": "Standard deviation of one unit about the mean of all. Grey: not every unit lies above −20 dB, or is"
    " valid. A stripe along one angle is one unit's wrong file or angle.",
    "against_reference": "Above: pattern alone. Below: level on axis as measured, so that sensitivity counts.",
    "index_of_units": "Each unit by the same quadrature on the common directions.",
}
"""By what the name of a picture begins with."""


def caption(name: str) -> str:
    """Of a picture by the name of its file."""
    return next(words for start, words in CAPTIONS.items() if name.startswith(start))


def page(
    found: Spread,
    stored: Mapping[str, Stored],
    *,
    shown: Mapping[str, sheet.Picture],
    warnings: Sequence[str],
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with its pictures by the names of their files."""
    parts = [
        sheet.PageSection("Spread", [f"{line}." for line in lines(found)]),
        sheet.PageSection(
            f"Each unit less {found.reference_unit} (reference unit)",
            head=("Unit", "Bias, dB", "Rms, dB", "Worst, dB", "At", "Level on axis, dB"),
            rows=[_unit_row(found, name) for name in found.against_reference],
        ),
        sheet.PageSection(
            "By band and plane",
            ["Octave bands (IEC 61260-1), in dB."],
            head=("Band", "Plane", "Standard deviation", "Greatest of a cell", "Cells"),
            rows=[_band_row(found, *each) for each in found.bands],
        ),
        sheet.PageSection("Pictures", pictures=list(shown.values())),
        sheet.PageSection("What the figures mean", [f"{line}." for line in meaning(found)]),
    ]
    return sheet.sheet(
        f"{len(found.units)} units",
        f"Units in {', '.join(str(each.path) for each in stored.values())}. Made by evenflare.",
        parts=parts,
        written=written,
        command=command,
        warnings=warnings,
    )


def _unit_row(found: Spread, name: str) -> list[str]:
    each, gain = found.against_reference[name].overall, signed(found.gains[name])
    if each.worst is None:
        return [name, "–", "–", "–", "–", gain]
    place = where_words(found.observation, *each.worst[1:])
    return [name, signed(each.bias), f"{each.rms:.2f}", signed(each.worst.deviation), place, gain]


def _band_row(found: Spread, midband: float, azimuth: float, each: SpreadFigures) -> list[str]:
    plane = plane_name(found.observation, azimuth)
    most = "–" if each.largest is None else f"{each.largest[0]:.2f}"
    deviation = "–" if each.largest is None else f"{each.standard_deviation:.3f}"
    return [hertz(nominal(midband)), plane, deviation, most, str(each.cells)]
