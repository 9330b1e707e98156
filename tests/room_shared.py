"""Rooms and patterns whose sound can be worked out by hand, and a room file that is in order."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from evenflare.directivity.types import Directivity, Observation
from evenflare.results.tables import write_solution
from evenflare.room.room import Room, Seat, SourcePose
from evenflare.units import DEGREE, FloatArray

FREQUENCY = np.geomspace(180.0, 18e3, 41)
ANGLES = np.arange(0, 181, 5) * DEGREE
SIZE = (5.6, 4.1, 2.5)
AT, SEAT = (0.6, 1.1, 1.0), (3.9, 2.0, 1.1)

ROOM = """name = "den"
[size]
length_m = 5.6
width_m = 4.1
height_m = 2.5
[absorption]
frequency_hz = [250, 4000]
all_surfaces = [0.1, 0.2]
floor = 0.3
[source]
position_m = [0.6, 1.1, 1.0]
yaw_deg = 30
[[seats]]
name = "sofa"
position_m = [3.9, 2.0, 1.1]
[[seats]]
position_m = [2.9, 3.2, 1.1]
[reflections]
order = 4
"""


def room_of(absorption=0.2, *, size=SIZE, at=AT, yaw=0.0, pitch=0.0, seats=(SEAT,), **others) -> Room:
    """A room with the same absorption at all frequencies, of all surfaces or of each."""
    rows = tuple((float(each),) for each in np.broadcast_to(absorption, 6))
    named = tuple(Seat(f"seat {place}", at) for place, at in enumerate(seats, start=1))
    return Room("test", size, (1000.0,), rows, SourcePose(at, yaw, pitch), named, **others)


def pattern(
    level: Callable[[FloatArray, FloatArray], FloatArray] = lambda angle, azimuth: 1.0 + 0.0 * angle,
    *,
    planes: tuple[float, ...] = (0.0,),
    symmetry="round",
    off_axis=ANGLES,
    frequency=FREQUENCY,
    **others,
) -> Directivity:
    """1 Pa at 1 m on axis, and a pressure by off-axis angle and azimuth (rad), at all frequencies."""
    plane = np.array(planes)
    own = level(off_axis[None, :] + 0.0 * plane[:, None], plane[:, None])
    return Directivity(
        Observation(frequency, off_axis, plane, symmetry=symmetry),
        np.broadcast_to(own, (frequency.size, plane.size, off_axis.size)).astype(complex),
        np.ones(frequency.size, dtype=bool),
        1.2041,
        343.2,
        **others,
    )


def forward(angle: FloatArray, azimuth: FloatArray) -> FloatArray:
    """A beam of cardioid kind, narrower: it sends nothing behind."""
    return (0.5 + 0.5 * np.cos(angle)) ** 2 + 0.0 * azimuth


def rising(directivity: Directivity, db_per_octave: float) -> Directivity:
    """Its off-axis levels raised or lowered over frequency, the axis kept."""
    import dataclasses

    f = directivity.observation.frequency
    gain = 10 ** (db_per_octave / 20 * np.log2(f / 1000.0))[:, None, None]
    away = 1.0 - np.cos(0.5 * directivity.observation.off_axis)
    return dataclasses.replace(directivity, pressure=directivity.pressure * (1.0 + (gain - 1.0) * away))


def stored(folder: Path, directivity: Directivity, *, name: str = "box", design_id: str = "0123456789ab") -> Path:
    """The folder that holds it, as `solve` writes it."""
    write_solution(folder, directivity, name=name, design_id=design_id)
    return folder
