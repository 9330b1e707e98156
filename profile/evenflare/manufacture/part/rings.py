"""The opening of a block at any depth: a circle or a section of the waveguide, the driver's recess behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenflare.manufacture.part.oblong_sizes import OblongSizes, oblong_sizes
from evenflare.manufacture.part.outline import Sizes, SolidChoice, solid_sizes
from evenflare.manufacture.wall.oblong_curves import section
from evenflare.units import FloatArray, read_only
from evenflare.waveguide import Meridian, Waveguide, sampled
from evenflare.waveguide.cloud import cloud

if TYPE_CHECKING:
    from shapely import Polygon

FINE = 0.1e-6
"""m, chord error within which the points of a meridian stand for it."""
STEPS = 16
"""Sections of an oblong waveguide within a layer, at even depths."""
_BISECTIONS = 50


@dataclass(frozen=True)
class Outline:
    """A closed curve about the axis.

    points : (N, 2), m: x, y, counter-clockwise, the first not repeated; on the curve.
    radius : m, of a circle; None for any other curve.
    """

    points: FloatArray
    radius: float | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", read_only(self.points))

    @property
    def size(self) -> tuple[float, float]:
        """m, width and height."""
        width, height = np.ptp(self.points, axis=0)
        return float(width), float(height)

    @property
    def polygon(self) -> Polygon:
        """Its inside, between its points."""
        from shapely import Polygon

        return Polygon(self.points)

    @property
    def area(self) -> float:
        """m2, of a circle exactly."""
        return float(self.polygon.area) if self.radius is None else float(np.pi * self.radius**2)


def sizes_of(waveguide: Waveguide, solid: SolidChoice) -> Sizes | OblongSizes:
    """The sizes of a solid around a waveguide, round or oblong. Errors as solid_sizes and oblong_sizes."""
    if waveguide.is_round:
        return solid_sizes(waveguide.meridian, solid, body=waveguide.mounting.body)
    return oblong_sizes(waveguide.surface, cloud(waveguide.surface), solid, body=waveguide.oblong_body)


def circle(radius: float, *, chord_error: float) -> Outline:
    """A circle (m); its points keep the sagitta within `chord_error` (m). Their number is a multiple of four."""
    sides = 4 * max(4, int(np.ceil(0.25 * np.pi / np.arccos(max(0.0, 1.0 - chord_error / radius)))))
    turn = 2 * np.pi * np.arange(sides) / sides
    return Outline(radius * np.column_stack([np.cos(turn), np.sin(turn)]), radius)


def outside_of(sizes: Sizes | OblongSizes, *, chord_error: float) -> Outline:
    """The outside of a block or flange."""
    if sizes.flange_diameter is not None:
        return circle(0.5 * sizes.flange_diameter, chord_error=chord_error)
    assert isinstance(sizes, OblongSizes)  # only these may be rectangular
    return rectangle(sizes.flange_width or 0.0, sizes.flange_height or 0.0)


def rectangle(width: float, height: float) -> Outline:
    """A rectangle (m)."""
    x, y = 0.5 * width, 0.5 * height
    return Outline(np.array([[x, -y], [x, y], [-x, y], [-x, -y]]))


@dataclass(frozen=True)
class Bore:
    """What is open within a block, from the throat plane's recess to the mouth.

    chord_error : m, of the points of outlines.
    recess      : m, radius of the driver's recess, behind the throat plane.
    """

    waveguide: Waveguide
    chord_error: float
    recess: float

    @property
    def depth(self) -> float:
        """m, throat plane to mouth plane."""
        return self.waveguide.meridian.depth if self.waveguide.is_round else self.waveguide.surface.depth

    def opening_at_depth(self, z: float) -> Outline:
        """The opening at a depth (m, from the throat plane; negative in the recess)."""
        if z < 0.0:
            return circle(self.recess, chord_error=self.chord_error)
        if self.waveguide.is_round:
            return circle(radius_at(self.waveguide.meridian, z), chord_error=self.chord_error)
        return Outline(section(self.waveguide.surface, z, chord_error=self.chord_error))

    def within(self, low: float, high: float) -> list[tuple[float, Outline]]:
        """Depths from `low` to `high` (m) and openings there, dense enough that none between is smaller."""
        ends = [low, *([0.0] if low < 0.0 < high else []), high]
        if not self.waveguide.is_round:
            cuts = [z for z in self.waveguide.surface.cuts if low < z < high]
            depths = {*ends, *cuts, *np.linspace(low, high, STEPS + 1)[1:-1].tolist()}
            return [(z, self.opening_at_depth(z)) for z in sorted(depths)]
        frames = sampled(self.waveguide.meridian, chord_error=FINE)
        wall = np.concatenate([np.column_stack([frame.z, frame.r]) for frame in frames])
        # Places of a wall that runs back, behind what a straight cut opens, only make the opening smaller.
        inner = wall[(wall[:, 0] > low) & (wall[:, 0] < high)].tolist()
        found = [(z, circle(r, chord_error=self.chord_error)) for z, r in inner]
        return sorted([*((z, self.opening_at_depth(z)) for z in ends), *found], key=lambda place: place[0])


def radius_at(meridian: Meridian, z: float) -> float:
    """m: where the wall at depth z (m) is nearest to the axis."""
    ends = meridian.ends
    z = float(np.clip(z, min(ends.z), max(ends.z)))
    t = np.linspace(0.0, 1.0, 257)
    found: list[float] = []
    for piece in meridian.pieces:
        above = piece.frame_at(t).z - z
        touched = np.abs(above) < 1e-12
        found += piece.frame_at(t[touched]).r.tolist()
        for k in np.flatnonzero((above[:-1] * above[1:] < 0.0) & ~touched[:-1] & ~touched[1:]):
            low, high, sign = t[k], t[k + 1], np.sign(above[k])
            for _ in range(_BISECTIONS):
                middle = 0.5 * (low + high)
                below = np.sign(piece.frame_at(np.array([middle])).z[0] - z) == sign
                low, high = (middle, high) if below else (low, middle)
            found.append(float(piece.frame_at(np.array([0.5 * (low + high)])).r[0]))
    return min(found)


def largest(openings: list[Outline]) -> Outline:
    """The smallest outline, without holes, that all of them lie within."""
    if all(opening.radius is not None for opening in openings):
        return max(openings, key=lambda opening: opening.radius or 0.0)
    import shapely

    whole = shapely.union_all([opening.polygon for opening in openings])
    return Outline(np.asarray(shapely.geometry.polygon.orient(whole).exterior.coords)[:-1])


def smallest(openings: list[Outline]) -> Outline:
    """The largest outline that lies within all of them."""
    if all(opening.radius is not None for opening in openings):
        return min(openings, key=lambda opening: opening.radius or 0.0)
    import shapely

    common = shapely.intersection_all([opening.polygon for opening in openings])
    return Outline(np.asarray(shapely.geometry.polygon.orient(common).exterior.coords)[:-1])


def shrunk(outline: Outline, by: float, *, chord_error: float) -> Outline:
    """The outline moved inward by so much (m), everywhere; outward where that is negative."""
    if by == 0.0:
        return outline
    if outline.radius is not None:
        return circle(outline.radius - by, chord_error=chord_error)
    import shapely

    inner = shapely.geometry.polygon.orient(outline.polygon.buffer(-by, join_style="mitre"))
    return Outline(np.asarray(inner.exterior.coords)[:-1])


def beyond(outline: Outline, opening: Outline) -> float:
    """m, >= 0: by how much an outline reaches out of an opening."""
    if outline.radius is not None and opening.radius is not None:
        return max(0.0, outline.radius - opening.radius)
    import shapely

    return float(shapely.distance(shapely.points(outline.points), opening.polygon).max())


def between(back: Outline, front: Outline, share: float, *, chord_error: float) -> Outline:
    """The straight bevel from back to front at a share of the way: along each direction from the axis."""
    if back.radius is not None and front.radius is not None:
        return circle(back.radius + share * (front.radius - back.radius), chord_error=chord_error)
    angle = np.linspace(0.0, 2 * np.pi, 721)[:-1]
    r = (1.0 - share) * reach(back, angle) + share * reach(front, angle)
    return Outline(r[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]))


def reach(outline: Outline, angle: FloatArray) -> FloatArray:
    """m: from the axis to the outline in directions (rad); the outline is seen from the axis all around."""
    if outline.radius is not None:
        return np.full_like(angle, outline.radius)
    edge = np.vstack([outline.points, outline.points[:1]])
    turn = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
    asked = turn[0] + (np.asarray(angle) - turn[0]) % (2 * np.pi)
    k = np.clip(np.searchsorted(turn, asked, side="right") - 1, 0, len(edge) - 2)
    a, side = edge[k], edge[k + 1] - edge[k]
    out = np.stack([np.cos(asked), np.sin(asked)], axis=-1)
    return np.asarray(
        (a[..., 0] * side[..., 1] - a[..., 1] * side[..., 0])
        / (out[..., 0] * side[..., 1] - out[..., 1] * side[..., 0])
    )
