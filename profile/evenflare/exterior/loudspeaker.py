"""A waveguide, the front around its mouth and its cabinet as one closed body whose throat moves; or its free-standing
body instead of front and cabinet.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.exterior.holed import holed, ring
from evenflare.exterior.panels import ORDER, PanelMesh, meshed
from evenflare.exterior.patches import MirroredPatches, SmoothPatch, outline_lines, shell
from evenflare.exterior.solids import flat_mesh, room_below
from evenflare.exterior.standing import around, film
from evenflare.exterior.throats import throat_of
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import AnyCabinet, Cabinet, SolidCabinet, Waveguide
from evenflare.waveguide.cabinet import TOUCH
from evenflare.waveguide.oblong_body import OblongBody
from evenflare.waveguide.surface import Surface

STEEP = 0.47 * np.pi
"""rad; a wall that ends steeper runs into the front without an edge, its radius as a root of what is left in depth."""
SHALLOW, DEEP, STEPS = 2e-4, 0.2, 60
"""m, at which depths below the surface it is looked whether there is solid still, and at how many."""
NODES = ORDER * ORDER


@dataclass(frozen=True)
class Loudspeaker:
    """The body, about the cabinet's middle, or a point on the axis within what stands free.

    moving : (N,) m/s at the nodes, into the air: 1 m/s over the driver's exit area in sum, 0 outside the throat.
    room   : (N,) m, how far the solid reaches below each node.
    throat : (3,) m, its centre.
    """

    mesh: PanelMesh
    moving: FloatArray
    room: FloatArray
    throat: FloatArray

    @property
    def images(self) -> int:
        """How many of the mesh make the whole body."""
        return 1 << len(self.mesh.mirrors)


def loudspeaker(waveguide: Waveguide, size: float, *, wall: float) -> Loudspeaker:
    """Cells of about `size`, m, and of `wall` at most on wall and throat. The waveguide's mounting is a cabinet, or it
    is oblong and stands free.

    Errors: ValueError if the mouth, or the body, does not fit, or as `holed`.
    """
    mesh, disc, throat = panels(waveguide, size, wall=wall)
    driver, surface = waveguide.driver, waveguide.surface
    moving = np.zeros(mesh.size)
    moving[: disc.size] = throat_of(surface, driver).moving((disc.place - throat)[:, :2])
    moving *= driver.exit_area / (2 ** len(mesh.mirrors) * np.sum(mesh.weight * moving))
    return Loudspeaker(mesh, moving, _room(mesh, waveguide, throat), throat)


def panels(waveguide: Waveguide, size: float, *, wall: float) -> tuple[PanelMesh, PanelMesh, FloatArray]:
    """The whole mesh of `loudspeaker`, which begins with the throat's disc; that disc; and its middle (3,), m."""
    if (body := waveguide.oblong_body) is not None:
        return _standing(waveguide, body, size, wall=wall)
    cabinet, surface = waveguide.mounting.cabinet, waveguide.surface
    assert cabinet is not None  # nothing else is asked for
    mirrors, mouth = _mirrors(cabinet), cabinet.centre
    throat = mouth - np.array([0.0, 0.0, surface.depth])
    fine = min(size, wall)

    def cut(patches: Sequence[SmoothPatch], cells: float, facing: FloatArray | None = None) -> PanelMesh:
        return _facing(meshed(MirroredPatches(tuple(patches), mirrors), cells), facing)

    driver = waveguide.driver
    disc = cut(throat_of(surface, driver).patches, fine, np.array([0.0, 0.0, 1.0]))
    walls = cut(_wall(surface), fine, np.zeros(3))
    inner = [_moved(_all_round(each, mirrors), throat) for each in (disc, walls)]
    sharp = _sharp(surface)

    def front(signs: Sequence[float]) -> PanelMesh:
        if isinstance(cabinet, Cabinet):
            patches = _front(cabinet, surface, signs)
        else:
            patches = ring(cabinet, surface, sharp=sharp)
        return _moved(_reflected(cut(patches, size, np.array([0.0, 0.0, 1.0])), signs), mouth)

    fronts = [
        front(signs) for signs in itertools.product(*((1.0,) if axis in mirrors else (1.0, -1.0) for axis in (0, 1)))
    ]
    if isinstance(cabinet, Cabinet):
        outer = _all_round(cut(shell(cabinet), size), mirrors)
    else:
        outer = flat_mesh(holed(cabinet, surface, mirrors), mirrors, size)
    return _joined([*inner, *fronts, outer]), inner[0], throat


def _mirrors(cabinet: AnyCabinet) -> tuple[int, ...]:
    """Axes about whose plane both cabinet and mouth are symmetric."""
    alike = (0, 1) if isinstance(cabinet, Cabinet) else cabinet.solid.mirrors
    return tuple(axis for axis in (0, 1) if axis in alike and abs(cabinet.centre[axis]) < TOUCH)


def _standing(
    waveguide: Waveguide, body: OblongBody, size: float, *, wall: float
) -> tuple[PanelMesh, PanelMesh, FloatArray]:
    """As panels, of what stands free."""
    surface, driver, mirrors = waveguide.surface, waveguide.driver, (0, 1)
    fine, middle = min(size, wall), np.array([0.0, 0.0, 0.5 * (surface.depth + body.back)])
    disc = meshed(MirroredPatches(throat_of(surface, driver).patches, mirrors), fine)
    walls = meshed(MirroredPatches(tuple(_wall(surface)), mirrors), fine)
    outer = meshed(MirroredPatches(film(body, middle, sharp_rim=_sharp(surface)), mirrors), size)
    inner = _moved(_facing(disc, np.array([0.0, 0.0, 1.0])), -middle)
    return _joined([inner, _moved(_facing(walls, np.zeros(3)), -middle), outer]), inner, -middle


def _wall(surface: Surface) -> list[SmoothPatch]:
    """The quarter of the wall from the throat's plane z = 0 to the mouth's, a patch for each smooth stretch and part of
    the mouth's rim.
    """
    ends_sharp = _sharp(surface)

    def stretch(which: int, low: float, high: float, psi: Callable[[FloatArray], FloatArray]) -> SmoothPatch:
        last = high == surface.cuts[-1]

        def place(u: FloatArray, v: FloatArray) -> FloatArray:
            u, v = np.broadcast_arrays(u, v)
            way = v if ends_sharp or not last else 1.0 - (1.0 - v) ** 2
            return _on_wall(surface, low + (high - low) * way, psi(u), which)

        return SmoothPatch(place, (False, False, False, last and ends_sharp))

    parts = around(surface)
    return [stretch(i, *ends, psi) for i, ends in enumerate(itertools.pairwise(surface.cuts)) for psi in parts]


def _sharp(surface: Surface) -> bool:
    """Whether the rim of the mouth is an edge."""
    return bool(min(each.dense.angle[-1] for each in (surface.horizontal, surface.vertical)) < STEEP)


def _on_wall(surface: Surface, z: FloatArray, psi: FloatArray, stretch: int) -> FloatArray:
    axes = surface.axes(z, stretch=stretch)
    factor = surface.factor(z, axes.a, axes.b, psi)
    return np.stack([axes.a * factor * np.cos(psi), axes.b * factor * np.sin(psi), z], axis=-1)


def _front(cabinet: Cabinet, surface: Surface, signs: Sequence[float]) -> list[SmoothPatch]:
    """The quarter of the flat front about the mouth's centre toward `signs`, from the rim to where the edge begins."""
    signs = (*signs, 1.0)[:2]
    aside = np.array([signs[0] * cabinet.x, signs[1] * cabinet.y])
    lines = outline_lines(cabinet, aside)
    rim_sharp, depth = _sharp(surface), np.array(surface.depth)
    ends = np.array([line(np.array(1.0)) for line, _ in lines[:-1]]).reshape(-1, 2)
    breaks = [0.0, *np.arctan2(ends[:, 1], ends[:, 0]), 0.5 * np.pi]

    def patch(which: int) -> SmoothPatch:
        line, sharp = lines[which]

        def place(u: FloatArray, v: FloatArray) -> FloatArray:
            u, v = np.broadcast_arrays(u, v)
            psi = breaks[which] + (breaks[which + 1] - breaks[which]) * u
            rim = _on_wall(surface, np.broadcast_to(depth, u.shape), psi, len(surface.cuts) - 2)[..., :2]
            flat = rim + v[..., None] * (line(u) - rim)
            return np.concatenate([flat, np.zeros_like(u)[..., None]], axis=-1)

        return SmoothPatch(place, (False, False, rim_sharp, sharp))

    return [patch(which) for which in range(len(lines))]


def _facing(mesh: PanelMesh, way: FloatArray | None) -> PanelMesh:
    """With normals along `way`, or toward the axis where that is nothing; as they are without any."""
    if way is None:
        return mesh
    toward = np.broadcast_to(way, mesh.place.shape) if way.any() else -mesh.place * np.array([1.0, 1.0, 0.0])
    turn = np.sign(np.sum(mesh.normal * toward, axis=1).reshape(-1, NODES).sum(axis=1))
    return replace(mesh, side=mesh.side * turn, normal=mesh.normal * np.repeat(turn, NODES)[:, None])


def _reflected(mesh: PanelMesh, signs: Sequence[float]) -> PanelMesh:
    full = np.array([*signs, 1.0, 1.0])[:3]
    return replace(
        mesh,
        shape=mesh.shape * full[None, :, None, None],
        side=mesh.side * np.prod(full),
        middle=mesh.middle * full,
        place=mesh.place * full,
        normal=mesh.normal * full,
    )


def _all_round(mesh: PanelMesh, mirrors: tuple[int, ...]) -> PanelMesh:
    """The quarter with its reflections across those of the planes x = 0 and y = 0 that are no mirrors."""
    every = itertools.product(*((1.0,) if axis in mirrors else (1.0, -1.0) for axis in (0, 1)))
    return _joined([_reflected(mesh, signs) for signs in every])


def _moved(mesh: PanelMesh, by: FloatArray) -> PanelMesh:
    shape = mesh.shape.copy()
    shape[:, :, 0, 0] += by
    return replace(mesh, shape=shape, middle=mesh.middle + by, place=mesh.place + by)


def _joined(parts: Sequence[PanelMesh]) -> PanelMesh:
    def all_of(name: str) -> FloatArray:
        return np.concatenate([getattr(each, name) for each in parts])

    return PanelMesh(
        all_of("shape"),
        all_of("side"),
        all_of("middle"),
        all_of("reach"),
        all_of("place"),
        all_of("normal"),
        all_of("weight"),
        parts[0].mirrors,
    )


def _room(mesh: PanelMesh, waveguide: Waveguide, throat: FloatArray) -> FloatArray:
    """(N,) m: below rim and throat there may be air again soon. A box counts with sharp edges."""
    surface, cabinet, body = waveguide.surface, waveguide.mounting.cabinet, waveguide.oblong_body

    def beyond(place: FloatArray) -> BoolArray:
        if body is not None:
            return np.asarray(body.beyond(place - throat) > 0.0)
        assert isinstance(cabinet, Cabinet)  # nothing else is asked for
        half = 0.5 * np.array([cabinet.width, cabinet.height, cabinet.depth])
        return np.asarray(np.any(np.abs(place) > half, axis=1))

    solid = cabinet.solid if isinstance(cabinet, SolidCabinet) else None
    depth = np.geomspace(DEEP, SHALLOW, STEPS)[:, None]
    place = (mesh.place - depth[:, :, None] * mesh.normal).reshape(-1, 3)
    z = place[:, 2] - throat[2]
    x, y = np.abs(place[:, 0] - throat[0]), np.abs(place[:, 1] - throat[1])
    air = beyond(place) if solid is None else np.zeros(len(place), dtype=bool)
    for which, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
        here = (z > low) & (z <= high)
        axes = surface.axes(z[here], stretch=which)
        psi = np.arctan2(y[here] / axes.b, x[here] / axes.a)
        reach = surface.factor(z[here], axes.a, axes.b, psi)
        air[here] |= np.hypot(x[here] / axes.a, y[here] / axes.b) < reach
    found = np.asarray(np.where(air.reshape(-1, mesh.size), depth, DEEP).min(axis=0))
    return found if solid is None else np.minimum(found, room_below(mesh, solid))
