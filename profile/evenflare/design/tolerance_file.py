"""The tolerance of a design's wall, read back from the file that `tolerance` writes."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenflare.files import InputError, is_folder, short
from evenflare.parsing import read_json
from evenflare.units import MILLIMETRE
from evenflare.waveguide.wall_zones import WallTolerance, WallZone

FILE = "tolerance.json"
AGAIN = "Write it again with evenflare tolerance"
LARGEST = 1e4
"""mm, of any length, and dB per mm: far beyond any waveguide's."""


def read_tolerance(path: Path) -> WallTolerance:
    """The tolerance in a file, or in the folder that `tolerance` wrote.

    Errors: InputError if it is missing, broken, or its zones leave gaps.
    """
    file = path / FILE if is_folder(path) else path
    record = read_json(file, remedy=AGAIN)
    try:
        rows = record["zones"]
        zones = tuple(_zone(file, row, i, "") for i, row in enumerate(rows))
        scattered = all(row.get("statistical_plus_mm") is not None for row in rows)
        statistical = tuple(_zone(file, row, i, "statistical_") for i, row in enumerate(rows)) if scattered else ()
        process = record["process"]
        found = WallTolerance(
            within_db=_number(file, "within_db", record["within_db"]),
            zones=zones,
            statistical=statistical,
            share=_number(file, "share", record["share"]),
            db_per_mm={str(kind): _number(file, "db_per_mm", value) for kind, value in record["db_per_mm"].items()},
            design_id=str(record["design_id"]),
            process="" if process is None else str(process),
        )
    except InputError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{file}: is no tolerance of a wall ({short(str(error))}). {AGAIN}") from None
    if not zones:
        raise InputError(f"{file} zones: holds none. {AGAIN}")
    for i, (before, after) in enumerate(itertools.pairwise(zones)):
        if abs(before.to_z - after.from_z) > 1e-6:
            raise InputError(
                f"{file} zones[{i + 1}] from_z_mm = {after.from_z / MILLIMETRE:g}: must be"
                f" {before.to_z / MILLIMETRE:g}, where the zone before it ends. {AGAIN}"
            )
    return found


def _zone(file: Path, row: Mapping[str, Any], number: int, kind: str) -> WallZone:
    place = f"zones[{number}] "
    keys = ("from_z_mm", "to_z_mm", f"{kind}minus_mm", f"{kind}plus_mm")
    low, high, minus, plus = (MILLIMETRE * _number(file, f"{place}{key}", row[key]) for key in keys)
    if not low < high:
        raise InputError(f"{file} {place}to_z_mm = {high / MILLIMETRE:g}: must be above from_z_mm. {AGAIN}")
    return WallZone(low, high, minus, plus)


def _number(file: Path, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= LARGEST:
        raise InputError(f"{file} {key} = {short(str(value))}: must be a number from 0 to {LARGEST:g}. {AGAIN}")
    return float(value)
