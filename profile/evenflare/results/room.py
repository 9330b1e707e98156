"""The tables and the record of designs in a room."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from evenflare import __version__
from evenflare.results import formats
from evenflare.room.response import RoomResponse, Spectrum
from evenflare.room.room import SURFACES, absorption_at, reverberation_time
from evenflare.studies.seats import DesignInRoom, matters, shared_band, trend

PARTS = ("direct", "early", "late", "reflected", "steady")


def seat_columns(spectrum: Spectrum) -> formats.Columns:
    """One row per seat and band; seats are numbered from 1."""
    seats, bands = spectrum.direct.shape
    columns = {
        "seat": np.repeat(np.arange(1.0, seats + 1.0), bands),
        "frequency_hz": np.tile(spectrum.frequency, seats),
        **{f"{name}_db": getattr(spectrum, name).ravel() for name in PARTS},
    }
    return columns | {"direct_to_reverberant_db": spectrum.direct_to_reverberant.ravel()}


def room_columns(response: RoomResponse) -> formats.Columns:
    """One row per third of an octave: what all seats share, and the room itself."""
    room, thirds = response.room, response.thirds.frequency
    return {
        "frequency_hz": thirds,
        **{f"{name}_db": level for name, level in matters(response, filtered=True).items()},
        **{f"unfiltered_{name}_db": level for name, level in matters(response, filtered=False).items()},
        "filter_db": response.filter_db,
        "steady_mean_db": response.thirds.steady.mean(axis=0),
        "spread_db": response.spread,
        "in_room_estimate_db": response.in_room,
        "departure_db": response.departure,
        "reverberation_time_s": reverberation_time(room, thirds),
        "mean_absorption": room.areas @ absorption_at(room, thirds) / room.areas.sum(),
    }


def record(designs: Sequence[DesignInRoom], *, room_path: str, command: str) -> dict[str, Any]:
    """What room.json holds, in plain values."""
    room = designs[0].response.room
    at = np.array([125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0])
    band = shared_band(designs)
    return {
        "what": "designs in a room",
        "evenflare": __version__,
        "command": command,
        "room": {
            "file": room_path,
            "name": room.name,
            "size_m": list(room.size),
            "surfaces": list(SURFACES),
            "order": room.order,
            "tail": room.tail,
            "reverberation_time_s": dict(
                zip((f"{f:g}" for f in at), reverberation_time(room, at).tolist(), strict=True)
            ),
        },
        "designs": [_design(each, band) for each in designs],
    }


def _design(each: DesignInRoom, band: tuple[float, float]) -> dict[str, Any]:
    response = each.response
    thirds, counted = response.thirds, response.counted
    source = response.room.source.position
    trends = {}
    for when, filtered in (("before", False), ("after", True)):
        for name, level in matters(response, filtered=filtered).items():
            slope, ripple = trend(thirds.frequency, level, band)
            trends[f"{name}_{when}"] = {"slope_db_per_octave": slope, "ripple_db": ripple}
    return {
        "name": each.name,
        "design_id": each.design_id,
        "directivity": each.path,
        "filters": each.filters or None,
        "evenness_db": response.evenness,
        "evenness_unfiltered_db": response.unfiltered.evenness,
        "counted_from_hz": float(thirds.frequency[counted][0]),
        "counted_to_hz": float(thirds.frequency[counted][-1]),
        "join_db": response.join_db,
        "spread_db": float(np.sqrt(np.mean(response.spread[counted] ** 2))),
        "departure_db": float(np.sqrt(np.mean(response.departure[counted] ** 2))),
        "trends_from_hz": band[0],
        "trends_to_hz": band[1],
        "trends": trends,
        "seats": [
            {
                "name": seat.name,
                "position_m": list(seat.position),
                "distance_m": float(np.linalg.norm(np.subtract(seat.position, source))),
                "direct_to_reverberant_db": float(ratio[counted].mean()),
                "evenness_db": float(own),
            }
            for seat, ratio, own in zip(
                response.room.seats, thirds.direct_to_reverberant, response.seat_evenness, strict=True
            )
        ],
    }
