"""The wall in a design file as users write it: families with their keys, points, and the CSV that holds points."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import ConfigDict, Field, create_model, model_validator

from evenflare.air import Air
from evenflare.columns import numbers
from evenflare.files import InputError, is_folder
from evenflare.names import FileName
from evenflare.schema import SLIPS, Table, fault, number, one_of, shown
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Body, Family, Parameter, Points, Shape, families, family
from evenflare.waveguide.profile import divided
from evenflare.waveguide.vertices import CORNER

LARGEST_POINT = 2000.0
"""mm."""
MOST_POINTS = 20000
SAME_POINT = 1e-6
"""mm between two points that are one."""

Length = Annotated[float, number(-LARGEST_POINT, LARGEST_POINT)]
Corner = Annotated[float, number(0.1, 180)]
Smooth = Annotated[float, number(0, 5)]


class WallTable(Table):
    """The wall of a round waveguide, or one plane's of an oblong one, in any of its forms."""

    elsewhere: ClassVar[Mapping[str, str]] = dict.fromkeys(
        ("section_exponent", "corner_radius_mm"),
        "is for an oblong waveguide, with horizontal_csv and vertical_csv, or with [waveguide.horizontal] and"
        " [waveguide.vertical]. Remove it, or add those",
    )

    @abstractmethod
    def shape(self, air: Air, path: Path, *, table: str = "waveguide") -> Shape:
        """In SI. `path` is the design file's, `table` the name of this one there."""

    def parts(self, air: Air, path: Path) -> tuple[Shape, Body | None]:
        """The shape and, where its points run on past the mouth and round the back to the axis, the body. In SI."""
        return self.shape(air, path), None

    @property
    def points_key(self) -> str:
        """The key that holds its points, if it has any."""
        return ""


class FamilyTable(WallTable):
    """A wall of a family. The keys of its parameters come from the family, see `family_table`."""

    of: ClassVar[Family]
    family: str = Field(examples=["conical"])

    @model_validator(mode="after")
    def _one_angle(self) -> FamilyTable:
        for each in (each for each in self.of.parameters if each.full_key):
            key, full, example = each.key, each.full_key, each.example
            assert isinstance(example, int | float)  # an angle is no list
            given = [name for name in (key, full) if getattr(self, name) is not None]
            if not given:
                raise fault(
                    f"{key}: missing. Add for example {key} = {example} (wall against axis), or {full} = {2 * example}"
                    " (the full angle)"
                )
            if len(given) == 2:
                raise fault(f"{key} and {full} are the half and the full of one angle: remove one")
        return self

    def shape(self, air: Air, path: Path, *, table: str = "waveguide") -> Shape:
        """See WallTable."""
        return self.of.shape(**{each.name: self._value(each, air) for each in self.of.parameters})

    def _value(self, parameter: Parameter, air: Air) -> float | tuple[float, ...] | None:
        """In SI."""
        given = getattr(self, parameter.key)
        if given is None and parameter.full_key:
            given = 0.5 * getattr(self, parameter.full_key)
        if given is None:
            return None
        if parameter.count is not None:
            return tuple(parameter.value(each, air) for each in given)
        return parameter.value(given, air)


@cache
def family_table(family: Family) -> type[FamilyTable]:
    """[waveguide] of a family, with its parameters as keys."""
    keys: dict[str, Any] = {}
    for each in family.parameters:
        keys[each.key] = _key(each)
        if each.full_key:
            low, high = each.allowed
            keys[each.full_key] = Annotated[float, number(2 * low, 2 * high)] | None, None
    table = create_model(f"{family.name}_table", __base__=FamilyTable, __doc__=f"{family.what}.", **keys)
    table.of, table.what = family, f'family = "{family.name}"'
    return table


def _key(parameter: Parameter) -> tuple[Any, Any]:
    """Type and default of a parameter's key."""
    kind: Any = Annotated[float, number(*parameter.allowed)]
    if parameter.count is not None:
        fewest, most = parameter.count
        kind = Annotated[list[kind], Field(min_length=fewest, max_length=most)]
    if parameter.full_key or (parameter.example is None and parameter.default is None):
        return kind | None, None
    if parameter.example is None:
        return kind, parameter.default
    example = parameter.example
    return kind, Field(examples=[list(example) if isinstance(example, tuple) else example])


class PointsTable(WallTable):
    """Points, in the file or in a CSV beside it."""

    what: ClassVar[str] = "a [waveguide] made of points"
    points_mm: (
        Annotated[
            list[Annotated[list[Length], Field(min_length=2, max_length=2)]],
            Field(min_length=2, max_length=MOST_POINTS),
        ]
        | None
    ) = None
    meridian_csv: FileName | None = None
    corner_deg: Corner | None = None
    smooth_mm: Smooth = 0.0

    @model_validator(mode="after")
    def _one_source(self) -> PointsTable:
        if self.points_mm is not None and self.meridian_csv is not None:
            raise fault("points_mm and meridian_csv exclude each other: remove one")
        return self

    def shape(self, air: Air, path: Path, *, table: str = "waveguide") -> Shape:
        """See WallTable. InputError names the file of the points."""
        bounds, start = (corner_of(self.corner_deg), self.smooth_mm * MILLIMETRE), f"{path} [{table}]"
        if self.meridian_csv is not None:
            return csv_wall(path.parent, self.meridian_csv, *bounds, key=f"{start} meridian_csv")
        return points_wall(self.points_mm or [], *bounds, where=f"{start} points_mm")

    def parts(self, air: Air, path: Path) -> tuple[Shape, Body | None]:
        """See WallTable."""
        rows, where = self.points_mm or [], f"{path} [waveguide] points_mm"
        if self.meridian_csv is not None:
            file = csv_file(path.parent, self.meridian_csv, key=f"{path} [waveguide] meridian_csv")
            rows, where = csv_points(file, to_axis=True), str(file)
        corner, smooth = corner_of(self.corner_deg), self.smooth_mm * MILLIMETRE
        if not rows or rows[-1][1] != 0.0:
            return points_wall(rows, corner, smooth, where=where), None
        with faults_at(where):
            return divided(np.array(in_metres(rows)), corner=corner, smooth=smooth)

    @property
    def points_key(self) -> str:
        """See WallTable."""
        return "meridian_csv" if self.meridian_csv is not None else "points_mm"


class UnknownTable(WallTable):
    """A [waveguide] without a known family: only that is a fault, its other keys cannot be judged."""

    model_config = ConfigDict(extra="ignore")
    family: Annotated[str, one_of(families)] = Field(examples=["conical"])


def wall_tables() -> tuple[type[WallTable], ...]:
    """Every form of a wall's table: those of the families, then points."""
    return (*(family_table(family(name)) for name in families()), PointsTable)


WallTable.relatives = frozenset(key for form in wall_tables() for key in form.model_fields)


def wall_table(data: Any) -> type[WallTable]:
    """The form of a wall's table, by what it holds."""
    if not isinstance(data, dict):
        return UnknownTable
    if not data.keys().isdisjoint(("points_mm", "meridian_csv")):
        return PointsTable
    name = data.get("family")
    return family_table(family(name)) if isinstance(name, str) and name in families() else UnknownTable


def corner_of(degrees: float | None) -> float:
    """rad, of corner_deg as it stands in a file or not."""
    return CORNER if degrees is None else degrees * DEGREE


def points_wall(rows: Sequence[Sequence[float]], corner: float, smooth: float, *, where: str) -> Points:
    """A wall through rows of z and r in mm. InputError, beginning with `where`, if they give none."""
    with faults_at(where):
        return Points(in_metres(rows), corner, smooth)


def csv_wall(folder: Path, name: str, corner: float, smooth: float, *, key: str) -> Points:
    """A wall through the points of a CSV, sought from `folder`. InputError names the CSV, or the `key` that does."""
    file = csv_file(folder, name, key=key)
    return points_wall(csv_points(file), corner, smooth, where=str(file))


def in_metres(rows: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    """Rows of z and r in mm, in m."""
    return tuple((z * MILLIMETRE, r * MILLIMETRE) for z, r in rows)


@contextmanager
def faults_at(where: str) -> Iterator[None]:
    """A ValueError of the block as an InputError that begins with `where`."""
    try:
        yield
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{where}: {error}") from None


def csv_file(folder: Path, name: str, *, key: str) -> Path:
    """The CSV that a `key` names, sought from `folder`. InputError if it is a folder."""
    file = folder / name
    if is_folder(file):
        raise InputError(f"{key} = {shown(name)}: is a folder. Name the CSV file")
    return file


def csv_points(file: Path, *, to_axis: bool = False) -> list[list[float]]:
    """Columns z_mm and r_mm of a CSV, in mm; lines that begin with # and other columns are passed over.

    A point given twice in a row, as exports do at corners, counts once.
    to_axis : the last point may lie on the axis.
    InputError names the line.
    """
    points: list[list[float]] = []
    ended = ""
    for row in numbers(file, ("z_mm", "r_mm")):
        for name, value in row.values.items():
            if not abs(value) <= LARGEST_POINT:
                in_mm = dict(SLIPS["_mm"])["micrometres"]
                micrometres = abs(value) * in_mm <= LARGEST_POINT
                hint = f"Is it in micrometres? Then write {value * in_mm:g}" if micrometres else "Correct it"
                raise InputError(f"{row.where(name)}: must be {-LARGEST_POINT:g} to {LARGEST_POINT:g}. {hint}")
        z, r = row.values["z_mm"], row.values["r_mm"]
        again = bool(points) and np.hypot(z - points[-1][0], r - points[-1][1]) <= SAME_POINT
        if ended and not again:
            raise InputError(
                f"{ended}: must be above 0 on any line but the last. Correct it, or remove the lines after it"
            )
        if r < 0 or (r == 0 and not to_axis):
            raise InputError(f"{row.where('r_mm')}: must be above 0, the axis. Correct it, or remove the line")
        ended = row.where("r_mm") if r == 0 else ""
        if not again:
            points.append([z, r])
        if len(points) > MOST_POINTS:
            raise InputError(f"{file}: holds more than {MOST_POINTS} points: must be at most as many. Leave some out")
    return points
