"""Axisymmetric boundary elements as a solver: meshes by band of frequency, cores, and the estimate of its own error.

It shares nothing with the march but the wall and `Directivity`, so that their agreement means something.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from typing import NamedTuple, TypeVar

import numpy as np

from evenflare import __version__
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation import Setting, Solver
from evenflare.radiation.boundary import Boundary, BoundaryPart, boundary_of, normal
from evenflare.radiation.boundary_field import Places, far_pressure, places, reached
from evenflare.radiation.one_thread import one_thread
from evenflare.radiation.own_error import SAME_ANGLE, FieldSamples, OwnError, own_error
from evenflare.radiation.panels import Density
from evenflare.radiation.surface_pressure import INSIDE, Equations, equations
from evenflare.units import BoolArray, ComplexArray, FloatArray, power_db
from evenflare.waveguide import Waveguide
from evenflare.waveguide.walls import Arc, Line

FINER = 1.3
"""Nodes per wavelength of the mesh that measures the error, over those of the one measured; and"""
SHORTER = 1.1
"""lengths of the panels that something else than the wavelength sets, of the one measured over those of the other."""
CHECKED_AT = (1.0, 0.5)
"""Where in a band the error is measured, from its lowest frequency to its highest."""

Work = TypeVar("Work")
Result = TypeVar("Result")
BoundarySolver = Callable[[Boundary, Observation, Air], Directivity]


@dataclass(frozen=True)
class Fineness:
    """How finely the boundary is divided, and over which bands of frequency.

    density : of the nodes.
    edges   : of the bands that share a mesh, as shares of the highest frequency.
    inside  : points inside a closed body over its nodes; 0 leaves the solid's resonances in the solution.
    checked : whether two frequencies of each band are solved again on a finer mesh to estimate the error.
    """

    density: Density = field(default_factory=Density)
    edges: tuple[float, ...] = (0.8, 0.63, 0.5, 0.4, 0.3, 0.2, 0.1)
    inside: float = INSIDE
    checked: bool = True

    def refined(self) -> Fineness:
        """The finer one whose difference measures the error of this one: whatever sets a panel's length, it is shorter,
        and it has one more node, so that none stays as it is where a stretch is cut into a whole number of panels.
        """
        density = self.density
        finer = Density(
            order=density.order + 1,
            nodes_per_wavelength=FINER * density.nodes_per_wavelength,
            turn=density.turn / SHORTER,
            growth=density.growth / SHORTER,
            corner=density.corner / SHORTER,
            facing=density.facing / SHORTER,
        )
        return replace(self, density=finer)


class MeshedBody(NamedTuple):
    """A band's mesh made ready to be solved at any of its frequencies, and the points at which it is heard."""

    equations: Equations
    places: Places | None


class FrequencySolution(NamedTuple):
    """At one frequency: over density times speed of sound the pressure (A,) at the angles that sound reaches, and on
    axis in the far field, sound power, impedance of the exit, and the share that rounding may have changed.
    """

    pressure: ComplexArray
    on_axis: complex
    power: float
    impedance: complex
    rounding: float


FINENESS: dict[Setting, Fineness] = {
    "full": Fineness(),
    "screen": Fineness(Density(nodes_per_wavelength=7.0), edges=(0.7, 0.5, 0.3)),
    "estimate": Fineness(Density(nodes_per_wavelength=5.0), edges=(0.6, 0.3), checked=False),
}
"""Measured from 300 Hz to 20 kHz on nine shapes, baffled and free-standing, with mouths of 188 to 255 mm: index within
0.007, 0.012 and 0.031 dB rms, pressure above -20 dB within 0.005, 0.007 and 0.02 dB rms (0.07 behind a thin shell),
in times of 1, 0.6 and 0.3. The last does not estimate its own error.
"""


def judge_solver(setting: Setting = "full", *, cores: int = 1) -> Solver:
    """Boundary elements for round waveguides in their mounting, frequencies spread over cores. See Solver."""
    solve_boundary = body_solver(FINENESS[setting], setting=setting, cores=cores)

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        return solve_boundary(boundary_of(waveguide), observation, air)

    return solve


def body_solver(fineness: Fineness = FINENESS["full"], *, setting: str = "own", cores: int = 1) -> BoundarySolver:
    """Boundary elements for any boundary of revolution, frequencies spread over cores.

    What it returns raises ValueError if a point observed lies in the body or the one on axis behind the baffle, or if
    the body is too many wavelengths wide.

    setting : what provenance calls this fineness.
    """

    def solve(boundary: Boundary, observation: Observation, air: Air) -> Directivity:
        with one_thread():
            return _solved(boundary, observation, air, setting, fineness, cores)

    return solve


def _solved(
    boundary: Boundary, observation: Observation, air: Air, setting: str, fineness: Fineness, cores: int
) -> Directivity:
    frequency = observation.frequency
    wavenumber = 2 * np.pi * frequency / air.speed_of_sound
    seen = reached(boundary, observation)
    bands = list(bands_of(wavenumber, fineness.edges))

    def made(work: tuple[float, Fineness]) -> MeshedBody:
        top, each = work
        ready = equations(boundary, wavenumber=top, density=each.density, inside=each.inside)
        if observation.far_field:
            return MeshedBody(ready, None)
        return MeshedBody(ready, places(observation, seen, mesh=ready.mesh, baffled=boundary.baffled))

    def radiated(work: tuple[float, MeshedBody]) -> FrequencySolution:
        return _radiated(*work, observation, seen, boundary.baffled)

    # From the most work to the least, so that no core waits long for another.
    tops = [float(wavenumber[band.stop - 1]) for band in bands][::-1]
    finer = [(top, fineness.refined()) for top in tops] if fineness.checked else []
    ready = _on_cores(made, [*finer, *((top, fineness) for top in tops)], cores)
    meshes = ready[len(finer) :][::-1]
    # Under the finer mesh of each band, if any: the frequencies at which it is solved once more.
    checked = [(i, each) for band, each in zip(bands[::-1], ready[: len(finer)], strict=False) for i in _checked(band)]
    all_of = [(i, each) for band, each in zip(bands, meshes, strict=True) for i in range(band.start, band.stop)][::-1]
    found = _on_cores(radiated, [(float(wavenumber[i]), each) for i, each in [*checked, *all_of]], cores)
    again, results = found[: len(checked)], found[len(checked) :][::-1]

    pressure = np.zeros(observation.shape, dtype=np.complex128)
    pressure[:, :, seen] = air.impedance * np.array([each.pressure for each in results])[:, None, :]
    error = None
    if fineness.checked:
        at = [i for i, _ in checked][::-1]
        moved = _moved([results[i] for i in at], again[::-1], at=at, observation=observation, seen=seen)
        rough = [_roughness(each.equations) for band, each in zip(bands, meshes, strict=True) for _ in frequency[band]]
        share = np.array([each.rounding for each in results]) + np.array(rough)
        error = _over_bands(bands, at, moved).at_least(share)
    return Directivity(
        observation=observation,
        pressure=pressure,
        valid=np.ones(frequency.size, dtype=bool) if error is None else error.valid,
        density=air.density,
        speed_of_sound=air.speed_of_sound,
        half_space=boundary.baffled,
        sound_power=air.impedance * np.array([each.power for each in results]),
        throat_impedance=np.array([each.impedance for each in results]),
        error_estimate=None if error is None else error.index,
        polar_error=None if error is None else error.polar,
        impedance_error=None if error is None else error.impedance,
        far_field_index=power_db(np.array([4 * np.pi * abs(each.on_axis) ** 2 / each.power for each in results])),
        provenance={
            "method": "boundary_elements",
            "setting": setting,
            "version": __version__,
            "fineness": asdict(fineness),
            "bands": [
                {"to_hz": float(frequency[band.stop - 1]), "nodes": each.equations.mesh.size}
                for band, each in zip(bands, meshes, strict=True)
            ],
            # Above it a driver that does not move evenly can send its first non-axisymmetric mode through the throat.
            "first_cross_mode_hz": tube_cut_on(float(np.sqrt(boundary.source_area / np.pi)), air=air),
            "error_rms_db": None if error is None else float(np.sqrt(np.mean(error.index**2))),
        },
    )


def _on_cores(work: Callable[[Work], Result], items: Sequence[Work], cores: int) -> list[Result]:
    """The work on each item, in their order; compiled code lets other threads run."""
    if cores == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(cores) as threads:
        return list(threads.map(work, items))


def bands_of(wavenumber: FloatArray, edges: Sequence[float]) -> Iterator[slice]:
    """Wavenumbers that share a mesh, from the lowest band to the highest."""
    cuts = np.unique([0, *np.searchsorted(wavenumber, np.array(edges) * wavenumber[-1]), wavenumber.size])
    for first, beyond in itertools.pairwise(cuts):
        yield slice(int(first), int(beyond))


def _radiated(
    k: float, made: MeshedBody, observation: Observation, seen: BoolArray, baffled: bool
) -> FrequencySolution:
    mesh = made.equations.mesh
    surface = made.equations.solved(k)
    # The far field on axis too, for the index by which the error is measured.
    cosine = np.ones(1) if made.places else np.append(np.cos(observation.off_axis[seen]), 1.0)
    far = far_pressure(k, cosine, surface, mesh=mesh, baffled=baffled, reference_z=observation.reference_z)
    pressure = made.places.pressure(k, surface) if made.places else far[:-1]
    even = made.equations.stiff * mesh.weight * mesh.r
    impedance = complex(even @ surface.pressure / even.sum())
    return FrequencySolution(pressure, complex(far[-1]), made.equations.power(k, surface), impedance, surface.rounding)


def _checked(band: slice) -> list[int]:
    """The frequencies of a band that are solved again, the highest first. One alone can be where the error, which
    changes its sign over frequency, passes through 0.
    """
    return sorted({band.start + round(share * (band.stop - 1 - band.start)) for share in CHECKED_AT}, reverse=True)


def _moved(
    found: Sequence[FrequencySolution],
    finer: Sequence[FrequencySolution],
    *,
    at: Sequence[int],
    observation: Observation,
    seen: BoolArray,
) -> OwnError:
    """How far what was found at the frequencies `at` lies from what finer meshes give."""
    there = replace(observation, frequency=observation.frequency[list(at)], off_axis=observation.off_axis[seen])
    heard, again = _heard(found), _heard(finer)
    # By area, as far as the observed directions tell.
    area = np.abs(np.sin(there.off_axis)) + SAME_ANGLE
    overlap = np.sum(area * np.conj(heard.pressure) * again.pressure, axis=(1, 2))
    return own_error(heard, again, overlap=overlap, observation=there)


def _heard(results: Sequence[FrequencySolution]) -> FieldSamples:
    return FieldSamples(
        np.array([each.pressure for each in results])[:, None, :],
        np.array([each.on_axis for each in results]),
        np.array([each.power for each in results]),
        np.array([each.impedance for each in results]),
    )


def _roughness(made: Equations) -> float:
    """What the integrals over the mesh are off by, rms over its area, as a share of the pressure."""
    return float(np.sqrt(np.average(made.defect**2, weights=made.mesh.area)))


def _over_bands(bands: Sequence[slice], at: Sequence[int], error: OwnError) -> OwnError:
    """Over a whole band the largest error at those of its frequencies that were solved again."""

    def largest(values: FloatArray) -> FloatArray:
        over = np.empty(bands[-1].stop)
        for band in bands:
            over[band] = max(value for i, value in zip(at, values, strict=True) if band.start <= i < band.stop)
        return over

    return OwnError(largest(error.index), largest(error.polar), largest(error.impedance))


def warm_up() -> None:
    """Compile, or load from the cache, everything that a solve needs; a fraction of a second when cached."""
    quarter = 0.5 * np.pi
    ball = Boundary((BoundaryPart(Arc(0.01, 0.0, quarter, 3 * quarter, 0.01), normal),), 1e-3)
    tube = Boundary(
        (BoundaryPart(Line(0.0, 0.0, 0.0, 0.01), normal), BoundaryPart(Line(0.0, 0.01, 0.01, 0.01))), 1e-3, baffled=True
    )
    for boundary in (ball, tube):
        for distance in (1.0, np.inf):
            observation = Observation(frequency=np.array([1000.0]), off_axis=np.array([0.0]), distance=distance)
            body_solver()(boundary, observation, Air())
