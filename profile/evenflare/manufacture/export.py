"""The machinist's files of one design, together."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare.files import write_text
from evenflare.manufacture.offset import tool_path
from evenflare.manufacture.outline import SolidChoice, solid_sizes
from evenflare.manufacture.points import PointList, point_list, points_text
from evenflare.manufacture.solid import build
from evenflare.manufacture.stl import SolidFile, solid_file, write_stl
from evenflare.waveguide import Waveguide


@dataclass(frozen=True)
class Exported:
    """The files written and their facts."""

    points: PointList
    solid: SolidFile


def export(
    waveguide: Waveguide,
    solid: SolidChoice,
    folder: Path,
    *,
    chord_error: float,
    tool_radius: float,
    design_id: str,
    name: str,
) -> Exported:
    """Write `solid.stl` and `points.csv` into `folder`. Both are worked out before either is written.

    chord_error, tool_radius : m.
    Errors                   : InputError as tool_path, solid_sizes and build, or if a file cannot be written.
    """
    meridian = waveguide.meridian
    route = tool_path(meridian, tool_radius=tool_radius, chord_error=chord_error)
    sizes = solid_sizes(meridian, solid)
    mesh = build(meridian, sizes, chord_error=chord_error)
    text = points_text(
        route, depth=meridian.depth, chord_error=chord_error, design_id=design_id, name=name, sizes=sizes
    )

    points_path, solid_path = folder / "points.csv", folder / "solid.stl"
    write_text(points_path, text)
    write_stl(mesh, solid_path, title=f"{design_id} {name}")
    return Exported(
        point_list(points_path, route, depth=meridian.depth),
        solid_file(solid_path, sizes, mesh),
    )
