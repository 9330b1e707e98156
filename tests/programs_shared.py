"""What the tests of programs share: processes with changed tools, and how far paths are from walls, measured anew."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
from scipy.spatial import cKDTree

from evenflare.manufacture import SolidChoice, oblong_sizes, solid_sizes
from evenflare.manufacture.milling.clearance import wall_cloud
from evenflare.manufacture.milling.programs import programs
from evenflare.manufacture.process.file import read_process
from evenflare.manufacture.process.steps import OPERATIONS
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide.surface import depth_at
from oblongs import Choice


@cache
def bundled(name: str) -> Process:
    """The same for all tests of a process."""
    return read_process(name)


def process(name: str = "router", *, tools=None, machine=None, whole=False, **changes) -> Process:
    """A bundled process with changes; `tools` by name of tool, `machine` by name of field. whole : it cuts what stands
    beside wall and seat too.
    """
    found = bundled(name)
    if not whole:
        found = dataclasses.replace(found, hold_down=None, parting=0.0, **dict.fromkeys(OPERATIONS, ""))
    changed = tuple(dataclasses.replace(tool, **(tools or {}).get(tool.name, {})) for tool in found.tools)
    return dataclasses.replace(
        found, tools=changed, machine=dataclasses.replace(found.machine, **(machine or {})), **changes
    )


def sizes_of(waveguide, choice: SolidChoice | None = None):
    choice = choice or Choice()
    if waveguide.is_round:
        return solid_sizes(waveguide.meridian, choice)
    return oblong_sizes(waveguide.surface, wall_cloud(waveguide), choice)


def made(waveguide, made_with: Process) -> dict:
    return {program.name: program for program in programs(waveguide, made_with, sizes_of(waveguide)).programs}


def departures(waveguide, centres, radius, *, azimuths, count=1500):
    """m, greatest leftover and gouge of a ball on straight moves between centres (N, 3), z from the throat plane.

    Met at random places of the wall on a few azimuths, against points every 20 um of the moves: 20^2 / 8 R is 0.02 um.
    """
    surface, rng = waveguide.surface, np.random.default_rng(5)
    lengths = np.linalg.norm(np.diff(centres, axis=0), axis=1)
    left, gouge = 0.0, 0.0
    for azimuth in azimuths:
        wall = np.concatenate(
            [
                surface.patch(
                    depth_at(surface, k, np.sort(rng.uniform(0, 1, count))), np.array([azimuth]), stretch=k
                ).points[:, 0]
                for k in range(len(surface.cuts) - 1)
            ]
        )
        away = cKDTree(wall, leafsize=64).query(0.5 * (centres[1:] + centres[:-1]))[0]
        near = np.flatnonzero(away < radius + 0.2 * MM + lengths)
        moves = [
            centres[i] + np.linspace(0, 1, 2 + int(lengths[i] / 2e-5))[:, None] * (centres[i + 1] - centres[i])
            for i in near
        ]
        distance = cKDTree(np.concatenate(moves), leafsize=64).query(wall)[0]
        left, gouge = max(left, float(distance.max() - radius)), max(gouge, float(radius - distance.min()))
    return left, gouge


def tool_distance(tool, tips, wall):
    """m, (N,): least distance from a flat or bull tool at tips (N, 3) to points (W, 3) of a wall; from its geometry.
    Infinite where all of the wall stands a millimetre from a box round the tool, which grows upward without end.
    """
    least, reach = np.full(len(tips), np.inf), np.array([*(2 * [tool.radius + MM]), MM])
    for start in range(0, len(tips), 10):
        here = tips[start : start + 10]
        low, high = here.min(axis=0) - reach, here.max(axis=0) + reach
        near = wall[np.all(wall >= low, axis=1) & np.all(wall[:, :2] <= high[:2], axis=1)]
        here = here[:, None]
        across = np.hypot(near[:, 0] - here[..., 0], near[:, 1] - here[..., 1])
        above = near[:, 2] - here[..., 2]
        beyond = np.maximum(across - (tool.radius - tool.corner_radius), 0.0)
        below = np.maximum(tool.corner_radius - above, 0.0)
        least[start : start + 10] = (np.hypot(beyond, below) - tool.corner_radius).min(axis=1, initial=np.inf)
    return least


def from_moves(places, moves):
    """m, (N,): from places (N, 3) to the nearest of the moves between points (M, 3) that meet at their six nearest."""
    near = np.clip(cKDTree(moves).query(places, k=6)[1][:, :, None] + np.arange(2), 1, len(moves) - 1)
    start, along = moves[near - 1], moves[near] - moves[near - 1]
    off = places[:, None, None] - start
    share = np.einsum("...i,...i", off, along) / np.maximum(np.einsum("...i,...i", along, along), 1e-30)
    off -= np.clip(share, 0, 1)[..., None] * along
    return np.sqrt(np.einsum("...i,...i", off, off).min(axis=(1, 2)))
