"""What matters of a design in a room: the levels that a listener judges by, their slope and ripple."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.room.evenness import Balance, evenness_of
from evenflare.room.response import RoomResponse
from evenflare.units import BoolArray, FloatArray

MATTERS = ("direct", "first_reflections", "sound_power")
DEVIATIONS = 2.0
"""Standard deviations of the scatter, beyond which a difference is more than that."""
HALF = 0.5
"""Of the full weight, from which a third is said to count."""


@dataclass(frozen=True)
class DesignInRoom:
    """A design in a room.

    name, design_id, path : of its directivity.
    filters               : the file of its equaliser, or empty.
    band                  : Hz, where that equaliser is fitted, else what is counted.
    unknown               : thirds (Hz) that it plays in but that are not observed, and their share of what counts.
    kept_out              : thirds (Hz) that its filters let through though it is said not to play there.
    """

    name: str
    design_id: str
    path: str
    filters: str
    band: tuple[float, float]
    response: RoomResponse
    unknown: tuple[tuple[float, ...], float] = ((), 0.0)
    kept_out: tuple[float, ...] = ()


@dataclass(frozen=True)
class TwoBalances:
    """Two designs in one room, over the thirds in which both play: each by the lesser of both weights.

    band    : Hz, the first and last of them that counts half at least.
    numbers : dB, of both.
    moved   : (M,) dB, the first less the second with seats and source moved a little.
    """

    band: tuple[float, float]
    numbers: tuple[float, float]
    moved: FloatArray

    @property
    def difference(self) -> float:
        """dB, the first less the second: above 0 the second is evener."""
        return self.numbers[0] - self.numbers[1]

    @property
    def scatter(self) -> float:
        """dB, standard deviation of the difference over the moves."""
        return float(np.std(self.moved, ddof=1))

    @property
    def telling(self) -> bool:
        """Whether the difference is more than its scatter."""
        return bool(abs(self.difference) > DEVIATIONS * self.scatter)


def two_balances(first: Balance, second: Balance) -> TwoBalances | None:
    """Both where both play; None if that is nowhere, or nothing comes back."""
    own, other = (np.round(10.0 * np.log10(each.thirds)) for each in (first, second))
    _, here, there = np.intersect1d(own, other, return_indices=True)
    weight = np.minimum(first.weight[here], second.weight[there])
    numbers = [float(evenness_of(each.level[:, at], weight)) for each, at in ((first, here), (second, there))]
    if not np.all(np.isfinite(numbers)):
        return None
    moved = evenness_of(first.moved[..., here], weight) - evenness_of(second.moved[..., there], weight)
    return TwoBalances(counting(first.thirds[here], weight), (numbers[0], numbers[1]), moved)


def counting(thirds: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Hz, the first and last third whose weight is half of the greatest at least."""
    found = thirds[weight >= HALF * weight.max()]
    return float(found[0]), float(found[-1])


def matters(response: RoomResponse, *, filtered: bool) -> dict[str, FloatArray]:
    """Levels (B,) dB in thirds of what a listener judges by, in the order of MATTERS, with or without the filter."""
    of = response if filtered else response.unfiltered
    return dict(zip(MATTERS, (of.direct, of.first, of.power), strict=True))


def thirds_in(frequency: FloatArray, band: tuple[float, float]) -> BoolArray:
    """(B,) True for the thirds of an octave whose middle lies in a band (Hz), nominal ends included."""
    return np.asarray((frequency >= band[0] * 0.94) & (frequency <= band[1] * 1.06))


def trend(frequency: FloatArray, level: FloatArray, band: tuple[float, float]) -> tuple[float, float]:
    """Slope in dB per octave, and rms deviation in dB from it, of a level (B,) inside a band."""
    inside = thirds_in(frequency, band)
    octaves = np.log2(frequency[inside])
    slope, start = np.polyfit(octaves, level[inside], 1)
    return float(slope), float(np.sqrt(np.mean((level[inside] - start - slope * octaves) ** 2)))


def shared_band(designs: Sequence[DesignInRoom]) -> tuple[float, float]:
    """Hz, where all are counted and all equalisers are fitted; the first's own if that is less than an octave."""
    low, high = max(each.band[0] for each in designs), min(each.band[1] for each in designs)
    return (low, high) if high >= 2.0 * low else designs[0].band
