"""Wall, driver and mounting as the keys of a design file: what its tables read, written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

import numpy as np

from evenflare.air import Air
from evenflare.design.solid_stl import solid_name
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    AnyCabinet,
    BodyPoints,
    Cabinet,
    Driver,
    Mounting,
    Oblong,
    Parameter,
    Points,
    RolledShell,
    RoundCabinet,
    RoundedRectangle,
    Section,
    Shape,
    Superellipse,
    families,
    family,
)
from evenflare.waveguide.vertices import CORNER


def wall_keys(shape: Shape | Oblong, air: Air) -> dict[str, Any]:
    """The [waveguide] table of a shape. A cutoff counts in that air. ValueError for a shape that no file can state."""
    if isinstance(shape, Oblong):
        planes = {"horizontal": wall_keys(shape.horizontal, air), "vertical": wall_keys(shape.vertical, air)}
        return _section_keys(shape.section) | planes
    if isinstance(shape, Points):
        return _points_keys("points_mm", shape)
    if shape.family not in families():
        raise ValueError(f"a shape of family {shape.family!r} has no design file")
    keys: dict[str, Any] = {"family": shape.family}
    for each in family(shape.family).parameters:
        value = getattr(shape, each.name)
        if each.count is not None:
            keys[each.key] = [_stated(one, each, air) for one in value]
        else:
            keys[each.key] = None if value is None else _stated(value, each, air)
    return keys


def _stated(value: float, parameter: Parameter, air: Air) -> float:
    """A parameter's value as a file holds it."""
    guess = parameter.number(value, air)
    return _inverse(guess, lambda number: parameter.value(number, air), value)


def _section_keys(section: Section) -> dict[str, Any]:
    match section:
        case RoundedRectangle():
            return {"corner_radius_mm": length_mm(section.corner_radius)}
        case Superellipse(exponent):
            if isinstance(exponent, tuple):
                return {"section_exponent": [[written(z, MILLIMETRE), float(value)] for z, value in exponent]}
            return {"section_exponent": float(exponent)}
        case _:
            raise ValueError(f"a section {type(section).__name__} has no design file")


def driver_keys(driver: Driver) -> dict[str, Any]:
    """The [driver] table of a driver. The impedance of its source stands in it, so that it needs no other file."""
    keys: dict[str, Any] = {
        "exit_diameter_mm": written(2 * driver.exit_radius, MILLIMETRE),
        "exit_half_angle_deg": written(driver.exit_half_angle, DEGREE),
    }
    if driver.velocity_profile is not None:
        keys["velocity_profile"] = [list(pair) for pair in driver.velocity_profile]
    source = driver.source
    if source.kind != "velocity":
        keys["source"] = source.kind
    if source.kind == "impedance":
        keys |= {
            "source_frequencies_hz": list(source.frequency),
            "source_resistance": [each.real for each in source.impedance],
            "source_reactance": [each.imag for each in source.impedance],
            "source_pressure_pa": list(source.pressure),
        }
    return keys


def mounting_keys(mounting: Mounting) -> dict[str, Any]:
    """The [mounting] table of a mounting. ValueError for a body that no file can state."""
    keys: dict[str, Any] = {"kind": mounting.kind, "radius_mm": length_mm(mounting.radius)}
    if mounting.cabinet is not None:
        return {"kind": mounting.kind} | _cabinet_keys(mounting.cabinet)
    match mounting.body:
        case None:
            return keys
        case BodyPoints():
            return keys | _points_keys("body_points_mm", mounting.body)
        case RolledShell() | RoundCabinet():
            sizes = {f"{each.name}_mm": length_mm(getattr(mounting.body, each.name)) for each in fields(mounting.body)}
            return keys | {"outline": mounting.body.outline} | sizes
        case _:
            raise ValueError(f"a body {type(mounting.body).__name__} has no design file")


def _cabinet_keys(cabinet: AnyCabinet) -> dict[str, Any]:
    if not isinstance(cabinet, Cabinet):
        place = {"waveguide_x_mm": length_mm(cabinet.x), "waveguide_y_mm": length_mm(cabinet.y)}
        return {"solid_stl": solid_name(cabinet.solid)} | place
    sizes = {name: getattr(cabinet, name) for name in ("width", "height", "depth")}
    for start, edge in (("", cabinet.edge), ("front_", cabinet.front_edge)):
        if start and edge == cabinet.edge:
            continue
        sizes[f"{start}edge_{'chamfer' if edge.chamfer > 0.0 else 'radius'}"] = edge.size
    sizes |= {"waveguide_x": cabinet.x, "waveguide_y": cabinet.y}
    return {f"{name}_mm": length_mm(value) for name, value in sizes.items()}


def _points_keys(key: str, given: Points | BodyPoints) -> dict[str, Any]:
    return {
        key: [[written(z, MILLIMETRE), written(r, MILLIMETRE)] for z, r in given.points],
        "corner_deg": None if given.corner == CORNER else written(given.corner, DEGREE),
        "smooth_mm": written(given.smooth, MILLIMETRE) if given.smooth else None,
    }


def length_mm(value: float | None) -> float | None:
    """A length in m as a file holds it."""
    return None if value is None else written(value, MILLIMETRE)


def written(value: float, factor: float) -> float:
    """The number that times `factor` is `value` again."""
    return _inverse(value / factor, lambda number: number * factor, value)


def _inverse(guess: float, read: Callable[[float], float], value: float) -> float:
    """The number near `guess` that reads as exactly `value`, the shortest first; else the guess, a digit off."""
    near = float(guess)
    candidates = (float(f"{near:.12g}"), near, float(np.nextafter(near, np.inf)), float(np.nextafter(near, -np.inf)))
    return next((number for number in candidates if read(number) == value), near)
