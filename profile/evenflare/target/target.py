"""Targets: the directivity wanted of a waveguide, the limits it must keep, and where it is sought."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from evenflare.air import Air
from evenflare.closed_forms import piston_index
from evenflare.design.driver import check_covered
from evenflare.files import InputError, is_file, is_folder
from evenflare.metrics import PLANES, SAME_ANGLE
from evenflare.room.paths import HIGHEST, LOWEST, counted_bands
from evenflare.room.room import Room, reflects
from evenflare.room.room_file import MOST_ROOMS, read_rooms
from evenflare.schema import Table, checked, parsed, shown
from evenflare.target.bounded import bounds_fault
from evenflare.target.quantities import Quantity, chosen
from evenflare.target.robust import Robust
from evenflare.target.tables import (
    BEAMS,
    CANDIDATES,
    HIGHEST_START,
    MINIMAL,
    ROOM_WEIGHT,
    SearchTable,
    TargetTable,
    target_table,
)
from evenflare.text import from_path
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import FAMILIES, Driver, Limits, Mounting, ParameterSpace, SolidCabinet

BAND_SLACK = 1e-9
"""Of a frequency: an end of the band that was worked out in logarithms is still inside."""

MOST_TRADED = 3
"""Quantities of a search: beyond, almost nothing beats anything."""


@dataclass(frozen=True)
class WantedCrossover:
    """Another driver, whose index the waveguide takes over at `frequency` (Hz): a piston of `piston_radius` (m)."""

    piston_radius: float
    frequency: float


@dataclass(frozen=True)
class Target:
    """What is wanted, in SI; indices and tolerances in dB.

    index_kind   : "sphere", over the whole sphere on axis, or "sound_power", listening window less sound power.
    frequency    : (K,) Hz, rising; between them all is linear in log frequency, outside them nothing is wanted.
    index_db     : (K,) wanted index.
    tolerance_db : (K,) > 0.
    weight       : (K,) >= 0, besides that of the tolerance.
    beamwidth    : (K,) rad, full angle at -6 dB of a round waveguide, or None;
    beamwidth_horizontal, beamwidth_vertical : of an oblong one, or in a cabinet of a round one instead.
    constancy_weight : of a beamwidth that keeps an even distance to the wanted one, against 1 of the index; see
                   `objective.score`. 0 by default: the wanted beamwidth itself counts every deviation once.
    crossover    : or None.
    rooms        : in which reflected sound is to be as even as direct sound; `room_weight` of that term, against 1 of
                   the index, and `room_from` (Hz) from where the waveguide plays, None for `plays_from`'s own answer.
    limits       : of round mouths or of oblong ones, which the target is then for.
    families     : that take part in the search, sharing `candidates`.
    trade        : two or three quantities that the search trades off, instead of the score alone, or none.
    robust       : what the search ranks by instead of the score of the drawn shape, or None.
    source       : the file, for messages.
    left_out     : keys of [limits] and [search] that the file leaves to the defaults.
    Errors       : ValueError if the lists differ in length, or beamwidths or mounting do not belong to the mouth.
    """

    name: str
    driver: Driver
    mounting: Mounting
    air: Air
    index_kind: Literal["sphere", "sound_power"]
    frequency: FloatArray
    index_db: FloatArray
    tolerance_db: FloatArray
    weight: FloatArray
    beamwidth: FloatArray | None
    crossover: WantedCrossover | None
    limits: Limits
    families: tuple[str, ...] = FAMILIES
    candidates: int = CANDIDATES
    seed: int = 1
    beamwidth_horizontal: FloatArray | None = None
    beamwidth_vertical: FloatArray | None = None
    constancy_weight: float = 0.0
    rooms: tuple[Room, ...] = ()
    room_weight: float = ROOM_WEIGHT
    room_from: float | None = None
    trade: tuple[Quantity, ...] = ()
    robust: Robust | None = None
    source: str = field(default="target", compare=False)
    left_out: tuple[str, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        beams = ("beamwidth", "beamwidth_horizontal", "beamwidth_vertical")
        for name in ("frequency", "index_db", "tolerance_db", "weight", *beams):
            values = getattr(self, name)
            if values is None:
                continue
            array = read_only(values)
            if array.ndim != 1 or array.shape != np.shape(self.frequency):
                raise ValueError(f"{name} has shape {array.shape}: must be one value for each frequency")
            object.__setattr__(self, name, array)
        if self.frequency.size < 2 or np.any(np.diff(self.frequency) <= 0):
            raise ValueError("frequency must be two strictly rising values at least")
        for name in beams:
            misplaced = self.oblong if name == "beamwidth" else len(self.planes) < 2
            if getattr(self, name) is not None and misplaced:
                raise ValueError(f"{name} does not belong to {'an oblong' if self.oblong else 'a round'} mouth")
        if self.beamwidth is not None and not (self.beamwidth_horizontal is None and self.beamwidth_vertical is None):
            raise ValueError("beamwidth is for every plane: must stand without those of single planes")
        if self.oblong and self.mounting.kind == "sphere":
            raise ValueError("mounting is a sphere: must be the baffle, a cabinet or a body for oblong mouths")
        if self.rooms and self.mounting.kind == "baffle":
            raise ValueError("mounting is a baffle: must be a body, a cabinet or a sphere to stand in a room")

    @property
    def oblong(self) -> bool:
        """Whether it is for oblong waveguides."""
        return self.limits.oblong

    @property
    def plays_from(self) -> float:
        """Hz from which the waveguide is taken to play in a room: as the file says, else from its crossover, else from
        the first frequency at which anything is wanted; HIGHEST_START at most.
        """
        if self.room_from is not None:
            return self.room_from
        start = float(self.frequency[0]) if self.crossover is None else self.crossover.frequency
        return min(start, HIGHEST_START)

    @property
    def planes(self) -> dict[str, float]:
        """Azimuth, rad, of each plane that has a beamwidth of its own, by what follows "beamwidth" in its names."""
        both = self.oblong or self.mounting.kind == "cabinet"
        return {f"_{name}": azimuth for name, azimuth in PLANES.items()} if both else {"": 0.0}


def read_target(path: Path | str) -> Target:
    """The target of a target file. InputError that lists every fault. Whether it can be met, `reach` says."""
    path = Path(path)
    return target_of(parsed(path, minimal=MINIMAL), path)


def target_of(data: dict[str, Any], path: Path) -> Target:
    """The target that the tables of a target file hold; `path` is the file's, for messages and what it names.

    InputError as `read_target`.
    """
    table = checked(data, target_table(), path=path)
    wanted = table.wanted
    crossover = wanted.crossover

    def beam(degrees: list[float] | None) -> FloatArray | None:
        return None if degrees is None else read_only(np.array(degrees) * DEGREE)

    driver, room, air = table.driver.value(path), wanted.room, table.air.value()
    apart = table.throat_fault(driver.exit_half_angle / DEGREE)
    if apart:
        raise InputError(f"{path} {apart}")
    mounting = table.mounting.value(path)
    if isinstance(mounting.cabinet, SolidCabinet) and (fault := table.cabinet_fault(mounting.cabinet)):
        raise InputError(f"{path} {fault}")
    check_covered(driver, np.array(wanted.frequency_hz), path=path, asked="the frequencies of [wanted]")
    limits, families = table.limits.value(air), tuple(table.search.families)
    if limits.bounds and (apart := bounds_fault([ParameterSpace(each, limits, driver, mounting) for each in families])):
        raise InputError(f"{path} [limits] {apart}")
    return Target(
        name=table.name or from_path(path.stem),
        driver=driver,
        mounting=mounting,
        air=air,
        index_kind=wanted.index,
        frequency=read_only(wanted.frequency_hz),
        index_db=read_only(wanted.index_db),
        tolerance_db=read_only(wanted.tolerance_db),
        weight=read_only(np.ones(len(wanted.frequency_hz)) if wanted.weight is None else wanted.weight),
        beamwidth=beam(wanted.beamwidth_deg),
        beamwidth_horizontal=beam(wanted.beamwidth_horizontal_deg),
        beamwidth_vertical=beam(wanted.beamwidth_vertical_deg),
        constancy_weight=wanted.constancy_weight,
        crossover=None
        if crossover is None
        else WantedCrossover(crossover.piston_radius_mm * MILLIMETRE, crossover.frequency_hz),
        rooms=() if room is None else _rooms(path, room.room),
        room_weight=ROOM_WEIGHT if room is None else room.weight,
        room_from=None if room is None else room.from_hz,
        limits=limits,
        families=families,
        candidates=table.search.candidates,
        seed=table.search.seed,
        trade=_traded(path, table),
        robust=_robust(table.search),
        source=str(path),
        left_out=tuple(key for part in (table.limits, table.search) for key in _left_out(part)),
    )


def _traded(path: Path, table: TargetTable) -> tuple[Quantity, ...]:
    """What a target file's search trades off, of the quantities that every candidate has; mostly nothing."""
    trade, limits, wanted = table.search.trade, table.limits, table.wanted
    if trade is None:
        return ()
    planes = [f"_{name}" for name in PLANES] if limits.oblong or table.mounting.kind == "cabinet" else [""]
    own = [key.removeprefix("beamwidth").removesuffix("_deg") for key in BEAMS if getattr(wanted, key) is not None]
    known = [
        *("score", "index_db"),
        *(f"beamwidth{plane}_db" for plane in (planes if own == [""] else own)),
        *(f"constancy{plane}_db" for plane in planes if wanted.constancy_weight > 0),
        *(["room_db"] if wanted.room is not None else []),
        *("smoothness_frequency_db", "smoothness_angle_db", "throat_reflection_db"),
        *("depth_mm", *limits.mouth, "smallest_concave_radius_mm"),
    ]
    try:
        return chosen(trade, known, most=MOST_TRADED)
    except ValueError as error:
        raise InputError(f"{path} [search] trade = {shown(trade)}: {error}") from None


def _robust(search: SearchTable) -> Robust | None:
    if search.process is None:  # which stands beside robust = true alone
        return None
    return Robust(search.process) if search.robust_k is None else Robust(search.process, search.robust_k)


def _left_out(table: Table) -> list[str]:
    """Keys that a table leaves to their defaults, in order."""
    return [key for key in type(table).model_fields if key not in table.model_fields_set]


def _rooms(path: Path, names: list[str]) -> tuple[Room, ...]:
    """The rooms that a target file names."""
    found: list[Room] = []
    for name in names:
        place = path.parent / name
        if not (is_file(place) or is_folder(place)):
            raise InputError(
                f"{path} [wanted.room] room = {shown(name)}: is not there. Name a room file, or a folder of room files,"
                " as seen from the target's folder"
            )
        found += read_rooms(place)
    if len(found) > MOST_ROOMS:
        raise InputError(f"{path} [wanted.room] room: {len(found)} rooms, must be {MOST_ROOMS} at most. Name fewer")
    for each in found:
        if not np.all(reflects(each, counted_bands())):
            raise InputError(
                f"{path} [wanted.room] room: {shown(each.name)} has no surface that reflects anything at some frequency"
                f" from {LOWEST:g} to {HIGHEST:g} Hz, so nothing there can be even. Lower an absorption of 1"
            )
    return tuple(found)


def wanted_index(target: Target, frequency: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wanted index and its tolerance, dB, and the target's own weight, each (F,), at `frequency` (F,) Hz.

    Linear in log frequency between the given points; outside them nan, nan and 0. The weight leaves out that of the
    tolerance, 1 / tolerance^2.
    With a crossover the index up to its frequency is that of the other driver, a piston in a baffle; in the octave
    above it goes, linearly in log frequency, from the piston's index at the crossover to the given one.
    Source of the piston's index: see `closed_forms.piston_index`; of the blend: own choice.
    """
    f = np.asarray(frequency, dtype=np.float64)
    index = _between(target, f, target.index_db)
    crossover = target.crossover
    if crossover is not None:
        below = np.minimum(f, crossover.frequency)
        other = piston_index(2 * np.pi * below * crossover.piston_radius / target.air.speed_of_sound)
        share = np.clip(np.log2(f / crossover.frequency), 0.0, 1.0)
        index = (1.0 - share) * other + share * index
    weight = _between(target, f, target.weight)
    return index, _between(target, f, target.tolerance_db), np.where(np.isnan(weight), 0.0, weight)


def wanted_beamwidth(target: Target, frequency: ArrayLike, *, plane: float = 0.0) -> FloatArray | None:
    """Wanted full angle (F,) rad at `frequency` (F,) Hz, nan outside the given points; None if none is wanted.

    plane : rad, azimuth: 0 horizontal, pi/2 vertical. A target that gives one beamwidth wants it in each; one that
            gives them by plane wants nothing in other planes.
    """
    wanted = target.beamwidth
    if wanted is None and len(target.planes) > 1:
        at = (name for name, azimuth in target.planes.items() if abs(azimuth - plane) < SAME_ANGLE)
        wanted = getattr(target, f"beamwidth{next(at, '')}")
    return None if wanted is None else _between(target, np.asarray(frequency, dtype=np.float64), wanted)


def _between(target: Target, frequency: FloatArray, values: FloatArray) -> FloatArray:
    ends = target.frequency[0] * (1 - BAND_SLACK), target.frequency[-1] * (1 + BAND_SLACK)
    inside = (frequency >= ends[0]) & (frequency <= ends[1])
    return np.where(inside, np.interp(np.log(frequency), np.log(target.frequency), values), np.nan)
