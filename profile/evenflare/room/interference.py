"""Source and images added as pressures: their sum over frequency in even steps, from delays and smooth spectra."""

from __future__ import annotations

import math

import numpy as np

from evenflare.bands import band_edges
from evenflare.compiled import njit
from evenflare.directivity.types import Directivity
from evenflare.room.arrivals import sounded
from evenflare.room.images import images
from evenflare.room.paths import FINE
from evenflare.room.room import Point, Room
from evenflare.units import ComplexArray, FloatArray

FINEST, COARSEST = 0.25, 2.0
"""Hz, bounds of the step in which a spectrum is summed for the means of its bands."""
ANEW = 64
"""Steps over which a phase turns on from one that is taken from its angle."""


def added(delay: FloatArray, spectra: ComplexArray, frequency: FloatArray, *, step: float, count: int) -> ComplexArray:
    """Sum (count,) at 0, `step`, 2 `step`, ... Hz of spectra (I, F), each delayed by `delay` (I,) s.

    Spectra are given at `frequency` (F,) Hz, rising, straight over log frequency between and constant beyond. Time
    grows as I count, memory as count.
    """
    place = np.interp(np.log(np.maximum(step * np.arange(count), 1e-9)), np.log(frequency), np.arange(frequency.size))
    low = np.minimum(place.astype(np.int64), frequency.size - 2)
    return np.asarray(_added(delay, np.ascontiguousarray(spectra), low, place - low, step))


@njit(cache=True)
def _added(delay, spectra, low, part, step):  # type: ignore[no-untyped-def]
    """The sum (K,) of spectra (I, F); low, part (K,) say between which two of F each step lies, and how far on.

    Real and imaginary parts stand apart, and no step waits for the one before: so it runs as vector code.
    """
    count = low.size
    real, imaginary = np.zeros(count), np.zeros(count)
    # A run of steps shares what its phase is taken from, and the frequencies between which it lies.
    begins = [0]
    for index in range(1, count):
        if index % ANEW == 0 or low[index] != low[index - 1]:
            begins.append(index)
    begins.append(count)
    cosine, sine = np.empty(ANEW), np.empty(ANEW)
    for image in range(delay.size):
        cycles = delay[image] * step
        for turned in range(ANEW):
            angle = 2.0 * math.pi * ((cycles * turned) % 1.0)
            cosine[turned], sine[turned] = math.cos(angle), -math.sin(angle)
        for run in range(len(begins) - 1):
            start, beyond = begins[run], begins[run + 1]
            block = start - start % ANEW
            begun = 2.0 * math.pi * ((cycles * block) % 1.0)
            phase = complex(math.cos(begun), -math.sin(begun))
            below, more = spectra[image, low[start]], spectra[image, low[start] + 1]
            below, more = phase * below, phase * (more - below)
            along, rising, across, falling = below.real, more.real, below.imag, more.imag
            on, level, aside = part[start:beyond], real[start:beyond], imaginary[start:beyond]
            turn, lean = cosine[start - block : beyond - block], sine[start - block : beyond - block]
            for each in range(on.size):
                there, beside = along + on[each] * rising, across + on[each] * falling
                level[each] += there * turn[each] - beside * lean[each]
                aside[each] += there * lean[each] + beside * turn[each]
    return real + 1j * imaginary


def interfering(room: Room, directivity: Directivity, point: Point, fine: FloatArray) -> FloatArray:
    """Mean square (F,) Pa^2 over each 24th of an octave with the midbands `fine` (F,) Hz of source and images added.

    The sum is taken in steps of half the frequency in which the phase between the first and the last image turns
    once, so that no comb falls between two steps (COARSEST and FINEST bound it). No tail.
    """
    found = images(room, point, order=room.order)
    delay = found.distance / room.air.speed_of_sound
    step = float(np.clip(0.5 / max(float(np.ptp(delay)), 1e-9), FINEST, COARSEST))
    low, high = band_edges(fine, fraction=FINE)
    spectra = sounded(room, found, directivity, fine).astype(np.complex128)
    return band_means(added(delay, spectra, fine, step=step, count=int(high[-1] / step) + 2), step, low, high)


def band_means(spectrum: ComplexArray, step: float, low: FloatArray, high: FloatArray) -> FloatArray:
    """Mean square (B,) from `low` to `high` (B,) Hz of a spectrum (K,) at 0, `step`, ... Hz.

    Its square is taken as straight between.
    """
    square = np.abs(spectrum) ** 2
    area = np.concatenate([[0.0], np.cumsum(0.5 * (square[1:] + square[:-1]))])

    def integral(at: FloatArray) -> FloatArray:
        place = np.minimum((at / step).astype(np.int64), square.size - 2)
        beyond = at / step - place
        return np.asarray(area[place] + beyond * (square[place] + 0.5 * beyond * (square[place + 1] - square[place])))

    return (integral(high) - integral(low)) * step / (high - low)
