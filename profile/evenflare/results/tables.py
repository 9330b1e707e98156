"""The tables of a solution: columns in the units that their names say, and the CSV and JSON files that hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files, metrics
from evenflare.coarseness import coarse_words
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation.source import WORDS
from evenflare.results.formats import LOUD, Columns, csv_text, json_text
from evenflare.results.summary import SUMMARY
from evenflare.target.target import Target, wanted_beamwidth, wanted_index
from evenflare.units import (
    DEGREE,
    MILLIMETRE,
    ComplexArray,
    FloatArray,
    amplitude_db,
)
from evenflare.waveguide import Driver

TWO_PLANES = (
    "alike on both sides of the horizontal and of the vertical plane: what is written at an azimuth from 0 to 90"
    " degrees holds at 180 minus it, at 180 plus it and at minus it as well"
)
"""Header line of a directivity of that symmetry, and
LEFT_RIGHT of one whose upper and lower half differ."""
LEFT_RIGHT = (
    "alike left and right: what is written at an azimuth from 0 to 90 degrees holds at 180 minus it as well, with a"
    " negative off-axis angle at minus it and at 180 plus it"
)

ERRORS_TOLD = (
    "error_estimate_db: of the directivity index; polar_error_db: the largest re on axis in any direction above -20 dB"
    " re on axis; impedance_error_percent: of the throat impedance's magnitude",
)
"""Header lines of what is told of errors."""

_DIRECTIONS = "units: Hz, degrees, dB; azimuth 0 is horizontal, 90 vertical; valid 1 where the result can be trusted"


def predicted(driver: Driver) -> tuple[str, str]:
    """Header lines of what is predicted with a driver."""
    source = "1 m/s rms times the exit's area" if driver.source.kind == "velocity" else WORDS[driver.source.kind]
    motion = "uniform motion" if driver.velocity_profile is None else "motion after the velocity profile"
    return f"predicted for {source}; rigid lossless walls, {motion} of the air in the exit", LOUD


PREDICTED = predicted(Driver())
"""Those of an even velocity of 1 m/s rms."""


def relative_pressure(directivity: Directivity) -> ComplexArray:
    """(F, P, A) pressure over the on-axis pressure; nan behind a baffle and where the on-axis pressure is 0."""
    on_axis = np.where(directivity.on_axis == 0, np.nan, directivity.on_axis)
    relative = directivity.pressure / on_axis[:, None, None]
    relative[..., directivity.behind] = np.nan
    return np.asarray(relative)


def relative_level(directivity: Directivity) -> FloatArray:
    """(F, P, A) dB re on-axis; nan where `relative_pressure` is, or where nothing at all arrives."""
    level = amplitude_db(relative_pressure(directivity))
    return np.where(np.isfinite(level), level, np.nan)


def directivity_columns(directivity: Directivity) -> Columns:
    """One row per frequency, plane and angle: level (dB) and phase (degrees) re on-axis."""
    observation = directivity.observation
    shape = observation.shape
    frequency, plane, off_axis = np.meshgrid(
        observation.frequency, observation.plane, observation.off_axis, indexing="ij"
    )
    level = relative_level(directivity)
    phase = np.where(np.isnan(level), np.nan, np.angle(relative_pressure(directivity)) / DEGREE)
    valid = np.broadcast_to(directivity.valid[:, None, None], shape) & ~directivity.behind
    columns = {
        "frequency_hz": frequency,
        "azimuth_deg": plane / DEGREE,
        "off_axis_deg": off_axis / DEGREE,
        "level_db": level,
        "phase_deg": phase,
        "valid": valid,
    }
    return {name: np.asarray(values, dtype=np.float64).ravel() for name, values in columns.items()}


def summary_columns(directivity: Directivity, *, by_plane: bool = False) -> Columns:
    """One row per frequency: both directivity indices, beamwidth, on-axis, power, throat impedance, validity.

    by_plane : a beamwidth for the horizontal and one for the vertical plane even where one plane stands for all, or is
               all that was observed.
    Index and power are nan where the observed angles leave out part of the sphere, the far field's index where it was
    only observed at a finite distance.
    """
    nothing = np.full(directivity.observation.frequency.size, np.nan)
    known = uncovered(directivity) == ""
    found: Columns = {}
    for each in SUMMARY:
        if each.there(directivity, by_plane):
            values = each.values(directivity) if known or not each.sphere(directivity) else None
            found[each.name] = nothing if values is None else values
    return found


def standard_columns(directivity: Directivity) -> Columns:
    """The curves of ANSI/CTA-2034-A, one row per frequency; nan where the angles leave out part of the sphere."""
    frequency = directivity.observation.frequency
    if uncovered(directivity):
        curves = {each.name: np.full(frequency.size, np.nan) for each in fields(metrics.StandardCurves)}
    else:
        curves = vars(metrics.standard_curves(directivity))
    return {"frequency_hz": frequency, **{f"{name}_db": values for name, values in curves.items()}}


def uncovered(directivity: Directivity) -> str:
    """Why index, power and the standard's curves cannot be had from the observed angles; empty if they can."""
    try:
        metrics.sphere_weights(directivity.observation, half_space=directivity.half_space)
        metrics.standard_curves(directivity)
    except ValueError as error:
        return str(error)
    return ""


def target_columns(target: Target, frequency: FloatArray) -> Columns:
    """What a target wants at each frequency (Hz): index and tolerance in dB, beamwidth in degrees; nan for nothing.

    The beamwidth's columns are named as in `summary_columns`: one for a round target, one a plane for an oblong one.
    """
    index, tolerance, _ = wanted_index(target, frequency)
    columns = {"frequency_hz": frequency, "index_db": index, "tolerance_db": tolerance}
    for plane, azimuth in target.planes.items():
        width = wanted_beamwidth(target, frequency, plane=azimuth)
        columns[f"beamwidth{plane}_deg"] = np.full(frequency.size, np.nan) if width is None else width / DEGREE
    return columns


def write_solution(
    folder: Path,
    directivity: Directivity,
    *,
    name: str,
    design_id: str,
    provenance: Mapping[str, Any] | None = None,
    cautions: Sequence[str] = PREDICTED,
    by_plane: bool = False,
) -> list[Path]:
    """directivity.csv, summary.csv, standard_curves.csv and provenance.json in `folder`; their paths.

    provenance : plain values beside the directivity's own: command, settings, seed.
    cautions   : lines for the headers.
    by_plane   : as `summary_columns`.
    Errors     : InputError if the folder cannot be written.
    """
    observation = directivity.observation
    common = origin(observation, name, design_id)
    space = _space(directivity)
    weights = ["in half space the samples at 90 degrees carry half their weight"] if directivity.half_space else []
    lacking = [f"empty: {uncovered(directivity)}"] if uncovered(directivity) else []
    coarse = [f"caution: {words}" for words in [coarse_words(directivity)] if words]
    written = {
        "directivity.csv": (
            directivity_columns(directivity),
            "directivity: level and phase re on-axis over frequency and direction",
            _DIRECTIONS,
            [*_symmetry(observation), *space],
        ),
        "summary.csv": (
            summary_columns(directivity, by_plane=by_plane),
            "summary: one row per frequency",
            "units: Hz, dB, degrees; on-axis level re 20 uPa"
            + (" at 1 m" if observation.far_field else f" at {observation.distance:g} m")
            + ", sound power re 1 pW; throat impedance over rho c, no unit; empty where not applicable",
            [
                "directivity_index_db: whole sphere; sound_power_index_db: listening window less sound power",
                *distance_notes(observation),
                *coarse,
                *ERRORS_TOLD,
                *space,
                *lacking,
            ],
        ),
        "standard_curves.csv": (
            standard_columns(directivity),
            "curves after ANSI/CTA-2034-A, from both orbits in 10 degree steps",
            "units: Hz, dB; indices are listening window less early reflections, and less sound power",
            [*space, *weights, *lacking],
        ),
    }
    for file, (columns, what, units, notes) in written.items():
        files.write_text(folder / file, csv_text(columns, header=[what, *common, units, *notes, *cautions]))
    record = {
        "name": name,
        "design_id": design_id,
        **directivity.provenance,
        **(provenance or {}),
        "observed": observed(directivity),
    }
    files.write_text(folder / "provenance.json", json_text(record))
    return [*(folder / file for file in written), folder / "provenance.json"]


def write_balloon(
    path: Path, directivity: Directivity, *, name: str, design_id: str, cautions: Sequence[str] = PREDICTED
) -> Path:
    """Levels all round, one row per frequency, observed azimuth and angle: what a directivity balloon is drawn from.

    directivity : observed in planes closely enough for the drawing, every 15 degrees from 0 to 90 for instance. The
                  rows are those of `directivity_columns` without the phase, and the header says by which symmetry the
                  other azimuths follow.
    cautions    : lines for the header.
    Errors      : InputError if the file cannot be written.
    """
    columns = directivity_columns(directivity)
    del columns["phase_deg"]
    header = [
        "balloon: level re on-axis over frequency and direction",
        *origin(directivity.observation, name, design_id),
        _DIRECTIONS,
        *_symmetry(directivity.observation),
        *_space(directivity),
        *cautions,
    ]
    files.write_text(path, csv_text(columns, header=header))
    return path


def origin(observation: Observation, name: str, design_id: str) -> list[str]:
    """Header lines: whose result it is, and from where it is seen."""
    seen = "in the far field" if observation.far_field else f"at {observation.distance:g} m"
    origin = f"{observation.reference_z / MILLIMETRE:g} mm"
    return [
        f"design: {name}; id {design_id or 'not known'}",
        f"seen {seen}; angles, distance and phase count from the axis at z = {origin} from the throat plane",
    ]


def distance_notes(observation: Observation) -> list[str]:
    """Header lines: of which distance an index and a beamwidth are."""
    if observation.far_field:
        return []
    return [
        f"indices and beamwidth are those at {observation.distance:g} m: near a large mouth several dB from the far"
        " field's; far_field_index_db (summary.csv): whole sphere in the far field, as targets want it, where a solver"
        " knows it"
    ]


def observed(directivity: Directivity) -> dict[str, Any]:
    """What the tables leave out and a reader of them needs: from where it was observed, and in what air."""
    observation = directivity.observation
    return {
        "distance_m": None if observation.far_field else float(observation.distance),
        "reference_z_mm": observation.reference_z / MILLIMETRE,
        "symmetry": observation.symmetry,
        "half_space": directivity.half_space,
        "speed_of_sound_m_per_s": float(directivity.speed_of_sound),
        "density_kg_per_m3": float(directivity.density),
        "own_power": directivity.sound_power is not None,
    }


def _space(directivity: Directivity) -> list[str]:
    return ["half space: an infinite baffle, nothing is radiated behind it"] if directivity.half_space else []


def _symmetry(observation: Observation) -> list[str]:
    told = {"two_planes": TWO_PLANES, "left_right": LEFT_RIGHT}
    return [told[observation.symmetry]] if observation.symmetry in told else []
