"""Oblong waveguides that stand free: boundary elements as far up as they can be had, and the march beyond.

The judge's cost grows with the sixth power of frequency. Above the highest frequency whose mesh is small enough the
mouth is taken to move as in a baffle and the body for a sphere, as the march has it; both are joined over a third of an
octave. The error that is stated above is what was measured on other shells: see APART.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.radiation import Done, Setting, Solver
from evenflare.radiation.loudspeaker_elements import nodes_at, whole_solver
from evenflare.radiation.march import march_solver
from evenflare.radiation.own_error import VALID_ERROR, VALID_POLAR_ERROR
from evenflare.units import BoolArray, FloatArray
from evenflare.waveguide import Waveguide

MOST_NODES: dict[Setting, int] = {"full": 1800, "screen": 1200, "estimate": 700}
"""Of a quarter of the body: 0.1, 0.05 and 0.02 GB."""
CELLS: dict[Setting, Setting] = {"full": "screen", "screen": "screen", "estimate": "estimate"}
"""The judge's own setting: finer cells reach less far, and tell hundredths of a dB at most."""
BANDS = 2.0 ** (np.arange(40) / 4)
"""Times LOWEST, Hz: the frequencies of which one is the highest for boundary elements."""
LOWEST = 100.0
JOIN = 2.0 ** (1.0 / 3.0)
"""Of frequencies below the highest, over which one gives way to the other."""
APART: dict[Setting, float] = {"full": 0.45, "screen": 0.6, "estimate": 1.0}
"""dB rms, of the index by the march above that frequency against boundary elements (measured on three shells, with
mouths of 140 to 200 mm, an octave up), and
POLAR_APART of the levels above -20 dB, where they differ most: mostly beside a null."""
POLAR_APART = 6.0


def standing_solver(setting: Setting, *, cores: int = 1, progress: Done | None = None) -> Solver:
    """Of oblong waveguides that stand free. See Solver.

    progress : see Done; of the frequencies below `top_frequency` alone, which take nearly all of the time.
    """
    judge = whole_solver(CELLS[setting], cores=cores, progress=progress)
    march = march_solver("screen" if setting == "estimate" else "full", cores=cores)

    def solve(waveguide: Waveguide, observation: Observation, air: Air) -> Directivity:
        top = top_frequency(waveguide, air, setting)
        frequency = observation.frequency
        if frequency[-1] <= top / JOIN:
            found = judge(waveguide, observation, air)
            return replace(found, provenance={**found.provenance, "setting": setting})
        marched = _part(march, waveguide, observation, air, frequency > top / JOIN)
        judged = _part(judge, waveguide, observation, air, frequency < top)
        return joined(judged, marched, observation, top=top, setting=setting)

    return solve


@lru_cache(maxsize=16)
def top_frequency(waveguide: Waveguide, air: Air, setting: Setting) -> float:
    """Hz, up to which boundary elements solve it; 0 where they do not at all."""
    low, high = -1, BANDS.size
    while high - low > 1:
        middle = (low + high) // 2
        if nodes_at(waveguide, LOWEST * float(BANDS[middle]), air, setting=CELLS[setting]) <= MOST_NODES[setting]:
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
    judged: Directivity | None, marched: Directivity | None, observation: Observation, *, top: float, setting: Setting
) -> Directivity:
    """One answer of both: `judged` below the frequency `top`, Hz, and `marched` from a third of an octave below it.

    Above, it is valid where the index is: polar responses are off beside nulls, as their error says.
    """
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
        provenance={**base.provenance, "method": "boundary_elements", "setting": setting, "body": _words(top)},
    )
    if judged is not None and judged.error_estimate is None:
        return found
    index = np.hypot(mixed("error_estimate"), (1.0 - part) * APART[setting])
    polar = mixed("polar_error")
    valid = (index <= VALID_ERROR) & (polar <= VALID_POLAR_ERROR)
    return replace(
        found,
        error_estimate=index,
        polar_error=np.hypot(polar, (1.0 - part) * POLAR_APART),
        impedance_error=mixed("impedance_error"),
        valid=valid,
        provenance={**found.provenance, "error_rms_db": float(np.sqrt(np.mean(index**2)))},
    )


def _words(top: float) -> str:
    if top <= 0.0:
        return "the body is too large to be solved: it is taken for a sphere of its volume, the mouth as in a baffle"
    return (
        f"the body is solved to {top:.0f} Hz; above, it is taken for a sphere of its volume, and the mouth to move as"
        " in an infinite baffle"
    )
