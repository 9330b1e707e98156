"""The drivers that a loudspeaker's file names: directivities and pistons, behind an equaliser of their own if any."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np

from evenflare.directivity.folder import Stored, read_directivity
from evenflare.dsp.alignments import fall_off
from evenflare.dsp.drivers import Radiator, piston, stored, turned
from evenflare.dsp.filters_file import read_equaliser
from evenflare.dsp.measured import ReadMeasured, measured, nearby, upon_arrival
from evenflare.dsp.placing import angles_of
from evenflare.dsp.speaker_places import ahead_of, pistons_of
from evenflare.dsp.speaker_tables import LowerTable, WaveguideTable
from evenflare.exterior.pistons import Piston
from evenflare.files import InputError
from evenflare.schema import shown
from evenflare.units import MILLIMETRE, MILLISECOND, ComplexArray, FloatArray, read_only
from evenflare.waveguide import AnyCabinet

Read = TypeVar("Read")
PISTON, CONE = "a rigid flat piston", "a real cone breaks up, and is deep"


class WayDriver(NamedTuple):
    """A way's driver as it is joined, the same before any equaliser, of a measured way as it is modelled, and what was
    assumed for it.
    """

    driver: Radiator
    bare: Radiator
    assumed: list[str]


def named(path: Path, table: str, key: str, value: str, read: Callable[[Path], Read]) -> Read:
    """What a file named in the loudspeaker's holds; where it does not, the fault begins with where it is named."""
    try:
        return read(path.parent / value)
    except InputError as error:
        raise InputError(f"{path} [{table}] {key} = {shown(value)}: {error}") from error


def driver_from(path: Path, name: str, way: WaveguideTable | LowerTable, found: Stored) -> WayDriver:
    """A driver from a directivity, behind its equaliser if it has one."""
    try:
        driver = stored(found.directivity)
    except ValueError as error:
        raise InputError(f"{path} [{name}] directivity = {shown(way.directivity)}: {error}") from error
    spoken = name.replace("_", " ")
    words = [f"{spoken}: {each}" for each in found.assumed]
    if not found.directivity.observation.far_field:
        seen = found.directivity.observation.distance
        words.append(f"{spoken}: observed at {seen:g} m, its pattern there is taken as that of the far field")
    return WayDriver(_equalised(path, name, way, driver), driver, words)


def _equalised(path: Path, name: str, way: WaveguideTable | LowerTable, driver: Radiator) -> Radiator:
    """A driver behind the equaliser of its own that the file names, if any; one in the way's filters is not here."""
    if way.equaliser is None or way.equaliser_in_filters:
        return driver
    filters = named(path, name, "equaliser", way.equaliser, read_equaliser)
    radiates, nearby = driver.far, driver.near

    def far(frequency: FloatArray, off_axis: FloatArray, azimuth: FloatArray) -> ComplexArray:
        return np.asarray(radiates(frequency, off_axis, azimuth) * filters.response(frequency)[:, None])

    def near(frequency: FloatArray, place: FloatArray) -> ComplexArray:
        assert nearby is not None
        return np.asarray(nearby(frequency, place) * filters.response(frequency)[:, None])

    return replace(driver, far=far, near=None if nearby is None else near)


def lower_driver(
    path: Path,
    name: str,
    way: LowerTable,
    speed: float,
    cabinet: AnyCabinet | None,
    *,
    front: float | None,
    reading: ReadMeasured,
) -> WayDriver | list[Piston]:
    """A driver, or pistons in the cabinet, still to be solved.

    front   : m, radius of the sphere that stands for a cabinet's front in half space, if that is given.
    reading : reads a measured response.
    """
    if way.directivity is not None:
        found = named(path, name, "directivity", way.directivity, read_directivity)
        driver, bare, words = driver_from(path, name, way, found)
        if abs(driver.speed_of_sound / speed - 1.0) > 1e-3:
            words.append(
                f"{name.replace('_', ' ')}: observed in air of {driver.speed_of_sound:.1f} m/s, the waveguide in"
                f" {speed:.1f}: patterns are joined as they are"
            )
        return WayDriver(replace(driver, speed_of_sound=speed), bare, words)
    assert way.piston_radius_mm is not None  # checked by the table
    radius = way.piston_radius_mm * MILLIMETRE
    if cabinet is not None:
        try:
            return pistons_of(way, cabinet)
        except ValueError as error:
            raise InputError(f"{path} [{name}] {error}") from error
    sphere = None if way.sphere_radius_mm is None else way.sphere_radius_mm * MILLIMETRE
    made = piston(radius, speed_of_sound=speed, sphere_radius=sphere)
    where, ahead = "in an infinite baffle", ahead_of(way)
    if sphere is not None:
        made = turned(made, ahead)
        where = f"on a rigid sphere of {way.sphere_radius_mm:g} mm radius{_facing(way)}"
    return _finished(path, name, way, made, where=where, ahead=ahead, front=front, reading=reading)


def _facing(way: LowerTable) -> str:
    """Where a piston on a sphere looks to, if not forward."""
    if way.face == "front":
        return ""
    return f", facing {way.face if isinstance(way.face, str) else np.round(way.face, 3).tolist()}"


def in_cabinet(
    path: Path, name: str, way: LowerTable, pistons: list[Piston], solved: Radiator, *, reading: ReadMeasured
) -> WayDriver:
    """A way of pistons in a cabinet, as `solved` has them, made whole as `lower_driver`'s."""
    where = f"the {way.face}" if isinstance(way.face, str) else f"the face toward {np.round(way.face, 3).tolist()}"
    ahead = read_only(pistons[0].seat.turn[2])
    return _finished(
        path, name, way, solved, where=f"in {where} of the cabinet", ahead=ahead, front=None, reading=reading
    )


def _finished(
    path: Path,
    name: str,
    way: LowerTable,
    model: Radiator,
    *,
    where: str,
    ahead: FloatArray,
    front: float | None,
    reading: ReadMeasured,
) -> WayDriver:
    """A modelled piston, with its measured response if it has one, behind the equaliser that its file names."""
    spoken = name.replace("_", " ")
    words = [f"{spoken}: {PISTON} {where}; {CONE}"]
    driver = model
    if way.measured is not None:
        driver, words = _as_measured(path, name, way, model, ahead=ahead, front=front, reading=reading)
        words = [f"{spoken}: {each}" for each in (*words, f"where no angle was measured it is {PISTON} {where}")]
    return WayDriver(_equalised(path, name, way, driver), model, words)


def _as_measured(
    path: Path,
    name: str,
    way: LowerTable,
    model: Radiator,
    *,
    ahead: FloatArray,
    front: float | None,
    reading: ReadMeasured,
) -> tuple[Radiator, list[str]]:
    assert way.measured is not None
    assert way.piston_radius_mm is not None
    radius, speed = way.piston_radius_mm * MILLIMETRE, model.speed_of_sound
    stands = model
    if front is not None:
        try:
            stands = piston(radius, speed_of_sound=speed, sphere_radius=front)
        except ValueError as error:
            raise InputError(f"{path} [baffle]: its front, as {error}. Correct its sizes") from error

    def step(frequency: FloatArray) -> ComplexArray:
        return stands.far(frequency, *angles_of(ahead[:, None]))[:, 0]

    distance = way.measured.near_distance_mm * MILLIMETRE
    found = reading(path, name, way.measured, nearby(step, radius=radius, distance=distance, speed=speed))
    words = list(found.told)
    if way.measured.arrival == "removed":
        found, delay = upon_arrival(found)
        words.append(
            f"a delay of {delay / MILLISECOND:.3f} ms beside the travel and its minimum phase is taken out"
            if found.phase_known
            else "no phase was measured: it has the least that goes with its level"
        )
    if front is not None:
        found = replace(found, on_axis=found.on_axis / step(found.frequency))
        words.append("the sphere's baffle step is taken out of it, as the shelf in its sections puts it back")
    if way.box is not None:
        found = replace(found, on_axis=found.on_axis / fall_off(way.box.value(), found.frequency))
        words.append("its box is in it as it was measured, not as the table has it")
    return measured(model, found, ahead=ahead), words
