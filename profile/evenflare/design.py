"""Designs: a waveguide with its air, its observation and its solid, read from a design file and written back."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from evenflare.air import Air
from evenflare.directivity import Observation
from evenflare.files import InputError, read_text, write_text
from evenflare.schema import AirTable, DriverTable, MountingTable, Table, checked, fault, number, parsed, rising
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import (
    FAMILIES,
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

FREQUENCIES = np.geomspace(300.0, 20e3, 60)
"""Hz, where a design file says nothing."""
OFF_AXIS_STEPS = 36
"""From 0 to 180 degrees, where a design file says nothing."""
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
    """A waveguide, and how it is to be heard and made."""

    name: str
    waveguide: Waveguide
    air: Air
    observation: Observation
    solid: Solid = Solid()


def default_observation(waveguide: Waveguide) -> Observation:
    """60 frequencies from 300 Hz to 20 kHz, every 5 degrees, in the far field of the centre of the mouth."""
    angles = np.linspace(0.0, np.pi, OFF_AXIS_STEPS + 1)
    return Observation(FREQUENCIES, angles, reference_z=waveguide.meridian.depth)


class WallTable(Table):
    """[waveguide] in any of its forms."""

    def shape(self, air: Air, path: Path) -> Shape:
        """In SI. `path` is the design file's."""
        raise NotImplementedError


Depth = Annotated[float, number(5, 1000)]
Length = Annotated[float, number(-2000, 2000)]


class _FamilyTable(WallTable):
    family: str = Field(examples=["conical"])
    roundover_radius_mm: Annotated[float, number(0, 500)] = 0.0

    @property
    def roundover(self) -> float:
        return self.roundover_radius_mm * MILLIMETRE


class _AngledTable(_FamilyTable):
    depth_mm: Depth = Field(examples=[90])
    wall_angle_deg: Annotated[float, number(0.5, 89)] | None = None
    coverage_deg: Annotated[float, number(1, 178)] | None = None

    @model_validator(mode="after")
    def _one_angle(self) -> _AngledTable:
        if self.wall_angle_deg is None and self.coverage_deg is None:
            raise fault(
                "wall_angle_deg: missing. Add for example wall_angle_deg = 42 (wall against axis),"
                " or coverage_deg = 84 (the full angle)"
            )
        if self.wall_angle_deg is not None and self.coverage_deg is not None:
            raise fault("wall_angle_deg and coverage_deg are the half and the full of one angle: remove one")
        return self

    @property
    def angle(self) -> float:
        degrees = self.wall_angle_deg if self.wall_angle_deg is not None else 0.5 * (self.coverage_deg or 0.0)
        return degrees * DEGREE


class _FlaredTable(_FamilyTable):
    cutoff_hz: Annotated[float, number(2, 30e3)] = Field(examples=[500])

    def flare(self, air: Air) -> float:
        return _flare(self.cutoff_hz, air)


class ConicalTable(_AngledTable):
    """A cone."""

    what: ClassVar[str] = 'family = "conical"'

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        return Conical(self.depth_mm * MILLIMETRE, self.angle, self.roundover)


class OblateSpheroidalTable(_AngledTable):
    """An oblate-spheroidal wall."""

    what: ClassVar[str] = 'family = "oblate_spheroidal"'

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        return OblateSpheroidal(self.depth_mm * MILLIMETRE, self.angle, self.roundover)


class ExponentialTable(_FlaredTable):
    """An exponential horn."""

    what: ClassVar[str] = 'family = "exponential"'
    depth_mm: Depth = Field(examples=[90])

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        return Exponential(self.depth_mm * MILLIMETRE, self.flare(air), self.roundover)


class HyperbolicTable(_FlaredTable):
    """A horn of the hyperbolic family."""

    what: ClassVar[str] = 'family = "hyperbolic"'
    depth_mm: Depth = Field(examples=[90])
    hyperbolic_parameter: Annotated[float, number(0, 20)] = Field(examples=[0.6])

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        return Hyperbolic(self.depth_mm * MILLIMETRE, self.flare(air), self.hyperbolic_parameter, self.roundover)


class TractrixTable(_FlaredTable):
    """A tractrix horn."""

    what: ClassVar[str] = 'family = "tractrix"'
    depth_mm: Depth | None = None

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        depth = None if self.depth_mm is None else self.depth_mm * MILLIMETRE
        return Tractrix(self.flare(air), depth, self.roundover)


class FreeTable(_FamilyTable):
    """A free curve."""

    what: ClassVar[str] = 'family = "free"'
    arc_length_mm: Annotated[float, number(2, 3000)] = Field(examples=[120])
    throat_angle_deg: Annotated[float, number(-45, 90)] = Field(examples=[5])
    curvature_per_m: Annotated[list[Annotated[float, number(-5000, 5000)]], Field(min_length=2, max_length=1000)] = (
        Field(examples=[[2.0, 8.0, 12.0]])
    )

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable."""
        curvature = tuple(self.curvature_per_m)
        return Free(self.arc_length_mm * MILLIMETRE, self.throat_angle_deg * DEGREE, curvature, self.roundover)


class PointsTable(WallTable):
    """Points, in the file or in a CSV beside it."""

    what: ClassVar[str] = "a [waveguide] made of points"
    points_mm: (
        Annotated[
            list[Annotated[list[Length], Field(min_length=2, max_length=2)]], Field(min_length=2, max_length=20000)
        ]
        | None
    ) = None
    meridian_csv: str | None = None
    corner_deg: Annotated[float, number(0.1, 180)] | None = None

    @model_validator(mode="after")
    def _one_source(self) -> PointsTable:
        if self.points_mm is not None and self.meridian_csv is not None:
            raise fault("points_mm and meridian_csv exclude each other: remove one")
        return self

    def shape(self, air: Air, path: Path) -> Shape:
        """See WallTable. InputError names the file of the points."""
        corner = CORNER if self.corner_deg is None else self.corner_deg * DEGREE
        rows, where = self.points_mm or [], f"{path} [waveguide] points_mm"
        if self.meridian_csv is not None:
            file = path.parent / self.meridian_csv
            rows, where = _csv_points(file), str(file)
        try:
            return Points(tuple((z * MILLIMETRE, r * MILLIMETRE) for z, r in rows), corner)
        except ValueError as error:
            raise InputError(f"{where}: {error}") from None


class UnknownTable(WallTable):
    """A [waveguide] without a known family: only that is a fault, its other keys cannot be judged."""

    model_config = {"extra": "ignore"}
    family: Literal[FAMILIES] = Field(examples=["conical"])


TABLES: dict[str, type[WallTable]] = {
    "conical": ConicalTable,
    "exponential": ExponentialTable,
    "hyperbolic": HyperbolicTable,
    "tractrix": TractrixTable,
    "oblate_spheroidal": OblateSpheroidalTable,
    "free": FreeTable,
}
WallTable.relatives = frozenset().union(*(t.model_fields for t in (*TABLES.values(), PointsTable)))
