"""The readings that a plan asks for as a table, angles.csv."""

from __future__ import annotations

from evenflare.measurement.orbits import PLANE_NAMES
from evenflare.measurement.plan import MeasurementPlan
from evenflare.results.formats import LOUD
from evenflare.text import table
from evenflare.units import DEGREE

NAMES = {"horizontal": "turn", "vertical": "tilt"}
"""What a reading's file begins with, by plane."""


def file_name(plane: str, off_axis: float, repeat: int, repeats: int) -> str:
    """Of the recording in one direction (rad)."""
    degrees = round(off_axis / DEGREE, 3) + 0.0  # no minus zero
    return f"{NAMES[plane]}_{degrees:g}{f'_{repeat}' if repeats > 1 else ''}.wav"


def angles_text(found: MeasurementPlan) -> str:
    """A row a reading, in the order in which they are taken."""
    azimuths = {name: degrees for degrees, name in PLANE_NAMES.items()}
    repeats = found.place.repeats
    rows = (
        (
            *(f"{azimuths[plane]}", f"{round(angle / DEGREE, 3) + 0.0:g}", str(repeat)),
            file_name(plane, angle, repeat, repeats),
        )
        for plane, angles in found.angles.items()
        for angle in angles
        for repeat in range(1, repeats + 1)
    )
    header = (
        "readings to be taken, in order",
        "units: degrees; azimuth 0 is horizontal, 90 vertical; off axis + toward the listener's right, or up",
        LOUD,
    )
    return table(("azimuth_deg", "off_axis_deg", "repeat", "file"), rows, header=header)
