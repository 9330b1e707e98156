"""Waveguides in an infinite baffle by a general boundary-element library: a judge that shares no code with the march.

Needs the library bempp-cl. The air inside is bounded by the throat, the wall and the mouth plane. On that boundary
(1/2 + K) p = V dp/dn  with the single and double layers V, K of exp(i k r) / (4 pi r) and the normal n pointing out;
over the mouth  p = -2 V dp/dn  as well, Rayleigh's integral of what moves in a baffle. dp/dn is known on throat and
wall, so p there and dp/dn on the mouth are the unknowns: constant on each flat triangle, and tested by its mean.
Two mirror planes leave a quarter of them. Source: Pierce, Acoustics (1981), sections 4-6 and 5-2 (from memory).
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple
from unittest.mock import patch

import numpy as np

from evenflare.air import Air
from evenflare.units import ComplexArray, FloatArray, IntArray, amplitude_db, power_db
from evenflare.waveguide import Waveguide
from evenflare.waveguide.surface import Surface

THROAT, WALL, MOUTH = 0, 1, 2
"""Zones of the boundary."""
GRADING = 1.25
"""Rows of panels crowd toward the rim, where dp/dn is singular, as this power of their number."""
ORDER = 5.0 / 3.0
"""At which errors fall with the panels' size, seen on round cones against the march: 1.5 to 2."""
REFINEMENTS = (1, 2, 3)
"""Divisions of the coarsest panels."""
QUADRATURE = 4
"""Order of the library's rules, regular and singular."""


class Panels(NamedTuple):
    """Triangles of a closed boundary, those of the quarter x, y > 0 first; normals point out of the air.

    corners   : (N, 3), m.
    triangles : (4 M, 3), of corners; the other three quarters follow in the same order.
    zones     : (M,), of the first quarter.
    """

    corners: FloatArray
    triangles: IntArray
    zones: IntArray


class Solution(NamedTuple):
    """On one set of panels, for 1 m/s rms over the exit's area; phasors exp(+j w t).

    index     : dB, power through the mouth.
    balance   : dB, power into the throat over power through the mouth.
    impedance : mean pressure over the exit / (density * speed_of_sound * velocity).
    on_axis   : Pa m, the limit of p r exp(j k r), r from the mouth's centre.
    levels    : (P, A), dB re on axis.
    panels    : of the quarter.
    """

    index: float
    balance: float
    impedance: complex
    on_axis: complex
    levels: FloatArray
    panels: int


@dataclass(frozen=True)
class Reference:
    """Extrapolated to panels of no size; each error is what the last refinement still moved the extrapolated value by.

    index, index_error         : dB.
    on_axis, on_axis_error     : dB re 1 Pa m, for 1 m/s rms over the exit's area.
    levels, level_error        : (P, A), dB re on axis; the largest over all, dB.
    impedance, impedance_error : of the throat, over that of a plane wave.
    solutions                  : one per refinement.
    """

    index: float
    index_error: float
    on_axis: float
    on_axis_error: float
    levels: FloatArray
    level_error: float
    impedance: complex
    impedance_error: float
    solutions: tuple[Solution, ...]


def solved(
    waveguide: Waveguide, frequency: float, *, plane: FloatArray, off_axis: FloatArray, panel: float, air: Air
) -> Reference:
    """A waveguide with two mirror planes in an infinite baffle, at one frequency.

    plane, off_axis : (P,), (A,), rad, up to pi/2 off axis.
    panel           : m, about the size of the coarsest panels; a fifth of a wavelength will do.
    """
    found = tuple(
        on_panels(waveguide, frequency, plane=plane, off_axis=off_axis, panel=panel, refinement=each, air=air)
        for each in REFINEMENTS
    )
    index, index_error = extrapolated([each.index for each in found])
    on_axis, on_axis_error = extrapolated([amplitude_db(np.abs(each.on_axis)) for each in found])
    levels, level_error = extrapolated([each.levels for each in found])
    impedance, impedance_error = extrapolated([each.impedance for each in found])
    return Reference(
        float(index), index_error, float(on_axis), on_axis_error, levels, level_error, complex(impedance),
        impedance_error, found,
    )  # fmt: skip


def timed(waveguide: Waveguide, frequency: float, *, panel: float, refinement: int, air: Air) -> tuple[float, Solution]:
    """Seconds of process time on one core, warm, for one frequency on one set of panels; and what was found."""
    import numba
    from threadpoolctl import threadpool_limits

    threads = numba.get_num_threads()
    axis = np.zeros(1)
    try:
        numba.set_num_threads(1)
        with threadpool_limits(limits=1):
            on_panels(waveguide, frequency, plane=axis, off_axis=axis, panel=panel, refinement=1, air=air)  # compiles
            start = time.process_time()
            found = on_panels(
                waveguide, frequency, plane=axis, off_axis=axis, panel=panel, refinement=refinement, air=air
            )
            return time.process_time() - start, found
    finally:
        numba.set_num_threads(threads)


def on_panels(
    waveguide: Waveguide,
    frequency: float,
    *,
    plane: FloatArray,
    off_axis: FloatArray,
    panel: float,
    refinement: int,
    air: Air,
) -> Solution:
    """One solution, on panels of the size panel / refinement."""
    panels = boundary(waveguide.surface, panel=panel, refinement=refinement)
    k = 2.0 * np.pi * frequency / air.speed_of_sound
    single, double, area = layers(panels, k)
    throat, mouth = panels.zones == THROAT, panels.zones == MOUTH
    # The library's phasors are exp(-i w t): dp/dn = -i w density v, v positive into the air, n out of it.
    inertia = 1j * 2.0 * np.pi * frequency * air.density
    speed = waveguide.driver.exit_area / (4.0 * area[throat].sum())
    rayleigh = -2.0 * single[np.ix_(mouth, mouth)] / area[mouth, None]  # p on the mouth from dp/dn there
    interior = double + np.diag(0.5 * area)
    matrix = np.hstack([interior[:, ~mouth], interior[:, mouth] @ rayleigh - single[:, mouth]])
    unknown = np.linalg.solve(matrix, -inertia * speed * single[:, throat].sum(axis=1))
    gradient = unknown[np.count_nonzero(~mouth) :]
    at_throat = unknown[: np.count_nonzero(~mouth)][throat[~mouth]]
    entering = 4.0 * speed * np.sum(area[throat] * at_throat).real
    leaving = 4.0 * np.sum(area[mouth] * (rayleigh @ gradient) * np.conj(gradient / inertia)).real
    corners = panels.corners[panels.triangles[: panels.zones.size][mouth]]
    weights = area[mouth] * gradient
    on_axis = _far(corners, weights, k, plane=np.zeros(1), off_axis=np.zeros(1))[0, 0]
    far = _far(corners, weights, k, plane=plane, off_axis=off_axis)
    return Solution(
        index=float(power_db(4.0 * np.pi * np.abs(on_axis) ** 2 / air.impedance / leaving)),
        balance=float(power_db(entering / leaving)),
        impedance=complex(np.conj(np.average(at_throat, weights=area[throat])) / air.impedance),
        on_axis=complex(np.conj(on_axis)),
        levels=np.asarray(amplitude_db(np.abs(far / on_axis))),
        panels=panels.zones.size,
    )


def boundary(surface: Surface, *, panel: float, refinement: int) -> Panels:
    """Rings of corners from the throat's centre to its rim, along the wall, and from the mouth's rim to its centre.

    Corners lie outside their ellipse by so much that polygon and ellipse have one area.
    """
    throat, width, height = surface.throat_radius, 0.5 * surface.mouth_width, 0.5 * surface.mouth_height
    reach = max(width, height)

    def rows(length: float) -> int:
        return refinement * max(2, round(length / panel))

    def graded(count: int) -> FloatArray:
        return np.asarray(1.0 - (1.0 - np.linspace(0.0, 1.0, count + 1)) ** GRADING)

    within = np.linspace(0.0, 1.0, rows(throat) + 1)
    # The grading makes the first row longer than the mean, at the throat as many times as its power.
    depths = surface.depth * graded(rows(GRADING * np.hypot(surface.depth, reach - throat)))[1:]
    across = 1.0 - graded(rows(reach))[1:]
    stretches = np.searchsorted(surface.cuts[1:-1], depths)
    walls = [surface.axes(z, stretch=int(stretch)) for z, stretch in zip(depths, stretches, strict=True)]
    rings = [
        *((0.0, throat * share, throat * share) for share in within),
        *((z, float(wall.a), float(wall.b)) for z, wall in zip(depths, walls, strict=True)),
        *((surface.depth, width * share, height * share) for share in across),
    ]
    zones = np.repeat([THROAT, WALL, MOUTH], [within.size - 1, depths.size, across.size])
    corners: list[FloatArray] = []
    triangles: list[tuple[int, int, int]] = []
    counts: list[int] = []
    before = np.zeros(0, dtype=int)
    for z, a, b in rings:
        radius = np.hypot(a, b) / np.sqrt(2.0)
        wanted = max(0.5 * np.pi * radius / panel, 2.0 * min(1.0, radius / throat))
        count = max(1, round(refinement * wanted)) if radius > 1e-9 * reach else 0
        psi = np.linspace(0.0, 0.5 * np.pi, count + 1)
        outward = surface.factor(np.full_like(psi, z), np.full_like(psi, a), np.full_like(psi, b), psi)
        if count:
            outward = outward * np.sqrt(psi[1] / np.sin(psi[1]))
        here = sum(map(len, corners)) + np.arange(count + 1)
        corners.append(np.stack([a * outward * np.cos(psi), b * outward * np.sin(psi), np.full_like(psi, z)], axis=-1))
        added = strip(before, here) if before.size else []
        triangles += added
        counts.append(len(added))
        before = here
    return mirrored(np.concatenate(corners), np.array(triangles), np.repeat(zones, counts[1:]))


def strip(first: IntArray, second: IntArray) -> list[tuple[int, int, int]]:
    """Triangles between two rings of corners, numbered from the horizontal plane to the vertical one."""
    found = []
    j = k = 0
    while j < first.size - 1 or k < second.size - 1:
        if k == second.size - 1 or (j < first.size - 1 and (j + 1) * (second.size - 1) <= (k + 1) * (first.size - 1)):
            found.append((int(first[j]), int(first[j + 1]), int(second[k])))
            j += 1
        else:
            found.append((int(first[j]), int(second[k + 1]), int(second[k])))
            k += 1
    return found


def mirrored(corners: FloatArray, triangles: IntArray, zones: IntArray) -> Panels:
    """The whole boundary from its quarter. Corners on the mirror planes are shared, as the library wants them."""
    signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    points = np.concatenate([corners * [x, y, 1] for x, y in signs])
    faces = [(triangles if x == y else triangles[:, ::-1]) + each * len(corners) for each, (x, y) in enumerate(signs)]
    size = np.abs(points).max()
    _, kept, shared = np.unique(np.round(points / (1e-9 * size)), axis=0, return_index=True, return_inverse=True)
    return Panels(points[kept], shared.reshape(-1)[np.concatenate(faces)], zones)


def layers(panels: Panels, wavenumber: float) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    """V and K between panels of the quarter, each panel with its mirror images, and the panels' areas (M,), m2."""
    with _compiled_lightly():
        return _layers(panels, wavenumber)


def _layers(panels: Panels, wavenumber: float) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    library, count = _library(), panels.zones.size
    grid = library.Grid(
        np.ascontiguousarray(panels.corners.T),
        np.ascontiguousarray(panels.triangles.T.astype(np.uint32)),
        np.repeat(np.arange(4, dtype=np.uint32), count),
    )
    parameters = library.utils.DefaultParameters()
    parameters.quadrature.regular = parameters.quadrature.singular = QUADRATURE
    whole = library.function_space(grid, "DP", 0)
    quarter = library.function_space(grid, "DP", 0, segments=[0])
    helmholtz = library.operators.boundary.helmholtz

    def folded(layer: Any) -> ComplexArray:
        operator = layer(
            whole, quarter, quarter, wavenumber, parameters=parameters, device_interface="numba", precision="double"
        )
        return np.asarray(operator.weak_form().to_dense().reshape(count, 4, count).sum(axis=1))

    with warnings.catch_warnings():  # of numba, on how the library is written
        warnings.filterwarnings("ignore", message=r"np.dot\(\) is faster on contiguous arrays")
        single, double = folded(helmholtz.single_layer), folded(helmholtz.double_layer)
    return single, double, np.asarray(grid.volumes[:count])


def _far(
    corners: FloatArray, weights: ComplexArray, wavenumber: float, *, plane: FloatArray, off_axis: FloatArray
) -> ComplexArray:
    """(P, A) limit of p r exp(-i k r) from dp/dn times area, on mouth panels of the quarter with those corners."""
    inside = np.array([[4.0, 1.0, 1.0], [1.0, 4.0, 1.0], [1.0, 1.0, 4.0]]) / 6.0  # exact to the second degree
    points = np.einsum("qc,mcd->mqd", inside, corners)
    x = wavenumber * np.multiply.outer(np.cos(plane), np.sin(off_axis))
    y = wavenumber * np.multiply.outer(np.sin(plane), np.sin(off_axis))
    mirrored = np.cos(x[..., None, None] * points[..., 0]) * np.cos(y[..., None, None] * points[..., 1])
    return np.asarray(-2.0 * mirrored.mean(axis=-1) @ weights / np.pi)


def extrapolated(values: list[Any]) -> tuple[Any, float]:
    """The limit of values at REFINEMENTS, from the last two, and by how much it moved from that of the two before."""
    sizes = 1.0 / np.array(REFINEMENTS) ** ORDER
    limits = [
        np.asarray(values[at + 1] + (values[at + 1] - values[at]) * sizes[at + 1] / (sizes[at] - sizes[at + 1]))
        for at in (0, 1)
    ]
    return limits[1], float(np.abs(limits[1] - limits[0]).max())


@lru_cache(maxsize=1)
def _library() -> Any:
    """The boundary-element library. Loading it meets names that scipy is giving up.

    It compiles itself, most of what these references take, and of that only what costs more to run than to compile is
    compiled: its loops, without their division among threads, as a run of tests has a process for each core already;
    not what counts edges and neighbours of a grid, nor grids of single precision, which nobody asks for here.
    """
    import numba

    divided = numba.jit

    def serial(*function: Any, parallel: bool = False, **options: Any) -> Any:
        return divided(*function, **options)

    with warnings.catch_warnings(), patch.object(numba, "jit", serial):
        warnings.filterwarnings(
            "ignore", message="Please import `.*` from the `scipy.sparse.linalg` namespace", category=DeprecationWarning
        )
        import bempp_cl.api
        import bempp_cl.core.numba_kernels  # which the library loads when it first assembles
    grid = bempp_cl.api.grid.grid
    for name, each in list(vars(grid).items()):
        if hasattr(each, "py_func"):
            setattr(grid, name, each.py_func)
    grid.GridDataFloat = lambda *_: None
    return bempp_cl.api


@contextmanager
def _compiled_lightly() -> Iterator[None]:
    """Within it the compiler optimises less, which takes two thirds of the time and runs as fast, to the same bits; a
    grid's edges are counted in a dictionary of Python's, see `_library`; and what would word the message where shapes
    do not match is left out, as its joining of words compiles as long as the loops.
    """
    import numba
    from numba.np import arrayobj

    with (
        patch.object(numba.config, "OPT", type(numba.config.OPT)("1")),
        patch.object(numba.typed.Dict, "empty", lambda **_: {}),
        patch.object(arrayobj, "raise_with_shape_context", _unworded(), create=True),
    ):
        yield


@lru_cache(maxsize=1)
def _unworded() -> Any:
    """What compiled code calls where shapes do not match."""
    import numba.extending

    def refuse(found: Any, asked: Any) -> None: ...

    @numba.extending.overload(refuse)
    def _(found: Any, asked: Any) -> Any:
        def refused(found: Any, asked: Any) -> None:
            raise ValueError("shapes do not match")

        return refused

    return refuse
