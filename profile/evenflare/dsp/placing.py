"""Ways of a loudspeaker where they stand: what each sends in every direction from one common reference point.

The reference point lies on the baffle; x runs to the right as a listener sees it who faces the loudspeaker, y up, z out
of the baffle. Off-axis angles and azimuths are those of `Observation`: azimuth 0 is the x axis, pi/2 the y axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from evenflare import metrics
from evenflare.directivity.types import Directivity, Observation, unit_vectors
from evenflare.dsp.alignments import LowAlignment, fall_off
from evenflare.dsp.drivers import Radiator
from evenflare.units import DEGREE, BoolArray, ComplexArray, FloatArray, read_only

PLANES: FloatArray = read_only(np.arange(0.0, 91.0, 10.0) * DEGREE)
ALL_PLANES: FloatArray = read_only(np.arange(0.0, 171.0, 10.0) * DEGREE)
"""Where left and right differ."""
STEP = 2.5
"""Degrees between off-axis angles. So closely, a pair of point sources has its power within 0.02 dB of the closed form
up to two wavelengths apart."""
Place = tuple[float, float, float]
Level = Literal["on_axis", "listening_window", "nothing"]
WINDOW = ((0.0, (0.0, 10.0, 20.0, 30.0, -10.0, -20.0, -30.0)), (90.0, (10.0, -10.0)))
"""Azimuth and off-axis angles in degrees of the nine responses of the listening window of ANSI/CTA-2034-A."""


@dataclass(frozen=True)
class Way:
    """One way: a driver, or several equal ones that share its signal.

    name      : as the user calls it.
    driver    : alike at all positions.
    positions : (x, y, z) in m of each.
    level     : what its own equaliser makes flat, before the crossover: its response on axis, level and phase; the
                level of its listening window, and its phase on axis; or nothing: then its mean level over `passband` is
                0 dB.
    passband  : Hz.
    box       : how its box lets it fall off, which is not in `driver` and which its own equaliser leaves as it is.
    """

    name: str
    driver: Radiator
    positions: tuple[Place, ...]
    level: Level = "on_axis"
    passband: tuple[float, float] = (0.0, np.inf)
    box: LowAlignment = LowAlignment()


@dataclass(frozen=True)
class UnfilteredWays:
    """What N ways send, each without its slopes, on a common grid.

    observation : of F frequencies, P planes and A angles.
    pressure    : (N, F, P, A) Pa, in the far field Pa m.
    power       : (F, N, N) mean over the whole sphere of p_i conj(p_j): the power of any sum is a form of it.
    window      : (F, N, N) the same mean over the listening window.
    own         : of each way the directivity about its own middle.
    valid       : (N, F) True where its driver is known.
    taken       : (N, F) complex, what was divided out by `Way.level`.
    boxes       : (N, F) complex, how their boxes let them fall off.
    ahead       : (N, F) complex, the ways' own filters, which are in all of these; 1 without.
    """

    ways: tuple[Way, ...]
    observation: Observation
    pressure: ComplexArray
    power: ComplexArray
    window: ComplexArray
    own: tuple[Directivity, ...]
    valid: BoolArray
    taken: ComplexArray
    boxes: ComplexArray
    ahead: ComplexArray
    half_space: bool
    speed_of_sound: float
    density: float

    @property
    def frequency(self) -> FloatArray:
        """(F,) Hz."""
        return self.observation.frequency

    def summed(self, filters: ComplexArray, *, valid: BoolArray) -> Directivity:
        """The directivity of all ways behind filters (N, F)."""
        pressure = np.einsum("nf,nfpa->fpa", filters, self.pressure)
        return _directivity(self.observation, pressure, self, valid=valid)


def within(sounds: UnfilteredWays, low: float, high: float) -> UnfilteredWays:
    """The same from `low` to `high` Hz only, for the search; the ways' own directivities are left out."""
    inside = (sounds.frequency >= low) & (sounds.frequency <= high)
    return replace(
        sounds,
        observation=replace(sounds.observation, frequency=sounds.frequency[inside]),
        pressure=sounds.pressure[:, inside],
        power=sounds.power[inside],
        window=sounds.window[inside],
        own=(),
        valid=sounds.valid[:, inside],
        taken=sounds.taken[:, inside],
        boxes=sounds.boxes[:, inside],
        ahead=sounds.ahead[:, inside],
    )


def mean_square(form: ComplexArray, filters: ComplexArray) -> FloatArray:
    """(F,) mean square of the sum of the ways behind filters (N, F), of a form (F, N, N)."""
    return np.asarray(np.einsum("nf,fnm,mf->f", filters, form, filters.conj()).real)


def grid(frequency: FloatArray, *, half_space: bool, distance: float = np.inf, upright: bool = True) -> Observation:
    """The common grid, both sides of every plane: from horizontal to vertical where the two sides of the loudspeaker
    are alike (`upright`), else all round.
    """
    limit = 90.0 if half_space else 180.0
    angles = np.arange(-limit, limit + 0.5 * STEP, STEP) * DEGREE
    if upright:
        return Observation(frequency, angles, plane=PLANES, distance=distance, symmetry="left_right")
    return Observation(frequency, angles, plane=ALL_PLANES, distance=distance, symmetry="none")


def placed(driver: Radiator, observation: Observation, positions: Sequence[Place]) -> ComplexArray:
    """Pressure (F, P, A) of the mean of equal drivers at positions (x, y, z), m, from the reference point.

    Each is moved exactly: in the far field by the phase k (position . direction), at a finite distance by its own path
    and its own angles.
    """
    unit = np.ascontiguousarray(unit_vectors(observation.off_axis, observation.plane[:, None]).reshape(-1, 3).T)
    k = 2.0 * np.pi * observation.frequency / driver.speed_of_sound
    total = np.zeros((k.size, unit.shape[1]), dtype=np.complex128)
    if not observation.far_field:
        points = observation.distance * unit.T
        return at_points(driver, observation.frequency, points, positions).reshape(observation.shape)
    far = driver.far(observation.frequency, *angles_of(unit))
    for position in positions:
        total += far * np.exp(1j * np.outer(k, np.array(position) @ unit))
    return (total / len(positions)).reshape(observation.shape)


def at_points(driver: Radiator, frequency: FloatArray, points: FloatArray, positions: Sequence[Place]) -> ComplexArray:
    """Pressure (F, D) at points (D, 3) m of the mean of equal drivers at positions, each by its own path and angles."""
    k = 2.0 * np.pi * frequency / driver.speed_of_sound
    total = np.zeros((frequency.size, len(points)), dtype=np.complex128)
    for position in positions:
        way = (points - np.array(position)).T
        if driver.near is not None:
            total += driver.near(frequency, way.T)
            continue
        length = np.linalg.norm(way, axis=0)
        seen = driver.far(frequency, *angles_of(way / length))
        total += seen * np.exp(-1j * np.outer(k, length)) / length
    return total / len(positions)


def heard(
    ways: Sequence[Way], frequency: FloatArray, *, distance: float = np.inf, density: float = 1.2041
) -> UnfilteredWays:
    """What ways send at `frequency` (F,) Hz, seen from `distance` (m) from the reference point.

    ValueError if some stand in an infinite baffle and others do not, or one is silent on axis.
    """
    half_space = _one_space(ways)
    upright = all(way.driver.upright and all(place[0] == 0.0 for place in way.positions) for way in ways)
    observation = grid(frequency, half_space=half_space, distance=distance, upright=upright)
    first = ways[0].driver
    own_pressure, pressure, taken, valid = [], [], [], []
    boxes = np.array([fall_off(way.box, frequency) for way in ways])
    for way, box in zip(ways, boxes, strict=True):
        middle = np.mean(way.positions, axis=0)
        about = [(x - middle[0], y - middle[1], z - middle[2]) for x, y, z in way.positions]
        alone = placed(way.driver, observation, about)
        gain = _taken(way, alone, observation)
        heard_as = (box / gain)[:, None, None]
        own_pressure.append(alone * heard_as)
        pressure.append(placed(way.driver, observation, way.positions) * heard_as)
        taken.append(gain)
        low, high = way.driver.band
        valid.append((frequency >= low * (1 - 1e-6)) & (frequency <= high * (1 + 1e-6)))
    all_pressure = np.array(pressure)
    weights = metrics.sphere_weights(observation, half_space=half_space)
    window = _window(all_pressure, observation)
    made = UnfilteredWays(
        tuple(ways),
        observation,
        all_pressure,
        np.einsum("nfpa,mfpa,pa->fnm", all_pressure, all_pressure.conj(), weights, optimize=True),
        np.einsum("wnf,wmf->fnm", window, window.conj()) / len(window),
        (),
        np.array(valid),
        np.array(taken),
        boxes,
        np.ones((len(ways), frequency.size), dtype=np.complex128),
        half_space,
        first.speed_of_sound,
        density,
    )
    own = [_directivity(observation, each, made, valid=good) for each, good in zip(own_pressure, valid, strict=True)]
    return replace(made, own=tuple(own))


def _one_space(ways: Sequence[Way]) -> bool:
    spaces = {True: [way.name for way in ways if way.driver.half_space]}
    spaces[False] = [way.name for way in ways if not way.driver.half_space]
    if spaces[True] and spaces[False]:
        raise ValueError(
            f"half space and full space do not mix: {' and '.join(spaces[True])} in an infinite baffle,"
            f" {' and '.join(spaces[False])} radiating all round. Give pistons a [cabinet] or sphere_radius_mm, or"
            " leave them out, to match the waveguide; or solve the waveguide with the other mounting"
        )
    return bool(spaces[True])


def angles_of(unit: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Off-axis angle and azimuth (D,) rad of unit vectors (3, D)."""
    off_axis = np.arctan2(np.hypot(unit[0], unit[1]), unit[2])
    return off_axis, np.arctan2(unit[1], unit[0])


def _taken(way: Way, alone: ComplexArray, observation: Observation) -> ComplexArray:
    """(F,) what a way is divided by, its travel to the observer left in."""
    axis = alone[:, 0, _nearest(observation.off_axis, 0.0)]
    if np.any(axis == 0.0):
        raise ValueError(f"{way.name} is silent on axis at {observation.frequency[axis == 0.0][0]:.4g} Hz")
    distance, turn = 1.0, np.ones(axis.size, dtype=np.complex128)
    if not observation.far_field:
        distance = observation.distance
        turn = np.exp(2j * np.pi * observation.frequency / way.driver.speed_of_sound * distance)
    size = distance * np.abs(axis)
    if way.level == "nothing":
        inside = (observation.frequency >= way.passband[0]) & (observation.frequency <= way.passband[1])
        level = np.mean(np.log(size[inside if inside.any() else slice(None)]))
        return np.full(axis.shape, np.exp(level), dtype=np.complex128)
    if way.level == "listening_window":
        size = distance * np.sqrt(np.mean(np.abs(_window(alone, observation)) ** 2, axis=0))
    return np.asarray(size * np.exp(1j * np.angle(axis * turn)))


def _window(pressure: ComplexArray, observation: Observation) -> ComplexArray:
    """(9, ...) of pressures (..., P, A), in the directions of the listening window."""
    return np.array(
        [
            pressure[..., _nearest(observation.plane, azimuth), _nearest(observation.off_axis, angle)]
            for azimuth, angles in WINDOW
            for angle in angles
        ]
    )


def _nearest(known: FloatArray, degrees: float) -> int:
    return int(np.argmin(np.abs(known - degrees * DEGREE)))


def _directivity(
    observation: Observation, pressure: ComplexArray, made: UnfilteredWays, *, valid: BoolArray
) -> Directivity:
    return Directivity(
        observation,
        pressure,
        valid,
        density=made.density,
        speed_of_sound=made.speed_of_sound,
        half_space=made.half_space,
        provenance={"source": "1 Pa at 1 m on axis of each way in its passband"},
    )
