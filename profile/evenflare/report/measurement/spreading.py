"""Several units in words, files, pictures and on their page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files
from evenflare.directivity.folder import Stored
from evenflare.measurement.compare import LOWEST_LEVEL
from evenflare.measurement.spread import Spread, SpreadFigures, air_shift
from evenflare.report.kit import canvas, sheet, style
from evenflare.report.kit.paper import entry, lettered
from evenflare.report.kit.words import hertz, signed
from evenflare.report.measurement.comparison import nominal
from evenflare.report.measurement.comparison_figures import cell_map, plane_file, plane_name, reach, where_words
from evenflare.report.measurement.comparison_tables import figures_record, plain_json
from evenflare.results import tables
from evenflare.units import DEGREE, FloatArray

AIR_WORTH_SAYING = 0.002
"""Ratio of speeds of sound less 1, about 1.2 K."""


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
        said.append(f"Most {value:.3f} dB: {where_words(at, *place)}")
    if found.index is not None:
        said.append(f"Index: {_index_spread(found):.3f} dB standard deviation")
    for name, each in found.against_reference.items():
        all_cells = each.overall
        worst = all_cells.worst
        where = "" if worst is None else f", worst {signed(worst.deviation)} dB: {where_words(at, *worst[1:])}"
        said.append(
            f"{name} less {found.reference_unit} (reference unit): {all_cells.rms:.3f} dB rms,"
            f" bias {signed(all_cells.bias)} dB, level on axis {signed(found.gains[name])} dB{where}"
        )
    return said


def _index_spread(found: Spread) -> float:
    index = np.zeros((2, 1)) if found.index is None else found.index[:, found.valid]
    return float(np.sqrt(np.mean(np.var(index, axis=0, ddof=1))))


def warnings(found: Spread, stored: Mapping[str, Stored]) -> list[str]:
    """What a user must see before any figure."""
    said = []
    mountings = {name: each.mounting for name, each in stored.items() if each.mounting}
    if len(set(mountings.values())) > 1:
        kinds = ", ".join(f'{name} "{kind}"' for name, kind in mountings.items())
        said.append(f"the mountings differ ({kinds}): part of the spread is theirs")
    designs = {each.design_id for each in stored.values() if each.design_id}
    if len(designs) > 1:
        said.append(f"the units name different designs ({', '.join(sorted(designs))}): part of the spread is theirs")
    shift = air_shift(found)
    if shift > AIR_WORTH_SAYING:
        said.append(
            f"the speed of sound differs by {100.0 * shift:.2f} % between units, which shifts every pattern along the"
            " frequency axis by as much: part of the spread is the weather's"
        )
    for name, each in found.against_reference.items():
        for direction in each.suspects[:3]:
            place = f"{plane_name(found.observation, direction.azimuth)} at {direction.off_axis / DEGREE:.4g}°"
            said.append(
                f"{name}: {place} differs from {found.reference_unit} by {direction.rms:.1f} dB rms, far more than its"
                " neighbours. Check that it is the right file"
            )
    return said


def meaning(found: Spread) -> list[str]:
    """What the figures are, a sentence each without its full stop."""
    return [
        f"Levels count from each unit's own on axis; cells count where every unit lies above −{-LOWEST_LEVEL:g} dB and"
        " is valid; cells are weighted by the area of the sphere that they stand for, frequencies count alike",
        "The standard deviation is that of one unit about the mean, with one less than their number in the divisor; of"
        f" {len(found.units)} units it is itself known to about {100.0 / np.sqrt(2.0 * (len(found.units) - 1)):.0f} %",
        "The same unit measured again and again tells what the measurement repeats: units that scatter more differ",
    ]


def record(found: Spread, stored: Mapping[str, Stored], said: Sequence[str]) -> dict[str, Any]:
    """`spread.json`: plain values; null where something could not be had."""
    at, valid = found.observation, found.observation.frequency[found.valid]
    held = {
        "reference_unit": found.reference_unit,
        "lowest_level_db": LOWEST_LEVEL,
        **_figures(found.figures()),
        "index_standard_deviation_db": None if found.index is None else _index_spread(found),
        "valid_from_hz": valid[0],
        "valid_to_hz": valid[-1],
        "units": [
            {
                "name": name,
                "path": str(each.path),
                "mounting": each.mounting,
                "design_id": each.design_id,
                "gain_db": found.gains[name],
                "against_reference": None
                if name == found.reference_unit
                else figures_record(found.against_reference[name].overall),
            }
            for name, each in stored.items()
        ],
        "bands": [
            {"octave_hz": nominal(midband), "azimuth_deg": azimuth / DEGREE, **_figures(each)}
            for midband, azimuth, each in found.bands
        ],
        "frequencies": int(at.frequency.size),
        "directions": int(at.plane.size * at.off_axis.size),
        "warnings": list(said),
    }
    return {key: plain_json(value) for key, value in held.items()}


def _figures(each: SpreadFigures) -> dict[str, Any]:
    largest = None
    if each.largest is not None:
        value, frequency, azimuth, off_axis = each.largest
        largest = {
            "standard_deviation_db": value,
            "frequency_hz": frequency,
            "azimuth_deg": azimuth / DEGREE,
            "off_axis_deg": off_axis / DEGREE,
        }
    return {"standard_deviation_db": each.standard_deviation, "largest": largest, "cells": each.cells}


def columns(found: Spread) -> tables.Columns:
    """`spread.csv`: a row for each frequency, plane and angle; empty where the cell does not count."""
    at = found.observation
    frequency, plane, off_axis = np.meshgrid(at.frequency, at.plane, at.off_axis, indexing="ij")
    values = {
        "frequency_hz": frequency,
        "azimuth_deg": plane / DEGREE,
        "off_axis_deg": off_axis / DEGREE,
        "mean_db": found.mean,
        "standard_deviation_db": found.standard_deviation,
        "range_db": found.span,
    }
    return {name: np.asarray(each, dtype=np.float64).ravel() for name, each in values.items()}


def write(folder: Path, found: Spread, stored: Mapping[str, Stored], said: Sequence[str]) -> None:
    """spread.json and spread.csv in `folder`. Errors: InputError if it cannot be written."""
    files.write_text(folder / "spread.json", tables.json_text(record(found, stored, said)))
    header = [
        "spread: levels re on axis over frequency and direction, over several units",
        f"units: {', '.join(str(each.path) for each in stored.values())}; reference unit: {found.reference_unit}",
        "units of columns: Hz, degrees, dB; azimuth 0 is horizontal, 90 vertical",
        *meaning(found),
        *(f"caution: {each}" for each in said),
    ]
    files.write_text(folder / "spread.csv", tables.csv_text(columns(found), header=header))


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
        sheet.Part("Spread", [f"{line}." for line in lines(found)]),
        sheet.Part(
            f"Each unit less {found.reference_unit} (reference unit)",
            head=("unit", "bias, dB", "rms, dB", "worst, dB", "at", "level on axis, dB"),
            rows=[_unit_row(found, name) for name in found.against_reference],
        ),
        sheet.Part(
            "By band and plane",
            ["Octave bands (IEC 61260-1), in dB."],
            head=("band", "plane", "standard deviation", "most", "cells"),
            rows=[_band_row(found, *each) for each in found.bands],
        ),
        sheet.Part("Pictures", pictures=list(shown.values())),
        sheet.Part("What the figures mean", [f"{line}." for line in meaning(found)]),
    ]
    return sheet.sheet(
        f"{len(found.units)} units",
        f"Units {', '.join(str(each.path) for each in stored.values())}. Made by evenflare.",
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
