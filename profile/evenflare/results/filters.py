"""What files of filters have in common: coefficients of sections, and taps."""

from __future__ import annotations

from collections.abc import Sequence

from evenflare.dsp.biquad import Biquad
from evenflare.dsp.fir import Fir
from evenflare.text import comments

COEFFICIENTS = ("b0", "b1", "b2", "a1", "a2")
"""Columns of `digits`; a0 is 1."""


def digits(section: Biquad) -> list[str]:
    """Cells with all digits of a section's coefficients."""
    return [repr(float(value)) for value in (*section.b, *section.a[1:])]


def taps_text(taps: Fir, header: Sequence[str]) -> str:
    """A finite impulse response as text, a tap a line."""
    about = f"finite impulse response, {taps.sample_rate} Hz, latency {taps.latency} samples, a tap a line"
    return "\n".join([*comments([*header, about]), *map(repr, taps.taps.tolist())]) + "\n"
