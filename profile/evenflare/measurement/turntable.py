"""What a turntable's run says about the turntable: where its axis stood, and where its angle 0 pointed.

A source that is mirror-symmetric in the plane of the run sounds alike at + and - an angle. What differs in time tells
how far its axis passes from the turntable's; what differs in level, along the slope of the response over angle, how far
the angles are off. Both are fitted pair by pair and the pairs weighed against each other, so that one wrong file moves
neither.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline, make_interp_spline

from evenflare.measurement.gate import vertex
from evenflare.measurement.robust import weighed
from evenflare.units import (
    DEGREE,
    MILLIMETRE,
    BoolArray,
    ComplexArray,
    FloatArray,
    IntArray,
    amplitude_db,
    power_db,
)

SAME_ANGLE = 1e-6
"""rad."""
WIDEST_LAG = 1.5e-3
"""s between the two sides: half a metre, more than any turntable is off by."""
FRONT = 60.0 * DEGREE
"""rad off axis up to which arrival times tell where sound seems to come from along the axis."""
LOUD_DB = -25.0
"""Cells weaker than this re on axis say nothing of the angle."""
STEEPEST = 1.5
"""dB per degree, beyond which a level is in a notch and says nothing of the angle."""
LEAST_SLOPE = 0.01 / DEGREE
"""dB per rad between both sides, below which a pair is too alike at every angle to say where 0 is."""
SIGNIFICANT = 4.0
"""Standard errors above which an offset is corrected: what is corrected without need spoils what was right."""
LARGEST_ANGLE_ERROR = 0.25 * DEGREE
"""rad, and
LARGEST_SHIFT_ERROR m, standard errors above which a fit says too little to correct by."""
LARGEST_SHIFT_ERROR = 1.5e-3
ABOVE_NOISE = 10.0
"""Power ratio to the noise from which a cell's level says something of the angle."""
LEAST_ANGLE = 0.05 * DEGREE
"""rad, and
LEAST_SHIFT m, below which no offset is worth correcting."""
LEAST_SHIFT = 0.2e-3
ROUNDS = 4
WORST = 2
"""Angles that may be told wrong: those beside a wrong file."""
ALONG_BAFFLE = 3.0 * DEGREE
"""rad from the plane of a baffle within which a reading says nothing of the turntable."""
LARGEST_REACH = 0.5
"""m from the turntable's axis within which sound seems to come from."""
TOLD_BY_HALF = 0.12
"""rms error, of the rms pressure, of a spline through every second angle up to which all of them are close enough: a
cubic through all errs some sixteen times less."""
LEAST_TO_HALVE = 8
"""Frequencies from which both halves are fitted too."""
ODD = 6.0
"""Robust standard deviations from the others at which a pair of files is named."""


@dataclass(frozen=True)
class Estimate:
    """A number, its standard error (both SI), and whether it is significant."""

    value: float
    error: float
    significant: bool


@dataclass(frozen=True)
class Alignment:
    """What the run in one plane says; None where it cannot.

    angle    : rad, to be added to the nominal angles.
    sideways : m, of the waveguide's axis from the turntable's, + toward +x or up.
    along    : m, of the point that sound seems to come from, ahead of the turntable's axis.
    odd      : indices into the angles of pairs whose two sides differ far more than the others'.
    highest  : Hz, up to which the angles are close enough to tell what lies between them; 0 if nowhere.
    """

    angle: Estimate | None
    sideways: Estimate | None
    along: Estimate | None
    odd: tuple[tuple[int, int], ...] = ()
    highest: float = 0.0

    @property
    def corrected(self) -> tuple[float, float]:
        """rad and m that are worth correcting: 0 where not significant."""
        return tuple(  # type: ignore[return-value]
            each.value if each is not None and each.significant else 0.0 for each in (self.angle, self.sideways)
        )

    @property
    def vague(self) -> tuple[str, ...]:
        """What is told too poorly to be corrected by, in words."""
        limits = (
            ("angle 0", self.angle, LARGEST_ANGLE_ERROR, DEGREE, "degrees"),
            ("the axis", self.sideways, LARGEST_SHIFT_ERROR, MILLIMETRE, "mm"),
        )
        return tuple(
            f"{what} to ± {each.error / unit:.2g} {name}" if np.isfinite(each.error) else f"{what} not at all"
            for what, each, limit, unit, name in limits
            if each is not None and not each.error <= limit
        )


def mirror_pairs(off_axis: FloatArray) -> list[tuple[int, int]]:
    """Indices of the angles + and - alike, short of 180 degrees; (A,) rad rising."""
    found = []
    for index in np.flatnonzero(off_axis > SAME_ANGLE):
        other = np.flatnonzero(np.abs(off_axis + off_axis[index]) < SAME_ANGLE)
        if other.size and off_axis[index] < np.pi - SAME_ANGLE:
            found.append((int(index), int(other[0])))
    return found


def align(
    off_axis: FloatArray,
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    usable: BoolArray,
    distance: float,
    speed_of_sound: float,
    phase_known: bool = True,
    mirrored: bool = True,
    half_space: bool = False,
    noise: FloatArray | None = None,
) -> Alignment:
    """Offsets of one plane's run.

    off_axis    : (A,) rad, rising, as the files name them.
    pressure    : (A, F) complex, one delay for all angles, travel on axis taken out.
    frequency   : (F,) Hz. usable : (F,) True where it counts.
    mirrored    : whether the source is mirror-symmetric in this plane; if not, angle and sideways stay unknown.
    half_space  : in a baffle; readings along it tell nothing, since with the angle off one of them is behind it.
    noise       : (F,) mean square of the noise in a reading, or None; cells near it do not count.
    Errors are no less than half of what the lower and the upper half of the frequencies differ by.
    """
    inside = np.flatnonzero((np.abs(off_axis) < 0.5 * np.pi - ALONG_BAFFLE) | (not half_space))
    f, p, off_axis = frequency[usable], pressure[np.ix_(inside, usable)], off_axis[inside]
    pairs = mirror_pairs(off_axis) if mirrored else []
    along = _along(off_axis, p, f, speed_of_sound) if phase_known else None
    fine = sampled_enough(off_axis, p, frequency=f, speed_of_sound=speed_of_sound)
    # What every second angle tells up to one frequency, every angle tells up to about twice as high.
    highest = 2.0 * float(f[fine][-1]) if np.any(fine) else 0.0
    f, p = f[fine], p[:, fine]
    if len(pairs) < 3 or f.size < 3:
        return Alignment(None, None, along, highest=highest)
    run = _Run(off_axis, p, f, pairs, distance, speed_of_sound, phase_known=phase_known, half_space=half_space)
    if noise is not None:
        run = replace(run, noise=noise[usable][fine])
    angle, error, shift, slip, odd = run.offsets()
    odd = tuple((int(inside[plus]), int(inside[minus])) for plus, minus in odd)
    if f.size >= LEAST_TO_HALVE:
        low, high = (run.at(part).offsets() for part in np.array_split(np.arange(f.size), 2))
        # A half in which nothing changes over the angle tells of no disagreement.
        if np.isfinite(low[1]) and np.isfinite(high[1]):
            error = max(error, 0.5 * abs(low[0] - high[0]))
            slip = max(slip, 0.5 * abs(low[2] - high[2]))
    told = np.isfinite(error)
    found = None
    if told:
        found = Estimate(
            angle, error, abs(angle) > max(SIGNIFICANT * error, LEAST_ANGLE) and error <= LARGEST_ANGLE_ERROR
        )
    if not phase_known:
        return Alignment(found, None, along, odd, highest)
    reach = along.value if along is not None else 0.0
    spread = float(np.hypot(slip, reach * error)) if told else slip
    sideways = Estimate(
        shift, spread, abs(shift) > max(SIGNIFICANT * spread, LEAST_SHIFT) and spread <= LARGEST_SHIFT_ERROR
    )
    return Alignment(found, sideways, along, odd, highest)


@dataclass(frozen=True)
class _Run:
    """One plane's readings where they count: angles (A,), pressure (A, F), frequencies (F,), noise (F,)."""

    off_axis: FloatArray
    pressure: ComplexArray
    frequency: FloatArray
    pairs: list[tuple[int, int]]
    distance: float
    speed_of_sound: float
    phase_known: bool
    half_space: bool
    noise: FloatArray | None = None

    def at(self, part: IntArray) -> _Run:
        """The same at some of the frequencies."""
        noise = None if self.noise is None else self.noise[part]
        return replace(self, pressure=self.pressure[:, part], frequency=self.frequency[part], noise=noise)

    def offsets(self) -> tuple[float, float, float, float, tuple[tuple[int, int], ...]]:
        """Angle, rad, and its error; sideways, m, and its error; pairs that do not fit."""
        angle, shift, error, slip = 0.0, 0.0, np.inf, 0.0
        odd: tuple[tuple[int, int], ...] = ()
        for _ in range(ROUNDS):
            moved = corrected(
                self.off_axis,
                self.pressure,
                frequency=self.frequency,
                angle=angle,
                sideways=shift,
                distance=self.distance,
                speed_of_sound=self.speed_of_sound,
                half_space=self.half_space,
            )
            step, error, odd = _turned(self.off_axis, moved, self.pairs, noise=self.noise)
            if self.phase_known:  # an angle that is off delays one side too: what is left after it is the shift's
                more, slip = _sideways(self.off_axis, moved, self.frequency, self.pairs, self.speed_of_sound)
                shift += more
            angle += step
        return angle, error, shift, slip, odd


def corrected(
    off_axis: FloatArray,
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    angle: float,
    sideways: float,
    distance: float,
    speed_of_sound: float,
    half_space: bool = False,
) -> ComplexArray:
    """Pressure (A, F) as it would have been at the nominal angles and distance from the reference point.

    angle, sideways : rad and m, as `Alignment`.
    Level and phase are moved from the true distance to the nominal as a spherical wave's; between the angles a cubic
    spline of the complex pressure, all round where the angles go all round. In half space what was read behind the
    baffle is left out, and the mirror image in the baffle carries on from its plane.
    """
    true = off_axis + angle
    across, ahead = distance * np.sin(true) - sideways, distance * np.cos(true)
    path = np.hypot(across, ahead)
    seen = true + _wrapped(np.arctan2(across, ahead) - true)
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    moved = pressure * (path / distance)[:, None] * np.exp(1j * np.outer(path - distance, wavenumber))
    if angle == 0.0 and sideways == 0.0:
        return np.asarray(pressure)
    along = wavenumber * evenest(seen, moved, wavenumber=wavenumber)
    even = moved * np.exp(-1j * np.outer(np.cos(seen), along))
    if half_space:
        before = np.abs(seen) <= 0.5 * np.pi + SAME_ANGLE
        image = np.flatnonzero(before & (np.abs(seen) < 0.5 * np.pi - SAME_ANGLE) & (np.abs(seen) > SAME_ANGLE))
        # Its phase is even about the baffle but for the point from which it was counted.
        behind = moved[image] * np.exp(1j * np.outer(np.cos(seen[image]), along))
        seen = np.concatenate([seen[before], np.sign(seen[image]) * np.pi - seen[image]])
        order = np.argsort(seen)
        seen, even = seen[order], np.concatenate([even[before], behind])[order]
    return np.asarray(at_angles(seen, even, off_axis) * np.exp(1j * np.outer(np.cos(off_axis), along)))


def evenest(off_axis: FloatArray, pressure: ComplexArray, *, wavenumber: FloatArray) -> FloatArray:
    """Where along the axis (F,) m, ahead of the turntable's, the phase (A, F) changes least from angle to angle."""
    tried = np.linspace(-LARGEST_REACH, LARGEST_REACH, 101)
    neighbours = pressure[1:] * np.conj(pressure[:-1])
    turn = np.outer(np.diff(np.cos(off_axis)), wavenumber)
    agreed = np.stack([np.sum(neighbours * np.exp(-1j * turn * z), axis=0).real for z in tried])
    return np.asarray(tried[np.argmax(agreed, axis=0)])


def sampled_enough(
    off_axis: FloatArray, pressure: ComplexArray, *, frequency: FloatArray, speed_of_sound: float
) -> BoolArray:
    """Frequencies (F,) below the first at which every second angle no longer tells the others, to `TOLD_BY_HALF`."""
    if off_axis.size < 5:
        return np.ones(frequency.size, dtype=np.bool_)
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    along = wavenumber * evenest(off_axis, pressure, wavenumber=wavenumber)
    even = pressure * np.exp(-1j * np.outer(np.cos(off_axis), along))
    told = at_angles(off_axis[::2], even[::2], off_axis[1:-1:2])
    # The worst are left out, so that one wrong file and its neighbours do not speak for all frequencies.
    missed = np.sort(np.abs(told - even[1:-1:2]) ** 2, axis=0)[: max(told.shape[0] - WORST, 1)]
    missed = np.sum(missed, axis=0) / np.maximum(np.sum(np.abs(even[1:-1:2]) ** 2, axis=0), np.finfo(float).tiny)
    # Upward from where it is told best: below, what is missed is noise.
    best = int(np.argmin(missed))
    bad = best + np.flatnonzero(missed[best:] > TOLD_BY_HALF**2)
    return np.asarray(np.arange(frequency.size) < (bad[0] if bad.size else frequency.size))


def at_angles(known: FloatArray, values: ComplexArray, wanted: FloatArray) -> ComplexArray:
    """Values (A, F) known at rising angles (A,), rad, by cubic spline at others (B,); periodic if they go all round."""
    if known.size < 2:
        return np.repeat(values, wanted.size, axis=0)
    gap = 2.0 * np.pi - (known[-1] - known[0])
    widest = float(np.diff(known).max())
    if gap < SAME_ANGLE:  # both -180 and 180 were measured: one direction
        known, values = known[:-1], np.concatenate([[0.5 * (values[0] + values[-1])], values[1:-1]])
        gap = 2.0 * np.pi - (known[-1] - known[0])
    if gap <= 1.5 * widest:
        known = np.append(known, known[0] + 2.0 * np.pi)
        values = np.concatenate([values, values[:1]])
        turns = known[0] + np.mod(wanted - known[0], 2.0 * np.pi)
        return np.asarray(CubicSpline(known, values, bc_type="periodic")(turns))
    return np.asarray(make_interp_spline(known, values, k=min(3, known.size - 1))(wanted))


def lag(first: ComplexArray, second: ComplexArray, *, frequency: FloatArray, widest: float = WIDEST_LAG) -> float:
    """Time, s, by which the second response (F,) comes later than the first: where their product is most in phase."""
    product = first * np.conj(second)
    scale = np.abs(product).max()
    if not scale > 0.0:
        return 0.0
    product = product / np.maximum(np.abs(product), 1e-3 * scale)  # every frequency alike, but what is almost silent
    fine = 0.05 / float(frequency[-1])
    tried = np.arange(-widest, widest + fine, fine)
    agreed = (np.exp(-2j * np.pi * np.outer(tried, frequency)) @ product).real
    top = int(np.argmax(agreed))
    return float(tried[top] + fine * vertex(agreed, top))


def _wrapped(angle: FloatArray) -> FloatArray:
    return np.asarray(np.mod(angle + np.pi, 2.0 * np.pi) - np.pi)


def _along(off_axis: FloatArray, pressure: ComplexArray, frequency: FloatArray, speed: float) -> Estimate | None:
    """From the mean arrival at + and - the angle, re on axis: later by z (1 - cos) / c."""
    axis = np.flatnonzero(np.abs(off_axis) < SAME_ANGLE)
    front = np.flatnonzero((np.abs(off_axis) <= FRONT + SAME_ANGLE) & (np.abs(off_axis) > SAME_ANGLE))
    if axis.size == 0 or front.size < 3:
        return None
    path = speed * np.array([lag(pressure[axis[0]], pressure[i], frequency=frequency) for i in front])
    both = np.stack([1.0 - np.cos(off_axis[front]), -np.sin(off_axis[front])], axis=1)
    if np.all(off_axis[front] > 0.0) or np.all(off_axis[front] < 0.0):
        both = both[:, :1]
    value, error = weighed(both, path)
    return Estimate(value, error, abs(value) > max(SIGNIFICANT * error, LEAST_SHIFT))


def _sideways(
    off_axis: FloatArray,
    pressure: ComplexArray,
    frequency: FloatArray,
    pairs: list[tuple[int, int]],
    speed: float,
) -> tuple[float, float]:
    """m and its error: the arrival at + the angle before that at - is earlier by 2 x sin / c."""
    early = np.array([lag(pressure[plus], pressure[minus], frequency=frequency) for plus, minus in pairs])
    sine = np.sin(off_axis[[plus for plus, _ in pairs]])
    return weighed(2.0 * sine[:, None], speed * early)


def _turned(
    off_axis: FloatArray,
    pressure: ComplexArray,
    pairs: list[tuple[int, int]],
    *,
    noise: FloatArray | None = None,
) -> tuple[float, float, tuple[tuple[int, int], ...]]:
    """Angle to add, rad, its standard error, and the pairs that do not fit."""
    axis = int(np.argmin(np.abs(off_axis)))
    level = amplitude_db(np.maximum(np.abs(pressure), np.finfo(float).tiny))
    plus, minus = (np.array(side) for side in zip(*pairs, strict=True))
    centre = level[axis][None]
    even = 0.5 * (level[plus] + level[minus])
    side = np.concatenate([-off_axis[plus][::-1], [0.0], off_axis[plus]])
    slope = CubicSpline(side, np.concatenate([even[::-1], centre, even]))(off_axis[plus], 1)
    differs = level[plus] - level[minus]
    counts = (even > centre + LOUD_DB) & (np.abs(slope) < STEEPEST / DEGREE)
    if noise is not None:
        counts &= np.minimum(level[plus], level[minus]) > power_db(np.maximum(ABOVE_NOISE * noise, 1e-300))
    slope = np.where(counts, slope, 0.0)
    # In dB per rad; nominal + angle is true, so that + reads the level further out by it.
    weight = np.sum((2.0 * slope) ** 2, axis=1)
    each = np.sum(2.0 * slope * differs, axis=1) / np.maximum(weight, np.finfo(float).tiny)
    strong = weight > np.maximum(1e-6 * weight.max(initial=0.0), LEAST_SLOPE**2 * np.maximum(counts.sum(axis=1), 1))
    if np.count_nonzero(strong) < 3:
        return 0.0, float("inf"), ()
    root = np.sqrt(weight[strong])
    value, error = weighed(root[:, None], root * each[strong])
    left = differs - 2.0 * slope * value
    size = np.sqrt(np.sum(np.where(counts, left, 0.0) ** 2, axis=1) / np.maximum(np.sum(counts, axis=1), 1))
    usual = float(np.median(size))
    far = np.flatnonzero(size > max(ODD * usual, 1.0))
    return value, error, tuple((int(plus[i]), int(minus[i])) for i in far)
