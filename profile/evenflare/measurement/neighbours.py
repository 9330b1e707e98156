"""Readings that do not belong between their neighbours: inverted, late, or at another level.

Told from the readings as they are, before anything is moved or taken between angles, which would spread one wrong file
over those beside it. A reading is at fault only where both its neighbours, or two on its one side, say so, and agree
with each other; the worst is taken out before the others are judged again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare.measurement.between_angles import WORST, evenest, sampled_enough
from evenflare.measurement.turntable import tried_lags
from evenflare.units import DEGREE, MILLISECOND, BoolArray, ComplexArray, FloatArray, IntArray, amplitude_db

What = Literal["inverted", "late", "level"]
FARTHEST = 30.0 * DEGREE
"""rad between neighbours, beyond which they say nothing of each other."""
WIDEST = 3e-3
"""s, the latest that is told from phases."""
AGREED = 0.5
"""Of full coherence, from which two neighbours can be compared in time and polarity."""
CLEARLY = 1.2
"""Times as much as upright, by which a comparison must agree better inverted."""
LEAST_LATE = 60e-6
"""s: 20 mm, or three samples at 48 kHz; and
LEAST_LEVEL dB, below which no reading is named."""
LEAST_LEVEL = 0.7
ODD = 6.0
"""Robust standard deviations of the readings of a plane from which one is named."""
LOUD_DB = -25.0
"""re on axis: weaker cells say nothing."""
ABOVE_NOISE = 10.0
"""Power ratio to the noise, below which a cell says nothing."""
REACH = 4
"""Angles to either side through which a level is told, and
CANDIDATES that are tried as the wrong one."""
CANDIDATES = 3
SHORT = 20
"""Readings told from others, below which one wrong one may be in what is told of most."""
SPOILT = (WORST, 2 * WORST, 3 * WORST)
"""Angles that wrong ones beside them may spoil, tried in turn: two wrong ones far apart spoil more than one does."""
MOST = 0.25
"""Share of a plane's readings that may be named: if more seem wrong, it is the plane that is rough."""


@dataclass(frozen=True)
class Fault:
    """A reading that its neighbours contradict.

    reading    : index of it.
    what       : "inverted", "late" (s, negative if early) or "level" (dB, negative if too weak), by `amount`.
    neighbours : indices of the two that it was held against.
    """

    reading: int
    what: What
    amount: float
    neighbours: tuple[int, int]

    def words(self, names: Sequence[str]) -> str:
        """What is wrong with which file, and the remedy."""
        beside = " and ".join(names[i] for i in self.neighbours)
        name = names[self.reading]
        if self.what == "inverted":
            return f"{name}: inverted, of the opposite polarity to {beside}. Check the leads, and repeat it"
        if self.what == "late":
            sign = "late" if self.amount > 0.0 else "early"
            return (
                f"{name}: {abs(self.amount) / MILLISECOND:.3f} ms {sign} beside {beside}. Check the recorder's start"
                " and the distance, and repeat it"
            )
        sign = "louder" if self.amount > 0.0 else "weaker"
        return (
            f"{name}: {abs(self.amount):.1f} dB {sign} than {beside} tell. Check that it is the right file and that no"
            " gain was turned, and repeat it"
        )

    def findings(self, names: Sequence[str]) -> dict[str, Any]:
        """Plain values for session.json."""
        unit = MILLISECOND if self.what == "late" else 1.0
        amount = None if self.what == "inverted" else self.amount / unit
        return {"file": names[self.reading], "what": self.what, "amount": amount}


class Beside(NamedTuple):
    """Each reading (R,) against those beside it that are right; nan where they do not tell it.

    polarity : 1 alike, -1 inverted. late : s, by which it comes later than both. level : dB above what they tell.
    """

    polarity: FloatArray
    late: FloatArray
    level: FloatArray


def beside(
    azimuth: FloatArray,
    off_axis: FloatArray,
    pressure: ComplexArray,
    wrong: Sequence[Fault],
    *,
    frequency: FloatArray,
    usable: BoolArray,
    speed_of_sound: float,
    phase_known: bool = True,
    noise: FloatArray | None = None,
) -> Beside:
    """How each reading lies beside its neighbours, those that are `wrong` told from the others only; as `faults`."""
    count = azimuth.size
    found = Beside(np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan))
    bad = [each.reading for each in wrong]
    for plane in dict.fromkeys(azimuth.tolist()):
        mine = np.flatnonzero(azimuth == plane)
        right = mine[~np.isin(mine, bad)]
        # A wrong one is judged in a run of right ones, one at a time.
        for extra in (None, *mine[np.isin(mine, bad)].tolist()):
            rows = right if extra is None else np.append(right, extra)
            rows = rows[np.argsort(off_axis[rows], kind="stable")]
            run = _Plane.of(rows, off_axis[rows], pressure[rows], frequency, usable, speed_of_sound, noise)
            if run is None:
                continue
            for k in range(rows.size) if extra is None else np.flatnonzero(rows == extra).tolist():
                if extra is not None:
                    run.good = rows != extra
                found.level[rows[k]] = run._off(k)
                told = run._beside(k) if phase_known else None
                if told is not None:
                    found.polarity[rows[k]], found.late[rows[k]] = -1.0 if told[0] else 1.0, told[1]
    return found


def faults(
    azimuth: FloatArray,
    off_axis: FloatArray,
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    usable: BoolArray,
    speed_of_sound: float,
    phase_known: bool = True,
    noise: FloatArray | None = None,
) -> list[Fault]:
    """Readings (R,) that do not belong where they are, by plane; inverted and late ones first.

    azimuth, off_axis : (R,) rad. pressure: (R, F) complex, one delay for all. usable: (F,). noise: (F,) mean square.
    """
    found: list[Fault] = []
    for plane in dict.fromkeys(azimuth.tolist()):
        rows = np.flatnonzero(azimuth == plane)
        rows = rows[np.argsort(off_axis[rows], kind="stable")]
        most = max(1, int(MOST * rows.size))
        for step in (_Plane.in_time, _Plane.in_level)[0 if phase_known else 1 :]:
            for _ in range(most):
                # Anew each time: a wrong reading also blurs where sound comes from and how far the angles suffice.
                judged = _Plane.of(rows, off_axis[rows], pressure[rows], frequency, usable, speed_of_sound, noise)
                fault = None if judged is None else step(judged)
                if fault is None:
                    break
                found.append(fault)
                rows = rows[rows != fault.reading]
    return found


@dataclass(frozen=True)
class Difference:
    """One reading beside another: whether it is inverted, how much later it comes, s, and how much louder it is, dB.

    `inverted` and `late` are None where the two are too unlike to tell.
    """

    inverted: bool | None
    late: float | None
    louder: float


def compared(
    one: ComplexArray,
    other: ComplexArray,
    *,
    off_axis: tuple[float, float],
    frequency: FloatArray,
    speed_of_sound: float,
    noise: FloatArray | None = None,
) -> Difference | None:
    """A reading `other` (F,) beside `one`, at angles (rad) near each other; None where too little stands out of noise.

    frequency : (F,) Hz, where both can be trusted. noise: (F,) mean square.
    """
    pressure, angle = np.stack([one, other]), np.array(off_axis)
    heard = np.ones(pressure.shape, dtype=np.bool_) if noise is None else np.abs(pressure) ** 2 > ABOVE_NOISE * noise
    both = heard.all(axis=0)
    if np.count_nonzero(both) < 4:
        return None
    wavenumber = 2.0 * np.pi * frequency / speed_of_sound
    pair = _Plane(np.arange(2), angle, pressure, frequency, wavenumber, heard)
    louder = float(np.median((pair.level[1] - pair.level[0])[both]))
    in_time = pair._compared(0, 1)
    return Difference(None, None, louder) if in_time is None else Difference(*in_time, louder)


class _Plane:
    """Readings of one plane by rising angle; `good` are those that others are told from."""

    def __init__(
        self,
        rows: IntArray,
        angle: FloatArray,
        pressure: ComplexArray,
        frequency: FloatArray,
        wavenumber: FloatArray,
        heard: BoolArray,
    ) -> None:
        self.rows, self.angle, self.pressure, self.frequency = rows, angle, pressure, frequency
        self.heard = heard
        self.level = amplitude_db(np.maximum(np.abs(pressure), 1e-300))
        self.good = np.ones(rows.size, dtype=np.bool_)
        along = float(np.median(evenest(angle, pressure, wavenumber=wavenumber)))
        self.even = pressure * np.exp(-1j * along * np.outer(np.cos(angle), wavenumber))
        self.tried, self.kernel = tried_lags(frequency.tobytes(), WIDEST)

    @staticmethod
    def of(
        rows: IntArray,
        angle: FloatArray,
        pressure: ComplexArray,
        frequency: FloatArray,
        usable: BoolArray,
        speed_of_sound: float,
        noise: FloatArray | None,
    ) -> _Plane | None:
        """Where the angles suffice to tell one reading from those beside it, else None."""
        if np.unique(angle).size < 4 or np.count_nonzero(usable) < 4:
            return None
        first = np.unique(angle, return_index=True)[1]
        f = frequency[usable]
        once = angle[first], pressure[first][:, usable]
        for worst in SPOILT:
            fine = sampled_enough(*once, frequency=f, speed_of_sound=speed_of_sound, worst=worst)
            if np.count_nonzero(fine) >= 4:
                break
        f, p = f[fine], pressure[:, usable][:, fine]
        if f.size < 4:
            return None
        level = np.abs(p) ** 2
        heard = level > 10.0 ** (0.1 * LOUD_DB) * np.median(level, axis=0)
        if noise is not None:
            heard &= level > ABOVE_NOISE * noise[usable][fine]
        return _Plane(rows, angle, p, f, 2.0 * np.pi * f / speed_of_sound, heard)

    def in_time(self) -> Fault | None:
        """One of the other polarity, else the one whose arrival is farthest off."""
        seen = {k: self._beside(k) for k in range(self.rows.size)}
        known = {k: each for k, each in seen.items() if each is not None}
        for k, (inverted, _, pair) in known.items():
            if inverted:
                return self._fault(k, "inverted", 0.0, pair)
        if not known:
            return None
        amounts = np.array([late for _, late, _ in known.values()])
        limit = max(LEAST_LATE, ODD * 1.4826 * float(np.median(np.abs(amounts))))
        worst = int(np.argmax(np.abs(amounts)))
        k = list(known)[worst]
        return self._fault(k, "late", float(amounts[worst]), known[k][2]) if abs(amounts[worst]) > limit else None

    def in_level(self) -> Fault | None:
        """The one whose level lies off what the others' say it is there.

        A wrong one bends what is told of those beside it: of the three farthest off, the one without which the rest
        agrees best.
        """
        off = self._offs()
        worst = np.argsort(-np.nan_to_num(np.abs(off)), kind="stable")[:CANDIDATES]
        left: dict[int, float] = {}
        for k in worst[np.nan_to_num(np.abs(off[worst])) > LEAST_LEVEL].tolist():
            self.good[k] = False
            rest = self._offs()
            self.good[k] = True
            # In a short run a wrong one is in what is told of all others: how even these are shows without it.
            even = rest if np.count_nonzero(np.isfinite(off)) < SHORT else off
            usual = float(np.nanmedian(np.abs(even))) if np.any(np.isfinite(even)) else np.inf
            if abs(off[k]) > max(self._least(k), ODD * 1.4826 * usual):
                left[k] = float(np.nansum(rest**2))
        if not left:
            return None
        k = min(left, key=lambda k: left[k])
        pair = self._pair(k)
        return None if pair is None else self._fault(k, "level", float(off[k]), pair)

    def _least(self, k: int) -> float:
        """dB, below which its level is not named: twice as much beside the end of a run, where a spline tells less."""
        others = np.unique(self.angle[self.good & (np.abs(self.angle - self.angle[k]) > 1e-9)])
        below = int(np.searchsorted(others, self.angle[k]))
        closed = 2.0 * np.pi - (others[-1] - others[0]) < FARTHEST
        return LEAST_LEVEL if closed or 2 <= below <= others.size - 2 else 2.0 * LEAST_LEVEL

    def _offs(self) -> FloatArray:
        """`_off` (R,) of the good ones, nan of the others."""
        return np.array([self._off(k) if self.good[k] else np.nan for k in range(self.rows.size)])

    def _fault(self, k: int, what: What, amount: float, pair: tuple[int, int]) -> Fault:
        return Fault(int(self.rows[k]), what, amount, (int(self.rows[pair[0]]), int(self.rows[pair[1]])))

    def _pair(self, k: int) -> tuple[int, int] | None:
        """The good readings of the nearest angles on both sides, or of the two nearest on the only side."""
        others = np.flatnonzero(self.good & (np.abs(self.angle - self.angle[k]) > 1e-9))
        away = np.mod(self.angle[others] - self.angle[k] + np.pi, 2.0 * np.pi) - np.pi
        sides = [
            others[side][np.argsort(np.abs(away[side]), kind="stable")]
            for side in ((away > 1e-9) & (away < FARTHEST), (away < -1e-9) & (away > -FARTHEST))
        ]
        if sides[0].size and sides[1].size:
            return int(sides[1][0]), int(sides[0][0])
        one = sides[0] if sides[0].size else sides[1]
        second = one[np.abs(self.angle[one] - self.angle[one[0]]) > 1e-9] if one.size else one
        return (int(one[0]), int(second[0])) if second.size else None

    def _beside(self, k: int) -> tuple[bool, float, tuple[int, int]] | None:
        """Whether it is inverted, how late it is, s, and beside which; None where that cannot be told."""
        pair = self._pair(k)
        if pair is None:
            return None
        one, other = pair
        between = self._compared(one, other)
        if between is None or between[0]:
            return None
        sides = self._compared(one, k), self._compared(other, k)
        if sides[0] is None or sides[1] is None or sides[0][0] != sides[1][0]:
            return None
        told = [sides[0][1], sides[1][1]]
        if self._outside(k, pair):
            # Where sound comes from may move from angle to angle, behind a cabinet for instance: it then goes on so.
            told.append(told[0] + between[1])
        alike = abs(sum(np.sign(told))) == len(told)
        late = float(np.sign(told[0]) * min(abs(each) for each in told)) if alike else 0.0
        return sides[0][0], late, pair

    def _outside(self, k: int, pair: tuple[int, int]) -> bool:
        """Whether both lie on one side of a reading."""
        first, second = (np.mod(self.angle[i] - self.angle[k] + np.pi, 2.0 * np.pi) - np.pi for i in pair)
        return bool(first * second > 0.0)

    def _compared(self, one: int, other: int) -> tuple[bool, float] | None:
        """Whether the other is inverted re the one, and how much later it comes, s; None where they are too unlike."""
        both = self.heard[one] & self.heard[other]
        if np.count_nonzero(both) < 4:
            return None
        product = self.even[one] * np.conj(self.even[other])
        product = np.where(both, product / np.maximum(np.abs(product), 1e-300), 0.0)
        agreed = (self.kernel @ product).real / np.count_nonzero(both)
        upright, inverted = float(agreed.max()), float(-agreed.min())
        if max(upright, inverted) < AGREED:
            return None
        straight, back = (float(self.tried[at(agreed)]) for at in (np.argmax, np.argmin))
        # In a narrow band a wave late by half a period is nearly an inverted one: the shorter way is the likelier.
        turned = inverted > CLEARLY * upright or (inverted > upright and abs(back) < 0.25 * abs(straight))
        return turned, back if turned else straight

    def _off(self, k: int) -> float:
        """Level, dB, above what a spline through the other angles says, the median over frequency; nan if unknown."""
        pair = self._pair(k)
        own = np.flatnonzero(self.good & (np.abs(self.angle - self.angle[k]) > 1e-9))
        angle, first = np.unique(self.angle[own], return_index=True)
        if pair is None or angle.size < 4:
            return float("nan")
        level = self.level[own[first]]
        if 2.0 * np.pi - (angle[-1] - angle[0]) < FARTHEST:
            angle = np.concatenate([angle - 2.0 * np.pi, angle, angle + 2.0 * np.pi])
            level = np.concatenate([level, level, level])
        if not angle[0] < self.angle[k] < angle[-1]:
            return float("nan")
        near = np.searchsorted(angle, self.angle[k]) + np.arange(-REACH, REACH)
        near = near[(near >= 0) & (near < angle.size)]
        told = _told((angle[near] - self.angle[k]).round(12).tobytes()) @ level[near]
        counts = self.heard[k] & self.heard[list(pair)].all(axis=0)
        return float(np.median((self.level[k] - told)[counts])) if np.count_nonzero(counts) >= 4 else float("nan")


@lru_cache(maxsize=1024)
def _told(away: bytes) -> FloatArray:
    """What counts of each of the angles that lie so far off (N,), rad, rising, in a spline through them at 0: the same
    all along a run in even steps.
    """
    angle = np.frombuffer(away)
    return np.asarray(CubicSpline(angle, np.eye(angle.size))(0.0))
