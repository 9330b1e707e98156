"""The surface that programs should leave, where it is compared: heights on a raster, radii along rays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np

from evenflare.manufacture.wall.grid import patches
from evenflare.manufacture.wall.oblong_closed import Hollows, ReachedOblong, filled_heights, filled_rays
from evenflare.units import DEGREE, FloatArray, read_only
from evenflare.waveguide import Meridian, Surface, Waveguide, joined, sampled

STEEP = 20 * DEGREE
"""A wall nearer than this to the vertical is met along radial rays: there a height says nothing."""
OVERLAP = 1 * DEGREE
"""By which rays go on beyond STEEP, so that nothing falls between the two."""

_ON_EDGE = 1e-6
"""m."""
_FINEST = 2e-8
"""m, chord error of the meridian that stands for the exact one."""
_FACET = 1e-6
"""m, chord error of the facets that stand for an oblong wall."""
_COLUMNS = 1025
"""Parameters around a quarter of a section: at a radius of 150 mm their chords depart by 0.05 um."""


class Front(NamedTuple):
    """The front face, as far as it is part of what is compared, m.

    size    : half its width and height; round (its radius, twice) if `round` says so.
    holes   : (x, y, radius) of places that are drilled, and not compared.
    outline : (N, 2), closed, that it lies within too.
    """

    size: tuple[float, float]
    round: bool = True
    holes: Sequence[tuple[float, float, float]] = ()
    outline: FloatArray | None = None


@dataclass(frozen=True)
class Truth:
    """Heights over a raster and radii along rays; z = 0 at the front face, m.

    step       : m, of raster and rows.
    heights    : (X, Y) at x = i step, y = j step, of a whole from its corner on: the wall, the front face, in the
                 throat the throat plane.
    slopes     : (X, Y), the normal's part along the axis: 1 for flat; nan where the height is not compared.
    opening    : (X, Y), in the throat: open below, so that nothing there can be cut too deep.
    walls      : (A, Z), m, along rays at even azimuths from half a step on, at heights lowest + j step; nan where the
                 wall is not steep. A single ray, at azimuth 0, is a half-section.
    leans      : (A, Z), the normal's part along the ray; negative toward the axis.
    lowest     : m, of the first row.
    extent     : "quarter": the rest mirrors it; "half_section": a line, y = 0, of a part that is turned; "whole": the
                 raster's middle is on the axis.
    """

    step: float
    heights: FloatArray
    slopes: FloatArray
    opening: FloatArray
    walls: FloatArray
    leans: FloatArray
    lowest: float
    extent: Literal["quarter", "half_section", "whole"] = "quarter"

    def __post_init__(self) -> None:
        for name in ("heights", "slopes", "walls", "leans"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "opening", read_only(self.opening, np.bool_))

    @property
    def corner(self) -> tuple[float, float]:
        """(x, y) in m of the first cell."""
        if self.extent != "whole":
            return 0.0, 0.0
        nx, ny = self.heights.shape
        return -0.5 * self.step * (nx - 1), -0.5 * self.step * (ny - 1)

    @property
    def directions(self) -> FloatArray:
        """(A, 2), unit, of the rays."""
        count = self.walls.shape[0]
        azimuth = np.zeros(1) if count == 1 else 2 * np.pi * (np.arange(count) + 0.5) / count
        return np.column_stack([np.cos(azimuth), np.sin(azimuth)])


def truth(
    waveguide: Waveguide, *, step: float, half_size: tuple[float, float], front: Front, half_section: bool = False
) -> Truth:
    """The surface of a waveguide's part on a raster of `step` out to `half_size` in x and y, all m.

    A round wall is met on its meridian within 0.02 um, an oblong one on facets within 1 um along the normal.
    half_section : of a round waveguide only.
    """
    nx, ny = (round(size / step) + 1 for size in half_size)
    x = step * np.arange(nx)
    y = step * np.arange(1 if half_section else ny)
    count = 1 if half_section else 0
    if waveguide.is_round:
        distance = np.hypot(x[:, None], y)
        heights, slopes = _round_heights(waveguide.meridian, distance)
        lowest, walls, leans = _round_rays(waveguide.meridian, step, count)
        throat = waveguide.meridian.throat_radius
    else:
        shape = waveguide.shape
        found = shape.hollows if isinstance(shape, ReachedOblong) else None
        heights, slopes = _oblong_heights(waveguide.surface, step, (x.size, y.size), found)
        lowest, walls, leans = _oblong_rays(waveguide.surface, step, found)
        throat = waveguide.surface.throat_radius
    opening = np.hypot(x[:, None], y) < throat
    heights[opening] = -waveguide.depth
    slopes[opening | (slopes < np.sin(STEEP))] = np.nan
    slopes[outside(x[:, None], y, front)] = np.nan
    return Truth(step, heights, slopes, opening, walls, leans, lowest, "half_section" if half_section else "quarter")


def outside(x: Any, y: Any, front: Front) -> FloatArray:
    """(X, Y): on the front face's edge or beyond it, or in one of its holes in any quarter."""
    # Of a cell on the edge itself rounding says whether what cuts the outside takes it down.
    width, height = (size - _ON_EDGE for size in front.size)
    off = np.hypot(x, y) > width if front.round else (x > width) | (y > height)
    if front.outline is not None:
        import shapely

        off = off | ~shapely.contains_xy(shapely.Polygon(front.outline), *np.broadcast_arrays(x, y))
    for hole_x, hole_y, radius in front.holes:
        off = off | (np.hypot(x - abs(hole_x), y - abs(hole_y)) < radius)
    return np.asarray(off)


def _round_heights(meridian: Meridian, distance: FloatArray) -> tuple[FloatArray, FloatArray]:
    wall = joined(sampled(meridian, chord_error=_FINEST))
    # Seen from the mouth, what a narrower place nearer the mouth hides is not met.
    seen = np.minimum.accumulate(wall.r[::-1])[::-1]
    heights = np.interp(distance, seen, wall.z - wall.z[-1])
    slopes = np.interp(distance, seen, np.sin(wall.angle))
    slopes[distance >= meridian.mouth_radius] = 1.0
    return heights, slopes


def _rows(depth: float, top: float, step: float) -> FloatArray:
    """m from the throat plane, of rows in the middle of their steps up to `top`, within the depth."""
    rows = step * (np.arange(int(np.ceil(top / step))) + 0.5)
    return np.asarray(rows[rows < depth])


def _round_rays(meridian: Meridian, step: float, count: int) -> tuple[float, FloatArray, FloatArray]:
    wall = joined(sampled(meridian, chord_error=_FINEST))
    steep = np.sin(wall.angle) < np.sin(STEEP + OVERLAP)
    if not steep.any():
        return -meridian.depth, np.empty((4, 0)), np.empty((4, 0))
    z = _rows(meridian.depth, float(wall.z[steep].max()), step)
    place = np.maximum.accumulate(wall.z)
    radius, sine = np.interp(z, place, wall.r), np.interp(z, place, np.sin(wall.angle))
    radius = np.where(sine < np.sin(STEEP + OVERLAP), radius, np.nan)
    count = count or rays_around(float(wall.r[steep].max()), step)
    lean = -np.interp(z, place, np.cos(wall.angle))
    return 0.5 * step - meridian.depth, np.tile(radius, (count, 1)), np.tile(lean, (count, 1))


def rays_around(radius: float, step: float) -> int:
    """A multiple of four, so that rays at `radius` are at most a step (m) apart."""
    return 4 * max(4, int(np.ceil(0.5 * np.pi * radius / step)))


def _oblong_heights(
    surface: Surface, step: float, shape: tuple[int, int], found: Hollows | None
) -> tuple[FloatArray, FloatArray]:
    from evenflare.manufacture.proof.facets import laid

    heights, slopes = np.full(shape, -np.inf), np.ones(shape)
    for patch in patches(surface, chord_error=_FACET):
        laid(heights, slopes, step, np.ascontiguousarray(patch.points), np.ascontiguousarray(patch.normals[..., 2]))
    if found:
        x, y = (np.asarray(step * np.arange(count), dtype=np.float64) for count in shape)
        filled_heights(found, x, y, heights, slopes)
    heights = np.where(np.isfinite(heights), heights, surface.depth) - surface.depth
    return np.minimum(heights, 0.0), slopes


def _oblong_rays(surface: Surface, step: float, found: Hollows | None) -> tuple[float, FloatArray, FloatArray]:
    limit = np.sin(STEEP + OVERLAP)
    psi = np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
    rows = _rows(surface.depth, surface.depth, step)
    stretches = np.searchsorted(np.asarray(surface.cuts[1:-1]), rows)
    met = []
    for stretch in np.unique(stretches):
        here = rows[stretches == stretch]
        for start in range(0, here.size, 64):
            patch = surface.patch(here[start : start + 64], psi, stretch=int(stretch), bends=False)
            steep = patch.normals[..., 2] < limit
            if steep.any():
                met += [
                    (z, points, normals, flags)
                    for z, points, normals, flags in zip(
                        here[start : start + 64], patch.points, patch.normals, steep, strict=True
                    )
                    if flags.any()
                ]
    if not met:
        return -surface.depth, np.empty((4, 0)), np.empty((4, 0))
    widest = max(float(np.hypot(points[flags, 0], points[flags, 1]).max()) for _, points, _, flags in met)
    count, number = rays_around(widest, step), round(met[-1][0] / step + 0.5)
    azimuth = 2 * np.pi * (np.arange(count // 4) + 0.5) / count
    u, v = np.cos(azimuth), np.sin(azimuth)
    walls, leans = np.full((count // 4, number), np.nan), np.full((count // 4, number), np.nan)
    for z, points, normals, _ in met:
        row, around = round(z / step - 0.5), np.arctan2(points[:, 1], points[:, 0])
        sine, nx, ny = (np.interp(azimuth, around, normals[:, k]) for k in (2, 0, 1))
        radius = np.interp(azimuth, around, np.hypot(points[:, 0], points[:, 1]))
        walls[:, row] = np.where(sine < limit, radius, np.nan)
        leans[:, row] = nx * u + ny * v
    if found:
        filled_rays(found, np.column_stack([u, v]), step * (np.arange(number) + 0.5), walls, leans)
    return 0.5 * step - surface.depth, _once_around(walls), _once_around(leans)


def _once_around(quarter: FloatArray) -> FloatArray:
    return np.concatenate([quarter, quarter[::-1], quarter, quarter[::-1]])
