"""A directivity written as text, a file for each direction, with the session file that reads them back."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenflare.air import STANDARD_PRESSURE, air_at
from evenflare.directivity.types import Directivity
from evenflare.files import InputError, write_text
from evenflare.measurement.readings import MountingKind
from evenflare.measurement.text_response import write_text_response
from evenflare.metrics import PLANES, SAME_ANGLE
from evenflare.text import Line, toml
from evenflare.units import CELSIUS_ZERO, DEGREE, KILOPASCAL, MILLIMETRE, PERCENT, REFERENCE_PRESSURE

HEADER = "Hz, dB re 20 uPa, degrees with the travel time from source to microphone in them"
HUMIDITY = 0.5
"""Of the weather that is written, which sounds as fast and is as dense as the directivity's air."""
COLDEST, WARMEST = CELSIUS_ZERO - 20.0, CELSIUS_ZERO + 50.0
"""K, and
LOWEST, HIGHEST Pa, of a session file."""
LOWEST, HIGHEST = 60.0 * KILOPASCAL, 110.0 * KILOPASCAL
ROUNDS = 4
"""Of temperature and pressure in turn: speed of sound hardly depends on pressure."""


def write_responses(directivity: Directivity, folder: Path, *, name: str, mounting: MountingKind) -> list[Path]:
    """Write horizontal_10.txt, vertical_-20.txt and so on, and session.toml; their paths.

    directivity : at a finite distance, of the horizontal and the vertical plane. What is behind a baffle gets no file.
    Errors: InputError for the far field, for other planes, for silence (0 has no level), or if it cannot be written.
    """
    observation = directivity.observation
    if observation.far_field:
        raise InputError(
            f"{folder}: responses of the far field have no distance: must be of one. Solve with distance_m"
        )
    named = {p: n for p, at in enumerate(observation.plane) for n, a in PLANES.items() if abs(at - a) < SAME_ANGLE}
    if len(named) < observation.plane.size:
        raise InputError(f"{folder}: responses are written of the horizontal and vertical plane only. Leave out others")
    if np.any(directivity.pressure[..., ~directivity.behind] == 0.0):
        raise InputError(f"{folder}: a direction is silent at some frequency: a level of 0 Pa cannot be written")
    written = []
    for p, plane in named.items():
        for a in np.flatnonzero(~directivity.behind):
            degrees = f"{observation.off_axis[a] / DEGREE + 0.0:.6g}"
            path = folder / f"{plane}_{degrees}.txt"
            pressure = directivity.pressure[:, p, a]
            header = (f"{name}: {plane} plane, {degrees} degrees off axis", HEADER)
            write_text_response(path, observation.frequency, pressure, reference=REFERENCE_PRESSURE, header=header)
            written.append(path)
    rig = (
        ("distance_m", observation.distance),
        ("rotation_centre_z_mm", float(f"{observation.reference_z / MILLIMETRE:.9g}")),
        ("mounting", mounting),
        *_weather(directivity),
    )
    files = {
        "kind": "response",
        **{plane: f"{plane}_{{off_axis_deg}}.txt" for plane in named.values()},
        "symmetry": observation.symmetry,
        "zero_db_pa": REFERENCE_PRESSURE,
        "air_losses": "out",
    }
    write_text(folder / "session.toml", toml(("name", name), ("rig", rig), ("files", files)))
    return [*written, folder / "session.toml"]


def _weather(directivity: Directivity) -> list[Line]:
    """Keys of a weather in which sound is as fast and the air as dense; none where there is no such weather."""
    from scipy.optimize import brentq

    temperature, pressure = CELSIUS_ZERO, STANDARD_PRESSURE
    for _ in range(ROUNDS):

        def excess(warmth: float, at: float = pressure) -> float:
            return air_at(warmth, HUMIDITY, pressure=at).speed_of_sound - directivity.speed_of_sound

        if excess(COLDEST) > 0.0 or excess(WARMEST) < 0.0:
            return []
        temperature = float(brentq(excess, COLDEST, WARMEST, xtol=1e-9))
        pressure *= directivity.density / air_at(temperature, HUMIDITY, pressure=pressure).density
        pressure = float(np.clip(pressure, LOWEST, HIGHEST))
    return [
        "not the weather of the day, but one in which sound is as fast and the air as dense",
        ("temperature_c", round(temperature - CELSIUS_ZERO, 6)),
        ("humidity_percent", HUMIDITY / PERCENT),
        ("pressure_kpa", float(f"{pressure / KILOPASCAL:.9g}")),
    ]
