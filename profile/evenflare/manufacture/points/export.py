"""The machinist's files of one design, together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from evenflare.files import InputError, write_text
from evenflare.manufacture.part.faults import SolidError
from evenflare.manufacture.part.features import PLAIN, Features
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.part.oblong_sizes import oblong_sizes
from evenflare.manufacture.part.oblong_solid import build_oblong, outside_grid
from evenflare.manufacture.part.outline import SolidChoice, body_outside, solid_sizes
from evenflare.manufacture.part.soundness import check_sound
from evenflare.manufacture.part.stl import (
    FAULTS,
    SolidFile,
    build_round,
    clear_faults,
    solid_file,
    write_faults,
    write_stl,
)
from evenflare.manufacture.points.oblong_points import (
    curve_text,
    edges,
    grid_text,
    outside_grid_text,
    sections_text,
    undercut,
)
from evenflare.manufacture.points.points import UNKNOWN, PointList, outside_text, point_list, points_text
from evenflare.manufacture.wall.oblong_curves import (
    Curve,
    closed_curve,
    curve_at,
    outside_heights,
    section,
    section_depths,
)
from evenflare.manufacture.wall.oblong_offset import OblongPath, check_clear, oblong_path, without_path
from evenflare.manufacture.wall.offset import NoRoomError, checked_tool_radius, tool_path
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import DEGREE
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import Cloud, cloud
from evenflare.waveguide.surface import Surface

AZIMUTHS = (0.0, 0.25 * np.pi, 0.5 * np.pi)
"""rad, of the half-planes with a point list of their own."""


@dataclass(frozen=True)
class Curves:
    """A file of curves on an oblong wall, and what it holds in words."""

    path: Path
    what: str


@dataclass(frozen=True)
class Exported:
    """The files written and their facts; `curves` has those of an oblong waveguide beside `points.csv`."""

    points: PointList
    solid: SolidFile
    curves: tuple[Curves, ...] = ()


def export(
    waveguide: Waveguide,
    solid: SolidChoice,
    folder: Path,
    *,
    chord_error: float,
    tool_radius: float,
    design_id: str,
    name: str,
    azimuths: Sequence[float] = AZIMUTHS,
    sections: Sequence[float] | None = None,
    features: Features = PLAIN,
    tolerance: Sequence[str] = UNKNOWN,
    must_fit: bool = True,
) -> Exported:
    """Write `solid.stl` and `points.csv` into `folder`; of an oblong waveguide also `points_azimuth_*.csv` and
    `sections.csv`. All are worked out before any is written.

    chord_error, tool_radius : m.
    azimuths                 : rad, of the half-planes of an oblong waveguide with a point list each.
    sections                 : m, depths of its sections; left out: throat, every 10 mm, mouth.
    features                 : cut from the solid besides.
    tolerance                : lines of the lists' headers that say what is asked of the wall.
    must_fit                 : False: of a wall that the tool does not reach everywhere the lists hold no tool's path.
    Errors                   : InputError if the tool does not fit and must, there is no such solid, an azimuth or a
                               depth is out of range, or a file cannot be written. A solid at fault is not mended: what
                               is wrong with it is drawn as `faults.stl` in `folder`, and named.
    """
    order = _Order(folder, chord_error, tool_radius, design_id, name, features, tolerance, must_fit)
    faults = folder / FAULTS
    try:
        if waveguide.is_round:
            made = _export_round(waveguide, solid, order)
        else:
            made = _export_oblong(waveguide, solid, order, azimuths=azimuths, sections=sections)
    except SolidError as fault:
        if not write_faults(fault, faults):
            raise
        raise InputError(f"{fault}. The places are drawn in {faults}") from fault
    clear_faults(faults)
    return made


@dataclass(frozen=True)
class _Order:
    """What both kinds of waveguide are exported with, see export."""

    folder: Path
    chord_error: float
    tool_radius: float
    design_id: str
    name: str
    features: Features
    tolerance: Sequence[str]
    must_fit: bool


def _export_round(waveguide: Waveguide, solid: SolidChoice, order: _Order) -> Exported:
    chord_error, told = order.chord_error, {"design_id": order.design_id, "name": order.name}
    meridian = waveguide.meridian
    radius, must_fit = order.tool_radius, order.must_fit
    route = tool_path(meridian, tool_radius=radius, chord_error=chord_error, must_fit=must_fit)
    sizes = solid_sizes(meridian, solid, body=waveguide.mounting.body)
    features = fitted(waveguide, sizes, order.features)
    mesh = build_round(meridian, sizes, features, chord_error=chord_error)
    text = points_text(
        route, depth=meridian.depth, chord_error=chord_error, sizes=sizes, tolerance=order.tolerance, **told
    )

    points_path, solid_path = order.folder / "points.csv", order.folder / "solid.stl"
    outside_path, curves = order.folder / "outside.csv", list[Curves]()
    write_text(points_path, text)
    if sizes.body is not None:
        around = body_outside(meridian, sizes.body, chord_error=chord_error)
        write_text(outside_path, outside_text(around, sizes, chord_error=chord_error, **told))
        curves.append(Curves(outside_path, f"{around.z.size} points of the body's outside, rim to axis"))
    write_stl(mesh, solid_path, title=f"{order.design_id} {order.name}")
    return Exported(
        point_list(points_path, route, depth=meridian.depth),
        solid_file(solid_path, sizes, mesh, features=features),
        tuple(curves),
    )


def _export_oblong(
    waveguide: Waveguide,
    solid: SolidChoice,
    order: _Order,
    *,
    azimuths: Sequence[float],
    sections: Sequence[float] | None,
) -> Exported:
    chord_error, told = order.chord_error, {"design_id": order.design_id, "name": order.name}
    folder, tool_radius = order.folder, order.tool_radius
    checked_chord_error(chord_error)
    checked_tool_radius(tool_radius)
    surface = waveguide.surface
    depth, wall = surface.depth, cloud(surface)
    depths = section_depths(depth, sections)
    sizes = oblong_sizes(surface, wall, solid, body=waveguide.oblong_body)
    path, curves = _paths(surface, wall, order, azimuths)
    features = fitted(waveguide, sizes, order.features, wall=wall)
    mesh, thinnest = build_oblong(surface, wall, sizes, chord_error=chord_error, features=features)
    check_sound(mesh)
    cuts = [(z, section(surface, z, chord_error=chord_error)) for z in depths]

    points_path, solid_path = folder / "points.csv", folder / "solid.stl"
    asked = order.tolerance
    texts = {
        points_path: grid_text(
            path,
            depth=depth,
            chord_error=chord_error,
            sizes=sizes,
            thinnest=thinnest,
            tolerance=asked,
            **told,
        )
    }
    listed = []
    for curve in curves:
        place = folder / f"points_azimuth_{curve.azimuth / DEGREE:g}.csv"
        texts[place] = curve_text(curve, path, depth=depth, chord_error=chord_error, tolerance=asked, **told)
        what = f"{curve.z.size} points in the half-plane at azimuth {curve.azimuth / DEGREE:g}°, throat to mouth"
        listed.append(Curves(place, what))
    place = folder / "sections.csv"
    texts[place] = sections_text(cuts, depth=depth, chord_error=chord_error, **told)
    listed.append(Curves(place, f"sections at {len(cuts)} depths from throat to mouth"))

    if sizes.body is not None:
        outside = outside_grid(sizes.body, chord_error=chord_error)
        place = folder / "outside.csv"
        texts[place] = outside_grid_text(outside, sizes, chord_error=chord_error, **told)
        listed.append(Curves(place, f"{outside.points.shape[0]} rows of the body's outside, rim to flat back"))
        heights, place = outside_heights(sizes.body), folder / "outside_sections.csv"
        rings = [(z, closed_curve(partial(sizes.body.section, z), chord_error=chord_error)) for z in heights]
        what = "the outside of an oblong free-standing body"
        texts[place] = sections_text(rings, depth=depth, chord_error=chord_error, of=what, **told)
        listed.append(Curves(place, f"sections of the outside at {len(rings)} heights from back to mouth"))

    for where, text in texts.items():
        write_text(where, text)
    write_stl(mesh, solid_path, title=f"{order.design_id} {order.name}")
    place_hidden = undercut(path)
    rows, quarter = path.wall.points.shape[:2]
    facts = PointList(
        path=points_path,
        rows=rows,
        tool_radius=tool_radius,
        largest_tool_radius=path.reach.radius,
        lowest_program_z=None if path.no_tool else path.lowest - depth,
        edges=edges(path),
        undercut_z=None if place_hidden is None else float(place_hidden[2]),
        columns=4 * (quarter - 1) + 1,
        no_tool=path.no_tool,
    )
    return Exported(facts, solid_file(solid_path, sizes, mesh, thinnest, features=features), tuple(listed))


def _paths(surface: Surface, wall: Cloud, order: _Order, azimuths: Sequence[float]) -> tuple[OblongPath, list[Curve]]:
    """The ball's path over the wall's grid and over its curves; NoRoomError unless it may be missing."""
    radius, chord_error = order.tool_radius, order.chord_error
    try:
        path = oblong_path(surface, wall, tool_radius=radius, chord_error=chord_error)
        curves = [curve_at(surface, angle, tool_radius=radius, chord_error=chord_error) for angle in azimuths]
        for curve in curves:
            check_clear(curve.places, wall, radius)
    except NoRoomError:
        if order.must_fit:
            raise
        path = without_path(surface, wall, tool_radius=radius, chord_error=chord_error)
        curves = [curve_at(surface, angle, tool_radius=0.0, chord_error=chord_error) for angle in azimuths]
        curves = [replace(curve, centres=np.full_like(curve.centres, np.nan)) for curve in curves]
    return path, curves
