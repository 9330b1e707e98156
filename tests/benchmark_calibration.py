"""The calibration's part of `make bench`: five unknowns of a round waveguide, from the measurement to the intervals.

The measurement is invented: boundary elements with other values, their levels scattered by 0.2 dB. Process time of a
warmed-up process on one core.
"""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.measurement.calibrate import calibrate
from evenflare.measurement.unknowns import applied, unknowns_of
from evenflare.radiation import boundary_elements, march
from evenflare.units import DEGREE
from evenflare.waveguide import Driver, OblateSpheroidal, Waveguide

ALLOWED = 120.0
"""Seconds."""
DESIGN = Waveguide(OblateSpheroidal(0.100, 42 * DEGREE, 0.020), Driver(12.7e-3, 5 * DEGREE))
RIG = Observation(
    np.geomspace(500, 18000, 72),
    np.arange(-90, 91, 5) * DEGREE,
    plane=np.array([0.0, 0.5 * np.pi]),
    distance=2.0,
    reference_z=0.100,
    symmetry="none",
)
TRUTH = (7.0, 0.1, 343.8, 0.3, -0.2)
NOISE_DB = 0.2


def measured() -> Directivity:
    """What a rig would write."""
    waveguide, air = applied(unknowns_of(DESIGN, Air()), TRUTH, DESIGN, air=Air())
    heard = radiation.solver("screen", method="boundary_elements")(waveguide, RIG, air)
    scatter = 10 ** (NOISE_DB * np.random.default_rng(1).standard_normal(heard.pressure.shape) / 20)
    return replace(heard, pressure=heard.pressure * scatter, speed_of_sound=Air().speed_of_sound)


def main() -> None:
    """Print time, solves, values and deviations."""
    march.warm_up()
    boundary_elements.warm_up()
    with threadpool_limits(1):
        heard, solve = measured(), radiation.solver("full")
        start = time.process_time()
        found = calibrate(heard, DESIGN, solve)
        seconds = time.process_time() - start
    print(f"calibration of five unknowns, round: {seconds:.1f} s of {ALLOWED:g} s allowed, {found.solves} solves")
    for each, value in zip(found.fitted, TRUTH, strict=True):
        inside = "holds" if each.low <= value <= each.high else "misses"
        print(f"  {each.unknown.name:24} {each.value:8.3f}  {each.low:8.3f} to {each.high:8.3f} {inside} {value:g}")
    before, after = (found.figures(part, held_out=True).rms for part in (found.before, found.after))
    print(f"  held-out angles: {before:.3f} dB rms before, {after:.3f} after; noise put in {NOISE_DB:g} dB")


if __name__ == "__main__":
    main()
