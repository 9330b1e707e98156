"""The point list for a machinist: the wall, its normal and the tool's centre, row by row from throat to mouth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.files import write_text
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.wall.offset import ToolPath, floor_micrometre, no_tool, tool_path
from evenflare.text import table
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Frame, Waveguide

COLUMNS = (
    "index",
    "z_mm",
    "r_mm",
    "wall_angle_deg",
    "normal_z",
    "normal_r",
    "tool_z_mm",
    "tool_r_mm",
    "program_z_mm",
)

CAUTIONS = (
    "caution: rotating tools cut and throw. Guards and interlocks in place, work clamped, eye protection, no gloves,"
    " ties or loose sleeves near the spindle; know the stop button; never leave a cut unattended.",
    "caution: wood and composite dust harms and can burn or explode. Extract it at its source, wear a mask, do not"
    " sweep it dry.",
    "caution: prove the program in the air above the work first. These are points, not a program: feeds, speeds,"
    " roughing, clamping and clearance of shank and holder are the machinist's.",
    "caution: the machine's manual, local codes and trained people come before this file.",
)

WORK_IT_OUT = "evenflare tolerance DESIGN --process PROCESS works it out, and export --tolerance states it"
FLUSH = "the joint at the throat must be flush"
EMPTY = "the columns of tool and program are empty; a part that is made without such a tool needs none of them"
UNKNOWN = (
    f"tolerance: nobody has worked out how far this wall may depart for its sound to stay: {WORK_IT_OUT}; {FLUSH}",
)
"""What the head of a point list says of the wall's tolerance where nobody does."""


@dataclass(frozen=True)
class PointList:
    """What was written.

    path                : of the file.
    rows                : number of rows, from throat to mouth.
    columns             : points of each row; 1 for a round wall.
    no_tool             : why the tool has no path on this wall, in words; empty where it has.
    tool_radius         : m.
    largest_tool_radius : m, that would fit this wall.
    lowest_program_z    : m, of the ball's tip, from the front face; negative, into the part. None: no path, see
                          `no_tool`.
    edges               : sharp edges that the tool rolls round.
    undercut_z          : m, where the wall first runs back over itself as seen from the mouth; None if nowhere.
    """

    path: Path
    rows: int
    tool_radius: float
    largest_tool_radius: float
    lowest_program_z: float | None
    edges: int
    undercut_z: float | None
    columns: int = 1
    no_tool: str = ""


def write_points(
    waveguide: Waveguide,
    path: Path,
    *,
    chord_error: float,
    tool_radius: float,
    design_id: str,
    name: str,
    sizes: Sizes | None = None,
    tolerance: Sequence[str] = UNKNOWN,
) -> PointList:
    """Write the point list of `waveguide` as CSV, whole or not at all.

    chord_error, tool_radius : m, see tool_path.
    design_id, name, sizes   : for the header; `sizes` adds the part's outside and its bolts.
    tolerance                : lines of the header that say what is asked of the wall.
    Errors                   : InputError as tool_path, or if the file cannot be written.
    """
    route = tool_path(waveguide.meridian, tool_radius=tool_radius, chord_error=chord_error)
    depth = waveguide.meridian.depth
    told = {"design_id": design_id, "name": name}
    text = points_text(route, depth=depth, chord_error=chord_error, sizes=sizes, tolerance=tolerance, **told)
    write_text(path, text)
    return point_list(path, route, depth=depth)


def point_list(path: Path, route: ToolPath, *, depth: float) -> PointList:
    """The facts of a tool's path, for a report; `depth` in m, throat plane to front face."""
    return PointList(
        path=path,
        rows=route.wall.z.size,
        tool_radius=route.tool_radius,
        largest_tool_radius=route.reach.radius,
        lowest_program_z=float(route.centre_z.min()) - route.tool_radius - depth if route.fits else None,
        edges=_edges(route),
        undercut_z=_undercut(route),
        no_tool="" if route.fits else no_tool(route.reach, route.tool_radius),
    )


def six(value: float) -> str:
    """A length in mm to 1e-6; empty for none."""
    return "" if np.isnan(value) else f"{value:.6f}"


def points_text(
    route: ToolPath,
    *,
    depth: float,
    chord_error: float,
    design_id: str,
    name: str,
    sizes: Sizes | None = None,
    tolerance: Sequence[str] = UNKNOWN,
) -> str:
    """The CSV: `#` lines, one row of column names, the rows. Lengths in mm to 1e-6, angles in degrees.

    depth, chord_error : m.
    tolerance          : lines of the header that say what is asked of the wall.
    """
    radius = route.tool_radius
    lengths = [route.wall.z, route.wall.r, route.centre_z, route.centre_r, route.centre_z - radius - depth]
    z, r, tool_z, tool_r, program_z = (np.round(values / MILLIMETRE, 6) + 0.0 for values in lengths)
    angle = np.round(route.wall.angle / DEGREE, 7) + 0.0
    normal_z, normal_r = np.round(route.normal_z, 10) + 0.0, np.round(route.normal_r, 10) + 0.0
    rows = (
        (
            *(str(i + 1), f"{z[i]:.6f}", f"{r[i]:.6f}", f"{angle[i]:.7f}", f"{normal_z[i]:.10f}"),
            *(f"{normal_r[i]:.10f}", six(tool_z[i]), six(tool_r[i]), six(program_z[i])),
        )
        for i in range(z.size)
    )
    header = [
        "evenflare point list: the wall of a round waveguide and the path of a round tool along it, throat to mouth",
        f"design: {name}",
        f"design id: {design_id}",
        *_settings(route, depth, chord_error, tolerance),
        *_part(sizes),
        *CAUTIONS,
    ]
    return table(COLUMNS, rows, header=header)


def outside_text(around: Frame, sizes: Sizes, *, chord_error: float, design_id: str, name: str) -> str:
    """The CSV of a body's outside, as [mounting] body_csv takes it: mm to 1e-6, from the mouth's rim to the axis."""
    header = [
        "evenflare outside of a free-standing body: from the mouth's rim round the back to the axis",
        f"design: {name}",
        f"design id: {design_id}",
        f"units: mm; z from the throat plane, r from the axis; chords within {chord_error / MILLIMETRE:g}",
        *_part(sizes),
        *CAUTIONS,
    ]
    places = np.round(np.column_stack([around.z, around.r]) / MILLIMETRE, 6) + 0.0
    return table(("z_mm", "r_mm"), ((f"{z:.6f}", f"{r:.6f}") for z, r in places.tolist()), header=header)


def _settings(route: ToolPath, depth: float, chord_error: float, tolerance: Sequence[str]) -> list[str]:
    radius, lowest = route.tool_radius, float(route.centre_z.min()) - route.tool_radius
    reach = route.reach
    tool = [
        f"tool: ball nose or turning nose, radius {radius / MILLIMETRE:g}; tool_z, tool_r is its centre = wall + radius"
        " x normal; program_z is the ball's tip",
        f"tool: the largest radius for this wall is {floor_micrometre(reach.radius) / MILLIMETRE:.3f}, set at"
        f" z = {reach.z / MILLIMETRE:.3f}",
        f"tool: lowest program_z {(lowest - depth) / MILLIMETRE:.4f}; the tip passes the throat plane by"
        f" {max(0.0, -lowest) / MILLIMETRE:.4f}, which must be free below",
    ]
    lines = [
        "units: mm and degrees; the normal is a unit vector from the wall into the air",
        "datum: r from the axis; z and tool_z from the throat plane, rising to the mouth; program_z = 0 at the front"
        f" face (mouth plane, z = {depth / MILLIMETRE:.4f}), rising out of the mouth",
        *(tool if route.fits else [f"tool: {no_tool(reach, radius)}: {EMPTY}"]),
        f"chord error: straight moves between rows depart from wall and path by at most {chord_error / MILLIMETRE:g};"
        " every row lies on the exact wall, to 0.000001",
        *tolerance,
    ]
    if _edges(route):
        lines.append(
            "edges: rows that repeat z_mm and r_mm roll the tool round a sharp edge; as a profile they are one point"
        )
    undercut = _undercut(route)
    if undercut is not None:
        lines.append(
            f"undercut: from z = {undercut / MILLIMETRE:.3f} the wall narrows toward the mouth; a straight shank from"
            " the mouth does not reach it, and a pattern does not draw"
        )
    return lines


def _part(sizes: Sizes | None) -> list[str]:
    if sizes is None:
        return []
    line = f"part: {sizes.kind}, outside diameter {sizes.flange_diameter / MILLIMETRE:.3f}"
    if sizes.kind == "shell":
        line += f", wall {sizes.wall / MILLIMETRE:g}, flange {sizes.flange_thickness / MILLIMETRE:g} thick"
    if sizes.kind == "body":
        line += f", its outside as the mounting's; a disc {sizes.wall / MILLIMETRE:g} thick closes the back, flush"
    if sizes.bolts:
        line += f"; drill {sizes.bolts} bolt holes, which the mesh leaves out, on a circle of diameter"
        line += f" {sizes.bolt_circle / MILLIMETRE:.3f}, the first on +x"
    return [line]


def _edges(route: ToolPath) -> int:
    """Sharp edges: runs of rows that stand on one spot."""
    still = np.hypot(np.diff(route.wall.z), np.diff(route.wall.r)) == 0.0
    return int(np.sum(still & ~np.concatenate([[False], still[:-1]])))


def _undercut(route: ToolPath) -> float | None:
    """Z (m) of the first row whose wall, seen along the axis from the mouth, lies hidden."""
    hidden = (route.wall.angle < -1e-6) | (route.wall.angle > 0.5 * np.pi + 1e-6)
    return float(route.wall.z[hidden.argmax()]) if hidden.any() else None
