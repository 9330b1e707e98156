"""tolerance.json: how far a design's wall may depart, zone by zone, read back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from evenflare.files import InputError
from evenflare.names import Name
from evenflare.parsing import read_json
from evenflare.schema import Table, checked, number
from evenflare.units import MILLIMETRE
from evenflare.waveguide.wall_zones import WallTolerance, WallZone

AGAIN = "Write it again with evenflare tolerance"
_GAP = 1e-3
"""mm, by which one zone's end and the next one's beginning may differ: rounding."""


class _ZoneTable(Table):
    from_z_mm: Annotated[float, number(0, 5000)]
    to_z_mm: Annotated[float, number(0, 5000)]
    minus_mm: Annotated[float, number(0, 100)]
    plus_mm: Annotated[float, number(0, 100)]
    statistical_minus_mm: Annotated[float, number(0, 100)] | None = None
    statistical_plus_mm: Annotated[float, number(0, 100)] | None = None


class _ToleranceTable(Table):
    design_id: Name
    within_db: Annotated[float, number(0, 60)]
    process: str = ""
    share: Annotated[float, number(0, 1)] = 0.0
    zones: Annotated[list[_ZoneTable], Field(min_length=1, max_length=200)]
    db_per_mm: dict[str, float] = Field(default={})


def read_tolerance(path: Path) -> WallTolerance:
    """What `evenflare tolerance` found. Other keys of the file are passed over.

    Errors: InputError if it cannot be read, is not such a file, or its zones leave gaps.
    """
    record = read_json(path, remedy=AGAIN)
    if not isinstance(record, dict) or not isinstance(record.get("zones"), list):
        raise InputError(f"{path}: holds no zones. {AGAIN}")
    zones = [_known(each, _ZoneTable) if isinstance(each, dict) else each for each in record["zones"]]
    file = checked({**_known(record, _ToleranceTable), "zones": zones}, _ToleranceTable, path=path)
    at = 0.0
    for number_, zone in enumerate(file.zones, start=1):
        if abs(zone.from_z_mm - at) > _GAP or not zone.to_z_mm > zone.from_z_mm:
            raise InputError(
                f"{path} zones: number {number_} is from {zone.from_z_mm:g} to {zone.to_z_mm:g} mm, must begin at"
                f" {at:g} and end above it. {AGAIN}"
            )
        at = zone.to_z_mm
    return WallTolerance(
        within_db=file.within_db,
        zones=tuple(_zone(each, each.minus_mm, each.plus_mm) for each in file.zones),
        statistical=tuple(
            _zone(
                each,
                each.minus_mm if each.statistical_minus_mm is None else each.statistical_minus_mm,
                each.plus_mm if each.statistical_plus_mm is None else each.statistical_plus_mm,
            )
            for each in file.zones
        ),
        share=file.share,
        db_per_mm=dict(file.db_per_mm),
        design_id=file.design_id,
        process=file.process,
    )


def _known(record: dict[str, object], table: type[Table]) -> dict[str, object]:
    return {key: value for key, value in record.items() if key in table.model_fields}


def _zone(each: _ZoneTable, minus: float, plus: float) -> WallZone:
    lengths = (each.from_z_mm, each.to_z_mm, minus, plus)
    return WallZone(*(length * MILLIMETRE for length in lengths))
