"""Room files as users write them, in the units that the keys name, and the room that one describes."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from evenflare import air as airs
from evenflare.files import InputError, is_folder, names_in
from evenflare.names import Name
from evenflare.room.room import ORDER, SURFACES, Point, Room, Seat, SourcePose, Weather, spoken_surface
from evenflare.schema import AirTable, Table, checked, counted, fault, gathered, number, parsed, rising
from evenflare.text import from_path
from evenflare.units import CELSIUS_ZERO, DEGREE, KILOPASCAL, PERCENT

MINIMAL = """[size]
length_m = 5.6
width_m = 4.1
height_m = 2.5
[absorption]
frequency_hz = [250, 1000, 4000]
all_surfaces = [0.15, 0.2, 0.25]
[source]
position_m = [0.5, 1.2, 1.0]
[[seats]]
name = "sofa"
position_m = [3.8, 2.0, 1.1]"""

CLEARANCE = 0.02
"""m from every surface, less than which is inside the wall."""
NEAREST = 0.3
"""m between source and seat, below which a far field says nothing. Judgement, no source."""
MOST_SEATS, HIGHEST_ORDER = 12, 24
MOST_ROOMS = 50
"""That are looked at together."""

Size = Annotated[float, number(1, 100)]
Coordinates = Annotated[list[Annotated[float, number(-100, 100)]], Field(min_length=3, max_length=3)]


def _shares(value: Any) -> Any:
    """One number or a list of them, each 0 to 1, as a list."""
    shares = value if isinstance(value, list) else [value]
    for place, share in enumerate(shares, start=1):
        at = f"value {place}: " if len(shares) > 1 else ""
        if isinstance(share, bool) or not isinstance(share, int | float):
            raise fault(f"{at}must be a number, 0 to 1, or a list of them. Write it without quotation marks or unit")
        if not 0.0 <= share <= 1.0:
            hint = "Correct it"
            if 1.0 < share < 2.0:
                hint = "A reverberation room may give that: then write 1"
            elif 2.0 <= share <= 100.0:
                hint = f"Is it in per cent? Then write {share * PERCENT:g}"
            raise fault(f"{at}{share:g} must be 0 to 1, the share of the sound's power that is absorbed. {hint}")
    return [float(share) for share in shares]


Absorption = Annotated[list[float], BeforeValidator(_shares)]


class SizeTable(Table):
    """[size]."""

    length_m: Size = Field(examples=[5.6])
    width_m: Size = Field(examples=[4.1])
    height_m: Size = Field(examples=[2.5])

    @property
    def value(self) -> Point:
        """m along x, y and z."""
        return self.length_m, self.width_m, self.height_m


class AbsorptionTable(Table):
    """[absorption]: by surface, over frequency."""

    frequency_hz: Annotated[
        list[Annotated[float, number(20, 40e3)]], Field(min_length=1, max_length=100), AfterValidator(rising)
    ] = Field(examples=[[250, 1000, 4000]])
    all_surfaces: Absorption | None = Field(default=None, examples=[[0.15, 0.2, 0.25]])
    wall_x_0: Absorption | None = None
    wall_x_length: Absorption | None = None
    wall_y_0: Absorption | None = None
    wall_y_width: Absorption | None = None
    floor: Absorption | None = None
    ceiling: Absorption | None = None

    @model_validator(mode="after")
    def _complete(self) -> AbsorptionTable:
        wanted = len(self.frequency_hz)
        for key in ("all_surfaces", *SURFACES):
            values = getattr(self, key)
            if values is not None and len(values) not in (1, wanted):
                raise fault(
                    f"{key} holds {counted(len(values), 'value')}: must be {wanted}, one for each frequency_hz, or a"
                    " single number for all. Complete the list"
                )
        lacking = [name for name in SURFACES if getattr(self, name) is None]
        if lacking and self.all_surfaces is None:
            raise fault(
                f"{lacking[0]}: missing. Add for example {lacking[0]} = [0.15, 0.2, 0.25], or all_surfaces for"
                " whatever is not named"
            )
        return self

    @property
    def value(self) -> tuple[tuple[float, ...], ...]:
        """By surface, in their order, one value for each frequency."""
        rows = [self.all_surfaces if (own := getattr(self, name)) is None else own for name in SURFACES]
        return tuple(tuple(np.broadcast_to(row, len(self.frequency_hz)).tolist()) for row in rows if row is not None)


class SourceTable(Table):
    """[source], [second_source]: where the directivity's reference point stands, its aim by angles or by a point."""

    position_m: Coordinates = Field(examples=[[0.5, 1.2, 1.0]])
    yaw_deg: Annotated[float, number(-360, 360)] | None = None
    pitch_deg: Annotated[float, number(-90, 90)] | None = None
    aim_at_m: Coordinates | None = None

    @model_validator(mode="after")
    def _one_aim(self) -> SourceTable:
        angle = next((key for key in ("yaw_deg", "pitch_deg") if getattr(self, key) is not None), None)
        if self.aim_at_m is not None and angle:
            raise fault(f"aim_at_m and {angle} exclude each other: keep one of them")
        if self.aim_at_m is not None and np.allclose(self.aim_at_m, self.position_m):
            raise fault("aim_at_m is the source's own position: must be another point. Name one that its axis meets")
        return self

    @property
    def value(self) -> SourcePose:
        """In SI."""
        x, y, z = self.position_m
        if self.aim_at_m is None:
            return SourcePose((x, y, z), (self.yaw_deg or 0.0) * DEGREE, (self.pitch_deg or 0.0) * DEGREE)
        ahead, aside, up = np.subtract(self.aim_at_m, self.position_m)
        return SourcePose((x, y, z), float(np.arctan2(aside, ahead)), float(np.arctan2(up, np.hypot(ahead, aside))))


class SeatTable(Table):
    """[[seats]]: a listener's head."""

    name: Name | None = None
    position_m: Coordinates = Field(examples=[[3.8, 2.0, 1.1]])


def _several(value: Any) -> Any:
    """[seats] for one seat is as good as [[seats]]."""
    return [value] if isinstance(value, dict) else value


class ReflectionsTable(Table):
    """[reflections]."""

    order: Annotated[int, number(0, HIGHEST_ORDER, whole=True)] = ORDER
    tail: Literal["eyring", "sabine"] = "eyring"


class RoomTable(Table):
    """A whole room file."""

    name: Name = ""
    size: SizeTable
    absorption: AbsorptionTable
    source: SourceTable
    second_source: SourceTable | None = None
    seats: Annotated[list[SeatTable], BeforeValidator(_several)] = Field(default_factory=list)
    air: AirTable = AirTable()
    reflections: ReflectionsTable = ReflectionsTable()

    @property
    def named_seats(self) -> list[Seat]:
        """The seats, those without a name numbered."""
        return [
            Seat(seat.name or f"seat {place}", (seat.position_m[0], seat.position_m[1], seat.position_m[2]))
            for place, seat in enumerate(self.seats, start=1)
        ]

    @model_validator(mode="after")
    def _inside(self) -> RoomTable:
        if not self.seats:
            raise fault("[[seats]]: missing. Add for example [[seats]] with position_m = [3.8, 2.0, 1.1] below it")
        if len(self.seats) > MOST_SEATS:
            raise fault(f"[[seats]] holds {len(self.seats)}: must be {MOST_SEATS} at most. Remove some")
        size = self.size.value
        sources = {"source": self.source.position_m}
        if self.second_source is not None:
            sources["second_source"] = self.second_source.position_m
        for key, source in sources.items():
            outside = _outside(source, size)
            if outside:
                raise fault(f"[{key}] position_m = {_point(source)}: {outside}")
        if self.second_source is not None and (between := _apart(*sources.values())) < NEAREST:
            raise fault(
                f"[second_source] position_m = {_point(sources['second_source'])}: is {between:.2g} m from [source],"
                f" must be {NEAREST:g} m at least. Move one of them"
            )
        for seat in self.named_seats:
            start = f'[[seats]] "{seat.name}" position_m = {_point(seat.position)}:'
            outside = _outside(seat.position, size)
            if outside:
                raise fault(f"{start} {outside}")
            apart = min(_apart(seat.position, source) for source in sources.values())
            if apart < NEAREST:
                raise fault(
                    f"{start} is {apart:.2g} m from the source, must be {NEAREST:g} m at least, where its far field"
                    " holds. Move one of them"
                )
        return self

    @model_validator(mode="after")
    def _names_apart(self) -> RoomTable:
        for before, after in itertools.pairwise(sorted(seat.name for seat in self.named_seats)):
            if before == after:
                raise fault(f'[[seats]] name = "{after}": stands there twice. Give each seat a name of its own')
        return self


def _apart(one: Sequence[float], other: Sequence[float]) -> float:
    return float(np.linalg.norm(np.subtract(one, other)))


def _point(at: Sequence[float]) -> str:
    return f"[{', '.join(f'{each:g}' for each in at)}]"


def _outside(at: Sequence[float], size: Point) -> str:
    """What is wrong with a point that is not inside the room, or in a wall; empty if it is inside."""
    names = zip("xyz", at, size, (SURFACES[i : i + 2] for i in (0, 2, 4)), strict=True)
    for axis, place, length, (low, high) in names:
        if CLEARANCE <= place <= length - CLEARANCE:
            continue
        if 0.0 <= place <= length:
            where = f"is inside the {spoken_surface(low if place < CLEARANCE else high)}"
        else:
            where = "is outside the room"
            if 1e3 * CLEARANCE <= place <= 1e3 * (length - CLEARANCE):
                where += f" (in millimetres? Then write {axis} = {place / 1e3:g})"
        return f"{where}, {axis} must be {CLEARANCE:g} to {length - CLEARANCE:g}. Move it"
    return ""


def table_names(folder: Path) -> list[str]:
    """Names of the room files in a folder, sorted: all that end in .toml. InputError if there is none."""
    names = [name for name in names_in(folder) if name.endswith(".toml")]
    if not names:
        raise InputError(f"{folder}: holds no room file. Name a folder in which files end in .toml, or a file")
    return names


def read_rooms(path: Path) -> list[Room]:
    """The room of a file, or those of all room files in a folder. InputError that lists the faults of all."""
    if not is_folder(path):
        return [read_room(path)]
    return gathered(*(lambda name=name: read_room(path / name) for name in table_names(path)))


def read_room(path: Path | str) -> Room:
    """The room of a room file. InputError that lists every fault."""
    path = Path(path)
    table = checked(parsed(path, minimal=MINIMAL), RoomTable, path=path)
    return Room(
        name=table.name or from_path(path.stem),
        size=table.size.value,
        absorption_frequency=tuple(table.absorption.frequency_hz),
        absorption=table.absorption.value,
        source=table.source.value,
        seats=tuple(table.named_seats),
        air=table.air.value(),
        weather=_weather(table.air),
        order=table.reflections.order,
        tail=table.reflections.tail,
        second=None if table.second_source is None else table.second_source.value,
    )


def _weather(air: AirTable) -> Weather:
    """The weather if it is given, else the usual one."""
    if air.temperature_c is None or air.humidity_percent is None:
        return Weather()
    pressure = airs.STANDARD_PRESSURE if air.pressure_kpa is None else air.pressure_kpa * KILOPASCAL
    return Weather(air.temperature_c + CELSIUS_ZERO, air.humidity_percent * PERCENT, pressure)
