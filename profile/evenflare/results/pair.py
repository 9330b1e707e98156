"""The table and the record of two loudspeakers in a room."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.results import formats
from evenflare.room.pair import HOLDS
from evenflare.studies.pair import PairInRoom
from evenflare.units import DEGREE


def pair_columns(found: PairInRoom) -> formats.Columns:
    """One row per seat and third of an octave; seats are numbered from 1."""
    seats, bands = found.seats.level.shape
    return {
        "seat": np.repeat(np.arange(1.0, seats + 1.0), bands),
        "frequency_hz": np.tile(found.seats.frequency, seats),
        "first_less_second_db": found.seats.level.ravel(),
    }


def record(found: PairInRoom) -> dict[str, Any]:
    """What room.json holds of a pair, in plain values."""
    heard = found.seats
    return {
        "holds_within": HOLDS,
        "holds_m2": found.area,
        "seats": [
            {
                "name": seat.name,
                "first_later_ms": float(1e3 * later),
                "first_louder_db": float(level),
                "apart_deg": float(apart / DEGREE),
                "image_toward_first": float(shift),
                "holds": holds,
            }
            for seat, later, level, apart, shift, holds in zip(
                found.room.seats, heard.later, heard.mean_level, heard.apart, heard.shift, found.holds, strict=True
            )
        ],
    }
