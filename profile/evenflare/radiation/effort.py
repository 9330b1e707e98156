"""What the judge in three dimensions takes, told before it is asked: memory from its panels, time from a little of its
own work, done on this machine at this moment.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.exterior.layers import NODES, add_layers
from evenflare.exterior.loudspeaker import Loudspeaker
from evenflare.exterior.operator import around_degree
from evenflare.exterior.scattering import STEPS, bytes_needed, points_of_rows
from evenflare.radiation import Setting
from evenflare.radiation.loudspeaker_elements import meshes
from evenflare.radiation.one_thread import one_thread
from evenflare.units import FloatArray
from evenflare.waveguide import Waveguide

ROWS = 12
"""Nodes whose rows are made, to tell the time that all take."""
TAKEN = 300
"""Rows of the equations that are gone through, likewise, at most."""
SAMPLES = 4
"""Frequencies that are looked at; between them time is a power of frequency."""

Result = TypeVar("Result")


@dataclass(frozen=True)
class Effort:
    """What a solve takes.

    frequency : (F,) Hz.
    seconds   : (F,) at each.
    unknowns  : at the highest frequency, and
    memory    : bytes there.
    """

    frequency: FloatArray
    seconds: FloatArray
    unknowns: int
    memory: int


def effort(
    waveguide: Waveguide, observation: Observation, air: Air, *, setting: Setting = "full", cores: int = 1
) -> Effort:
    """Of a waveguide in a cabinet. It takes a second or a few itself."""
    frequency = observation.frequency
    sampled = np.unique(np.geomspace(frequency[0], frequency[-1], min(SAMPLES, frequency.size)))
    directions = observation.plane.size * observation.off_axis.size
    spent, finest = np.zeros(sampled.size), 0
    with one_thread():
        # At the highest unless it is the only one, so that nothing is taken twice.
        for i, each in enumerate(sampled.tolist()):
            for speaker in meshes(waveguide, each, air, setting=setting):
                spent[i] += _seconds(speaker, 2 * np.pi * each / air.speed_of_sound, directions, cores)
                finest = max(finest, speaker.mesh.size)
    seconds = np.exp(np.interp(np.log(frequency), np.log(sampled), np.log(spent)))
    return Effort(frequency, seconds, finest, bytes_needed(finest, 1))


def _seconds(speaker: Loudspeaker, k: float, directions: int, cores: int) -> float:
    mesh, rng = speaker.mesh, np.random.default_rng(1)
    rows = rng.choice(mesh.size, min(ROWS, mesh.size), replace=False)
    pairs = points_of_rows(k, mesh, speaker.room)[:, :, rows]
    double, single = (np.zeros((rows.size, count), dtype=np.complex128) for count in (mesh.size, NODES))

    def added(points: FloatArray) -> float:
        factor = np.ones(len(points), dtype=np.complex128)
        return _timed(lambda: add_layers(k, points, rows, factor, mesh, double, single))

    # The equations' rows, and those at rest, which have no points inside.
    filled = added(pairs.reshape(-1, rows.size, 3)) + added(np.ascontiguousarray(pairs[:, 0]))
    filled *= mesh.size / rows.size / cores
    few = min(TAKEN, mesh.size)
    matrix, vector = rng.standard_normal((few, mesh.size)) + 0j, rng.standard_normal(mesh.size) + 0j
    solved = _timed(lambda: matrix @ vector) * STEPS * mesh.size / few
    # Heard in as many directions as are asked for, and in those that the power needs, of which mirrors save some.
    reach = float(np.linalg.norm(mesh.place, axis=1).max())
    heard = directions + 2 * around_degree(k * reach) ** 2 / speaker.images
    phase = rng.standard_normal((ROWS, mesh.size))
    seen = _timed(lambda: np.cos(phase) + 1j * np.sin(phase)) / ROWS * heard * speaker.images
    return filled + solved + seen


def _timed(work: Callable[[], Result]) -> float:
    """s, of the second of two: the first may compile or fetch."""
    work()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
