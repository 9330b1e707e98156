"""An oblong wall moved along its normal in space.

Both meridians are moved as those of round walls are. Between them the section's factor is changed by as much as makes
the wall there move, to first order, along its own normal by what it should.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
from scipy.interpolate import RectBivariateSpline

from evenflare.units import FloatArray
from evenflare.waveguide.departure import ROLLED, Departure, DrawnWall, WallDeviation
from evenflare.waveguide.depths import DepthMap
from evenflare.waveguide.mean_arc import RIM, MeanArc, stretches_of, turn_of
from evenflare.waveguide.meridian import Frame, Meridian
from evenflare.waveguide.moved import folds, refuse_folds, shifted, slides_of
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.sections import UNASKED, Mouth, UnitCurve
from evenflare.waveguide.surface import SAME, Surface
from evenflare.waveguide.tabulated import NODES, by_splines

QUARTER = 0.5 * np.pi
_STEP = 1e-3
"""rad of that angle and of psi, for what the factor is changed by, by differences."""
SMOOTH = 0.01
"""Tangent of half the angle by which a wall turns at a joint that is no corner."""
_AROUND = np.linspace(0.0, QUARTER, 9)
_FEWEST, _EACH = 13, 5
"""Places around a quarter of a splined section, at least, and for each azimuth at which its waves are given."""


@dataclass(frozen=True)
class AtDepth:
    """Points of a meridian's piece by the mean wall's arc at their depth."""

    mean: MeanArc
    depths: DepthMap

    def arc_and_rate(self, t: FloatArray, wall: Frame) -> tuple[FloatArray, FloatArray]:
        """See AlongWall."""
        start, scale = self.depths.scale
        arc, slope = self.mean.at_depth(np.clip((wall.z - start) / scale, 0.0, self.depths.depth))
        return arc, slope / scale * np.cos(wall.angle)


class Bends(NamedTuple):
    """Points of a wall, (N, P) each: arc and z, m; azimuth, rad; curvatures, 1/m, the larger and the smaller."""

    arc: FloatArray
    z: FloatArray
    azimuth: FloatArray
    curvatures: tuple[FloatArray, FloatArray]


@dataclass(frozen=True)
class OblongWall:
    """A drawn oblong wall, and what of it is the same for every deviation."""

    surface: Surface
    mean: MeanArc
    drawn: DrawnWall

    @cached_property
    def slides(self) -> tuple[list[float], list[float]]:
        """See slides_of, of the horizontal and of the vertical meridian."""
        planes = self.surface.horizontal, self.surface.vertical
        horizontal, vertical = (slides_of(each, rolled=self.drawn.rolled) for each in planes)
        return horizontal, vertical

    @cached_property
    def bends(self) -> Bends:
        """Of points all over it."""
        rows = []
        for which, z in enumerate(_depths_along(self.surface)):
            patch = self.surface.patch(z, _AROUND, stretch=which)
            azimuth = np.arctan2(patch.points[..., 1], patch.points[..., 0])
            arc, _ = self.mean.at_depth(z)
            places = (np.broadcast_to(each[:, None], azimuth.shape) for each in (arc, z))
            rows.append((*places, azimuth, patch.curvatures[..., 1], patch.curvatures[..., 0]))
        arc, z, azimuth, larger, smaller = (np.concatenate(each) for each in zip(*rows, strict=True))
        return Bends(arc, z, azimuth, (larger, smaller))


@lru_cache(maxsize=8)
def oblong_wall(shape: Oblong, exit_radius: float) -> OblongWall:
    """The drawn wall of a shape behind an exit of that radius, m; kept, for it is moved many times."""
    shapes = shape.horizontal, shape.vertical
    slack = sum(abs(getattr(each, "depth_moved", 0.0)) for each in shapes)
    horizontal, vertical = (each.meridian(exit_radius) for each in shapes)
    return wall_of(Surface(horizontal, vertical, shape.section, slack, shape.round_throat), exit_radius)


def wall_of(surface: Surface, exit_radius: float) -> OblongWall:
    """A wall in space behind an exit of that radius, m, to be moved."""
    mean = MeanArc(surface)
    ends = [each.ends.angle.tolist() for each in (surface.horizontal, surface.vertical)]
    rows = []
    for which, z in enumerate(_depths_along(surface)):
        axes = surface.axes(z, stretch=which)
        rows.append((z, np.maximum(QUARTER - np.maximum(axes.a_angle, axes.b_angle), 0.0)))
    z, left = (np.concatenate(each) for each in zip(*rows, strict=True))
    arc, _ = mean.at_depth(z)
    drawn = DrawnWall(
        length=mean.length,
        start=float(surface.horizontal.ends.z[0]),
        depth=surface.depth,
        exit_radius=exit_radius,
        throat=(ends[0][0], ends[1][0]),
        rolled=max(each[1] for each in ends) >= ROLLED,
        before=(mean.length - arc)[::-1],
        left=left[::-1],
    )
    return OblongWall(surface, mean, drawn)


def _depths_along(surface: Surface) -> list[FloatArray]:
    """m, of each smooth stretch, closer together at its ends."""
    turn = np.linspace(0.0, np.pi, 33)
    pairs = itertools.pairwise(surface.cuts)
    return [np.clip(low + 0.5 * (high - low) * (1.0 - np.cos(turn)), low, high) for low, high in pairs]


@dataclass(frozen=True)
class MovedWall:
    """An oblong wall moved by all of a deviation but its scale.

    splined : its meridians, and over the depth its section, are splines.
    """

    wall: OblongWall
    departure: Departure
    splined: bool = False

    @cached_property
    def meridians(self) -> tuple[Meridian, Meridian]:
        """The horizontal and the vertical one. ValueError where the wall folds."""
        wall = self.wall
        arc, z, around, curvatures = wall.bends
        off, _, _ = self.departure.off_at(arc, z, around)
        for bend in curvatures:
            for i in np.flatnonzero(folds(off, bend).any(axis=0)):
                refuse_folds(self.departure, arc[:, i], z[:, i], bend[:, i], around[:, i])
        surface = wall.surface
        found = []
        for which, (meridian, azimuth) in enumerate(
            zip((surface.horizontal, surface.vertical), (0.0, QUARTER), strict=True)
        ):
            places = (AtDepth(wall.mean, DepthMap(meridian, surface.depth)),) * len(meridian.pieces)
            slides, pushed = wall.slides[which], self._pushed[which]
            moved = shifted(meridian, places, self.departure, slides=slides, azimuth=azimuth, pushed=pushed)
            found.append(by_splines(moved) if self.splined else moved)
        return found[0], found[1]

    @cached_property
    def _pushed(self) -> tuple[list[float], list[float]]:
        """m by which the joints of either meridian slide, so that two at one depth stay at one: between them there
        would be a stretch of wall too short to be solved well.
        """
        surface, found = self.wall.surface, []
        for meridian, slides, azimuth in zip(
            (surface.horizontal, surface.vertical), self.wall.slides, (0.0, QUARTER), strict=True
        ):
            ends = [piece.frame_at(np.array([1.0])) for piece in meridian.pieces[:-1]]
            z, angle = (np.array([float(end[i][0]) for end in ends]) for i in (0, 2))
            arc, _ = self.wall.mean.at_depth(z)
            off, _, _ = self.departure.off_at(arc, z, azimuth)
            smooth = (np.abs(slides[1:-1]) < SMOOTH) & (angle < ROLLED)
            found.append((z, angle, off * np.sin(angle), smooth))
        (z, angle, back, smooth), (other_z, other_angle, other_back, other_smooth) = found
        first, second = np.zeros_like(z), np.zeros_like(other_z)
        for i, j in np.argwhere((np.abs(z[:, None] - other_z) < SAME) & smooth[:, None] & other_smooth):
            apart = 0.5 * (back[i] - other_back[j])
            first[i], second[j] = apart / np.cos(angle[i]), -apart / np.cos(other_angle[j])
        return first.tolist(), second.tolist()

    @cached_property
    def _depths(self) -> tuple[DepthMap, DepthMap]:
        horizontal, vertical = self.meridians
        return DepthMap(horizontal, horizontal.depth), DepthMap(vertical, horizontal.depth)

    @property
    def depth(self) -> float:
        """M."""
        return self.meridians[0].depth

    def widened(self, z: FloatArray, psi: FloatArray) -> FloatArray:
        """As `_exactly_widened`; if splined, by splines over depth and psi."""
        if not self.splined:
            return self._exactly_widened(z, psi)
        found = np.empty((z.size, np.shape(psi)[-1]))
        for (here, low, high), spline in zip(stretches_of(self._cuts, z), self._splines, strict=True):
            if not here.any():
                continue
            turn = turn_of(z[here], low, high)
            found[here] = spline.ev(turn[:, None], psi[here]) if psi.ndim == 2 else _on_grid(spline, turn, psi)
        return found

    @cached_property
    def _cuts(self) -> tuple[float, ...]:
        drawn = self.wall.surface
        return tuple(z * self.depth / drawn.depth for z in drawn.cuts)

    @cached_property
    def _splines(self) -> list[RectBivariateSpline]:
        """Of each stretch, over the angle whose cosine runs with depth, and psi."""
        turn = np.linspace(0.0, np.pi, NODES)
        psi = np.linspace(0.0, QUARTER, max(_FEWEST, _EACH * len(self.departure.deviation.azimuths)))
        stretches = list(itertools.pairwise(self._cuts))
        places = [low + 0.5 * (high - low) * (1.0 - np.cos(turn)) for low, high in stretches]
        every = self._exactly_widened(np.concatenate(places), psi).reshape(len(stretches), NODES, psi.size)
        return [RectBivariateSpline(turn, psi, values) for values in every]

    def _exactly_widened(self, z: FloatArray, psi: FloatArray) -> FloatArray:
        """(Z, P) by which the section's factor grows, as a share of it, at depths z (Z,) m and psi (P,) or (Z, P),
        0 to pi/2 rad.

        With both semi-axes moved and the section drawn, the wall moves by something along its normal; what that lacks
        is made up by this share of the way from the axis. In both planes it is 0 but for second order, and is put to 0.
        """
        psi = np.broadcast_to(psi, (z.size, np.shape(psi)[-1]))
        both = np.concatenate([psi, np.zeros((z.size, 1)), np.full((z.size, 1), QUARTER)], axis=1)
        share = self._share(z, both)
        return np.asarray(share[:, :-2] - share[:, -2:-1] * np.cos(psi) ** 2 - share[:, -1:] * np.sin(psi) ** 2)

    def _share(self, z: FloatArray, psi: FloatArray) -> FloatArray:
        surface, depth = self.wall.surface, self.depth
        # Just short of a rim; the drawn wall at the same share of its depth.
        turn = np.clip(turn_of(z, 0.0, depth), RIM, np.pi - RIM)
        share = np.sin(0.5 * turn) ** 2
        moved_z, drawn_z = share * depth, share * surface.depth
        a, b, a_angle, b_angle = (np.empty((z.size, 1)) for _ in range(4))
        for which, (here, _, _) in enumerate(stretches_of(surface.cuts, drawn_z)):
            if here.any():
                axes = surface.axes(drawn_z[here], stretch=which)
                a[here, 0], b[here, 0], a_angle[here, 0], b_angle[here, 0] = axes
        wider, higher = np.empty((z.size, 1)), np.empty((z.size, 1))
        for found, depths, drawn_r in zip((wider, higher), self._depths, (a, b), strict=True):
            for here, low, high in stretches_of((0.0, *depths.joints, depth), moved_z):
                if here.any():
                    found[here, 0] = depths.frame_at_depth(moved_z[here], near=0.5 * (low + high), bends=False).r
            found -= drawn_r
        curve = surface.section.curve(drawn_z[:, None], psi, mouth=surface.mouth, bends=False)
        # As normals_and_curvatures, away from the air and not of unit length.
        cosines = np.cos(a_angle), np.cos(b_angle)
        scale = np.minimum(*cosines)
        across_x, across_y = b * curve.y_t, -a * curve.x_t
        rise = across_x * (np.sin(a_angle) * (scale / cosines[0]) * curve.x + scale * a * curve.x_z) + across_y * (
            np.sin(b_angle) * (scale / cosines[1]) * curve.y + scale * b * curve.y_z
        )
        size = np.hypot(scale * np.hypot(across_x, across_y), rise)
        arc, _ = self.wall.mean.at_depth(drawn_z)
        azimuth = np.arctan2(b * curve.y, a * curve.x)
        off, _, _ = self.departure.off_at(arc[:, None], drawn_z[:, None], azimuth)
        lacking = off * size + rise * (moved_z - drawn_z)[:, None]
        lacking -= scale * (across_x * wider * curve.x + across_y * higher * curve.y)
        return np.asarray(lacking / (scale * (across_x * a * curve.x + across_y * b * curve.y)))


def _on_grid(spline: RectBivariateSpline, turn: FloatArray, psi: FloatArray) -> FloatArray:
    """(T, P) a spline at every pair of turn (T,) and psi (P,), in any order: far quicker than point by point."""
    rows, columns = np.argsort(turn), np.argsort(psi)
    found = np.empty((turn.size, psi.size))
    found[np.ix_(rows, columns)] = spline(turn[rows], psi[columns])
    return found


@lru_cache(maxsize=8)
def moved_wall(shape: Oblong, deviation: WallDeviation, exit_radius: float, *, splined: bool = False) -> MovedWall:
    """The wall of a shape behind an exit of that radius, m, moved; kept for its meridians and its section."""
    wall = oblong_wall(shape, exit_radius)
    return MovedWall(wall, Departure(deviation, wall.drawn), splined)


@dataclass(frozen=True)
class MovedSection:
    """The section of a moved wall. See Section."""

    shape: Oblong
    deviation: WallDeviation
    exit_radius: float
    splined: bool = False

    @cached_property
    def _wall(self) -> MovedWall:
        return moved_wall(self.shape, self.deviation, self.exit_radius, splined=self.splined)

    @property
    def _mouth(self) -> Mouth:
        return self._wall.wall.surface.mouth

    def check(self, mouth: Mouth) -> None:
        """See Section: the drawn wall has been checked."""

    def cuts(self, depth: float) -> tuple[float, ...]:
        """See Section: at the same shares of the depth as drawn."""
        drawn = self._mouth.depth
        return tuple(z * depth / drawn for z in self.shape.section.cuts(drawn))

    def turns(self, mouth: Mouth) -> tuple[float, ...]:
        """See Section."""
        return self.shape.section.turns(self._mouth)

    def factor(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth) -> FloatArray:
        """See Section."""
        z, psi = np.asarray(z, dtype=np.float64), np.asarray(psi, dtype=np.float64)
        drawn = self.shape.section.factor(z * (self._mouth.depth / mouth.depth), psi, mouth=self._mouth)
        if z.ndim > 0 and z.shape[-1] == 1 and psi.ndim == 1:
            wider = self._widened(z.ravel(), psi, mouth).reshape(*z.shape[:-1], psi.size)
        else:
            every_z, every_psi = np.broadcast_arrays(z, psi)
            wider = self._at_points(every_z.ravel(), every_psi.ravel(), mouth).reshape(every_z.shape)
        return np.asarray(drawn * (1.0 + wider))

    def _at_points(self, z: FloatArray, psi: FloatArray, mouth: Mouth) -> FloatArray:
        """(N,) see MovedWall.widened, of points (N,): mostly as many at one depth as at another."""
        depths, which, counts = np.unique(z, return_inverse=True, return_counts=True)
        if counts.size == 0 or counts.min() != counts.max():
            return self._widened(z, psi[:, None], mouth)[:, 0]
        found, order = np.empty_like(z), np.argsort(which, kind="stable")
        found[order] = self._widened(depths, psi[order].reshape(depths.size, -1), mouth).ravel()
        return found

    def _widened(self, z: FloatArray, psi: FloatArray, mouth: Mouth) -> FloatArray:
        folded = np.arctan2(np.abs(np.sin(psi)), np.abs(np.cos(psi)))
        return self._wall.widened(z * (self._wall.depth / mouth.depth), folded)

    def curve(self, z: FloatArray, psi: FloatArray, *, mouth: Mouth, bends: bool = True) -> UnitCurve:
        """See Section: the drawn one's, times a factor whose derivatives are by differences."""
        z, psi = np.broadcast_arrays(z, psi)
        share = self._mouth.depth / mouth.depth
        drawn = self.shape.section.curve(z * share, psi, mouth=self._mouth, bends=bends)
        shape = z.shape
        turn = np.clip(turn_of(z, 0.0, mouth.depth), 2.0 * _STEP, np.pi - 2.0 * _STEP)
        around = np.clip(psi, _STEP, QUARTER - _STEP)

        def widened(by: float, and_by: float) -> FloatArray:
            place = mouth.depth * np.sin(0.5 * (turn + by * _STEP)) ** 2
            found = self._at_points(place.ravel(), (around + and_by * _STEP).ravel(), mouth)
            return np.asarray(found.reshape(shape))

        deeper, shallower = widened(1.0, 0.0), widened(-1.0, 0.0)
        on, back = widened(0.0, 1.0), widened(0.0, -1.0)
        # By symmetry level in both planes.
        level = np.abs(around - psi) > 0.0
        g_p = np.where(level, 0.0, (on - back) / (2 * _STEP))
        rate = 0.5 * mouth.depth * np.sin(turn)
        g_z = (deeper - shallower) / (2 * _STEP) / rate
        # The drawn curve's parameter t against psi, which moves with the depth where t is held.
        square = drawn.x**2 + drawn.y**2
        p_t = (drawn.x * drawn.y_t - drawn.y * drawn.x_t) / square
        p_z = share * (drawn.x * drawn.y_z - drawn.y * drawn.x_z) / square
        exact = self._at_points(z.ravel(), psi.ravel(), mouth).reshape(shape)
        g, g_t, over_z = 1.0 + exact, g_p * p_t, g_z + g_p * p_z
        known = [
            (g * v, g * v_t + g_t * v, g * (v_z * share) + over_z * v) for v, v_t, v_z in (drawn[0:6:2], drawn[1:6:2])
        ]
        first = list(itertools.chain.from_iterable(zip(*known, strict=True)))
        if not bends:
            return UnitCurve(*(first + list(UNASKED)))
        middle = widened(0.0, 0.0)
        g_uu, g_pp = (deeper - 2 * middle + shallower) / _STEP**2, (on - 2 * middle + back) / _STEP**2
        g_up = (widened(1.0, 1.0) - widened(1.0, -1.0) - widened(-1.0, 1.0) + widened(-1.0, -1.0)) / (4 * _STEP**2)
        g_zp = np.where(level, 0.0, g_up) / rate
        g_zz = (g_uu - g_z * (0.5 * mouth.depth * np.cos(turn))) / rate**2
        p_tt = (drawn.x * drawn.y_tt - drawn.y * drawn.x_tt) / square - 2.0 * p_t * (
            drawn.x * drawn.x_t + drawn.y * drawn.y_t
        ) / square
        g_tt = g_pp * p_t**2 + g_p * p_tt
        g_zz, g_tz = g_zz + 2.0 * g_zp * p_z + g_pp * p_z**2, (g_zp + g_pp * p_z) * p_t
        columns = []
        for v, v_t, v_z, v_tt, v_tz, v_zz in (drawn[0::2], drawn[1::2]):
            v_z, v_tz, v_zz = v_z * share, v_tz * share, v_zz * share**2
            columns.append(
                (
                    g * v_tt + 2.0 * g_t * v_t + g_tt * v,
                    g * v_tz + g_t * v_z + over_z * v_t + g_tz * v,
                    g * v_zz + 2.0 * over_z * v_z + g_zz * v,
                )
            )
        return UnitCurve(*(first + list(itertools.chain.from_iterable(zip(*columns, strict=True)))))
