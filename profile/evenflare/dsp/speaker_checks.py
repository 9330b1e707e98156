"""Whether what is open in a loudspeaker can be heard, solved and held by its filters at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare.dsp.crossover import HEARD, Crossing, needed_band
from evenflare.dsp.crossover_search import Open
from evenflare.dsp.placing import Way
from evenflare.files import InputError
from evenflare.units import FloatArray

HIGHEST, AUDIBLE = 20e3, 20.0
"""Hz, above and below which nothing need be known."""
TOP = 0.45
"""Of a sample rate: the highest corner of a slope that it can hold."""


def check_near(path: Path, ways: list[Way], distance: float) -> None:
    """InputError unless the observer, at a distance in m, is well away from all drivers."""
    farthest = max(float(np.linalg.norm(place)) for way in ways for place in way.positions)
    if distance < 2.0 * farthest:
        raise InputError(
            f"{path} [analysis] distance_m = {distance:g}: must be at least twice the distance of the farthest driver,"
            f" {2.0 * farthest:.3g} m. Raise it, or leave it out for the far field"
        )


def check_covered(path: Path, ways: list[Way], measured: Sequence[str], choice: Open, frequency: FloatArray) -> None:
    """InputError unless every way is known wherever its filter, at any open corner and slope, lets it be heard.

    measured : names of those whose response was.
    """
    faults = []
    for place, way in enumerate(ways):
        low, high = way.driver.band
        solved = way.driver.near is not None
        source = "piston_radius_mm: the cabinet can be solved from" if solved else "directivity: is valid from"
        source = "measured: is known from" if way.name in measured else source
        for upward in (True, False):
            at = place - 1 if upward else place
            if not 0 <= at < len(choice.crossings):
                continue
            crossing = choice.crossings[at]
            corner = crossing.frequency[1] if upward else crossing.frequency[0]
            bands = [
                needed_band(*((Crossing(slope, corner), None) if upward else (None, Crossing(slope, corner))))
                for slope in crossing.slopes
            ]
            worst = max(band[1] for band in bands) if upward else min(band[0] for band in bands)
            # What a way must be known for does not depend on how much of it is looked at.
            worst = min(worst, max(HIGHEST, frequency[-1])) if upward else max(worst, min(AUDIBLE, frequency[0]))
            if worst > high * (1 + 1e-6) or worst < low * (1 - 1e-6):
                end = f"up to {worst:.0f}" if upward else f"down to {worst:.0f}"
                remedy = "Lower" if upward else "Raise"
                faults.append(
                    f"{path} [{way.name}] {source} {low:.6g} to {high:.6g} Hz, but with a crossover"
                    f" at {corner:.6g} Hz it is heard {end} Hz (above {HEARD:g} dB). {remedy} the crossover, take a"
                    " steeper slope, or solve or measure the rest"
                )
    if faults:
        raise InputError("\n".join(faults))


def check_rates(path: Path, choice: Open, frequency: FloatArray, rates: tuple[int, ...]) -> None:
    """InputError unless the sample rates (Hz, rising) hold the crossovers and the highest frequency looked at."""
    highest = max(each.frequency[1] for each in choice.crossings)
    for rate in rates:
        if highest > TOP * rate:
            raise InputError(
                f"{path} [filters] sample_rates_hz: {rate} Hz cannot hold a crossover at {highest:g} Hz: must be above"
                f" {highest / TOP:.0f} Hz. Raise it, or lower the crossover"
            )
    if frequency[-1] >= 0.5 * rates[-1]:
        raise InputError(
            f"{path} [analysis] to_hz = {frequency[-1]:.6g}: must be below half the highest sample rate,"
            f" {0.5 * rates[-1]:g} Hz. Lower it"
        )
