"""Several units as files, spread.json and spread.csv: what they mean and warnings too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files
from evenflare.directivity.folder import Stored
from evenflare.measurement.compare import LOWEST_LEVEL
from evenflare.measurement.spread import Spread, SpreadFigures, air_shift
from evenflare.results import formats
from evenflare.results.comparison import figures_record, nominal, plain_json
from evenflare.results.places import plane_name
from evenflare.units import DEGREE

AIR_WORTH_SAYING = 0.002
"""Ratio of speeds of sound less 1, about 1.2 K."""


def index_spread(found: Spread) -> float:
    """dB, standard deviation of the units' indices over the valid frequencies."""
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
        "index_standard_deviation_db": None if found.index is None else index_spread(found),
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


def columns(found: Spread) -> formats.Columns:
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
    files.write_text(folder / "spread.json", formats.json_text(record(found, stored, said)))
    header = [
        "spread: levels re on axis over frequency and direction, over several units",
        f"units: {', '.join(str(each.path) for each in stored.values())}; reference unit: {found.reference_unit}",
        "units of columns: Hz, degrees, dB; azimuth 0 is horizontal, 90 vertical",
        *meaning(found),
        *(f"caution: {each}" for each in said),
    ]
    files.write_text(folder / "spread.csv", formats.csv_text(columns(found), header=header))
