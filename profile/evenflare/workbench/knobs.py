"""What of a design can be pulled: numbers of its file with their ranges, and handles on the wall that move them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from evenflare.design.file import Design, design_of
from evenflare.design.walls import LARGEST_POINT
from evenflare.files import InputError
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import FAMILIES, Parameter, Waveguide, family
from evenflare.words import spoken
from evenflare.workbench.draft import Place

UNITS = {"mm": "mm", "deg": "°", "hz": "Hz", "per_m": "1/m"}
"""By the end of a key."""
ALONG = 65
"""Places along a wall at which a handle may sit."""
NUDGE = 1e-3
"""Of a knob's value, or of its range, by which it is moved to see what of the wall moves."""
APART = 0.05
"""Of the wall's arc, at least, between two handles."""
LEAST_MOVED = 1e-3
"""Of what a knob moves most of a wall, that it must move where its handle is."""
STEPS = 60
"""Steps in which arrow keys go through a range."""


@dataclass(frozen=True)
class Knob:
    """A number of a design file.

    place     : in the file's tables, and
    also      : where the same number stands: the depth of an oblong waveguide, which both walls have.
    label     : in words.
    unit      : of value, low and high.
    """

    place: Place
    label: str
    unit: str
    value: float
    low: float
    high: float
    also: tuple[Place, ...] = ()

    @property
    def name(self) -> str:
        """Its place as one word."""
        return "/".join(str(each) for each in self.place)

    @property
    def step(self) -> float:
        """Of arrow keys: a round number."""
        size = max(abs(self.value), 0.02 * min(self.high - self.low, 100.0)) / STEPS
        digit = 10.0 ** np.floor(np.log10(size))
        return float(next(digit * each for each in (1.0, 2.0, 5.0, 10.0) if digit * each >= size))


@dataclass(frozen=True)
class Handle:
    """A point of the wall that moves with knobs.

    at    : z, r in mm from the throat plane and the axis.
    moves : by knob, how far (z, r) the point goes when the knob's number grows by 1.
    plane : of the wall, empty where there is one.
    """

    name: str
    plane: str
    at: tuple[float, float]
    moves: Mapping[str, tuple[float, float]]


def knobs(tables: Mapping[str, Any]) -> list[Knob]:
    """The numbers of [waveguide] that can be changed one by one, in the order of the file's parameters."""
    wall = tables.get("waveguide", {})
    found: list[Knob] = []
    for way in ((), ("horizontal",), ("vertical",)):
        table = wall
        for key in way:
            table = table.get(key, {}) if isinstance(table, Mapping) else {}
        place: Place = ("waveguide", *way)
        if isinstance(table, Mapping) and table.get("family") in FAMILIES:
            found += _of_family(table, place, str(table["family"]))
        if isinstance(table, Mapping) and isinstance(table.get("points_mm"), list):
            found += _of_points(table["points_mm"], (*place, "points_mm"))
    found = _one_depth(found)
    exponent = wall.get("section_exponent")
    if isinstance(exponent, int | float):
        found.append(Knob(("waveguide", "section_exponent"), "section exponent", "", float(exponent), 2.0, 20.0))
    if isinstance(wall.get("corner_radius_mm"), int | float):
        radius = float(wall["corner_radius_mm"])
        found.append(Knob(("waveguide", "corner_radius_mm"), "corner radius", "mm", radius, 0.0, 500.0))
    return found


def _one_depth(found: list[Knob]) -> list[Knob]:
    """The depths of an oblong waveguide's walls as one number, where both files say them: they must be equal."""
    depths = [each for each in found if each.place[-1] == "depth_mm" and len(each.place) > 2]
    if len(depths) < 2:
        return found
    first, *others = depths
    one = replace(first, label="depth", also=tuple(each.place for each in others))
    return [one if each is first else each for each in found if each not in others]


def _of_family(table: Mapping[str, Any], place: Place, name: str) -> list[Knob]:
    found = []
    where = f"{place[-1]} " if len(place) > 1 else ""
    for parameter in family(name).parameters:
        low, high = parameter.allowed
        key, factor = parameter.key, 1.0
        if parameter.full_key and parameter.full_key in table:
            key, factor = parameter.full_key, 2.0
        value = table.get(key, parameter.default)
        if parameter.count is not None and isinstance(value, list):
            found += [
                Knob(
                    (*place, key, index),
                    f"{where}{_words(key, parameter)} {index + 1}",
                    _unit(key),
                    float(each),
                    float(low),
                    float(high),
                )
                for index, each in enumerate(value)
            ]
        elif isinstance(value, int | float):
            label = f"{where}{_words(key, parameter)}"
            found.append(Knob((*place, key), label, _unit(key), float(value), factor * low, factor * high))
    return found


def _of_points(points: Sequence[Sequence[float]], place: Place) -> list[Knob]:
    """Every point but the first, which the exit holds."""
    return [
        Knob((*place, index, axis), f"point {index + 1}, {'zr'[axis]}", "mm", float(point[axis]), 0.0, LARGEST_POINT)
        for index, point in enumerate(points)
        for axis in (0, 1)
        if index > 0
    ]


def _unit(key: str) -> str:
    return next((unit for end, unit in UNITS.items() if key.endswith(f"_{end}")), "")


def _words(key: str, parameter: Parameter) -> str:
    end = next((f"_{end}" for end in UNITS if key.endswith(f"_{end}")), "")
    return spoken(key.removesuffix(end)) + (" (full)" if key == parameter.full_key else "")


def walls(waveguide: Waveguide) -> dict[str, FloatArray]:
    """The meridian (N, 2), z and r in mm from throat to mouth, by plane: one, or those of an oblong waveguide."""
    if waveguide.is_round:
        meridians = {"": waveguide.meridian}
    else:
        meridians = {"horizontal": waveguide.surface.horizontal, "vertical": waveguide.surface.vertical}
    start = next(iter(meridians.values())).ends.z[0]
    return {
        plane: np.stack([(each.dense.z - start) / MILLIMETRE, each.dense.r / MILLIMETRE], axis=1)
        for plane, each in meridians.items()
    }


def handles(tables: dict[str, Any], path: Path, design: Design, known: Sequence[Knob]) -> list[Handle]:
    """A handle for each knob that moves a wall, no two on one spot; for points the points.

    What a knob moves is found by moving it a little, at the same shares of the wall's arc.
    """
    found: list[Handle] = []
    taken: list[tuple[str, float]] = []
    here = {plane: _along(wall) for plane, wall in walls(design.waveguide).items()}
    for knob in known:
        if "points_mm" in knob.place:
            if knob.place[-1] == 1:
                way = "/".join(str(each) for each in knob.place[:-1])
                z = next(each.value for each in known if each.name == f"{way}/0")
                plane = next((p for p in ("horizontal", "vertical") if p in knob.place), "")
                moves = {f"{way}/0": (1.0, 0.0), f"{way}/1": (0.0, 1.0)}
                found.append(Handle(knob.label.partition(",")[0], plane, (z, knob.value), moves))
            continue
        slopes = _slopes(tables, path, knob, here)
        if slopes is None:
            continue
        plane, slope = max(slopes.items(), key=lambda each: float(np.abs(each[1]).max()))
        size = np.linalg.norm(slope, axis=1)
        for spot in _spots(knob, known, size):
            share = float(spot) / (ALONG - 1)
            if size[spot] > LEAST_MOVED * size.max() and all(
                where != plane or abs(share - other) >= APART for where, other in taken
            ):
                taken.append((plane, share))
                z, r = here[plane][spot]
                found.append(
                    Handle(
                        knob.label,
                        plane,
                        (float(z), float(r)),
                        {knob.name: (float(slope[spot, 0]), float(slope[spot, 1]))},
                    )
                )
                break
    return found


def _spots(knob: Knob, known: Sequence[Knob], size: FloatArray) -> Sequence[int]:
    """Places along a wall, the best for a knob's handle first: where it moves the wall most; of values of a list, which
    all move its end most, in their order along it.
    """
    index = knob.place[-1]
    if not isinstance(index, int):
        return [int(each) for each in np.argsort(-size)]
    count = sum(each.place[:-1] == knob.place[:-1] for each in known)
    wanted = (index + 1.0) / count * (ALONG - 1)
    return [int(each) for each in np.argsort(np.abs(np.arange(ALONG) - wanted))]


def _along(wall: FloatArray) -> FloatArray:
    """(ALONG, 2) places of a wall (N, 2) at even shares of its arc."""
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(wall, axis=0).T))])
    share = np.linspace(0.0, arc[-1], ALONG)
    return np.stack([np.interp(share, arc, wall[:, axis]) for axis in (0, 1)], axis=1)


def _slopes(
    tables: dict[str, Any], path: Path, knob: Knob, here: Mapping[str, FloatArray]
) -> dict[str, FloatArray] | None:
    """By plane how the places of the wall move with a knob, mm per unit; None where it cannot be moved."""
    nudge = NUDGE * max(abs(knob.value), 0.02 * min(knob.high - knob.low, 100.0))
    for sign in (1.0, -1.0):
        value = knob.value + sign * nudge
        if not knob.low <= value <= knob.high:
            continue
        try:
            changed = tables
            for place in (knob.place, *knob.also):
                changed = _with(changed, place, value)
            moved = walls(design_of(changed, path).waveguide)
        except InputError:
            continue
        return {plane: (_along(wall) - here[plane]) / (sign * nudge) for plane, wall in moved.items()}
    return None


def _with(tables: Any, place: Sequence[str | int], value: float) -> Any:
    """The tables with one value changed; nothing else is copied."""
    first, *rest = place
    inner = (
        value
        if not rest
        else _with(tables.get(first, {}) if isinstance(tables, Mapping) else tables[first], rest, value)
    )
    if isinstance(tables, Mapping):
        return {**tables, first: inner}
    return [inner if index == first else each for index, each in enumerate(tables)]
