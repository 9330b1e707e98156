"""Waveguides drawn at random, of many kinds, on which stated errors are held against true ones."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from evenflare.directivity.types import Observation
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import (
    Conical,
    Driver,
    Exponential,
    Free,
    Hyperbolic,
    Mounting,
    OblateSpheroidal,
    Oblong,
    Points,
    RoundedRectangle,
    Shape,
    Superellipse,
    Tractrix,
    Waveguide,
)

Random = np.random.Generator
EXIT = 12.7e-3


def angles(step: float = 5.0) -> FloatArray:
    return np.arange(0.0, 180.0 + 0.5 * step, step) * DEGREE


def far(frequencies: int = 24, top: float = 20e3) -> Observation:
    return Observation(np.geomspace(300.0, top, frequencies), angles())


def planes(frequencies: int, top: float = 12.5e3) -> Observation:
    return Observation(
        np.geomspace(300.0, top, frequencies),
        angles(),
        plane=np.array([0.0, 45.0, 90.0]) * DEGREE,
        symmetry="two_planes",
    )


def _depth(random: Random) -> float:
    return float(random.uniform(0.04, 0.14))


def _round_of_a_family(random: Random) -> Shape:
    """A published family, rounded over or sharp."""
    depth, roundover = _depth(random), float(random.choice([0.0, random.uniform(0.005, 0.03)]))
    roundover = min(roundover, 0.5 * depth)
    kind = int(random.integers(4))
    if kind == 0:
        return Conical(depth, random.uniform(15, 65) * DEGREE, roundover)
    if kind == 1:
        return OblateSpheroidal(depth, random.uniform(20, 60) * DEGREE, roundover)
    mouth = random.uniform(0.06, 0.13)
    flare = depth / float(np.log(mouth / EXIT))
    if kind == 2:
        return Exponential(depth, flare, roundover)
    return Hyperbolic(depth, 0.9 * flare, random.uniform(0.2, 0.9), roundover)


def _family(random: Random) -> Waveguide:
    return Waveguide(_round_of_a_family(random))


def _tractrix(random: Random) -> Waveguide:
    """To its cusp, cut short, or rounded over."""
    flare = random.uniform(0.06, 0.14)
    kind = int(random.integers(3))
    if kind == 0:
        return Waveguide(Tractrix(flare))
    end = float(Tractrix(flare).meridian(EXIT).depth)
    return Waveguide(
        Tractrix(flare, random.uniform(0.5, 0.85) * end, 0.0 if kind == 1 else random.uniform(0.004, 0.012))
    )


def _dense(z: FloatArray, r: FloatArray) -> Points:
    return Points(tuple(zip(z.tolist(), r.tolist(), strict=True)))


def _rippled(random: Random) -> Waveguide:
    """A cone with a sinusoidal ripple in its wall, as dense points."""
    depth, slope = random.uniform(0.06, 0.12), np.tan(random.uniform(25, 50) * DEGREE)
    period = random.uniform(0.012, 0.04)
    height = random.uniform(0.01, 0.06) * period
    z = np.linspace(0.0, depth, int(24 * depth / period) + 1)
    return Waveguide(_dense(z, EXIT + slope * z + height * (1 - np.cos(2 * np.pi * z / period))))


def _kinked(random: Random) -> Waveguide:
    """Straight walls that meet in corners, widening all the way."""
    count = int(random.integers(3, 7))
    z = np.concatenate([[0.0], np.cumsum(random.uniform(0.01, 0.03, count))])
    turn = random.uniform(5, 70, count) * DEGREE
    r = EXIT + np.concatenate([[0.0], np.cumsum(np.diff(z) * np.tan(turn))])
    return Waveguide(_with_corners(z, r))


def _with_corners(z: FloatArray, r: FloatArray) -> Points:
    """Straight walls through points: each given as three, so that what turns is a corner."""
    middles = np.stack([0.5 * (z[1:] + z[:-1]), 0.5 * (r[1:] + r[:-1])])
    both = np.empty((2, 2 * z.size - 1))
    both[:, ::2], both[:, 1::2] = np.stack([z, r]), middles
    return Points(tuple(zip(both[0].tolist(), both[1].tolist(), strict=True)), corner=2 * DEGREE)


def _waist(random: Random) -> Waveguide:
    """Wide, narrower, wide again, smooth or with corners."""
    z = np.array([0.0, 0.02, 0.04, 0.06, 0.085, 0.11]) * random.uniform(0.8, 1.2)
    r = np.array(
        [EXIT, 0.024, random.uniform(0.032, 0.042), random.uniform(0.03, 0.036), 0.06, random.uniform(0.08, 0.11)]
    )
    if random.random() < 0.5:
        return Waveguide(_with_corners(z, r))
    from scipy.interpolate import PchipInterpolator

    fine = np.linspace(0.0, z[-1], 61)
    return Waveguide(_dense(fine, PchipInterpolator(z, r)(fine)))


def _free(random: Random) -> Waveguide:
    """Curvature drawn knot by knot, hollow places too."""
    while True:
        arc = random.uniform(0.08, 0.16)
        shape = Free(
            arc,
            random.uniform(0, 30) * DEGREE,
            tuple(float(c) for c in random.uniform(-6, 22, 5)),
            float(random.choice([0.0, random.uniform(0.005, 0.02)])),
        )
        try:
            wall = shape.meridian(EXIT).dense
        except ValueError:
            continue
        if wall.angle.min() > 0 and (shape.roundover_radius > 0 or wall.angle.max() < 89.9 * DEGREE):
            return Waveguide(shape)


def _large(random: Random) -> Waveguide:
    """A mouth of 300 to 400 mm."""
    depth, mouth = random.uniform(0.12, 0.2), random.uniform(0.15, 0.2)
    if random.random() < 0.5:
        return Waveguide(OblateSpheroidal(depth, float(np.arctan(mouth / depth)) * 0.95, 0.02))
    return Waveguide(Exponential(depth, depth / float(np.log(mouth / EXIT))))


def _on_a_sphere(random: Random) -> Waveguide:
    while True:
        shape = _round_of_a_family(random)
        mouth = shape.meridian(EXIT).mouth_radius
        if mouth < 0.16:
            return Waveguide(shape, Driver(EXIT), Mounting(mouth * random.uniform(1.02, 2.5)))


def _driven(random: Random) -> Waveguide:
    """A curved exit, or one that does not move evenly, or both."""
    profile = ((0.0, 1.0), (0.5, random.uniform(0.6, 1.0)), (1.0, random.uniform(0.1, 0.9)))
    angle = random.uniform(5, 25) * DEGREE
    kind = int(random.integers(3))
    driver = Driver(EXIT, angle if kind != 1 else 0.0, velocity_profile=profile if kind else None)
    return Waveguide(_round_of_a_family(random), driver)


def _tube(random: Random) -> Waveguide:
    """Straight, or all but, with a sharp mouth of 90 degrees or nearly."""
    radius = random.uniform(0.0127, 0.03)
    length = random.uniform(0.01, 0.08)
    return Waveguide(Points(((0.0, radius), (length, radius * random.uniform(1.0, 1.1)))), Driver(radius))


def _meridians(random: Random) -> tuple[Shape, Shape]:
    depth = random.uniform(0.06, 0.11)
    roundover = float(random.choice([0.0, random.uniform(0.006, 0.015)]))
    wide, high = random.uniform(30, 46) * DEGREE, random.uniform(18, 32) * DEGREE
    if random.random() < 0.5:
        return OblateSpheroidal(depth, wide, roundover), OblateSpheroidal(depth, high, roundover)
    return Conical(depth, wide, roundover), Conical(depth, high, roundover)


def _ellipse(random: Random) -> Waveguide:
    return Waveguide(Oblong(*_meridians(random)))


def _superellipse(random: Random) -> Waveguide:
    return Waveguide(Oblong(*_meridians(random), Superellipse(random.uniform(2.2, 5.0))))


def _rectangle(random: Random) -> Waveguide:
    return Waveguide(Oblong(*_meridians(random), RoundedRectangle(random.uniform(0.012, 0.03))))


Kind = tuple[Callable[[Random], Waveguide], Callable[[Random, int], Observation]]

ROUND: dict[str, Kind] = {
    "families": (_family, lambda random, count: far(count)),
    "tractrix": (_tractrix, lambda random, count: far(count)),
    "rippled": (_rippled, lambda random, count: far(count)),
    "kinks": (_kinked, lambda random, count: far(count)),
    "waist": (_waist, lambda random, count: far(count)),
    "free": (_free, lambda random, count: far(count)),
    "large, near": (
        _large,
        lambda random, count: Observation(
            np.geomspace(300, 20e3, count), angles(), distance=float(random.uniform(0.7, 2.0))
        ),
    ),
    "sphere": (_on_a_sphere, lambda random, count: far(count)),
    "driven": (_driven, lambda random, count: far(count)),
    "tube": (_tube, lambda random, count: far(count)),
}
OBLONG: dict[str, Kind] = {
    "ellipse": (_ellipse, lambda random, count: planes(count)),
    "superellipse": (_superellipse, lambda random, count: planes(count)),
    "rectangle": (_rectangle, lambda random, count: planes(count)),
}


def drawn(kind: str, seed: int, *, frequencies: int) -> tuple[Waveguide, Observation]:
    """The waveguide of a kind with a seed, and where it is heard."""
    random = np.random.default_rng([seed, *kind.encode()])
    make, hear = (ROUND | OBLONG)[kind]
    waveguide = make(random)
    return waveguide, hear(random, frequencies)
