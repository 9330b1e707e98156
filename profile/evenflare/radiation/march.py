"""The march over spherical caps as a solver: resolution by frequency, its three settings, and its own error."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from evenflare import __version__
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity.types import Directivity, Observation
from evenflare.exterior.cabinets import Operator, operator_of, top_wavenumber
from evenflare.radiation import Setting, Solver
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.field import far_field_index, far_on_axis, on_axis_index, overlap, pressure, sound_power
from evenflare.radiation.in_cabinet import InCabinet
from evenflare.radiation.ledge import Profile
from evenflare.radiation.medium import Medium, available_memory, medium, sphere_of
from evenflare.radiation.one_thread import one_thread
from evenflare.radiation.own_error import FieldSamples, OwnError, between, own_error
from evenflare.radiation.resolution import OBLONG, ROUND, Resolution
from evenflare.radiation.source import driven
from evenflare.radiation.wavefront import Sweep, launched
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray, IntArray
from evenflare.waveguide import Conical, Driver, Oblong, Points, Waveguide

FINEST = 30.0
"""Fineness beyond which elements are not divided further."""
ON_A_SPHERE = 6
"""More modes of the finer answer where the last cap is part of a sphere: what leaves it is singular at a sharp rim, and
the error falls only about as the number of modes (measured)."""


@dataclass(frozen=True)
class Problem:
    """A waveguide made ready to be solved at any frequency.

    resolution    : how finely.
    before, after : the sweep up to the launching cap, on which one mode is carried, if any; and the rest, with many.
    exit_area     : m2.
    profile       : of the exit's velocity, unless it is even.
    """

    medium: Medium
    resolution: Resolution
    before: Sweep
    after: Sweep
    air: Air
    exit_area: float
    profile: Profile | None


Result = TypeVar("Result")
Work = tuple[Problem, FloatArray]
"""A problem and wavenumbers that share elements."""


@dataclass(frozen=True)
class BandSolution:
    """Coefficients of the outgoing waves (F, D), throat impedance (F,), and what it took to find them."""

    outgoing: ComplexArray
    impedance: ComplexArray
    elements: int
    modes: int


@dataclass(frozen=True)
class Answer:
    """What was found of a problem, from its lowest band of frequencies to its highest."""

    problem: Problem
    parts: Sequence[BandSolution]

    @cached_property
    def outgoing(self) -> ComplexArray:
        """(F, D) coefficients of the outgoing waves."""
        shapes = [part.outgoing.shape for part in self.parts]
        whole = np.zeros((sum(count for count, _ in shapes), max(waves for _, waves in shapes)), dtype=np.complex128)
        first = 0
        for part, (count, waves) in zip(self.parts, shapes, strict=True):
            whole[first : first + count, :waves] = part.outgoing
            first += count
        return whole


def march_solver(setting: Setting, *, cores: int = 1) -> Solver:
    """The march at a setting, bands of frequencies spread over cores. See Solver."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        return at_resolution(resolution_of(waveguide, setting), setting=setting, cores=cores)(
            waveguide, observation, air
        )

    return solve


def at_resolution(resolution: Resolution, *, setting: str = "own", cores: int = 1) -> Solver:
    """The march at any resolution, for studies of its convergence; `setting` is what provenance calls it."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        with one_thread():
            return _solved(waveguide, observation, air, setting, resolution, cores)

    return solve


def memory_needed(
    waveguide: Waveguide, observation: Observation, air: Air, *, setting: Setting = "full", cores: int = 1
) -> int:
    """Bytes that a solve at a setting holds at once, mostly matrices of elements. Worked out without making them.

    Errors: ValueError if the wall cannot be swept.
    """
    wavenumber = 2 * np.pi * observation.frequency / air.speed_of_sound
    resolution = resolution_of(waveguide, setting)
    _, fine = _problems(waveguide, resolution, air, float(wavenumber[-1]))
    return _memory(fine, wavenumber, cores)


def profile_of(driver: Driver) -> Profile | None:
    """Of the velocity of its exit, unless it is even."""
    return None if driver.velocity_profile is None else driver.velocity


def resolution_of(waveguide: Waveguide, setting: Setting) -> Resolution:
    """How finely a waveguide is divided at a setting."""
    return (ROUND if waveguide.is_round else OBLONG)[setting]


def index_solver(setting: Setting, *, cores: int = 1) -> Solver:
    """The march at a setting without its own error, for the many solves of a study and for who waits: half the time of
    a round waveguide, a quarter of an oblong one's.
    """

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        resolution = replace(resolution_of(waveguide, setting), apart=0.0)
        return at_resolution(resolution, setting=setting, cores=cores)(waveguide, observation, air)

    return driven(solve)


def _memory(fine: Problem, wavenumber: FloatArray, cores: int) -> int:
    """As memory_needed: the largest elements, of the highest frequency, once for each core. Other bands need less."""
    whole = fine.medium
    return cores * whole.bytes_needed(whole.sweep, float(wavenumber[-1]), fine.resolution)


def refuse_too_large(needed: int) -> None:
    """ValueError for a solve that needs more bytes than are free."""
    free = available_memory()
    if needed > free:
        raise ValueError(
            f"needs about {needed / 1e9:.1f} GB of memory, and {free / 1e9:.1f} GB are free. Lower to_hz, make the"
            ' mouth smaller, or take the setting "screen"'
        )


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
    operator = None
    if (cabinet := waveguide.mounting.cabinet) is not None:
        operator = operator_of(cabinet, wavenumber, is_round=waveguide.is_round, cores=cores)
    coarse, fine = _problems(waveguide, resolution, air, float(wavenumber[-1]), operator)
    bands = bands_of(wavenumber, resolution.edges)
    checked = _checked(wavenumber, bands, resolution.apart)
    checks = bands_of(wavenumber[checked], fine.resolution.edges) if checked.size else []
    # From the most work to the least, so that no core waits long for another.
    twice = [wavenumber[checked][band] for band in reversed(checks)]
    once = [wavenumber[band] for band in reversed(bands)]
    for problem, every in ((fine, twice), (coarse, once)):
        if every:
            problem.medium.foreseen(problem.after, [float(each[-1]) for each in every], problem.resolution)
    needed = _memory(fine, wavenumber, cores)
    refuse_too_large(needed)
    work = [*((fine, each) for each in twice), *((coarse, each) for each in once)]
    found = _on_cores(lambda each: _radiated(*each), work, cores)
    again, answer = Answer(fine, found[: len(checks)][::-1]), Answer(coarse, found[len(checks) :][::-1])
    heard = _heard(answer, observation)
    error = _error(answer, heard, again, checked, observation) if checks else None
    end, index = coarse.medium.end, on_axis_index(heard.on_axis, heard.power, wavenumber, air=air)
    if error is not None and isinstance(end, InCabinet):
        in_a_baffle = far_field_index(answer.outgoing, wavenumber, end=end.bare)
        rest = end.unsolved(wavenumber, index - in_a_baffle)
        error = replace(error, index=np.hypot(error.index, rest), polar=np.hypot(error.polar, 2.0 * rest))
    return Directivity(
        observation=observation,
        pressure=heard.pressure,
        valid=np.ones(frequency.size, dtype=bool) if error is None else error.valid,
        density=air.density,
        speed_of_sound=air.speed_of_sound,
        half_space=coarse.medium.end.half_space,
        sound_power=heard.power,
        throat_impedance=heard.impedance,
        error_estimate=None if error is None else error.index,
        polar_error=None if error is None else error.polar,
        impedance_error=None if error is None else error.impedance,
        far_field_index=index,
        provenance={
            "method": "march",
            "setting": setting,
            "version": __version__,
            "resolution": asdict(resolution),
            **_approximation(waveguide, air),
            "bands": [
                {"to_hz": float(frequency[band][-1]), "elements": part.elements, "modes": part.modes}
                for band, part in zip(bands, answer.parts, strict=True)
            ],
            # Above it a driver that does not move evenly can send its first non-axisymmetric mode through the throat.
            "first_cross_mode_hz": tube_cut_on(coarse.medium.throat_radius, air=air),
            "memory_mb": needed / 1e6,
            "error_rms_db": None if error is None else float(np.sqrt(np.mean(error.index**2))),
        },
    )


def _problems(
    waveguide: Waveguide, resolution: Resolution, air: Air, wavenumber: float, operator: Operator | None = None
) -> tuple[Problem, Problem]:
    """The problem at a resolution, and at the finer one that tells of its error, up to a wavenumber, rad/m.

    operator : of the cabinet that is there.
    """
    finest = resolution.refined() if resolution.apart else resolution
    if resolution.apart and waveguide.mounting.radius is not None:
        finest = replace(finest, modes=finest.modes + ON_A_SPHERE)
    fine = medium(waveguide, finest, wavenumber, operator=operator)
    # The modes of a round waveguide are the first of the finer ones.
    alike = waveguide.is_round or not resolution.apart
    coarse = fine if alike else medium(waveguide, resolution, wavenumber, operator=operator)
    driver = waveguide.driver
    profile = profile_of(driver)
    made = []
    for whole, each in ((coarse, resolution), (fine, finest)):
        before, after = launched(whole.sweep) if each.one_mode else ((), whole.sweep)
        made.append(Problem(whole, each, before, after, air, driver.exit_area, profile))
    return made[0], made[1]


def _checked(wavenumber: FloatArray, bands: Sequence[slice], apart: float) -> IntArray:
    """Indices of the wavenumbers that are solved again: of each band the highest, and down as far apart as may be."""
    chosen: list[int] = []
    for band in bands if apart else []:
        at = band.stop - 1
        while at >= band.start:
            chosen.append(at)
            at = min(at - 1, int(np.searchsorted(wavenumber, wavenumber[at] / apart)))
    return np.array(sorted(chosen), dtype=np.int64)


def _heard(answer: Answer, observation: Observation) -> FieldSamples:
    """What an answer at the observation's frequencies sounds like there."""
    end, air = answer.problem.medium.end, answer.problem.air
    wavenumber = 2 * np.pi * observation.frequency / air.speed_of_sound
    return FieldSamples(
        pressure(answer.outgoing, wavenumber, end=end, observation=observation),
        far_on_axis(answer.outgoing, wavenumber, end=end),
        sound_power(answer.outgoing, wavenumber, end=end, air=air),
        np.concatenate([part.impedance for part in answer.parts]),
    )


def _error(answer: Answer, heard: FieldSamples, again: Answer, at: IntArray, observation: Observation) -> OwnError:
    """The error of what was heard of an answer, from one found again at the frequencies of index `at`."""
    ends = answer.problem.medium.end, again.problem.medium.end
    seen = replace(observation, frequency=observation.frequency[at])
    both = overlap(answer.outgoing[at], again.outgoing, ends=ends)
    error = own_error(heard.at_frequencies(at), _heard(again, seen), overlap=both, observation=seen)
    return between(error, at, observation.frequency.size)


def _on_cores(work: Callable[[Work], BandSolution], items: Sequence[Work], cores: int) -> list[BandSolution]:
    """The work on each item, in their order; compiled code lets other threads run."""
    if cores == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(cores) as threads:
        return list(threads.map(work, items))


def bands_of(wavenumber: FloatArray, edges: Sequence[float]) -> list[slice]:
    """Wavenumbers that share elements, from the lowest band to the highest."""
    cuts = np.unique([0, *np.searchsorted(wavenumber, np.array(edges) * wavenumber[-1]), wavenumber.size])
    return [slice(int(first), int(beyond)) for first, beyond in itertools.pairwise(cuts)]


def _radiated(problem: Problem, wavenumber: FloatArray) -> BandSolution:
    """One band (F,) of wavenumbers, on elements made for its highest."""
    resolution = problem.resolution
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
    return BandSolution(outgoing, drive * impedance / problem.air.impedance, elements, last.shape[1])


def _eliminated_along(
    whole: Medium, part: Sweep, wavenumber: FloatArray, resolution: Resolution, profile: Profile | None
) -> tuple[int, tuple[FloatArray, FloatArray, FloatArray]]:
    """The number of elements and `eliminated` over a sweep whose first cap moves evenly or with a profile."""

    def attempted(tried: Resolution) -> tuple[int, tuple[FloatArray, FloatArray, FloatArray]]:
        elements = whole.elements(part, float(wavenumber[-1]), tried)
        count = elements.modes.size
        return count, eliminated(elements, wavenumber, whole.excited(part, int(elements.modes[0]), profile))

    return refining(attempted, resolution)


def refining(attempted: Callable[[Resolution], Result], resolution: Resolution) -> Result:
    """What is found at a resolution, or at the first finer one at which no element is folded or too long.

    Where caps lean against the wall an element can be longer inside than along wall and axis, or fold.
    Errors: ValueError if that is so however fine.
    """
    try:
        return attempted(resolution)
    except ArithmeticError:
        if resolution.fineness > FINEST:
            raise ValueError(
                "the wall turns too sharply to be solved: round its sharpest bend, or give more points there; smooth_mm"
                " smooths rough ones"
            ) from None
        return refining(attempted, resolution.finer())


def _approximation(waveguide: Waveguide, air: Air) -> dict[str, str]:
    """What provenance says, in words, of a mounting that the march takes for another."""
    if (cabinet := waveguide.mounting.cabinet) is not None:
        top = top_wavenumber(cabinet) * air.speed_of_sound / (2 * np.pi)
        return {
            "cabinet": f"the cabinet is solved to {top:.0f} Hz; above, the mouth is taken to lie in an infinite baffle,"
            " and levels behind it are not known"
        }
    if waveguide.mounting.kind != "free_standing":
        return {}
    radius = sphere_of(waveguide)
    assert radius is not None  # a body has one
    where = "meets the rim" if waveguide.is_round else "bears the mouth, which moves as in a baffle"
    return {
        "approximation": f"the body is taken to be a rigid sphere of {2 * radius / MILLIMETRE:.0f} mm diameter that"
        f' {where}; the method "boundary_elements" solves its own shape'
    }


def warm_up() -> None:
    """Compile, or load from the cache, everything that a solve needs; a fraction of a second when cached."""
    observation = Observation(frequency=np.array([1000.0]), off_axis=np.array([0.0]))
    narrowing = Points(((0.0, 0.0127), (0.02, 0.02), (0.04, 0.024)))
    for seen in (observation, replace(observation, distance=1.0)):
        march_solver("screen")(Waveguide(narrowing), seen, Air())
    widening = Oblong(Conical(0.02, 0.6), Conical(0.02, 0.4))
    march_solver("screen")(Waveguide(widening), observation, Air())
