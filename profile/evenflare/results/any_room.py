"""The table and the record of designs in several rooms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare import __version__
from evenflare.results.room import number
from evenflare.room.room import absorption_at, reverberation_time
from evenflare.studies.any_room import DesignInRooms, mean_of, spread, two_in_rooms
from evenflare.units import FloatArray

MIDDLE = 1000.0
"""Hz, at which a room is described."""


def rooms_columns(designs: Sequence[DesignInRooms]) -> dict[str, FloatArray | list[str]]:
    """One row per design and room."""
    rooms = [room for each in designs for room in each.rooms]
    balances = [found for each in designs for found in each.balances]
    numbered = [np.full(len(each.rooms), place) for place, each in enumerate(designs, start=1)]
    far = [
        np.mean([np.linalg.norm(np.subtract(seat.position, room.source.position)) for seat in room.seats])
        for room in rooms
    ]
    return {
        "design": np.concatenate(numbered),
        "room": [room.name for room in rooms],
        "length_m": np.array([room.size[0] for room in rooms]),
        "width_m": np.array([room.size[1] for room in rooms]),
        "height_m": np.array([room.size[2] for room in rooms]),
        "seats": np.array([len(room.seats) for room in rooms]),
        "distance_m": np.array(far),
        "mean_absorption": np.array([room.areas @ absorption_at(room, [MIDDLE])[:, 0] for room in rooms])
        / np.array([room.areas.sum() for room in rooms]),
        "reverberation_time_s": np.array([reverberation_time(room, [MIDDLE])[0] for room in rooms]),
        "evenness_db": np.array([found.evenness for found in balances]),
        "omnidirectional_db": np.array([found.floor for found in balances]),
        "scatter_db": np.array([found.scatter for found in balances]),
        "reflected_less_direct_db": np.array([_mean(found.level, found.weight) for found in balances]),
    }


def _mean(level: FloatArray, weight: FloatArray) -> float:
    """Mean over seats and thirds of levels (S, B), weighted by third."""
    return float(np.average(level, axis=1, weights=weight).mean())


def rooms_record(designs: Sequence[DesignInRooms], *, paths: Sequence[str], command: str) -> dict[str, Any]:
    """What rooms.json holds, in plain values."""
    both = two_in_rooms(designs)
    return {
        "what": "designs in several rooms",
        "evenflare": __version__,
        "command": command,
        "files": list(paths),
        "rooms": [room.name for room in designs[0].rooms],
        "designs": [
            {
                "name": each.name,
                "design_id": each.design_id,
                "directivity": each.path,
                "filters": each.filters or None,
                "mean_db": number(each.mean),
                "worst_db": number(each.numbers[each.worst]),
                "worst_room": each.rooms[each.worst].name,
                "spread_db": spread(each.numbers),
                "omnidirectional_mean_db": number(mean_of(each.floors)),
                "evenness_db": [number(value) for value in each.numbers],
            }
            for each in designs
        ],
        "evener": None
        if both is None
        else {
            "evenness_db": list(both.numbers),
            "difference_db": float(both.differences.mean()),
            "differences_db": both.differences.tolist(),
            "scatter_db": both.scatter,
            "more_than_scatter": both.telling,
        },
    }
