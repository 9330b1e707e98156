"""The crossover's part of `make bench`: time of a search, what it gains, and errors against closed forms.

Invented loudspeakers of pistons in a baffle. Times are process time on one core after a first search that loads.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from evenflare.dsp.crossover import Crossing, Crossover, Setting, natural, responses
from evenflare.dsp.crossover_search import Open, OpenCrossing, OpenSetting, search
from evenflare.dsp.drivers import Radiator, piston
from evenflare.dsp.equalisation import SAMPLE_RATES
from evenflare.dsp.fit import SectionLimits
from evenflare.dsp.own_filters import fitted_equaliser
from evenflare.dsp.placing import Way, heard, mean_square
from evenflare.dsp.slopes import ORDERS, Slope
from evenflare.units import amplitude_db, power_db

C = 343.2
SIZES = ((40, 0), (60, 140), (90, 330), (130, 620))
"""Radius and distance below the highest way, mm."""
CORNERS = ((1800.0, 3200.0), (600.0, 1200.0), (150.0, 350.0))
SLOPES = tuple(Slope(kind, order) for kind, order in (("linkwitz_riley", 4), ("linkwitz_riley", 8), ("butterworth", 3)))


def loudspeaker(count: int) -> tuple[list[Way], Open]:
    ways = [
        Way(f"way {place}", piston(1e-3 * radius, speed_of_sound=C), ((0.0, -1e-3 * below, 0.0),))
        for place, (radius, below) in enumerate(SIZES[:count])
    ]
    crossings = tuple(OpenCrossing(SLOPES, corner) for corner in CORNERS[: count - 1])
    lower = OpenSetting(delay=(0.0, 5e-4), inverted=(False, True))
    return ways, Open(crossings, (OpenSetting(), *[lower] * (count - 1)))


def searched(count: int) -> None:
    ways, choice = loudspeaker(count)
    start = time.process_time()
    sounds = heard(ways, np.geomspace(60.0, 10e3, 90))
    made = time.process_time()
    found = search(sounds, choice, sample_rate=96000.0)
    spent = time.process_time() - made
    print(
        f"{count} ways: {made - start:.2f} s to place on {sounds.pressure[0, 0].size} directions, {spent:.1f} s to"
        f" search, {found.tried} tried, {1e3 * spent / found.tried:.2f} ms each;"
        f" unevenness {found.start.score:.2f} to {found.evenness.score:.2f} dB"
    )


def equalised(count: int) -> None:
    """Each way behind a resonance and a closed box, with an equaliser of eight sections for four sample rates."""
    ways, choice = loudspeaker(count)
    start, left = time.process_time(), 0.0
    for place, way in enumerate(ways):
        low = 60.0 if place == len(choice.crossings) else 0.5 * choice.crossings[place].frequency[0]
        high = 10e3 if place == 0 else 2.0 * choice.crossings[place - 1].frequency[1]
        far, w, dip = way.driver.far, 2.0 * np.pi * 0.7 * low, 2.0 * np.pi * (low * high) ** 0.5

        def rough(f, off, around, far=far, w=w, dip=dip):
            s = 2j * np.pi * f[:, None]
            box = s**2 / (s**2 + s * w / 0.9 + w**2)
            return far(f, off, around) * box * (s**2 + 0.5 * s * dip + dip**2) / (s**2 + 0.25 * s * dip + dip**2)

        driven = replace(way, driver=replace(way.driver, far=rough))
        found = fitted_equaliser(
            driven, "on_axis", band=(low, high), limits=SectionLimits(8), sample_rates=SAMPLE_RATES
        )
        left = max(left, found.fitted.rms)
    spent = time.process_time() - start
    print(f"equalisers of {count} ways: {spent:.1f} s, {left:.2f} dB rms left at most")


def closed_forms() -> None:
    frequency = np.geomspace(20.0, 20e3, 200)
    worst = 0.0
    for order in ORDERS["linkwitz_riley"]:
        slope = Slope("linkwitz_riley", order)
        turned = natural([slope] * 3)
        made = Crossover(
            tuple(Crossing(slope, corner) for corner in (3000.0, 700.0, 150.0)),
            tuple(Setting(inverted=each) for each in turned),
        )
        total = responses(made, frequency, sample_rate=48000.0).sum(axis=0)
        worst = max(worst, float(np.abs(amplitude_db(total)).max()))
    point = Radiator(lambda f, off, around: np.ones((f.size, off.size), dtype=complex), False, (0.0, np.inf), C)
    kd = np.linspace(0.2, 20.0, 100)
    sounds = heard(
        [Way("upper", point, ((0.0, 0.0, 0.0),)), Way("lower", point, ((0.0, -0.3, 0.0),))], kd * C / (0.6 * np.pi)
    )
    power = mean_square(sounds.power, np.ones((2, kd.size), dtype=complex))
    error = np.abs(power_db(power / (2.0 + 2.0 * np.sin(kd) / kd))).max()
    print(
        f"Linkwitz-Riley sums of four ways within {worst:.1e} dB; power of two sources, kd to 20, within {error:.4f} dB"
    )


def main() -> None:
    print("\ncrossover")
    searched(2)
    for count in (2, 3, 4):
        searched(count)
    equalised(4)
    closed_forms()


if __name__ == "__main__":
    main()
