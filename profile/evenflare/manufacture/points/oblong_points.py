"""Text of the machinist's point lists of an oblong waveguide: the wall's grid, curves in half-planes, sections."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.manufacture.part.oblong_sizes import OblongSizes, outside
from evenflare.manufacture.part.oblong_solid import Thinnest
from evenflare.manufacture.points.points import CAUTIONS, EMPTY, UNKNOWN, six
from evenflare.manufacture.wall.grid import Grid, around
from evenflare.manufacture.wall.oblong_curves import Curve
from evenflare.manufacture.wall.oblong_offset import OblongPath
from evenflare.manufacture.wall.offset import floor_micrometre
from evenflare.text import table
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.cloud import told

GRID_COLUMNS = (
    *("index", "row", "column", "x_mm", "y_mm", "z_mm", "normal_x", "normal_y", "normal_z"),
    *("tool_x_mm", "tool_y_mm", "tool_z_mm", "program_z_mm"),
)
CURVE_COLUMNS = (
    *("index", "z_mm", "r_mm", "wall_angle_deg", "normal_z", "normal_r", "normal_across"),
    *("tool_z_mm", "tool_r_mm", "tool_across_mm", "program_z_mm"),
)
SECTION_COLUMNS = ("depth_mm", "index", "x_mm", "y_mm")
OUTSIDE_COLUMNS = GRID_COLUMNS[:9]
UNDERCUT = 1e-6
"""Of a normal's part along the axis: below minus it the wall lies hidden, seen from the mouth."""


def undercut(path: OblongPath) -> FloatArray | None:
    """(3,), m: the first point, from the throat, whose wall lies hidden seen along the axis from the mouth."""
    hidden = path.wall.normals[..., 2].reshape(-1) < -UNDERCUT
    return path.wall.points.reshape(-1, 3)[int(hidden.argmax())] if hidden.any() else None


def edges(path: OblongPath) -> int:
    """Sharp edges: runs of rows that stand on one line."""
    still = (np.diff(path.wall.points, axis=0) == 0.0).all(axis=(1, 2))
    return int(np.sum(still & ~np.concatenate([[False], still[:-1]])))


def grid_text(
    path: OblongPath,
    *,
    depth: float,
    chord_error: float,
    design_id: str,
    name: str,
    sizes: OblongSizes,
    thinnest: Thinnest | None,
    tolerance: Sequence[str] = UNKNOWN,
) -> str:
    """`points.csv`: rows from throat to mouth, columns once around, the last the first again. Lengths in mm to 1e-6.

    depth, chord_error : m.
    tolerance          : lines of the header that say what is asked of the wall.
    """
    centres = _closed(path.centres)
    rows, columns = centres.shape[:2]
    tool = _millimetres(centres).reshape(-1, 3)
    program = _millimetres(centres[..., 2] - path.tool_radius - depth).reshape(-1)
    body = [
        (*row, six(a), six(b), six(c), six(tip))
        for row, (a, b, c), tip in zip(_grid_rows(path.wall), tool, program, strict=True)
    ]
    header = [
        "evenflare point list: the wall of an oblong waveguide as an ordered grid, and the path of a ball over it",
        *_design(design_id, name),
        f"grid: {rows} rows from throat to mouth of {columns} columns from azimuth 0 to 360 degrees, counter-clockwise"
        " seen from the mouth; the last column repeats the first",
        "units: mm; the normal is a unit vector from the wall into the air",
        "datum: x horizontal and y vertical from the axis; z and tool_z from the throat plane, rising to the mouth;"
        f" program_z = 0 at the front face (mouth plane, z = {depth / MILLIMETRE:.4f}), rising out of the mouth",
        *_tool(
            path,
            f"tool: ball nose, radius {path.tool_radius / MILLIMETRE:g}; tool_x, tool_y, tool_z is its centre = wall +"
            " radius x normal, and clears the wall everywhere else; program_z is the ball's tip",
            f"tool: lowest program_z {(path.lowest - depth) / MILLIMETRE:.4f}; the tip passes the throat plane by"
            f" {max(0.0, -path.lowest) / MILLIMETRE:.4f}, which must be free below",
        ),
        _chords(chord_error, "neighbouring points, along rows, columns and either diagonal,"),
        *tolerance,
    ]
    if edges(path):
        header.append(
            "edges: rows that repeat their points roll the tool round a sharp edge; as a wall they are one row"
        )
    place = undercut(path)
    if place is not None:
        header.append(
            f"undercut: from {told(place)} the wall narrows toward the mouth; a straight shank from the mouth does not"
            " reach it, and a pattern does not draw"
        )
    header += [*_part(sizes, thinnest), *CAUTIONS]
    return table(GRID_COLUMNS, body, header=header)


def outside_grid_text(outside: Grid, sizes: OblongSizes, *, chord_error: float, design_id: str, name: str) -> str:
    """`outside.csv` of an oblong body: rows from the rim to where the back is flat, columns as of `grid_text`; mm."""
    rows, columns = outside.points.shape[0], 4 * (outside.points.shape[1] - 1) + 1
    header = [
        "evenflare outside of an oblong free-standing body as an ordered grid: from the mouth's rim to the flat back",
        *_design(design_id, name),
        f"grid: {rows} rows of {columns} columns from azimuth 0 to 360 degrees, counter-clockwise seen from the mouth;"
        " the last column repeats the first; the back is flat within the last row",
        "units: mm; the normal is a unit vector into the air",
        "datum: x horizontal and y vertical from the axis; z from the throat plane, rising to the mouth",
        f"chord error: straight lines between neighbouring points, along rows, columns and either diagonal, depart from"
        f" the outside by at most {chord_error / MILLIMETRE:g}",
        *_part(sizes, None),
        *CAUTIONS,
    ]
    return table(OUTSIDE_COLUMNS, _grid_rows(outside), header=header)


def curve_text(
    curve: Curve,
    path: OblongPath,
    *,
    depth: float,
    chord_error: float,
    design_id: str,
    name: str,
    tolerance: Sequence[str] = UNKNOWN,
) -> str:
    """`points_azimuth_*.csv`: the wall's curve in one half-plane from the axis, throat to mouth. Lengths in mm to 1e-6.

    depth, chord_error : m.
    tolerance          : lines of the header that say what is asked of the wall.
    """
    lengths = (curve.z, curve.r, *curve.centres.T, curve.centres[:, 0] - path.tool_radius - depth)
    z, r, tool_z, tool_r, tool_across, program_z = (_millimetres(values) for values in lengths)
    angle, normals = np.round(curve.angle / DEGREE, 7) + 0.0, np.round(curve.normals, 10) + 0.0
    body = (
        (
            *(str(i + 1), f"{z[i]:.6f}", f"{r[i]:.6f}", f"{angle[i]:.7f}", *(f"{each:.10f}" for each in normals[i])),
            *(six(tool_z[i]), six(tool_r[i]), six(tool_across[i]), six(program_z[i])),
        )
        for i in range(z.size)
    )
    azimuth = curve.azimuth / DEGREE
    header = [
        f"evenflare point list: the wall of an oblong waveguide in the half-plane at azimuth {azimuth:g} degrees,"
        " throat to mouth",
        *_design(design_id, name),
        "units: mm and degrees; the normal is the wall's, a unit vector into the air: normal_across is its part out of"
        " the half-plane, toward rising azimuth, and 0 in both planes of symmetry",
        f"datum: azimuth 0 is +x, horizontal, 90 is +y; r from the axis; z and tool_z from the throat plane, rising to"
        f" the mouth; program_z = 0 at the front face (mouth plane, z = {depth / MILLIMETRE:.4f}), rising out of the"
        " mouth; wall_angle is the curve's in the half-plane, against the axis",
        *_tool(
            path,
            f"tool: ball nose, radius {path.tool_radius / MILLIMETRE:g}; tool_z, tool_r, tool_across is its centre ="
            " wall + radius x normal: out of the half-plane where tool_across is not 0, so no turning path; program_z"
            " is the ball's tip",
        ),
        _chords(chord_error, "rows"),
        *tolerance,
    ]
    if np.any((np.diff(curve.z) == 0.0) & (np.diff(curve.r) == 0.0)):
        header.append(
            "edges: rows that repeat z_mm and r_mm roll the tool round a sharp edge; as a profile they are one point"
        )
    return table(CURVE_COLUMNS, body, header=[*header, *CAUTIONS])


def sections_text(
    sections: Sequence[tuple[float, FloatArray]],
    *,
    depth: float,
    chord_error: float,
    design_id: str,
    name: str,
    of: str = "the wall of an oblong waveguide",
) -> str:
    """`sections.csv`: closed curves (N, 2) at depths, m, counter-clockwise from azimuth 0. Lengths in mm to 1e-6."""
    body = (
        (f"{z / MILLIMETRE + 0.0:.6f}", str(i), f"{x:.6f}", f"{y:.6f}")
        for z, curve in sections
        for i, (x, y) in enumerate(_millimetres(curve).tolist(), start=1)
    )
    header = [
        f"evenflare sections: {of} at depths from the throat plane",
        *_design(design_id, name),
        f"units: mm; x horizontal and y vertical from the axis; depth from the throat plane, the mouth at"
        f" {depth / MILLIMETRE:.4f}",
        "order: counter-clockwise seen from the mouth, from azimuth 0; each curve closes from its last point to its"
        " first",
        _chords(chord_error, "points"),
    ]
    return table(SECTION_COLUMNS, body, header=header)


def _design(design_id: str, name: str) -> list[str]:
    return [f"design: {name}", f"design id: {design_id}"]


def _chords(chord_error: float, between: str) -> str:
    what = "wall" if between == "points" else "wall and path"
    return (
        f"chord error: straight lines between {between} depart from {what} by at most {chord_error / MILLIMETRE:g};"
        " every point lies on the exact wall, to 0.000001"
    )


def _tool(path: OblongPath, centre: str, *lowest: str) -> list[str]:
    """What to say of the tool: where its centre is, the largest that would do, and more."""
    if path.no_tool:
        return [f"tool: {path.no_tool}: {EMPTY}"]
    reach = path.reach
    return [
        centre,
        f"tool: the largest radius for this wall is {floor_micrometre(reach.radius) / MILLIMETRE:.3f}, set at"
        f" z = {reach.z / MILLIMETRE:.3f}, azimuth {(reach.azimuth or 0.0) / DEGREE:.1f} degrees",
        *lowest,
    ]


def _part(sizes: OblongSizes, thinnest: Thinnest | None) -> list[str]:
    line = f"part: {sizes.kind}, {outside(sizes)}"
    if sizes.kind == "shell":
        line += f", wall {sizes.wall / MILLIMETRE:g}, flange {sizes.flange_thickness / MILLIMETRE:g} thick"
    if sizes.kind == "body":
        line += f", its outside as the mounting's; a disc {sizes.wall / MILLIMETRE:g} thick closes the back, flush"
    if thinnest is not None:
        line += (
            f"; thinnest {thinnest.thickness / MILLIMETRE:.3f} at z = {thinnest.z / MILLIMETRE:.3f}, azimuth"
            f" {thinnest.azimuth / DEGREE:.1f} degrees"
        )
    if not sizes.bolts:
        return [line]
    places = ", ".join(f"({x / MILLIMETRE + 0.0:.3f}, {y / MILLIMETRE + 0.0:.3f})" for x, y in np.round(sizes.bolts, 9))
    return [line, f"bolts: drill {len(sizes.bolts)} holes, which the mesh leaves out, at (x, y): {places}"]


def _grid_rows(quarter: Grid) -> list[tuple[str, ...]]:
    """Index, row, column, place in mm and normal of each point, once around, the first column again at the end."""
    points, normals = _millimetres(_closed(quarter.points)), np.round(_closed(quarter.normals), 10) + 0.0
    columns = points.shape[1]
    found = []
    for index, (place, normal) in enumerate(zip(points.reshape(-1, 3), normals.reshape(-1, 3), strict=True)):
        row, column = divmod(index, columns)
        counted = str(index + 1), str(row + 1), str(column + 1)
        found.append((*counted, *(f"{each:.6f}" for each in place), *(f"{each:.10f}" for each in normal)))
    return found


def _closed(quarter: FloatArray) -> FloatArray:
    """Once around, the first column again at the end."""
    whole = around(quarter)
    return np.concatenate([whole, whole[:, :1]], axis=1)


def _millimetres(lengths: FloatArray) -> FloatArray:
    return np.asarray(np.round(lengths / MILLIMETRE, 6) + 0.0)
