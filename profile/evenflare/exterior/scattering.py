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
NODES_EACH = 800
"""Nodes for each right side, from which on equations are solved step by step: a step takes their square, factors their
cube. Seen: 20 steps at 600 nodes, 47 at 3,700, for which they take a fifth of the time.
"""
STEPS, MOST_STEPS = 60, 200
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
        total = np.zeros(chunk.size)
        for i, signs in enumerate(seen.signs):
            own = chunk if i == 0 else np.full(chunk.size, -1)
            points = mesh.place[chunk] * signs
            double, _ = layers(0.0, points, own, mesh) if xp is np else layers_on(xp, 0.0, points, own, mesh)
            total += here(double.real.sum(axis=1))
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
    inside = np.minimum(INSIDE * 2 * np.pi / k, SHALLOWEST * body.room)[:, None]
    below = mesh.place - inside * mesh.normal
    # Of a symmetric source most parities are nothing.
    moved = np.flatnonzero([each.any() for each in motion])
    xp = arrays(bytes_needed(nodes, moved.size))
    if xp is not np:
        return _scattered_elsewhere(xp, k, body, below, motion, moved, cores)
    patterns = seen.patterns[moved]
    right = np.zeros((count, nodes, motion.shape[2]), dtype=np.complex128)

    def rows(chunk: IntArray) -> None:
        with space.lent("rows", 2, count, ROWS, nodes) as lent, space.lent("under", 2, ROWS, nodes) as lent_under:
            double, single = lent[:, :, : chunk.size]
            under = lent_under[:, : chunk.size]
            nowhere = np.full(chunk.size, -1)
            for i, signs in enumerate(seen.signs):
                own = chunk if i == 0 else nowhere
                on = layers(k, mesh.place[chunk] * signs, own, mesh, (double[i], single[i]))
                layers(k, below[chunk] * signs, nowhere, mesh, (under[0], under[1]))
                for into, other in zip(on, under, strict=True):
                    _add_turned(into, other)
            if moved.size == count:
                _mix(double)
                _mix(single)
            else:
                double, single = (np.tensordot(patterns, each, axes=1) for each in (double, single))
            mine = matrices[:, chunk[0] : chunk[-1] + 1]
            np.negative(double, out=mine)
            mine[:, np.arange(chunk.size), chunk] += body.free_term[chunk]
            for row, parity in enumerate(moved):
                right[parity, chunk] = single[row] @ motion[parity]

    with space.lent("matrices", moved.size, nodes, nodes) as matrices:
        _spread(rows, nodes, cores, ROWS)
        for row, parity in enumerate(moved):
            right[parity] = _solution(matrices[row], right[parity])
    return right


def _scattered_elsewhere(
    xp: ModuleType,
    k: float,
    body: Scatterer,
    below: FloatArray,
    motion: ComplexArray,
    moved: IntArray,
    cores: int,
) -> ComplexArray:
    """As scattered, in arrays of xp. below : (N, 3) m, the points inside; moved : the parities that are not 0."""
    mesh, seen = body.mesh, body.images
    patterns, free = xp.asarray(seen.patterns[moved]), xp.asarray(body.free_term)
    moves = xp.asarray(motion[moved])
    matrices = xp.empty((moved.size, mesh.size, mesh.size), dtype=np.complex128)
    rights = xp.empty(moves.shape, dtype=np.complex128)

    def rows(chunk: IntArray) -> None:
        double = xp.empty((len(seen.signs), chunk.size, mesh.size), dtype=np.complex128)
        single = xp.empty_like(double)
        nowhere = np.full(chunk.size, -1)
        for i, signs in enumerate(seen.signs):
            on = layers_on(xp, k, mesh.place[chunk] * signs, chunk if i == 0 else nowhere, mesh)
            under = layers_on(xp, k, below[chunk] * signs, nowhere, mesh)
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
def _add_turned(into, other):  # type: ignore[no-untyped-def]
    """Adds j times the other (P, N), in place."""
    for p in range(into.shape[0]):
        for q in range(into.shape[1]):
            into[p, q] += complex(-other[p, q].imag, other[p, q].real)


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
    """
    from scipy.sparse.linalg import gmres  # takes a while to load

    found = np.empty_like(right)
    for i, column in enumerate(right.T):
        found[:, i], failed = gmres(matrix, column, rtol=RESIDUAL, restart=MOST_STEPS, maxiter=2)
        if failed:
            return None
    return found
