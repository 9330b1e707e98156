"""Scans of a part: a mesh or a cloud of points (STL, PLY), probed points or a traced profile (CSV)."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

import numpy as np

from evenflare.columns import text_lines
from evenflare.design.solid_stl import triangles_in
from evenflare.files import InputError, opened, read_bytes, short
from evenflare.inspection.ply import MOST, ply
from evenflare.inspection.probed import probed
from evenflare.units import MILLIMETRE, FloatArray, IntArray
from evenflare.waveguide import Waveguide

Unit = Literal["mm", "inch", "m", "cm"]
UNITS: dict[str, float] = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "inch": 25.4e-3}
"""m; the inch is exact since 1959."""
LARGEST = 600_000_000
"""Bytes of a file."""
MOST_TRIANGLES = 2 * MOST
MOST_TEXT = 500_000
"""Triangles of an STL file as text: each takes memory ten times over while it is read."""
LARGEST_PROBE = 20 * MILLIMETRE
"""Radius of a probe's ball."""
FARTHEST = 100.0
"""m, from the file's origin: as far as any scanner sees."""
_PROBE = re.compile(r"#.*\bprobe_radius_mm\s*[=:,]\s*(\S+)")
_LIKELY = 3.2
"""Times the wall's size, up or down, that a scan may be off it before its unit is asked for: holes and faces beside it
make less, and units are ten apart at least."""


@dataclass(frozen=True)
class Scan:
    """Points of a part.

    points       : (N, 3) m, wherever the scanner's origin is.
    normals      : (N, 3) of either sign, or None.
    kind         : "mesh", "points", "probed", or "profile" (z and r in one plane, r as x).
    unit         : the one stated; None where none was: taken for mm, see check_unit.
    probe_radius : m, of the ball whose centre the points are; 0 where they are the surface's.
    path         : of the file.
    """

    points: FloatArray
    normals: FloatArray | None
    kind: Literal["mesh", "points", "probed", "profile"]
    unit: Unit | None
    probe_radius: float
    path: Path

    @property
    def in_plane(self) -> bool:
        """Whether it is a profile, whose axis is the part's."""
        return self.kind == "profile"


def read_scan(path: Path, *, unit: Unit | None = None, probe_radius: float = 0.0) -> Scan:
    """The points of a file, by its ending: .stl, .ply, or .csv, see `probed`.

    unit         : None: as the columns of a CSV say, else mm, until `check_unit` asks.
    probe_radius : m, 0 to 20 mm: of probed points (CSV) that are the centres of the ball; a line
                   `# probe_radius_mm = 1.5` of the file says the same.
    Errors       : InputError, which names the file, if it cannot be read, or holds no points.
    """
    ending = path.suffix.lower()
    if not 0.0 <= probe_radius <= LARGEST_PROBE:
        raise InputError(f"probe radius {probe_radius / MILLIMETRE:g} mm: must be 0 to {LARGEST_PROBE / MILLIMETRE:g}")
    if ending == ".csv":
        return _probed(path, unit, probe_radius)
    if ending not in (".stl", ".ply"):
        raise InputError(
            f"{path}: ends in {short(ending) or 'nothing'}: must be .stl, .ply or .csv. Export the scan as one"
        )
    if probe_radius:
        raise InputError(f"{path}: a probe radius is for probed points (CSV). Leave it out: a scanner sees the surface")
    _check_size(path)
    factor = UNITS[unit or "mm"]
    try:
        content = read_bytes(path, largest=LARGEST)
        found = ply(content) if ending == ".ply" else None
        if found is None:
            triangles: IntArray | None
            normals: FloatArray | None = None
            points, triangles = _welded(triangles_in(content, most=MOST_TRIANGLES, most_text=MOST_TEXT))
        else:
            points, normals, triangles = found
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{path}: {error}") from None
    if triangles is not None:
        normals = _vertex_normals(points, triangles)
    kind: Literal["mesh", "points"] = "points" if triangles is None else "mesh"
    points, normals = _sound(path, points * factor, normals)
    return Scan(points, normals, kind, unit, 0.0, path)


def check_unit(scan: Scan, waveguide: Waveguide) -> None:
    """InputError, with the remedy, if a scan whose unit nobody stated is by its size in another than mm."""
    if scan.unit is not None:
        return
    wide = waveguide.meridian.mouth_radius if waveguide.is_round else 0.5 * waveguide.surface.mouth_width
    depth = waveguide.meridian.depth if waveguide.is_round else waveguide.surface.depth
    wall = float(np.hypot(2.0 * wide, depth))
    # Stray points do not reach it.
    inner = np.quantile(scan.points[:: max(1, len(scan.points) // 100_000)], [0.03, 0.97], axis=0)
    size = max(float(np.linalg.norm(inner[1] - inner[0])), 1e-12)
    if wall / _LIKELY < size < wall * _LIKELY:
        return
    off = {name: abs(np.log(size * factor / UNITS["mm"] / wall)) for name, factor in UNITS.items()}
    likely = min(off, key=lambda name: off[name])
    across = f"{size / MILLIMETRE:.4g} mm across, and the wall {wall / MILLIMETRE:.4g} mm"
    read = f"{scan.path}: read in mm it measures {across}"
    if likely != "mm" and off[likely] < np.log(_LIKELY):
        raise InputError(f"{read}. Is it in {likely}? Then say --unit {likely}; if it is in mm after all, --unit mm")
    raise InputError(f"{read}. Is it a scan of this part? If it is, say its unit: --unit mm, cm, m or inch")


def _check_size(path: Path) -> None:
    """InputError if a file is too large, before it is read."""
    with opened(path) as file:
        size = os.fstat(file.fileno()).st_size
    if size > LARGEST:
        raise InputError(
            f"{path}: has {size / 1e6:.0f} MB: must have at most {LARGEST / 1e6:g}. Thin the scan, or export it as"
            " binary"
        )


def _probed(path: Path, unit: Unit | None, probe_radius: float) -> Scan:
    """The points of a CSV."""
    lines = text_lines(path)
    said = [match[1] for line in lines if line.startswith("#") and (match := _PROBE.match(line))]
    if said:
        try:
            radius = float(said[0]) * MILLIMETRE
        except ValueError:
            radius = np.nan
        if not 0.0 <= radius <= LARGEST_PROBE:
            most = LARGEST_PROBE / MILLIMETRE
            raise InputError(
                f"{path}: probe_radius_mm = {short(said[0])}: must be a number from 0 to {most:g}. Correct it"
            )
        if probe_radius and abs(radius - probe_radius) > 1e-9:
            raise InputError(
                f"{path}: probe_radius_mm = {short(said[0])}, and {probe_radius / MILLIMETRE:g} was asked for: must be"
                " the same. Drop the one that is wrong"
            )
        probe_radius = radius
    columns = probed(path)
    stated = columns.unit
    if stated is not None and unit not in (None, stated):
        raise InputError(f"{path}: unit {unit}: its columns are in {stated}, as they say. Convert it, or drop the unit")
    known: Unit | None = unit or next((each for each in get_args(Unit) if each == stated), None)
    rows = columns.rows * UNITS[known or "mm"]
    if not len(rows):
        raise InputError(f"{path}: holds no points. Write a line for each under its columns' names")
    if columns.is_profile:
        rows = np.column_stack([rows[:, 1], np.zeros(len(rows)), rows[:, 0]])
    points, _ = _sound(path, rows, None)
    return Scan(points, None, "profile" if columns.is_profile else "probed", known, probe_radius, path)


def _sound(path: Path, points: FloatArray, normals: FloatArray | None) -> tuple[FloatArray, FloatArray | None]:
    """Without points that are no numbers, as scanners write for what they did not see; normals of length 1 or none."""
    seen = np.isfinite(points).all(axis=1)
    points = points[seen]
    if not len(points):
        raise InputError(f"{path}: holds no points. Export the scan again")
    if np.abs(points).max() > FARTHEST:
        raise InputError(
            f"{path}: holds a point {np.abs(points).max():.3g} m from its origin: must be at most {FARTHEST:g}. State"
            " its unit, or move the scan to its origin"
        )
    if normals is None:
        return points, None
    normals = normals[seen]
    length = np.linalg.norm(normals, axis=1)
    if not np.all(np.isfinite(length)) or np.mean(length > 1e-9) < 0.99:
        return points, None
    return points, normals / np.maximum(length, 1e-9)[:, None]


def _welded(triangles: FloatArray) -> tuple[FloatArray, IntArray]:
    """The corners of triangles (T, 3, 3), each once, and which are whose."""
    corners = np.ascontiguousarray(triangles.reshape(-1, 3).astype(np.float32)) + np.float32(0.0)
    bits = corners.view(np.uint32).astype(np.uint64)
    mixed = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15) ^ bits[:, 1] * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed = mixed * np.uint64(0xD6E8FEB86659FD93) ^ bits[:, 2] * np.uint64(0x165667B19E3779F9)
    _, first, index = np.unique(mixed, return_index=True, return_inverse=True)
    if not np.array_equal(corners[first][index], corners, equal_nan=True):  # two places of one number
        found, index = np.unique(corners, axis=0, return_inverse=True)
        return found.astype(np.float64), index.reshape(-1, 3)
    return corners[first].astype(np.float64), index.reshape(-1, 3)


def _vertex_normals(points: FloatArray, triangles: IntArray) -> FloatArray:
    """(N, 3), of length 0 or more: the mean of the triangles about each point, by area."""
    a, b, c = (points[triangles[:, i]] for i in range(3))
    across = np.cross(b - a, c - a)
    total = np.zeros_like(points)
    for i in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(triangles[:, i], weights=across[:, axis], minlength=len(points))
    length = np.linalg.norm(total, axis=1)
    return total / np.where(length > 0.0, length, 1.0)[:, None]
