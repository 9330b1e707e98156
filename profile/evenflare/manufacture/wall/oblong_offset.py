"""The path of a ball over an oblong wall, exactly one radius away along the normal, and which balls fit."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from evenflare.manufacture.wall.grid import SMOOTH, Grid, around, edge_turns, grid, joined_rows
from evenflare.manufacture.wall.offset import LARGEST_ROLL, NoRoomError, Reach, checked_tool_radius, no_tool, too_large
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.cloud import Cloud, azimuth, told
from evenflare.waveguide.surface import Surface

GOUGE = 2e-6
"""m, by which a ball may seem to cut into the wall: the rounding of the check."""
CONCAVE_CORNER = "a concave corner"
CREASE = "the crease where the rim lies flat in one plane and slopes in the other"
_REMEDIES = {
    CONCAVE_CORNER: "Give that corner a radius above the tool's",
    CREASE: "Give both meridians a roundover, or neither",
}
_BESIDE, _JUMP = 1e-4, 0.1
PROBES = 1200
"""Places of a quarter at which the room for a ball is measured, about."""


@dataclass(frozen=True)
class OblongPath:
    """The wall's grid and the ball's centre (R, C, 3), m, at each of its points, over a quarter; NaN if it has no room.

    tool_radius : m.
    reach       : the largest ball for this wall.
    no_tool     : why the ball has no path on this wall, in words; empty where it has.
    """

    wall: Grid
    centres: FloatArray
    tool_radius: float
    reach: Reach
    no_tool: str = ""

    @property
    def lowest(self) -> float:
        """m, of the ball's tip, from the throat plane."""
        return float(self.centres[..., 2].min()) - self.tool_radius


def oblong_path(surface: Surface, wall: Cloud, *, tool_radius: float, chord_error: float) -> OblongPath:
    """The centre of a ball of `tool_radius` (m, > 0) that touches the wall at each point of a grid.

    Straight moves between neighbours depart from wall and path by at most `chord_error` (m).
    wall   : the cloud of the surface, from which each centre's distance is measured.
    Errors : NoRoomError if the ball does not fit, with the place and the largest that does; InputError as `grid`.
    """
    reach = checked_ball(surface, wall, tool_radius)
    found = grid(surface, chord_error=chord_error, offset=tool_radius, roll=roll_step(tool_radius, chord_error))
    centres = found.points + tool_radius * found.normals
    check_clear(centres, wall, tool_radius)
    return OblongPath(found, centres, tool_radius, reach)


def without_path(surface: Surface, wall: Cloud, *, tool_radius: float, chord_error: float) -> OblongPath:
    """The grid of a wall that a ball of `tool_radius` (m) does not reach everywhere, without centres."""
    found, reach = grid(surface, chord_error=chord_error, roll=LARGEST_ROLL), largest_ball(surface, wall)
    return OblongPath(found, np.full_like(found.points, np.nan), tool_radius, reach, no_tool(reach, tool_radius))


def roll_step(tool_radius: float, chord_error: float) -> float:
    """rad, from row to row as a tool rolls round an edge: its path's sagitta keeps within the chord error (both m)."""
    if chord_error < tool_radius:
        return min(LARGEST_ROLL, 2.0 * float(np.arccos(1.0 - chord_error / tool_radius)))
    return LARGEST_ROLL


def checked_ball(surface: Surface, wall: Cloud, tool_radius: float) -> Reach:
    """The largest ball for a wall. InputError if `tool_radius` (m) is above it, with the place and the remedy."""
    checked_tool_radius(tool_radius)
    reach, place = _largest_ball(surface, wall)
    if tool_radius <= reach.radius + 1e-12:
        return reach
    given = f"--tool-radius-mm = {tool_radius / MILLIMETRE:g}"
    raise too_large(given, reach, told(place), remedy=_REMEDIES.get(reach.reason, ""))


def check_clear(centres: FloatArray, wall: Cloud, tool_radius: float) -> None:
    """NoRoomError if a ball of `tool_radius` about one of the centres (..., 3), m, cuts into the wall anywhere."""
    places = centres.reshape(-1, 3)
    distance = wall.clearance(places, needed=tool_radius - GOUGE)
    deepest = float(tool_radius - distance.min())
    if deepest > GOUGE:
        place = places[int(distance.argmin())]
        raise NoRoomError(
            f"--tool-radius-mm = {tool_radius / MILLIMETRE:g}: the ball would cut {deepest / MILLIMETRE:.3f} mm into"
            f" the wall with its centre at {told(place)}. Take a smaller tool, or open the wall there"
        )


def largest_ball(surface: Surface, wall: Cloud) -> Reach:
    """The largest ball that touches a wall everywhere and cuts into it nowhere, from three causes: a concave corner,
    the wall's smallest concave radius (of both principal curvatures), and another stretch of wall that it would reach
    into.

    The ball that touches at p with normal n and passes through q has the radius |q - p|^2 / (2 n . (q - p)). This room
    is measured between about a thousand places of a quarter and the whole wall; `check_clear` finds what lies between.
    """
    return _largest_ball(surface, wall)[0]


def _largest_ball(surface: Surface, wall: Cloud) -> tuple[Reach, FloatArray]:
    parts = _stretches(surface)
    crease = _crease(surface)
    if crease is not None:
        return _reach(0.0, crease, CREASE)
    for before, after in itertools.pairwise(parts):
        turns = edge_turns(before, after)
        if turns.min() < -SMOOTH:
            return _reach(0.0, after.points[0, int(turns.argmin())], CONCAVE_CORNER)
    smallest = wall.curvatures[:, 0]
    concave = np.where(smallest < -1e-9, -1.0 / np.minimum(smallest, -1e-9), np.inf)
    bend, sharpest = float(concave.min()), int(concave.argmin())
    room, place = _room(joined_rows(parts, roll=5 * DEGREE))
    # In a concave stretch of one radius curvature and room agree to rounding; the tie goes to the plainer words.
    if room * (1.0 + 1e-3) < bend:
        return _reach(room, place, "two stretches of wall leave room only for a radius of")
    return _reach(bend, wall.points[sharpest], "the wall is concave with a radius of")


def _crease(surface: Surface) -> FloatArray | None:
    """(3,), m: where the rim's normal jumps next to a plane of symmetry; None if nowhere."""
    psi = np.array([0.0, _BESIDE, 0.5 * np.pi, 0.5 * np.pi - _BESIDE])
    rim = surface.patch(np.array([surface.depth]), psi, stretch=len(surface.cuts) - 2, bends=False)
    for end in (0, 2):
        if np.linalg.norm(rim.normals[0, end] - rim.normals[0, end + 1]) > _JUMP:
            return np.asarray(rim.points[0, end])
    return None


def _reach(radius: float, place: FloatArray, reason: str) -> tuple[Reach, FloatArray]:
    return Reach(radius, float(place[2]), reason, azimuth(place)), place


def _stretches(surface: Surface) -> list[Grid]:
    """Each stretch on about PROBES places in all."""
    count = len(surface.cuts) - 1
    psi = np.linspace(0.0, 0.5 * np.pi, 31)
    rows = max(8, PROBES // (31 * count))
    parts = []
    for stretch in range(count):
        low, high = surface.cuts[stretch : stretch + 2]
        z = low + (high - low) * np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, rows)) ** 2
        patch = surface.patch(np.minimum(z, high), psi, stretch=stretch, bends=False)
        parts.append(Grid(patch.points, patch.normals))
    return parts


def _room(probes: Grid) -> tuple[float, FloatArray]:
    """m and where: the smallest ball that touches at a probe of a quarter and passes through one of the whole wall."""
    x, y, z = np.ascontiguousarray(around(probes.points).reshape(-1, 3).T)
    points, normals = probes.points.reshape(-1, 3), probes.normals.reshape(-1, 3)
    room = np.full(points.shape[0], np.inf)
    # As many probes at a time as leave the arrays in the processor's cache.
    for start in range(0, points.shape[0], 16):
        here = slice(start, start + 16)
        (x_at, y_at, z_at), (x_on, y_on, z_on) = points[here].T[..., None], normals[here].T[..., None]
        dx, dy, dz = x - x_at, y - y_at, z - z_at
        toward = 2.0 * (dx * x_on + dy * y_on + dz * z_on)
        apart = dx * dx + dy * dy + dz * dz
        # Nearer places say no more than the curvature, with rounding errors.
        inside = (apart > 1e-8) & (toward > 0.0)
        room[here] = np.min(np.where(inside, apart / np.where(inside, toward, 1.0), np.inf), axis=1)
    return float(room.min()), points[int(room.argmin())]
