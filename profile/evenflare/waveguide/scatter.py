"""Units of one waveguide, drawn at random as a process leaves them.

A departure that is random over the wall is a Gaussian process along the arc: white noise on a lattice, smoothed by
c exp(-x^2 / l^2), whose covariance is spread^2 exp(-d^2 / (2 l^2)): on a lattice of l/3 to 1e-9, the kernel being cut
off where it is 1e-7. A wall's waves have their knots as far apart; between them, where they go as `WallDeviation` says,
the variance is within 3 % and a correlation within 0.05 of that. The last knot lies at the mouth, half to one and a
half times as far from the one before as others are: a step over less would be a bend.

Where a departure is independent around the section too, places d apart as the crow flies being correlated by
exp(-d^2 / (2 l^2)), its share of cos(m azimuth) on a circle of radius r has the variance
spread^2 (2 - [m = 0]) exp(-x) I_m(x), x = r^2 / l^2 (the expansion of exp(x cos(azimuth)), M. Abramowitz and I. Stegun,
Handbook of mathematical functions, 9.6.34). What is not symmetric as the waveguide is does not change its index to
first order, as the wave that it scatters is orthogonal to the symmetric one; so of a round waveguide a unit holds the
mean over the section, m = 0, of an oblong one what is alike in all four quadrants, the cosines with even m: the mean of
a wall and its mirror images in both planes. Around an oblong section the azimuth stands for the place on a circle as
large, of radius sqrt(a b).
"""

from __future__ import annotations

import numpy as np
from scipy.special import ive

from evenflare.units import FloatArray
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.deviated import WallDeviation
from evenflare.waveguide.wall_places import wall_places
from evenflare.waveguide.waveguide import Waveguide

KNOTS = 3.0
"""In a correlation length."""
REACH = 4.0
"""Correlation lengths beyond which the smoothing kernel, 1e-7 there, ends."""
LONG = 4.5
"""Correlation lengths: of a wave that tells best, of shapes that are near in score, which of them forgive more."""
FULL_ORDER = 3.0
"""Orders of azimuth over r / l, beyond which three thousandths of the variance are."""
MOST_AZIMUTHS = 24
"""From plane to plane: what is finer than 4 degrees is left out, waves of millimetres on any mouth."""


def units(accuracy: Accuracy, waveguide: Waveguide, *, seed: int, count: int) -> list[WallDeviation]:
    """Walls of `count` units of a waveguide, as a process of that accuracy leaves them.

    The first units of a seed are the same however many are asked for, and change smoothly with the waveguide. What
    they hold of a wall that is not symmetric: see above.
    Errors: ValueError if the waveguide has no wall.
    """
    places, radius = _knots(accuracy, waveguide)
    length = float(places[-1])
    azimuths, shares = _around(accuracy, waveguide, radius)
    smoothing = kernel(places, accuracy.correlation_length)
    found = []
    for number in range(count):
        overall = _stream(seed, number, 0).standard_normal(2)
        waves = np.zeros((places.size, len(azimuths)))
        if accuracy.spread > 0.0:
            for turn, share in enumerate(shares):
                along = smoothing @ _stream(seed, number, 1 + turn).standard_normal(smoothing.shape[1])
                waves += (accuracy.spread * share * along)[:, None] * np.cos(2.0 * turn * np.array(azimuths))
        found.append(
            WallDeviation(
                offset=accuracy.bias,
                scale=accuracy.scale_bias + accuracy.scale_spread * float(overall[0]),
                throat_step=accuracy.throat_step * float(overall[1]),
                shares=tuple((places / length).tolist()),
                azimuths=azimuths,
                waves=tuple(tuple(row) for row in waves.tolist()),
            )
        )
    return found


def long_waves(accuracy: Accuracy, waveguide: Waveguide) -> tuple[WallDeviation, WallDeviation]:
    """Two walls whose departures from the biased one, as columns, make a covariance in place of the process's: that of
    one wave of LONG correlation lengths and any phase, its mean over the section, alike all round.

    Scale and step at the throat have their standard deviation in both, so that they count twice over.
    """
    places, radius = _knots(accuracy, waveguide)
    size = accuracy.spread * mean_share(accuracy, radius)
    phase = 2.0 * np.pi * places / (LONG * accuracy.correlation_length)
    shares = tuple((places / places[-1]).tolist())

    def wall(wave: FloatArray, sign: float) -> WallDeviation:
        return WallDeviation(
            offset=accuracy.bias,
            scale=accuracy.scale_bias + sign * accuracy.scale_spread,
            throat_step=accuracy.throat_step,
            shares=shares,
            waves=tuple((each,) for each in (size * wave).tolist()),
        )

    return wall(np.cos(phase), 1.0), wall(np.sin(phase), -1.0)


def _knots(accuracy: Accuracy, waveguide: Waveguide) -> tuple[FloatArray, FloatArray]:
    """Arcs of the knots from the throat, m, the last at the mouth, and radii there, m."""
    wall = wall_places(waveguide)
    spacing, length = accuracy.correlation_length / KNOTS, wall.length
    places = np.append(np.arange(max(1, round(length / spacing))) * spacing, length)
    return places, np.interp(places, wall.share * length, wall.radius)


def kernel(places: FloatArray, length: float) -> FloatArray:
    """What white noise on a lattice from REACH lengths before the throat makes at places (N,), m from it: (N, J).

    The rows' products are exp(-d^2 / (2 length^2)).
    """
    spacing = length / KNOTS
    before = int(REACH * KNOTS)
    lattice = np.arange(-before, int(np.ceil(places[-1] / spacing)) + before + 1) * spacing
    apart = (places[:, None] - lattice) / length
    weight = np.exp(-(apart**2)) * np.sqrt(np.sqrt(2.0 / np.pi) / KNOTS)
    return np.where(np.abs(apart) <= REACH, weight, 0.0)


def mean_share(accuracy: Accuracy, radius: FloatArray) -> FloatArray:
    """Of the spread of one place, that of the mean over its section, by radius (m, any shape)."""
    if accuracy.around == "alike":
        return np.ones_like(radius)
    return np.asarray(np.sqrt(ive(0, (radius / accuracy.correlation_length) ** 2)))


def _around(accuracy: Accuracy, waveguide: Waveguide, radius: FloatArray) -> tuple[tuple[float, ...], list[FloatArray]]:
    """Azimuths of the knots, rad, and by even order of azimuth from 0 on, the share (N,) of the spread."""
    if waveguide.is_round or accuracy.around == "alike":
        return (0.0,), [mean_share(accuracy, radius)]
    x = (radius / accuracy.correlation_length) ** 2
    count = min(MOST_AZIMUTHS, 2 + int(0.5 * FULL_ORDER * np.sqrt(float(x.max()))))
    azimuths = tuple(np.linspace(0.0, 0.5 * np.pi, count).tolist())
    return azimuths, [np.sqrt((2.0 if turn else 1.0) * ive(2 * turn, x)) for turn in range(count)]


def _stream(seed: int, number: int, part: int) -> np.random.Generator:
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number, part)))
