"""What an equaliser is to do to a directivity: level by level over frequency, one and the same in all directions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from evenflare import metrics
from evenflare.bands import smoothed_level
from evenflare.directivity.types import Directivity
from evenflare.dsp import interference
from evenflare.dsp.interference import Dip
from evenflare.dsp.peaks import Peak
from evenflare.units import ComplexArray, FloatArray, power_db, read_only

Window = Literal["on_axis", "listening_window"]
PIVOT = 1000.0
"""Hz, where a sloping target is level with a flat one."""
END = 1e-6
"""Of a frequency: one written with few digits at the end of a band is still inside."""


@dataclass(frozen=True)
class Aim:
    """What is to be made even.

    window      : the direct sound that counts.
    power_share : 0 to 1, share of the sound power's level in dB, the rest is the direct sound's.
    slope       : dB per octave of the target, negative where it falls.
    smoothing   : bands per octave over which levels are averaged before they are corrected.
    dip         : dB, from which on a dip that other directions lack is left alone.
    """

    window: Window = "on_axis"
    power_share: float = 0.0
    slope: float = 0.0
    smoothing: float = 12.0
    dip: float = 1.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.power_share <= 1.0:
            raise ValueError(f"power_share = {self.power_share:g}: must be 0 to 1")


@dataclass(frozen=True)
class Wanted:
    """The correction that an aim asks for.

    frequency   : (G,) Hz, evenly on a logarithmic axis over the band.
    correction  : (G,) dB, its mean over the band is 0.
    aim         : (G,) dB, the mixed level with what interference takes from it restored.
    dips        : what is left alone.
    left_alone  : (G,) dB <= 0, what they take from the direct sound.
    on_axis     : (G,) dB on axis, not smoothed.
    """

    frequency: FloatArray
    correction: FloatArray
    aim: FloatArray
    dips: tuple[Dip, ...]
    left_alone: FloatArray
    on_axis: FloatArray

    def __post_init__(self) -> None:
        for name in ("frequency", "correction", "aim", "left_alone", "on_axis"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def faded(self, values: FloatArray, frequency: FloatArray, *, high_pass: float | None = None) -> FloatArray:
        """Values (G,) over the band at any frequencies (Hz): from the band's ends they go to 0 over one octave.

        Below the band they stay as at its end instead, if a high-pass (Hz) less than an octave below it does the rest.
        """
        f = np.maximum(frequency, 1e-3)
        inside = np.interp(np.log(f), np.log(self.frequency), values)
        octaves = np.log2(np.maximum(self.frequency[0] / f, f / self.frequency[-1]))
        if high_pass is not None and high_pass > 0.5 * self.frequency[0]:
            octaves = np.log2(f / self.frequency[-1])
        return np.asarray(inside * np.cos(0.5 * np.pi * np.clip(octaves, 0.0, 1.0)) ** 2)


def valid_band(directivity: Directivity) -> tuple[float, float]:
    """Lowest and highest Hz of the widest run (in octaves) of valid frequencies. ValueError if none is valid."""
    frequency, valid = directivity.observation.frequency, directivity.valid
    runs = np.split(np.arange(valid.size), np.flatnonzero(np.diff(valid.astype(int))) + 1)
    good = [(float(frequency[run[0]]), float(frequency[run[-1]])) for run in runs if valid[run[0]]]
    if not good:
        raise ValueError("no frequency is valid: there is nothing to equalise. Solve or measure it more exactly")
    return max(good, key=lambda band: band[1] / band[0])


def check_band(directivity: Directivity, band: tuple[float, float]) -> None:
    """ValueError unless the widest valid run covers `band` (Hz), which is at least an octave wide."""
    low, high = valid_band(directivity)
    if band[0] < low * (1.0 - END) or band[1] > high * (1.0 + END):
        raise ValueError(
            f"is valid from {low:.6g} to {high:.6g} Hz, which does not cover {band[0]:.6g} to {band[1]:.6g} Hz."
            " Narrow the band, or solve or measure the rest"
        )
    if band[1] < 2.0 * band[0] * (1.0 - END):
        raise ValueError(f"{band[0]:.6g} to {band[1]:.6g} Hz is less than an octave: there is nothing to make even")


def wanted(directivity: Directivity, aim: Aim, *, band: tuple[float, float]) -> Wanted:
    """The correction that makes an aim even over a band (Hz), the same for every direction.

    The aim's level in dB is (1 - power_share) times the window's and power_share times the sound power's, so that
    the level of the power does not matter, only its shape. Where the window dips and the mean over the other
    directions does not, the window counts as if it did not dip: the correction there follows from what is common.
    Errors: ValueError if the band is not covered, or an angle or plane that the aim needs was not observed.
    """
    check_band(directivity, band)
    known, at = directivity.observation.frequency, interference.grid(*band)

    def on_grid(level: FloatArray) -> FloatArray:
        fine = interference.interpolated(known, level, at)
        return smoothed_level(at, fine, fraction=aim.smoothing)

    on_axis = metrics.on_axis_level(directivity)
    direct = on_axis if aim.window == "on_axis" else metrics.standard_curves(directivity).listening_window
    window = on_grid(direct)
    levels = interference.levels_on(directivity, at)
    others = smoothed_level(at, interference.around(levels, directivity), fraction=aim.smoothing)
    dips, taken = interference.dips(at, window, others=others, levels=levels, least=aim.dip)
    mixed = (1.0 - aim.power_share) * (window - taken)
    if aim.power_share > 0.0:
        mixed = mixed + aim.power_share * on_grid(metrics.sound_power_level(directivity))
    correction = aim.slope * np.log2(at / PIVOT) - mixed
    return Wanted(
        at,
        correction - correction.mean(),
        mixed,
        dips,
        taken,
        interference.interpolated(known, on_axis, at),
    )


def filtered(directivity: Directivity, response: ComplexArray) -> Directivity:
    """What is heard when a filter of complex response (F,), at the directivity's frequencies, drives it."""
    power = directivity.sound_power
    return replace(
        directivity,
        pressure=directivity.pressure * np.asarray(response)[:, None, None],
        sound_power=None if power is None else power * np.abs(response) ** 2,
    )


@dataclass(frozen=True)
class Headroom:
    """What a correction costs in level.

    greatest_boost : dB, never below 0: by so much the input is lowered for no frequency to exceed full scale, at
    at             : Hz. At any frequency from 0 to half of any sample rate, in the band and outside.
    worst          : dB, never below 0: by so much for no input at all to exceed it.
    band           : (B,) Hz, midbands of third octaves.
    boost          : (B,) dB, the greatest of the correction in each, of either sign.
    alone          : (B,) dB re 20 uPa, mean-square level on axis if this band alone is driven to full scale behind the
                     filter: as without it, since a filter adds no power to what drives it.
    even           : (B,) dB, level of the band when all play together and the most boosted frequency is at full scale.
    Levels are those of the directivity's own drive, at its distance, in the far field at 1 m.
    """

    greatest_boost: float
    at: float
    worst: float
    band: FloatArray
    boost: FloatArray
    alone: FloatArray
    even: FloatArray


def headroom(frequency: FloatArray, correction: FloatArray, on_axis: FloatArray, *, peaks: Sequence[Peak]) -> Headroom:
    """Headroom of a correction (G,) dB at `frequency` (G,) Hz, of a level (G,) dB on axis.

    peaks : of every filter that may be loaded: the greatest counts.
    """
    from evenflare.bands import band_edges, midbands

    greatest = max(peaks, key=lambda each: each.gain)
    boost = max(0.0, greatest.gain)
    rows = []
    for middle in midbands(3, lowest=float(frequency[0]), highest=float(frequency[-1])):
        low, high = band_edges(middle, fraction=3)
        inside = (frequency >= low) & (frequency <= high)
        alone, even = (
            float(power_db(np.mean(10.0 ** (0.1 * level[inside])))) for level in (on_axis, on_axis + correction)
        )
        rows.append((middle, float(correction[inside].max()), alone, even - boost))
    columns = np.array(rows).reshape(-1, 4).T
    worst = max(0.0, *(each.worst for each in peaks))
    return Headroom(boost, greatest.place, worst, *(read_only(column) for column in columns))
