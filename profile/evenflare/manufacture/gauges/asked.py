"""What is asked of a waveguide's wall: zones from throat to mouth, their origin, and whether the process keeps them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.casting.casting import tolerance as cast_tolerance
from evenflare.manufacture.points.points import FLUSH, UNKNOWN, WORK_IT_OUT
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.wall_zones import WallTolerance, WallZone
from evenflare.words import mm

Finish = Literal["", "as_cast", "machined"]
Origin = Literal["sound", "process", "casting"]

_SAMPLES = 2001
_STEP = 0.1 * MILLIMETRE
"""To which the ends of a casting's zones are rounded."""
_EQUAL = 1e-9
"""m; zones narrower by less are as wide: rounding."""
_MATCH = 0.01 * MILLIMETRE
"""By which the last zone may end beside the mouth: files keep fewer digits."""


@dataclass(frozen=True)
class WallAsked:
    """What is asked of a wall.

    zones  : from throat to mouth, without gaps.
    origin : what they come from: what the sound allows, what the process keeps, or the casting's grade.
    held   : what the process keeps: its tolerance, of a wall as cast its grade; none without a process.
    within : dB, by which the index may move; None where that was not worked out.
    finish : how the wall of a casting is left; "" of other processes.
    """

    zones: tuple[WallZone, ...]
    origin: Origin
    held: tuple[WallZone, ...] = ()
    within: float | None = None
    finish: Finish = ""
    process: str = ""
    grade: int = 0


def asked_of(waveguide: Waveguide, process: Process | None, tolerance: WallTolerance | None) -> WallAsked | None:
    """What is asked of the wall; None where neither process nor tolerance says. Lengths in m.

    Errors: InputError if the tolerance's zones do not end at the mouth, or a casting is larger than its grade knows.
    """
    depth, held = waveguide.depth, _held(waveguide, process)
    casting = None if process is None else process.casting
    finish: Finish = casting.wall if casting is not None and process is not None and "pattern" in process.makes else ""
    name, grade = "" if process is None else process.name, 0 if casting is None else casting.grade
    if tolerance is not None:
        end = tolerance.zones[-1].to_z
        if abs(end - depth) > _MATCH:
            raise InputError(
                f"--tolerance: its zones end at z = {mm(end)} mm, the waveguide at {mm(depth)}. Work it out for this"
                " design with evenflare tolerance"
            )
        return WallAsked(tolerance.zones, "sound", held, tolerance.within_db, finish, name, grade)
    if process is None:
        return None
    return WallAsked(held, "casting" if finish == "as_cast" else "process", held, None, finish, name, grade)


def letter(number: int) -> str:
    """The name of a zone, counted from 0: a, b, ... z, a1, b1 ..."""
    row, place = divmod(number, 26)
    return chr(ord("a") + place) + (str(row) if row else "")


def zone_at(zones: tuple[WallZone, ...], z: float) -> int:
    """The number of the zone at a depth (m): the later one where two meet, the last for the rim."""
    return int(np.searchsorted([zone.from_z for zone in zones[1:]], z, side="right"))


def sides(zone: WallZone) -> tuple[str, str]:
    """minus and plus in mm, as a sheet has them."""
    return f"{zone.minus / MILLIMETRE:.3f}", f"{zone.plus / MILLIMETRE:.3f}"


def places(zone: WallZone) -> tuple[str, str]:
    """Both ends in mm, as a sheet has them."""
    return f"{zone.from_z / MILLIMETRE:.2f}", f"{zone.to_z / MILLIMETRE:.2f}"


def indication(zone: WallZone) -> str:
    """The value in the tolerance frame of a zone's profile, mm.

    The total width; where both sides differ UZ and how far the zone's middle lies off the drawn wall, + out of the
    material, that is toward the axis.
    Source: ISO 1660:2017 (profile tolerances), ISO 1101:2017 (UZ), both from memory.
    """
    total = f"{(zone.minus + zone.plus) / MILLIMETRE:.3f}"
    shift = 0.5 * (zone.minus - zone.plus) / MILLIMETRE
    uneven = f" UZ{shift:+.4f}" if abs(shift) >= 5e-5 else ""
    return f"{total}{uneven}"


def short_zones(asked: WallAsked) -> list[int]:
    """Numbers of the zones that ask for more than the process keeps."""
    return [
        number
        for number, zone in enumerate(asked.zones)
        if any(
            held.minus > zone.minus + _EQUAL or held.plus > zone.plus + _EQUAL
            for held in asked.held
            if held.from_z < zone.to_z - _EQUAL and held.to_z > zone.from_z + _EQUAL
        )
    ]


def origin_words(asked: WallAsked) -> list[str]:
    """Where the zones come from, and what has not been worked out."""
    if asked.origin == "sound":
        return [f"zones: within them the directivity index keeps to {asked.within:g} dB (evenflare tolerance)"]
    unknown = f"what the sound asks of this wall has not been worked out: {WORK_IT_OUT}"
    if asked.origin == "casting":
        return [
            f"zones: of the wall as cast, DCTG {asked.grade} of ISO 8062-3 by the diameter at each depth, half of it"
            " along the normal either way as on the pattern's sheet (that a profile takes the diameter's figure is an"
            " assumption: ISO 8062-4 has profiles)",
            unknown,
        ]
    return [f'zones: what the process "{asked.process}" works to', unknown]


def remedy_words(asked: WallAsked) -> list[str]:
    """What to do where the process cannot keep what is asked; empty where it can."""
    short = short_zones(asked)
    if not short:
        return []
    named = ("zone " if len(short) == 1 else "zones ") + ", ".join(map(letter, short))
    widest = max(max(held.minus, held.plus) for held in asked.held)
    if asked.finish == "as_cast":
        return [
            f"{named}: narrower than a wall as cast keeps (DCTG {asked.grade}, up to {mm(widest, 3)} mm either way)."
            ' Machine the wall after casting (wall = "machined" in [casting] puts metal on it for that), or agree'
            " on a finer grade with the foundry"
        ]
    return [
        f'{named}: narrower than the process "{asked.process}" works to, {mm(widest, 3)} mm either way. Work closer'
        " there (tolerance_mm of the process), or measure every part"
    ]


def header_lines(asked: WallAsked | None) -> list[str]:
    """Lines for the head of a point list: the zones, or that nobody has worked them out."""
    if asked is None:
        return list(UNKNOWN)
    return [
        *(f"tolerance: {words}" for words in origin_words(asked)),
        *(
            f"tolerance: zone {letter(number)} from z = {places(zone)[0]} to {places(zone)[1]}: along the normal at"
            f" most {sides(zone)[0]} nearer to the axis and {sides(zone)[1]} further from it"
            for number, zone in enumerate(asked.zones)
        ),
        *(f"tolerance: {words}" for words in remedy_words(asked)),
        f"tolerance: {FLUSH}",
    ]


def _held(waveguide: Waveguide, process: Process | None) -> tuple[WallZone, ...]:
    if process is None:
        return ()
    casting = process.casting
    if casting is None or "pattern" not in process.makes or casting.wall == "machined":
        return (WallZone(0.0, waveguide.depth, process.tolerance, process.tolerance),)
    return tuple(_cast(waveguide, casting.grade))


def _cast(waveguide: Waveguide, grade: int) -> Iterator[WallZone]:
    """Zones of one casting tolerance each, by the larger of the opening's sizes."""
    z = np.linspace(0.0, waveguide.depth, _SAMPLES)
    width = np.array([cast_tolerance(size, grade) for size in _sizes(waveguide, z)])
    ends = [0, *(np.flatnonzero(np.diff(width)) + 1).tolist(), _SAMPLES - 1]
    at = [round(float(z[end]) / _STEP) * _STEP for end in ends[:-1]] + [waveguide.depth]
    for low, high, first in zip(at[:-1], at[1:], ends[:-1], strict=True):
        if high > low:
            yield WallZone(low, high, 0.5 * float(width[first]), 0.5 * float(width[first]))


def _sizes(waveguide: Waveguide, z: FloatArray) -> FloatArray:
    """m, the larger opening at each depth."""
    walls = [waveguide.meridian] if waveguide.is_round else [waveguide.surface.horizontal, waveguide.surface.vertical]
    across = [np.interp(z, np.maximum.accumulate(wall.dense.z), 2.0 * wall.dense.r) for wall in walls]
    return np.asarray(np.max(across, axis=0))
