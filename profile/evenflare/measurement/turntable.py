"""What a turntable's run says about the turntable: where its axis stood, and where its angle 0 pointed.

A source that is mirror-symmetric in the plane of the run sounds alike at + and - an angle. What differs in time tells
how far its axis passes from the turntable's; what differs in level, along the slope of the response over angle, how far
the angles are off. Both are fitted pair by pair and the pairs weighed against each other, so that one wrong file moves
neither.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare.measurement.between_angles import SAME_ANGLE, corrected, sampled_enough
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
    read_only,
)

STEPS = 48
"""Fine steps to a coarse one, of the times that are tried."""
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
SURE_DB = 0.1
"""dB, noise below which a cell gains no more weight: placement and air err by as much."""
DECIBEL = float(20.0 / np.log(10.0))
"""dB per unit of a small relative change of an amplitude."""
ABOVE_NOISE = 10.0
"""Power ratio to the noise from which a cell's level says something of the angle."""
LEAST_ANGLE = 0.05 * DEGREE
"""rad, and
LEAST_SHIFT m, below which no offset is worth correcting."""
LEAST_SHIFT = 0.2e-3
ROUNDS = 4
ALONG_BAFFLE = 3.0 * DEGREE
"""rad from the plane of a baffle within which a reading says nothing of the turntable."""
LEAST_TO_HALVE = 8
"""Frequencies, or pairs, from which both halves are fitted too."""
ODD = 6.0
"""Robust standard deviations from the others at which a pair of files is named."""


@dataclass(frozen=True)
class Misalignment:
    """A number, its standard error (both SI), and whether it is significant."""

    value: float
    error: float
    significant: bool


@dataclass(frozen=True)
class Pairs:
    """What each mirrored pair (N,) says by itself: rad off axis, and the angle, rad, and lateral, m, that it tells;
    nan where it tells nothing.
    """

    off_axis: FloatArray
    angle: FloatArray
    lateral: FloatArray

    def __post_init__(self) -> None:
        for name in ("off_axis", "angle", "lateral"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True)
class Alignment:
    """What the run in one plane says; None where it cannot.

    angle    : rad, to be added to the nominal angles.
    lateral  : m, of the waveguide's axis from the turntable's, + toward +x or up.
    along    : m, of the point that sound seems to come from, ahead of the turntable's axis.
    odd      : indices into the angles of pairs whose two sides differ far more than the others'.
    highest  : Hz, up to which the angles are close enough to tell what lies between them; 0 if nowhere.
    pairs    : what each mirrored pair says by itself; None where nothing was fitted.
    """

    angle: Misalignment | None
    lateral: Misalignment | None
    along: Misalignment | None
    odd: tuple[tuple[int, int], ...] = ()
    highest: float = 0.0
    pairs: Pairs | None = field(default=None, compare=False)

    @property
    def corrected(self) -> tuple[float, float]:
        """rad and m that are worth correcting: 0 where not significant."""
        return tuple(  # type: ignore[return-value]
            each.value if each is not None and each.significant else 0.0 for each in (self.angle, self.lateral)
        )

    @property
    def vague(self) -> tuple[str, ...]:
        """What is told too poorly to be corrected by, in words."""
        limits = (
            ("angle 0", self.angle, LARGEST_ANGLE_ERROR, DEGREE, "degrees"),
            ("the axis", self.lateral, LARGEST_SHIFT_ERROR, MILLIMETRE, "mm"),
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
    mirrored    : whether the source is mirror-symmetric in this plane; if not, angle and lateral stay unknown.
    half_space  : in a baffle; readings along it tell nothing, since with the angle off one of them is behind it.
    noise       : (F,) mean square of the noise in a reading, or None; cells near it do not count.
    Errors are widened by as much as the lower and the upper frequencies, or every second pair, differ by more than
    theirs say.
    """
    inside = np.flatnonzero((np.abs(off_axis) < 0.5 * np.pi - ALONG_BAFFLE) | (not half_space))
    f, p, off_axis = frequency[usable], pressure[np.ix_(inside, usable)], off_axis[inside]
    if f.size < 3:
        return Alignment(None, None, None)
    pairs = mirror_pairs(off_axis) if mirrored else []
    along = _along(off_axis, p, f, speed_of_sound) if phase_known else None
    fine = sampled_enough(off_axis, p, frequency=f, speed_of_sound=speed_of_sound)
    # What every second angle tells up to one frequency, every angle tells up to about twice as high.
    highest = 2.0 * float(f[fine][-1]) if np.any(fine) else 0.0
    f, p = f[fine], p[:, fine]
    if len(pairs) < 3 or f.size < 3:
        return Alignment(None, None, along, highest=highest)
    run = _PlaneRun(off_axis, p, f, pairs, distance, speed_of_sound, phase_known=phase_known, half_space=half_space)
    if noise is not None:
        run = replace(run, noise=noise[usable][fine])
    angle, error, shift, slip, odd, each = run.offsets()
    odd = tuple((int(inside[plus]), int(inside[minus])) for plus, minus in odd)
    ratios = [(1.0, 1.0)]
    for one, other in run.halves():
        first, second = one.offsets(), other.offsets()
        ratios.append((_unlike(first[:2], second[:2]), _unlike(first[2:4], second[2:4])))
    error, slip = error * max(each[0] for each in ratios), slip * max(each[1] for each in ratios)
    told = np.isfinite(error)
    found = None
    if told:
        found = Misalignment(
            angle, error, abs(angle) > max(SIGNIFICANT * error, LEAST_ANGLE) and error <= LARGEST_ANGLE_ERROR
        )
    if not phase_known:
        return Alignment(found, None, along, odd, highest, each)
    reach = along.value if along is not None else 0.0
    spread = float(np.hypot(slip, reach * error)) if told else slip
    lateral = Misalignment(
        shift, spread, abs(shift) > max(SIGNIFICANT * spread, LEAST_SHIFT) and spread <= LARGEST_SHIFT_ERROR
    )
    return Alignment(found, lateral, along, odd, highest, each)


def _unlike(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """How many times as far apart two values with errors lie as the errors say, 1 at least; 1 where one is unknown.

    Source: R. T. Birge, Phys. Rev. 40 (1932) 207 (from memory), of two.
    """
    expected = float(np.hypot(one[1], other[1]))
    return max(1.0, abs(one[0] - other[0]) / expected) if 0.0 < expected < np.inf else 1.0


@dataclass(frozen=True)
class _PlaneRun:
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

    def at_frequencies(self, part: IntArray) -> _PlaneRun:
        """The same at some of the frequencies."""
        noise = None if self.noise is None else self.noise[part]
        return replace(self, pressure=self.pressure[:, part], frequency=self.frequency[part], noise=noise)

    def halves(self) -> list[tuple[_PlaneRun, _PlaneRun]]:
        """The lower and the upper frequencies, and every second pair, as far as they can be told apart."""
        found = []
        if self.frequency.size >= LEAST_TO_HALVE:
            low, high = np.array_split(np.arange(self.frequency.size), 2)
            found.append((self.at_frequencies(low), self.at_frequencies(high)))
        if len(self.pairs) >= LEAST_TO_HALVE:
            found.append((replace(self, pairs=self.pairs[::2]), replace(self, pairs=self.pairs[1::2])))
        return found

    def offsets(self) -> tuple[float, float, float, float, tuple[tuple[int, int], ...], Pairs]:
        """Angle, rad, and its error; lateral, m, and its error; pairs that do not fit; what each pair says."""
        angle, shift, error, slip = 0.0, 0.0, np.inf, 0.0
        odd: tuple[tuple[int, int], ...] = ()
        turned, aside = np.zeros(0), np.full(len(self.pairs), np.nan)
        for _ in range(ROUNDS):
            moved = corrected(
                self.off_axis,
                self.pressure,
                frequency=self.frequency,
                angle=angle,
                lateral=shift,
                distance=self.distance,
                speed_of_sound=self.speed_of_sound,
                half_space=self.half_space,
            )
            step, error, odd, turned = _turned(self.off_axis, moved, self.pairs, noise=self.noise)
            turned = angle + turned
            if self.phase_known:  # an angle that is off delays one side too: what is left after it is the shift's
                more, slip, aside = self._lateral(moved)
                aside = shift + aside
                shift += more
            angle += step
        plus = self.off_axis[[plus for plus, _ in self.pairs]]
        return angle, error, shift, slip, odd, Pairs(plus, turned, aside)

    def _lateral(self, pressure: ComplexArray) -> tuple[float, float, FloatArray]:
        """m, its error, and of each pair: the arrival at + the angle before that at - is earlier by 2 x sin / c."""
        floor = 0.0 if self.noise is None else ABOVE_NOISE * self.noise
        plus, minus = (pressure[list(side)] for side in zip(*self.pairs, strict=True))
        early = lags(plus, minus, frequency=self.frequency, floor=floor)
        sine = np.sin(self.off_axis[[plus for plus, _ in self.pairs]])
        path = self.speed_of_sound * early
        return *weighed(2.0 * sine[:, None], path, dropping=True), 0.5 * path / sine


def lags(
    first: ComplexArray,
    second: ComplexArray,
    *,
    frequency: FloatArray,
    widest: float = WIDEST_LAG,
    floor: FloatArray | float = 0.0,
) -> FloatArray:
    """Times (N,), s, by which second responses (N, F) come later than first ones, one for all or (N, F): where their
    product is most in phase. 0 where one is silent.

    floor : (F,) power; where the product is weaker it counts for less.
    """
    product = first * np.conj(second)
    scale = np.abs(product).max(axis=1, keepdims=True)
    # Every frequency alike, but what is almost silent.
    product = product / np.maximum(np.abs(product) + floor, np.where(scale > 0.0, 1e-3 * scale, 1.0))
    tried, kernel = tried_lags(frequency.tobytes(), widest)
    agreed = (product @ kernel.T).real
    top = np.argmax(agreed, axis=1)
    beside = [vertex(row, int(at)) for row, at in zip(agreed, top, strict=True)]
    return np.asarray(np.where(scale[:, 0] > 0.0, tried[top] + (tried[1] - tried[0]) * np.array(beside), 0.0))


@lru_cache(maxsize=8)
def tried_lags(frequency: bytes, widest: float) -> tuple[FloatArray, ComplexArray]:
    """Lags (T,) s that are tried, and what turns a product (F,) to each, (T, F): many pairs of one run share them."""
    hertz = np.frombuffer(frequency)
    fine = 0.05 / float(hertz[-1])
    tried = np.arange(-widest, widest + fine, fine)
    # Rows of even steps: a coarse one and a fine one, whose product takes a fraction of an exponential's time.
    coarse, finer = (np.exp(-2j * np.pi * np.outer(each, hertz)) for each in (tried[::STEPS], np.arange(STEPS) * fine))
    turns = (coarse[:, None] * finer).reshape(-1, hertz.size)[: tried.size]
    return read_only(tried), read_only(turns, np.complex128)


def _along(off_axis: FloatArray, pressure: ComplexArray, frequency: FloatArray, speed: float) -> Misalignment | None:
    """From the mean arrival at + and - the angle, re on axis: later by z (1 - cos) / c."""
    axis = np.flatnonzero(np.abs(off_axis) < SAME_ANGLE)
    front = np.flatnonzero((np.abs(off_axis) <= FRONT + SAME_ANGLE) & (np.abs(off_axis) > SAME_ANGLE))
    if axis.size == 0 or front.size < 3:
        return None
    path = speed * lags(pressure[axis[0]], pressure[front], frequency=frequency)
    both = np.stack([1.0 - np.cos(off_axis[front]), -np.sin(off_axis[front])], axis=1)
    if np.all(off_axis[front] > 0.0) or np.all(off_axis[front] < 0.0):
        both = both[:, :1]
    value, error = weighed(both, path)
    return Misalignment(value, error, abs(value) > max(SIGNIFICANT * error, LEAST_SHIFT))


def _turned(
    off_axis: FloatArray,
    pressure: ComplexArray,
    pairs: list[tuple[int, int]],
    *,
    noise: FloatArray | None = None,
) -> tuple[float, float, tuple[tuple[int, int], ...], FloatArray]:
    """Angle to add, rad, its standard error, the pairs that do not fit, and what each pair says, nan if nothing."""
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
    sure = np.ones(differs.shape)
    if noise is not None:  # variance of a level is 4.34^2 times twice the noise over the power, on each of both sides
        spread = DECIBEL**2 * 0.5 * noise * (np.abs(pressure[plus]) ** -2.0 + np.abs(pressure[minus]) ** -2.0)
        sure = SURE_DB**2 / (SURE_DB**2 + spread)
    # In dB per rad; nominal + angle is true, so that + reads the level further out by it.
    steep = np.sum((2.0 * slope) ** 2, axis=1)
    weight = np.sum(sure * (2.0 * slope) ** 2, axis=1)
    each = np.sum(sure * 2.0 * slope * differs, axis=1) / np.maximum(weight, np.finfo(float).tiny)
    strong = steep > np.maximum(1e-6 * steep.max(initial=0.0), LEAST_SLOPE**2 * np.maximum(counts.sum(axis=1), 1))
    if np.count_nonzero(strong) < 3:
        return 0.0, float("inf"), (), np.full(len(pairs), np.nan)
    root = np.sqrt(weight[strong])
    value, error = weighed(root[:, None], root * each[strong], dropping=True)
    left = differs - 2.0 * slope * value
    size = np.sqrt(np.sum(np.where(counts, left, 0.0) ** 2, axis=1) / np.maximum(np.sum(counts, axis=1), 1))
    usual = float(np.median(size))
    far = np.flatnonzero(size > max(ODD * usual, 1.0))
    return value, error, tuple((int(plus[i]), int(minus[i])) for i in far), np.where(strong, each, np.nan)
