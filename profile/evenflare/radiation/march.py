"""The march over spherical caps as a solver: resolution by frequency, its three settings, and its own error."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache

import numpy as np
from threadpoolctl import ThreadpoolController

from evenflare import __version__
from evenflare.air import Air
from evenflare.closed_forms import tube_cut_on
from evenflare.directivity import Directivity, Observation
from evenflare.radiation import Setting, Solver
from evenflare.radiation.elements import EXTRA_POINTS, assembled, divided
from evenflare.radiation.elimination import eliminated
from evenflare.radiation.field import far_field_index, pressure, sound_power
from evenflare.radiation.modes import radial_quadrature, tabulated_modes
from evenflare.radiation.termination import Baffle, End, Sphere
from evenflare.radiation.wavefront import FLAT, Caps, Sweep, launched, sweep
from evenflare.units import ComplexArray, FloatArray, IntArray
from evenflare.waveguide import Points, Waveguide

FINEST = 30.0
"""Fineness beyond which elements are not divided further."""
SMALLEST_ERROR = 5e-4
"""dB; no estimate claims less."""
VALID_ERROR = 0.5
"""dB; where the estimated error of the index is larger the result is marked as not valid."""


@dataclass(frozen=True)
class Resolution:
    """How finely the air is divided.

    modes, modes_per_ka : radial modes of an element, modes + modes_per_ka * k r at its largest radius r.
    steps               : elements per wavelength of travel, wall or apex; above 2.
    fineness            : scales down the turn and growth of an element, which hold at any frequency.
    edges               : of the bands whose frequencies share elements, as shares of the highest frequency. Many
                          where solving is dear (cost grows about as f^4), few where making elements is.
    checks              : in how many bands, from the highest down, the error is estimated.
    one_mode            : carry one mode up to the launching cap, as waves on spherical caps are classically described.
    """

    modes: float
    modes_per_ka: float
    steps: float
    fineness: float
    edges: tuple[float, ...] = (0.71, 0.5, 0.35, 0.25, 0.125)
    checks: int = 0
    one_mode: bool = False

    def refined(self) -> Resolution:
        """The finer resolution whose difference measures the error of this one."""
        return Resolution(self.modes + 2, 1.1 * self.modes_per_ka, 1.2 * self.steps, 1.2 * self.fineness)


RESOLUTIONS: dict[Setting, Resolution] = {
    "full": Resolution(5.0, 0.45, 3.0, 1.0, checks=6),
    "screen": Resolution(4.0, 0.34, 2.1, 0.6, (0.65, 0.4, 0.2), checks=2),
    "estimate": Resolution(3.0, 0.07, 2.05, 0.35, (0.4,), one_mode=True),
}


@dataclass(frozen=True)
class Problem:
    """A waveguide made ready to be solved at any frequency.

    before, after : the sweep up to the launching cap, on which one mode is carried, if any; and the rest, with many.
    exit_area     : m2.
    """

    before: Sweep
    after: Sweep
    end: End
    air: Air
    exit_area: float


@dataclass(frozen=True)
class Radiated:
    """Coefficients of the outgoing waves (F, D), throat impedance (F,), and what it took to find them."""

    outgoing: ComplexArray
    impedance: ComplexArray
    elements: int
    modes: int


def march_solver(setting: Setting) -> Solver:
    """The march at a setting. See Solver."""
    return at_resolution(RESOLUTIONS[setting], setting=setting)


def at_resolution(resolution: Resolution, *, setting: str = "own") -> Solver:
    """The march at any resolution, for studies of its convergence; `setting` is what provenance calls it."""

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        with _controller().limit(limits=1):
            return _solved(waveguide, observation, air, setting, resolution)

    return solve


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    """The matrices are far too small for threaded linear algebra: one thread is several times faster."""
    return ThreadpoolController()


def _solved(
    waveguide: Waveguide, observation: Observation, air: Air, setting: str, resolution: Resolution
) -> Directivity:
    whole = sweep(waveguide)
    frequency = observation.frequency
    wavenumber = 2 * np.pi * frequency / air.speed_of_sound
    finest = resolution.refined()
    end = _end(waveguide, int(_modes(finest, wavenumber[-1], np.array([waveguide.meridian.mouth_radius]))[0]))
    before, after = launched(whole) if resolution.one_mode else ((), whole)
    problem = Problem(before, after, end, air, waveguide.driver.exit_area)
    bands = list(_bands(frequency, resolution.edges))
    parts = [_radiated(problem, wavenumber[band], resolution) for band in bands]
    outgoing = np.zeros((frequency.size, max(part.outgoing.shape[1] for part in parts)), dtype=np.complex128)
    for band, part in zip(bands, parts, strict=True):
        outgoing[band, : part.outgoing.shape[1]] = part.outgoing
    found = pressure(outgoing, wavenumber, end=end, observation=observation)
    error = None
    if resolution.checks:
        checked = bands[-resolution.checks :]
        error = _error_estimate(problem, checked, wavenumber, far_field_index(outgoing, end=end), finest)
    return Directivity(
        observation=observation,
        pressure=np.repeat(found[:, None, :], observation.plane.size, axis=1),
        valid=np.ones(frequency.size, dtype=bool) if error is None else error <= VALID_ERROR,
        density=air.density,
        speed_of_sound=air.speed_of_sound,
        half_space=waveguide.mounting.radius is None,
        sound_power=sound_power(outgoing, wavenumber, end=end, air=air),
        throat_impedance=np.concatenate([part.impedance for part in parts]),
        error_estimate=error,
        provenance={
            "method": "march",
            "setting": setting,
            "version": __version__,
            "resolution": asdict(resolution),
            "bands": [
                {"to_hz": float(frequency[band][-1]), "elements": part.elements, "modes": part.modes}
                for band, part in zip(bands, parts, strict=True)
            ],
            # Above it a driver that does not move evenly can send its first sideways mode through the throat.
            "first_cross_mode_hz": tube_cut_on(waveguide.meridian.throat_radius, air=air),
            "error_rms_db": None if error is None else float(np.sqrt(np.mean(error**2))),
        },
    )


def _end(waveguide: Waveguide, most: int) -> End:
    meridian, radius = waveguide.meridian, waveguide.mounting.radius
    if radius is None:
        return Baffle(meridian.mouth_radius, meridian.depth)
    half_angle = float(np.arcsin(meridian.mouth_radius / radius))
    return Sphere(radius, half_angle, meridian.depth - radius * float(np.cos(half_angle)), most)


def _bands(frequency: FloatArray, edges: Sequence[float]) -> Iterator[slice]:
    """Frequencies that share elements, from the lowest band to the highest."""
    cuts = np.unique([0, *np.searchsorted(frequency, np.array(edges) * frequency[-1]), frequency.size])
    for first, beyond in itertools.pairwise(cuts):
        yield slice(int(first), int(beyond))


def _modes(resolution: Resolution, wavenumber: float, radius: FloatArray) -> IntArray:
    return np.ceil(resolution.modes + resolution.modes_per_ka * wavenumber * radius).astype(np.int64)


def _radiated(problem: Problem, wavenumber: FloatArray, resolution: Resolution) -> Radiated:
    """One band (F,) of wavenumbers, on elements made for its highest."""
    elements, (stiffness, flux, met) = _eliminated_along(problem.after, wavenumber, resolution)
    radiation = problem.end.radiation(wavenumber, flux.shape[1])
    last = np.linalg.solve(stiffness + radiation.admittance, flux[:, :, None])[:, :, 0]
    impedance = met + np.sum(flux * last, axis=1)
    if problem.before:
        # One mode, sqrt(2) everywhere on a cap, moves the launching cap evenly: the flux that leaves it is
        # 2 / impedance times its amplitude, with the mean pressure per unit of even flux as impedance.
        one_mode = replace(resolution, modes=1, modes_per_ka=0)
        inside, (stiffness, flux, met) = _eliminated_along(problem.before, wavenumber, one_mode)
        elements += inside
        amplitude = flux[:, 0] / (stiffness[:, 0, 0] + 2.0 / impedance)
        last = last * (np.sqrt(2.0) * amplitude / impedance)[:, None]
        impedance = met + flux[:, 0] * amplitude
    # For 1 m/s rms over the exit: flux density j w rho u, of which the factor 2 pi of the azimuth is left out.
    drive = 1j * wavenumber * problem.air.impedance * problem.exit_area / (2 * np.pi)
    outgoing = radiation.outgoing(drive[:, None] * last)
    return Radiated(outgoing, drive * impedance / problem.air.impedance, elements, last.shape[1])


def _eliminated_along(
    part: Sweep, wavenumber: FloatArray, resolution: Resolution
) -> tuple[int, tuple[FloatArray, FloatArray, FloatArray]]:
    """The number of elements and `eliminated` over a sweep whose first cap moves evenly."""
    highest = float(wavenumber[-1])
    caps = divided(part, 2 * np.pi / highest / resolution.steps, resolution.fineness)
    modes = _modes(resolution, highest, caps.r.max(axis=1))
    try:
        return modes.size, eliminated(assembled(caps, modes), wavenumber, _mean_over_cap(caps, int(modes[0])))
    except ArithmeticError:
        # Where caps lean against the wall an element can be longer inside than along wall and axis, or fold.
        if resolution.fineness > FINEST:
            raise ValueError(
                "the wall turns too sharply to be solved: round its sharpest bend, or give more points there"
            ) from None
        finer = replace(resolution, steps=1.5 * resolution.steps, fineness=1.5 * resolution.fineness)
        return _eliminated_along(part, wavenumber, finer)


def _mean_over_cap(caps: Caps, modes: int) -> FloatArray:
    """(modes,) the mean of each mode over the first cap: what averages pressure, and what an even motion excites."""
    half_angle = max(float(caps.b[0, 0]), FLAT)
    u, weights = radial_quadrature(modes + EXTRA_POINTS)
    values, _ = tabulated_modes(modes, modes + EXTRA_POINTS)
    eta = np.sqrt(u)
    area = weights * np.sin(half_angle * eta) / eta
    return np.asarray(area @ values / area.sum())


def _error_estimate(
    problem: Problem, bands: list[slice], wavenumber: FloatArray, index: FloatArray, finest: Resolution
) -> FloatArray:
    """(F,) dB: how much the directivity index (F,) moves on finer elements with more modes.

    Solved again at the highest frequency of each band. Within a band the error falls with the sixth power of the
    frequency, the order of an element; in lower bands, whose elements are longer in proportion, it is taken to be
    what it is in the lowest of those checked.
    """
    error = np.empty(wavenumber.size)
    begin = 0
    for band in bands:
        top = band.stop - 1
        again = _radiated(problem, wavenumber[top : band.stop], finest)
        moved = abs(far_field_index(again.outgoing, end=problem.end)[0] - index[top])
        error[begin : band.stop] = moved * (wavenumber[begin : band.stop] / wavenumber[top]) ** 6
        begin = band.stop
    error[: bands[0].start] = error[bands[0].stop - 1]
    return np.maximum(error, SMALLEST_ERROR)


def warm_up() -> None:
    """Compile, or load from the cache, everything that a solve needs; a fraction of a second when cached."""
    observation = Observation(frequency=np.array([1000.0]), off_axis=np.array([0.0]))
    narrowing = Points(((0.0, 0.0127), (0.02, 0.02), (0.04, 0.024)))
    march_solver("screen")(Waveguide(narrowing), observation, Air())
