"""The family of caps that sweeps the air of an oblong waveguide: the round sweep of its mean wall, made oblong.

The mean wall has the radius sqrt(a b) of the sections' semi-axes a and b. Its caps are stretched to the sections: with
the elliptic parameter psi, and eta from 0 on the axis to 1 at the wall, a cap of half-angle c and radius r there is

    x = a f g cos(psi),  y = b f g sin(psi),  z = z_wall + r (cos(c eta) - cos(c)) / sin(c),  g = sin(c eta) / sin(c),

with the section's factor f, which fades toward the axis as 1 + (f - 1) eta^4 so that the map stays smooth there. The
last stretch lies on the baffle: it grows the dome over the mouth to a hemisphere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np

from evenflare.radiation.calmed import calmed
from evenflare.radiation.wavefront import (
    Caps,
    Guided,
    Path,
    Stretch,
    Sweep,
    along,
    missing,
    moved_with,
    refuse_undercut,
    swept,
)
from evenflare.units import FloatArray
from evenflare.waveguide import Driver, Waveguide
from evenflare.waveguide.deviated import divided_alike, drawn_of
from evenflare.waveguide.meridian import Frame, Piece
from evenflare.waveguide.surface import Axes, Surface

STEEP = 0.35 * np.pi
"""rad; where a meridian ends steeper its radius goes as a root of what is left of the depth, so depth is no smooth
parameter there."""
SMALLEST_TURN = 0.01
"""rad; a wall that turns less is as good as straight."""
NEARLY_ROUND = 1e-6
"""Of the radius: a mouth this close to a circle needs no last stretch."""
ROOM = 1.03
"""Of the last dome over the smallest whose way out does not cross itself: there elements would have no volume at a
point of the edge, and fold beside it."""
SAMPLES = 720
"""Of a quarter of the mouth, to find its widest point."""


@dataclass(frozen=True)
class MeanWall:
    """A smooth stretch of the mean wall, as a Piece of a meridian; its curvature is not worked out.

    drawn : the wall as drawn of one as made, by whose angle the caps go: see Guided.
    """

    surface: Surface
    stretch: int
    drawn: Surface | None = None

    def frame_at(self, t: FloatArray) -> Frame:
        """See Piece."""
        near, far = self.surface.cuts[self.stretch : self.stretch + 2]
        t = np.asarray(t, dtype=np.float64)
        start, end = self._turn
        if end < STEEP or end - start < SMALLEST_TURN:
            z, rate = near + (far - near) * t, far - near + 0.0 * t
        else:
            # As along a circular arc. Where it ends at 90 degrees depth stands still while the wall is vertical: their
            # product is taken just short of it.
            reach = (far - near) / (np.sin(end) - np.sin(start))
            z = near + reach * (np.sin(start + (end - start) * t) - np.sin(start))
            rate = reach * (end - start) * np.cos(start + (end - start) * np.minimum(t, 1.0 - 1e-6))
        a, b, a_angle, b_angle = self.surface.axes(z, stretch=self.stretch)
        r = np.sqrt(a * b)
        if self.drawn is not None:
            a, b, a_angle, b_angle = self._as_drawn(z)
        slope = np.clip((b * np.tan(a_angle) + a * np.tan(b_angle)) / (2.0 * np.sqrt(a * b)), -1e6, 1e6)
        return Frame(z, r, np.arctan(slope), np.full_like(r, np.nan), rate * np.hypot(1.0, slope))

    def _as_drawn(self, z: FloatArray) -> Axes:
        """Of the drawn wall at the same shares of the depth, from the stretch in which the middle of this one lies."""
        assert self.drawn is not None  # asked for only where there is one
        share = self.drawn.depth / self.surface.depth
        middle = 0.5 * share * sum(self.surface.cuts[self.stretch : self.stretch + 2])
        which = int(np.clip(np.searchsorted(self.drawn.cuts, middle) - 1, 0, len(self.drawn.cuts) - 2))
        low, high = self.drawn.cuts[which : which + 2]
        return self.drawn.axes(np.clip(z * share, low, high), stretch=which)

    @cached_property
    def _turn(self) -> tuple[float, float]:
        """rad, the angle of the steeper meridian at either end."""
        ends = self.surface.axes(np.array(self.surface.cuts[self.stretch : self.stretch + 2]), stretch=self.stretch)
        start, end = np.maximum(ends.a_angle, ends.b_angle)
        return float(start), float(end)


@dataclass(frozen=True)
class Growth:
    """Domes on the baffle at z, from semi-axes a and b and mean radius r to a hemisphere of `radius`, m."""

    z: float
    a: float
    b: float
    r: float
    radius: float

    def caps(self, t: FloatArray) -> Caps:
        """See Path. The radius is that of the dome's height."""
        return Caps(np.full_like(t, self.z), self.r + (self.radius - self.r) * t, np.full_like(t, 0.5 * np.pi))


class Domes(NamedTuple):
    """Stretched caps of one or many points.

    caps       : mean wall point and half-angle, arrays of one shape (...,).
    a, b       : m, semi-axes, (...,).
    wide, high : m, (..., P): at some parameters psi the wall is at x = wide cos(psi), y = high sin(psi).
    """

    caps: Caps
    a: FloatArray
    b: FloatArray
    wide: FloatArray
    high: FloatArray


def domes(path: Path, t: FloatArray, *, surface: Surface, psi: FloatArray) -> Domes:
    """The stretched caps of a path at its parameters t, with their walls at psi (P,), rad."""
    caps = path.caps(t)
    if isinstance(path, Growth):
        at_mouth = _factor(surface, np.array(path.z), np.array(path.a), np.array(path.b), psi)
        # Every point of the edge moves straight to its place on the circle.
        edges = [end * (1.0 - t) + path.radius * t for end in (path.a, path.b)]
        walls = [end * at_mouth * (1.0 - t[..., None]) + path.radius * t[..., None] for end in (path.a, path.b)]
        return Domes(caps, *edges, *walls)
    a, b = _semi_axes(surface, caps.z)
    factor = _factor(surface, caps.z, a, b, psi)
    return Domes(caps, a, b, a[..., None] * factor, b[..., None] * factor)


def shells(plans: Sequence[Sequence[tuple[Path, FloatArray]]], *, surface: Surface, psi: FloatArray) -> list[Domes]:
    """The stretched caps of each of several divisions of one sweep, see `divided`; every path is asked once."""
    found: list[list[Domes]] = [[] for _ in plans]
    for same in zip(*plans, strict=True):
        every = domes(same[0][0], np.concatenate([t for _, t in same]), surface=surface, psi=psi)
        for rows, part in zip(found, parted(every, [len(t) for _, t in same]), strict=True):
            rows.append(part)
    return [joined(rows) for rows in found]


def parted(whole: Domes, counts: Sequence[int]) -> list[Domes]:
    """Stretched caps, so many to each part."""
    columns = [np.split(each, np.cumsum(counts)[:-1]) for each in (*whole.caps, *whole[1:])]
    return [Domes(Caps(*row[:3]), *row[3:]) for row in zip(*columns, strict=True)]


def joined(rows: Sequence[Domes]) -> Domes:
    """Stretched caps one after the other, as one."""
    caps = Caps(*(np.concatenate(column) for column in zip(*(row.caps for row in rows), strict=True)))
    return Domes(caps, *(np.concatenate([row[i] for row in rows]) for i in range(1, 5)))


def _factor(surface: Surface, z: FloatArray, a: FloatArray, b: FloatArray, psi: FloatArray) -> FloatArray:
    return surface.factor(z[..., None], a[..., None], b[..., None], psi)


def _semi_axes(surface: Surface, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """At depths of one smooth stretch."""
    found = surface.axes(z, stretch=stretch_at(surface, z))
    return found.a, found.b


def stretch_at(surface: Surface, z: FloatArray) -> int:
    """The smooth stretch in which depths of one (m, any shape) lie."""
    return int(np.clip(np.searchsorted(surface.cuts, z.mean()) - 1, 0, len(surface.cuts) - 2))


def dome_radius(surface: Surface) -> float:
    """m, of a hemisphere over the mouth to whose rim every point of the mouth's edge can move outward, by ROOM larger
    than the smallest.

    A point p with the outward normal n moves to R (cos(psi), sin(psi)): across its edge if R (cos, sin) . n > p . n,
    across the circle if R > p . (cos, sin); the domes between then do not cross. For an ellipse R is its larger axis.
    """
    z, psi = np.array([surface.depth]), np.linspace(0.0, 0.5 * np.pi, SAMPLES + 1)
    a, b = _semi_axes(surface, z)
    factor = _factor(surface, z, a, b, psi)[0]
    circle = np.stack([np.cos(psi), np.sin(psi)])
    edge = np.stack([a * factor, b * factor]) * circle
    along_x, along_y = np.gradient(edge, psi, axis=1, edge_order=2)
    normal = np.stack([along_y, -along_x])
    across = np.sum(edge * normal, axis=0) / np.sum(circle * normal, axis=0)
    least = float(max(a[0], b[0], np.max(np.hypot(*edge)), np.max(across[1:-1])))
    return least if least - min(a[0], b[0]) <= NEARLY_ROUND * least else ROOM * least


def sweep(waveguide: Waveguide, radius: float) -> Sweep:
    """The sweep of an oblong waveguide in a baffle, to a hemisphere of that radius, m: see dome_radius. ValueError as
    the round one's.
    """
    surface = waveguide.surface
    for meridian in (surface.horizontal, surface.vertical):
        refuse_undercut(meridian)
    drawn = drawn_of(waveguide)
    if drawn is None:
        stretches = list(along_walls(waveguide)[1])
    elif divided_alike(waveguide) and (as_drawn := _as_drawn(drawn, len(surface.cuts))) is not None:
        walls_drawn, inside = as_drawn
        made = [Guided(MeanWall(surface, i), wall) for i, wall in enumerate(walls_drawn)]
        stretches = list(moved_with(inside, walls_drawn, made))
    else:
        stretches = list(_swept(surface, waveguide.driver, drawn.surface)[1])
    a, b = (float(axis[0]) for axis in _semi_axes(surface, np.array([surface.depth])))
    if radius - min(a, b) > NEARLY_ROUND * radius:
        growth = along(Growth(surface.depth, a, b, float(np.sqrt(a * b)), radius))
        cells = np.full(growth.wall.size, (radius - min(a, b)) / growth.wall.size)
        stretches.append(growth._replace(wall=cells, travel=np.maximum(growth.travel, cells)))
    return tuple(stretches)


class AlongWalls(NamedTuple):
    """A mean wall's stretches, as caps go by them; the sweep to the mouth; whether the wall has waves."""

    walls: list[Piece]
    inside: Sweep
    wavy: bool


@lru_cache(maxsize=4)
def along_walls(waveguide: Waveguide) -> AlongWalls:
    """Of a waveguide as drawn; kept for the walls as made, of which there are several."""
    return _swept(waveguide.surface, waveguide.driver, None)


def _swept(surface: Surface, driver: Driver, guide: Surface | None) -> AlongWalls:
    walls, wavy = calmed([MeanWall(surface, i, guide) for i in range(len(surface.cuts) - 1)])
    inside = swept(walls, driver.exit_half_angle, 0.5 * np.pi, beyond=0.5 * np.pi)
    widened = tuple(_widened(stretch, surface, wavy=wavy or guide is not None) for stretch in inside)
    return AlongWalls(walls, widened, wavy)


def _as_drawn(drawn: Waveguide, cuts: int) -> tuple[list[Piece], Sweep] | None:
    """The stretches of a drawn wall and the sweep along them; None where it is cut into another number of stretches
    than `cuts`, or has waves of its own.
    """
    walls, inside, wavy = along_walls(drawn)
    return None if wavy or len(walls) != cuts - 1 else (walls, inside)


def _widened(stretch: Stretch, surface: Surface, *, wavy: bool) -> Stretch:
    """The stretch with the travel of its wall that of the faster plane; of a wall that may have waves, with elements
    enough to follow it.
    """
    z = stretch.path.caps(stretch.t).z
    a, b = _semi_axes(surface, z)
    wall = np.maximum(np.hypot(np.diff(z), np.diff(a)), np.hypot(np.diff(z), np.diff(b)))
    stretch = stretch._replace(wall=wall, travel=np.maximum(stretch.travel, wall))
    if not wavy:
        return stretch
    factor = _factor(surface, z, a, b, np.array([0.25 * np.pi]))[:, 0]
    bent = [missing(z, r) for r in (a, b, np.hypot(a, b) * factor * np.sqrt(0.5))]
    return stretch._replace(bent=np.max([stretch.bent, *bent], axis=0))
