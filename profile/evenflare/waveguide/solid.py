"""A cabinet of any shape: a closed body of flat facets, with a waveguide's mouth flush in a flat front."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from scipy.spatial import cKDTree

from evenflare.units import DEGREE, MILLIMETRE, FloatArray, IntArray, read_only
from evenflare.waveguide.cabinet import SEAT, TOUCH, Cabinet, at_least, place_words
from evenflare.waveguide.facets import facets_of, volume
from evenflare.waveguide.outlines import FlatOutline, mirrors_of, outlines_of

SIZES = (40 * MILLIMETRE, 5000 * MILLIMETRE)
"""m, from side to side, as of a box: what is far from it is in another unit, as a rule."""
FORWARD = 30 * DEGREE
"""rad from +z within which a flat face is looked at as a front, and
LEVEL within which it is one."""
LEVEL = 0.05 * DEGREE
MOST_FACES = 8000
"""Flat faces: more are never few enough panels to be solved."""
SMALLEST_FRONT = 40 * MILLIMETRE
"""m, of the front's width and height: less is a facet of a curve."""


@dataclass(frozen=True, eq=False)
class ClosedSolid:
    """A closed body of flat faces about the middle of its bounding box: x right, y up, z forward. Made by `solid_of`.

    triangles : (T, 3, 3) m, as they were given, and
    digest    : what tells their contents from any other.
    vertices, faces : (V, 3) m, and (F, 3) corners, joined and turned with the outside out.
    outlines  : of its flat faces, each in one plane to rounding.
    front     : which of them is the front, in one plane z to the last bit.
    """

    digest: str
    triangles: FloatArray = field(repr=False)
    vertices: FloatArray = field(repr=False)
    faces: IntArray = field(repr=False)
    outlines: tuple[FlatOutline, ...] = field(repr=False)
    front: int

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ClosedSolid) and self.digest == other.digest

    def __hash__(self) -> int:
        return hash(self.digest)

    @cached_property
    def size(self) -> FloatArray:
        """(3,) m, of its bounding box."""
        return np.asarray(np.ptp(self.vertices, axis=0))

    @cached_property
    def mirrors(self) -> tuple[int, ...]:
        """Axes about whose plane through its middle it is symmetric."""
        return mirrors_of(self.vertices, self.outlines)

    @cached_property
    def flat(self) -> FloatArray:
        """(S, 2, 2) m, of the front's outline in x and y."""
        return self.outlines[self.front].ends[:, :, :2]

    @cached_property
    def middle(self) -> FloatArray:
        """(3,) m, of the front: of the rectangle about it."""
        corners = self.flat.reshape(-1, 2)
        return np.append(0.5 * (corners.min(axis=0) + corners.max(axis=0)), self.outlines[self.front].ends[0, 0, 2])


def digest_of(triangles: FloatArray) -> str:
    """What tells triangles (T, 3, 3), m, from others: their corners in mm and single precision, as STL has them."""
    held = np.ascontiguousarray(triangles / MILLIMETRE, dtype="<f4")
    return hashlib.sha256(held.tobytes()).hexdigest()


def solid_of(triangles: FloatArray) -> ClosedSolid:
    """The body within triangles (T, 3, 3), m, in any order and turned any way.

    ValueError, which says what was found, unless they bound one body of a cabinet's size with a flat front toward +z.
    """
    size = np.ptp(triangles.reshape(-1, 3), axis=0) if len(triangles) else np.zeros(3)
    if not (size.min() >= SIZES[0] and size.max() <= SIZES[1]):
        raise ValueError(
            f"is {_sizes(size)} mm (x, y, z): must be from {SIZES[0] / MILLIMETRE:g} to {SIZES[1] / MILLIMETRE:g} along"
            f" each. An STL file has no unit and counts as mm{_unit_words(size)}"
        )
    low, high = triangles.reshape(-1, 3).min(axis=0), triangles.reshape(-1, 3).max(axis=0)
    facets = facets_of(triangles - 0.5 * (low + high))
    if len(facets.normal) > MOST_FACES:
        raise ValueError(
            f"has {len(facets.normal)} flat faces: must have {MOST_FACES} at most. Export it with a larger tolerance,"
            " so that its curves are fewer facets"
        )
    outlines = list(outlines_of(facets))
    front = _front(outlines, facets.area)
    outlines[front] = replace(outlines[front], normal=read_only([0.0, 0.0, 1.0])).level
    return ClosedSolid(
        digest_of(triangles),
        read_only(triangles),
        read_only(facets.vertices),
        read_only(facets.faces, np.int64),
        tuple(each.level for each in outlines),
        front,
    )


def _front(outlines: list[FlatOutline], area: FloatArray) -> int:
    """Which flat face is the front: the largest that faces forward. ValueError where it is none."""
    tilt = np.array([np.arctan2(np.hypot(*each.normal[:2]), each.normal[2]) for each in outlines])
    forward = np.flatnonzero(tilt < FORWARD)
    convention = "The front must face +z, y up. Turn the body, or give it a flat front"
    if not forward.size:
        raise ValueError(f"has no front: no flat face looks toward +z. {convention}")
    front = int(forward[area[forward].argmax()])
    wide = np.ptp(outlines[front].ends.reshape(-1, 3), axis=0)[:2]
    if wide.min() < SMALLEST_FRONT:
        raise ValueError(
            f"has no flat front: the largest flat face toward +z is {_sizes(wide)} mm, and a front is"
            f" {SMALLEST_FRONT / MILLIMETRE:g} at least along x and y. {convention}"
        )
    if tilt[front] > LEVEL:
        raise ValueError(
            f"has a tilted front: the largest flat face toward +z, {_sizes(wide)} mm, is {tilt[front] / DEGREE:.3g}"
            f" degrees off it. {convention}"
        )
    return front


def _sizes(size: FloatArray) -> str:
    return " x ".join(f"{each / MILLIMETRE:.4g}" for each in size.tolist())


def _unit_words(size: FloatArray) -> str:
    for name, factor in (("metres", 1e3), ("inches", 25.4), ("centimetres", 10.0), ("micrometres", 1e-3)):
        if size.min() * factor >= SIZES[0] and size.max() * factor <= SIZES[1]:
            return f": is it in {name}? Then scale it by {factor:g}"
    return ". Scale it"


@dataclass(frozen=True)
class SolidCabinet:
    """A closed rigid body with a flat front; what a box has as a cabinet, this has too.

    x, y : m, of the mouth's centre from the front's middle, that of the rectangle about it, right and up.
    """

    solid: ClosedSolid
    x: float = 0.0
    y: float = 0.0

    @property
    def width(self) -> float:
        """m, from side to side, and"""
        return float(self.solid.size[0])

    @property
    def height(self) -> float:
        """from top to bottom, and"""
        return float(self.solid.size[1])

    @property
    def depth(self) -> float:
        """from the foremost to the hindmost."""
        return float(self.solid.size[2])

    @property
    def key(self) -> dict[str, Any]:
        """What tells it from others, as JSON can hold it."""
        return {"solid": self.solid.digest, "x": self.x, "y": self.y}

    @property
    def centre(self) -> FloatArray:
        """(3,) m, the mouth's, from the middle."""
        return np.asarray(self.solid.middle + np.array([self.x, self.y, 0.0]))

    @property
    def reach(self) -> float:
        """m, of the ball about the middle that holds it."""
        return float(np.linalg.norm(self.solid.vertices, axis=1).max())

    @property
    def widest(self) -> float:
        """m, from the mouth's axis to the farthest place."""
        return float(np.linalg.norm((self.solid.vertices - self.centre)[:, :2], axis=1).max())

    @property
    def volume(self) -> float:
        """m3."""
        return volume(self.solid.vertices, self.solid.faces)

    @property
    def symmetry(self) -> Literal["two_planes", "left_right", "none"]:
        """Of the sound of a waveguide that is symmetric about both planes itself."""
        alike = [axis in self.solid.mirrors and abs(self.centre[axis]) < TOUCH for axis in (0, 1)]
        return ("two_planes" if alike[1] else "left_right") if alike[0] else "none"

    @cached_property
    def nearest_edge(self) -> float:
        """m, from the mouth's centre to where the flat front ends; 0 for a mouth beside it."""
        return float(away(self.solid.flat, self.centre[:2])) if inside(self.solid.flat, self.centre[:2]) else 0.0

    @cached_property
    def flat(self) -> tuple[float, float]:
        """m, from the mouth's centre to the front's end left or right, and above or below, whichever is nearer."""
        if self.nearest_edge == 0.0:
            return 0.0, 0.0
        first, second = (_straight_out(self.solid.flat - self.centre[:2], axis) for axis in (0, 1))
        return first, second

    @property
    def words(self) -> str:
        """Its sizes, and where the mouth sits."""
        sides = {0: "left and right", 1: "above and below", 2: "in front and behind"}
        alike = ", alike " + ", ".join(sides[axis] for axis in self.solid.mirrors) if self.solid.mirrors else ""
        return (
            f"a cabinet of {_sizes(self.solid.size)} mm (width, height, depth), {len(self.solid.outlines)} flat"
            f" faces{alike}, the mouth {place_words(self.x, self.y)}"
        )

    def check(self, half_width: float, half_height: float, depth: float, *, is_round: bool) -> None:
        """ValueError, which names the key of the design file, unless a mouth of these half-sizes and a waveguide of
        this depth, m, fit in. An oblong mouth counts as the rectangle about it.
        """
        where = f"waveguide_x_mm = {self.x / MILLIMETRE:g}, waveguide_y_mm = {self.y / MILLIMETRE:g}"
        if self.nearest_edge == 0.0:
            raise ValueError(
                f"[mounting] {where}: is not on the flat front, which reaches {self._front_words}. Move the mouth onto"
                " it; an opening in it must be closed"
            )
        half = np.array([half_width, half_height])
        share = self.nearest_edge / half_width if is_round else _largest(self.solid.flat - self.centre[:2], half)
        if share < 1.0 - TOUCH / half.min():
            largest = np.floor(20.0 * share * half / MILLIMETRE) / 10.0
            size = f"{largest[0]:g} mm across" if is_round else f"{largest[0]:g} mm wide and {largest[1]:g} high"
            raise ValueError(
                f"[mounting] {where}: a mouth {'' if is_round else 'in a rectangle '}of"
                f" {' x '.join(f'{each / MILLIMETRE:.4g}' for each in 2 * half[: 1 if is_round else 2])} mm does not"
                f" fit on the flat front there, which holds {size}. Make it smaller, or move it to where the front is"
                " wider"
            )
        room = self.thickness
        if room < depth + SEAT - TOUCH:
            raise ValueError(
                f"[mounting] solid_stl: is {room / MILLIMETRE:.4g} mm deep behind the mouth's centre: must be at least"
                f" {at_least(depth + SEAT)}, the waveguide's {depth / MILLIMETRE:.4g} and {SEAT / MILLIMETRE:g} for the"
                " driver's seat. Make the waveguide shallower, or move the mouth"
            )

    @property
    def _front_words(self) -> str:
        places = (self.solid.flat.reshape(-1, 2) - self.solid.middle[:2]) / MILLIMETRE
        low, high = places.min(axis=0), places.max(axis=0)
        return f"from {low[0]:.4g} to {high[0]:.4g} mm along x and from {low[1]:.4g} to {high[1]:.4g} along y"

    @cached_property
    def thickness(self) -> float:
        """m, of the body behind the mouth's centre."""
        triangles = self.solid.vertices[self.solid.faces]
        start = self.centre
        a, b, c = (triangles[:, i, :2] - start[:2] for i in range(3))
        parts = np.stack([_cross(b, c), _cross(c, a), _cross(a, b)], axis=1)
        total = parts.sum(axis=1)
        # Those that look back, met from inside; a line that meets a side is met by a neighbour's too.
        hit = (total < -1e-15) & (parts <= 1e-15).all(axis=1)
        share = parts[hit] / total[hit, None]
        z = np.sum(share * triangles[hit, :, 2], axis=1)
        behind = start[2] - z[z < start[2] - TOUCH]
        return float(behind.min()) if behind.size else 0.0

    @cached_property
    def section(self) -> FloatArray:
        """(N, 2) m, its outline in the vertical plane through the mouth's centre: z from the front, y from the mouth's
        centre, from above it round the back to below it.
        """
        return _section(self.solid.vertices[self.solid.faces] - self.centre)


def inside(outline: FloatArray, place: FloatArray) -> bool:
    """Whether a place (2,) lies within sides (S, 2, 2): a line from it crosses an odd number of them."""
    (x0, y0), (x1, y1) = np.moveaxis(outline - place, 0, -1)
    crosses = (y0 > 0.0) != (y1 > 0.0)
    rise = np.where(crosses, y1 - y0, 1.0)
    return bool(np.count_nonzero(crosses & (x0 - y0 * (x1 - x0) / rise > 0.0)) % 2)


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def away(outline: FloatArray, place: FloatArray) -> float:
    """m, from a place (2,) to the nearest of sides (S, 2, 2)."""
    start, along = outline[:, 0] - place, outline[:, 1] - outline[:, 0]
    share = np.clip(-np.sum(start * along, axis=1) / np.sum(along * along, axis=1), 0.0, 1.0)
    return float(np.linalg.norm(start + share[:, None] * along, axis=1).min())


def _straight_out(outline: FloatArray, axis: int) -> float:
    """m, from the origin along an axis, either way, to sides (S, 2, 2) round it."""
    along, across = outline[:, :, axis], outline[:, :, 1 - axis]
    meets = (across[:, 0] > 0.0) != (across[:, 1] > 0.0)
    low, high = across[meets].T
    share = low / (low - high)
    return float(np.abs(along[meets, 0] * (1.0 - share) + along[meets, 1] * share).min())


def _largest(outline: FloatArray, half: FloatArray) -> float:
    """By how much a rectangle about the origin with these half-sizes (2,) may grow until it meets sides (S, 2, 2)."""
    # In units of the half-sizes it is a square, and the nearest point of each side, by the larger coordinate, counts.
    ends = outline / half
    start, along = ends[:, 0], ends[:, 1] - ends[:, 0]
    shares: list[FloatArray] = [np.zeros(len(ends)), np.ones(len(ends))]
    for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0]), np.array([1.0, -1.0]), np.array([1.0, 1.0])):
        slope = along @ way
        shares.append(np.clip(-(start @ way) / np.where(slope == 0.0, np.inf, slope), 0.0, 1.0))
    points = start[None] + np.array(shares)[:, :, None] * along[None]
    return float(np.abs(points).max(axis=2).min())


def _section(triangles: FloatArray) -> FloatArray:
    """Of triangles (T, 3, 3) about the mouth's centre: as SolidCabinet.section."""
    # A plane through corners would meet triangles in points: it stands a hair aside.
    x = triangles[:, :, 0] - 1e-7
    lines = []
    for corner, low in zip(triangles[met := (x > 0.0).any(axis=1) & (x < 0.0).any(axis=1)], x[met], strict=True):
        lone = int(np.flatnonzero((low > 0.0) == ((low > 0.0).sum() == 1))[0])
        pair = [
            corner[lone] + low[lone] / (low[lone] - low[each]) * (corner[each] - corner[lone])
            for each in ((lone + 1) % 3, (lone + 2) % 3)
        ]
        # With the body to one side all along: whether the lone corner lies right or left tells the way.
        lines.append(pair if low[lone] > 0.0 else pair[::-1])
    segments = np.array(lines)[:, :, 1:]
    ends = segments.reshape(-1, 2, 2)
    at_front = (np.abs(ends[:, :, 1]) < 1e-6).all(axis=1) & (ends[:, 0, 0] * ends[:, 1, 0] <= 0.0)
    if not at_front.any():
        raise ValueError("the mouth's centre is not on the front")
    first = int(np.flatnonzero(at_front)[0])
    if ends[first, 1, 0] < ends[first, 0, 0]:
        ends = ends[:, ::-1]
    tree, at = cKDTree(ends[:, 0]), first
    path: list[FloatArray] = []
    while (not path or at != first) and len(path) <= len(ends):
        path.append(ends[at, 1])
        at = int(tree.query(ends[at, 1])[1])
    way = np.array(path)
    level = np.abs(way[:, 1]) < 1e-6
    # What lies on the front itself, up to its last corner above and from its first below, says nothing.
    above, below = int(np.argmin(level)) - 1, len(way) - int(np.argmin(level[::-1]))
    return np.asarray(way[max(above, 0) : below + 1, ::-1])


AnyCabinet = Cabinet | SolidCabinet
