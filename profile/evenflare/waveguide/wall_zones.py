"""Zones of a wall, and how far it may lie from the drawn one in each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class WallZone:
    """A stretch of wall between two depths, all round; m.

    from_z, to_z : from the throat plane; the last ends at the mouth and holds its rim.
    minus, plus  : at or above 0, by which the wall may lie nearer to the axis and further from it, along its normal.
    """

    from_z: float
    to_z: float
    minus: float
    plus: float


@dataclass(frozen=True)
class WallTolerance:
    """What a wall may depart by so that its directivity index, at any frequency looked at, keeps within `within_db`.

    zones       : from throat to mouth, without gaps: worst case.
    statistical : the same places, for walls that scatter as the process's, so that `share` of units keep.
    db_per_mm   : by kind of error (offset, bow, waviness, scale, ovality, tilt, throat_step), the greatest change of
                  the index at any frequency; of scale and tilt per mm at the mouth's rim.
    design_id   : of the design that it was worked out for.
    process     : name of the process whose scatter it takes, if any.
    """

    within_db: float
    zones: tuple[WallZone, ...]
    statistical: tuple[WallZone, ...]
    share: float
    db_per_mm: Mapping[str, float]
    design_id: str
    process: str = ""
