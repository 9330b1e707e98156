"""Designs: a waveguide with its air, its observation and its solid, read from a design file and written back."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from evenflare.air import Air
from evenflare.design_tables import (
    FREQUENCIES,
    OFF_AXIS_STEP_DEG,
    AnalysisTable,
    SolidTable,
    design_table,
    flare_length,
)
from evenflare.directivity import Observation
from evenflare.files import InputError, write_text
from evenflare.schema import checked, parsed
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Points,
    Shape,
    Tractrix,
    Waveguide,
)
from evenflare.waveguide.points import CORNER

WIDEST_MOUTH = 4.0
"""m of diameter."""
THROAT_MISMATCH = 0.1
"""Of the radius, between points and driver exit: more is a slip in the file, less is for the limits to judge."""

MINIMAL = """[waveguide]
family = "conical"
depth_mm = 90
wall_angle_deg = 42
[driver]
exit_diameter_mm = 25.4"""


@dataclass(frozen=True)
class Solid:
    """What is to be made: m; None takes the default that manufacture works out.

    kind : "block", the waveguide cut into a cylinder, or "shell", a wall around it with a flange.
    """

    kind: Literal["block", "shell"] = "block"
    wall: float | None = None
    flange_diameter: float | None = None
    flange_thickness: float | None = None
    bolt_circle: float | None = None
    bolts: int | None = None


@dataclass(frozen=True)
class Design:
    """A waveguide, the air in it, where it is heard, and what is made of it."""

    name: str
    waveguide: Waveguide
    air: Air
    observation: Observation
    solid: Solid = Solid()


def default_observation(waveguide: Waveguide) -> Observation:
    """60 frequencies from 300 Hz to 20 kHz, every 5 degrees, far field, about the centre of the mouth."""
    return _observation(AnalysisTable(), waveguide)


def read_design(path: Path | str) -> Design:
    """The design of a design file. A CSV of points is sought from the folder of the file.

    Errors: InputError that lists every fault of the file, or says why there is no such waveguide.
    """
    path = Path(path)
    data = parsed(path, minimal=MINIMAL)
    file = checked(data, design_table(data.get("waveguide")), path=path)
    air = file.air.value()
    waveguide = Waveguide(file.waveguide.shape(air, path), file.driver.value(), file.mounting.value())
    prove(waveguide, str(path))
    observation = _observation(file.analysis, waveguide)
    return Design(file.name or path.stem, waveguide, air, observation, _solid(file.solid))


def prove(waveguide: Waveguide, source: str) -> None:
    """InputError, beginning with `source`, if the parameters give no wall that can be heard or made."""
    start = f"{source} [waveguide]"
    try:
        # A cutoff far too high overflows; the mouth's size then says so in words.
        with np.errstate(all="ignore"):
            meridian = waveguide.meridian
            mouth = 2 * meridian.mouth_radius
    except ValueError as error:
        text = str(error)
        raise InputError(f"{source} {text}" if text.startswith("[") else f"{start} {text}") from None
    if not mouth <= WIDEST_MOUTH:
        raise InputError(
            f"{start} gives a mouth of {mouth / MILLIMETRE:.4g} mm diameter: must be at most"
            f" {WIDEST_MOUTH / MILLIMETRE:g}. Lower depth, angle, curvature or cutoff"
        )
    if not meridian.depth > 0:
        raise InputError(
            f"{start} ends at z_mm = {meridian.depth / MILLIMETRE:.4g}: must lie in front of the throat plane."
            " Give points from throat to mouth; lower the curvature of a free curve"
        )
    wall = meridian.dense
    if not wall.r.min() > 0:
        place = float(wall.z[wall.r.argmin()]) / MILLIMETRE
        raise InputError(
            f"{start}: the wall meets the axis at z_mm = {place:.4g}: must stay above it. Raise throat_angle_deg or the"
            " first values of curvature_per_m"
        )
    if _crosses(np.column_stack([wall.z, wall.r])):
        raise InputError(f"{start}: the profile crosses itself. Lower its curvature or its length")
    exit_radius, throat = waveguide.driver.exit_radius, meridian.throat_radius
    if abs(throat - exit_radius) > THROAT_MISMATCH * exit_radius:
        raise InputError(
            f"{start} begins at r_mm = {throat / MILLIMETRE:.4g}: must be within {THROAT_MISMATCH:.0%} of half of"
            f" [driver] exit_diameter_mm = {2 * exit_radius / MILLIMETRE:.6g}. {_throat_hint(throat / exit_radius)}"
        )


def _throat_hint(ratio: float) -> str:
    for slip, factor in (("Are the points in metres?", 1e-3), ("Is r_mm a diameter?", 2.0), ("In inches?", 1 / 25.4)):
        if abs(ratio / factor - 1) < THROAT_MISMATCH:
            return slip
    return "Correct the points, or the driver"


def _crosses(points: np.ndarray[Any, np.dtype[np.float64]]) -> bool:
    from shapely import LineString

    apart = np.hypot(*np.diff(points, axis=0).T) > 1e-9
    return not LineString(points[np.concatenate([[True], apart])]).is_simple


def _observation(table: AnalysisTable, waveguide: Waveguide) -> Observation:
    reference = waveguide.meridian.depth if table.reference_z_mm is None else table.reference_z_mm * MILLIMETRE
    distance = float("inf") if table.distance_m is None else table.distance_m
    return Observation(table.frequency, table.off_axis, distance=distance, reference_z=reference)


def _solid(table: SolidTable) -> Solid:
    lengths = (table.wall_mm, table.flange_diameter_mm, table.flange_thickness_mm, table.bolt_circle_mm)
    wall, diameter, thickness, circle = (None if length is None else length * MILLIMETRE for length in lengths)
    return Solid(table.kind, wall, diameter, thickness, circle, table.bolts)


def write_design(design: Design, path: Path | str) -> None:
    """Write a design file that reads back to the same design. InputError if it cannot be written."""
    write_text(Path(path), design_toml(design))


def design_toml(design: Design) -> str:
    """A design file's text: it reads back to the same waveguide, every number to its last digit or 1e-12 of it.

    Points stand in it, so that it needs no other file; weather stands as speed of sound and density.
    Errors: ValueError for an observation that such a file cannot state (planes, or uneven angles).
    """
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment(f"Waveguide design {design_id(design)}. Sizes in the unit that ends each key."))
    document.add("name", tomlkit.item(design.name))
    waveguide = design.waveguide
    tables = {
        "waveguide": _wall(waveguide.shape, design.air),
        "driver": {
            "exit_diameter_mm": _written(2 * waveguide.driver.exit_radius, MILLIMETRE),
            "exit_half_angle_deg": _written(waveguide.driver.exit_half_angle, DEGREE),
        },
        "mounting": {"kind": waveguide.mounting.kind, "radius_mm": _length(waveguide.mounting.radius)},
        "air": {
            "speed_of_sound_m_per_s": float(design.air.speed_of_sound),
            "density_kg_per_m3": float(design.air.density),
        },
        "analysis": _analysis(design),
        "solid": {
            "kind": design.solid.kind,
            "wall_mm": _length(design.solid.wall),
            "flange_diameter_mm": _length(design.solid.flange_diameter),
            "flange_thickness_mm": _length(design.solid.flange_thickness),
            "bolt_circle_mm": _length(design.solid.bolt_circle),
            "bolts": design.solid.bolts,
        },
    }
    for name, keys in tables.items():
        table = tomlkit.table()
        for key, value in keys.items():
            if value is not None:
                table.add(key, tomlkit.item(value).multiline(True) if key == "points_mm" else value)
        document.add(name, table)
    return tomlkit.dumps(document)


def design_id(design: Design) -> str:
    """12 hexadecimal digits that stand for wall, driver and mounting: equal for designs equal to nine digits.

    Taken of the SI values, since a cutoff in a file means another wall in other air.
    """
    waveguide = design.waveguide
    parts = (waveguide.shape.family, waveguide.shape, waveguide.driver, waveguide.mounting)
    return hashlib.sha256("|".join(_canonical(part) for part in parts).encode()).hexdigest()[:12]


def _canonical(value: Any) -> str:
    if isinstance(value, str) or value is None:
        return str(value)
    if isinstance(value, float | int | np.number):
        return f"{float(value) + 0.0:.9g}"
    items = value if isinstance(value, tuple) else astuple(value)
    return f"({','.join(_canonical(item) for item in items)})"


def _wall(shape: Shape, air: Air) -> dict[str, Any]:
    """The [waveguide] table of a shape."""
    if isinstance(shape, Points):
        points = [[_written(z, MILLIMETRE), _written(r, MILLIMETRE)] for z, r in shape.points]
        corner = None if shape.corner == CORNER else _written(shape.corner, DEGREE)
        return {"points_mm": points, "corner_deg": corner}
    keys: dict[str, Any] = {"family": shape.family}
    match shape:
        case Conical() | OblateSpheroidal():
            keys |= {"depth_mm": _length(shape.depth), "wall_angle_deg": _written(shape.wall_angle, DEGREE)}
        case Exponential():
            keys |= {"depth_mm": _length(shape.depth), "cutoff_hz": _cutoff(shape.flare_length, air)}
        case Hyperbolic():
            keys |= {"depth_mm": _length(shape.depth), "cutoff_hz": _cutoff(shape.flare_length, air)}
            keys["hyperbolic_parameter"] = float(shape.hyperbolic_parameter)
        case Tractrix():
            keys |= {"depth_mm": _length(shape.depth), "cutoff_hz": _cutoff(shape.flare_radius, air)}
        case Free():
            keys["arc_length_mm"] = _length(shape.arc_length)
            keys["throat_angle_deg"] = _written(shape.throat_angle, DEGREE)
            keys["curvature_per_m"] = [float(value) for value in shape.curvature]
        case _:
            raise ValueError(f"a shape of family {shape.family!r} has no design file")
    return keys | {"roundover_radius_mm": _length(shape.roundover_radius)}


def _analysis(design: Design) -> dict[str, Any]:
    """What differs from the defaults."""
    observation = design.observation
    even = np.linspace(0.0, np.pi, observation.off_axis.size)
    if observation.plane.size > 1 or even.size < 2 or np.abs(observation.off_axis - even).max() > 1e-12:
        raise ValueError("a design file holds one plane and even angles from 0 to 180 degrees only")
    step = 180.0 / (even.size - 1)
    at_mouth = observation.reference_z == design.waveguide.meridian.depth
    usual = np.array_equal(observation.frequency, FREQUENCIES)
    return {
        "frequencies_hz": None if usual else observation.frequency.tolist(),
        "off_axis_step_deg": None if step == OFF_AXIS_STEP_DEG else step,
        "distance_m": None if observation.far_field else float(observation.distance),
        "reference_z_mm": None if at_mouth else _written(observation.reference_z, MILLIMETRE),
    }


def _length(value: float | None) -> float | None:
    return None if value is None else _written(value, MILLIMETRE)


def _written(value: float, factor: float) -> float:
    return _inverse(value / factor, lambda number: number * factor, value)


def _cutoff(length: float, air: Air) -> float:
    return _inverse(flare_length(length, air), lambda cutoff: flare_length(cutoff, air), length)


def _inverse(guess: float, read: Callable[[float], float], value: float) -> float:
    """The number near `guess` that reads as exactly `value`, the shortest first; else the guess, a digit off."""
    near = float(guess)
    candidates = (float(f"{near:.12g}"), near, float(np.nextafter(near, np.inf)), float(np.nextafter(near, -np.inf)))
    return next((number for number in candidates if read(number) == value), near)
