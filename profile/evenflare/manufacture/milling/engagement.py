"""How long a part of a cutter is in material, at most: what each program promises, and the proof measures."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture.process.types import Process
from evenflare.units import DEGREE, FloatArray
from evenflare.waveguide import Waveguide

_STEEPEST = 80 * DEGREE


def levels_of(waveguide: Waveguide, process: Process) -> FloatArray:
    """(L,), m from the front face: roughing's levels, evenly apart by at most a stepdown, down to where the finishing
    ball's tip passes the throat.
    """
    bottom = waveguide.depth + process.tool(process.finishing_tool).radius
    count = max(1, int(np.ceil(bottom / process.stepdown - 1e-9)))
    return np.asarray(-bottom * np.arange(1, count + 1) / count)


def met_by_ball(tips: FloatArray, *, radius: float, step: float, left: float) -> float:
    """m, the most of its length that a ball on a spiral down a wall puts into material.

    On a wall at a slope s the ball touches by R (1 - cos s) above its tip and never above its centre, but by as much as
    the tip sinks in one turn: R and that at most. Terraces of height `step`, with `left` on the wall along the normal,
    stand up to step + left / cos s above the wall. Uphill the turn before has cut them down; downhill, R from the
    ball's axis, the wall is R (1 + sin s) tan s below the place that the ball touches. (Elementary geometry.)

    tips : (N, 3), m, of the spiral, whose axis is z.
    """
    turn = np.unwrap(np.arctan2(tips[:, 1], tips[:, 0]))
    after = np.interp(turn + 2.0 * np.pi, turn, tips[:, 2])
    sinks = float((tips[:, 2] - after).max())
    slope = np.linspace(0.0, _STEEPEST, 81)
    sine, cosine = np.sin(slope), np.cos(slope)
    terraces = step + left / cosine - radius * (1.0 + sine) * sine / cosine + radius * (1.0 - cosine)
    return max(radius, float(terraces.max())) + sinks
