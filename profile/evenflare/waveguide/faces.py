"""The flat faces of a cabinet: where one lies, which way it looks, and what fits on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, FloatArray, read_only
from evenflare.waveguide.cabinet import Cabinet
from evenflare.waveguide.solid import AnyCabinet, SolidCabinet, away, inside

Side = Literal["front", "back", "left", "right", "top", "bottom"]
Way = tuple[float, float, float]
SIDES: dict[Side, FloatArray] = {
    "front": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])),
    "back": read_only(np.array([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, -1.0]])),
    "left": read_only(np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])),
    "right": read_only(np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])),
    "top": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])),
    "bottom": read_only(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])),
}
"""What lies to the right, above, and ahead of a face for one who looks at it, in the cabinet's axes: x right, y up, z
forward, as one sees it who looks at the front. A turn each, from the cabinet's axes to the face's."""
TOWARD = 30 * DEGREE
"""rad from a direction within which a flat face looks that way."""
NEAR = 1 * MILLIMETRE
"""How far beside a face a place may be given that lies on it."""
IN_PLANE = 1e-4
"""m; corners nearer to the plane of a face lie in it."""


@dataclass(frozen=True, eq=False)
class FlatFace:
    """One flat face of a cabinet.

    turn    : (3, 3) what lies to its right, above it and ahead of it, as in SIDES.
    middle  : (3,) m, of the rectangle about it, or of a box's side, from the cabinet's middle.
    outline : (S, 2, 2) m, of what is flat, to the right and up from the middle.
    """

    turn: FloatArray
    middle: FloatArray
    outline: FloatArray

    @property
    def size(self) -> FloatArray:
        """(2,) m, of the rectangle about its outline."""
        return np.asarray(np.ptp(self.outline.reshape(-1, 2), axis=0))

    def place(self, x: float, y: float) -> FloatArray:
        """(3,) m, from the cabinet's middle, of what lies right and up of the face's middle, m."""
        return np.asarray(self.middle + x * self.turn[0] + y * self.turn[1])

    def seen(self, place: FloatArray) -> FloatArray:
        """(3,) m, right, up and ahead of the face's middle, of a place (3,), m, from the cabinet's middle."""
        return np.asarray(self.turn @ (place - self.middle))

    def room(self, x: float, y: float) -> float:
        """m, from a place on it, right and up of its middle, to where it ends; 0 beside it."""
        at = np.array([x, y])
        return away(self.outline, at) if inside(self.outline, at) else 0.0


def side_of(face: Side | Way) -> Side:
    """The side that a direction is nearest to."""
    if isinstance(face, str):
        return face
    return max(SIDES, key=lambda each: float(SIDES[each][2] @ np.array(face)))


def looking(cabinet: AnyCabinet, face: Side | Way) -> tuple[FlatFace, ...]:
    """The flat faces that look toward a side or along a direction (x right, y up, z forward), within TOWARD, from the
    largest.

    Errors: ValueError, which says where the nearest flat face looks, if there is none.
    """
    return _looking(cabinet, face if isinstance(face, str) else tuple(face))


@lru_cache(maxsize=64)
def _looking(cabinet: AnyCabinet, face: Side | Way) -> tuple[FlatFace, ...]:
    side = side_of(face)
    toward = SIDES[side][2] if isinstance(face, str) else np.array(face) / np.linalg.norm(face)
    if isinstance(cabinet, Cabinet):
        normals, areas = np.stack([each[2] for each in SIDES.values()]), np.ones(len(SIDES))
    else:
        normals = np.stack([each.normal for each in cabinet.solid.outlines])
        areas = np.array([each.area for each in cabinet.solid.outlines])
    off = np.arccos(np.clip(normals @ toward, -1.0, 1.0))
    mine = np.flatnonzero(off < TOWARD)
    if not mine.size:
        near = normals[int(off.argmin())]
        raise ValueError(
            f"no flat face looks within {TOWARD / DEGREE:g} degrees of {_words(toward)} (right, up, forward); the"
            f" nearest looks toward {_words(near)}. Name another direction"
        )
    order = mine[np.argsort(-areas[mine], kind="stable")]
    if isinstance(cabinet, Cabinet):
        return tuple(_side(cabinet, list(SIDES)[int(which)]) for which in order)
    return tuple(_facet(cabinet, int(which), side) for which in order)


def found(cabinet: AnyCabinet, face: Side | Way, place: FloatArray) -> tuple[int, float, float]:
    """Which of the faces `looking` that way a place (3,), m, from the cabinet's middle, lies on, and where on it: m,
    right and up of its middle.

    Errors: ValueError, as that of `looking`; or which says where the nearest of them is, if it lies on none.
    """
    faces = looking(cabinet, face)
    apart = []
    for each in faces:
        at = each.seen(place)
        beside = 0.0 if inside(each.outline, at[:2]) else away(each.outline, at[:2])
        apart.append(float(np.hypot(beside, at[2])))
    which = int(np.argmin(apart))
    at, near = faces[which].seen(place), faces[which]
    if apart[which] > NEAR:
        foot = near.place(float(at[0]), float(at[1])) if inside(near.outline, at[:2]) else near.middle
        origin = front_middle(cabinet)
        raise ValueError(
            f"is on no flat face that looks that way: the nearest is {apart[which] / MILLIMETRE:.4g} mm from there, and"
            f" {_place_words(foot - origin)} lies on it. Correct the place"
        )
    return which, float(at[0]), float(at[1])


def front_middle(cabinet: AnyCabinet) -> FloatArray:
    """(3,) m, of the front's middle, from the cabinet's: what places on a cabinet count from."""
    return np.asarray(cabinet.centre - np.array([cabinet.x, cabinet.y, 0.0]))


def clearance(cabinet: SolidCabinet, place: FloatArray, ahead: FloatArray) -> float:
    """m, from a place (3,) in a face that looks `ahead` to the nearest of the surface beyond that face's plane."""
    triangles = cabinet.solid.vertices[cabinet.solid.faces]
    beyond = triangles[(np.abs((triangles - place) @ ahead) > IN_PLANE).any(axis=1)]
    return _to_triangles(beyond - place)


def _to_triangles(corners: FloatArray) -> float:
    """m, from the origin to the nearest of triangles (T, 3, 3)."""
    a, b, c = (corners[:, i] for i in range(3))
    across = np.cross(b - a, c - a)
    squared = np.sum(across * across, axis=1)
    # Barycentric coordinates of the origin's foot on each plane.
    foot = np.sum(a * across, axis=1)[:, None] * across / squared[:, None]
    shares = [np.sum(np.cross(q - p, foot - p) * across, axis=1) for p, q in ((a, b), (b, c), (c, a))]
    over = np.all(np.array(shares) >= 0.0, axis=0)
    distance = np.where(over, np.linalg.norm(foot, axis=1), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        along = q - p
        share = np.clip(-np.sum(p * along, axis=1) / np.sum(along * along, axis=1), 0.0, 1.0)
        distance = np.minimum(distance, np.linalg.norm(p + share[:, None] * along, axis=1))
    return float(distance.min())


def _side(cabinet: Cabinet, side: Side) -> FlatFace:
    """Of a box: its flat ends where the edges begin, which those of the front may do elsewhere than the others."""
    turn = SIDES[side]
    half = 0.5 * np.array([cabinet.width, cabinet.height, cabinet.depth])
    ends = []
    for way in turn[:2]:
        for sign in (-1.0, 1.0):
            meets_front = side == "front" or sign * way[2] > 0.0
            inset = (cabinet.front_edge if meets_front else cabinet.edge).size
            ends.append(sign * (float(np.abs(way) @ half) - inset))
    left, right, low, high = ends
    corners = np.array([[left, low], [right, low], [right, high], [left, high]])
    return FlatFace(turn, turn[2] * half, np.stack([corners, np.roll(corners, -1, axis=0)], axis=1))


def _facet(cabinet: SolidCabinet, which: int, side: Side) -> FlatFace:
    """Of a solid: its right and up are those of the side that it is taken for, as far as it lets them."""
    outline = cabinet.solid.outlines[which]
    ahead = outline.normal
    right = SIDES[side][0] - (SIDES[side][0] @ ahead) * ahead
    right /= np.linalg.norm(right)
    turn = np.stack([right, np.cross(ahead, right), ahead])
    flat = outline.ends @ turn.T
    corners = flat.reshape(-1, 3)
    middle = 0.5 * (corners.min(axis=0) + corners.max(axis=0))
    return FlatFace(turn, middle @ turn, (flat - middle)[:, :, :2])


def _words(way: FloatArray) -> str:
    return "[" + ", ".join(f"{each:.2g}" for each in (way + 0.0).round(3).tolist()) + "]"


def _place_words(place: Sequence[float] | FloatArray) -> str:
    return "[" + ", ".join(f"{each / MILLIMETRE:.4g}" for each in (np.asarray(place) + 0.0).round(6)) + "]"
