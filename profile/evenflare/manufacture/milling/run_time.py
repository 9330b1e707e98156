"""How long a program runs on a machine whose axes have to speed up and slow down."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE, FloatArray

CORNER = 0.01 * MILLIMETRE
"""By which a controller without a stated path tolerance is taken to round a corner (common practice, no source)."""


def run_time(program: Program, process: Process) -> float:
    """s, from the first place to the last, with the spindle's start, without tool change.

    Speeds change by the machine's acceleration along the path. A corner is passed as fast as that acceleration allows
    on the arc that meets both moves as tangents, departs from the corner by the controller's path tolerance (else by
    CORNER) and takes at most half of either move; a reversal stops.
    Source : constant acceleration and the geometry of an arc between two tangents, elementary.
    """
    machine, controller = process.machine, process.controller
    move = np.diff(program.position, axis=0)
    length = np.linalg.norm(move, axis=1)
    moved = length > 0.0
    move, length, feed = move[moved], length[moved], program.feed[1:][moved]
    if not length.size:
        return machine.spin_up
    away = (controller.corner_tolerance if controller.path_tolerance else 0.0) or CORNER
    corner = _corner_speeds(move, length, machine.acceleration, away)
    ends = _reached(length, np.minimum(corner, np.minimum(feed[1:], feed[:-1])), machine.acceleration)
    return machine.spin_up + float(np.sum(_times(length, feed, ends[:-1], ends[1:], machine.acceleration)))


def _corner_speeds(move: FloatArray, length: FloatArray, acceleration: float, away: float) -> FloatArray:
    """(M - 1,): m/s, between each move (M, 3) and the next."""
    along = move / length[:, None]
    turn = np.arccos(np.clip(np.sum(along[1:] * along[:-1], axis=1), -1.0, 1.0))
    half = np.clip(0.5 * turn, 1e-9, 0.5 * np.pi - 1e-9)
    by_corner = away * np.cos(half) / (2.0 * np.sin(0.5 * half) ** 2)
    by_length = 0.5 * np.minimum(length[1:], length[:-1]) / np.tan(half)
    return np.asarray(np.sqrt(acceleration * np.minimum(by_corner, by_length)))


def _reached(length: FloatArray, most: FloatArray, acceleration: float) -> FloatArray:
    """(M + 1,): m/s at the ends of moves (M,), at most `most` (M - 1,) between them, from rest to rest."""
    squares = np.concatenate([[0.0], most**2, [0.0]])
    # Less what may be gained up to there it must not rise, forward; nor, from the end, backward.
    for _ in range(2):
        gained = np.concatenate([[0.0], np.cumsum(2.0 * acceleration * length)])
        squares, length = (np.minimum.accumulate(squares - gained) + gained)[::-1], length[::-1]
    return np.asarray(np.sqrt(np.maximum(squares, 0.0)))


def _times(
    length: FloatArray, feed: FloatArray, first: FloatArray, last: FloatArray, acceleration: float
) -> FloatArray:
    """s, of each move that begins and ends at these speeds and goes at most at its feed between."""
    peak = np.minimum(feed, np.sqrt(acceleration * length + 0.5 * (first**2 + last**2)))
    cruised = np.maximum(length - (2.0 * peak**2 - first**2 - last**2) / (2.0 * acceleration), 0.0)
    return np.asarray((2.0 * peak - first - last) / acceleration + cruised / peak)
