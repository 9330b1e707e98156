"""The drivers that a loudspeaker's file names: directivities and pistons, behind an equaliser of their own if any."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from evenflare.directivity.folder import Stored, read_directivity
from evenflare.dsp.drivers import Radiator, piston, stored
from evenflare.dsp.filters_file import read_equaliser
from evenflare.dsp.speaker_places import pistons_of
from evenflare.dsp.speaker_tables import LowerTable, WaveguideTable
from evenflare.exterior.pistons import Piston
from evenflare.files import InputError
from evenflare.schema import shown
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray
from evenflare.waveguide import AnyCabinet

Read = TypeVar("Read")
PISTON, CONE = "a rigid flat piston", "a real cone breaks up, and is deep"


def named(path: Path, table: str, key: str, value: str, read: Callable[[Path], Read]) -> Read:
    """What a file named in the loudspeaker's holds; where it does not, the fault begins with where it is named."""
    try:
        return read(path.parent / value)
    except InputError as error:
        raise InputError(f"{path} [{table}] {key} = {shown(value)}: {error}") from error


def driver_from(path: Path, name: str, way: WaveguideTable | LowerTable, found: Stored) -> tuple[Radiator, list[str]]:
    """A driver from a directivity, behind its equaliser if it has one; what was assumed for it."""
    try:
        driver = stored(found.directivity)
    except ValueError as error:
        raise InputError(f"{path} [{name}] directivity = {shown(way.directivity)}: {error}") from error
    spoken = name.replace("_", " ")
    words = [f"{spoken}: {each}" for each in found.assumed]
    if not found.directivity.observation.far_field:
        seen = found.directivity.observation.distance
        words.append(f"{spoken}: observed at {seen:g} m, its pattern there is taken as that of the far field")
    return equalised(path, name, way, driver), words


def equalised(path: Path, name: str, way: WaveguideTable | LowerTable, driver: Radiator) -> Radiator:
    """A driver behind the equaliser of its own that the file names, if any."""
    if way.equaliser is None:
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
    path: Path, name: str, way: LowerTable, speed: float, cabinet: AnyCabinet | None
) -> tuple[Radiator | list[Piston], list[str]]:
    """A driver, or pistons in the cabinet, still to be solved; what was assumed for it."""
    if way.directivity is not None:
        driver, words = driver_from(
            path, name, way, named(path, name, "directivity", way.directivity, read_directivity)
        )
        if abs(driver.speed_of_sound / speed - 1.0) > 1e-3:
            words.append(
                f"{name.replace('_', ' ')}: observed in air of {driver.speed_of_sound:.1f} m/s, the waveguide in"
                f" {speed:.1f}: patterns are joined as they are"
            )
        return replace(driver, speed_of_sound=speed), words
    assert way.piston_radius_mm is not None  # checked by the table
    radius = way.piston_radius_mm * MILLIMETRE
    if cabinet is not None:
        try:
            pistons = pistons_of(way, cabinet)
        except ValueError as error:
            raise InputError(f"{path} [{name}] {error}") from error
        where = f"the {way.face}" if isinstance(way.face, str) else f"the face toward {np.round(way.face, 3).tolist()}"
        return pistons, [f"{name.replace('_', ' ')}: {PISTON} in {where} of the cabinet; {CONE}"]
    sphere = None if way.sphere_radius_mm is None else way.sphere_radius_mm * MILLIMETRE
    made = piston(radius, speed_of_sound=speed, sphere_radius=sphere)
    where = "in an infinite baffle" if sphere is None else f"on a rigid sphere of {way.sphere_radius_mm:g} mm radius"
    return equalised(path, name, way, made), [f"{name.replace('_', ' ')}: {PISTON} {where}; {CONE}"]
