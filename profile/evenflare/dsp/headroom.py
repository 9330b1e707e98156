"""How loud all ways together can play, and which of them gives out first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.dsp.loudness import Cause
from evenflare.units import REFERENCE_PRESSURE, BoolArray, ComplexArray, FloatArray, amplitude_db


@dataclass(frozen=True)
class GivingOut:
    """Where a way gives out first as the level rises.

    way       : its place from the top.
    cause     : by what.
    frequency : Hz.
    level     : dB SPL of the loudspeaker on axis at 1 m, in its passband.
    """

    way: int
    cause: Cause
    frequency: float
    level: float


@dataclass(frozen=True)
class SystemHeadroom:
    """What steady tones can be played, one frequency at a time.

    greatest : (N, F) dB SPL on axis at 1 m of all ways together, at which each way gives out; inf where it never does.
    causes   : of each way and frequency by what, "" for a way without a limit.
    order    : the ways that have limits, the one that gives out first before the others.
    played   : (F,) dB SPL on axis at 1 m of all ways at the level at which the first gives out.
    """

    greatest: FloatArray
    causes: tuple[tuple[Cause | str, ...], ...]
    order: tuple[GivingOut, ...]
    played: FloatArray

    @property
    def first(self) -> GivingOut:
        """The way that limits the loudspeaker."""
        return self.order[0]


def system_headroom(
    frequency: FloatArray,
    ways: ComplexArray,
    limits: Sequence[Mapping[Cause, FloatArray]],
    *,
    passband: float,
    counted: BoolArray,
) -> SystemHeadroom | None:
    """Headroom of ways that all play the same signal behind their filters; None if none has a limit.

    ways     : (N, F) Pa that each gives on axis at 1 m, at some common level.
    limits   : of each way, by cause (F,) dB SPL.
    passband : dB re 1 Pa of the sum at that level, which it is then called.
    counted  : (F,) True where the sum is known: only there is a way found to give out.
    A way may be raised by its limit less its own level, and the sum is then as much louder.
    """
    if not any(limits) or not counted.any():
        return None
    to_spl = -float(amplitude_db(REFERENCE_PRESSURE))
    own = amplitude_db(np.maximum(np.abs(ways), 1e-15)) + to_spl
    together = amplitude_db(np.maximum(np.abs(ways.sum(axis=0)), 1e-15)) + to_spl
    raised = np.full(own.shape, np.inf)
    causes: list[tuple[Cause | str, ...]] = []
    order: list[GivingOut] = []
    for way, each in enumerate(limits):
        if not each:
            causes.append(("",) * frequency.size)
            continue
        names, levels = list(each), np.array(list(each.values()))
        least = np.argmin(levels, axis=0)
        causes.append(tuple(names[place] for place in least))
        raised[way] = levels.min(axis=0) - own[way]
        worst = int(np.argmin(np.where(counted, raised[way], np.inf)))
        level = passband + to_spl + float(raised[way, worst])
        order.append(GivingOut(way, names[least[worst]], float(frequency[worst]), level))
    order.sort(key=lambda each: each.level)
    played = together + order[0].level - passband - to_spl
    return SystemHeadroom(together + raised, tuple(causes), tuple(order), played)


def trims(sensitivities: Sequence[float | None], drivers: Sequence[int]) -> list[float] | None:
    """dB, <= 0, that bring ways of these sensitivities (of one driver each, equal ones in parallel) to one level behind
    amplifiers of equal gain; None unless all are known.
    """
    if any(each is None for each in sensitivities):
        return None
    ways = zip(sensitivities, drivers, strict=True)
    own = [each + float(amplitude_db(count)) for each, count in ways if each is not None]
    return [min(own) - each for each in own]
