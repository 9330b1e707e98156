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
import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from scipy.linalg import lapack

from evenflare.compiled import njit
from evenflare.exterior.graphics import arrays, here, layers_on
from evenflare.exterior.layers import NODES, add_layers, gauss
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
NODES_EACH = 400
"""Nodes for each right side, from which on equations are solved step by step: a step takes their square, factors their
cube. Seen: 25 steps, at 600 nodes as at 5,500, for which they take a tenth of the time.
"""
STEPS, MOST_STEPS = 30, 200
"""That may be expected, and after which factors are made all the same."""
RESIDUAL = 1e-12
"""Of the right side, at which steps end: rounding is as large."""
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
        points = mesh.place[chunk] * seen.signs[:, None]
        if xp is np:
            return gauss(points, chunk, mesh)
        total = np.zeros(chunk.size)
        for i, each in enumerate(points):
            own = chunk if i == 0 else np.full(chunk.size, -1)
            total += here(layers_on(xp, 0.0, each, own, mesh)[0].real.sum(axis=1))
        return total

    free = -np.concatenate(_spread(rows, mesh.size, cores, ROWS if xp is np else MORE_ROWS))
    if room is None:
        room = np.full(mesh.size, np.abs(np.sum(mesh.place * mesh.normal, axis=1)).min())
    return Scatterer(mesh, seen, free, room)


class Space:
    """Memory that is used again: to have it anew for every frequency can take the system longer than to fill it."""

    def __init__(self) -> None:
        self._spare: dict[str, list[ComplexArray]] = {}

    @contextmanager
    def lent(self, use: str, *shape: int) -> Iterator[ComplexArray]:
        """An array of any content for a use, for one thread at a time."""
        kept, size = self._spare.setdefault(use, []), math.prod(shape)
        try:
            flat = kept.pop()
        except IndexError:
            flat = np.empty(0, dtype=np.complex128)
        if flat.size < size:
            flat = np.empty(size, dtype=np.complex128)
        yield flat[:size].reshape(shape)
        kept.append(flat)


def bytes_needed(nodes: int, parities: int) -> int:
    """Of the matrices of all parities, and of one more while it is factorised."""
    return 16 * nodes * nodes * (parities + 1)


def points_of_rows(k: float, mesh: PanelMesh, room: FloatArray) -> FloatArray:
    """(I, 2, N, 3) m: at every image the nodes, and the points inside at which the equations are asked for too.

    room : see Scatterer.
    """
    inside = np.minimum(INSIDE * 2 * np.pi / k, SHALLOWEST * room)[:, None]
    both = np.stack([mesh.place, mesh.place - inside * mesh.normal])
    return np.asarray(both * images(mesh.mirrors).signs[:, None, None])


def scattered(
    k: float, body: Scatterer, motion: ComplexArray, *, cores: int = 1, space: Space | None = None
) -> ComplexArray:
    """(I, N, W) q at the nodes, of each parity, for du/dn (I, N, W) of the parities of u. k in rad/m.

    space  : to work in, where the same is done for several k.
    Errors : ValueError if the equations are singular.
    """
    mesh, seen = body.mesh, body.images
    count, nodes = len(seen.signs), mesh.size
    space = space or Space()
    pairs = points_of_rows(k, mesh, body.room)
    # Of a symmetric source most parities are nothing.
    moved = np.flatnonzero([each.any() for each in motion])
    xp = arrays(bytes_needed(nodes, moved.size))
    if xp is not np:
        return _scattered_elsewhere(xp, k, body, pairs, motion, moved, cores)
    # Each image by itself, from which all parities come; those of one parity alone are added at once.
    sums, parts = [(each, np.array([1.0, 1.0j])) for each in pairs], moved
    if moved.size == 1:
        signed = np.outer(seen.patterns[moved[0]], [1.0, 1.0j]).ravel()
        sums, parts = [(pairs.reshape(-1, nodes, 3), signed)], np.zeros(1, dtype=np.int64)
    first, beyond = _moving(motion)
    right = np.zeros((count, nodes, motion.shape[2]), dtype=np.complex128)

    def rows(chunk: IntArray) -> None:
        shape, nowhere = (len(sums), chunk.size), np.full(chunk.size, -1)
        with space.lent("double", *shape, nodes) as double, space.lent("single", *shape, beyond - first) as single:
            double[:], single[:] = 0.0, 0.0
            for i, (points, factor) in enumerate(sums):
                own = chunk if i == 0 else nowhere
                add_layers(k, points[:, chunk], own, factor, mesh, double[i], single[i], first=first)
            _mix(double)
            _mix(single)
            mine = matrices[:, chunk[0] : chunk[-1] + 1]
            for part, matrix in zip(parts, mine, strict=True):
                np.negative(double[part], out=matrix)
            mine[:, np.arange(chunk.size), chunk] += body.free_term[chunk]
            for part, parity in zip(parts, moved, strict=True):
                right[parity, chunk] = single[part] @ motion[parity, first:beyond]

    with space.lent("matrices", moved.size, nodes, nodes) as matrices:
        _spread(rows, nodes, cores, ROWS)
        for row, parity in enumerate(moved):
            right[parity] = _solution(matrices[row], right[parity])
    return right


def _moving(motion: ComplexArray) -> tuple[int, int]:
    """The first and beyond the last node, of whole panels, where (I, N, W) is not 0."""
    panels = np.flatnonzero(motion.any(axis=(0, 2))) // NODES
    return (int(panels[0]) * NODES, int(panels[-1] + 1) * NODES) if panels.size else (0, 0)


def _scattered_elsewhere(
    xp: ModuleType,
    k: float,
    body: Scatterer,
    pairs: FloatArray,
    motion: ComplexArray,
    moved: IntArray,
    cores: int,
) -> ComplexArray:
    """As scattered, in arrays of xp. pairs : see points_of_rows; moved : the parities that are not 0."""
    mesh, seen = body.mesh, body.images
    patterns, free = xp.asarray(seen.patterns[moved]), xp.asarray(body.free_term)
    moves = xp.asarray(motion[moved])
    matrices = xp.empty((moved.size, mesh.size, mesh.size), dtype=np.complex128)
    rights = xp.empty(moves.shape, dtype=np.complex128)

    def rows(chunk: IntArray) -> None:
        double = xp.empty((len(seen.signs), chunk.size, mesh.size), dtype=np.complex128)
        single = xp.empty_like(double)
        nowhere = np.full(chunk.size, -1)
        for i, (at, below) in enumerate(pairs[:, :, chunk]):
            on = layers_on(xp, k, at, chunk if i == 0 else nowhere, mesh)
            under = layers_on(xp, k, below, nowhere, mesh)
            double[i], single[i] = (one + 1j * other for one, other in zip(on, under, strict=True))
        mixed = -xp.tensordot(patterns, double, axes=1)
        mixed[:, np.arange(chunk.size), chunk] += free[chunk]
        matrices[:, chunk] = mixed
        rights[:, chunk] = xp.matmul(xp.tensordot(patterns, single, axes=1), moves)

    _spread(rows, mesh.size, cores, MORE_ROWS)
    result = np.zeros(motion.shape, dtype=np.complex128)
    for row, parity in enumerate(moved):
        result[parity] = here(xp.linalg.solve(matrices[row], rights[row]))
    if not np.isfinite(result).all():
        raise ValueError(TOUCHES)
    return result


@njit(cache=True, nogil=True)
def _mix(values):  # type: ignore[no-untyped-def]
    """(I, P, N) at images, in place to parities: the patterns' sums, by halves. Source: the fast Walsh-Hadamard
    transform, in natural order (from memory).
    """
    images, rows, columns = values.shape
    half = images // 2
    while half > 0:
        for first in range(0, images, 2 * half):
            for i in range(first, first + half):
                for p in range(rows):
                    for q in range(columns):
                        one, other = values[i, p, q], values[i + half, p, q]
                        values[i, p, q], values[i + half, p, q] = one + other, one - other
        half //= 2


def _spread(work, size: int, cores: int, step: int):  # type: ignore[no-untyped-def]
    """The work on every chunk of `step` indices below `size`, in order; compiled code lets other threads run."""
    chunks = [np.arange(first, min(first + step, size)) for first in range(0, size, step)]
    if cores == 1:
        return [work(chunk) for chunk in chunks]
    with ThreadPoolExecutor(cores) as threads:
        return list(threads.map(work, chunks))


def _solution(matrix: ComplexArray, right: ComplexArray) -> ComplexArray:
    if right.shape[1] * NODES_EACH <= len(matrix) and (found := _step_by_step(matrix, right)) is not None:
        return found
    # Transposed in memory: LAPACK reads columns, and solves with the transpose as readily.
    factors, pivots, info = lapack.zgetrf(matrix.T, overwrite_a=1)
    if info:
        raise ValueError(TOUCHES)
    solution, _ = lapack.zgetrs(factors, pivots, right, trans=1)
    return np.asarray(solution)


def _step_by_step(matrix: ComplexArray, right: ComplexArray) -> ComplexArray | None:
    """By GMRES: equations of the second kind, which have no resonances, need few steps however many they are. None
    where they are not solved so. Source: Saad & Schultz (1986), SIAM J. Sci. Stat. Comput. 7, 856 (from memory).

    What is even over each panel is solved for beforehand, by the equations' means over panels; the rest nearly obeys
    the free term alone. Source: Atkinson (1997), The Numerical Solution of Integral Equations of the Second Kind, 6.2,
    for two grids (from memory).
    """
    from scipy.sparse.linalg import LinearOperator, gmres  # takes a while to load

    even = np.ones(NODES)
    onto_panels = (matrix.reshape(-1, NODES) @ even).reshape(-1, NODES, len(matrix) // NODES).mean(axis=1)
    factors, pivots, failed = lapack.zgetrf(onto_panels)
    if failed:
        return None

    def guessed(column: ComplexArray) -> ComplexArray:
        means = column.reshape(-1, NODES).mean(axis=1)
        solved, _ = lapack.zgetrs(factors, pivots, means)
        return np.asarray(2.0 * column + np.repeat(solved - 2.0 * means, NODES))

    steps = LinearOperator(matrix.shape, lambda column: matrix @ guessed(column), dtype=np.complex128)
    found = np.empty_like(right)
    for i, column in enumerate(right.T):
        result, failed = gmres(steps, column, rtol=RESIDUAL, restart=MOST_STEPS, maxiter=2)
        if failed:
            return None
        found[:, i] = guessed(result)
    return found
