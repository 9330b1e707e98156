"""Where the ways of a loudspeaker's file stand, and how far up those in a cabinet are asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.dsp import boxed
from evenflare.dsp.crossover import Crossing, needed_band
from evenflare.dsp.crossover_search import Range
from evenflare.dsp.people import People, people
from evenflare.dsp.placing import Place, UnfilteredWays
from evenflare.dsp.speaker_tables import LowerTable, SpeakerTable, WaveguideTable
from evenflare.exterior.cabinets import Solved
from evenflare.exterior.pistons import Piston, PistonField
from evenflare.files import InputError
from evenflare.schema import shown
from evenflare.units import MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import AnyCabinet
from evenflare.waveguide.faces import SIDES, found, front_middle

Solving = Callable[[str, Solved], None]
"""Told of every frequency that ways in the cabinet ask for: their names, and how far it is."""


def aside(way: LowerTable, cabinet: AnyCabinet) -> list[tuple[float, float]]:
    """(x, y) in m of each of its drivers from the middle of its face."""
    x = way.x_mm * MILLIMETRE if way.x_mm is not None else cabinet.x if way.face == "front" else 0.0
    down = way.y_mm is None
    return [(x, cabinet.y - each * MILLIMETRE if down else each * MILLIMETRE) for each in way.places]


def pistons_of(way: LowerTable, cabinet: AnyCabinet) -> list[Piston]:
    """Its drivers in the faces of the cabinet. ValueError, which names the key, for one that has no place there."""
    assert way.piston_radius_mm is not None  # checked by the table
    radius = way.piston_radius_mm * MILLIMETRE
    if way.at_mm is None:
        return [Piston(cabinet, way.face, x, y, radius) for x, y in aside(way, cabinet)]
    pistons = []
    for at in way.at_mm:
        try:
            which, x, y = found(cabinet, way.face, front_middle(cabinet) + np.array(at) * MILLIMETRE)
        except ValueError as error:
            raise ValueError(f"at_mm = {shown(list(at))}: {error}") from error
        pistons.append(Piston(cabinet, way.face, x, y, radius, which))
    return pistons


def positions_of(way: WaveguideTable | LowerTable, cabinet: AnyCabinet | None, axis: float) -> tuple[Place, ...]:
    """Of drivers in the front's plane, re the point of the front from which all is heard; `axis` m below the mouth."""
    forward = way.forward_mm * MILLIMETRE
    if isinstance(way, WaveguideTable):
        return ((0.0, axis, forward),)
    if cabinet is None:
        return tuple((way.beside_mm * MILLIMETRE, axis - each * MILLIMETRE, forward) for each in way.places)
    return tuple((x - cabinet.x, y - cabinet.y + axis, forward) for x, y in aside(way, cabinet))


def ahead_of(way: LowerTable) -> FloatArray:
    """(3,) the direction that a piston on a sphere of its own looks to."""
    return read_only(SIDES[way.face][2] if isinstance(way.face, str) else np.array(way.face))


def top_of(way: LowerTable, corner: Range | None, pistons: list[Piston], frequency: FloatArray, speed: float) -> float:
    """Hz, up to which a way in the cabinet is solved: as far as it is heard, or its index asked for, and as it can."""
    highest = boxed.NARROW * speed / (2.0 * np.pi * pistons[0].radius) if corner is None else corner[1]
    wanted = max(needed_band(Crossing(each, highest), None)[1] for each in way.crossover.slopes())
    # To the next frequency of the grid, so that all is known up to there.
    rounded = frequency[min(int(np.searchsorted(frequency, wanted * (1 - 1e-9))), frequency.size - 1)]
    return min(float(rounded), boxed.highest(pistons, speed_of_sound=speed))


def solved_pistons(
    path: Path,
    ways: Mapping[str, LowerTable],
    pistons: Mapping[str, list[Piston]],
    corners: Sequence[Range | None],
    frequency: FloatArray,
    *,
    speed_of_sound: float,
    cores: int = 1,
    solving: Solving | None = None,
) -> dict[str, list[PistonField]]:
    """Those of the ways below the waveguide that are pistons in the cabinet, all at once. InputError if none can be."""
    asked = {
        name: boxed.WayOfPistons(pistons[name], top_of(way, corner, pistons[name], frequency, speed_of_sound))
        for (name, way), corner in zip(ways.items(), corners, strict=True)
        if name in pistons
    }
    told = None if solving is None else partial(solving, ", ".join(asked))
    try:
        return boxed.solved(asked, frequency, speed_of_sound=speed_of_sound, cores=cores, progress=told)
    except ValueError as error:
        raise InputError(f"{path} [cabinet]: cannot be solved: {error}. Make it smaller") from error


def people_of(path: Path, table: SpeakerTable, sounds: UnfilteredWays) -> People:
    """Where the crossover is to be even."""
    about, (low, high) = table.analysis.distance_m, table.search.heights_mm
    distances = table.search.distances_m or ((2.0, 4.0) if about is None else (about / 1.5, about * 1.5))
    try:
        return people(
            sounds,
            heights=(low * MILLIMETRE, high * MILLIMETRE),
            distances=distances,
            tilt_weight=table.search.tilt_weight,
        )
    except ValueError as error:
        raise InputError(f"{path} [search] distances_m: {error}. Begin farther away") from error
