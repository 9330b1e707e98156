"""How a box lets a driver fall off at low frequencies, and the sections that make another alignment of it.

An alignment is a high-pass, the product over its pole pairs of s^2 / (s^2 + s w/Q + w^2). A closed box has one pair; a
vented one two, here maximally flat: lossless, it is then tuned to its corner frequency. Sources: R. H. Small,
"Closed-Box Loudspeaker Systems", J. Audio Eng. Soc. 20 (1972), and "Vented-Box Loudspeaker Systems", 21 (1973);
A. N. Thiele, "Loudspeakers in Vented Boxes", Proc. IREE Australia 22 (1961), alignment 5 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest
from typing import Literal

import numpy as np

from evenflare.dsp.biquad import BUTTERWORTH, Biquad, cookbook
from evenflare.units import ComplexArray, FloatArray

Kind = Literal["closed", "vented", "assisted"]
ORDERS: dict[Kind, int] = {"closed": 2, "vented": 4, "assisted": 6}
"""An assisted one is a vented box behind a second-order high-pass."""
LEAKAGE = 7.0
"""Quality of a vented box with the losses that boxes have: Small (1973), as above."""


@dataclass(frozen=True)
class PolePair:
    """Two poles of a high-pass: Hz and quality, both > 0."""

    frequency: float
    quality: float


@dataclass(frozen=True)
class LowAlignment:
    """A high-pass by its pole pairs, and of a vented box the Hz that it is tuned to. No pairs: flat down to 0 Hz."""

    pairs: tuple[PolePair, ...] = ()
    tuning: float | None = None


def alignment(kind: Kind, frequency: float, *, quality: float = BUTTERWORTH) -> LowAlignment:
    """A closed box's of a quality, or the maximally flat one of the kind's order, 3 dB down at `frequency` (Hz).

    Source of the poles: S. Butterworth, Experimental Wireless 7 (1930), as in any handbook of filters.
    """
    if kind == "closed":
        return LowAlignment((PolePair(frequency, quality),))
    order = ORDERS[kind]
    angles = np.pi * (2.0 * np.arange(order // 2) + 1.0) / (2.0 * order)
    pairs = tuple(PolePair(frequency, float(0.5 / np.cos(angle))) for angle in angles)
    return LowAlignment(pairs, frequency if kind == "vented" else None)


def fall_off(made: LowAlignment, frequency: FloatArray) -> ComplexArray:
    """Complex response (F,) at `frequency` (F,) Hz, > 0; 1 far above the corners."""
    found: ComplexArray = np.ones(frequency.size, dtype=np.complex128)
    for pair in made.pairs:
        ratio = 1j * frequency / pair.frequency
        found = np.asarray(found * ratio**2 / (ratio**2 + ratio / pair.quality + 1.0))
    return found


def cone_share(made: LowAlignment, frequency: FloatArray) -> FloatArray:
    """(F,) volume that the cone displaces over that of cone, vent and leaks together, which is what radiates: 1 of a
    closed box; of a vented one |1 - b^2 - j b / Q|, b tuning over frequency. Source: Small (1973), as above.
    """
    if made.tuning is None:
        return np.ones(frequency.size)
    ratio = made.tuning / frequency
    return np.abs(1.0 - ratio**2 - 1j * ratio / LEAKAGE)


def check_transform(own: LowAlignment, wanted: LowAlignment) -> None:
    """ValueError if no filter makes `wanted` of `own`: a fall-off of a higher order cannot be undone."""
    if len(wanted.pairs) < len(own.pairs):
        raise ValueError(
            f"an alignment of order {2 * len(wanted.pairs)} cannot be made of a box of order {2 * len(own.pairs)}: what"
            " falls faster would need a boost without end"
        )


def transform(own: LowAlignment, wanted: LowAlignment, *, sample_rate: float) -> tuple[Biquad, ...]:
    """Sections behind which a driver of one alignment has another: each pair of poles is moved, and pairs that are
    wanted besides become high-passes.

    A moved pair is (s^2 + s w/Q + w^2) of its own over that of the wanted one, which is the ratio of two high-passes:
    so it is digital exactly as these are. Errors as `check_transform`.
    Source: S. H. Linkwitz, "Loudspeaker System Design", Wireless World 84 (1978) (from memory).
    """
    check_transform(own, wanted)
    found = []
    for before, after in zip_longest(_rising(own), _rising(wanted)):
        if before == after:
            continue
        b, a = cookbook("high_pass", after.frequency, sample_rate=sample_rate, quality=after.quality)
        if before is not None:
            zeros = cookbook("high_pass", before.frequency, sample_rate=sample_rate, quality=before.quality)
            b = zeros[1] * b[0] / zeros[0][0]
        found.append(Biquad(b, a))
    return tuple(found)


def _rising(made: LowAlignment) -> list[PolePair]:
    return sorted(made.pairs, key=lambda each: each.quality)
