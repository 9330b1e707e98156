"""What tests ask of second-order sections beyond what the product needs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenflare.dsp.biquad import BUTTERWORTH, Biquad, cookbook
from evenflare.units import FloatArray

ON_CIRCLE = 1e-9
"""By how much a zero may lie outside the unit circle and count as on it: the rounding of a double one."""


def peaking(frequency: float, *, gain_db: float, sample_rate: float, quality: float) -> Biquad:
    """A peak or dip of `gain_db` at `frequency`, 0 dB far from it."""
    return Biquad(*cookbook("peaking", frequency, sample_rate=sample_rate, quality=quality, gain_db=gain_db))


def high_shelf(frequency: float, *, gain_db: float, sample_rate: float, quality: float = BUTTERWORTH) -> Biquad:
    """`gain_db` far above `frequency`, half of it there, 0 dB far below."""
    return Biquad(*cookbook("high_shelf", frequency, sample_rate=sample_rate, quality=quality, gain_db=gain_db))


def is_stable(section: Biquad) -> bool:
    """Whether both poles lie inside the unit circle: |a2| < 1 and |a1| < 1 + a2."""
    _, a1, a2 = section.a
    return bool(abs(a2) < 1.0 and abs(a1) < 1.0 + a2)


def is_minimum_phase(section: Biquad) -> bool:
    """Whether it is stable and no zero lies outside the unit circle; those of low- and high-passes lie on it."""
    b0, b1, b2 = section.b
    edge = abs(b0) * (1.0 + ON_CIRCLE)
    return bool(is_stable(section) and b0 != 0.0 and abs(b2) <= edge and abs(b1) <= edge + np.sign(b0) * b2)


def second_order_sections(sections: Sequence[Biquad]) -> FloatArray:
    """(N, 6) rows b0, b1, b2, 1, a1, a2, as `scipy.signal.sosfilt` takes them."""
    return np.array([[*section.b, *section.a] for section in sections], dtype=np.float64).reshape(-1, 6)
