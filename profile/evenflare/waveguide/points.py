"""A meridian drawn elsewhere or probed from a part: points, with corners kept where they are sharp."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.curve import Drawn, drawn
from evenflare.waveguide.meridian import Meridian, path
from evenflare.waveguide.smoothing import moved
from evenflare.waveguide.vertices import CORNER, noise


@dataclass(frozen=True)
class Points:
    """A wall through points from throat (z = 0) to mouth.

    points : ((z, r), ...) in m, two at least. Two points are a straight wall.
    corner : rad; a vertex is a corner where it turns by more than this beyond what the curvature on both sides of it
             explains.
    smooth : m; how far the wall may leave the points, across it, to be smooth where they are rough.
    Errors : ValueError if the points repeat, leave the throat plane, reach the axis, or the line crosses itself.
    """

    family: ClassVar[str] = "points"
    points: tuple[tuple[float, float], ...]
    corner: float = CORNER
    smooth: float = 0.0

    def __post_init__(self) -> None:
        points = np.array(self.points)
        if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 2:
            count = points.shape[0] if points.ndim == 2 and points.shape[1] == 2 else 0
            raise ValueError(
                f"holds {count} point{'' if count == 1 else 's'} (z, r): must be two at least, from throat to mouth."
                " Add the others"
            )
        if not np.all(np.isfinite(points)):
            row = int(np.isfinite(points).all(axis=1).argmin())
            raise ValueError(f"point {row + 1} is not a number: must be two finite ones, z and r. Correct it")
        if abs(points[0, 0]) > 1e-6:
            raise ValueError(
                f"the first point lies at z_mm = {points[0, 0] / MILLIMETRE:g}: must be 0, the throat plane."
                f" {_origin_hint(points)}"
            )
        if points[:, 1].min() <= 0:
            row = int(points[:, 1].argmin())
            raise ValueError(
                f"point {row + 1} has r_mm = {points[row, 1] / MILLIMETRE:g}: must be above 0, the axis. Correct it,"
                " or remove the point"
            )
        steps = np.hypot(*np.diff(points, axis=0).T)
        if steps.min() <= 1e-9:
            row = int(steps.argmin())
            raise ValueError(f"points {row + 1} and {row + 2} are the same: remove one")
        if not path(points[:, 0], points[:, 1]).is_simple:
            raise ValueError("the profile crosses itself: give the points in order from throat to mouth")

    @cached_property
    def _drawn(self) -> Drawn:
        return drawn(np.array(self.points), corner=self.corner, smooth=self.smooth)

    @property
    def corners(self) -> tuple[int, ...]:
        """Indices of the points that are corners."""
        return self._drawn.corners

    @property
    def moved(self) -> FloatArray:
        """(N,) m, by how much the wall leaves each point; 0 where nothing had to be smoothed."""
        return moved(np.array(self.points), self._drawn.points)

    @property
    def depth_moved(self) -> float:
        """m, by which smoothing has moved the mouth plane, + forward."""
        return float(self._drawn.points[-1, 0]) - self.points[-1][0]

    @property
    def noise(self) -> float:
        """m, rms of what the points leave a smooth curve by, from one to the next."""
        return noise(np.array(self.points))

    @property
    def roughness(self) -> float:
        """rad, by about which the wall turns to and fro from point to point for the noise that is left in it."""
        points = self._drawn.points
        return float(np.sqrt(2.0) * noise(points) / np.hypot(*np.diff(points, axis=0).T).mean())

    @property
    def departure(self) -> float:
        """m, how far the smooth wall leaves the straight lines between the points it passes through at most."""
        from shapely import points as points_at

        wall, lines = self.meridian(0.0).dense, path(*self._drawn.points.T)
        return float(lines.distance(points_at(wall.z, wall.r)).max())

    def meridian(self, exit_radius: float) -> Meridian:
        """The wall through the points; the exit's radius does not change it."""
        return self._wall

    @cached_property
    def _wall(self) -> Meridian:
        meridian = Meridian(self._drawn.pieces)
        wall = meridian.dense
        if wall.r.min() <= 0:
            place = float(wall.z[wall.r.argmin()]) / MILLIMETRE
            raise ValueError(
                f"the smooth wall meets the axis between its points at z_mm = {place:.4g}: must stay above it. Give"
                " more points there"
            )
        if not path(wall.z, wall.r).is_simple:
            raise ValueError("the profile crosses itself between its points: give more points there")
        return meridian


def _origin_hint(points: FloatArray) -> str:
    first, last = points[0], points[-1]
    shift = f"{first[0] / MILLIMETRE:g}"
    if first[0] < 0:
        return f"Add {shift.removeprefix('-')} to every z_mm"
    if abs(last[0]) > 1e-6:
        return f"Do they run from mouth to throat? Reverse the order; else subtract {shift} from every z_mm"
    if first[1] > last[1]:
        return "They run from mouth to throat: reverse the order"
    return f"Does z count from the mouth? Then write {shift} - z for every z_mm"
