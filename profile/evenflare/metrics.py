"""What is read off a directivity, predicted or measured alike: index, beamwidth, power, the standard's curves.

Two directivity indices are told apart: `directivity_index`, on axis over the whole sphere, and the standard's
`StandardCurves.sound_power_index`, listening window over two-orbit power, which reads lower on a narrow beam.
All are those of the observation's distance. Close to a large mouth level and pattern are not yet what they are far off:
`far_field_index` is what a target wants.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from evenflare.directivity.types import Directivity, Observation, Symmetry
from evenflare.units import (
    DEGREE,
    REFERENCE_POWER,
    REFERENCE_PRESSURE,
    FloatArray,
    IntArray,
    amplitude_db,
    power_db,
    read_only,
)

PLANES = {"horizontal": 0.0, "vertical": 0.5 * np.pi}
"""rad, azimuth of the two planes that have a name."""
SAME_ANGLE = 1e-9
"""rad, below which two angles are one."""
BEAM_DROP = -6.0
"""dB re on axis at the edge of the beam: exactly, not the half pressure's -6.0206."""
BEAM_SHARE = 10.0 ** (0.1 * BEAM_DROP)
"""Of the on-axis squared pressure, there."""
HALVINGS = 22
"""Of the step between two angles, in search of the edge: to about a millionth of a degree."""
LARGEST_GAP = 30.0 * DEGREE
"""rad between neighbouring angles, beyond which a mean over the sphere would be a guess. Judgement, no source."""
ORBIT: FloatArray = np.arange(0.0, 181.0, 10.0) * DEGREE
"""rad, the angles of a half-orbit in the standard."""

Side = tuple[int, NDArray[np.intp], FloatArray]
"""Sign of the angles on one side of the axis, indices into `off_axis` outward from the axis, angles there >= 0."""

Rear = Literal["wall", "horizontal"]
"""The standard's two readings of its rear reflection: 90, 180 and -90 degrees, or all of 90 to 270 degrees."""


def levels_re_on_axis(directivity: Directivity) -> FloatArray:
    """Levels (F, P, A) dB re the on-axis pressure of the same frequency; -inf where nothing is radiated.

    ValueError if angle 0 was not observed.
    """
    with np.errstate(invalid="ignore"):  # a null on axis has no level to refer to: nan
        return np.asarray(amplitude_db(directivity.pressure) - amplitude_db(directivity.on_axis)[:, None, None])


def on_axis_level(directivity: Directivity) -> FloatArray:
    """Sound pressure level (F,) dB re 20 uPa on axis, at the observation's distance; in the far field at 1 m."""
    return amplitude_db(np.abs(directivity.on_axis) / REFERENCE_PRESSURE)


def on_axis_phase(directivity: Directivity) -> FloatArray:
    """Phase (F,) rad, -pi to pi, of the on-axis pressure with the travel time from the reference point taken out."""
    travel = 0.0 if directivity.observation.far_field else directivity.wavenumber * directivity.observation.distance
    return np.asarray(np.angle(directivity.on_axis * np.exp(1j * travel)))


def beamwidth(directivity: Directivity, plane: float = 0.0) -> FloatArray:
    """Full angle (F,) rad between the first -6.000 dB crossings outward from the axis, re on axis; nan if none.

    plane : rad, azimuth of an observed plane: 0 horizontal, pi/2 vertical; any where the symmetry is round.
    Signed angles: both sides added, nan if one has no crossing; one side only: doubled. Between the first two angles
    between which the level falls through the edge, a cubic spline of the squared pressure. In a baffle nothing beyond
    90 degrees counts. Where a solver was asked for few angles, those it solved instead: Directivity.resolved.
    ValueError if the plane or angle 0 was not observed.
    Source: common practice; the spline is good to 0.1 degrees where wavenumber times radius times step is 1 or less.
    """
    directivity = directivity.resolved or directivity
    pressure = directivity.pressure[:, _plane_index(directivity.observation, plane)]
    with np.errstate(divide="ignore", invalid="ignore"):  # a null on axis has no beam: nan
        share = np.abs(pressure / directivity.on_axis[:, None]) ** 2
    share[:, directivity.behind] = 0.0
    heard = np.all(np.isfinite(share), axis=1)
    share[~heard] = 0.0
    sides = [
        (index[~directivity.behind[index]], outward[~directivity.behind[index]])
        for _, index, outward in _sides(directivity.observation, directivity.half_space)
    ]
    if not sides:
        return np.full(heard.size, np.nan)
    edges = []
    for (index, outward), (across, beyond) in zip(sides, sides[::-1], strict=True):
        own = len(sides) == 1  # the other side is its mirror image
        angle = outward if own else np.concatenate([-beyond[:0:-1], outward])
        row = index if own else np.concatenate([across[:0:-1], index])
        edges.append(_crossing(angle, share[:, row], axis=angle.size - outward.size))
    return np.where(heard, 2.0 * np.mean(edges, axis=0), np.nan)


def sphere_weights(observation: Observation, *, half_space: bool = False) -> FloatArray:
    """Weights (P, A) of mean squares whose sum is the mean over the whole sphere; they add up to 1, in a baffle 1/2.

    Each angle stands for its exact ring zone, bounded midway between neighbours (a baffle's last zone by 90
    degrees). Between neighbouring half-orbits the mean square goes as cos^2 and sin^2 of azimuth, scaled to their
    spacing, so that each stands for half the azimuth to either side; two planes count equally. A side or plane not
    observed is taken from the symmetry. Whether the angles are close enough for the pattern: `coarseness`.
    ValueError if the angles leave a gap above 30 degrees, or one plane only was observed and is not round.
    Source: zone areas; common practice.
    """
    return _weights_at(observation.off_axis.tobytes(), observation.plane.tobytes(), observation.symmetry, half_space)


@lru_cache(maxsize=64)  # a search looks at thousands of sounds in the same directions
def _weights_at(off_axis: bytes, plane: bytes, symmetry: Symmetry, half_space: bool) -> FloatArray:
    observation = Observation(np.ones(1), np.frombuffer(off_axis), np.frombuffer(plane), symmetry=symmetry)
    limit = 0.5 * np.pi if half_space else np.pi
    sides = _covering_sides(observation, half_space)
    turning = _azimuth_weights(observation, [sign for sign, _, _ in sides])
    weights = np.zeros(observation.shape[1:])
    for side, (_, index, outward) in enumerate(sides):
        bounds = np.concatenate([[0.0], 0.5 * (outward[1:] + outward[:-1]), [limit]])
        ring = -0.5 * np.diff(np.cos(bounds))
        weights[:, index] += turning[:, side, None] * ring
    return read_only(weights)


def sphere_mean_square(directivity: Directivity) -> FloatArray:
    """Mean (F,) over the whole sphere of the squared pressure, Pa^2 (far field: Pa^2 m^2), by `sphere_weights`."""
    weights = sphere_weights(directivity.observation, half_space=directivity.half_space)
    used = np.flatnonzero(weights.any(axis=0))  # what lies behind a baffle may hold anything
    square = np.abs(directivity.pressure[:, :, used]) ** 2
    return np.asarray(np.einsum("fpa,pa->f", square, weights[:, used]))


def sound_power(directivity: Directivity) -> FloatArray:
    """Radiated power (F,) W: the solver's own where known, else the quadrature 4 pi r^2 <p^2> / (density * speed).

    Errors of the quadrature as `sphere_weights`. Source: ISO 3745:2012, free field (from memory).
    """
    if directivity.sound_power is not None:
        return directivity.sound_power
    return np.asarray(_sphere_admittance(directivity) * sphere_mean_square(directivity))


def sound_power_level(directivity: Directivity) -> FloatArray:
    """Sound power level (F,) dB re 1 pW."""
    return power_db(sound_power(directivity) / REFERENCE_POWER)


def directivity_index(directivity: Directivity) -> FloatArray:
    """Directivity index (F,) dB: on-axis squared pressure over its mean over the whole sphere, also in a baffle.

    At a finite distance the level there counts: close to a large mouth several dB off `far_field_index`.
    From the solver's own sound power where known, else by quadrature: compare two directivities of different
    origin with `dataclasses.replace(directivity, sound_power=None)` on both. Errors as `sphere_weights`.
    Source: IEC 60050-801:1994, directivity factor; ANSI S1.1, directional gain.
    """
    square = np.abs(directivity.on_axis) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):  # silence has no index: nan
        return power_db(square * _sphere_admittance(directivity) / sound_power(directivity))


def far_field_index(directivity: Directivity) -> FloatArray | None:
    """Directivity index (F,) dB in the far field, as `directivity_index`; None where only a finite distance is known.

    Errors as `directivity_index` where that was observed in the far field.
    """
    return directivity_index(directivity) if directivity.observation.far_field else directivity.far_field_index


@dataclass(frozen=True)
class StandardCurves:
    """Curves of ANSI/CTA-2034-A, each (F,) dB; levels re 20 uPa at the observation's distance, far field at 1 m.

    on_axis                 : level on axis.
    listening_window        : mean of 9 responses, to 10 degrees vertically and 30 horizontally.
    early_reflections       : mean of floor, ceiling, front, side and rear bounces.
    sound_power             : weighted mean of all 70 responses.
    early_reflections_index : listening window less early reflections.
    sound_power_index       : listening window less sound power.
    in_room                 : estimate, 12 % listening window, 44 % early reflections, 44 % sound power, in mean square.
    """

    on_axis: FloatArray
    listening_window: FloatArray
    early_reflections: FloatArray
    sound_power: FloatArray
    early_reflections_index: FloatArray
    sound_power_index: FloatArray
    in_room: FloatArray

    def __post_init__(self) -> None:
        for each in fields(self):
            object.__setattr__(self, each.name, read_only(getattr(self, each.name)))


def standard_weights() -> FloatArray:
    """Weights (19,) of a response in the standard's sound power at 0, 10 ... 180 degrees of each half-orbit.

    The cone |angle| <= e in both planes, bounded by great circles, has the solid angle 4 asin(sin^2 e); the four
    half-orbits share each shell equally. Poles counted in all four, they add up to 1.
    Source: ANSI/CTA-2034-A, sound power weights (values from memory), reproduced by this derivation to nine decimals.
    """
    edge = np.arange(5, 90, 10) * DEGREE
    cone = np.concatenate([[0.0], np.arcsin(np.sin(edge) ** 2), [0.5 * np.pi]])
    front = np.diff(cone)
    front[-1] *= 2.0  # the zone about 90 degrees lies on both sides of it
    return np.asarray(np.concatenate([front, front[-2::-1]]) / (4.0 * np.pi))


def standard_curves(directivity: Directivity, *, rear: Rear = "wall", pooled: bool = False) -> StandardCurves:
    """The curves of ANSI/CTA-2034-A from the planes 0 and pi/2 (round: one plane stands for both).

    rear   : which reading of the rear reflection.
    pooled : early reflections as the mean of all their responses, not of the five bounces.
    Always at 10 degrees: where the data lack such an angle, the squared pressure is taken straight between its
    neighbours. Positive angles of the vertical plane point up; a side not observed equals the other. Every mean is
    one of squared pressure. The power's weights are divided by their sum over the 70 responses; the poles come from
    the horizontal plane. In a baffle a 90-degree response carries half its weight in the power, what is behind is 0.
    Where a solver was asked for few angles, those it solved instead: Directivity.resolved.
    ValueError if a plane is missing or the angles leave a gap above 30 degrees.
    Source: ANSI/CTA-2034-A (2015); angles and weights from memory and secondary texts, the standard not at hand.
    """
    directivity = directivity.resolved or directivity
    horizontal = _half_orbits(directivity, 0.0)
    vertical = _half_orbits(directivity, 0.5 * np.pi)
    up, down = vertical[:, 0], vertical[:, 1]
    axis, back = horizontal[:, 0, :1], horizontal[:, 0, 18:]

    def both(orbits: FloatArray, first: int, last: int) -> FloatArray:
        """Responses (F, N) of both sides, from `first` to `last` tens of degrees."""
        return orbits[:, :, first : last + 1].reshape(orbits.shape[0], -1)

    def mean(*responses: FloatArray) -> FloatArray:
        return np.asarray(np.mean(np.concatenate(responses, axis=1), axis=1))

    window = mean(axis, both(vertical, 1, 1), both(horizontal, 1, 3))
    bounces = [
        down[:, 2:5],
        up[:, 4:7],
        np.concatenate([axis, both(horizontal, 1, 3)], axis=1),
        both(horizontal, 4, 8),
        np.concatenate([both(horizontal, 9, 9 if rear == "wall" else 17), back], axis=1),
    ]
    early = mean(*bounces) if pooled else np.mean([mean(bounce) for bounce in bounces], axis=0)
    weights = standard_weights()
    share = weights * np.where(np.arange(19) == 9, 0.5, 1.0) if directivity.half_space else weights
    power = share[0] * axis[:, 0] + share[18] * back[:, 0]
    power = power + (horizontal + vertical)[:, :, 1:18].sum(axis=1) @ share[1:18]
    power = power / (weights[0] + weights[18] + 4.0 * weights[1:18].sum())
    room = 0.12 * window + 0.44 * early + 0.44 * power
    levels = [power_db(square / REFERENCE_PRESSURE**2) for square in (axis[:, 0], window, early, power, room)]
    with np.errstate(invalid="ignore"):  # silence has no index: nan
        return StandardCurves(
            on_axis=levels[0],
            listening_window=levels[1],
            early_reflections=levels[2],
            sound_power=levels[3],
            early_reflections_index=levels[1] - levels[2],
            sound_power_index=levels[1] - levels[3],
            in_room=levels[4],
        )


def _sphere_admittance(directivity: Directivity) -> float:
    """W/Pa^2: power over mean-square pressure on the sphere of the observation; in the far field for Pa m."""
    distance = 1.0 if directivity.observation.far_field else directivity.observation.distance
    return 4.0 * np.pi * distance**2 / (directivity.density * directivity.speed_of_sound)


def _plane_index(observation: Observation, azimuth: float) -> int:
    """Index of the plane at that azimuth (rad); of the only one where the symmetry is round."""
    at = np.flatnonzero(np.abs(observation.plane - azimuth) < SAME_ANGLE)
    if at.size:
        return int(at[0])
    if observation.symmetry == "round" and observation.plane.size == 1:
        return 0
    raise ValueError(
        f"the plane at {azimuth / DEGREE:g} degrees was not observed: add it, or say that the symmetry is round"
    )


def _sides(observation: Observation, half_space: bool) -> list[Side]:
    """Sides of the axis that were observed, the positive one first; in a baffle up to 90 degrees."""
    angle, limit = observation.off_axis, 0.5 * np.pi if half_space else np.pi
    pole = np.abs(angle) >= np.pi - SAME_ANGLE
    sides: list[Side] = []
    for sign in (1, -1):
        own = sign * angle > -SAME_ANGLE
        if not np.any(own & (np.abs(angle) > SAME_ANGLE)):
            continue
        if not np.any(own & pole):
            own = own | pole  # straight behind belongs to both sides
        index = np.flatnonzero(own & (np.abs(angle) <= limit + SAME_ANGLE))
        index = index[np.argsort(np.abs(angle[index]))]
        sides.append((sign, index, np.minimum(np.abs(angle[index]), limit)))
    return sides


def _covering_sides(observation: Observation, half_space: bool) -> list[Side]:
    """`_sides`, ValueError unless each has no gap wider than `LARGEST_GAP` from the axis to the end of the sphere."""
    limit = 0.5 * np.pi if half_space else np.pi
    sides = _sides(observation, half_space)
    for sign, _, outward in sides:
        ends = np.concatenate([[0.0], outward, [limit]])
        widest = int(np.argmax(np.diff(ends)))
        if ends[widest + 1] - ends[widest] > LARGEST_GAP + SAME_ANGLE:
            raise ValueError(
                f"no off-axis angle between {sign * ends[widest] / DEGREE:g} and {sign * ends[widest + 1] / DEGREE:g}"
                f" degrees: a mean over the sphere needs one every {LARGEST_GAP / DEGREE:g} at least. Observe more"
            )
    if not sides:
        raise ValueError("only the axis was observed: the mean over the sphere needs angles all round")
    return sides


def half_orbits(
    observation: Observation, signs: Sequence[int]
) -> tuple[FloatArray, list[tuple[int, int]], IntArray, IntArray]:
    """Azimuths (O,), rad, rising within a turn, in which something was observed or follows from the symmetry.

    signs : of the sides on which a plane was observed, +1 first.
    With them, of each half-orbit and its mirror images: the (plane, side) that it is and which azimuth that has; and
    how many share each azimuth (O,).
    """
    azimuths, owners = [], []
    for plane, azimuth in enumerate(observation.plane):
        for side, sign in enumerate(signs):
            here = azimuth if sign > 0 else azimuth + np.pi
            images = [here]
            if observation.symmetry != "none":
                images.append(np.pi - here)  # left and right
            if observation.symmetry in ("round", "two_planes"):
                images += [-image for image in images]  # up and down
            if len(signs) == 1:
                images += [image + np.pi for image in images]
            azimuths += images
            owners += [(plane, side)] * len(images)
    # Shifted by less than the rounding, so that a full turn and none are one.
    turn = np.mod(np.array(azimuths) + 0.1 * SAME_ANGLE, 2.0 * np.pi)
    _, first, inverse, count = np.unique(
        np.round(turn / SAME_ANGLE), return_index=True, return_inverse=True, return_counts=True
    )
    return turn[first], owners, inverse, count


def _azimuth_weights(observation: Observation, signs: list[int]) -> FloatArray:
    """Share (P, sides) of the full turn that each half-orbit and its mirror images stand for; they add up to 1."""
    if observation.plane.size == 1:  # stands for the others only if round
        _plane_index(observation, 0.0)
        _plane_index(observation, 0.5 * np.pi)
    start, owners, inverse, count = half_orbits(observation, signs)
    gap = np.diff(start, append=start[0] + 2.0 * np.pi)
    share = (gap + np.roll(gap, 1)) / (4.0 * np.pi) / count
    weights = np.zeros((observation.plane.size, len(signs)))
    np.add.at(weights, tuple(np.transpose(owners)), share[inverse])
    return weights


def _crossing(angle: FloatArray, share: FloatArray, *, axis: int) -> FloatArray:
    """Angle (F,) at which squared pressures re on axis (F, A) first fall to the edge of the beam; nan if never.

    axis : where angle 0 stands; at the begin, the beam is level there.
    """
    at = axis + np.argmax(share[:, axis:] <= BEAM_SHARE, axis=1)
    if np.all(at == axis):
        return np.full(at.size, np.nan)
    segment = np.maximum(at - 1, 0)
    begin = "not-a-knot" if axis else (1, np.zeros(at.size))
    cubic = CubicSpline(angle, share.T, bc_type=(begin, "not-a-knot")).c[:, segment, np.arange(at.size)]
    low, step = np.zeros(at.size), np.diff(angle)[segment]
    for _ in range(HALVINGS):
        step *= 0.5
        middle = low + step
        above = ((cubic[0] * middle + cubic[1]) * middle + cubic[2]) * middle + cubic[3] > BEAM_SHARE
        low = np.where(above, middle, low)
    return np.where(at > axis, angle[segment] + low, np.nan)


def _half_orbits(directivity: Directivity, azimuth: float) -> FloatArray:
    """Squared pressure (F, 2, 19) of a plane at the standard's angles: the positive side, the negative side."""
    observation = directivity.observation
    pressure = directivity.pressure[:, _plane_index(observation, azimuth)]
    beyond = directivity.half_space & (0.5 * np.pi + SAME_ANGLE < ORBIT)
    orbits = []
    for _, index, outward in _covering_sides(observation, directivity.half_space):
        between = np.array([np.interp(ORBIT, outward, unit) for unit in np.eye(outward.size)])
        orbits.append(np.where(beyond, 0.0, np.abs(pressure[:, index]) ** 2 @ between))
    return np.stack([orbits[0], orbits[-1]], axis=1)
