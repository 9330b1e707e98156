"""The surface of a cabinet as smooth patches: the part of it that mirror planes leave, each patch a map of a square.

A box is what a cutter leaves that runs round its outline: the sections behind the front are the outline moved inward
by what the edge's profile takes off. Coordinates have their origin in the box's middle, x right, y up, z forward.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.cabinet import Cabinet, Edge

Map = Callable[[FloatArray, FloatArray], FloatArray]
"""From u and v on [0, 1], arrays of one shape (...), to places (..., 3), m."""


@dataclass(frozen=True)
class SmoothPatch:
    """A smooth piece of surface.

    place  : its map.
    sharp  : which of its sides are sharp edges of the body, toward which cells shrink: u = 0, u = 1, v = 0, v = 1.
    """

    place: Map
    sharp: tuple[bool, bool, bool, bool] = (False, False, False, False)


@dataclass(frozen=True)
class MirroredPatches:
    """Patches, and the mirror planes that make the whole body of them.

    mirrors : axes (0 for x, 1 for y, 2 for z) whose plane through the origin is one.
    """

    patches: tuple[SmoothPatch, ...]
    mirrors: tuple[int, ...]


def box(cabinet: Cabinet) -> MirroredPatches:
    """The part of a rectangular cabinet right of and above its middle; if front and back are alike, in front of it."""
    outline = _Outline(0.5 * cabinet.width, 0.5 * cabinet.height, cabinet.edge)
    half = 0.5 * cabinet.depth
    front = _end(outline, cabinet.front_edge, half)
    if cabinet.front_edge == cabinet.edge:
        return MirroredPatches((*_sides(outline, 0.0, half, cabinet.front_edge, cabinet.edge), *front), (0, 1, 2))
    behind = tuple(_turned(patch) for patch in _end(outline, cabinet.edge, half))
    return MirroredPatches((*_sides(outline, -half, half, cabinet.front_edge, cabinet.edge), *front, *behind), (0, 1))


@dataclass(frozen=True)
class _Outline:
    """The quarter of a rectangle with half-sizes a and b, m, whose corner is rounded or cut off."""

    a: float
    b: float
    corner: Edge

    def cut(self, inset: FloatArray) -> FloatArray:
        """How far the corner reaches along either side, once the outline has moved inward by `inset`, m."""
        if self.corner.chamfer > 0.0:
            return np.asarray(np.maximum(self.corner.chamfer - (2.0 - np.sqrt(2.0)) * inset, 0.0))
        return np.maximum(self.corner.radius - inset, 0.0)

    @property
    def pointed(self) -> float:
        """m, the inset at which the corner has come to a point."""
        return self.corner.chamfer / (2.0 - np.sqrt(2.0)) if self.corner.chamfer > 0.0 else self.corner.radius

    def side(self, u: FloatArray, inset: FloatArray, *, upper: bool) -> FloatArray:
        """(..., 2) along the right side from y = 0 up, or along the upper one from its corner to x = 0."""
        a, b, cut = self.a - inset, self.b - inset, self.cut(inset)
        if upper:
            return np.stack([(1.0 - u) * (a - cut), b], axis=-1)
        return np.stack([a, u * (b - cut)], axis=-1)

    def around(self, u: FloatArray, inset: FloatArray) -> FloatArray:
        """(..., 2) along the corner, from the right side to the upper one."""
        a, b, cut = self.a - inset, self.b - inset, self.cut(inset)
        if self.corner.chamfer > 0.0:
            return np.stack([a - u * cut, b - (1.0 - u) * cut], axis=-1)
        angle = 0.5 * np.pi * u
        return np.stack([a - cut + cut * np.cos(angle), b - cut + cut * np.sin(angle)], axis=-1)


Line = Callable[[FloatArray, FloatArray], FloatArray]


def _lines(outline: _Outline) -> list[tuple[Line, bool, bool]]:
    """The outline's stretches over u and inset, and whether their ends are sharp edges."""

    def right(u: FloatArray, inset: FloatArray) -> FloatArray:
        return outline.side(u, inset, upper=False)

    def upper(u: FloatArray, inset: FloatArray) -> FloatArray:
        return outline.side(u, inset, upper=True)

    sharp = not outline.corner.is_round
    found: list[tuple[Line, bool, bool]] = []
    if outline.b - outline.corner.size > 0.0:
        found.append((right, False, sharp))
    if outline.corner.size > 0.0:
        found.append((outline.around, sharp, sharp))
    if outline.a - outline.corner.size > 0.0:
        found.append((upper, sharp, False))
    return found


def _sides(outline: _Outline, low: float, high: float, front: Edge, back: Edge) -> tuple[SmoothPatch, ...]:
    """The flat and round sides from z = low, or where the back's edge begins if that lies behind the middle."""
    top = high - front.size
    bottom = low if low == 0.0 else low + back.size

    def patch(line: Line, start: bool, end: bool) -> SmoothPatch:
        def place(u: FloatArray, v: FloatArray) -> FloatArray:
            flat = line(u, np.zeros_like(u))
            return np.concatenate([flat, (bottom + (top - bottom) * v)[..., None]], axis=-1)

        return SmoothPatch(place, (start, end, low != 0.0 and not back.is_round, not front.is_round))

    return tuple(patch(*each) for each in _lines(outline)) if top > bottom else ()


def shell(cabinet: Cabinet) -> tuple[SmoothPatch, ...]:
    """The quarter right of and above the middle of a cabinet, without its flat front."""
    outline, half = _Outline(0.5 * cabinet.width, 0.5 * cabinet.height, cabinet.edge), 0.5 * cabinet.depth
    behind = tuple(_turned(patch) for patch in _end(outline, cabinet.edge, half))
    sides = _sides(outline, -half, half, cabinet.front_edge, cabinet.edge)
    return (*sides, *_edge(outline, cabinet.front_edge, half), *behind)


def outline_lines(cabinet: Cabinet, aside: FloatArray) -> list[tuple[Callable[[FloatArray], FloatArray], bool]]:
    """The outline of the flat front's quarter right of and above a place `aside` (2,), m, of its middle: stretches over
    u from beside the place to above it, from the place on, and whether they are sharp edges.

    Errors: ValueError if the place lies beside or above a corner.
    """
    outline = _Outline(0.5 * cabinet.width, 0.5 * cabinet.height, cabinet.edge)
    inset, sharp = np.array(cabinet.front_edge.size), not cabinet.front_edge.is_round
    cut = float(outline.cut(inset))
    a, b = outline.a - float(inset), outline.b - float(inset)
    if max(aside[0] - (a - cut), aside[1] - (b - cut)) > 0.0:
        raise ValueError("the mouth's centre lies beside a corner of the front: boundary elements have no mesh for it")

    def right(u: FloatArray) -> FloatArray:
        return np.stack([a - aside[0] + 0.0 * u, u * (b - cut - aside[1])], axis=-1)

    def around(u: FloatArray) -> FloatArray:
        return outline.around(u, np.broadcast_to(inset, u.shape)) - aside

    def upper(u: FloatArray) -> FloatArray:
        return np.stack([(1.0 - u) * (a - cut - aside[0]), b - aside[1] + 0.0 * u], axis=-1)

    lines = [(right, b - cut > aside[1]), (around, cut > 0.0), (upper, a - cut > aside[0])]
    return [(line, sharp) for line, is_there in lines if is_there]


def _end(outline: _Outline, edge: Edge, half: float) -> tuple[SmoothPatch, ...]:
    """The front's edge and its flat face at z = half."""
    return (*_edge(outline, edge, half), *_face(outline, edge, half))


def _edge(outline: _Outline, edge: Edge, half: float) -> tuple[SmoothPatch, ...]:
    found: list[SmoothPatch] = []
    if edge.size > 0.0:
        # A small corner comes to a point before the front's edge ends.
        stops = [0.0, 1.0]
        if 0.0 < outline.pointed < edge.size:
            share = outline.pointed / edge.size
            stops.insert(1, share if edge.chamfer > 0.0 else float(np.arccos(1.0 - share) / (0.5 * np.pi)))
        for near, far in itertools.pairwise(stops):
            for line, start, end in _lines(outline):
                if line != outline.around or near == 0.0:
                    found.append(_rounded(line, edge, half, near, far, (start or near > 0.0, end or near > 0.0)))
    return tuple(found)


def _rounded(line: Line, edge: Edge, half: float, near: float, far: float, sharp: tuple[bool, bool]) -> SmoothPatch:
    def place(u: FloatArray, v: FloatArray) -> FloatArray:
        t = near + (far - near) * v
        if edge.chamfer > 0.0:
            inset, z = edge.chamfer * t, half - edge.chamfer * (1.0 - t)
        else:
            inset = edge.radius * (1.0 - np.cos(0.5 * np.pi * t))
            z = half - edge.radius * (1.0 - np.sin(0.5 * np.pi * t))
        return np.concatenate([line(u, inset), z[..., None]], axis=-1)

    return SmoothPatch(place, (*sharp, edge.chamfer > 0.0, edge.chamfer > 0.0))


def _face(outline: _Outline, edge: Edge, half: float) -> tuple[SmoothPatch, ...]:
    """Flat, inside the outline moved inward by the edge: a cross of two rectangles and what the corner leaves."""
    inset = edge.size
    a, b, cut = outline.a - inset, outline.b - inset, float(outline.cut(np.array(inset)))
    sharp = not edge.is_round

    def flat(x0: float, x1: float, y1: float, sides: tuple[bool, bool, bool, bool]) -> SmoothPatch:
        def place(u: FloatArray, v: FloatArray) -> FloatArray:
            return np.stack([x0 + (x1 - x0) * u, y1 * v, np.full_like(u, half)], axis=-1)

        return SmoothPatch(place, sides)

    def corner(u: FloatArray, v: FloatArray) -> FloatArray:
        middle = np.array([a - cut, b - cut])
        rim = outline.around(u, np.full_like(u, inset))
        return np.concatenate([middle + v[..., None] * (rim - middle), np.full_like(u, half)[..., None]], axis=-1)

    found = []
    if a - cut > 0.0:
        found.append(flat(0.0, a - cut, b, (False, sharp and cut == 0.0, False, sharp)))
    if cut > 0.0:
        if b - cut > 0.0:
            found.append(flat(a - cut, a, b - cut, (False, sharp, False, False)))
        found.append(SmoothPatch(corner, (False, False, False, sharp)))
    return tuple(found)


def _turned(patch: SmoothPatch) -> SmoothPatch:
    """The same behind the middle."""

    def place(u: FloatArray, v: FloatArray) -> FloatArray:
        return np.asarray(patch.place(u, v) * np.array([1.0, 1.0, -1.0]))

    return SmoothPatch(place, patch.sharp)
