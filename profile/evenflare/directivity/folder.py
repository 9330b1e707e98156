"""A directivity read back: from the folder that holds its tables, or from an AES69 (SOFA) file."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from evenflare.columns import numbers
from evenflare.directivity.types import Directivity, Observation, Symmetry
from evenflare.files import InputError, is_file, is_folder
from evenflare.names import name_in
from evenflare.parsing import read_json
from evenflare.schema import shown
from evenflare.text import from_path
from evenflare.units import (
    DEGREE,
    MILLIMETRE,
    PERCENT,
    REFERENCE_POWER,
    REFERENCE_PRESSURE,
    ComplexArray,
    FloatArray,
)

DIRECTIONS = ("frequency_hz", "azimuth_deg", "off_axis_deg", "level_db", "phase_deg")
SUMMARY = ("frequency_hz", "on_axis_level_db", "on_axis_phase_deg", "valid")
ERRORS = ("error_estimate_db", "polar_error_db", "impedance_error_percent")
ALSO = ("sound_power_level_db", "throat_resistance", "throat_reactance", "far_field_index_db", *ERRORS)
"""Columns of summary.csv that may be empty."""
OBSERVED = ("distance_m", "reference_z_mm", "symmetry", "half_space", "speed_of_sound_m_per_s", "density_kg_per_m3")
"""Keys of "observed" in provenance.json."""
BOUNDS = {
    "frequency_hz": (0.0, 1e6),
    "azimuth_deg": (-360.0, 360.0),
    "off_axis_deg": (-180.0, 180.0),
    **dict.fromkeys(("level_db", "on_axis_level_db", "sound_power_level_db", "far_field_index_db"), (-1000.0, 1000.0)),
    **dict.fromkeys(("error_estimate_db", "polar_error_db"), (-1000.0, 1000.0)),
    **dict.fromkeys(("phase_deg", "on_axis_phase_deg", "throat_resistance", "throat_reactance"), (-1e9, 1e9)),
    "impedance_error_percent": (0.0, 1e9),
    "valid": (0.0, 1.0),
    "distance_m": (1e-3, 1e6),
    "reference_z_mm": (-1e6, 1e6),
    "speed_of_sound_m_per_s": (50.0, 5000.0),
    "density_kg_per_m3": (1e-3, 100.0),
}
"""Beyond which a value is a slip, in a column or of "observed"."""
WORDS = ("name", "design_id", "mounting", "source")
"""Keys of provenance.json whose values are text, where they are there."""
AGAIN = "Write the folder again, with evenflare solve or evenflare measure"

Columns = dict[str, FloatArray]


@dataclass(frozen=True)
class Stored:
    """A directivity and what its files say of it.

    directivity : as it was written, to the decimals of the tables; exactly from a SOFA file of ours.
    name        : of the design or the measurement.
    design_id   : 12 hexadecimal digits; empty where not known.
    mounting    : "baffle", "sphere" or "free_standing"; empty where not known.
    path        : the folder or the file.
    assumed     : what the files do not say and was taken to be, in words.
    """

    directivity: Directivity
    name: str
    design_id: str
    mounting: str
    path: Path
    assumed: tuple[str, ...] = ()

    @property
    def origin(self) -> Literal["measured", "predicted", ""]:
        """Where it comes from; empty where that is not known, as of another's SOFA file."""
        provenance = self.directivity.provenance
        if "method" in provenance or self.directivity.throat_impedance is not None:
            return "predicted"  # no rig tells the throat's impedance
        if provenance.get("origin") == "measured" or (self.path.suffix.lower() == ".sofa" and not self.assumed):
            return "measured"
        return ""


def read_directivity(path: Path | str) -> Stored:
    """The directivity that a folder holds (directivity.csv, summary.csv, provenance.json), or a .sofa file.

    Tables hold levels to 1e-4 dB, phases and angles to 1e-3 degrees, frequencies to 1e-4 Hz. The pressure is 0 where
    nothing was written (behind a baffle).
    Errors: InputError if a file is missing, broken, or lacks a direction; it names the file and where it can the line.
    """
    path = Path(path)
    if path.suffix.lower() == ".sofa" and not is_folder(path):
        from evenflare.directivity.sofa import read_sofa

        found = read_sofa(path)
        return Stored(found.directivity, found.name, found.design_id, found.mounting, path, found.assumed)
    if not is_folder(path):
        what = "is a file" if is_file(path) else "is not there"
        raise InputError(
            f"{path}: {what}. Name a folder that evenflare solve or evenflare measure has written, or a .sofa file"
        )
    record, observed = _record(path / "provenance.json")
    air = float(observed["speed_of_sound_m_per_s"]), float(observed["density_kg_per_m3"])
    observation, relative = _grid(path / "directivity.csv", observed)
    summary = _summary(path / "summary.csv", observation.frequency)
    on_axis = _on_axis(summary, observation, speed_of_sound=air[0])
    power = _column(summary, "sound_power_level_db")
    impedance = _column(summary, "throat_resistance"), _column(summary, "throat_reactance")
    share = _column(summary, "impedance_error_percent")
    directivity = Directivity(
        observation=observation,
        pressure=on_axis[:, None, None] * relative,
        valid=summary["valid"] == 1.0,
        density=air[1],
        speed_of_sound=air[0],
        half_space=bool(observed["half_space"]),
        sound_power=REFERENCE_POWER * 10.0 ** (0.1 * power) if power is not None and observed["own_power"] else None,
        throat_impedance=None if impedance[0] is None or impedance[1] is None else impedance[0] + 1j * impedance[1],
        error_estimate=_column(summary, "error_estimate_db"),
        far_field_index=_column(summary, "far_field_index_db"),
        polar_error=_column(summary, "polar_error_db"),
        impedance_error=None if share is None else share * PERCENT,
        provenance={key: value for key, value in record.items() if key != "observed"},
    )
    usual = {"name": from_path(path.name), "mounting": "baffle" if directivity.half_space else ""}
    name, identity, mounting = (
        name_in(record.get(key), file=path / "provenance.json", key=key, empty=usual.get(key, ""))
        for key in ("name", "design_id", "mounting")
    )
    return Stored(directivity, name, identity, mounting, path)


def _record(file: Path) -> tuple[Mapping[str, Any], dict[str, Any]]:
    """provenance.json, and what it says of the observation, checked."""
    record = read_json(file, remedy=AGAIN)
    observed = record.get("observed") if isinstance(record, dict) else None
    if not isinstance(observed, dict):
        raise InputError(f'{file}: lacks "observed", from where the directivity was observed and in what air. {AGAIN}')
    lacking = [key for key in OBSERVED if key not in observed]
    if lacking:
        raise InputError(f'{file} "observed": lacks {", ".join(lacking)}. {AGAIN}')
    checks = {
        "distance_m": observed["distance_m"] is None or _inside(observed, "distance_m"),
        "reference_z_mm": _inside(observed, "reference_z_mm"),
        "symmetry": isinstance(observed["symmetry"], str) and observed["symmetry"] in get_args(Symmetry),
        "half_space": isinstance(observed["half_space"], bool),
        "speed_of_sound_m_per_s": _inside(observed, "speed_of_sound_m_per_s"),
        "density_kg_per_m3": _inside(observed, "density_kg_per_m3"),
    }
    for key, good in checks.items():
        if not good:
            raise InputError(f'{file} "observed" {key} = {shown(observed[key])}: cannot be. {AGAIN}')
    for key in WORDS:
        if not isinstance(record.get(key, ""), str | None):
            raise InputError(f"{file} {key} = {shown(record[key])}: must be text. {AGAIN}")
    return record, {"own_power": False, **observed}


def _inside(observed: Mapping[str, Any], key: str) -> bool:
    value, (low, high) = observed[key], BOUNDS[key]
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high


def _table(
    file: Path, columns: tuple[str, ...], optional: tuple[str, ...] = ()
) -> tuple[Columns, Callable[[int], str]]:
    """Columns by name, nan where empty, and how a message begins that is about a row."""
    names: list[str] = []
    values, lines = array("d"), array("q")
    for row in numbers(file, columns, optional=optional, noun=("row", "rows"), empty=np.nan):
        names = list(row.values)
        values.extend(row.values.values())
        lines.append(row.line)
    if not names:
        raise InputError(f"{file}: holds no rows below its header. {AGAIN}")
    table = dict(zip(names, np.array(values).reshape(-1, len(names)).T, strict=True))

    def where(row: int) -> str:
        return f"{file} line {lines[row]} frequency_hz = {table['frequency_hz'][row]:g}"

    for name, column in table.items():
        low, high = BOUNDS[name]
        bad = np.flatnonzero((column < low) | (column > high))
        if bad.size:
            value = f"{name} = {column[bad[0]]:g}: must be {low:g} to {high:g}"
            raise InputError(f"{where(int(bad[0]))}: {value}. {AGAIN}")
    return table, where


def _grid(file: Path, observed: Mapping[str, Any]) -> tuple[Observation, ComplexArray]:
    """The axes, and the pressure (F, P, A) re on axis, 0 where none was written."""
    columns, where = _table(file, DIRECTIONS)
    axes, places = [], []
    for name in DIRECTIONS[:3]:
        bad = np.flatnonzero(~np.isfinite(columns[name]))
        if bad.size:
            raise InputError(f"{where(int(bad[0]))}: {name} must be a number. {AGAIN}")
        axis, place = np.unique(columns[name], return_inverse=True)
        axes.append(axis)
        places.append(place)
    shape = tuple(axis.size for axis in axes)
    cell = np.ravel_multi_index(tuple(places), shape)
    _, first, count = np.unique(cell, return_index=True, return_counts=True)
    if np.any(count > 1):
        again = int(np.flatnonzero(~np.isin(np.arange(cell.size), first))[0])
        raise InputError(f"{where(again)}: {_direction(axes, cell[again], shape)} stands there twice. Remove one")
    if cell.size < math.prod(shape):
        given = np.sort(cell)
        gaps = np.flatnonzero(given != np.arange(given.size))
        lacking = int(gaps[0]) if gaps.size else given.size
        raise InputError(f"{file}: lacks {_direction(axes, lacking, shape)}. {AGAIN}")
    relative = np.zeros(shape, dtype=np.complex128)
    value = 10.0 ** (0.05 * columns["level_db"]) * np.exp(1j * columns["phase_deg"] * DEGREE)
    relative.flat[cell] = np.where(np.isfinite(value), value, 0.0)
    distance = observed["distance_m"]
    try:
        observation = Observation(
            axes[0],
            axes[2] * DEGREE,
            plane=axes[1] * DEGREE,
            distance=np.inf if distance is None else float(distance),
            reference_z=float(observed["reference_z_mm"]) * MILLIMETRE,
            symmetry=observed["symmetry"],
        )
    except ValueError as error:
        raise InputError(f"{file}: {error}. {AGAIN}") from None
    return observation, relative


def _direction(axes: list[FloatArray], cell: int, shape: tuple[int, ...]) -> str:
    f, p, a = (axis[i] for axis, i in zip(axes, np.unravel_index(cell, shape), strict=True))
    return f"{f:g} Hz at azimuth {p:g} and off-axis {a:g} degrees"


def _summary(file: Path, frequency: FloatArray) -> Columns:
    """The columns of summary.csv in the order of the frequencies (F,) Hz."""
    columns, where = _table(file, SUMMARY, ALSO)
    order = np.argsort(columns["frequency_hz"], kind="stable")
    if not np.array_equal(columns["frequency_hz"][order], frequency):
        odd = np.flatnonzero(~np.isin(columns["frequency_hz"], frequency))
        what = (
            f"{where(int(odd[0]))}: is not in directivity.csv" if odd.size else f"{file}: lacks rows of directivity.csv"
        )
        raise InputError(f"{what}: both must have the same frequencies. {AGAIN}")
    return {name: values[order] for name, values in columns.items()}


def _column(summary: Columns, name: str) -> FloatArray | None:
    """A column that is there and filled, or None."""
    values = summary.get(name)
    return values if values is not None and bool(np.all(np.isfinite(values))) else None


def _on_axis(summary: Columns, observation: Observation, *, speed_of_sound: float) -> ComplexArray:
    """(F,) pressure on axis, Pa or in the far field Pa m, with the travel time restored; 0 where nothing was heard."""
    level, phase = summary["on_axis_level_db"], summary["on_axis_phase_deg"] * DEGREE
    if not observation.far_field:
        phase = phase - 2.0 * np.pi * observation.frequency / speed_of_sound * observation.distance
    pressure = REFERENCE_PRESSURE * 10.0 ** (0.05 * level) * np.exp(1j * phase)
    return np.where(np.isfinite(pressure), pressure, 0.0)
