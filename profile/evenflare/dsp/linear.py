"""Linear-phase slopes as finite impulse responses, one for each way, alike in length and latency."""

from __future__ import annotations

import numpy as np

from evenflare.dsp import slopes
from evenflare.dsp.crossover import Crossover, steps
from evenflare.dsp.fir import Fir, designed, taps_of, transform_frequencies
from evenflare.units import ComplexArray, FloatArray

LENGTH = 8.0
"""Periods of the lowest linear-phase corner, from which on a response is long enough; common practice, no source."""


def is_linear(crossover: Crossover) -> bool:
    """Whether some slope is linear-phase."""
    return any(each.slope.kind == "linear_phase" for each in crossover.crossings)


def length_for(crossover: Crossover) -> float:
    """s, the length of the finite impulse responses where none is asked for."""
    corners = [each.frequency for each in crossover.crossings if each.slope.kind == "linear_phase"]
    return LENGTH / min(corners)


def taps(crossover: Crossover, way: int, *, length: float, sample_rate: int) -> Fir:
    """The linear-phase slopes of a way in one response of a length in s; a mere delay where it passes none.

    All ways have the same window and the same latency, half the length, so that what adds up to 1 as a curve adds up to
    one sample of 1.
    """
    count = taps_of(length, sample_rate=sample_rate)
    at = transform_frequencies(count, sample_rate=sample_rate)
    curve = np.ones(at.size, dtype=np.complex128)
    for crossing, side in steps(crossover, way):
        if crossing.slope.kind == "linear_phase" and side is not None:
            curve = curve * slopes.response(crossing.slope, side, at, corner=crossing.frequency)
    return designed(curve, taps=count, latency=count // 2, sample_rate=sample_rate)


def departure(crossover: Crossover, made: list[Fir], frequency: FloatArray) -> ComplexArray:
    """(N, F) factor by which each way's response differs from the slopes that it is made for, latency taken out."""
    found = np.ones((len(made), frequency.size), dtype=np.complex128)
    for way, each in enumerate(made):
        curve = np.ones(frequency.size, dtype=np.complex128)
        for crossing, side in steps(crossover, way):
            if crossing.slope.kind == "linear_phase" and side is not None:
                curve = curve * slopes.response(crossing.slope, side, frequency, corner=crossing.frequency)
        turn = np.exp(2j * np.pi * frequency * each.latency / each.sample_rate)
        found[way] = each.response(frequency) * turn / np.maximum(np.abs(curve), 1e-9)
    return found
