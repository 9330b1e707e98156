"""Where ways meet: their indices and beams beside those of the sum, vertical lobes, and the dip of the power."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from evenflare import metrics
from evenflare.directivity.types import Directivity
from evenflare.dsp.crossover import Crossover
from evenflare.dsp.people import nearest_to_nothing
from evenflare.dsp.placing import UnfilteredWays, mean_square
from evenflare.units import DEGREE, ComplexArray, FloatArray, amplitude_db, power_db

LOBE_DROP = -6.0
"""dB re on axis at the edges of the vertical lobe on axis."""
NULL = -12.0
"""dB re on axis, from which on a minimum between lobes is named."""
CLEAR = 3.0
"""dB, from which on one index lies as clearly above another as it can."""
ABOUT = 1.0
"""Octaves to either side of a crossing in which the dip of the power is sought, half-way to the next one at most."""

Three = tuple[float, float, float]
"""Of the upper way, the lower way and the sum."""


@dataclass(frozen=True)
class Handover:
    """One crossing and what is heard about it.

    upper, lower : places of the ways, from the top.
    frequency    : Hz.
    index        : dB, whole sphere, at that frequency.
    horizontal   : rad, beamwidths there; nan where never 6 dB down.
    vertical     : rad, the same in the vertical plane.
    meets        : Hz, where the indices of both ways are equal.
    meets_beam   : Hz, where their horizontal beamwidths are equal.
    lobe_at      : Hz, the frequency nearest to the crossing at which the sum is known: of the lobe and the nulls.
    lobe         : rad, lowest and highest vertical angle within 6 dB of the level on axis, down negative.
    nulls        : rad and dB re on axis of the vertical minima below `NULL` in front.
    dip          : dB, the least of the power against that without interference between the ways, at
    dip_at       : Hz.
    """

    upper: int
    lower: int
    frequency: float
    index: Three
    horizontal: Three
    vertical: Three
    meets: tuple[float, ...]
    meets_beam: tuple[float, ...]
    lobe_at: float
    lobe: tuple[float, float]
    nulls: tuple[tuple[float, float], ...]
    dip: float
    dip_at: float


def crossings_of(frequency: FloatArray, first: FloatArray, second: FloatArray) -> tuple[float, ...]:
    """Hz where two curves (F,) cross, straight between frequencies on a logarithmic axis."""
    apart = first - second
    with np.errstate(invalid="ignore"):
        at = np.flatnonzero((apart[:-1] * apart[1:] < 0.0) | ((apart[:-1] == 0.0) & (apart[1:] != 0.0)))
    part = apart[at] / (apart[at] - apart[at + 1])
    return tuple(np.exp(np.log(frequency[at]) * (1.0 - part) + np.log(frequency[at + 1]) * part).tolist())


def meetings(sounds: UnfilteredWays, lower: int) -> tuple[float, ...]:
    """Hz where the index of a way rises through that of the one above it, and both are known.

    Above, the lower way would be the narrower one.
    """
    upper = lower - 1
    both = sounds.valid[upper] & sounds.valid[lower]
    indices = [metrics.directivity_index(sounds.own[way])[both] for way in (upper, lower)]
    found = crossings_of(sounds.frequency[both], *indices)
    ahead = np.interp(np.log(np.array(found)) + 0.05, np.log(sounds.frequency[both]), indices[1] - indices[0])
    return tuple(at for at, rises in zip(found, ahead > 0.0, strict=True) if rises)


def parting(sounds: UnfilteredWays, lower: int) -> float | None:
    """Hz, the one of `meetings` that parts a way from the one above it best; None if none does.

    Below it the lower way should be the wider one, above it the narrower: the difference of the indices, `CLEAR` at
    most, counts for a meeting on its right side and against it on the other, over log frequency. So neither a dip on
    axis far above, nor two ways that are alike far below, decides. Source: own choice.
    """
    upper = lower - 1
    both = sounds.valid[upper] & sounds.valid[lower]
    indices = [metrics.directivity_index(sounds.own[way])[both] for way in (upper, lower)]
    narrower = np.clip(indices[1] - indices[0], -CLEAR, CLEAR)
    scores = [
        (float(np.sum(np.where(sounds.frequency[both] > at, 1, -1) * narrower)), at) for at in meetings(sounds, lower)
    ]
    best = max(scores, default=(0.0, 0.0))
    return best[1] if best[0] > 0.0 else None


def without_lobes(sounds: UnfilteredWays, filters: ComplexArray) -> FloatArray:
    """(F,) dB, power if the ways did not interfere off axis: each the share of the axis that it has, its own index.

    The amplitude on axis is shared as the amplitudes of the ways; the power is the mean of what each way alone would
    give for the whole level on axis, weighted by those shares. For ways alike and in one place that is the power
    itself; for two alike and far apart the power is half of it: 3 dB less.
    """
    axis = sounds.pressure[:, :, 0, _front(sounds)] * filters
    alone = np.einsum("fnn->nf", sounds.power).real * np.abs(filters) ** 2
    share = np.abs(axis) / np.sum(np.abs(axis), axis=0)
    whole = np.abs(np.sum(axis, axis=0)) ** 2
    each = alone / np.maximum(np.abs(axis) ** 2, 1e-30)
    return power_db(np.maximum(np.sum(share * each, axis=0) * whole, 1e-30))


def handovers(
    sounds: UnfilteredWays, crossover: Crossover, filters: ComplexArray, total: Directivity
) -> tuple[Handover, ...]:
    """Every crossing, from the highest down; `total` is the sum behind the filters (N, F)."""
    frequency = sounds.frequency
    dip = power_db(mean_square(sounds.power, filters)) - without_lobes(sounds, filters)
    curves = [(*_curves(each),) for each in (*sounds.own, total)]
    found = []
    for place, crossing in enumerate(crossover.crossings):
        upper, lower = place, place + 1
        three = [curves[upper], curves[lower], curves[-1]]

        def values_at_corner(
            which: int, corner: float = crossing.frequency, rows: Sequence[tuple[FloatArray, ...]] = three
        ) -> Three:
            first, second, third = (_value(frequency, row[which], corner) for row in rows)
            return first, second, third

        both = sounds.valid[upper] & sounds.valid[lower]
        near = np.abs(np.log2(frequency / crossing.frequency)) <= ABOUT
        for other in crossover.crossings[max(place - 1, 0) : place + 2]:
            middle = np.sqrt(other.frequency * crossing.frequency)
            near &= (frequency - middle) * np.sign(other.frequency - crossing.frequency) <= 0.0
        worst = int(np.argmin(np.where(near, dip, np.inf)))
        lobe_at, lobe, nulls = vertical_lobes(total, crossing.frequency)
        found.append(
            Handover(
                upper,
                lower,
                crossing.frequency,
                values_at_corner(0),
                values_at_corner(1),
                values_at_corner(2),
                crossings_of(frequency[both], three[0][0][both], three[1][0][both]),
                crossings_of(frequency[both], three[0][1][both], three[1][1][both]),
                lobe_at,
                lobe,
                nulls,
                float(dip[worst]),
                float(frequency[worst]),
            )
        )
    return tuple(found)


def vertical_level(total: Directivity, frequency: float) -> tuple[float, FloatArray, FloatArray]:
    """The known frequency (Hz) nearest to one, vertical angles (A,) rad in front, up positive, and level (A,) dB re on
    axis there.
    """
    known, angle, ratio = _vertical(total, frequency)
    return known, angle, amplitude_db(np.maximum(np.abs(ratio), 1e-6))


def _vertical(total: Directivity, frequency: float) -> tuple[float, FloatArray, ComplexArray]:
    """As `vertical_level`, with the complex pressure re on axis."""
    observation = total.observation
    row = int(np.argmin(np.abs(np.log(observation.frequency / frequency))))
    plane = int(np.argmin(np.abs(observation.plane - 0.5 * np.pi)))
    front = np.abs(observation.off_axis) <= 0.5 * np.pi + metrics.SAME_ANGLE
    axis = total.on_axis[row] if abs(total.on_axis[row]) > 1e-30 else 1e-30
    return float(observation.frequency[row]), observation.off_axis[front], total.pressure[row, plane, front] / axis


def vertical_lobes(
    total: Directivity, frequency: float
) -> tuple[float, tuple[float, float], tuple[tuple[float, float], ...]]:
    """The frequency (Hz) that was known, the vertical angles between which the level stays within 6 dB of that on axis,
    and the nulls in front.

    The complex pressure is a cubic spline over the angle, straight over tenths of a degree: so that a null's place and
    depth are its own, not those of the nearest angle observed.
    """
    known, observed, ratio = _vertical(total, frequency)
    angle = np.linspace(-90.0, 90.0, 1801) * DEGREE
    fine = CubicSpline(observed, ratio)(np.clip(angle, observed[0], observed[-1]))
    level = amplitude_db(np.maximum(np.abs(fine), 1e-6))
    axis = int(np.argmin(np.abs(angle)))
    ends = []
    for step in (-1, 1):
        at = axis
        while 0 <= at + step < angle.size and level[at + step] > LOBE_DROP:
            at += step
        end = float(angle[at])
        if 0 <= at + step < angle.size:
            part = (level[at] - LOBE_DROP) / (level[at] - level[at + step])
            end += float(part * (angle[at + step] - angle[at]))
        ends.append(end)
    size, part = nearest_to_nothing(fine)
    depth = amplitude_db(np.maximum(size, 1e-6))
    inner = np.arange(1, angle.size - 1)
    nulls = []
    for i in inner[(level[inner] < level[inner - 1]) & (level[inner] <= level[inner + 1])]:
        row = i - 1 if depth[i - 1] <= depth[i] else i
        if depth[row] < NULL:
            place = angle[row] + part[row] * (angle[row + 1] - angle[row])
            nulls.append((float(place), float(depth[row])))
    return known, (ends[0], ends[1]), tuple(nulls)


def _front(sounds: UnfilteredWays) -> int:
    return int(np.argmin(np.abs(sounds.observation.off_axis)))


def _curves(directivity: Directivity) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Index (dB) and beamwidth (rad) in both planes."""
    return (
        metrics.directivity_index(directivity),
        metrics.beamwidth(directivity, 0.0),
        metrics.beamwidth(directivity, 0.5 * np.pi),
    )


def _value(frequency: FloatArray, curve: FloatArray, at: float) -> float:
    return float(np.interp(np.log(at), np.log(frequency), curve))
