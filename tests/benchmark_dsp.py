"""The filters' part of `make bench`: time and error of the equaliser's sections and finite impulse responses.

A predicted waveguide whose axis has an interference dip; times are process time on one core, the least of three runs.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.dsp.equalisation import SAMPLE_RATES, equalise
from evenflare.dsp.equaliser import Aim, wanted
from evenflare.dsp.fit import SectionLimits, fitted
from evenflare.units import DEGREE
from shapes import BENCHMARK

Made = TypeVar("Made")
BAND = (1000.0, 20000.0)
LIMITS = SectionLimits(sections=12, boost=15.0)
AIMS = {"on axis": Aim(), "listening window, 40 % power": Aim("listening_window", 0.4)}


def heard() -> Directivity:
    observation = Observation(np.geomspace(300.0, 20000.0, 120), np.arange(0.0, 180.1, 5.0) * DEGREE)
    return radiation.solver("full")(BENCHMARK["oblate-spheroidal 40 deg, roundover 20 mm"], observation, Air())


def least(made: Callable[[], Made], runs: int = 3) -> tuple[float, Made]:
    times = []
    for _ in range(runs):
        start = time.process_time()
        found = made()
        times.append(time.process_time() - start)
    return min(times), found


def main() -> None:
    print(f"\nequaliser, 1 to 20 kHz, 12 sections{'':15}{'s':>8}")
    directivity = heard()
    for name, aim in AIMS.items():
        asked = wanted(directivity, aim, band=BAND)
        for rates in ((48000,), SAMPLE_RATES):
            spent, found = least(lambda asked=asked, rates=rates: fitted(asked, LIMITS, sample_rates=rates))
            told = f"{found.rms:.3f} dB rms, at most {abs(found.largest):.2f} dB"
            print(f"{f'{name}, {len(rates)} sample rates':50}{spent:8.2f}  {told}, dips left alone {len(asked.dips)}")
    spent, whole = least(lambda: equalise(directivity, Aim(), band=BAND, limits=LIMITS))
    off = max(made.off for made in whole.made.values())
    print(f"{'whole, FIR at 3 sample rates included':50}{spent:8.2f}  FIR of 40 ms within {off:.3f} dB of its curve")


if __name__ == "__main__":
    main()
