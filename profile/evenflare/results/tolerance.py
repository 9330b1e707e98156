"""A wall's tolerance as files: tolerance.json, zones.csv and sensitivity.csv."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from evenflare import files
from evenflare.bands import band_edges, midbands
from evenflare.results import formats
from evenflare.studies.costs import Cost, TiltOffAxis
from evenflare.studies.sensitivity import PlaceSlopes, Sensitivity
from evenflare.studies.tolerance import SIGMAS, WallBand
from evenflare.studies.units import CONFIDENCE, UnitSpread
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, IntArray

DB_PER_MM = MILLIMETRE
"""dB/mm in a dB/m."""


@dataclass(frozen=True)
class Toleranced:
    """All that was found of a design's wall.

    name, design_id, process : of the design, and of the process, empty without one.
    share  : of units that the statistical band is for.
    method : how it was solved, in words.
    costs  : of every kind of error, the dearest first.
    spread : of units; None without a process.
    apart  : by how much slopes differ from exact ones, of the greatest; None where those are not known.
    askew  : what a driver that sits askew does off axis; None where that is not known.
    """

    name: str
    design_id: str
    process: str
    share: float
    method: str
    found: Sensitivity
    band: WallBand
    costs: tuple[Cost, ...]
    spread: UnitSpread | None
    apart: float | None = None
    askew: TiltOffAxis | None = None

    @property
    def keeps(self) -> bool:
        """Whether so many units keep as are asked for; yes where none were drawn."""
        return self.spread is None or self.spread.share >= self.share


def zone_rows(done: Toleranced) -> list[dict[str, float | None]]:
    """A row for each zone, mm."""
    rows = []
    for i, zone in enumerate(done.band.zones):
        other = done.band.statistical[i] if done.band.statistical else None
        rows.append(
            {
                "from_z_mm": _in_mm(zone.from_z),
                "to_z_mm": _in_mm(zone.to_z),
                "minus_mm": _in_mm(zone.minus),
                "plus_mm": _in_mm(zone.plus),
                "statistical_minus_mm": None if other is None else _in_mm(other.minus),
                "statistical_plus_mm": None if other is None else _in_mm(other.plus),
            }
        )
    return rows


def _in_mm(length: float) -> float | None:
    return float(f"{length / MILLIMETRE:.6g}") if np.isfinite(length) else None


def octaves(frequency: FloatArray) -> list[tuple[float, IntArray]]:
    """Midband, Hz, and rows of the frequencies within, of each octave that holds any."""
    found = []
    for midband in midbands(1, lowest=float(frequency[0]) / 1.5, highest=float(frequency[-1]) * 1.5):
        low, high = band_edges(midband, fraction=1)
        rows = np.flatnonzero((frequency >= low) & (frequency < high))
        if rows.size:
            found.append((float(midband), rows))
    return found


def _most(values: FloatArray) -> float:
    known = np.abs(values[np.isfinite(values)])
    return float(known.max()) if known.size else float("nan")


def by_band(slopes: PlaceSlopes, frequency: FloatArray) -> list[dict[str, float]]:
    """By octave, the greatest that index, beamwidth and polar level move per mm."""
    return [
        {
            "octave_hz": midband,
            "index_db_per_mm": _most(slopes.index[rows]) * DB_PER_MM,
            "beamwidth_deg_per_mm": _most(slopes.beamwidth[rows]) * MILLIMETRE / DEGREE,
            "polar_db_per_mm": _most(slopes.polar[rows]) * DB_PER_MM,
        }
        for midband, rows in octaves(frequency)
    ]


def record(done: Toleranced) -> dict[str, Any]:
    """`tolerance.json`: plain values; null where something could not be had."""
    found, band = done.found, done.band
    return {
        "name": done.name,
        "design_id": done.design_id,
        "within_db": band.within,
        "from_hz": found.frequency[0],
        "to_hz": found.frequency[-1],
        "frequencies": int(found.frequency.size),
        "process": done.process or None,
        "share": done.share,
        "correlation_length_mm": _in_mm(band.length),
        "standard_deviations_in_statistical": SIGMAS,
        "zones": zone_rows(done),
        "db_per_mm": {each.kind: float(f"{each.most * DB_PER_MM:.4g}") for each in done.costs},
        "kinds": [
            {
                "kind": each.kind,
                "db_per_mm": each.most * DB_PER_MM,
                "at_hz": found.frequency[int(np.abs(each.index).argmax())],
                "mm_for_within_db": _in_mm(each.allowed(band.within)),
                "wave": each.wave or None,
                "score_db_per_mm": _score(found.kinds.get(each.kind)),
            }
            for each in done.costs
        ],
        "tilt_off_axis": None if done.askew is None else _askew(done.askew, found.frequency),
        "not_known": dict(found.left_out),
        "proof": {
            "walls_solved": band.proof.walls,
            "worst_db": band.proof.worst,
            "worst_hz": band.proof.frequency,
            "sum_of_slopes_db": band.proof.predicted,
            "worst_at_random_db": band.proof.drawn,
            "worst_of_200_at_random_by_slopes_db": band.proof.of_many,
            "contrived_by_slopes_db": band.contrived,
        },
        "slopes_apart": done.apart,
        "not_straight_hz": found.not_straight.tolist(),
        "units": None if done.spread is None else _units(done.spread),
        "method": done.method,
    }


def tilt_by_octave(askew: TiltOffAxis, frequency: FloatArray) -> list[dict[str, float]]:
    """By octave, the greatest that a level off axis moves for each degree of tilt and for each mm of it at the rim."""
    return [
        {
            "octave_hz": midband,
            "db_per_degree": float(askew.per_degree[rows].max()),
            "db_per_mm": float(askew.per_rise[rows].max()) * DB_PER_MM,
        }
        for midband, rows in octaves(frequency)
    ]


def _askew(askew: TiltOffAxis, frequency: FloatArray) -> dict[str, Any]:
    at = int(askew.per_degree.argmax())
    return {
        "db_per_degree": float(askew.per_degree[at]),
        "db_per_mm": float(askew.per_rise.max()) * DB_PER_MM,
        "at_hz": frequency[at],
        "octaves": tilt_by_octave(askew, frequency),
    }


def _score(slopes: PlaceSlopes | None) -> float | None:
    return None if slopes is None or not np.isfinite(slopes.score) else slopes.score * DB_PER_MM


def _units(spread: UnitSpread) -> dict[str, Any]:
    low, high = spread.interval
    at = int(spread.spread.argmax())
    return {
        "solved": spread.count,
        "keep": int(spread.good.sum()),
        "share_within": spread.share,
        "confidence": CONFIDENCE,
        "share_from": low,
        "share_to": high,
        "share_at_least": spread.least_share,
        "share_by_slopes": spread.linear_share,
        "greatest_standard_deviation_db": spread.spread[at],
        "at_hz": spread.frequency[at],
        "slopes_fail_hz": spread.frequency[spread.fails].tolist(),
    }


def sensitivity_columns(done: Toleranced) -> formats.Columns:
    """`sensitivity.csv`: a row for each place and octave."""
    found = done.found
    rows = [
        {
            "share": found.share[i],
            "z_mm": found.z[i] / MILLIMETRE,
            "azimuth_deg": found.azimuths[j] / DEGREE,
            **band,
            "score_db_per_mm": slopes.score * DB_PER_MM,
        }
        for i, around in enumerate(found.places)
        for j, slopes in enumerate(around)
        for band in by_band(slopes, found.frequency)
    ]
    return _columns(rows)


def zone_columns(done: Toleranced) -> formats.Columns:
    """`zones.csv`: a row for each zone."""
    return _columns(zone_rows(done))


def units_columns(done: Toleranced) -> formats.Columns:
    """`units.csv`: a row for each frequency."""
    spread = done.spread
    assert spread is not None  # asked for where units were drawn
    low, high = np.quantile(spread.heard, (0.05, 0.95), axis=0)
    return {
        "frequency_hz": spread.frequency,
        "mean_db": spread.mean,
        "standard_deviation_db": spread.spread,
        "by_slopes_db": spread.linear_spread,
        "lowest_5_percent_db": low,
        "highest_5_percent_db": high,
    }


def _columns(rows: list[dict[str, Any]]) -> formats.Columns:
    nothing = float("nan")
    return {name: np.array([nothing if row[name] is None else row[name] for row in rows]) for name in rows[0]}


def write(folder: Path, done: Toleranced) -> list[tuple[str, str]]:
    """The files in `folder`; their names and uses. Errors: InputError if one cannot be written."""
    of = f"design: {done.name}; id {done.design_id}"
    within = f"{done.band.within:g} dB of the directivity index, {_range(done.found)}"
    tables: Mapping[str, tuple[formats.Columns, str, str]] = {
        "zones.csv": (zone_columns(done), f"zones of the wall that keep within {within}", "the zones as a table"),
        "sensitivity.csv": (
            sensitivity_columns(done),
            f"what a bump of 1 mm does, its base {2.0 * done.found.spacing / MILLIMETRE:.3g} mm wide: the greatest in"
            " each octave",
            "what a bump of the wall does, by place and octave",
        ),
    }
    if done.spread is not None:
        what = f"change of the directivity index of {done.spread.count} units of the process {done.process}"
        tables = {**tables, "units.csv": (units_columns(done), what, "the spread of the units over frequency")}
    files.write_text(folder / "tolerance.json", formats.json_text(record(done)))
    for name, (columns, what, _) in tables.items():
        header = [what, of, "units of columns: mm, Hz, degrees, dB"]
        files.write_text(folder / name, formats.csv_text(columns, header=header))
    return [
        ("tolerance.json", "zones, costs of each kind, units: for export, inspect and scripts"),
        *((name, use) for name, (_, _, use) in tables.items()),
    ]


def _range(found: Sensitivity) -> str:
    return f"{found.frequency[0]:.0f} to {found.frequency[-1]:.0f} Hz"
