"""A rectangular room: its surfaces, where the source stands and points, where people sit, and how sound dies in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from evenflare import air as airs
from evenflare.air import Air
from evenflare.units import BoolArray, FloatArray

SURFACES = ("wall_x_0", "wall_x_length", "wall_y_0", "wall_y_width", "floor", "ceiling")
"""The order of absorption and of reflections: the two ends of x, of y, of z."""
ORDER = 12
"""Reflections up to which image sources are followed, where nothing else is asked for."""

Tail = Literal["eyring", "sabine"]
Point = tuple[float, float, float]


def spoken_surface(surface: str) -> str:
    """A surface in words."""
    kind, _, rest = surface.partition("_")
    return kind if not rest else f"wall at {rest.replace('_', ' = ')}"


@dataclass(frozen=True)
class SourcePose:
    """Where the directivity's reference point stands, and where its axis points.

    position : m, from the room's corner.
    yaw      : rad, of the axis about the vertical: 0 along x, positive toward y.
    pitch    : rad, of the axis above the horizontal plane.
    """

    position: Point
    yaw: float = 0.0
    pitch: float = 0.0

    @property
    def axes(self) -> FloatArray:
        """(3, 3) unit vectors of the source in the room, as rows: its x, its y (up) and its axis.

        Its x is to the right as seen by a listener who faces it, which is left as the source looks.
        """
        cos, sin = np.cos(self.yaw), np.sin(self.yaw)
        level, steep = np.cos(self.pitch), np.sin(self.pitch)
        return np.array([[-sin, cos, 0.0], [-cos * steep, -sin * steep, level], [cos * level, sin * level, steep]])


@dataclass(frozen=True)
class Seat:
    """A listener's head: a name and m from the room's corner."""

    name: str
    position: Point


@dataclass(frozen=True)
class Weather:
    """What the absorption of the air depends on: K, relative from 0 to 1, Pa."""

    temperature: float = airs.REFERENCE_TEMPERATURE
    humidity: float = 0.5
    pressure: float = airs.STANDARD_PRESSURE


@dataclass(frozen=True)
class Room:
    """A rectangular room with a source and seats. Its values are plain, so that equal rooms have equal hashes.

    size                 : m, along x, y and z (up), from one corner of the floor.
    absorption_frequency : (K,) Hz, rising; between them absorption is linear in log frequency, outside constant.
    absorption           : by surface, in the order of SURFACES, (K,) each, 0 to 1 of the incident power.
    order                : reflections up to which image sources are followed; what comes later is the tail.
    tail                 : by which formula sound dies in it.
    second               : the other loudspeaker of a pair, or None.
    Errors               : ValueError if a size, an absorption, the order or a position is out of range.
    """

    name: str
    size: Point
    absorption_frequency: tuple[float, ...]
    absorption: tuple[tuple[float, ...], ...]
    source: SourcePose
    seats: tuple[Seat, ...]
    air: Air = Air()
    weather: Weather = Weather()
    order: int = ORDER
    tail: Tail = "eyring"
    second: SourcePose | None = None

    def __post_init__(self) -> None:
        values = np.array(self.absorption)
        if values.shape != (len(SURFACES), len(self.absorption_frequency)) or np.any(np.abs(values - 0.5) > 0.5):
            raise ValueError("absorption must be one row from 0 to 1 for each surface, as long as its frequencies")
        if not min(self.size) > 0.0 or self.order < 0 or not self.seats:
            raise ValueError("a room has sizes above 0, a seat at least and an order from 0")
        second = () if self.second is None else (self.second.position,)
        for point in (self.source.position, *second, *(seat.position for seat in self.seats)):
            if not all(0.0 < at < length for at, length in zip(point, self.size, strict=True)):
                raise ValueError(f"the point {point} must be inside the room of {self.size} m")

    @property
    def volume(self) -> float:
        """m3."""
        return float(np.prod(self.size))

    @property
    def areas(self) -> FloatArray:
        """(6,) m2 of the surfaces."""
        x, y, z = self.size
        return np.repeat([y * z, x * z, x * y], 2)

    @property
    def mean_free_path(self) -> float:
        """m between two reflections in a diffuse field: 4 V / S. Source: Kuttruff, Room Acoustics, section 5.2."""
        return 4.0 * self.volume / float(self.areas.sum())


def absorption_at(room: Room, frequency: ArrayLike) -> FloatArray:
    """Absorption (6, F) of the surfaces at `frequency` (F,) Hz."""
    at, known = np.log(np.asarray(frequency, dtype=np.float64)), np.log(room.absorption_frequency)
    return np.array([np.interp(at, known, row) for row in room.absorption])


def reflects(room: Room, frequency: ArrayLike) -> BoolArray:
    """(F,) whether any surface reflects anything at `frequency` (F,) Hz."""
    return np.asarray(np.any(absorption_at(room, frequency) < 1.0, axis=0))


def air_attenuation(room: Room, frequency: ArrayLike) -> FloatArray:
    """Power attenuation (F,) of the room's air, 1/m: power goes as exp(-m x). Source: ISO 9613-1:1993."""
    weather = room.weather
    level = airs.absorption(frequency, weather.temperature, humidity=weather.humidity, pressure=weather.pressure)
    return np.asarray(level * np.log(10.0) / 10.0)


def decay(room: Room, frequency: ArrayLike) -> FloatArray:
    """Loss (F,) of a diffuse field over one mean free path: its energy goes as exp(-decay n) after n of them.

    Of the surfaces the mean absorption by area (Sabine), or -ln(1 - mean absorption) (Eyring), and that of the air.
    Source: IEC 60050-801:1994, 801-31-09; C. F. Eyring, J. Acoust. Soc. Am. 1 (1930) 217; air: V. O. Knudsen (1931).
    """
    mean = room.areas @ absorption_at(room, frequency) / room.areas.sum()
    surfaces = mean if room.tail == "sabine" else -np.log1p(-np.minimum(mean, 1.0 - 1e-12))
    return np.asarray(surfaces + air_attenuation(room, frequency) * room.mean_free_path)


def reverberation_time(room: Room, frequency: ArrayLike) -> FloatArray:
    """Time (F,) s in which a diffuse field falls by 60 dB: 24 ln 10 V / (c S decay); infinite without any loss.

    Source: IEC 60050-801:1994, 801-31-09.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(6.0 * np.log(10.0) * room.mean_free_path / (room.air.speed_of_sound * decay(room, frequency)))


def tail_gain(room: Room, frequency: ArrayLike, *, order: int) -> FloatArray:
    """Mean square (F,) of all that comes after `order` reflections, over that of the source at 1 m on the mean sphere.

    A source of power W keeps a diffuse field of the energy 4 W / (c S decay); what is left of it after `order` and a
    half mean free paths, half-way between the last image sources and the first that are left out, is the tail. So
    reflections add up to the whole field whatever the order: with decay a, those of one order k have
    exp(-a (k - 1/2)) - exp(-a (k + 1/2)) of it.
    Source: Kuttruff, Room Acoustics, sections 5.1 and 5.5, for the field and its decay; where it is cut: own choice.
    """
    loss = decay(room, frequency)
    with np.errstate(divide="ignore"):
        whole = 16.0 * np.pi / (float(room.areas.sum()) * loss)
    return np.asarray(whole * np.exp(-loss * (order + 0.5)))
