"""Directivities as AES69 (SOFA) files of the convention FreeFieldDirectivityTF, written and read.

The standard's frame: x forward along the source's view, y to its left, z up; azimuth counter-clockwise from x,
elevation from the horizontal plane. Ours is z forward, x to the right of a listener who faces the waveguide, y up.
A listener's right is the source's left, so that the standard's (x, y, z) are our (z, x, y).
"""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation, Symmetry
from evenflare.files import InputError, check_file, replacing, short
from evenflare.names import name_in
from evenflare.parsing import json_value
from evenflare.text import from_path
from evenflare.units import DEGREE, ComplexArray, FloatArray

CONVENTION = "FreeFieldDirectivityTF"
OURS = "GLOBAL_Evenflare"
"""An attribute of our files: what the convention has no place for, as JSON."""
MOST_VALUES = 20_000_000
"""In all variables of a file: a direction for each degree of the sphere at 150 frequencies, half a gigabyte at work."""
HIGHEST, LOUDEST, FARTHEST = 1e6, 1e50, 1e6
"""Hz, Pa and m: beyond them a value is a slip, and its square may be none."""
KNOWN = {
    "speed_of_sound_m_per_s": (50.0, 5000.0),
    "density_kg_per_m3": (1e-3, 100.0),
    "reference_z_m": (-1e3, 1e3),
}
"""Numbers in our attribute, and what they may be."""
SAME_DIRECTION = 1e-4
"""rad, below which two directions of a file are one: positions are often written to two decimals of a degree."""


@dataclass(frozen=True)
class Sofa:
    """What a file holds; fields as in `directivity_file.Stored`."""

    directivity: Directivity
    name: str
    design_id: str
    mounting: str
    assumed: tuple[str, ...]


def write_sofa(
    directivity: Directivity, path: Path | str, *, name: str, design_id: str = "", mounting: str = ""
) -> Path:
    """Write a directivity that reads back to the same numbers; the file's path.

    Receivers are the observed directions, plane by plane, seen from the reference point; the far field stands at 1 m,
    without travel time. The library's own verification runs before anything is written.
    Errors: InputError if the file cannot be written. Source: AES69-2022, FreeFieldDirectivityTF 1.1.
    """
    import sofar

    path, observation = Path(path), directivity.observation
    # With the optional fields the library fails to write its own empty texts.
    sofa = sofar.Sofa(CONVENTION, mandatory=True)
    sofa.GLOBAL_Title = name
    sofa.GLOBAL_RoomType = "free field"
    sofa.GLOBAL_SourceType = "loudspeaker"
    sofa.ReceiverPosition = _positions(observation)
    sofa.N = observation.frequency
    pressure = directivity.pressure.transpose(1, 2, 0).reshape(1, -1, observation.frequency.size)
    sofa.Data_Real, sofa.Data_Imag = pressure.real, pressure.imag
    sofa.add_attribute(OURS, json.dumps(_ours(directivity, name, design_id, mounting)))
    sofa.verify()
    with replacing(path) as temporary:
        sofar.write_sofa(str(temporary), sofa)
    return path


def _positions(observation: Observation) -> FloatArray:
    """(P A, 3) azimuth and elevation in degrees, radius in m."""
    plane, angle = np.meshgrid(observation.plane, observation.off_axis, indexing="ij")
    forward, left, up = np.cos(angle), np.sin(angle) * np.cos(plane), np.sin(angle) * np.sin(plane)
    azimuth = np.arctan2(left, forward)
    elevation = np.arctan2(up, np.hypot(forward, left))
    radius = np.full(azimuth.shape, 1.0 if observation.far_field else observation.distance)
    return np.stack([azimuth / DEGREE, elevation / DEGREE, radius], axis=-1).reshape(-1, 3)


def _ours(directivity: Directivity, name: str, design_id: str, mounting: str) -> dict[str, Any]:
    observation, impedance = directivity.observation, directivity.throat_impedance
    rows = {
        "valid": directivity.valid,
        "sound_power_w": directivity.sound_power,
        "throat_resistance": None if impedance is None else impedance.real,
        "throat_reactance": None if impedance is None else impedance.imag,
        "error_estimate_db": directivity.error_estimate,
        "far_field_index_db": directivity.far_field_index,
        "polar_error_db": directivity.polar_error,
        "impedance_error": directivity.impedance_error,
    }
    return {
        "name": name,
        "design_id": design_id,
        "mounting": mounting,
        "planes_rad": observation.plane.tolist(),
        "off_axis_rad": observation.off_axis.tolist(),
        "distance_m": None if observation.far_field else observation.distance,
        "reference_z_m": observation.reference_z,
        "symmetry": observation.symmetry,
        "half_space": directivity.half_space,
        "speed_of_sound_m_per_s": directivity.speed_of_sound,
        "density_kg_per_m3": directivity.density,
        **{key: None if row is None else row.tolist() for key, row in rows.items()},
    }


def read_sofa(path: Path | str) -> Sofa:
    """The directivity of a file: ours as it was written, another's from its orbits.

    Of another's file the planes are used that hold the same angles as the horizontal one; the reference point is taken
    for the mouth (z = 0 from it), air for the usual, the surroundings for free space: `assumed` says so.
    Errors: InputError if it is no such file, of another convention, not seen from all receivers at one distance, or
            without a whole orbit or a reading on axis.
    """
    path = Path(path)
    sofa = _opened(path)
    values = _row(sofa, "Data_Real", path) + 1j * _row(sofa, "Data_Imag", path)
    frequency = _row(sofa, "N", path).reshape(-1)
    if frequency.size == 0 or values.ndim != 3 or values.shape[0] != 1 or values.shape[2] != frequency.size:
        raise InputError(f"{path}: Data is {' x '.join(map(str, values.shape))}: must be 1 x directions x frequencies")
    if not np.all(np.isfinite(frequency)) or frequency.max() > HIGHEST:
        raise InputError(f"{path}: N must hold frequencies up to {HIGHEST:g} Hz. Write it again")
    if not np.all(np.isfinite(values)) or np.abs(values).max(initial=0.0) > LOUDEST:
        raise InputError(f"{path}: Data holds values that are no numbers. Measure them again, or leave them out")
    if np.any(np.diff(frequency) <= 0.0) or not frequency[0] > 0.0:
        if frequency.size > 1 and frequency[0] == 0.0 and np.all(np.diff(frequency) > 0.0):
            frequency, values = frequency[1:], values[..., 1:]  # nothing radiates at 0 Hz
        else:
            raise InputError(f"{path}: N must rise from each frequency to the next, above 0 Hz. Sort it")
    pressure = values[0].T
    text = getattr(sofa, OURS, None)
    if text is None:
        return _foreign(path, sofa, frequency, pressure)
    with _ours_broken(path):
        return _own(path, json_value(str(text)), frequency, pressure)


def _opened(path: Path) -> Any:
    """The file as the library's object, its convention checked."""
    import sofar

    check_file(path)
    if path.suffix != ".sofa":  # the library would open another file, one that ends so
        raise InputError(f"{path}: must end in .sofa, in small letters. Rename it")
    try:
        _check_sizes(path)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of values that are missing, which are found below
            sofa = sofar.read_sofa(str(path), verify=False, verbose=False)
    except InputError:
        raise
    except Exception as error:  # the library raises whatever its parts do, on a file that is none of its
        what = short(" ".join(str(error).split()), 120)
        raise InputError(f"{path}: is not an AES69 (SOFA) file that can be read ({what}). Write it again") from None
    found = getattr(sofa, "GLOBAL_SOFAConventions", "none")
    if found != CONVENTION:
        raise InputError(
            f'{path}: SOFAConventions = "{short(str(found))}": must be "{CONVENTION}". Export a directivity'
        )
    return sofa


def _check_sizes(path: Path) -> None:
    """InputError if the file says that it holds more than a directivity does: compressed, a few bytes may claim all."""
    from netCDF4 import Dataset

    with Dataset(str(path), "r") as file:
        claimed = 0
        for variable in file.variables.values():
            chunk = variable.chunking()
            claimed += max(math.prod(variable.shape), math.prod(chunk) if isinstance(chunk, list) else 0)
            if not isinstance(variable.dtype, np.dtype) or variable.dtype.kind not in "fiuS":
                raise InputError(f"{path}: {short(variable.name)} holds neither numbers nor characters. Write it again")
    if claimed > MOST_VALUES:
        raise InputError(f"{path}: says that it holds {claimed} values: must be at most {MOST_VALUES}. Thin it out")


def _row(sofa: Any, name: str, path: Path) -> FloatArray:
    value = getattr(sofa, name, None)
    if value is None:
        raise InputError(f"{path}: lacks {name.replace('_', '.')}. Write it again")
    if np.ma.is_masked(value):
        raise InputError(f"{path}: {name.replace('_', '.')} lacks values. Measure them again, or leave them out")
    try:
        return np.asarray(value, dtype=np.float64)
    except (ValueError, TypeError):
        raise InputError(f"{path}: {name.replace('_', '.')} must hold numbers. Write it again") from None


@contextmanager
def _ours_broken(path: Path) -> Iterator[None]:
    """Whatever is wrong with our own attribute is told as a fault of the file."""
    try:
        yield
    except InputError:
        raise
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise InputError(
            f"{path}: its attribute {OURS.removeprefix('GLOBAL_')} does not fit its data ({short(str(error))})."
            " Write it again, or remove that attribute"
        ) from None


def _own(path: Path, record: dict[str, Any], frequency: FloatArray, pressure: ComplexArray) -> Sofa:
    for key, (low, high) in KNOWN.items():
        if not low <= float(record[key]) <= high:
            raise ValueError(f"{key} = {record[key]:g} is not {low:g} to {high:g}")
    observation = Observation(
        frequency,
        np.array(record["off_axis_rad"]),
        plane=np.array(record["planes_rad"]),
        distance=np.inf if record["distance_m"] is None else float(record["distance_m"]),
        reference_z=float(record["reference_z_m"]),
        symmetry=record["symmetry"],
    )
    rows = {
        key: None if record[key] is None else np.array(record[key], dtype=np.float64)
        for key in ("sound_power_w", "throat_resistance", "throat_reactance", "error_estimate_db")
    }
    for key in ("far_field_index_db", "polar_error_db", "impedance_error"):  # which files of earlier versions lack
        rows[key] = None if record.get(key) is None else np.array(record[key], dtype=np.float64)
    resistance, reactance = rows["throat_resistance"], rows["throat_reactance"]
    directivity = Directivity(
        observation,
        pressure.reshape(observation.shape),
        np.array(record["valid"], dtype=bool),
        float(record["density_kg_per_m3"]),
        float(record["speed_of_sound_m_per_s"]),
        half_space=bool(record["half_space"]),
        sound_power=rows["sound_power_w"],
        throat_impedance=None if resistance is None or reactance is None else resistance + 1j * reactance,
        error_estimate=rows["error_estimate_db"],
        far_field_index=rows["far_field_index_db"],
        polar_error=rows["polar_error_db"],
        impedance_error=rows["impedance_error"],
    )
    told = {key: name_in(record[key], file=path, key=key) for key in ("name", "design_id", "mounting")}
    return Sofa(directivity, told["name"], told["design_id"], told["mounting"], ())


def _foreign(path: Path, sofa: Any, frequency: FloatArray, pressure: ComplexArray) -> Sofa:
    """From a file that another program has written."""
    azimuth, angle, radius = _directions(path, sofa)
    if azimuth.size != pressure.shape[1]:
        raise InputError(
            f"{path}: {azimuth.size} receiver positions for {pressure.shape[1]} responses: must be as many"
        )
    if np.ptp(radius) > 1e-3 * radius.max():
        raise InputError(f"{path}: receivers stand {radius.min():g} to {radius.max():g} m away: must be one distance")
    planes, off_axis, place = _orbits(path, azimuth, angle)
    used = np.unique(place).size
    air, left_out = Air(), azimuth.size - used
    symmetry = _symmetry(planes, off_axis)
    assumed = [
        "the reference point is the mouth, and z counts from it",
        f"air of {air.speed_of_sound:g} m/s and {air.density:g} kg/m3",
        "free space all round: no baffle",
        f'symmetry "{symmetry}", from the directions that the file holds',
        "every frequency is valid",
    ]
    if left_out:
        assumed.append(f"{left_out} of {azimuth.size} directions left out: they do not make up whole orbits")
    observation = Observation(frequency, off_axis, plane=planes, distance=float(radius.mean()), symmetry=symmetry)
    directivity = Directivity(
        observation, pressure[:, place], np.ones(frequency.size, dtype=bool), air.density, air.speed_of_sound
    )
    title = str(getattr(sofa, "GLOBAL_Title", "")).strip()
    name = name_in(title, file=path, key="Title", empty=from_path(path.stem))
    return Sofa(directivity, name, "", "", tuple(assumed))


def _directions(path: Path, sofa: Any) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Our azimuth of the plane and off-axis angle >= 0, rad, and radius, m, each (R,)."""
    usual = {"SourceView": (1, 0, 0), "SourceUp": (0, 0, 1), "ListenerView": (1, 0, 0), "ListenerUp": (0, 0, 1)}
    for name, wanted in usual.items():
        found = getattr(sofa, name, None)
        # The views' texts of type are the library's matter: only cartesian ones equal these.
        if found is not None and not np.allclose(np.asarray(found, dtype=np.float64), wanted, atol=1e-6):
            raise InputError(f"{path}: {name} = {np.ravel(found)[:3].tolist()}: must be {list(wanted)}. Turn the data")
    position = _row(sofa, "ReceiverPosition", path)
    position = position.reshape(position.shape[0], -1)[:, :3]
    if position.shape[1] != 3 or not np.all(np.isfinite(position)):
        raise InputError(f"{path}: ReceiverPosition must hold three numbers for each direction. Write it again")
    if str(getattr(sofa, "ReceiverPosition_Type", "spherical")).startswith("spherical"):
        turn, up = position[:, 0] * DEGREE, position[:, 1] * DEGREE
        xyz = np.stack([np.cos(up) * np.cos(turn), np.cos(up) * np.sin(turn), np.sin(up)], axis=-1) * position[:, 2:]
    else:
        xyz = position
    radius = np.linalg.norm(xyz, axis=1)
    if not (np.all(radius > 0.0) and radius.max(initial=0.0) <= FARTHEST):
        raise InputError(
            f"{path}: ReceiverPosition has a radius of 0 m: must be above 0, up to {FARTHEST:g}. Correct it"
        )
    forward, right, above = (xyz / radius[:, None]).T
    return np.arctan2(above, right), np.arctan2(np.hypot(right, above), forward), radius


def _orbits(path: Path, azimuth: FloatArray, angle: FloatArray) -> tuple[FloatArray, FloatArray, Any]:
    """Azimuths (P,) of whole planes and their signed angles (A,), rad, and which direction (P, A) stands there."""
    poles = [np.flatnonzero(angle < SAME_DIRECTION), np.flatnonzero(angle > np.pi - SAME_DIRECTION)]
    pole = np.isin(np.arange(angle.size), np.concatenate(poles))
    if poles[0].size == 0:
        raise InputError(f"{path}: holds no direction on axis (azimuth 0, elevation 0). Measure it")
    back = (azimuth < -SAME_DIRECTION) | (azimuth >= np.pi - SAME_DIRECTION)
    plane = np.where(back, azimuth + np.where(azimuth < 0.0, np.pi, -np.pi), azimuth)
    signed = np.where(back & ~pole, -angle, angle)
    orbits = []
    found = _merged(plane[~pole])
    for number, each in enumerate(found):
        own = np.flatnonzero(~pole & (np.abs(plane - each) < SAME_DIRECTION))
        # The poles belong to every plane: where they stand in the file once for each, to each its own.
        shared = [ends[number if ends.size == found.size else 0] for ends in poles if ends.size]
        own = np.concatenate([own, shared])
        own = own[np.argsort(signed[own], kind="stable")]
        again = np.flatnonzero(np.diff(signed[own]) <= SAME_DIRECTION)
        if again.size:
            degrees = signed[own[again[0]]] / DEGREE
            raise InputError(f"{path}: holds the direction {degrees:g} degrees off axis twice. Remove one")
        orbits.append((each, own))
    if not orbits:
        raise InputError(f"{path}: holds the direction on axis only: must hold an orbit round the source. Measure it")
    first = signed[orbits[0][1]]
    alike = [(each, own) for each, own in orbits if own.size == first.size and np.abs(signed[own] - first).max() < 1e-3]
    if abs(alike[0][0]) > SAME_DIRECTION:
        raise InputError(f"{path}: holds no horizontal orbit (elevation 0). Measure it")
    # On axis and straight behind are exact where a file has them rounded.
    exact = np.where(np.abs(first) < SAME_DIRECTION, 0.0, np.minimum(first, np.pi))
    planes = np.array([_exact(each) for each, _ in alike])
    return planes, np.asarray(exact), np.stack([own for _, own in alike])


def _exact(azimuth: float) -> float:
    """0 and 90 degrees as they are meant."""
    return next((each for each in (0.0, 0.5 * np.pi) if abs(azimuth - each) < SAME_DIRECTION), float(azimuth))


def _merged(values: FloatArray) -> FloatArray:
    """The values that differ, rising."""
    ordered = np.sort(values)
    if ordered.size == 0:
        return ordered
    return np.asarray(ordered[np.concatenate([[True], np.diff(ordered) > SAME_DIRECTION])])


def _symmetry(planes: FloatArray, off_axis: FloatArray) -> Symmetry:
    """The one that claims least: none where both sides are there."""
    if np.any(off_axis < -SAME_DIRECTION):
        return "none"
    return "left_right" if planes.size == 1 else "two_planes"
