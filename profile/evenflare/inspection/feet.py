"""The place of the drawn wall that is nearest to each point of a scan, and how far off along the normal it lies.

A point's foot is sought from the nearest node of a dense row (round) or cloud (oblong) of places on the wall, on the
circle, or the sphere of mean curvature, that touches the wall there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, NamedTuple, Protocol

import numpy as np
from scipy.spatial import cKDTree

from evenflare.units import MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.cloud import Cloud, cloud, tree_aside
from evenflare.waveguide.departure import Arcs, risen
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.surface import Surface

NODE = 0.05 * MILLIMETRE
"""Between the nodes of a meridian: what a circle leaves of the curve there is less than 1e-10 m."""
GRAIN = 0.25 * MILLIMETRE
"""Between the nodes of an oblong wall: the sphere leaves (K1 - K2) d^2 / 4, half a micrometre for radii above 15 mm."""
_SHARPEST = 0.5 / NODE
_AT_ONCE = 200_000
_EVERY = 61
"""Node of an oblong wall at which a foot's search begins."""
_BESIDE = 2.0 * MILLIMETRE
"""So near to the wall a point must come when it is put on it: others lie beside its ends."""
_FAR = 0.15
"""Of the depth: a point so far off an oblong wall is none of it."""


class Feet(NamedTuple):
    """Of points on the drawn wall, N of each.

    off      : m along its normal, positive further from the axis.
    share    : of the arc, 0 at the throat to 1 at the mouth.
    azimuth  : rad, of the foot.
    places   : (N, 3) m, the feet, and
    normals  : (N, 3), away from the axis.
    inside   : whether the foot lies between throat and mouth, not on the wall's end.
    """

    off: FloatArray
    share: FloatArray
    azimuth: FloatArray
    places: FloatArray
    normals: FloatArray
    inside: BoolArray

    def of(self, which: BoolArray | IntArray) -> Feet:
        """Of some of the points."""
        return Feet(*(each[which] for each in self))  # type: ignore[arg-type]


class DrawnFeet(Protocol):
    """A drawn wall, asked for the feet of points."""

    @property
    def depth(self) -> float:
        """m, from throat to mouth."""
        ...

    @property
    def length(self) -> float:
        """m, of the arc."""
        ...

    def feet(self, points: FloatArray) -> Feet:
        """Of points (N, 3), m."""
        ...

    def wall_at(self, share: FloatArray, azimuth: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places (..., 3), m, and normals away from the axis, at shares of the arc and azimuths, of one shape."""
        ...

    def step_at(self, share: FloatArray, azimuth: FloatArray) -> FloatArray:
        """Along the normal, for a wall that begins wider by one unit (see WallDeviation's throat_step)."""
        ...

    @property
    def exit_radius(self) -> float:
        """m, of the driver."""
        ...

    @property
    def is_round(self) -> bool:
        """Whether a turn about the axis changes nothing."""
        ...


@lru_cache(maxsize=4)
def drawn_wall(waveguide: Waveguide) -> DrawnFeet:
    """The wall of a waveguide, made ready, which takes up to some seconds; kept, for one part follows another."""
    if waveguide.is_round:
        return RoundFeet(waveguide.meridian, waveguide.driver.exit_radius)
    return OblongFeet(waveguide.surface, cloud(waveguide.surface, step=GRAIN), waveguide.driver.exit_radius)


@dataclass(frozen=True)
class RoundFeet:
    """A wall of revolution."""

    meridian: Meridian
    exit_radius: float
    is_round: bool = True

    @property
    def depth(self) -> float:
        """M."""
        return self.meridian.depth

    @property
    def length(self) -> float:
        """m, of the arc."""
        return float(self._nodes[4][-1])

    @cached_property
    def _nodes(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """z, r, angle, curvature and arc."""
        rows, start = [], 0.0
        for piece in self.meridian.pieces:
            arcs, t = Arcs(piece), np.linspace(0.0, 1.0, 2049)
            along = arcs.arc_at(t)
            even = np.interp(np.linspace(0.0, along[-1], max(3, int(along[-1] / NODE) + 2)), along, t)
            wall = piece.frame_at(even)
            bend = np.clip(wall.curvature, -_SHARPEST, _SHARPEST)
            rows.append((wall.z, wall.r, wall.angle, bend, start + arcs.arc_at(even)))
            start += arcs.length
        z, r, angle, bend, arc = (np.concatenate(each) for each in zip(*rows, strict=True))
        return z, r, angle, bend, arc

    @cached_property
    def _tree(self) -> Any:
        return cKDTree(np.column_stack(self._nodes[:2]))

    def feet(self, points: FloatArray) -> Feet:
        """See DrawnFeet."""
        return _in_parts(self._feet, points)

    def _feet(self, points: FloatArray) -> Feet:
        z, r, angle, bend, arc = self._nodes
        radius = np.hypot(points[:, 0], points[:, 1])
        azimuth = np.arctan2(points[:, 1], points[:, 0])
        k = self._tree.query(np.column_stack([points[:, 2], radius]))[1]
        dz, dr = points[:, 2] - z[k], radius - r[k]
        cosine, sine, K = np.cos(angle[k]), np.sin(angle[k]), bend[k]
        u, v = dz * cosine + dr * sine, dr * cosine - dz * sine
        to_centre = np.hypot(K * u, 1.0 - K * v)
        off = (2.0 * v - K * (u * u + v * v)) / (1.0 + to_centre)
        turn = np.arctan2(K * u, 1.0 - K * v)
        bent = np.abs(turn) > 1e-9
        along = np.where(bent, turn / np.where(bent, K, 1.0), u / np.where(to_centre > 0.0, to_centre, 1.0))
        heading = angle[k] + turn
        foot_r = radius - off * np.cos(heading)
        foot_z = points[:, 2] + off * np.sin(heading)
        east, north = np.cos(azimuth), np.sin(azimuth)
        places = np.column_stack([foot_r * east, foot_r * north, foot_z])
        away = np.column_stack([np.cos(heading) * east, np.cos(heading) * north, -np.sin(heading)])
        share = np.clip((arc[k] + along) / arc[-1], 0.0, 1.0)
        return Feet(off, share, azimuth, places, away, (k > 0) & (k < arc.size - 1))

    def wall_at(self, share: FloatArray, azimuth: FloatArray) -> tuple[FloatArray, FloatArray]:
        """See DrawnFeet."""
        z, r, angle, _, arc = self._nodes
        at = share * arc[-1]
        there, radius, heading = (np.interp(at, arc, each) for each in (z, r, angle))
        east, north = np.cos(azimuth), np.sin(azimuth)
        away = np.stack([np.cos(heading) * east, np.cos(heading) * north, -np.sin(heading)], axis=-1)
        return np.stack([radius * east, radius * north, there], axis=-1), away

    def step_at(self, share: FloatArray, azimuth: FloatArray) -> FloatArray:
        """See DrawnFeet."""
        return np.asarray(np.cos(self._nodes[2][0]) * _less_and_less(share * self.length / self.exit_radius))


@dataclass(frozen=True)
class OblongFeet:
    """A wall symmetric about both planes; its share is of the arc of the mean wall, of radius sqrt(a b)."""

    surface: Surface
    nodes: Cloud
    exit_radius: float
    is_round: bool = False

    @property
    def depth(self) -> float:
        """M."""
        return self.surface.depth

    @property
    def length(self) -> float:
        """m, of the mean wall's arc."""
        return float(self._arc[1][-1])

    @cached_property
    def _arc(self) -> tuple[FloatArray, FloatArray]:
        depths, arcs, start = [], [], 0.0
        for k in range(len(self.surface.cuts) - 1):
            low, high = self.surface.cuts[k : k + 2]
            z = low + (high - low) * np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, 513)) ** 2
            axes = self.surface.axes(z, stretch=k)
            steps = np.hypot(np.diff(z), np.diff(np.sqrt(axes.a * axes.b)))
            along = start + np.concatenate([[0.0], np.cumsum(steps)])
            depths.append(z)
            arcs.append(along)
            start = float(along[-1])
        return np.concatenate(depths), np.concatenate(arcs)

    @cached_property
    def _share(self) -> FloatArray:
        depths, arcs = self._arc
        return np.asarray(np.interp(self.nodes.points[:, 2], depths, arcs) / arcs[-1])

    @cached_property
    def _tree(self) -> Any:
        return cKDTree(self.nodes.points)  # asked for places that have been put on the wall

    @cached_property
    def _few(self) -> tuple[IntArray, Any]:
        some = np.arange(0, len(self.nodes.points), _EVERY)
        return some, cKDTree(self.nodes.points[some])

    @cached_property
    def _by_share(self) -> Any:
        azimuth = np.arctan2(self.nodes.points[:, 1], self.nodes.points[:, 0])
        return tree_aside(np.column_stack([self._share, azimuth]))

    @cached_property
    def _edge(self) -> BoolArray:
        last, t = self.nodes.stretches.max(), self.nodes.parameters[:, 0]
        edge: BoolArray = ((self.nodes.stretches == 0) & (t <= 0.0)) | ((self.nodes.stretches == last) & (t >= 1.0))
        return edge

    def feet(self, points: FloatArray) -> Feet:
        """See DrawnFeet."""
        return _in_parts(self._feet, points)

    def _feet(self, points: FloatArray) -> Feet:
        side = np.where(points < 0.0, -1.0, 1.0) * [1.0, 1.0, 0.0] + [0.0, 0.0, 1.0]
        folded = points * side
        # A point off a concave wall is nearly as far from many nodes, among which the nearest is long sought: from one
        # of a few it is put on the wall, and then sought there.
        few, tree = self._few
        k = tree.query(folded, distance_upper_bound=_FAR * self.depth)[1]
        met = k < few.size
        k = few[np.where(met, k, 0)]
        for _ in range(2):
            aside = np.einsum("ij,ij->i", folded - self.nodes.points[k], self.nodes.normals[k])
            on_wall = folded - aside[:, None] * self.nodes.normals[k]
            on_wall[~met] = self.nodes.points[0]
            k = self._tree.query(on_wall, distance_upper_bound=_BESIDE)[1]
            met &= k < len(self.nodes.points)
            k = np.where(k < len(self.nodes.points), k, 0)
        into_air, place = self.nodes.normals[k], self.nodes.points[k]
        aside = folded - place
        height = np.einsum("ij,ij->i", aside, into_air)
        beside = aside - height[:, None] * into_air
        # Toward the air the wall bends away from its tangent plane by half its curvature; its sign is the air's.
        bend = 0.5 * self.nodes.curvatures[k].sum(axis=1)
        gap = np.einsum("ij,ij->i", beside, beside)
        off = -(height + 0.5 * np.clip(bend, -_SHARPEST, _SHARPEST) * gap)
        foot = (folded + off[:, None] * into_air) * side
        share = np.interp(foot[:, 2], *self._arc) / self._arc[1][-1]
        inside = met & ~self._edge[k] & (gap <= self.nodes.step**2)
        return Feet(off, share, np.arctan2(foot[:, 1], foot[:, 0]), foot, -into_air * side, inside)

    def wall_at(self, share: FloatArray, azimuth: FloatArray) -> tuple[FloatArray, FloatArray]:
        """See DrawnFeet. The nearest node's."""
        east, north = np.cos(azimuth), np.sin(azimuth)
        folded = np.arctan2(np.abs(north), np.abs(east))
        k: IntArray = self._by_share.query(np.stack([share, folded], axis=-1))[1]
        side = np.stack([np.where(east < 0, -1.0, 1.0), np.where(north < 0, -1.0, 1.0), np.ones_like(east)], axis=-1)
        return self.nodes.points[k] * side, -self.nodes.normals[k] * side

    def step_at(self, share: FloatArray, azimuth: FloatArray) -> FloatArray:
        """See DrawnFeet."""
        wide, high = (np.cos(each.ends.angle[0]) for each in (self.surface.horizontal, self.surface.vertical))
        across = np.cos(azimuth) ** 2
        return np.asarray(
            (wide * across + high * (1.0 - across)) * _less_and_less(share * self.length / self.exit_radius)
        )


def _less_and_less(radii: FloatArray) -> FloatArray:
    """From 1 at the throat to nothing from one exit's radius on."""
    return np.asarray(1.0 - risen(radii)[0])


def _in_parts(feet: Any, points: FloatArray) -> Feet:
    """Part after part, so that what is between takes little memory."""
    parts = [feet(points[i : i + _AT_ONCE]) for i in range(0, max(len(points), 1), _AT_ONCE)]
    return parts[0] if len(parts) == 1 else Feet(*(np.concatenate(each) for each in zip(*parts, strict=True)))
