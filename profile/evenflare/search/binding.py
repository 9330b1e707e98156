"""Which limits hold the winner back, and what relaxing each would gain: measured by descents from the winner."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

import numpy as np

from evenflare.search.evolution import quantised
from evenflare.search.least_squares import Point, descended, measured_slopes
from evenflare.search.stages import Stage
from evenflare.search.worker import Job, Outcome
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Limits, Measures, ParameterSpace, Waveguide, measures

End = Literal["least", "greatest"]

ACTIVE = 0.2
"""Of the step by which a limit is relaxed: a winner that is nearer to the limit is held back by it."""
PART = 10
"""One candidate more in so many of those asked for may be spent on this, all limits together."""
FEWEST, MOST = 40, 60
"""Candidates of each descent, at most: slopes of a dozen variables, and two or three steps."""
SETTING: Stage = "screen"
"""At which both descents are judged: their difference is smaller than the setting's own error only where the error
changes from shape to shape as fast as the score does."""


class _Bound(NamedTuple):
    """A limit that can be relaxed.

    name  : of `limit_excess`.
    limit : the field of `Limits`.
    end   : of a range, or of the only number.
    value : what a waveguide has of it, SI.
    step  : SI.
    unit  : SI per unit of the name.
    most  : to which it can be relaxed, SI.
    """

    name: str
    limit: str
    end: End
    value: Callable[[Measures], float]
    step: float
    unit: float
    most: float


def _range(name: str, value: Callable[[Measures], float], *, step: float, unit: float, most: float) -> list[_Bound]:
    """Both ends of a limit that is a range."""
    limit = name.rpartition("_")[0]
    least = _Bound(name, limit, "least", value, step, unit, 0.0)
    return [least, least._replace(end="greatest", most=most)]


def _one(name: str, end: End, value: Callable[[Measures], float], *, step: float, unit: float, most: float) -> _Bound:
    """A limit with one end."""
    return _Bound(name, name.rpartition("_")[0], end, value, step, unit, most)


_BOUNDS = (
    *_range("depth_mm", lambda of: of.depth, step=5e-3, unit=MILLIMETRE, most=2.0),
    *_range("mouth_diameter_mm", lambda of: of.mouth_diameter, step=10e-3, unit=MILLIMETRE, most=4.0),
    *_range("mouth_width_mm", lambda of: of.mouth_width, step=10e-3, unit=MILLIMETRE, most=4.0),
    *_range("mouth_height_mm", lambda of: of.mouth_height, step=10e-3, unit=MILLIMETRE, most=4.0),
    *_range("throat_angle_deg", lambda of: of.throat_angle, step=5 * DEGREE, unit=DEGREE, most=80 * DEGREE),
    _one(
        "smallest_concave_radius_mm",
        "least",
        lambda of: of.smallest_concave_radius,
        step=1e-3,
        unit=MILLIMETRE,
        most=0.0,
    ),
    _one(
        "greatest_wall_angle_deg",
        "greatest",
        lambda of: of.greatest_angle,
        step=5 * DEGREE,
        unit=DEGREE,
        most=90 * DEGREE,
    ),
    _one("smallest_draft_deg", "least", lambda of: of.smallest_angle, step=DEGREE, unit=DEGREE, most=0.0),
)
"""By how much each limit is relaxed: what a maker might still find room for; own choice."""


@dataclass(frozen=True)
class Binding:
    """A limit that the winner has come up against.

    limit      : its key in [limits], with the unit.
    end        : of its range.
    allowed    : that end, and
    value      : what the winner has, both in the key's unit.
    step       : by which it was relaxed, in the key's unit.
    gain       : dB, by which a descent from the winner then went lower than one of as many candidates within the
                 limits as they are; None where it was not measured.
    candidates : of each descent, at most.
    """

    limit: str
    end: End
    allowed: float
    value: float
    step: float
    gain: float | None
    candidates: int


Asking = Generator[list[Job], Sequence[Outcome], float]
"""Yields what is to be judged, is sent what became of it, and returns how far down it went, dB; nan if it could not."""
Judge = Callable[[Sequence[tuple[Target, Job]]], Sequence[Outcome]]
"""Has candidates of targets judged; outcomes in their order."""


def binding(waveguide: Waveguide, limits: Limits) -> list[Binding]:
    """The limits that a winner within them is nearly at, and that can be relaxed; none of them measured."""
    return [_found(bound, waveguide, limits) for bound in _active(waveguide, limits)]


def share(candidates: int, limits: int) -> int:
    """Candidates for each descent where so many were asked for and so many limits bind; 0 where they are too few."""
    each = candidates // PART // (limits + 1)
    return min(each, MOST) if each >= FEWEST else 0


def measured(target: Target, family: str, waveguide: Waveguide, judge: Judge, *, each: int) -> list[Binding]:
    """What relaxing each limit that binds would gain; `each` candidates for every descent, one within the limits.

    All descents begin at the winner and may take as many candidates, so that more search is not taken for what the
    limit gave; how far each comes down from its own start is compared, since a wider limit may change the angles that
    candidates are observed at.
    """
    bounds = _active(waveguide, target.limits)
    targets = [target, *(replace(target, limits=relaxed(target.limits, bound)) for bound in bounds)]
    lines = [_descent(each_of, family, waveguide, most=each) for each_of in targets]
    within, *wider = _side_by_side(list(zip(targets, lines, strict=True)), judge)
    return [
        replace(
            _found(bound, waveguide, target.limits),
            gain=None if math.isnan(found - within) else found - within,
            candidates=each,
        )
        for bound, found in zip(bounds, wider, strict=True)
    ]


def relaxed(limits: Limits, bound: _Bound) -> Limits:
    """Limits with one end moved outward by its step."""
    now = getattr(limits, bound.limit)
    end = _end(limits, bound)
    moved = max(end - bound.step, bound.most) if bound.end == "least" else min(end + bound.step, bound.most)
    value: Any = moved
    if isinstance(now, tuple):
        value = (moved, now[1]) if bound.end == "least" else (now[0], moved)
    return replace(limits, **{bound.limit: value})


def _end(limits: Limits, bound: _Bound) -> float:
    now = getattr(limits, bound.limit)
    return float(now[0 if bound.end == "least" else 1] if isinstance(now, tuple) else now)


def _active(waveguide: Waveguide, limits: Limits) -> list[_Bound]:
    found, active = measures(waveguide), []
    for bound in _BOUNDS:
        allowed = getattr(limits, bound.limit)
        if allowed is None or (bound.limit == "mouth_diameter" and limits.oblong):
            continue
        if isinstance(allowed, tuple) and allowed[0] == allowed[1]:  # fixed, as was asked
            continue
        if bound.limit in ("mouth_width", "mouth_height") and not limits.oblong:
            continue
        end = _end(limits, bound)
        margin = bound.value(found) - end if bound.end == "least" else end - bound.value(found)
        if abs(end - bound.most) > 1e-12 and margin < ACTIVE * bound.step:
            active.append(bound)
    return active


def _found(bound: _Bound, waveguide: Waveguide, limits: Limits) -> Binding:
    allowed, value = _end(limits, bound), bound.value(measures(waveguide))
    moved = _end(relaxed(limits, bound), bound)
    numbers = (allowed / bound.unit, value / bound.unit, abs(moved - allowed) / bound.unit)
    return Binding(bound.name, bound.end, *numbers, gain=None, candidates=0)


def _descent(target: Target, family: str, waveguide: Waveguide, *, most: int) -> Asking:
    """From a waveguide, in the space that a target's limits leave a family; dB by which it comes down."""
    start = quantised(ParameterSpace(family, target.limits, target.driver, target.mounting).vector(waveguide))
    (outcome,) = yield [Job(family, start, SETTING)]
    if not outcome.feasible:
        return math.nan
    point = Point(family, np.array(start), SETTING, outcome)
    slopes = yield from measured_slopes(point)
    found, _ = yield from descended(point, slopes, rounds=max(1, (most - len(start)) // (len(start) + 2)))
    return point.value - found.value


def _side_by_side(lines: Sequence[tuple[Target, Asking]], judge: Judge) -> list[float]:
    """Carry out descents together, a population of each at a time; how far down each went."""
    found = [0.0] * len(lines)
    asked = {i: next(line) for i, (_, line) in enumerate(lines)}
    while asked:
        outcomes = iter(judge([(lines[i][0], job) for i, jobs in asked.items() for job in jobs]))
        told = {i: [next(outcomes) for _ in jobs] for i, jobs in asked.items()}
        asked = {}
        for i, each in told.items():
            try:
                asked[i] = lines[i][1].send(each)
            except StopIteration as end:
                found[i] = float(end.value)
    return found
