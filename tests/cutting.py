"""Tools, programs and paths that the tests of the proof share; paths that do not come from the product's planners."""

from __future__ import annotations

import numpy as np

from evenflare.manufacture import tool_path
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.process.types import Tool
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Meridian


def tool(kind="ball", diameter=6.0, corner=None, *, flutes=200.0, reach=250.0, shank=None, holder=0.0):
    """A tool with its sizes in mm, long enough for anything unless told otherwise."""
    corner = {"ball": 0.5 * diameter, "turning": 0.5 * diameter}.get(kind, 0.0) if corner is None else corner
    shank = {"turning": 0.0}.get(kind, diameter) if shank is None else shank
    sizes = (diameter, corner, flutes, reach, shank, holder)
    return Tool(f"{kind} {diameter:g}", kind, *(size * MM for size in sizes))


def program(position, cutter, *, name="finishing", rapid=None, kind="milling"):
    """A program through positions in m."""
    position = np.asarray(position, dtype=float)
    rapid = np.zeros(len(position), dtype=bool) if rapid is None else np.asarray(rapid)
    return Program(name, cutter, position, np.full(len(position), 0.02), rapid, "Z0 at the front face", kind)


def rings(
    meridian: Meridian, *, radius: float, stepover: float, chord: float = 2e-6, lift: float = 0.0, sides: int = 0
) -> np.ndarray:
    """Tips of a ball that goes round a round wall, ring by ring from the mouth down, stepover apart along its path.

    lift   : m, by which the ball stays off the wall; below zero it cuts into it.
    sides  : of each ring; left out, so many that its chords depart by at most `chord`.
    """
    path = tool_path(meridian, tool_radius=radius, chord_error=1e-6)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(path.centre_z), np.diff(path.centre_r)))])
    places = np.linspace(along[-1], 0.0, 2 + int(along[-1] / stepover))
    z = np.interp(places, along, path.centre_z + lift * path.normal_z)
    r = np.interp(places, along, path.centre_r + lift * path.normal_r)
    parts = []
    for height, distance in zip(z, r, strict=True):
        count = sides or max(24, int(np.ceil(np.pi / np.arccos(1 - min(0.5, chord / distance)))))
        turn = 2 * np.pi * np.arange(count + 1) / count
        tip = np.full(count + 1, height - radius - meridian.depth)
        parts.append(np.column_stack([distance * np.cos(turn), distance * np.sin(turn), tip]))
    return np.vstack(parts)


def zigzag(size: float, stepover: float, height: float) -> np.ndarray:
    """Tips of passes along x, back and forth, at one height, over a square of +-size."""
    y = stepover * np.arange(-int(size / stepover) - 1, int(size / stepover) + 2)
    x = np.where(np.arange(y.size) % 2, 1.0, -1.0) * 1.1 * size
    ends = np.stack([np.column_stack([x, y]), np.column_stack([-x, y])], axis=1).reshape(-1, 2)
    return np.column_stack([ends, np.full(len(ends), height)])
