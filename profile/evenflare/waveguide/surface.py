"""The wall of a waveguide in space: two meridians, and sections between them at every depth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray, read_only
from evenflare.waveguide.depths import DepthMap
from evenflare.waveguide.forms import normals_and_curvatures
from evenflare.waveguide.meridian import Frame, Meridian
from evenflare.waveguide.sections import Mouth, Section

KEPT = 48
"""Answers about semi-axes that a wall keeps: a sweep along it and its domes ask for the same depths again, and so do
walls as made of the drawn one."""
MERGED = 1e-9
"""m; cuts closer than this are one."""
SAME = 1e-6
"""m, by which the throats and the depths of two meridians may differ."""


class Axes(NamedTuple):
    """Semi-axes of sections, arrays of one shape: m, and the angle (rad) of each meridian against the axis there."""

    a: FloatArray
    b: FloatArray
    a_angle: FloatArray
    b_angle: FloatArray


class Patch(NamedTuple):
    """The wall at points of an ordered grid: depths (Z) from throat to mouth, parameters psi (P) around.

    points     : (Z, P, 3), m: x, y, z.
    normals    : (Z, P, 3), unit, from the wall into the air.
    curvatures : (Z, P, 2), 1/m, the principal ones, smaller first; negative where the wall is concave. (Z, P, 0) where
                 they were not asked for.
    """

    points: FloatArray
    normals: FloatArray
    curvatures: FloatArray


@dataclass(frozen=True)
class Surface:
    """A wall symmetric about both planes, for every waveguide: a round one has the same meridian twice.

    slack        : m, by which smoothing of points may have made the depths differ: the vertical one is stretched.
    round_throat : whether both must begin at one radius; the wall of a part as made need not.

    Errors: ValueError if a meridian does not advance along the axis everywhere (sections are at constant depth), the
    two do not begin at one radius or end at one depth (to a micrometre), or the section has no such mouth.
    """

    horizontal: Meridian
    vertical: Meridian
    section: Section
    slack: float = 0.0
    round_throat: bool = True

    def __post_init__(self) -> None:
        throats = self.horizontal.throat_radius, self.vertical.throat_radius
        if self.round_throat and abs(throats[0] - throats[1]) > SAME:
            raise ValueError(
                f"the horizontal meridian begins at r_mm = {throats[0] / MILLIMETRE:.4f}, the vertical one at"
                f" {throats[1] / MILLIMETRE:.4f}: must be one radius, since the throat is round. Make them equal"
            )
        depths = self.horizontal.depth, self.vertical.depth
        if abs(depths[0] - depths[1]) > SAME + self.slack:
            raise ValueError(
                f"the horizontal meridian is {depths[0] / MILLIMETRE:.4f} mm deep, the vertical one"
                f" {depths[1] / MILLIMETRE:.4f}: must be one depth, since the mouth lies in a plane. Make them equal"
            )
        _ = self._maps
        self.section.check(self.mouth)

    @property
    def depth(self) -> float:
        """m, throat plane to mouth plane."""
        return self.horizontal.depth

    @property
    def throat_radius(self) -> float:
        """m; where it differs between the planes, of a circle of the same area but for the section."""
        if self.round_throat:
            return self.horizontal.throat_radius
        return float(np.sqrt(self.horizontal.throat_radius * self.vertical.throat_radius))

    def off_exit(self, radius: float) -> float:
        """m, the most by which the wall's edge at the throat lies beyond, or within, a driver's exit of that radius."""
        zero, psi = np.zeros(1), np.linspace(0.0, 0.5 * np.pi, 65)
        axes = self.axes(zero, stretch=0)
        factor = self.factor(zero[:, None], axes.a[:, None], axes.b[:, None], psi)[0]
        edge = factor * np.hypot(axes.a * np.cos(psi), axes.b * np.sin(psi))
        return float(np.abs(edge - radius).max())

    @property
    def mouth_width(self) -> float:
        """m, from rim to rim in the horizontal plane."""
        return 2.0 * self.horizontal.mouth_radius

    @property
    def mouth_height(self) -> float:
        """m, from rim to rim in the vertical plane."""
        return 2.0 * self.vertical.mouth_radius

    @cached_property
    def mouth(self) -> Mouth:
        """Depth and semi-axes of the mouth, m."""
        return Mouth(self.depth, self.horizontal.mouth_radius, self.vertical.mouth_radius)

    @cached_property
    def _maps(self) -> tuple[DepthMap, DepthMap]:
        first = DepthMap(self.horizontal, self.depth)
        return first, first if self.vertical is self.horizontal else DepthMap(self.vertical, self.depth)

    @cached_property
    def cuts(self) -> tuple[float, ...]:
        """m, depths from the throat's, 0, to the mouth's, between which the wall is smooth."""
        horizontal, vertical = self._maps
        found = [0.0]
        for z in sorted({*horizontal.joints, *vertical.joints, *self.section.cuts(self.depth)}):
            if found[-1] + MERGED < z < self.depth - MERGED:
                found.append(z)
        return (*found, self.depth)

    def axes(self, z: FloatArray, *, stretch: int) -> Axes:
        """The semi-axes at depths z (m, any shape) in the smooth stretch from cuts[stretch] to cuts[stretch + 1].

        At a cut the angles are those of the stretch asked for. Accurate to 1e-12 m where the wall is not steep, and
        smooth up to a rim at 90 degrees, where a radius runs as the root of the distance from it. Read-only arrays.
        """
        asked = stretch, z.shape, z.tobytes()
        found = self._known.get(asked)
        if found is None:
            a, b = self._axes(z, stretch, bends=False)
            found = Axes(*map(read_only, (a.r, b.r, a.angle, b.angle)))
            if len(self._known) >= KEPT:
                self._known.clear()
            self._known[asked] = found
        return found

    @cached_property
    def _known(self) -> dict[tuple[int, tuple[int, ...], bytes], Axes]:
        return {}

    def _axes(self, z: FloatArray, stretch: int, *, bends: bool) -> tuple[Frame, Frame]:
        horizontal, vertical = self._maps
        near = 0.5 * (self.cuts[stretch] + self.cuts[stretch + 1])
        a = horizontal.frame_at_depth(z, near=near, bends=bends)
        return a, a if vertical is horizontal else vertical.frame_at_depth(z, near=near, bends=bends)

    def factor(self, z: FloatArray, a: FloatArray, b: FloatArray, psi: FloatArray) -> FloatArray:
        """The section's factor: the wall is x = a f cos(psi), y = b f sin(psi). See Section. Arrays broadcast."""
        return self.section.factor(z, psi, mouth=self.mouth)

    def patch(self, z: FloatArray, psi: FloatArray, *, stretch: int, bends: bool = True) -> Patch:
        """Points, normals and curvatures at depths z (Z, m) and elliptic parameters psi (rad, any).

        psi    : (P,) at every depth, or (Z, P), its own at each.
        z      : within the smooth stretch from cuts[stretch] to cuts[stretch + 1]; at a cut the normals are that
                 stretch's. At a rim at 90 degrees the normal runs along the axis.
        bends  : whether curvatures are asked for, which take as long as all the rest.
        Source : see normals_and_curvatures.
        """
        z, psi = np.asarray(z, dtype=np.float64), np.asarray(psi, dtype=np.float64)
        a, b = (Frame(*(column[:, None] for column in frame)) for frame in self._axes(z, stretch, bends=bends))
        cosine, sine = np.cos(psi), np.sin(psi)
        shape = z.size, psi.shape[-1]
        # Derivatives at a cut belong to this side of it.
        spare = 1e-12 * (self.cuts[stretch + 1] - self.cuts[stretch])
        inner = np.minimum(np.maximum(z, self.cuts[stretch] + spare), self.cuts[stretch + 1] - spare)
        folded = np.arctan2(np.abs(sine), np.abs(cosine))
        curve = self.section.curve(inner[:, None], folded, mouth=self.mouth, bends=bends)
        sides = np.stack([np.where(cosine < 0.0, -1.0, 1.0), np.where(sine < 0.0, -1.0, 1.0), np.ones_like(psi)], -1)
        points = np.stack([a.r * curve.x, b.r * curve.y, np.broadcast_to(z[:, None], shape)], axis=-1)
        normals, curvatures = normals_and_curvatures(a, b, curve)
        return Patch(points * sides, normals * sides, curvatures)


def depth_at(surface: Surface, stretch: int, t: FloatArray) -> FloatArray:
    """m, depths within a stretch over a parameter from 0 to 1 that stands still at both ends: in it the wall is smooth
    also where it ends at 90 degrees.
    """
    low, high = surface.cuts[stretch : stretch + 2]
    z = low + (high - low) * np.sin(0.5 * np.pi * t) ** 2
    return np.where(t >= 1.0, high, z)
