"""Oblong waveguides that stand free: boundary elements as far up as they can be had, and the march beyond.

The judge's cost grows with the sixth power of frequency. Above the highest frequency whose mesh is small enough the
mouth is taken to move as in a baffle and the body for a sphere, as the march has it; both are joined over a third of an
octave, and how far apart they are in the octave below is part of the error that is stated.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation, at_frequencies
from evenflare.radiation import Setting, Solver
from evenflare.radiation.loudspeaker_elements import nodes_at, whole_solver
from evenflare.radiation.march import march_solver
from evenflare.radiation.own_error import VALID_ERROR, VALID_POLAR_ERROR
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import Waveguide

MOST_NODES: dict[Setting, int] = {"full": 2500, "screen": 1400, "estimate": 700}
"""Of a quarter of the body: 0.2, 0.06 and 0.02 GB."""
BANDS = 2.0 ** (np.arange(40) / 4)
"""Times LOWEST, Hz: the frequencies of which one is the highest for boundary elements."""
LOWEST = 100.0
JOIN = 2.0 ** (1.0 / 3.0)
"""Of frequencies below the highest, over which one gives way to the other."""
UNKNOWN = 1.0
"""dB, of the index by the march where nothing tells how far it is off."""
POLAR = 4.0
"""Of the polar error over the index's, of the march (measured; it takes the body for a sphere)."""


def standing_solver(setting: Setting, *, cores: int = 1) -> Solver:
    """Of oblong waveguides that stand free. See Solver."""
    judge = whole_solver(setting, cores=cores)
    march = march_solver("screen" if setting == "estimate" else "full", cores=cores)

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        top = top_frequency(waveguide, air, setting)
        frequency = observation.frequency
        if frequency[-1] <= top / JOIN:
            return judge(waveguide, observation, air)
        marched = _part(march, waveguide, observation, air, frequency > 0.5 * top / JOIN)
        judged = _part(judge, waveguide, observation, air, frequency < top)
        return joined(judged, marched, observation, top=top)

    return solve


@lru_cache(maxsize=16)
def top_frequency(waveguide: Waveguide, air: Air, setting: Setting) -> float:
    """Hz, up to which boundary elements solve it; 0 where they do not at all."""
    low, high = -1, BANDS.size
    while high - low > 1:
        middle = (low + high) // 2
        if nodes_at(waveguide, LOWEST * float(BANDS[middle]), air, setting=setting) <= MOST_NODES[setting]:
            low = middle
        else:
            high = middle
    return LOWEST * float(BANDS[low]) if low >= 0 else 0.0


def _part(
    solve: Solver, waveguide: Waveguide, observation: Observation, air: Air, kept: BoolArray
) -> Directivity | None:
    if not kept.any():
        return None
    return solve(waveguide, replace(observation, frequency=observation.frequency[kept]), air)


def share(frequency: FloatArray, top: float) -> FloatArray:
    """(F,) of boundary elements in the answer: 1, falling to 0 at the highest frequency that they solve."""
    if top <= 0.0:
        return np.zeros(frequency.size)
    way = np.clip(np.log(frequency * JOIN / top) / np.log(JOIN), 0.0, 1.0)
    return np.asarray(np.where(frequency >= top, 0.0, np.cos(0.5 * np.pi * way) ** 2))


def joined(
    judged: Directivity | None, marched: Directivity | None, observation: Observation, *, top: float
) -> Directivity:
    """One answer of both: `judged` below the frequency `top`, Hz, and `marched` from an octave below the join."""
    part = share(observation.frequency, top)
    both = [(judged, part), (marched, 1.0 - part)]
    base = judged or marched
    assert base is not None  # there are frequencies

    def mixed(name: str) -> Any:
        rows = [(getattr(each, name), weight, each) for each, weight in both if each is not None]
        result = np.zeros((part.size, *rows[0][0].shape[1:]), dtype=rows[0][0].dtype)
        for values, weight, each in rows:
            at = np.searchsorted(observation.frequency, each.observation.frequency)
            result[at] += values * weight[at].reshape(-1, *(1 for _ in values.shape[1:]))
        return result

    found = replace(
        base,
        observation=observation,
        valid=np.ones(part.size, dtype=bool),
        pressure=mixed("pressure"),
        sound_power=mixed("sound_power"),
        throat_impedance=mixed("throat_impedance"),
        far_field_index=mixed("far_field_index"),
        error_estimate=None,
        polar_error=None,
        impedance_error=None,
        provenance={**base.provenance, "method": "boundary_elements", "body": _words(top)},
    )
    if judged is not None and judged.error_estimate is None:
        return found
    rest = (1.0 - part) * _apart(judged, marched, top)
    index, polar = np.hypot(mixed("error_estimate"), rest), np.hypot(mixed("polar_error"), POLAR * rest)
    return replace(
        found,
        error_estimate=index,
        polar_error=polar,
        impedance_error=mixed("impedance_error"),
        valid=(index <= VALID_ERROR) & (polar <= VALID_POLAR_ERROR),
        provenance={**found.provenance, "error_rms_db": float(np.sqrt(np.mean(index**2)))},
    )


def _apart(judged: Directivity | None, marched: Directivity | None, top: float) -> float:
    """dB rms, of the index by both in the octave below the join."""
    if judged is None or marched is None:
        return UNKNOWN
    common = np.intersect1d(judged.observation.frequency, marched.observation.frequency)
    common = common[common <= top / JOIN]
    if not common.size:
        return UNKNOWN
    one, other = (
        np.array(at_frequencies(each, np.isin(each.observation.frequency, common)).far_field_index)
        for each in (judged, marched)
    )
    return float(np.sqrt(np.mean((one - other) ** 2)))


def _words(top: float) -> str:
    if top <= 0.0:
        return "the body is too large to be solved: it is taken for a sphere of its volume, the mouth as in a baffle"
    return (
        f"the body is solved to {top:.0f} Hz; above, it is taken for a sphere of its volume, and the mouth to move as"
        " in an infinite baffle"
    )
