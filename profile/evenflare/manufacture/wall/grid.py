"""The wall of an oblong waveguide as an ordered grid whose straight lines keep within a chord error."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.wall.spacing import checked_chord_error
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.surface import Patch, Surface, depth_at

LARGEST_MESH = 5_000_000
"""Triangles, 250 MB as a file."""
LARGEST_CELL = 5 * MILLIMETRE
"""Between neighbours, on straight walls too, so that a surface put through the points is the same wall again."""
FEWEST = 8
"""Cells of a quarter, and of a smooth stretch of wall, at least: four."""
SMOOTH = 1e-5
"""rad; a turn of the wall at a cut below it is no edge."""

_FINE_ROWS = 240
_FINE_COLUMNS = 240
_SIGNS = np.array([[1.0, 1.0, 1.0], [-1.0, 1.0, 1.0], [-1.0, -1.0, 1.0], [1.0, -1.0, 1.0]])


@dataclass(frozen=True)
class Grid:
    """Rows (R) from throat to mouth, columns (C) over a quarter, from azimuth 0 to 90 degrees.

    At an edge a row repeats its points while its normals turn from one side's to the other's.
    points, normals : (R, C, 3), m, and unit vectors from the wall into the air.
    """

    points: FloatArray
    normals: FloatArray


Sheet = Callable[[FloatArray, FloatArray], Grid | Patch]
"""A smooth stretch of a surface over a quarter: its points and normals (R, C, 3) at shares (R,) of the way along it, 0
to 1, and elliptic parameters (C,) or (R, C), 0 to pi/2 rad."""


def around(quarter: FloatArray) -> FloatArray:
    """(R, 4 (C - 1), 3): points or normals of a quarter (R, C, 3) once around, counter-clockwise from the mouth."""
    parts = [quarter, quarter[:, -2::-1], quarter[:, 1:], quarter[:, -2:0:-1]]
    return np.concatenate([part * sign for part, sign in zip(parts, _SIGNS, strict=True)], axis=1)


def grid(surface: Surface, *, chord_error: float, offset: float = 0.0, roll: float | None = None) -> Grid:
    """The stretches of `patches` as one grid.

    roll   : rad, greatest turn from row to row at an edge; None leaves edges with one row.
    Errors : as `patches`.
    """
    return joined_rows(patches(surface, chord_error=chord_error, offset=offset), roll=roll)


def patches(surface: Surface, *, chord_error: float, offset: float = 0.0) -> list[Patch]:
    """The wall, a patch for each smooth stretch, all with the same columns over a quarter, as `lines` spreads them.

    offset : m, of a parallel that keeps the chord error too: into the air, negative into the material.
    Errors : as `lines`.
    """
    offsets = (0.0,) if offset == 0.0 else (0.0, offset)
    rows, psi = lines(wall_sheets(surface), chord_error=chord_error, offsets=offsets)
    return [surface.patch(depth_at(surface, k, t), psi, stretch=k) for k, t in enumerate(rows)]


def wall_sheets(surface: Surface) -> list[Sheet]:
    """The smooth stretches of a wall, from the throat to the mouth."""

    def sheet(stretch: int) -> Sheet:
        return lambda t, psi: surface.patch(depth_at(surface, stretch, t), psi, stretch=stretch, bends=False)

    return [sheet(stretch) for stretch in range(len(surface.cuts) - 1)]


def lines(
    sheets: Sequence[Sheet], *, chord_error: float, offsets: tuple[float, ...] = (0.0,)
) -> tuple[list[FloatArray], FloatArray]:
    """Where rows of each sheet stand, shares, and columns of all, elliptic parameters, so that triangles between
    neighbours stay within `chord_error` (m).

    Half of it is left to lines along the sheets, half to lines around; then the departure is measured within the
    triangles of either diagonal, and lines are added until it is kept: by the sheets' parallels at all `offsets` (m).
    Errors : InputError if the chord error is out of range or needs more triangles than LARGEST_MESH.
    """
    half = 0.5 * checked_chord_error(chord_error)
    t, psi = np.linspace(0.0, 1.0, _FINE_ROWS + 1), np.linspace(0.0, 0.5 * np.pi, _FINE_COLUMNS + 1)
    fine = [_shifted(sheet(t, psi), offsets) for sheet in sheets]
    along = [_density(points.swapaxes(1, 2), half).max(axis=(0, 1)) for points in fine]
    across = np.max([_density(points, half).max(axis=(0, 1)) for points in fine], axis=0)
    more = 1.0
    while True:
        columns = _spread(across, more, FEWEST)
        rows = [_spread(density, more, FEWEST // 2) for density in along]
        _checked_size(sum(r.size - 1 for r in rows), columns.size - 1, chord_error)
        parameters = 0.5 * np.pi * columns
        worst = max(_departure(sheet, own, parameters, offsets) for sheet, own in zip(sheets, rows, strict=True))
        if worst <= chord_error:
            return rows, parameters
        more *= min(1.5, max(1.03, float(np.sqrt(worst / chord_error))))


def _checked_size(rows: int, columns: int, chord_error: float) -> None:
    triangles = 8 * rows * columns
    if triangles > LARGEST_MESH:
        raise InputError(
            f"--chord-error-mm = {chord_error / MILLIMETRE:g}: would need {triangles} triangles, more than"
            f" {LARGEST_MESH}. Raise it"
        )


def _shifted(patch: Grid | Patch, offsets: tuple[float, ...]) -> FloatArray:
    """(O, ..., 3): a sheet's parallels."""
    return np.stack([patch.points + offset * patch.normals for offset in offsets])


def _density(points: FloatArray, error: float) -> FloatArray:
    """Lines per fine cell (..., N - 1) for points (..., N, 3): the sagitta of m cells is m^2 times that of one.

    The second difference over two cells is four sagittas of one. Its part along the chord is uneven pace, not bend.
    """
    # Component by component: numpy goes through three at a time ten times slower, and the numbers are the same.
    points = np.ascontiguousarray(np.moveaxis(points, -1, 0))
    chord = points[..., 2:] - points[..., :-2]
    bend = points[..., 1:-1] - 0.5 * (points[..., 2:] + points[..., :-2])
    length = np.maximum(_length(chord), 1e-15)
    (x, y, z), (x_on, y_on, z_on) = bend, chord
    sagitta = _length((y * z_on - z * y_on, z * x_on - x * z_on, x * y_on - y * x_on)) / length
    at_nodes = np.sqrt(sagitta / (4.0 * error))
    at_nodes = np.concatenate([at_nodes[..., :1], at_nodes, at_nodes[..., -1:]], axis=-1)
    cells = np.maximum(at_nodes[..., 1:], at_nodes[..., :-1])
    longest = _length(np.diff(points, axis=-1)) / LARGEST_CELL
    return np.asarray(np.maximum(cells, longest))


def _length(vectors: Sequence[FloatArray] | FloatArray) -> FloatArray:
    """(...,): of vectors (3, ...), component by component."""
    x, y, z = vectors
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def _spread(density: FloatArray, more: float, fewest: int) -> FloatArray:
    """Lines over 0 to 1, ends included, with `more` times the density."""
    density = density + 0.02 * density.mean()
    total = np.concatenate([[0.0], np.cumsum(density)])
    count = max(fewest, int(np.ceil(total[-1] * more)))
    return np.interp(np.linspace(0.0, total[-1], count + 1), total, np.linspace(0.0, 1.0, total.size))


def _departure(sheet: Sheet, t: FloatArray, psi: FloatArray, offsets: tuple[float, ...]) -> float:
    """m, the largest distance along the normal between a sheet, or a parallel, and the triangles of either diagonal.

    Met in the middle of each side and at each centroid, where the error of a quadratic surface is greatest.
    """
    nodes = _shifted(sheet(t, psi), offsets)
    low, high = nodes[:, :-1], nodes[:, 1:]
    corner = {(0, 0): low[:, :, :-1], (1, 0): high[:, :, :-1], (0, 1): low[:, :, 1:], (1, 1): high[:, :, 1:]}

    def off(up: float, on: float, *flats: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
        """From the sheet at a share of the cells up and on to flat places there, and the distance along normals."""
        rows = t if up == 0.0 else t[:-1] + up * np.diff(t)
        columns = psi if on == 0.0 else psi[:-1] + on * np.diff(psi)
        patch = sheet(rows, columns)
        shifted = _shifted(patch, offsets)
        return [(flat - shifted, np.abs(np.sum((flat - shifted) * patch.normals, axis=-1))) for flat in flats]

    [(away, around_it)] = off(0.0, 0.5, 0.5 * (nodes[:, :, :-1] + nodes[:, :, 1:]))
    # The rims are lines of the part: there the departure within the section counts too.
    side = np.diff(nodes, axis=2)[:, [0, -1]]
    # A body's edge may turn about a line that stands still somewhere.
    length = np.maximum(np.linalg.norm(side, axis=-1), 1e-15)
    rim = np.linalg.norm(np.cross(away[:, [0, -1]], side), axis=-1) / length
    inner = off(0.5, 0.0, 0.5 * (low + high))
    inner += off(0.5, 0.5, 0.5 * (corner[0, 0] + corner[1, 1]), 0.5 * (corner[1, 0] + corner[0, 1]))
    for left_out in corner:
        kept = [place for place in corner if place != left_out]
        up, on = sum(place[0] for place in kept) / 3.0, sum(place[1] for place in kept) / 3.0
        inner += off(up, on, np.sum([corner[place] for place in kept], axis=0) / 3.0)
    return max(float(around_it.max()), float(rim.max()), *(float(met.max()) for _, met in inner))


def edge_turns(before: Grid | Patch, after: Grid | Patch) -> FloatArray:
    """rad, (C,): how far the wall turns from the last row of one stretch to the first of the next, which is the same
    line; negative toward the axis, a concave corner.
    """
    first, last = before.normals[-1], after.normals[0]
    line = around(before.points[-1:])[0]
    tangent = (np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0))[: first.shape[0]]
    sign = np.where(np.sum(np.cross(first, last) * tangent, axis=-1) < 0.0, -1.0, 1.0)
    return np.asarray(sign * _between(first, last))


def _between(a: FloatArray, b: FloatArray) -> FloatArray:
    """rad, angles between unit vectors (..., 3); exact for small ones too."""
    return np.asarray(2.0 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1)))


def joined_rows(stretches: Sequence[Grid | Patch], *, roll: float | None) -> Grid:
    """The stretches as one grid. Where one follows another their common row appears once, unless it is an edge that is
    rolled round in steps of at most `roll` (rad).
    """
    points, normals = [stretches[0].points], [stretches[0].normals]
    for before, after in itertools.pairwise(stretches):
        turn = _between(before.normals[-1], after.normals[0])
        if roll is None or turn.max() <= SMOOTH:
            points.append(after.points[1:])
            normals.append(after.normals[1:])
            continue
        count = 1 + int(np.ceil(turn.max() / roll))
        share = np.linspace(0.0, 1.0, count)[1:-1, None, None]
        inner = turned(before.normals[-1], after.normals[0], share)
        points += [np.broadcast_to(after.points[0], inner.shape), after.points]
        normals += [inner, after.normals]
    return Grid(np.concatenate(points), np.concatenate(normals))


def turned(a: FloatArray, b: FloatArray, share: FloatArray) -> FloatArray:
    """Unit vectors on the way from `a` to `b` at even angles: `share` 0 is a, 1 is b."""
    angle = _between(a, b)[..., None]
    even = angle > 1e-6
    safe = np.where(even, np.sin(angle), 1.0)
    near = np.where(even, np.sin((1.0 - share) * angle) / safe, 1.0 - share)
    far = np.where(even, np.sin(share * angle) / safe, share)
    mixed = near * a + far * b
    return np.asarray(mixed / np.linalg.norm(mixed, axis=-1, keepdims=True))
