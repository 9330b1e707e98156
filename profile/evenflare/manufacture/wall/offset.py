"""The path of a round tool along a wall, exactly one tool radius away along the normal, and which tools fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.wall.spacing import SMOOTH, checked_chord_error, corner_turns, parallel, rolled, spaced
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Frame, Meridian

LARGEST_ROLL = 10 * DEGREE
"""Turn of the tool from row to row as it rolls round a sharp edge."""

_PROBE_STEP = 0.1 * MILLIMETRE
_PROBES = 3000
_ROUNDING = 1e-12


class NoRoomError(InputError):
    """A tool does not reach all of a wall, or would cut into it."""


@dataclass(frozen=True)
class Reach:
    """The largest ball that touches a wall everywhere and cuts into it nowhere.

    radius  : m; 0 at a concave corner.
    z       : m, where it is the wall that sets it.
    reason  : what about the wall sets it, in words.
    azimuth : rad, 0 in the horizontal plane; None for a round wall.
    """

    radius: float
    z: float
    reason: str
    azimuth: float | None = None


@dataclass(frozen=True)
class ToolPath:
    """Rows (N,) from throat to mouth. At a sharp edge z and r repeat while the tool rolls round it.

    wall                 : m and rad, see Frame.
    normal_z, normal_r   : unit, from the wall into the air.
    centre_z, centre_r   : m, of the ball or nose, from the throat plane and the axis; NaN where the tool does not fit.
    tool_radius          : m.
    reach                : the largest tool for this wall.
    """

    wall: Frame
    normal_z: FloatArray
    normal_r: FloatArray
    centre_z: FloatArray
    centre_r: FloatArray
    tool_radius: float
    reach: Reach

    @property
    def fits(self) -> bool:
        """Whether the tool touches the wall everywhere and cuts into it nowhere."""
        return fits(self.reach, self.tool_radius)


def tool_path(meridian: Meridian, *, tool_radius: float, chord_error: float, must_fit: bool = True) -> ToolPath:
    """The centre of a ball or nose of `tool_radius` (m, > 0) that touches the wall at each row.

    A straight move between two rows departs from wall and path by at most `chord_error` (m).
    must_fit : False: a wall that the tool does not reach everywhere has its rows all the same, without centres.
    Errors   : InputError if the tool does not fit and must, with the place and the largest radius that does; or if the
               chord error is out of range.
    Source   : the parallel curve, p + radius n with n = (sin a, -cos a) in (z, r) for a wall at the angle a.
    """
    checked_chord_error(chord_error)
    reach = _checked(meridian, tool_radius, must_fit=must_fit)
    if not fits(reach, tool_radius):
        wall = rolled(spaced(meridian, chord_error=chord_error), step=LARGEST_ROLL)
        nowhere = np.full_like(wall.z, np.nan)
        return ToolPath(wall, np.sin(wall.angle), -np.cos(wall.angle), nowhere, nowhere, tool_radius, reach)
    step = LARGEST_ROLL
    if chord_error < tool_radius:
        step = min(step, 2.0 * float(np.arccos(1.0 - chord_error / tool_radius)))
    wall = rolled(spaced(meridian, chord_error=chord_error, offset=tool_radius), step=step)
    centre_z, centre_r = parallel(wall, tool_radius)
    return ToolPath(wall, np.sin(wall.angle), -np.cos(wall.angle), centre_z, centre_r, tool_radius, reach)


def largest_tool_radius(meridian: Meridian) -> Reach:
    """The largest ball for a wall, from four causes: a concave corner, the circumference (radius r / cos a), a concave
    meridian (radius -1/curvature), and another stretch of wall that the ball would reach into.

    The ball that touches at p with normal n and passes through q has the radius |q - p|^2 / (2 n . (q - p)). The wall
    is probed every 0.1 mm, or at 3000 places if it is longer: a distant stretch is missed by at most that step
    squared over 8 radii, 0.4 um for a tool of 3 mm.
    Source: elementary geometry; the circumference's normal curvature cos(a)/r is Meusnier's theorem.
    """
    pieces = [piece.frame_at(np.linspace(0.0, 1.0, 129)) for piece in meridian.pieces]
    turns = corner_turns(pieces)
    if turns.size and turns.min() < -SMOOTH:
        return Reach(0.0, float(pieces[int(turns.argmin())].z[-1]), "a concave corner")

    step = max(_PROBE_STEP, sum(float(piece.speed.mean()) for piece in pieces) / _PROBES)
    counts = [max(32, int(np.ceil(piece.speed.max() / step))) for piece in pieces]
    probes = [p.frame_at(np.linspace(0.0, 1.0, count + 1)) for p, count in zip(meridian.pieces, counts, strict=True)]
    wall = rolled(probes, step=2 * DEGREE)
    cosine = np.cos(wall.angle)
    around = np.where(cosine > 1e-9, wall.r / np.maximum(cosine, 1e-9), np.inf)
    along = np.where(wall.curvature < -1e-9, -1.0 / np.minimum(wall.curvature, -1e-9), np.inf)
    # In a concave stretch of one radius curvature and room agree to rounding; the tie goes to the plainer words.
    causes = {
        "the waveguide is concave around its axis with a radius of": around,
        "the wall is concave along its profile with a radius of": along,
        "two stretches of wall leave room only for a radius of": _room(wall) * (1.0 + 1e-6),
    }
    reason = min(causes, key=lambda cause: float(causes[cause].min()))
    worst = int(causes[reason].argmin())
    return Reach(float(causes[reason][worst]), float(wall.z[worst]), reason)


def floor_micrometre(length: float) -> float:
    """A length in m rounded down to a whole micrometre, so that a radius named to a user does fit."""
    return float(np.floor((length + _ROUNDING) * 1e6) * 1e-6)


def _room(wall: Frame) -> FloatArray:
    """m, (N,): radius of the largest ball that touches at each place and holds no other place of the wall.

    In the half-plane of the place itself: a ball whose centre is off the axis is nearest to any ring there.
    """
    largest = np.empty_like(wall.z)
    # As many places at a time as leave the arrays in the processor's cache.
    for start in range(0, wall.z.size, 32):
        here = slice(start, start + 32)
        dz = wall.z - wall.z[here, None]
        dr = wall.r - wall.r[here, None]
        toward = 2.0 * (dz * np.sin(wall.angle[here, None]) - dr * np.cos(wall.angle[here, None]))
        apart = dz**2 + dr**2
        # Nearer places say no more than the curvature, with rounding errors.
        inside = (apart > 1e-10) & (toward > 0)
        largest[here] = np.min(np.where(inside, apart / np.where(inside, toward, 1.0), np.inf), axis=1)
    return largest


def checked_tool_radius(tool_radius: float) -> float:
    """`tool_radius` in m if a tool can have it. Errors: InputError unless it is above 0 and finite."""
    if not 0 < tool_radius < np.inf:
        raise InputError(
            f"--tool-radius-mm = {tool_radius / MILLIMETRE:g}: must be a number above 0. Give the ball's or nose's"
            " radius, as in --tool-radius-mm 3"
        )
    return tool_radius


def fits(reach: Reach, tool_radius: float) -> bool:
    """Whether a tool of `tool_radius` (m) has room everywhere on a wall."""
    return tool_radius <= reach.radius + _ROUNDING


def no_tool(reach: Reach, tool_radius: float) -> str:
    """What to say of a wall without a tool's path, without its full stop."""
    if fits(reach, tool_radius):
        return f"a ball of radius {tool_radius / MILLIMETRE:g} would cut into this wall beside where it touches it"
    cause = reach.reason if reach.radius == 0.0 else f"{reach.reason} {floor_micrometre(reach.radius) / MILLIMETRE:g}"
    around = "" if reach.azimuth is None else f", azimuth {reach.azimuth / DEGREE:.1f} degrees"
    return (
        f"a round tool of radius {tool_radius / MILLIMETRE:g} does not reach all of this wall: {cause} at"
        f" z = {reach.z / MILLIMETRE:.3f}{around}"
    )


def _checked(meridian: Meridian, tool_radius: float, *, must_fit: bool) -> Reach:
    checked_tool_radius(tool_radius)
    reach = largest_tool_radius(meridian)
    if not must_fit or fits(reach, tool_radius):
        return reach
    raise too_large(f"--tool-radius-mm = {tool_radius / MILLIMETRE:g}", reach, f"z_mm = {reach.z / MILLIMETRE:.4g}")


def too_large(
    given: str,
    reach: Reach,
    place: str,
    *,
    factor: float = 1.0,
    remedy: str = "Give that corner a radius above the tool's",
) -> NoRoomError:
    """For a tool that the wall has no room for.

    given  : the key and what it says, which is
    factor : times the tool's radius.
    remedy : where no round tool reaches.
    """
    if reach.radius == 0.0:
        return NoRoomError(f"{given}: {reach.reason} at {place} is reached by no round tool. {remedy}")
    return NoRoomError(
        f"{given}: {reach.reason} {reach.radius / MILLIMETRE:.4g} mm at {place}, so it must be at most"
        f" {factor * floor_micrometre(reach.radius) / MILLIMETRE:.3f}. Take a smaller tool, or open the wall there"
    )
