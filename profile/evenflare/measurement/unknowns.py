"""What a model cannot know of a prototype: how its driver really moves, the air of the day, the wall as it was cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenflare.air import Air
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import AsBuilt, BodyPoints, Driver, Oblong, Waveguide

ANGLE, TAPER, SPEED = "exit_half_angle_deg", "throat_taper", "speed_of_sound_m_per_s"
GROWTH, BOW = "profile_growth_mm", "profile_bow_mm"
IMPEDANCE, GAIN = "source_impedance_factor_db", "source_gain_db"

MEANS = {
    ANGLE: "half-angle of the cap that the wavefront is at the exit: its curvature is sin(angle) / exit radius",
    TAPER: "velocity over the exit as 1 + taper (1 - 2 share^2): above 0 the middle moves more than the edge",
    SPEED: "of the air at the time of the measurement",
    GROWTH: "radius of the wall as built less the drawn one at the mouth, growing evenly from 0 at the throat",
    BOW: "the same half-way down, 0 at throat and mouth",
    IMPEDANCE: "of the acoustic source, by how much it is larger than the stated one, 20 log of the factor",
    GAIN: "level of the source over the stated one",
}
"""What each unknown is."""
WIDTHS = {
    ANGLE: "3 degrees: data sheets give whole or half degrees, and the wave rarely leaves on the cone of the metal",
    TAPER: "0.15: a stiff diaphragm behind its channels moves the exit evenly to within some tenths",
    SPEED: "1 m/s: a thermometer and the air around it differ by one or two kelvins",
    GROWTH: "0.3 mm: a laminated or printed part; a router keeps 0.1 mm",
    BOW: "0.3 mm: as for the growth",
    IMPEDANCE: "3 dB: the impedance of a source is rarely known better",
    GAIN: "20 dB: free, the amplifier's level is not modelled",
}
"""How far from the stated value each is expected to be, one standard deviation, and why. Judgement, no source."""
SHARES: tuple[float, ...] = tuple(round(0.1 * i, 1) for i in range(11))
"""Of the exit's radius, at which a tapered velocity is written down."""


@dataclass(frozen=True)
class Unknown:
    """One of them, in the unit that its name ends with.

    start     : what the design says, or 0.
    width     : > 0, standard deviation of what is expected about `start`: the strength of the regularisation.
    low, high : bounds that it is kept in.
    """

    name: str
    start: float
    width: float
    low: float
    high: float


def unknowns_of(waveguide: Waveguide, air: Air) -> tuple[Unknown, ...]:
    """The unknowns of a prototype. air : as the measurement gives it, of which only the speed of sound may be off."""
    half_angle = waveguide.driver.exit_half_angle / DEGREE
    found = [
        Unknown(ANGLE, half_angle, 3.0, 0.0, 60.0),
        Unknown(TAPER, 0.0, 0.15, -0.9, 0.9),
        Unknown(SPEED, air.speed_of_sound, 1.0, air.speed_of_sound - 10.0, air.speed_of_sound + 10.0),
        Unknown(GROWTH, 0.0, 0.3, -3.0, 3.0),
        Unknown(BOW, 0.0, 0.3, -3.0, 3.0),
        Unknown(IMPEDANCE, 0.0, 3.0, -20.0, 20.0),
        Unknown(GAIN, 0.0, 20.0, -120.0, 120.0),
    ]
    left = left_out(waveguide)
    return tuple(each for each in found if each.name not in left)


def left_out(waveguide: Waveguide) -> Mapping[str, str]:
    """The unknowns that cannot be fitted, by name, and why."""
    left = {}
    if isinstance(waveguide.mounting.body, BodyPoints):
        left[GROWTH] = "the body's points begin at the rim as it is drawn, which a wider mouth would leave"
    source = waveguide.driver.source
    why = ""
    if source.kind != "impedance":
        why = (
            f"the design drives with a given {source.kind}, and directivity does not depend on the source. Write"
            ' [driver] source = "impedance"'
        )
    elif len(set(source.pressure)) < 2:
        why = (
            "the source's blocked pressure over frequency is not stated, which hides what its impedance does. Add"
            " pressure_pa"
        )
    if why:
        left |= {IMPEDANCE: why, GAIN: why}
    return left


def applied(
    unknowns: Sequence[Unknown], values: Sequence[float] | FloatArray, waveguide: Waveguide, *, air: Air
) -> tuple[Waveguide, Air]:
    """The prototype and its air with the unknowns at `values`, in their units. Those left out stay as stated."""
    at = {each.name: float(value) for each, value in zip(unknowns, values, strict=True)}
    driver = waveguide.driver
    if ANGLE in at:
        driver = replace(driver, exit_half_angle=at[ANGLE] * DEGREE)
    if TAPER in at:
        driver = tapered(driver, at[TAPER])
    source = driver.source
    if IMPEDANCE in at:
        factor, gain = 10.0 ** (0.05 * at[IMPEDANCE]), 10.0 ** (0.05 * at.get(GAIN, 0.0))
        source = replace(
            source,
            impedance=tuple(complex(factor * each) for each in source.impedance),
            pressure=tuple(float(gain * each) for each in source.pressure),
        )
    growth, bow = at.get(GROWTH, 0.0) * MILLIMETRE, at.get(BOW, 0.0) * MILLIMETRE
    shape = waveguide.shape
    if isinstance(shape, Oblong):
        built: AsBuilt | Oblong = replace(
            shape,
            horizontal=AsBuilt(shape.horizontal, growth, bow),
            vertical=AsBuilt(shape.vertical, growth, bow),
        )
    else:
        built = AsBuilt(shape, growth, bow)
    changed = replace(waveguide, shape=built, driver=replace(driver, source=source))
    return changed, replace(air, speed_of_sound=at.get(SPEED, air.speed_of_sound))


def tapered(driver: Driver, taper: float) -> Driver:
    """The driver whose exit moves as before, times 1 + taper (1 - 2 share^2); its mean stays 1.

    taper : -1 to 1. The term is the first that a radial series has beside the mean: Legendre's P1 of 2 share^2 - 1.
    """
    if taper == 0.0:
        return driver
    share = np.array(SHARES)
    if driver.velocity_profile is not None:
        share = np.unique(np.concatenate([share, [pair[0] for pair in driver.velocity_profile]]))
    velocity = driver.velocity(share) * (1.0 + taper * (1.0 - 2.0 * share**2))
    return replace(driver, velocity_profile=tuple((float(s), float(v)) for s, v in zip(share, velocity, strict=True)))
