"""A comparison as files, comparison.json and deviation.csv: its verdict and warnings too."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files
from evenflare.coarseness import coarse_words
from evenflare.directivity.folder import Stored
from evenflare.measurement.compare import DIRECTION_FACTOR, LOWEST_LEVEL, Cell, Comparison, DeviationFigures, Direction
from evenflare.measurement.read_off import EVEN_DB, ReadOff
from evenflare.measurement.sides import MEASUREMENTS, PREDICTIONS, TO_MODEL, Sides
from evenflare.results import formats, tables
from evenflare.results.places import direction_words, plane_name
from evenflare.units import DEGREE, MILLIMETRE

NOMINAL = (16, 31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000, 31500)
"""Hz, what the midbands of octave bands are called (IEC 61260-1:2014, annex A, from memory)."""
REFERENCE_WORDS = {
    "on_axis": "own level on axis",
    "listening_window": "own listening window (ANSI/CTA-2034-A, mean square of nine responses)",
}
MOST_SUSPECTS = 6
"""Directions named one by one."""


def nominal(midband: float) -> float:
    """Hz, an octave band's name."""
    return float(min(NOMINAL, key=lambda each: abs(math.log(each / midband))))


def normalisation(found: Comparison) -> str:
    """What levels count from, and which cells count."""
    return (
        f"Deviation is {found.sides.level}, each re its {REFERENCE_WORDS[found.reference]}, where both lie"
        f" above {LOWEST_LEVEL:g} dB of it and both are valid".replace(" -", " −")
    )


def verdict(found: Comparison, tolerance: float | None) -> str:
    """Whether it is within the tolerance, and by what."""
    if tolerance is None:
        return "No tolerance was given, so there is no verdict"
    worst = found.worst_direction
    limit = DIRECTION_FACTOR * tolerance
    over = f"{found.overall.rms:.2f} dB rms over all ({tolerance:g} allowed)"
    one = (
        ""
        if worst is None
        else f"{worst.rms:.2f} dB rms in the worst direction, {_there(found, worst)} ({limit:g} allowed)"
    )
    within = found.within(tolerance)
    return f"{'Within' if within else 'OUTSIDE'} a tolerance of {tolerance:g} dB: {over}, {one}"


def _there(found: Comparison, direction: Direction) -> str:
    return direction_words(found.observation, direction.azimuth, direction.off_axis)


def warnings(found: Comparison, measured: Stored, predicted: Stored) -> list[str]:
    """What a user must see before any figure."""
    said, sides = [], found.sides
    one, other = measured.mounting, predicted.mounting
    if one and other and one != other:
        remedy = ": solve the design with the mounting it was measured in" if sides == TO_MODEL else ""
        said.append(
            f'the mountings differ: {sides.names[0]} "{one}", {sides.names[1]} "{other}". Part of the deviation is'
            f" theirs{remedy}"
        )
    elif measured.directivity.half_space != predicted.directivity.half_space:
        spaces = ["half space" if d.directivity.half_space else "the whole space" for d in (measured, predicted)]
        said.append(f"{sides.names[0]} in {spaces[0]}, {sides.names[1]} in {spaces[1]}: only the front is compared")
    designs = measured.design_id, predicted.design_id
    # Predictions of two designs are what a designer wants to see side by side.
    if sides != PREDICTIONS and all(designs) and designs[0] != designs[1]:
        said.append(
            f"the measurement names the design {designs[0]}, the prediction is of {designs[1]}."
            " Check that they are the same waveguide"
            if sides == TO_MODEL
            else f"the measurements name two designs, {designs[0]} and {designs[1]}"
        )
    suspects = () if sides == PREDICTIONS else found.suspects  # no file of a rig can be wrong
    for each in suspects[:MOST_SUSPECTS]:
        said.append(
            f"{_there(found, each)} deviates by {each.rms:.1f} dB rms, far more than its neighbours. Check"
            " that it is the right file"
        )
    if len(suspects) > MOST_SUSPECTS:
        said.append(f"{len(suspects) - MOST_SUSPECTS} more directions deviate far more than their neighbours")
    coarse = coarse_words(found.measured)
    if coarse:
        said.append(f"{measured.path}: {coarse}")
    for each_file in (measured, predicted):
        said += [f"{each_file.path}: assumed {words}" for words in each_file.assumed]
    return said


def absolute(sides: Sides, *stored: Stored) -> bool | None:
    """Whether levels of what was measured are those of the sound: of the first, or of two measurements; None where
    their files do not say so.
    """
    told = [each.directivity.provenance.get("levels") for each in stored[: 2 if sides == MEASUREMENTS else 1]]
    if "relative" in told:
        return False
    return True if set(told) == {"absolute"} else None


def level_words(read: ReadOff, measured: Stored, predicted: Stored) -> str:
    """How the level on axis differs: what of it is gain, and what is shape over frequency."""
    level, sides = read.level, read.comparison.sides
    if not math.isfinite(level.gain):
        return "Level on axis: not known in both"
    who = "measured" if sides == TO_MODEL else "the first"
    louder = f"{who} is {abs(level.gain):.2f} dB {'louder' if level.gain > 0.0 else 'quieter'}"
    states = absolute(sides, measured, predicted)
    session, state = ("sessions", "state") if sides == MEASUREMENTS else ("session", "states")
    knows = {
        True: f"; the {session} {state} what full scale is, so the drive differs by as much",
        False: f"; the {session} {state} no level (full_scale_pa, zero_db_pa), so the gain says nothing",
        None: "",
    }[states]
    if level.kind == "gain":
        if abs(level.gain) < EVEN_DB:
            return f"Level on axis: alike, {level.raw:.2f} dB rms apart{knows if states is False else ''}"
        return f"Level: {louder} at every frequency ({level.even:.2f} dB rms about it): gain, not shape{knows}"
    turns = (
        f"{'rises' if level.slope > 0.0 else 'falls'} by {abs(level.slope):.2f} dB per octave beside {sides.nouns[1]}"
    )
    rest = (
        f"and its level on axis {turns}, {level.left:.2f} dB rms about that"
        if level.kind == "slope"
        else f"and beside that gain its level on axis differs by {level.even:.2f} dB rms over frequency"
    )
    whose = (
        "no part of the deviation, in which levels count from each one's own"
        if sides == PREDICTIONS
        else "of what drives the exit or resounds before it, alike in every direction, so no part of the deviation"
    )
    return f"Level: {louder} (median: gain), {rest}: {whose}{knows}"


def record(
    found: Comparison, read: ReadOff, measured: Stored, predicted: Stored, *, tolerance: float | None
) -> dict[str, Any]:
    """`comparison.json`: plain values; null where something could not be had."""
    valid, widths = found.observation.frequency[found.valid], read.beamwidths
    direction = found.worst_direction
    one, other = found.sides.names
    held = {
        one: _origin(measured),
        other: _origin(predicted),
        "kind": found.sides.kind,
        "reference_point_moved_mm": found.moved / MILLIMETRE,
        "reference": found.reference,
        "lowest_level_db": LOWEST_LEVEL,
        **figures_record(found.overall),
        "index_rms_db": read.rms(read.index),
        "beamwidth_rms_deg": {
            plane_name(found.observation, azimuth): None if (rms := read.rms(both)) is None else rms / DEGREE
            for azimuth, both in widths.items()
        },
        "gain_db": read.gain,
        "level_on_axis": {
            "raw_rms_db": read.level.raw,
            "gain_db": read.level.gain,
            "slope_db_per_octave": read.level.slope,
            "left_rms_db": read.level.left,
            "kind": read.level.kind,
            "absolute": absolute(found.sides, measured, predicted),
        },
        "on_axis_rms_db": read.rms(read.on_axis),
        "sound_power_rms_db": read.rms(read.power),
        "tolerance_db": tolerance,
        "within": None if tolerance is None else found.within(tolerance),
        "verdict": verdict(found, tolerance),
        "valid_from_hz": valid[0],
        "valid_to_hz": valid[-1],
        "worst_direction": None if direction is None else _direction(direction),
        "suspects": [_direction(each) for each in found.suspects],
        "left_out": {
            "cells_with_one_above": found.one_sided,
            "frequencies": found.frequencies_left_out,
            "directions": found.directions_left_out,
        },
        "planes": [{"azimuth_deg": azimuth / DEGREE, **figures_record(each)} for azimuth, each in found.planes],
        "bands": [
            {
                "octave_hz": nominal(band.midband),
                "azimuth_deg": None if band.azimuth is None else band.azimuth / DEGREE,
                **figures_record(band.figures),
            }
            for band in found.bands
        ],
        "warnings": warnings(found, measured, predicted),
    }
    return {key: plain_json(value) for key, value in held.items()}


def _origin(stored: Stored) -> dict[str, Any]:
    return {
        "path": str(stored.path),
        "name": stored.name,
        "design_id": stored.design_id,
        "mounting": stored.mounting,
        **tables.observed(stored.directivity),
    }


def _direction(direction: Direction) -> dict[str, float]:
    return {
        "azimuth_deg": direction.azimuth / DEGREE,
        "off_axis_deg": direction.off_axis / DEGREE,
        "rms_db": direction.rms,
    }


def figures_record(each: DeviationFigures) -> dict[str, Any]:
    """Figures of a deviation by the names that files give them."""
    return {
        "bias_db": each.bias,
        "rms_db": each.rms,
        "worst": None if each.worst is None else _cell(each.worst),
        "correlation": each.correlation,
        "cells": each.cells,
    }


def _cell(cell: Cell) -> dict[str, float]:
    return {
        "deviation_db": cell.deviation,
        "frequency_hz": cell.frequency,
        "azimuth_deg": cell.azimuth / DEGREE,
        "off_axis_deg": cell.off_axis / DEGREE,
    }


def plain_json(value: Any) -> Any:
    """Without numbers that JSON cannot hold, and without the rounding of radians."""
    if isinstance(value, Mapping):
        return {key: plain_json(each) for key, each in value.items()}
    if isinstance(value, list):
        return [plain_json(each) for each in value]
    if isinstance(value, float | np.floating):
        return round(float(value), 9) if math.isfinite(value) else None
    return value


def columns(found: Comparison) -> formats.Columns:
    """`deviation.csv`: a row for each frequency, plane and angle; counted 1 where the cell is part of the figures."""
    at, (measured, predicted) = found.observation, found.levels
    frequency, plane, off_axis = np.meshgrid(at.frequency, at.plane, at.off_axis, indexing="ij")
    values = {
        "frequency_hz": frequency,
        "azimuth_deg": plane / DEGREE,
        "off_axis_deg": off_axis / DEGREE,
        f"{found.sides.names[0]}_db": measured,
        f"{found.sides.names[1]}_db": predicted,
        "deviation_db": found.deviation,
        "valid": np.broadcast_to(found.valid[:, None, None], at.shape),
        "counted": found.counted,
    }
    return {name: np.asarray(each, dtype=np.float64).ravel() for name, each in values.items()}


def write(
    folder: Path, found: Comparison, read: ReadOff, measured: Stored, predicted: Stored, *, tolerance: float | None
) -> None:
    """comparison.json and deviation.csv in `folder`. Errors: InputError if it cannot be written."""
    held = record(found, read, measured, predicted, tolerance=tolerance)
    files.write_text(folder / "comparison.json", formats.json_text(held))
    one, other = found.sides.names
    header = [
        f"deviation: {found.sides.level} over frequency and direction",
        f"{one}: {measured.path} ({measured.name}); {other}: {predicted.path} ({predicted.name})",
        "units: Hz, degrees, dB; azimuth 0 is horizontal, 90 vertical; valid 1 where both can be trusted; counted 1"
        " where the cell is part of the figures",
        normalisation(found),
        *(f"caution: {each}" for each in held["warnings"]),
    ]
    files.write_text(folder / "deviation.csv", formats.csv_text(columns(found), header=header))
