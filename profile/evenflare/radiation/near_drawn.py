"""The air of an oblong wall as made that lies near the drawn one: the drawn wall's caps, each moved to first order.

A point of the wall that departs by d along the outward normal N, while its cap moves by e along the axis, moves across
the axis by (d - e N_z) / |N_xy| along the normal's own direction there; what that leaves out is d^2 over the wall's
radius of curvature, a micrometre for 0.1 mm on 10 mm. Caps stay at their depth, but where the wall turns steep toward a
rim that is rolled over: there they go with the mouth's plane. All walls as made share the drawn one's geometry, so that
one takes little more than its elements and their elimination do.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from evenflare.radiation.elements import Plan
from evenflare.radiation.foreseen import Foreseen, plans
from evenflare.radiation.oblong import Domes, Growth, joined, parted, stretch_at
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.stretched import StretchedCaps
from evenflare.radiation.wavefront import Caps, Path, Sweep
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide.departure import ROLLED, Departure, risen
from evenflare.waveguide.moved_oblong import OblongWall

STEEP = 60.0 * DEGREE
"""rad, of the mean wall, from which on caps begin to go with the mouth's plane; at ROLLED they do."""
EDGE = 0.01
"""rad by which a wall without an edge turns at a cut."""
LEVEL = 1e-6
"""Of a normal's part across the axis: where it is less, the wall lies in the mouth's plane."""
NEAREST = 0.5
"""Of the way from the drawn mouth to the last dome, that is left to the made one at least."""
QUARTER = 0.5 * np.pi


class Footing(NamedTuple):
    """Where drawn caps (...) stand on their wall: at psi = 0, at the P samples, and at pi/2.

    arc, z  : (...) m.
    steep   : (...) share of the departure by which they go back with the mouth's plane.
    fade    : (...) share of the wall's movement that they make, less than all of it on the last stretch.
    a, b    : (...) m, semi-axes of the wall.
    azimuth : (..., P + 2) rad; normal (..., P + 2, 3), outward.
    """

    arc: FloatArray
    z: FloatArray
    steep: FloatArray
    fade: FloatArray
    a: FloatArray
    b: FloatArray
    azimuth: FloatArray
    normal: FloatArray


def joined_footings(rows: Sequence[Footing]) -> Footing:
    """One after the other, as one."""
    return Footing(*(np.concatenate(column) for column in zip(*rows, strict=True)))


@dataclass(frozen=True)
class DrawnCaps:
    """Caps of a drawn wall, and where they stand on it."""

    caps: StretchedCaps
    wall: OblongWall

    @cached_property
    def is_gentle(self) -> bool:
        """Whether the wall has no edge, and is rolled over at its mouth in both planes or steep at neither end."""
        surface, count = self.wall.surface, len(self.wall.surface.cuts) - 1
        ends = [np.array(surface.axes(np.array(surface.cuts[i : i + 2]), stretch=i)[2:]) for i in range(count)]
        turns = [float(np.abs(after[:, 0] - before[:, 1]).max()) for before, after in itertools.pairwise(ends)]
        throat, mouth = ends[0][:, 0], ends[-1][:, 1]
        rolled = mouth.min() >= ROLLED or mouth.max() < STEEP
        return bool(max(turns, default=0.0) < EDGE and throat.max() < STEEP and rolled)

    @cached_property
    def _foreseen(self) -> Foreseen[Footing]:
        return Foreseen(lambda *asked: self._footings(plans(*asked)))

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        self.caps.foreseen(part, wavenumbers, resolution)
        self._foreseen.every(part, wavenumbers, resolution)

    def footing(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Footing:
        """Of the caps that `shells` has."""
        return self._foreseen.one(part, wavenumber, resolution)

    @cached_property
    def first(self) -> Footing:
        """Of the cap at the throat."""
        start = self.caps.sweep[0]
        return self._standing(start.path, start.t[:1])

    @cached_property
    def last(self) -> Footing:
        """Of the mouth's edge."""
        return self._standing(self.caps.sweep[-1].path, np.zeros(1))

    def _footings(self, every: Sequence[Plan]) -> list[Footing]:
        found: list[list[Footing]] = [[] for _ in every]
        for same in zip(*every, strict=True):
            whole = self._standing(same[0][0], np.concatenate([t for _, t in same]))
            ends = np.cumsum([len(t) for _, t in same])[:-1]
            for rows, *each in zip(found, *(np.split(column, ends) for column in whole), strict=True):
                rows.append(Footing(*each))
        return [joined_footings(rows) for rows in found]

    def _standing(self, path: Path, t: FloatArray) -> Footing:
        surface, psi = self.wall.surface, self.caps.psi
        z = np.clip(path.caps(t).z, 0.0, surface.depth)
        stretch = stretch_at(surface, z)
        around = np.concatenate([[0.0], psi, [QUARTER]])
        patch = surface.patch(z.ravel(), around, stretch=stretch, bends=False)
        points, normal = (each.reshape(*z.shape, -1, 3) for each in (patch.points, -patch.normals))
        axes = surface.axes(z, stretch=stretch)
        with np.errstate(over="ignore"):
            slope = 0.5 * (axes.b * np.tan(axes.a_angle) + axes.a * np.tan(axes.b_angle)) / np.sqrt(axes.a * axes.b)
        turned = np.where(np.maximum(axes.a_angle, axes.b_angle) >= QUARTER - LEVEL, QUARTER, np.arctan(slope))
        return Footing(
            self.wall.mean.at_depth(z)[0],
            z,
            risen((turned - STEEP) / (ROLLED - STEEP))[0],
            1.0 - t if isinstance(path, Growth) else np.ones_like(z),
            axes.a,
            axes.b,
            np.arctan2(points[..., 1], points[..., 0]),
            normal,
        )


@dataclass(frozen=True)
class MovedCaps:
    """Of the wall as made. See OblongCaps."""

    drawn: DrawnCaps
    departure: Departure

    @property
    def sweep(self) -> Sweep:
        """See OblongCaps: the drawn one's, by which it is divided."""
        return self.drawn.caps.sweep

    @cached_property
    def first(self) -> Domes:
        """See OblongCaps."""
        return self._moved(self.drawn.caps.first, self.drawn.first)

    @property
    def dome(self) -> float:
        """See OblongCaps."""
        return self.drawn.caps.dome * self._scale

    @property
    def depth(self) -> float:
        """See OblongCaps."""
        return (self.drawn.caps.depth - self.departure.mouth_plane) * self._scale

    @property
    def throat_radius(self) -> float:
        """See OblongCaps."""
        return float(np.sqrt(self.first.a[0] * self.first.b[0]))

    def off_exit(self, radius: float) -> float:
        """See OblongCaps."""
        psi, edge = self.drawn.caps.psi, self.first
        reach = np.hypot(edge.wide[0] * np.cos(psi), edge.high[0] * np.sin(psi))
        return float(np.abs(np.concatenate([edge.a, edge.b, reach]) - radius).max())

    @property
    def has_room(self) -> bool:
        """Whether the mouth stays well within the last dome, if there is one beside the mouth."""
        if not isinstance(self.sweep[-1].path, Growth):
            return False
        edge, dome = self.drawn.last, self.drawn.caps.dome
        reach = max(float(edge.a[0]), float(edge.b[0]))
        across, _ = self._across(edge)
        return bool(np.hypot(*across).max() < NEAREST * (dome - reach))

    def foreseen(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> None:
        """See Medium."""
        self.drawn.foreseen(part, wavenumbers, resolution)
        self._shells.every(part, wavenumbers, resolution)

    @cached_property
    def _shells(self) -> Foreseen[Domes]:
        return Foreseen(self._worked_out)

    def shells(self, part: Sweep, wavenumber: float, resolution: Resolution) -> Domes:
        """See OblongCaps."""
        return self._shells.one(part, wavenumber, resolution)

    def _worked_out(self, part: Sweep, wavenumbers: Sequence[float], resolution: Resolution) -> list[Domes]:
        shells = [self.drawn.caps.shells(part, each, resolution) for each in wavenumbers]
        footings = [self.drawn.footing(part, each, resolution) for each in wavenumbers]
        every = self._moved(joined(shells), joined_footings(footings))
        return parted(every, [len(each.a) for each in shells])

    @property
    def _scale(self) -> float:
        return 1.0 + self.departure.deviation.scale

    def _across(self, at: Footing) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
        """m by which caps' edges move along x and along y, (..., P + 2), and along z, (...)."""
        off, _, _ = self.departure.off_at(at.arc[..., None], at.z[..., None], at.azimuth)
        back = -at.steep * off.mean(axis=-1)
        n_x, n_y, n_z = np.moveaxis(at.normal, -1, 0)
        level = np.maximum(np.hypot(n_x, n_y), LEVEL)
        across = (off - back[..., None] * n_z) / level**2 * at.fade[..., None]
        return (across * n_x, across * n_y), back

    def _moved(self, shells: Domes, at: Footing) -> Domes:
        (x, y), back = self._across(at)
        psi, scale = self.drawn.caps.psi, self._scale
        a, b = at.a + x[..., 0], at.b + y[..., -1]
        caps = Caps(
            (shells.caps.z + back) * scale,
            (shells.caps.r + at.fade * (np.sqrt(a * b) - np.sqrt(at.a * at.b))) * scale,
            shells.caps.b,
        )
        return Domes(
            caps,
            (shells.a + x[..., 0]) * scale,
            (shells.b + y[..., -1]) * scale,
            (shells.wide + x[..., 1:-1] / np.cos(psi)) * scale,
            (shells.high + y[..., 1:-1] / np.sin(psi)) * scale,
        )
