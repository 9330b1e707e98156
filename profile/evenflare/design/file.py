"""Designs: a waveguide with its air, its observation and its solid, read from a design file and written back."""

from __future__ import annotations

import hashlib
from dataclasses import astuple, dataclass, fields, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from evenflare.air import Air
from evenflare.design.driver import check_covered
from evenflare.design.keys import driver_keys, length_mm, mounting_keys, wall_keys, written
from evenflare.design.oblong import OblongTable
from evenflare.design.proof import prove
from evenflare.design.solid_stl import write_solid
from evenflare.design.tables import OFF_AXIS_STEP_DEG, AnalysisTable, OblongAnalysisTable, SolidTable, design_table
from evenflare.directivity.types import Observation, both_sides, for_symmetry
from evenflare.files import write_text
from evenflare.schema import checked, gathered, parsed
from evenflare.text import from_path, toml
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Cabinet, Oblong, RoundedRectangle, SolidCabinet, Source, Waveguide

PLAIN_KEYS = ("kind", "bolts", "seat", "seat_bolts", "front_bolts", "front_screw", "front_countersunk")
"""Of [solid]: those that are no lengths."""
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
    flange_width, flange_height : of an oblong waveguide only, and then both or none: the flange, or the block, is a
                                  rectangle instead of a circle of flange_diameter.
    seat_* : the driver's seat, see manufacture.part.features; without a seat_diameter the
             process', or with seat = False none.
    rebate_width, rebate_depth : both or none: the step in the front's rim that a baffle's edge covers.
    edge_radius : of the front's rim.
    front_* : holes for screws, see manufacture.part.features; none without front_bolts.
    """

    kind: Literal["block", "shell", "body"] = "block"
    wall: float | None = None
    flange_diameter: float | None = None
    flange_thickness: float | None = None
    bolt_circle: float | None = None
    bolts: int | None = None
    flange_width: float | None = None
    flange_height: float | None = None
    seat: bool | None = None
    seat_diameter: float | None = None
    seat_clearance: float | None = None
    seat_depth: float | None = None
    seat_bolt_circle: float | None = None
    seat_bolts: int | None = None
    seat_hole_diameter: float | None = None
    seat_hole_depth: float | None = None
    rebate_width: float | None = None
    rebate_depth: float | None = None
    edge_radius: float | None = None
    front_bolts: int | None = None
    front_bolt_inset: float | None = None
    front_screw: str | None = None
    front_hole_diameter: float | None = None
    front_countersunk: bool | None = None


@dataclass(frozen=True)
class Design:
    """A waveguide, the air in it, where it is heard, and what is made of it.

    revision, date : as the designer states them, for the drawing; the day as ISO 8601 writes it. Empty: not stated.
    """

    name: str
    waveguide: Waveguide
    air: Air
    observation: Observation
    solid: Solid = Solid()
    revision: str = ""
    date: str = ""


def default_observation(waveguide: Waveguide) -> Observation:
    """60 frequencies from 300 Hz to 20 kHz, every 5 degrees, far field, about the centre of the mouth.

    An oblong waveguide is heard in both planes and halfway between. Where the driver's source is known over less than
    those frequencies, they are spread over what is known.
    """
    usual = _observation(AnalysisTable() if waveguide.is_round else OblongAnalysisTable(), waveguide)
    source = waveguide.driver.source
    if source.covers(usual.frequency):
        return usual
    low, high = max(usual.frequency[0], source.frequency[0]), min(usual.frequency[-1], source.frequency[-1])
    if not low < high:
        low, high = source.frequency[0], source.frequency[-1]
    return replace(usual, frequency=np.geomspace(low, high, usual.frequency.size))


def read_design(path: Path | str) -> Design:
    """The design of a design file. A CSV of points is sought from the folder of the file.

    Errors: InputError that lists every fault of the file, or says why there is no such waveguide.
    """
    path = Path(path)
    return design_of(parsed(path, minimal=MINIMAL), path)


def design_of(data: dict[str, Any], path: Path) -> Design:
    """The design that the tables of a design file hold; `path` is the file's, for messages and what it names.

    Errors: as `read_design`.
    """
    file = checked(data, design_table(data.get("waveguide")), path=path)
    air = file.air.value()
    wall, mounting = file.waveguide, file.mounting
    if isinstance(wall, OblongTable):
        shape, driver = gathered(partial(wall.shape, air, path), partial(file.driver.value, path))
        waveguide = Waveguide(shape, driver, mounting.value(path))
        prove(waveguide, str(path), places=wall.places)
    else:
        (shape, body), driver = gathered(partial(wall.parts, air, path), partial(file.driver.value, path))
        mounted = mounting.value(path) if body is None else mounting.around(body, path, key=wall.points_key)
        waveguide = Waveguide(shape, driver, mounted)
        prove(waveguide, str(path), body=f"{path} {mounting.points_place or f'[waveguide] {wall.points_key}'}")
    observation = _observation(file.analysis, waveguide)
    check_covered(driver, observation.frequency, path=path, asked="the frequencies of [analysis]")
    name = file.name or from_path(path.stem)
    return Design(name, waveguide, air, observation, _solid(file.solid), file.revision, file.date)


def _observation(table: AnalysisTable, waveguide: Waveguide) -> Observation:
    stated = Observation(
        table.frequency,
        table.off_axis,
        plane=table.plane,
        distance=float("inf") if table.distance_m is None else table.distance_m,
        reference_z=waveguide.depth if table.reference_z_mm is None else table.reference_z_mm * MILLIMETRE,
    )
    return for_symmetry(stated, waveguide.symmetry)


def _solid(table: SolidTable) -> Solid:
    values: dict[str, Any] = {
        key.removesuffix("_mm"): None if value is None else value * MILLIMETRE
        for key, value in table
        if key.endswith("_mm")
    }
    return Solid(**values, **{key: getattr(table, key) for key in PLAIN_KEYS})


def _solid_keys(solid: Solid) -> dict[str, Any]:
    """The [solid] table, in the order of its fields."""
    values = {each.name: getattr(solid, each.name) for each in fields(solid)}
    return {
        key if key in PLAIN_KEYS else f"{key}_mm": value if key in PLAIN_KEYS else length_mm(value)
        for key, value in values.items()
    }


def write_design(design: Design, path: Path | str) -> None:
    """Write a design file that reads back to the same design, and beside it the STL of a cabinet that is one.
    InputError if it cannot be written.
    """
    path, cabinet = Path(path), design.waveguide.mounting.cabinet
    if isinstance(cabinet, SolidCabinet):
        write_solid(cabinet.solid, path.parent)
    write_text(path, design_toml(design))


def design_toml(design: Design) -> str:
    """A design file's text: it reads back to the same waveguide, every number to its last digit or 1e-12 of it.

    Points stand in it, so that it needs no other file but the STL of a cabinet that is one, named after its contents;
    weather stands as speed of sound and density.
    Errors: ValueError for an observation that such a file cannot state (planes, or uneven angles).
    """
    waveguide, air = design.waveguide, design.air
    return toml(
        f"Waveguide design {design_id(design)}. Sizes in the unit that ends each key.",
        ("name", design.name),
        ("revision", design.revision or None),
        ("date", design.date or None),
        ("waveguide", wall_keys(waveguide.shape, air)),
        ("driver", driver_keys(waveguide.driver)),
        ("mounting", mounting_keys(waveguide.mounting)),
        ("air", {"speed_of_sound_m_per_s": float(air.speed_of_sound), "density_kg_per_m3": float(air.density)}),
        ("analysis", _analysis(design)),
        ("solid", _solid_keys(design.solid)),
    )


def design_id(design: Design) -> str:
    """12 hexadecimal digits that stand for wall, driver and mounting: equal for designs equal to nine digits.

    Taken of the SI values, since a cutoff in a file means another wall in other air.
    """
    waveguide, shape = design.waveguide, design.waveguide.shape
    walls = (shape.horizontal, shape.vertical) if isinstance(shape, Oblong) else (shape,)
    parts: list[Any] = [each for wall in walls for each in (wall.family, wall)]
    if isinstance(shape, Oblong):
        kind = "rounded_rectangle" if isinstance(shape.section, RoundedRectangle) else "superellipse"
        parts += [kind, shape.section]
    driver, mounting = waveguide.driver, waveguide.mounting
    parts += [(driver.exit_radius, driver.exit_half_angle), (mounting.radius,)]
    # What is as it always was leaves no trace, so that older designs keep their ids.
    if driver.velocity_profile is not None:
        parts += ["velocity_profile", driver.velocity_profile]
    if driver.source != Source():
        parts += ["source", driver.source]
    if mounting.body is not None:
        parts += [mounting.body.outline, mounting.body]
    if mounting.cabinet is not None:
        box = mounting.cabinet
        parts += ["cabinet", box if isinstance(box, Cabinet) else tuple(box.key.values())]
    return hashlib.sha256("|".join(_canonical(part) for part in parts).encode()).hexdigest()[:12]


def _canonical(value: Any) -> str:
    if isinstance(value, str) or value is None:
        return str(value)
    if isinstance(value, float | int | np.number):
        return f"{float(value) + 0.0:.9g}"
    if isinstance(value, complex):
        value = (value.real, value.imag)
    items = value if isinstance(value, tuple) else astuple(value)
    return f"({','.join(_canonical(item) for item in items)})"


def _analysis(design: Design) -> dict[str, Any]:
    """What differs from the defaults."""
    observation, usual = design.observation, default_observation(design.waveguide)
    one_side = observation.off_axis[observation.off_axis > -1e-12]
    even = np.linspace(0.0, np.pi, one_side.size)
    whole = one_side.size == observation.off_axis.size or np.array_equal(both_sides(one_side), observation.off_axis)
    if even.size < 2 or np.abs(one_side - even).max() > 1e-12 or not whole:
        raise ValueError("a design file holds even angles from 0 to 180 degrees only")
    planes, step = observation.plane, 180.0 / (even.size - 1)
    is_round = design.waveguide.is_round
    stated = (
        np.array_equal(planes, usual.plane)
        if is_round
        else abs(planes[0]) < 1e-12 and abs(planes[-1] - 0.5 * np.pi) < 1e-12
    )
    if not stated:
        raise ValueError(
            "a design file holds one plane of a round waveguide, and from 0 to 90 degrees of an oblong one only"
        )
    same_frequencies = np.array_equal(observation.frequency, AnalysisTable().frequency)
    same_planes = np.array_equal(planes, usual.plane)
    at_mouth = observation.reference_z == usual.reference_z
    return {
        "frequencies_hz": None if same_frequencies else observation.frequency.tolist(),
        "azimuths_deg": None if is_round or same_planes else [written(float(each), DEGREE) for each in planes],
        "off_axis_step_deg": None if step == OFF_AXIS_STEP_DEG else step,
        "distance_m": None if observation.far_field else float(observation.distance),
        "reference_z_mm": None if at_mouth else written(observation.reference_z, MILLIMETRE),
    }
