"""The march over spherical caps as a solver: resolution by frequency, its three settings, and its own error."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import lru_cache

import numpy as np
from threadpoolctl import ThreadpoolController

from evenflare import __version__
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity import Directivity, Observation
from evenflare.radiation import Setting, Solver
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.field import far_field_index, pressure, sound_power
from evenflare.radiation.medium import Medium, Profile, available_memory, in_a_sphere, medium
from evenflare.radiation.resolution import OBLONG, ROUND, Resolution
from evenflare.radiation.wavefront import Sweep, launched
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray
from evenflare.waveguide import Conical, Oblong, Points, Waveguide

FINEST = 30.0
"""Fineness beyond which elements are not divided further."""
SMALLEST_ERROR = 5e-4
"""dB; no estimate claims less."""
VALID_ERROR = 0.5
"""dB; where the estimated error of the index is larger the result is marked as not valid."""


Work = tuple[FloatArray, Resolution]
"""Wavenumbers that share elements, and how fine these are."""


@dataclass(frozen=True)
class Problem:
    """A waveguide made ready to be solved at any frequency.

    before, after : the sweep up to the launching cap, on which one mode is carried, if any; and the rest, with many.
    exit_area     : m2.
    profile       : of the exit's velocity, unless it is even.
    """

    medium: Medium
    before: Sweep
    after: Sweep
    air: Air
    exit_area: float
    profile: Profile | None


@dataclass(frozen=True)
class Radiated:
    """Coefficients of the outgoing waves (F, D), throat impedance (F,), and what it took to find them."""

    outgoing: ComplexArray
    impedance: ComplexArray
    elements: int
    modes: int


def march_solver(setting: Setting, *, cores: int = 1) -> Solver:
    """The march at a setting, bands of frequencies spread over cores. See Solver."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        return at_resolution(_resolution(waveguide, setting), setting=setting, cores=cores)(waveguide, observation, air)

    return solve


def at_resolution(resolution: Resolution, *, setting: str = "own", cores: int = 1) -> Solver:
    """The march at any resolution, for studies of its convergence; `setting` is what provenance calls it."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        with _controller().limit(limits=1):
            return _solved(waveguide, observation, air, setting, resolution, cores)

    return solve


def memory_needed(
    waveguide: Waveguide, observation: Observation, air: Air, *, setting: Setting = "full", cores: int = 1
) -> int:
    """Bytes that a solve at a setting holds at once, mostly matrices of elements. Worked out without making them.

    Errors: ValueError if the wall cannot be swept.
    """
    wavenumber = 2 * np.pi * observation.frequency / air.speed_of_sound
    resolution = _resolution(waveguide, setting)
    whole = medium(waveguide, resolution.refined(), float(wavenumber[-1]))
    return _memory(whole, wavenumber, resolution, cores)


def _resolution(waveguide: Waveguide, setting: Setting) -> Resolution:
    return (ROUND if waveguide.is_round else OBLONG)[setting]


def _memory(whole: Medium, wavenumber: FloatArray, resolution: Resolution, cores: int) -> int:
    """As memory_needed: the largest elements, of the highest frequency, once for each core. Other bands need less."""
    largest = resolution.refined() if resolution.checks else resolution
    return cores * whole.bytes_needed(whole.sweep, float(wavenumber[-1]), largest)


def _refuse_too_large(needed: int) -> None:
    free = available_memory()
    if needed > free:
        raise ValueError(
            f"needs about {needed / 1e9:.1f} GB of memory, and {free / 1e9:.1f} GB are free. Lower to_hz, make the"
            ' mouth smaller, or take the setting "screen"'
        )


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    """The matrices are far too small for threaded linear algebra: one thread is several times faster."""
    return ThreadpoolController()


def _solved(
    waveguide: Waveguide,
    observation: Observation,
    air: Air,
    setting: str,
    resolution: Resolution,
    cores: int,
) -> Directivity:
    frequency = observation.frequency
    wavenumber = 2 * np.pi * frequency / air.speed_of_sound
    finest = resolution.refined()
    whole = medium(waveguide, finest, float(wavenumber[-1]))
    before, after = launched(whole.sweep) if resolution.one_mode else ((), whole.sweep)
    driver, end = waveguide.driver, whole.end
    profile = None if driver.velocity_profile is None else driver.velocity
    problem = Problem(whole, before, after, air, driver.exit_area, profile)
    needed = _memory(whole, wavenumber, resolution, cores)
    _refuse_too_large(needed)
    bands = list(_bands(wavenumber, resolution.edges))
    checked = bands[-resolution.checks :] if resolution.checks else []
    # From the most work to the least, so that no core waits long for another.
    checks = [(wavenumber[band.stop - 1 : band.stop], finest) for band in reversed(checked)]
    solves = [(wavenumber[band], resolution) for band in reversed(bands)]
    found = _on_cores(lambda each: _radiated(problem, *each), [*checks, *solves], cores)
    again, parts = found[: len(checks)][::-1], found[len(checks) :][::-1]
    outgoing = np.zeros((frequency.size, max(part.outgoing.shape[1] for part in parts)), dtype=np.complex128)
    for band, part in zip(bands, parts, strict=True):
        outgoing[band, : part.outgoing.shape[1]] = part.outgoing
    error = None
    if checked:
        finer = [float(far_field_index(check.outgoing, end=end)[0]) for check in again]
        error = _error_estimate(checked, wavenumber, far_field_index(outgoing, end=end), finer)
    return Directivity(
        observation=observation,
        pressure=pressure(outgoing, wavenumber, end=end, observation=observation),
        valid=np.ones(frequency.size, dtype=bool) if error is None else error <= VALID_ERROR,
        density=air.density,
        speed_of_sound=air.speed_of_sound,
        half_space=end.half_space,
        sound_power=sound_power(outgoing, wavenumber, end=end, air=air),
        throat_impedance=np.concatenate([part.impedance for part in parts]),
        error_estimate=error,
        provenance={
            "method": "march",
            "setting": setting,
            "version": __version__,
            "resolution": asdict(resolution),
            **_approximation(waveguide),
            "bands": [
                {"to_hz": float(frequency[band][-1]), "elements": part.elements, "modes": part.modes}
                for band, part in zip(bands, parts, strict=True)
            ],
            # Above it a driver that does not move evenly can send its first sideways mode through the throat.
            "first_cross_mode_hz": tube_cut_on(whole.throat_radius, air=air),
            "memory_mb": needed / 1e6,
            "error_rms_db": None if error is None else float(np.sqrt(np.mean(error**2))),
        },
    )


def _on_cores(work: Callable[[Work], Radiated], items: Sequence[Work], cores: int) -> list[Radiated]:
    """The work on each item, in their order; compiled code lets other threads run."""
    if cores == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(cores) as threads:
        return list(threads.map(work, items))


def _bands(wavenumber: FloatArray, edges: Sequence[float]) -> Iterator[slice]:
    """Wavenumbers that share elements, from the lowest band to the highest."""
    cuts = np.unique([0, *np.searchsorted(wavenumber, np.array(edges) * wavenumber[-1]), wavenumber.size])
    for first, beyond in itertools.pairwise(cuts):
        yield slice(int(first), int(beyond))


def _radiated(problem: Problem, wavenumber: FloatArray, resolution: Resolution) -> Radiated:
    """One band (F,) of wavenumbers, on elements made for its highest."""
    # A launching cap moves evenly: one mode tells of no profile.
    profile = None if problem.before else problem.profile
    elements, (stiffness, flux, met) = _eliminated_along(problem.medium, problem.after, wavenumber, resolution, profile)
    radiation = problem.medium.end.radiation(wavenumber, flux.shape[2])
    last = np.linalg.solve(stiffness + radiation.admittance, flux[:, -1, :, None])[:, :, 0]
    # The even pressure (the first source) that what moves (the last) causes.
    impedance = met[:, 0, -1] + np.sum(flux[:, 0] * last, axis=1)
    if problem.before:
        # One mode, sqrt(2) everywhere on a cap, moves the launching cap evenly: the flux that leaves it is
        # 2 / impedance times its amplitude, with the mean pressure per unit of even flux as impedance.
        one_mode = replace(resolution, modes=1, modes_per_ka=0)
        inside, (stiffness, flux, met) = _eliminated_along(problem.medium, problem.before, wavenumber, one_mode, None)
        elements += inside
        amplitude = flux[:, 0, 0] / (stiffness[:, 0, 0] + 2.0 / impedance)
        last = last * (np.sqrt(2.0) * amplitude / impedance)[:, None]
        impedance = met[:, 0, 0] + flux[:, 0, 0] * amplitude
    # For 1 m/s rms over the exit: flux density j w rho u, of which the factor 2 pi of the azimuth is left out.
    drive = 1j * wavenumber * problem.air.impedance * problem.exit_area / (2 * np.pi)
    outgoing = radiation.outgoing(drive[:, None] * last)
    return Radiated(outgoing, drive * impedance / problem.air.impedance, elements, last.shape[1])


def _eliminated_along(
    whole: Medium, part: Sweep, wavenumber: FloatArray, resolution: Resolution, profile: Profile | None
) -> tuple[int, tuple[FloatArray, FloatArray, FloatArray]]:
    """The number of elements and `eliminated` over a sweep whose first cap moves evenly or with a profile."""
    try:
        elements, sources = whole.elements(part, float(wavenumber[-1]), resolution, profile)
        return elements.modes.size, eliminated(elements, wavenumber, sources)
    except ArithmeticError:
        # Where caps lean against the wall an element can be longer inside than along wall and axis, or fold.
        if resolution.fineness > FINEST:
            raise ValueError(
                "the wall turns too sharply to be solved: round its sharpest bend, or give more points there; smooth_mm"
                " smooths rough ones"
            ) from None
        return _eliminated_along(whole, part, wavenumber, resolution.finer(), profile)


def _approximation(waveguide: Waveguide) -> dict[str, str]:
    """What provenance says, in words, of a mounting that the march takes for another."""
    if waveguide.mounting.kind != "free_standing":
        return {}
    radius = in_a_sphere(waveguide).mounting.radius
    assert radius is not None  # a sphere has one
    return {
        "approximation": f"the body is taken to be a rigid sphere of {2 * radius / MILLIMETRE:.0f} mm diameter that"
        ' meets the rim; the method "boundary_elements" solves its own shape'
    }


def _error_estimate(
    bands: list[slice], wavenumber: FloatArray, index: FloatArray, again: Sequence[float]
) -> FloatArray:
    """(F,) dB: how much the directivity index (F,) moves on finer elements with more modes.

    again : for each band the index at its highest frequency, solved more finely. Within a band the error falls with
            the sixth power of the frequency, the order of an element; in lower bands, whose elements are longer in
            proportion, it is taken to be what it is in the lowest of those checked.
    """
    error = np.empty(wavenumber.size)
    begin = 0
    for band, finer in zip(bands, again, strict=True):
        top = band.stop - 1
        share = wavenumber[begin : band.stop] / wavenumber[top]
        error[begin : band.stop] = abs(finer - index[top]) * share**6
        begin = band.stop
    error[: bands[0].start] = error[bands[0].stop - 1]
    return np.maximum(error, SMALLEST_ERROR)


def warm_up() -> None:
    """Compile, or load from the cache, everything that a solve needs; a fraction of a second when cached."""
    observation = Observation(frequency=np.array([1000.0]), off_axis=np.array([0.0]))
    narrowing = Points(((0.0, 0.0127), (0.02, 0.02), (0.04, 0.024)))
    march_solver("screen")(Waveguide(narrowing), observation, Air())
    widening = Oblong(Conical(0.02, 0.6), Conical(0.02, 0.4))
    march_solver("screen")(Waveguide(widening), observation, Air())
