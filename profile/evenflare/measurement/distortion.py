"""Harmonics of distortion over frequency, with the floor that noise and hum give, and what stands above it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.bands import midbands
from evenflare.measurement.deconvolve import SKIRT, Deconvolved
from evenflare.measurement.gate import Window, spectra
from evenflare.units import ComplexArray, FloatArray, power_db, read_only

DENSITY = 12
"""Exciting frequencies per octave."""
ABOVE = 10.0
"""Power ratio to the floor from which a harmonic is told: noise alone reaches it once in 20000 (exponential law)."""
AROUND, BESIDE = 7.0, 2
"""The same of the median over so many frequencies to either side: where a harmonic lies nearer to its floor, those that
noise has raised would be told alone, much too high. Not asked of what stands as far above as
CLEARLY says, a narrow peak."""
CLEARLY = 100.0
LEAST_PLACES = 4
"""Stretches without sound that a floor must be told from."""
MOST_PLACES = 200
"""Stretches at which it is listened for."""
MOST_ORDERS = 10
"""Harmonics of which the places are left out of the floor."""
LOWEST = 4.0
"""Over the window's length: the lowest exciting frequency. Below, what a gate cuts off moves levels by 0.3 dB and more
(measured on sweeps from 20 and 100 Hz)."""
HIGHEST_ORDER = 5
"""Harmonics are told up to this order."""

Factor = Callable[[FloatArray], ComplexArray]
"""(F,) Hz to what takes a recording to the source's own pressure; nan where the microphone is not known."""


@dataclass(frozen=True)
class Distortion:
    """Harmonics on axis re the fundamental at the exciting frequency.

    frequency : (F,) Hz, exciting.
    orders    : (H,) of the harmonics, from 2.
    level     : (H, F) dB; nan where it does not stand 10 dB above its floor.
    floor     : (H, F) dB, what noise and hum give in its place; nan where that is not known, or it lies above the band.
    """

    frequency: FloatArray
    orders: tuple[int, ...]
    level: FloatArray
    floor: FloatArray

    def __post_init__(self) -> None:
        for name in ("frequency", "level", "floor"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def findings(self) -> dict[str, Any]:
        """For session.json: of each harmonic where it is greatest over a quarter of an octave, and its median, dB."""
        found: dict[str, Any] = {}
        for order, level, floor in zip(self.orders, self.level, self.floor, strict=True):
            told, known = np.isfinite(level), np.isfinite(floor)
            if not np.any(known):
                continue
            top, greatest = greatest_of(level)
            found[f"harmonic_{order}"] = {
                "greatest_db": greatest if np.any(told) else None,
                "at_hz": float(self.frequency[top]) if np.any(told) else None,
                "median_db": float(np.median(level[told])) if np.any(told) else None,
                "told_at": int(np.count_nonzero(told)),
                "of": int(np.count_nonzero(known)),
                "floor_median_db": float(np.median(floor[known])),
            }
        return found


def greatest_of(level: FloatArray) -> tuple[int, float]:
    """Where a level (F,), nan where not told, is greatest over a quarter of an octave, and that mean square in dB.

    Of many levels near their floor the single greatest is the one that noise has raised most.
    """
    wide = np.pad(np.where(np.isfinite(level), 10.0 ** (0.1 * level), np.nan), 1, constant_values=np.nan)
    near = np.lib.stride_tricks.sliding_window_view(wide, 3)
    known = np.isfinite(near)
    mean = np.where(known, near, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    top = int(np.argmax(np.where(np.isfinite(level), mean, -1.0)))
    return top, float(power_db(max(float(mean[top]), np.finfo(float).tiny)))


def _plain(frequency: FloatArray) -> ComplexArray:
    return np.ones(frequency.size, dtype=np.complex128)


def distortion(
    heard: Deconvolved,
    *,
    window: Window,
    band: tuple[float, float],
    duration: float,
    sample_rate: float,
    factor: Factor = _plain,
) -> Distortion | None:
    """On-axis harmonics re the linear response at the exciting frequency, where they stand above their floor.

    window   : that of the linear response; each harmonic is heard through the same, where it arrives.
    band     : Hz, that the sweep excites. duration: s, of the recording.
    factor   : of microphone and air, at the exciting frequency and at the harmonic's own.
    The floor is what the same window gives where nothing arrives, the median over such places over ln 2 (the mean of
    an exponential law); it is taken off the power of what stands 10 dB above it. An order whose window reaches into
    the next one's is left out. None where no order is known.
    Source: A. Farina, AES 108th convention (2000).
    """
    orders = tuple(order for order in heard.harmonics if _apart(heard, order, window))
    # Near the ends of its band a sweep is not divided by in full.
    band = band[0], band[1] / SKIRT
    lowest, highest = max(SKIRT * band[0], LOWEST / window.length), band[1] / 2.0
    if heard.rate is None or not orders or not lowest < highest:
        return None
    exciting = midbands(DENSITY, lowest=lowest, highest=highest)
    base = np.abs(spectra(heard.samples[None], exciting, window=window, sample_rate=sample_rate)[0]) ** 2
    base = np.maximum(base, np.finfo(float).tiny) * np.abs(factor(exciting)) ** 2
    level = np.full((len(orders), exciting.size), np.nan)
    floor = np.full_like(level, np.nan)
    for row, order in enumerate(orders):
        inside = order * exciting <= band[1]
        if not np.any(inside):
            continue
        at = order * exciting[inside]
        listen = _listener(heard, at, window=window, sample_rate=sample_rate)
        quiet = _floor(heard, at, listen, window=window, duration=duration, band=band)
        own = listen([window.arrival - window.lead - heard.rate * np.log(order)])[0]
        scale = np.abs(factor(at)) ** 2 / base[inside]
        above = own / np.maximum(quiet, 1e-300)
        told = (above > ABOVE) & ((_around(above) > AROUND) | (above > CLEARLY))
        rest = np.maximum(own - np.where(told, quiet, 0.0), np.finfo(float).tiny)
        level[row, inside] = np.where(told, power_db(rest * scale), np.nan)
        floor[row, inside] = np.where(np.isfinite(quiet), power_db(np.maximum(quiet, 1e-300) * scale), np.nan)
    return Distortion(exciting, orders, level, floor)


def _around(ratio: FloatArray) -> FloatArray:
    """Median (F,) over `BESIDE` frequencies to either side, as far as there are any."""
    wide = np.pad(ratio, BESIDE, constant_values=np.nan)
    return np.asarray(np.nanmedian(np.lib.stride_tricks.sliding_window_view(wide, 2 * BESIDE + 1), axis=1))


def _apart(heard: Deconvolved, order: int, window: Window) -> bool:
    """Whether a harmonic's window ends before the one of the order below begins, which arrives after it."""
    return heard.rate is not None and window.lead + window.length <= heard.rate * np.log(order / (order - 1.0))


def _listener(
    heard: Deconvolved, frequency: FloatArray, *, window: Window, sample_rate: float
) -> Callable[[list[float]], FloatArray]:
    """Power (P, F) of what the window lets through when it begins at so many s, before or after 0."""
    _, weights = window.weights(heard.circular.size, sample_rate=sample_rate)
    time = np.arange(weights.size) / sample_rate
    kernel = np.exp(-2j * np.pi * np.outer(time, frequency)) * weights[:, None]

    def listen(starts: list[float]) -> FloatArray:
        moved = np.round(np.array(starts) * sample_rate).astype(np.int64)[:, None] + np.arange(weights.size)
        return np.asarray(np.abs(np.take(heard.circular, moved, mode="wrap") @ kernel) ** 2)

    return listen


def _floor(
    heard: Deconvolved,
    frequency: FloatArray,
    listen: Callable[[list[float]], FloatArray],
    *,
    window: Window,
    duration: float,
    band: tuple[float, float],
) -> FloatArray:
    """Power (F,) without sound. Noise of the recording at one instant comes out at one place for each frequency: only
    places count at which all frequencies are of the recording's inside.
    """
    assert heard.rate is not None
    length = window.lead + window.length
    span = heard.rate * np.log(frequency / band[0])
    early = [heard.rate * np.log(order) for order in range(1, MOST_ORDERS + 1)]
    places = np.linspace(-heard.rate * np.log(MOST_ORDERS), duration - length, MOST_PLACES)
    # Not where the sound or one of the first orders arrives, nor as long after it as the window lasts.
    arrival = window.arrival
    clear = [p for p in places.tolist() if all(not -length < p - (arrival - e) < 2.0 * length for e in early)]
    floor = np.full(frequency.size, np.inf)
    if not clear:
        return floor
    rows, start = listen(clear), np.array(clear)[:, None]
    inside = (start + span >= 0.0) & (start + span <= duration - length)
    for index in range(frequency.size):
        own = rows[inside[:, index], index]
        if own.size >= LEAST_PLACES:
            floor[index] = np.median(own) / np.log(2.0)
    return floor
