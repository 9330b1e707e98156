"""The tables and the record of designs in a room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from evenflare import __version__
from evenflare.results import formats
from evenflare.room.arrivals import met_words
from evenflare.room.reflections import OCTAVES, SeatReflections
from evenflare.room.response import RoomResponse, Spectrum
from evenflare.room.room import SURFACES, absorption_at, reverberation_time
from evenflare.room.windows import TimeWindows
from evenflare.studies.seats import DesignInRoom, counting, matters, shared_band, trend, two_balances
from evenflare.units import DEGREE, FloatArray

PARTS = ("direct", "early", "late", "reflected", "steady")
UNHEARD = 200.0
"""dB under the direct sound, from which on a part is none."""


def seat_columns(spectrum: Spectrum) -> formats.Columns:
    """One row per seat and band; seats are numbered from 1."""
    none = spectrum.direct - UNHEARD
    heard = {name: np.where(getattr(spectrum, name) > none, getattr(spectrum, name), np.nan) for name in PARTS}
    return _by_seat(spectrum.frequency, spectrum.direct.shape[0]) | {
        **{f"{name}_db": level.ravel() for name, level in heard.items()},
        "direct_to_reverberant_db": (heard["direct"] - heard["reflected"]).ravel(),
    }


def window_columns(windows: TimeWindows) -> formats.Columns:
    """One row per seat and third of an octave: levels by time, and the early-to-late ratio."""
    return _by_seat(windows.frequency, windows.square.shape[1]) | {
        **{f"{name}_db": level.ravel() for name, level in windows.levels.items()},
        "c50_db": windows.clarity.ravel(),
    }


def _by_seat(frequency: FloatArray, seats: int) -> formats.Columns:
    """The columns that tell rows apart: seats, numbered from 1, and frequencies."""
    return {
        "seat": np.repeat(np.arange(1.0, seats + 1.0), frequency.size),
        "frequency_hz": np.tile(frequency, seats),
    }


def arrival_columns(seats: Sequence[SeatReflections]) -> dict[str, FloatArray | list[str]]:
    """One row per seat and arrival, the direct sound first."""

    def joined(values: Callable[[SeatReflections], FloatArray]) -> FloatArray:
        return np.concatenate([values(each) for each in seats])

    octaves = {
        f"level_{octave:g}_hz_db": joined(lambda each, place=place: each.octaves[:, place])  # type: ignore[misc]
        for place, octave in enumerate(OCTAVES)
    }
    return {
        "seat": np.repeat(np.arange(1.0, len(seats) + 1.0), [each.after.size for each in seats]),
        "arrival": joined(lambda each: np.arange(float(each.after.size))),
        "after_ms": joined(lambda each: 1e3 * each.after),
        "distance_m": joined(lambda each: each.arrivals.distance),
        "order": joined(lambda each: each.arrivals.order.astype(np.float64)),
        "surfaces": [met_words(hits) for each in seats for hits in each.arrivals.hits.tolist()],
        "level_db": joined(lambda each: each.level),
        **octaves,
        "leaving_off_axis_deg": joined(lambda each: each.arrivals.off_axis / DEGREE),
        "leaving_azimuth_deg": joined(lambda each: each.arrivals.azimuth / DEGREE),
        "arriving_azimuth_deg": joined(lambda each: each.azimuth / DEGREE),
        "arriving_elevation_deg": joined(lambda each: each.elevation / DEGREE),
    }


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
        "weight": response.balance.weight,
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
        "evener": _evener(designs),
    }


def number(value: float) -> float | None:
    """A number as JSON has it; None where there is none."""
    return float(value) if np.isfinite(value) else None


def _evener(designs: Sequence[DesignInRoom]) -> dict[str, Any] | None:
    """Which of two designs is evener, over what."""
    found = two_balances(*(each.response.balance for each in designs)) if len(designs) == 2 else None
    if found is None:
        return None
    return {
        "from_hz": found.band[0],
        "to_hz": found.band[1],
        "evenness_db": list(found.numbers),
        "difference_db": found.difference,
        "scatter_db": found.scatter,
        "more_than_scatter": found.telling,
    }


def _design(each: DesignInRoom, band: tuple[float, float]) -> dict[str, Any]:
    response = each.response
    thirds = response.thirds
    source = response.room.source.position
    counted_from, counted_to = counting(response.balance.thirds, response.balance.weight)
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
        "evenness_db": number(response.evenness),
        "omnidirectional_db": number(response.balance.floor),
        "scatter_db": number(response.balance.scatter),
        "evenness_unfiltered_db": number(response.unfiltered.evenness),
        "counted_from_hz": counted_from,
        "counted_to_hz": counted_to,
        "join_db": response.join_db,
        "spread_db": float(np.sqrt(response.mean(response.spread**2))),
        "departure_db": float(np.sqrt(response.mean(response.departure**2))),
        "trends_from_hz": band[0],
        "trends_to_hz": band[1],
        "trends": trends,
        "seats": [
            {
                "name": seat.name,
                "position_m": list(seat.position),
                "distance_m": float(np.linalg.norm(np.subtract(seat.position, source))),
                "direct_to_reverberant_db": float(response.mean(ratio)),
                "evenness_db": number(own),
                "c50_db": number(clarity),
            }
            for seat, ratio, own, clarity in zip(
                response.room.seats,
                thirds.direct_to_reverberant,
                response.balance.by_seat,
                response.windows.clarity_by_seat,
                strict=True,
            )
        ],
    }
