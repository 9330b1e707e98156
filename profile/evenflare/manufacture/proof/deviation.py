"""How a cut workpiece departs from the true surface: along the normal, cell by cell and ray by ray."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.manufacture.proof.simulate import Workpiece
from evenflare.manufacture.proof.truth import Truth
from evenflare.units import FloatArray, read_only

MAP_CELLS = 150
"""Across a map's longer side, about."""


@dataclass(frozen=True)
class Worst:
    """A distance along the normal (m, >= 0) and where: (x, y, z) in m, z = 0 at the front face."""

    size: float
    place: tuple[float, float, float]


@dataclass(frozen=True)
class Deviation:
    """Gouge and leftover of a workpiece, and a map of both seen along the axis.

    gouge, leftover : the greatest.
    plug            : m, of what stands in the throat's opening above the throat plane.
    x, y            : (X,) and (Y,), m, middles of the map's squares.
    gouges, leftovers : (X, Y), m, >= 0, the greatest in each square; nan where nothing is compared. A half-section's
                      map is a line, (X, 1).
    """

    gouge: Worst
    leftover: Worst
    plug: float
    x: FloatArray
    y: FloatArray
    gouges: FloatArray
    leftovers: FloatArray

    def __post_init__(self) -> None:
        for name in ("x", "y", "gouges", "leftovers"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def deviation(piece: Workpiece) -> Deviation:
    """Compare a workpiece with its truth.

    On moderate walls the difference of heights times the normal's part along the axis; within STEEP of the vertical
    the difference along rays times the normal's part along the ray. Both are the distance along the normal but for its
    square over twice the wall's radius: 0.3 um for 0.05 mm on a radius of 4 mm.
    """
    truth = piece.truth
    found = [(d, x, y, z) for d, x, y, z in _parts(piece)]
    least = min(found, key=lambda part: _least(part[0]))
    most = min(found, key=lambda part: _least(-part[0]))
    plug = max(
        (float((h - truth.heights)[truth.opening].max(initial=0.0)) for h, _, _ in _quarters(piece)), default=0.0
    )
    x, y, gouges, leftovers = _map(truth, piece.origin, piece.heights.shape, found)
    return Deviation(_worst(least, -1.0), _worst(most, 1.0), plug, x, y, gouges, leftovers)


def compared(piece: Workpiece, off: FloatArray, *, upright: Sequence[Worst]) -> Deviation:
    """The same of signed departures `off` (X, Y), m, over the whole raster; upright : gouge and leftover elsewhere."""
    x, y = (low + piece.truth.step * np.arange(n) for low, n in zip(piece.origin, off.shape, strict=True))
    part = (off, x[:, None], y, np.where(np.isfinite(piece.heights), piece.heights, 0.0))
    middles = _map(piece.truth, piece.origin, off.shape, [part])
    gouge, leftover = (
        max(_worst(part, sign), other, key=lambda worst: worst.size)
        for sign, other in zip((-1.0, 1.0), upright, strict=True)
    )
    return Deviation(gouge, leftover, 0.0, *middles)


_Part = tuple[FloatArray, Any, Any, Any]


def _quarters(piece: Workpiece) -> Iterator[tuple[FloatArray, float, float]]:
    """The heights of each quarter as the truth has them, with the signs of x and y."""
    nx, ny = piece.truth.heights.shape
    if piece.truth.extent != "quarter":
        yield piece.heights, 1.0, 1.0
        return
    for sign_x in (1, -1):
        for sign_y in (1, -1):
            yield piece.heights[nx - 1 :: sign_x, ny - 1 :: sign_y], float(sign_x), float(sign_y)


def _parts(piece: Workpiece) -> Iterator[_Part]:
    """Signed deviations (N, M), leftover positive, with the x, y and z of each, broadcast."""
    truth = piece.truth
    x, y = (c + truth.step * np.arange(n) for c, n in zip(truth.corner, truth.heights.shape, strict=True))
    for heights, sign_x, sign_y in _quarters(piece):
        yield (heights - truth.heights) * truth.slopes, sign_x * x[:, None], sign_y * y, truth.heights
    if truth.walls.size:
        z = truth.lowest + truth.step * np.arange(truth.walls.shape[1])
        u, v = truth.directions.T
        off = (truth.walls - piece.reach) * np.abs(truth.leans)
        yield off, u[:, None] * truth.walls, v[:, None] * truth.walls, z + 0.0 * truth.walls


def _least(off: FloatArray) -> float:
    met = off[np.isfinite(off)]
    return float(met.min()) if met.size else 0.0


def _worst(part: _Part, sign: float) -> Worst:
    off = np.where(np.isfinite(part[0]), sign * part[0], -np.inf)
    where = np.unravel_index(int(off.argmax()), off.shape)
    size = max(0.0, float(off[where]))
    x, y, z = (float(np.broadcast_to(values, off.shape)[where]) for values in part[1:])
    return Worst(size, (x, y, z))


def _map(
    truth: Truth, origin: tuple[float, float], shape: tuple[int, ...], parts: list[_Part]
) -> tuple[Any, Any, FloatArray, FloatArray]:
    share = max(1, -(-max(shape) // MAP_CELLS))
    counts = tuple(-(-size // share) for size in shape)
    gouges, leftovers = np.full(counts, -np.inf), np.full(counts, -np.inf)
    for off, x, y, _ in parts:
        met = np.isfinite(off)
        i = np.broadcast_to(x, off.shape)[met]
        j = np.broadcast_to(y, off.shape)[met]
        square = np.clip(np.rint((i - origin[0]) / truth.step).astype(np.int64) // share, 0, counts[0] - 1) * counts[1]
        if truth.extent != "half_section":
            square += np.clip(np.rint((j - origin[1]) / truth.step).astype(np.int64) // share, 0, counts[1] - 1)
        np.maximum.at(gouges.reshape(-1), square, np.maximum(-off[met], 0.0))
        np.maximum.at(leftovers.reshape(-1), square, np.maximum(off[met], 0.0))
    middles = [low + truth.step * (share * (np.arange(n) + 0.5) - 0.5) for low, n in zip(origin, counts, strict=True)]
    met_in = np.isfinite(gouges)
    return middles[0], middles[1], np.where(met_in, gouges, np.nan), np.where(met_in, leftovers, np.nan)
