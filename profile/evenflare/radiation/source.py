"""The driver as an acoustic source: what it gives to the throat that it finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation import Solver
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import Source, Waveguide

WORDS = {
    "velocity": "1 m/s rms over the exit",
    "pressure": "1 Pa rms at the exit",
    "impedance": "blocked pressure behind the source's impedance",
}
"""What each kind of source keeps, as provenance says it."""


def driven(solve: Solver) -> Solver:
    """A solver of unit velocity made one whose pressure and sound power are what the driver's source gives.

    The source sees the throat's impedance Zt, mean pressure over volume velocity, and moves U = p0 / (Zs + Zt): Zs = 0
    for a given pressure; for a given velocity U is 1 m/s rms times the exit's area whatever Zt. What it returns raises
    ValueError where the source's impedance is not known at a frequency asked for.
    Source: Beranek & Mellow (2012), Acoustics, chapter 3 (from memory): Thevenin's equivalent of an acoustic source.
    """

    def solved(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        source = waveguide.driver.source
        if source.kind == "impedance":
            source.at_frequency(observation.frequency)  # refuses what it does not cover before the work, not after it
        found = solve(waveguide, observation, air)
        provenance = {**found.provenance, "source": WORDS[source.kind]}
        if source.kind == "velocity":
            return replace(found, provenance=provenance)
        assert found.throat_impedance is not None  # a solver finds it
        velocity = velocity_of(source, observation.frequency, found.throat_impedance, air=air)
        return replace(
            found,
            pressure=velocity[:, None, None] * found.pressure,
            sound_power=None if found.sound_power is None else np.abs(velocity) ** 2 * found.sound_power,
            provenance=provenance,
        )

    return solved


def velocity_of(source: Source, frequency: FloatArray, throat: ComplexArray, *, air: Air) -> ComplexArray:
    """(F,) m/s rms, volume velocity over the exit's area, at frequencies (F,) in Hz.

    throat : (F,) its impedance, mean pressure over the exit / (density * speed_of_sound * velocity).
    """
    if source.kind == "velocity":
        return np.ones_like(throat)
    inside, blocked = source.at_frequency(frequency) if source.kind == "impedance" else (0.0, 1.0)
    return np.asarray(blocked / (air.impedance * (inside + throat)), dtype=np.complex128)
