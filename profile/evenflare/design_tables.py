"""The tables of a design file, as users write them: keys, units, ranges, and the values in SI that they stand for."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar, cast

import numpy as np
from pydantic import AfterValidator, ConfigDict, Field, model_validator

from evenflare.air import Air
from evenflare.files import InputError, read_text
from evenflare.schema import SLIPS, AirTable, DriverTable, MountingTable, Table, counted, fault, number, rising, shown
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Conical, Exponential, Free, Hyperbolic, OblateSpheroidal, Points, Shape, Tractrix
from evenflare.waveguide.points import CORNER

FREQUENCIES = np.geomspace(300.0, 20e3, 60)
"""Hz, where a design file says nothing."""
OFF_AXIS_STEP_DEG = 5.0
EVEN_STEPS_DEG = (
    *(0.5, 0.75, 1.0, 1.2, 1.5, 1.8, 2.0, 2.25, 2.5, 3.0, 3.6, 4.0, 4.5, 5.0, 6.0, 7.5, 9.0, 10.0, 12.0, 15.0, 18.0),
    *(20.0, 22.5, 30.0, 36.0, 45.0, 60.0, 90.0),
)
"""That divide 180, to offer."""
LARGEST_POINT = 2000.0
"""mm."""

Frequency = Annotated[float, number(10, 100e3)]
Depth = Annotated[float, number(5, 1000)]
Length = Annotated[float, number(-LARGEST_POINT, LARGEST_POINT)]


def flare_length(cutoff: float, air: Air) -> float:
    """m, x0 = c / (2 pi cutoff) of a cutoff in Hz, and the other way round. See Hyperbolic."""
    return air.speed_of_sound / (2.0 * np.pi * cutoff)


class WallTable(Table):
    """[waveguide] in any of its forms."""

    def shape(self, air: Air, path: Path) -> Shape:
        """In SI. `path` is the design file's."""
        raise NotImplementedError


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
        return flare_length(self.cutoff_hz, air)


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
            if file.is_dir():
                raise InputError(
                    f"{path} [waveguide] meridian_csv = {shown(self.meridian_csv)}: is a folder. Name the CSV file"
                )
            rows, where = csv_points(file), str(file)
        try:
            return Points(tuple((z * MILLIMETRE, r * MILLIMETRE) for z, r in rows), corner)
        except ValueError as error:
            raise InputError(f"{where}: {error}") from None


class UnknownTable(WallTable):
    """A [waveguide] without a known family: only that is a fault, its other keys cannot be judged."""

    model_config = ConfigDict(extra="ignore")
    family: Literal["conical", "exponential", "hyperbolic", "tractrix", "oblate_spheroidal", "free"] = Field(
        examples=["conical"]
    )


TABLES: dict[str, type[WallTable]] = {
    "conical": ConicalTable,
    "exponential": ExponentialTable,
    "hyperbolic": HyperbolicTable,
    "tractrix": TractrixTable,
    "oblate_spheroidal": OblateSpheroidalTable,
    "free": FreeTable,
}
_FORMS: tuple[type[WallTable], ...] = (*TABLES.values(), PointsTable)
WallTable.relatives = frozenset(key for form in _FORMS for key in form.model_fields)


def wall_table(data: Any) -> type[WallTable]:
    """The form of a [waveguide] table, by what it holds."""
    if not isinstance(data, dict):
        return UnknownTable
    family, keys = data.get("family"), ("points_mm", "meridian_csv")
    if not data.keys().isdisjoint(keys if family else (*keys, "horizontal_csv", "vertical_csv")):
        return PointsTable
    return TABLES.get(family, UnknownTable) if isinstance(family, str) else UnknownTable


class AnalysisTable(Table):
    """[analysis]: where and at which frequencies the sound is wanted."""

    frequencies_hz: Annotated[list[Frequency], Field(min_length=1, max_length=2000), AfterValidator(rising)] | None = (
        None
    )
    from_hz: Frequency | None = None
    to_hz: Frequency | None = None
    per_octave: Annotated[float, number(0.5, 96)] | None = None
    off_axis_step_deg: Annotated[float, number(0.5, 90)] = OFF_AXIS_STEP_DEG
    distance_m: Annotated[float, number(0.05, 1000)] | None = None
    reference_z_mm: Length | None = None

    @model_validator(mode="after")
    def _consistent(self) -> AnalysisTable:
        spread = [key for key in ("from_hz", "to_hz", "per_octave") if getattr(self, key) is not None]
        if self.frequencies_hz is not None and spread:
            raise fault(f"frequencies_hz and {spread[0]} exclude each other: remove one")
        low, high = self._ends()
        if not low < high:
            raise fault(f"from_hz = {low:g}: must be below to_hz = {high:g}. Lower it, or raise to_hz")
        steps = 180 / self.off_axis_step_deg
        if abs(steps - round(steps)) > 1e-9:
            raise fault(
                f"off_axis_step_deg = {self.off_axis_step_deg:g}: must divide 180 evenly. Write for example"
                f" {_even_steps(self.off_axis_step_deg)}"
            )
        return self

    def _ends(self) -> tuple[float, float]:
        low = float(FREQUENCIES[0]) if self.from_hz is None else self.from_hz
        return low, float(FREQUENCIES[-1]) if self.to_hz is None else self.to_hz

    @property
    def frequency(self) -> FloatArray:
        """Hz, rising."""
        if self.frequencies_hz is not None:
            return np.array(self.frequencies_hz)
        low, high = self._ends()
        if self.per_octave is None:
            return np.asarray(np.geomspace(low, high, FREQUENCIES.size))
        count = int(np.floor(self.per_octave * np.log2(high / low) + 1e-9))
        return np.asarray(low * 2.0 ** (np.arange(count + 1) / self.per_octave))

    @property
    def off_axis(self) -> FloatArray:
        """rad, from 0 to pi."""
        return np.linspace(0.0, np.pi, round(180 / self.off_axis_step_deg) + 1)


def _even_steps(step: float) -> str:
    """The nearest steps to either side that divide 180 and read well."""
    even = [each for each in EVEN_STEPS_DEG if each < step][-1:] + [each for each in EVEN_STEPS_DEG if each > step][:1]
    return " or ".join(f"{each:g}" for each in even)


class SolidTable(Table):
    """[solid]: what is to be made."""

    kind: Literal["block", "shell"] = "block"
    wall_mm: Annotated[float, number(0.5, 500)] | None = None
    flange_diameter_mm: Annotated[float, number(15, 5000)] | None = None
    flange_thickness_mm: Annotated[float, number(0.5, 1000)] | None = None
    bolt_circle_mm: Annotated[float, number(10, 5000)] | None = None
    bolts: Annotated[int, number(0, 100, whole=True)] | None = None


AnyWall = TypeVar("AnyWall", bound=WallTable)


class DesignTable(Table, Generic[AnyWall]):
    """A whole design file."""

    name: Annotated[str, Field(min_length=1, max_length=200)] = ""
    waveguide: AnyWall
    driver: DriverTable
    mounting: MountingTable = MountingTable()
    air: AirTable = AirTable()
    analysis: AnalysisTable = AnalysisTable()
    solid: SolidTable = SolidTable()


def design_table(waveguide: Any) -> type[DesignTable[WallTable]]:
    """The form of a whole design file, by what its [waveguide] holds."""
    return cast(type[DesignTable[WallTable]], DesignTable.__class_getitem__(wall_table(waveguide)))


def csv_points(file: Path) -> list[list[float]]:
    """Columns z_mm and r_mm of a CSV, in mm; lines that begin with # and other columns are passed over.

    A point given twice in a row, as exports do at corners, counts once.
    InputError names the line.
    """
    lines = [
        (i, line)
        for i, line in enumerate(read_text(file).removeprefix("\ufeff").splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError(f"{file}: holds no points. Write a header line z_mm,r_mm and a line for each point")
    rows = list(csv.reader(line for _, line in lines))
    header = [name.strip() for name in rows[0]]
    if "z_mm" not in header or "r_mm" not in header:
        hint = "Separate columns by commas, and write decimals with a point" if ";" in lines[0][1] else "Name them"
        raise InputError(
            f"{file} line {lines[0][0]}: columns are {', '.join(header)}: must include z_mm and r_mm. {hint}"
        )
    at = header.index("z_mm"), header.index("r_mm")
    points: list[list[float]] = []
    for (line, _), row in zip(lines[1:], rows[1:], strict=True):
        if len(row) != len(header):
            hint = "Are there decimal commas? Write decimals with a point" if len(row) > len(header) else "Complete it"
            raise InputError(
                f"{file} line {line}: holds {counted(len(row), 'value')} for {counted(len(header), 'column')}:"
                f" must be as many. {hint}"
            )
        z, r = (_csv_number(file, line, header[i], row[i]) for i in at)
        if r <= 0:
            raise InputError(
                f"{file} line {line} r_mm = {r:g}: must be above 0, the axis. Correct it, or remove the line"
            )
        if not points or np.hypot(z - points[-1][0], r - points[-1][1]) > 1e-6:
            points.append([z, r])
    return points


def _csv_number(file: Path, line: int, key: str, text: str) -> float:
    start = f"{file} line {line} {key} = {text.strip()}"
    try:
        value = float(text)
    except ValueError:
        hint = "Write decimals with a point" if "," in text else "Correct it"
        raise InputError(f"{start}: must be a number. {hint}") from None
    if not abs(value) <= LARGEST_POINT:
        in_mm = dict(SLIPS["_mm"])["micrometres"]
        micrometres = abs(value) * in_mm <= LARGEST_POINT
        hint = f"Is it in micrometres? Then write {value * in_mm:g}" if micrometres else "Correct it"
        raise InputError(f"{start}: must be {-LARGEST_POINT:g} to {LARGEST_POINT:g}. {hint}")
    return value
