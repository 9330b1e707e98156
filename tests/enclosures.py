"""Closed bodies in space for tests: whole ones, turned ones, and what moves on their surface."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from evenflare.exterior.layers import add_layers
from evenflare.exterior.panels import PanelMesh, meshed
from evenflare.exterior.patches import Map, MirroredPatches, SmoothPatch, _end, _Outline, _sides
from evenflare.exterior.scattering import Scatterer, scattered
from evenflare.units import ComplexArray, FloatArray, IntArray
from evenflare.waveguide.cabinet import Cabinet, Edge
from evenflare.waveguide.meridian import Piece
from evenflare.waveguide.walls import Arc, Line

Motion = Callable[[FloatArray, FloatArray], ComplexArray]
"""From places (Q, 3), m, and normals (Q, 3) into the air to du/dn (Q, W) there."""


@pytest.fixture(autouse=True, scope="module")
def one_thread() -> Iterator[None]:
    """Linear algebra on one thread, as solvers have it: more only wait for each other where tests share cores."""
    with threadpool_limits(limits=1):
        yield


class Bullet:
    """A cylinder, its front flat with a rounded edge and its back a half sphere: a cabinet whose outline is a circle
    of the size of its corners' radius.
    """

    outline = "points"
    radius, depth, edge = 0.15, 0.3, 0.015
    cabinet = Cabinet(2 * radius, 2 * radius, depth, Edge(radius), Edge(edge))

    def pieces(self, rim: tuple[float, float], depth: float) -> tuple[Piece, ...]:
        """See Body."""
        (z, r), quarter, radius, edge = rim, 0.5 * np.pi, self.radius, self.edge
        return (
            Line(z, r, z, radius - edge),
            Arc(z, radius - edge, quarter, 2 * quarter, edge),
            Line(z - edge, radius, z - self.depth + radius, radius),
            Arc(z - self.depth + radius, radius, 2 * quarter, 3 * quarter, radius),
        )


def layers(k: float, points: FloatArray, own: IntArray, mesh: PanelMesh) -> tuple[ComplexArray, ComplexArray]:
    """Double and single layer (P, N) of points (P, 3) and the mesh as it is; own as in `add_layers`."""
    double, single = np.zeros((2, len(points), mesh.size), dtype=np.complex128)
    add_layers(k, points[None], own, np.ones(1, dtype=np.complex128), mesh, double, single)
    return double, single


def cylinder(radius: float, depth: float, edge_radius: float) -> MirroredPatches:
    """Of a round cabinet, m, both of whose edges are quarter circles: an outline all of whose quarter is corner."""
    outline, edge, half = _Outline(radius, radius, Edge(radius=radius)), Edge(radius=edge_radius), 0.5 * depth
    return MirroredPatches((*_sides(outline, 0.0, half, edge, edge), *_end(outline, edge, half)), (0, 1, 2))


def whole(mesh: PanelMesh) -> PanelMesh:
    """The same body without its mirrors: the images' nodes one image after another, as `Scatterer.images` has them."""
    signs = _signs(mesh)
    return PanelMesh(
        np.concatenate([mesh.shape * s[None, :, None, None] for s in signs]),
        np.concatenate([mesh.side * np.prod(s) for s in signs]),
        np.concatenate([mesh.middle * s for s in signs]),
        np.tile(mesh.reach, len(signs)),
        np.concatenate([mesh.place * s for s in signs]),
        np.concatenate([mesh.normal * s for s in signs]),
        np.tile(mesh.weight, len(signs)),
        (),
    )


def turned(mesh: PanelMesh, matrix: FloatArray) -> PanelMesh:
    """A whole body about the origin, rotated by a matrix (3, 3)."""
    assert not mesh.mirrors
    return PanelMesh(
        np.ascontiguousarray(np.einsum("dc,mcij->mdij", matrix, mesh.shape)),
        mesh.side,
        mesh.middle @ matrix.T,
        mesh.reach,
        np.ascontiguousarray(mesh.place @ matrix.T),
        np.ascontiguousarray(mesh.normal @ matrix.T),
        mesh.weight,
        (),
    )


def _signs(mesh: PanelMesh) -> FloatArray:
    signs = np.ones((1, 3))
    for axis in mesh.mirrors:
        flip = np.ones(3)
        flip[axis] = -1.0
        # The last plane changes fastest.
        signs = np.stack([signs, signs * flip], axis=1).reshape(-1, 3)
    return signs


def added(k: float, body: Scatterer, motion: Motion) -> tuple[ComplexArray, ComplexArray]:
    """q and du/dn, (I N, W) each, at the nodes of all images: `scattered` asks for them by parity."""
    mesh, seen = body.mesh, body.images
    moved = np.stack([motion(mesh.place * s, mesh.normal * s) for s in seen.signs])
    by_parity = scattered(k, body, np.tensordot(seen.patterns / len(seen.signs), moved, axes=1))
    q = np.tensordot(seen.patterns, by_parity, axes=1)
    return q.reshape(-1, moved.shape[-1]), moved.reshape(-1, moved.shape[-1])


def far_of(k: float, mesh: PanelMesh, q: ComplexArray, motion: ComplexArray, direction: FloatArray) -> ComplexArray:
    """(D, W) the limit of p r exp(j k r) of q with dq/dn = -motion, (N, W) each, on a whole body.

    Source: the integral of Helmholtz and Kirchhoff, Pierce, Acoustics (1981), section 4-6 (from memory).
    """
    phase = np.exp(1j * k * direction @ mesh.place.T) * mesh.weight / (4.0 * np.pi)
    return np.asarray((1j * k * phase * (direction @ mesh.normal.T)) @ q + phase @ motion)


def sources(k: float, places: FloatArray) -> tuple[Motion, Motion]:
    """The slope -dG/dn that makes q be G itself, and G, of points (W, 3), m, inside a body: then q is known exactly."""

    def parts(place: FloatArray, normal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        apart = place[:, None, :] - places
        r = np.linalg.norm(apart, axis=-1)
        green = np.exp(-1j * k * r) / (4.0 * np.pi * r)
        return green, (1j * k + 1.0 / r) * green * np.einsum("qwc,qc->qw", apart, normal) / r

    return (lambda place, normal: parts(place, normal)[1]), (lambda place, normal: parts(place, normal)[0])


def plane_wave(k: float, direction: FloatArray) -> tuple[Motion, Motion]:
    """Slope and pressure of unit waves that come from directions (W, 3)."""

    def pressure(place: FloatArray, _: FloatArray) -> ComplexArray:
        return np.exp(1j * k * place @ direction.T)

    def slope(place: FloatArray, normal: FloatArray) -> ComplexArray:
        return np.asarray(1j * k * (normal @ direction.T) * pressure(place, normal))

    return slope, pressure


def directions(count: int) -> FloatArray:
    """(count, 3) unit vectors, evenly over the sphere along a spiral."""
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    azimuth = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - z * z)
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), z], axis=1)


def sphere(radius: float) -> MirroredPatches:
    """An eighth of a sphere, m, as three patches that meet in its middle."""

    def third(turn: int) -> Map:
        def place(u: FloatArray, v: FloatArray) -> FloatArray:
            direction = np.stack([np.ones_like(u), u, v], axis=-1)
            return np.asarray(
                radius * np.roll(direction / np.linalg.norm(direction, axis=-1, keepdims=True), turn, axis=-1)
            )

        return place

    return MirroredPatches(tuple(SmoothPatch(third(turn)) for turn in range(3)), (0, 1, 2))


def capped_sphere(radius: float, half_angle: float, size: float) -> tuple[PanelMesh, FloatArray]:
    """A whole sphere whose panels end where a cap round +z does, and which of its nodes (N,) the cap holds.

    In the plane of azimuth and angle from the axis the cap is a square in a disc; the rest is a band and the same disc.
    """
    bottom = 0.25 * np.pi

    def on_sphere(x: FloatArray, y: FloatArray, flip: float) -> FloatArray:
        angle, azimuth = np.hypot(x, y), np.arctan2(y, x)
        return radius * np.stack(
            [np.sin(angle) * np.cos(azimuth), np.sin(angle) * np.sin(azimuth), flip * np.cos(angle)], axis=-1
        )

    def disc(rim: float, flip: float) -> list[SmoothPatch]:
        side = 0.5 * rim

        def wedge(first: float) -> SmoothPatch:
            def place(u: FloatArray, v: FloatArray) -> FloatArray:
                turn = 0.25 * np.pi * (u + first)
                inner = (side + 0.0 * u, side * u) if first == 0.0 else (side * (1.0 - u), side + 0.0 * u)
                outer = rim * np.cos(turn), rim * np.sin(turn)
                x, y = ((1.0 - v) * i + v * o for i, o in zip(inner, outer, strict=True))
                return on_sphere(x, y, flip)

            return SmoothPatch(place)

        return [SmoothPatch(lambda u, v: on_sphere(side * u, side * v, flip)), wedge(0.0), wedge(1.0)]

    def band(u: FloatArray, v: FloatArray) -> FloatArray:
        angle = half_angle + (np.pi - bottom - half_angle) * v
        return on_sphere(angle * np.cos(0.5 * np.pi * u), angle * np.sin(0.5 * np.pi * u), 1.0)

    cap = meshed(MirroredPatches(tuple(disc(half_angle, 1.0)), (0, 1)), size)
    quarter = meshed(MirroredPatches((*disc(half_angle, 1.0), SmoothPatch(band), *disc(bottom, -1.0)), (0, 1)), size)
    inside = np.arange(quarter.size) < cap.size
    return whole(quarter), np.tile(inside, 4)
