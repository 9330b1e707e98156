"""What a closed rigid body makes of a mouth's waves: the boundary equations, eight parts of them where it has mirrors.

The waves u of a mouth in a flat front satisfy the front by themselves, being even in z. What the rest of the body adds,
q, leaves the front at rest too, and takes away from sides, edges and back the motion that u would need there:
dq/dn = -du/dn. With the normal into the air q obeys, on the surface and at points a little inside it,

    (1/2) q - D q = S du/dn,    - D q = S du/dn,

and both are asked for at once, the second times j: the first alone is singular where the body, were it hollow and soft,
would resonate. Source: Shore & Yaghjian (2005), Radio Science 40, RS6S14 (dual surfaces; from memory).

About a mirror plane q and u part into what is even and what is odd, and the integral over the image is that over the
body itself, seen from the image of the point: so every point has as many images as the planes make, whose integrals are
added with as many patterns of signs.
"""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from scipy.linalg import lapack

from evenflare.exterior.graphics import arrays, here, layers_on
from evenflare.exterior.layers import layers
from evenflare.exterior.panels import PanelMesh
from evenflare.exterior.waves import Waves
from evenflare.units import ComplexArray, FloatArray, IntArray

ROWS = 48
"""Points of one piece of work, and
MORE_ROWS on a graphics processor, which wants more to do at once."""
MORE_ROWS = 240
INSIDE = 0.16
"""Of a wavelength, how far below the surface the second points lie, and
SHALLOWEST of the room there at most."""
SHALLOWEST = 0.25
TOUCHES = "the body's surface touches or crosses itself"


@dataclass(frozen=True)
class MirrorImages:
    """The mirror images of a part of a body.

    signs    : (I, 3) +-1, what an image does to x, y, z; the first is the part itself.
    patterns : (I, I) +-1 of each parity (row) at each image; parity p is odd about mirror i where bit i of p is set.
    """

    signs: FloatArray
    patterns: FloatArray


def images(mirrors: tuple[int, ...]) -> MirrorImages:
    """All images across planes through the origin, whose axes are given."""
    flips = np.array(list(itertools.product((0, 1), repeat=len(mirrors))), dtype=np.int64).reshape(
        2 ** len(mirrors), len(mirrors)
    )
    signs = np.ones((len(flips), 3))
    for column, axis in enumerate(mirrors):
        signs[:, axis] = 1.0 - 2.0 * flips[:, column]
    return MirrorImages(signs, np.asarray((-1.0) ** (flips @ flips.T), dtype=np.float64))


def parity_of(waves: Waves, mirrors: tuple[int, ...]) -> IntArray:
    """(W,) the row of MirrorImages.patterns that waves about the origin belong to."""
    result = np.zeros(waves.size, dtype=np.int64)
    for axis in mirrors:
        result = 2 * result + waves.parity(axis)
    return result


@dataclass(frozen=True)
class Scatterer:
    """A mesh made ready for every frequency: its images, and what the still double layer lacks of -1/2 at each node.

    room : (N,) m, how far the solid reaches below each node.
    """

    mesh: PanelMesh
    images: MirrorImages
    free_term: FloatArray
    room: FloatArray


def ready(mesh: PanelMesh, cores: int = 1, *, room: FloatArray | None = None) -> Scatterer:
    """The free term is what makes a constant pressure exact, as Gauss's theorem has it: it mends the quadrature.

    room : as in Scatterer; left out for convex bodies round the origin.
    """
    seen = images(mesh.mirrors)
    xp = arrays(bytes_needed(mesh.size, 1))

    def rows(chunk: IntArray) -> FloatArray:
        total = np.zeros(chunk.size)
        for i, signs in enumerate(seen.signs):
            own = chunk if i == 0 else np.full(chunk.size, -1)
            total += here(_layers(xp, 0.0, mesh.place[chunk] * signs, own, mesh)[0].real.sum(axis=1))
        return total

    free = -np.concatenate(_spread(rows, mesh.size, cores, xp))
    if room is None:
        room = np.full(mesh.size, np.abs(np.sum(mesh.place * mesh.normal, axis=1)).min())
    return Scatterer(mesh, seen, free, room)


def bytes_needed(nodes: int, parities: int) -> int:
    """Of the matrices of all parities, and of one more while it is factorised."""
    return 16 * nodes * nodes * (parities + 1)


def scattered(k: float, body: Scatterer, motion: ComplexArray, *, cores: int = 1) -> ComplexArray:
    """(I, N, W) q at the nodes, of each parity, for du/dn (I, N, W) of the parities of u. k in rad/m.

    Errors: ValueError if the equations are singular.
    """
    mesh, seen = body.mesh, body.images
    count, nodes = len(seen.signs), mesh.size
    inside = np.minimum(INSIDE * 2 * np.pi / k, SHALLOWEST * body.room)[:, None]
    # Of a symmetric source most parities are nothing.
    moved = np.flatnonzero([each.any() for each in motion])
    xp = arrays(bytes_needed(nodes, moved.size))
    patterns, free = xp.asarray(seen.patterns[moved]), xp.asarray(body.free_term)
    moves = xp.asarray(motion[moved])
    matrices = xp.empty((moved.size, nodes, nodes), dtype=np.complex128)
    rights = xp.empty(moves.shape, dtype=np.complex128)

    def rows(chunk: IntArray) -> None:
        double = xp.empty((count, chunk.size, nodes), dtype=np.complex128)
        single = xp.empty_like(double)
        below = mesh.place[chunk] - inside[chunk] * mesh.normal[chunk]
        nowhere = np.full(chunk.size, -1)
        for i, signs in enumerate(seen.signs):
            on = _layers(xp, k, mesh.place[chunk] * signs, chunk if i == 0 else nowhere, mesh)
            under = _layers(xp, k, below * signs, nowhere, mesh)
            double[i], single[i] = (one + 1j * other for one, other in zip(on, under, strict=True))
        mixed = xp.tensordot(patterns, double, axes=1)
        rights[:, chunk] = xp.matmul(xp.tensordot(patterns, single, axes=1), moves)
        xp.negative(mixed, out=mixed)
        mixed[:, np.arange(chunk.size), chunk] += free[chunk]
        matrices[:, chunk] = mixed

    _spread(rows, nodes, cores, xp)
    result = np.zeros(motion.shape, dtype=np.complex128)
    for row, parity in enumerate(moved):
        result[parity] = _solution(xp, matrices[row], rights[row])
    return result


def _layers(xp: ModuleType, k: float, points: FloatArray, own: IntArray, mesh: PanelMesh):  # type: ignore[no-untyped-def]
    return layers(k, points, own, mesh) if xp is np else layers_on(xp, k, points, own, mesh)


def _spread(work, size: int, cores: int, xp: ModuleType):  # type: ignore[no-untyped-def]
    """The work on every chunk of indices below `size`, in order; compiled code lets other threads run."""
    step = ROWS if xp is np else MORE_ROWS
    chunks = [np.arange(first, min(first + step, size)) for first in range(0, size, step)]
    if cores == 1:
        return [work(chunk) for chunk in chunks]
    with ThreadPoolExecutor(cores) as threads:
        return list(threads.map(work, chunks))


def _solution(xp: ModuleType, matrix, right) -> ComplexArray:  # type: ignore[no-untyped-def]
    if xp is not np:
        solution = here(xp.linalg.solve(matrix, right))
        if not np.isfinite(solution).all():
            raise ValueError(TOUCHES)
        return np.asarray(solution)
    # Transposed in memory: LAPACK reads columns, and solves with the transpose as readily.
    factors, pivots, info = lapack.zgetrf(matrix.T, overwrite_a=1)
    if info:
        raise ValueError(TOUCHES)
    solution, _ = lapack.zgetrs(factors, pivots, right, trans=1)
    return np.asarray(solution)
