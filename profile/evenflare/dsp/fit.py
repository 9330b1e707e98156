"""Second-order sections fitted to a correction, and fitted again for other sample rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import least_squares
from threadpoolctl import threadpool_limits

from evenflare.dsp.biquad import Biquad, Kind, cookbook, response
from evenflare.dsp.equaliser import Wanted
from evenflare.dsp.interference import grid
from evenflare.units import FloatArray, amplitude_db, power_db

SHELVES: tuple[Kind, ...] = ("low_shelf", "high_shelf")
QUALITY = {"peaking": (0.3, 8.0), "low_shelf": (0.4, 0.9), "high_shelf": (0.4, 0.9)}
"""Least and greatest: sharper peaks ring longer than they mend, steeper shelves overshoot. Common practice."""
OUTSIDE = 0.15
"""Weight of the octave on either side of the band."""
OVER = 20.0
"""Weight of a boost above the one allowed: a tenth of a dB too much weighs as 2 dB of error."""
MARGIN = 0.1
"""dB below the bound outside the band, from which on a boost there is counted: a weight leaves a little above it."""
CALM = 0.02
"""Weight of a section's gain, so that two sections do not work against each other."""
CLOSE = 0.01
"""dB rms at which no further section is worth adding."""
STEPS = 12
"""Evaluations after each section but the last."""
AGAIN = 3
"""How often at most a section is taken out and set anew."""
TOP = 0.47
"""Of the lowest sample rate: the highest centre of a section."""
STEP = 1e-6
BOTTOM = 2.0
"""Hz, lowest frequency at which boost outside the band is bounded: below it sections are as there."""


@dataclass(frozen=True)
class FilterSection:
    """A section by what the cookbook makes it of.

    frequency : Hz.
    gain      : dB.
    quality   : of a shelf, sqrt(1/2) for a slope of 1.
    """

    kind: Kind
    frequency: float
    gain: float
    quality: float

    def at_sample_rate(self, sample_rate: float) -> Biquad:
        """Its coefficients at a sample rate (Hz)."""
        made = cookbook(self.kind, self.frequency, sample_rate=sample_rate, quality=self.quality, gain_db=self.gain)
        return Biquad(*made)


@dataclass(frozen=True)
class SectionLimits:
    """What sections may be used.

    sections : how many at most, those of a high-pass included.
    gain     : dB, greatest boost or cut of one section.
    boost    : dB, greatest boost of all together.
    outside  : dB, the same outside the band, from 0 to half the sample rate; beside the band, where the correction
               fades, its own boost if that is more.
    """

    sections: int = 12
    gain: float = 12.0
    boost: float = 12.0
    outside: float = 6.0


@dataclass(frozen=True)
class FittedSections:
    """Sections by sample rate (Hz), those of the high-pass first, and how well they serve.

    rms, largest : dB, over the band: what they do less what is wanted, at the highest sample rate; at
    at           : Hz.
    apart        : by sample rate, (dB, degrees): greatest departure from the highest rate's curve over the band.
    """

    sections: dict[int, tuple[FilterSection, ...]]
    rms: float
    largest: float
    at: float
    apart: dict[int, tuple[float, float]]

    def biquads(self, sample_rate: int) -> tuple[Biquad, ...]:
        """Coefficients at one of the sample rates."""
        return tuple(section.at_sample_rate(sample_rate) for section in self.sections[sample_rate])


def high_pass_sections(frequency: float | None) -> tuple[FilterSection, ...]:
    """A Linkwitz-Riley high-pass of fourth order, 6 dB down at `frequency` (Hz): a Butterworth section twice; or none.

    Source: S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976) 2-8 (from memory).
    """
    return () if frequency is None else 2 * (FilterSection("high_pass", frequency, 0.0, float(np.sqrt(0.5))),)


def fitted(
    wanted: Wanted, limits: SectionLimits, *, sample_rates: Sequence[int], high_pass_at: float | None = None
) -> FittedSections:
    """Sections whose level in dB is nearest to a wanted correction, in the least squares on a logarithmic axis.

    Sections are added one at a time, the kind and place that mend most, and all are fitted together after each; at
    the highest rate first, from there at each other. The least squares are a trust-region method within bounds.
    sample_rates : Hz, each above twice the band's highest frequency.
    high_pass_at : Hz of a `high_pass_sections` that comes with them and is not fitted.
    Errors: ValueError if a sample rate cannot hold the band, the correction asks for more boost than allowed, or no
    section is left beside the high-pass, or the high-pass is above the band.
    Source of the method: Branch, Coleman and Li, SIAM J. Sci. Comput. 21 (1999), as `scipy.optimize.least_squares`.
    """
    _check(wanted, limits, sample_rates, high_pass_at)
    # Matrices this small take twice the time on two threads.
    with threadpool_limits(1):
        return _fitted(wanted, limits, sample_rates, high_pass_at)


def _fitted(
    wanted: Wanted, limits: SectionLimits, sample_rates: Sequence[int], high_pass_at: float | None
) -> FittedSections:
    fixed = high_pass_sections(high_pass_at)
    reference = max(sample_rates)
    low, high = wanted.frequency[0], wanted.frequency[-1]
    top = TOP * min(sample_rates)
    at = grid(0.5 * low, min(2.0 * high, 0.499 * reference))
    weight = np.where((at >= low) & (at <= high), 1.0, OUTSIDE)
    level = wanted.faded(wanted.correction, at, high_pass=high_pass_at)
    problem = _Problem(
        at,
        weight,
        level,
        limits,
        float(reference),
        (0.5 * low, min(1.5 * high, top)),
        beyond=_beyond(wanted, limits, reference, high_pass_at),
    )
    kinds, values = _added(problem, limits.sections - len(fixed))
    sections = {reference: (*fixed, *_named(kinds, values))}
    inside = wanted.frequency
    free = [each.at_sample_rate(reference) for each in _named(kinds, values)]
    curve = response(free, inside, sample_rate=reference)
    apart = {reference: (0.0, 0.0)}
    for rate in sorted(set(sample_rates) - {reference}):
        held = at < 0.499 * rate
        level = amplitude_db(response(free, at[held], sample_rate=reference))
        again = replace(
            problem,
            frequency=at[held],
            weight=weight[held] ** 2,
            level=level,
            sample_rate=float(rate),
            calm=0.0,
            beyond=_beyond(wanted, limits, rate, high_pass_at),
        )
        sections[rate] = (*fixed, *_named(kinds, _polished(again, kinds, values, 60)))
        own = response([each.at_sample_rate(rate) for each in sections[rate][len(fixed) :]], inside, sample_rate=rate)
        apart[rate] = (
            float(np.abs(amplitude_db(own / curve)).max()),
            float(np.degrees(np.abs(np.angle(own / curve)).max())),
        )
    error = amplitude_db(curve) - wanted.correction
    worst = int(np.abs(error).argmax())
    return FittedSections(
        dict(sorted(sections.items())),
        float(np.sqrt(np.mean(error**2))),
        float(error[worst]),
        float(inside[worst]),
        dict(sorted(apart.items())),
    )


def _check(wanted: Wanted, limits: SectionLimits, sample_rates: Sequence[int], high_pass_at: float | None) -> None:
    high, taken = float(wanted.frequency[-1]), len(high_pass_sections(high_pass_at))
    if high_pass_at is not None and not high_pass_at < high:
        raise ValueError(
            f"a high-pass at {high_pass_at:.6g} Hz: must be below the highest frequency, {high:.6g} Hz. Lower it"
        )
    for rate in sample_rates:
        if not high < TOP * rate:
            raise ValueError(
                f"a sample rate of {rate} Hz cannot hold a filter up to {high:.6g} Hz: must be above"
                f" {high / TOP:.0f} Hz. Raise it, or lower the highest frequency"
            )
    worst = int(wanted.correction.argmax())
    boost = float(wanted.correction[worst])
    if boost > limits.boost:
        raise ValueError(
            f"needs a boost of {boost:.2f} dB at {wanted.frequency[worst]:.0f} Hz, over the mean of the band: more than"
            f" the {limits.boost:g} dB allowed. Allow more (--boost-db), narrow the band, or let the target slope"
        )
    if limits.sections <= taken:
        raise ValueError(f"{limits.sections} sections leave none beside the high-pass, which takes {taken}. Allow more")


@dataclass(frozen=True)
class _Problem:
    """What is fitted: a level (G,) dB at (G,) Hz with weights, under limits, at a sample rate, places within Hz."""

    frequency: FloatArray
    weight: FloatArray
    level: FloatArray
    limits: SectionLimits
    sample_rate: float
    place: tuple[float, float]
    calm: float = CALM
    beyond: _Problem | None = None
    """What must not be exceeded: its level, at its frequencies."""

    @cached_property
    def _powers(self) -> FloatArray:
        """(3, G) powers 0, 1, 2 of sin^2(w/2), in which |b0 + b1/z + b2/z^2|^2 is a polynomial."""
        return np.asarray(np.sin(np.pi * self.frequency / self.sample_rate) ** (2.0 * np.arange(3.0)[:, None]))

    def levels(self, kinds: Sequence[Kind], values: FloatArray) -> FloatArray:
        """(N, G) dB of each section; `values` (N, 3) are log2 of the frequency, gain in dB, log2 of the quality."""
        found = np.empty((len(kinds), self.frequency.size))
        for kind in dict.fromkeys(kinds):
            own = np.array([each == kind for each in kinds])
            place, gain, quality = values[own].T
            made = cookbook(kind, 2.0**place, sample_rate=self.sample_rate, quality=2.0**quality, gain_db=gain)
            above, below = (_square(each) @ self._powers for each in made)
            found[own] = power_db(above / below)
        return found

    def bounds(self, kinds: Sequence[Kind]) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest values, (N, 3) each."""
        rows = [[np.log2(self.place), (-self.limits.gain, self.limits.gain), np.log2(QUALITY[kind])] for kind in kinds]
        low, high = np.moveaxis(np.array(rows, dtype=np.float64), -1, 0)
        return low, high

    def residuals(self, kinds: Sequence[Kind], values: FloatArray) -> FloatArray:
        """(2G + H + N,) error, boost over the limits in the band and beyond, gains: each weighted."""
        total = self.levels(kinds, values).sum(axis=0)
        over = np.maximum(total - self.limits.boost, 0.0)
        beyond = np.empty(0)
        if self.beyond is not None:
            beyond = np.maximum(self.beyond.levels(kinds, values).sum(axis=0) - self.beyond.level, 0.0)
        return np.concatenate(
            [self.weight * (total - self.level), OVER * over, OVER * beyond, self.calm * values[:, 1]]
        )

    def slopes(self, kinds: Sequence[Kind], values: FloatArray) -> FloatArray:
        """(2G + H + N, 3N) derivatives of these."""
        total, change = self._changes(kinds, values)
        parts = [self.weight[:, None] * change, OVER * (total > self.limits.boost)[:, None] * change]
        if self.beyond is not None:
            total, change = self.beyond._changes(kinds, values)
            parts.append(OVER * (total > self.beyond.level)[:, None] * change)
        count = len(kinds)
        calm = np.zeros((count, 3 * count))
        calm[np.arange(count), 3 * np.arange(count) + 1] = self.calm
        return np.concatenate([*parts, calm])

    def _changes(self, kinds: Sequence[Kind], values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(G,) level of all, (G, 3N) its derivatives: a section's level depends on its own three values only."""
        moved = values + STEP * np.concatenate([np.zeros((1, 3)), np.eye(3)])[:, None]
        before, *after = np.split(self.levels(4 * list(kinds), moved.reshape(-1, 3)), 4)
        matrix = np.zeros((before.shape[1], 3 * len(kinds)))
        for which, level in enumerate(after):
            matrix[:, which::3] = (level - before).T / STEP
        return before.sum(axis=0), matrix


def _beyond(wanted: Wanted, limits: SectionLimits, rate: float, high_pass_at: float | None) -> _Problem:
    """The greatest level outside the band, behind the high-pass, as what free sections must not exceed."""
    at = np.concatenate([np.geomspace(BOTTOM, 0.05 * rate, 48), np.linspace(0.0, 0.4999 * rate, 50)[6:]])
    at = at[(at < wanted.frequency[0]) | (at > wanted.frequency[-1])]
    passing = response([each.at_sample_rate(rate) for each in high_pass_sections(high_pass_at)], at, sample_rate=rate)
    own = wanted.faded(wanted.correction, at, high_pass=high_pass_at)
    level = np.maximum(limits.outside - MARGIN - amplitude_db(np.abs(passing)), own)
    return _Problem(at, np.zeros(at.size), level, limits, float(rate), (0.0, 0.0))


def _added(problem: _Problem, most: int) -> tuple[list[Kind], FloatArray]:
    """Sections one after the other; then one that does little is taken out and set anew, a few times."""
    kinds: list[Kind] = []
    values = np.empty((0, 3))
    while len(kinds) < most and _off(problem, kinds, values) > CLOSE:
        kinds, values = _one_more(problem, kinds, values, STEPS)
    values = _polished(problem, kinds, values, 10 * STEPS)
    passed = 0  # sections that do less than the next to try, and that mended nothing when set anew
    for _ in range(AGAIN):
        if _off(problem, kinds, values) <= CLOSE or passed >= len(kinds):
            break
        levels = problem.levels(kinds, values)
        left = problem.level - levels.sum(axis=0)
        order = sorted(range(len(kinds)), key=lambda each: _error(problem, left + levels[each]))
        taken = order[passed]
        others = [kind for place, kind in enumerate(kinds) if place != taken]
        rest = _polished(problem, others, np.delete(values, taken, axis=0), STEPS)
        again, moved = _one_more(problem, others, rest, 5 * STEPS)
        passed += 1
        if _off(problem, again, moved) < _off(problem, kinds, values):
            kinds, values, passed = again, moved, 0
    return kinds, values


def _one_more(
    problem: _Problem, kinds: list[Kind], values: FloatArray, evaluations: int
) -> tuple[list[Kind], FloatArray]:
    """One section more, the kind and place that mend most, and all fitted together."""
    left = problem.level - problem.levels(kinds, values).sum(axis=0)
    alone = [
        (_polished(problem, [kind], start[None], 8, level=left), kind)
        for kind, start in _starts(problem, left, [kind for kind in SHELVES if kind not in kinds])
    ]
    best, kind = min(alone, key=lambda each: _error(problem, left - problem.levels([each[1]], each[0])[0]))
    kinds = [*kinds, kind]
    return kinds, _polished(problem, kinds, np.concatenate([values, best]), evaluations)


def _off(problem: _Problem, kinds: Sequence[Kind], values: FloatArray) -> float:
    """dB, weighted rms of what is left."""
    left = problem.level - problem.levels(kinds, values).sum(axis=0)
    return float(np.sqrt(np.average(left**2, weights=problem.weight**2)))


def _starts(problem: _Problem, left: FloatArray, shelves: Sequence[Kind]) -> list[tuple[Kind, FloatArray]]:
    """Where a section could begin: a peak on the broadest and on the highest hill of what is left, and shelves."""
    hill = np.concatenate([[0], np.cumsum(np.diff(np.sign(left)) != 0)])
    area = np.bincount(hill, weights=np.abs(left) * problem.weight)
    octave = np.log2(problem.frequency[1] / problem.frequency[0])
    found: list[tuple[Kind, FloatArray]] = []
    for at in {int(np.abs(np.where(hill == area.argmax(), left, 0.0)).argmax()), int(np.abs(left).argmax())}:
        width = max(np.abs(left[hill == hill[at]]).sum() * octave / max(abs(left[at]), 1e-9), octave)
        found.append(("peaking", np.array([np.log2(problem.frequency[at]), left[at], np.log2(1.4 / width)])))
    low, high = np.log2(problem.place)
    for kind in shelves:
        near, far = (0.25, left[0]) if kind == "low_shelf" else (0.75, left[-1])
        found.append((kind, np.array([low + near * (high - low), far, np.log2(0.6)])))
    return found


def _polished(
    problem: _Problem, kinds: Sequence[Kind], start: FloatArray, evaluations: int, *, level: FloatArray | None = None
) -> FloatArray:
    """Values (N, 3) that fit best together, from those at the start."""
    if not kinds:
        return start
    own = problem if level is None else replace(problem, level=level)
    low, high = own.bounds(kinds)
    shape = start.shape
    inside = np.clip(start, low + 1e-6, high - 1e-6)
    done = least_squares(
        lambda row: own.residuals(kinds, row.reshape(shape)),
        inside.ravel(),
        jac=lambda row: own.slopes(kinds, row.reshape(shape)),
        bounds=(low.ravel(), high.ravel()),
        x_scale=np.tile([0.3, 2.0, 0.5], len(kinds)),
        max_nfev=evaluations,
    )
    return np.asarray(done.x.reshape(shape))


def _square(row: FloatArray) -> FloatArray:
    """(N, 3) coefficients of |B|^2 over the powers of sin^2(w/2), of (N, 3) of B over those of 1/z.

    Source: |B|^2 written out with cos w = 1 - 2 sin^2(w/2).
    """
    first, second, third = row.T
    total = (first + second + third) ** 2
    return np.stack([total, -4.0 * (first * second + 4.0 * first * third + second * third), 16.0 * first * third], -1)


def _error(problem: _Problem, left: FloatArray) -> float:
    return float(np.sum((problem.weight * left) ** 2))


def _named(kinds: Sequence[Kind], values: FloatArray) -> tuple[FilterSection, ...]:
    """Sections by frequency."""
    made = [
        FilterSection(kind, float(2.0**place), float(gain), float(2.0**quality))
        for kind, (place, gain, quality) in zip(kinds, values, strict=True)
    ]
    return tuple(sorted(made, key=lambda each: each.frequency))
