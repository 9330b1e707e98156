"""Finishing on a router: one spiral of a ball from mouth to throat, with ridges of one height all over the wall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.milling.engagement import levels_of, met_by_ball
from evenflare.manufacture.milling.program import SAME, Leg, Program, from_front
from evenflare.manufacture.milling.slender import eased, slender_words
from evenflare.manufacture.process.types import Process, Tool
from evenflare.manufacture.wall.oblong_closed import ReachedOblong
from evenflare.manufacture.wall.offset import tool_path
from evenflare.manufacture.wall.scallop import centre_step, passes
from evenflare.units import MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide import Frame, Meridian, Waveguide
from evenflare.waveguide.cloud import Cloud

CHORD_SHARE = 0.3
"""Of the scallop height, that straight moves may leave between their ends."""
DIGIT = 0.0001 * MILLIMETRE
"""Of a program's numbers, likewise."""
SEMI = "semi_finishing"
EVEN_RIDGES = 0.25
"""Of what semi-finishing leaves, that its ridges stand above that."""
_PATH = 1e-6


def finishing(
    waveguide: Waveguide,
    process: Process,
    wall: Cloud | None,
    *,
    after: str = "roughing",
    even: bool = False,
    more: float = 0.0,
) -> Program:
    """The finishing program, datum as from_front: down the wall counter-clockwise, which climbs with a spindle that
    turns clockwise; lead-in and lead-out are quarter circles.

    wall   : the cloud of an oblong wall; None of a round one.
    after  : the program that ran before.
    even   : whether semi-finishing went before, so that the ball meets no steps.
    more   : m, that it leaves in hollows beside what it leaves on the wall.
    Errors : InputError if the ball does not fit, or arcs leave nothing of the scallop height.
    """
    tool, height = process.tool(process.finishing_tool), ridges_of(process)
    chord = CHORD_SHARE * height
    setup = f"run after {after}, in the same clamping and with the same X and Y zero"
    left = process.semi_finishing_left
    met = (EVEN_RIDGES * left, left + more) if even else None
    return _spiral("finishing", waveguide, process, wall, tool, (height - chord - DIGIT, chord), setup, met=met)


def semi_finishing(waveguide: Waveguide, process: Process, wall: Cloud | None, *, after: str = "roughing") -> Program:
    """As finishing, coarser, with stock left: a ball that is larger by that touches the wall in its stead."""
    left = process.semi_finishing_left
    setup = (
        f"run after {after}, in the same clamping and with the same X and Y zero; it leaves {left / MILLIMETRE:g} on"
        " the wall, with ridges of a quarter of that, for finishing"
    )
    fine = (0.5 * EVEN_RIDGES * left, 0.4 * EVEN_RIDGES * left)
    return _spiral(SEMI, waveguide, process, wall, process.tool(process.semi_finishing_tool), fine, setup, left=left)


def grown(process: Process) -> Tool:
    """The semi-finishing ball with the stock that it leaves: what must fit into hollows of the wall."""
    tool, left = process.tool(process.semi_finishing_tool), process.semi_finishing_left
    return replace(tool, diameter=tool.diameter + 2.0 * left, corner_radius=tool.corner_radius + left)


def _spiral(
    name: str,
    waveguide: Waveguide,
    process: Process,
    wall: Cloud | None,
    tool: Tool,
    fine: tuple[float, float],
    first: str,
    *,
    left: float = 0.0,
    met: tuple[float, float] | None = None,
) -> Program:
    """A ball's spiral that leaves `left` m, fine: heights of ridges and chords, m; first: of its set-up.

    met : step between terraces and stock on the wall, m, that it meets; None: what roughing leaves.
    """
    from evenflare.manufacture.milling.finishing_oblong import oblong_spiral

    machine, (ridge, chord) = eased(process, tool).machine, fine
    if wall is None:
        centres = round_spiral(waveguide.meridian, radius=tool.radius + left, ridge=ridge, chord=chord)
    else:
        hollow = isinstance(waveguide.shape, ReachedOblong)
        centres = oblong_spiral(
            waveguide.surface, radius=tool.radius + left, ridge=ridge, chord=chord, clear=wall if hollow else None
        )
    tips = centres - np.array([0.0, 0.0, tool.radius + waveguide.depth])
    lead_in, lead_out = _arc(tips[0], tool.radius, chord)[::-1] * (1, -1, 1), _arc(tips[-1], tool.radius, chord)
    high = np.array([1.0, 1.0, 0.0])
    top = np.array([0.0, 0.0, machine.safe_height])
    legs = [
        Leg(lead_in[:1] * high + top, machine.rapid_feed, rapid=True),
        Leg(lead_in[:1], machine.plunge_feed),
        Leg(lead_in, machine.cutting_feed),
        Leg(tips, machine.cutting_feed),
        Leg(lead_out, machine.cutting_feed),
        Leg(lead_out[-1:] * high + top, machine.rapid_feed, rapid=True),
    ]
    setup = [
        f"{first}; touch the ball's tip off on the front face",
        below_the_part(float(tips[:, 2].min()), waveguide.depth),
        *slender_words(process, tool),
    ]
    if met is None:
        rougher = eased(process, process.tool(process.roughing_tool))
        met = -float(levels_of(waveguide, rougher)[0]), process.stock_left
    return from_front(
        name,
        tool,
        legs,
        setup=setup,
        chord=chord,
        engagement=met_by_ball(tips, radius=tool.radius, step=met[0], left=met[1]),
    )


def ridges_of(process: Process) -> float:
    """m, what arcs leave of the scallop height. Errors: InputError if that is nothing."""
    height = process.scallop_height - process.machine.arc_tolerance
    if not height > 2.0 * DIGIT:
        raise InputError(
            f"[machine] arc_tolerance_mm = {process.machine.arc_tolerance / MILLIMETRE:g}: must be below"
            f" scallop_height_mm = {process.scallop_height / MILLIMETRE:g}, of which it is a part. Lower it, or write 0"
            " for straight moves"
        )
    return height


def below_the_part(lowest: float, depth: float) -> str:
    """What must be free below the throat plane, in words; `lowest` Z and depth in m."""
    through = max(0.0, -lowest - depth)
    return (
        f"the tip passes the throat plane, Z {-depth / MILLIMETRE:.3f}, by {through / MILLIMETRE:.3f}: below the throat"
        " there must be material to spare or a spoil board, and no clamp"
    )


def round_spiral(meridian: Meridian, *, radius: float, ridge: float, chord: float) -> FloatArray:
    """(N, 3), m from the throat plane: centres of a ball on a spiral down a round wall, see spiral."""
    path = tool_path(meridian, tool_radius=radius, chord_error=_PATH)
    return spiral(path.wall, path.centre_z, path.centre_r, radius=radius, ridge=ridge, chord=chord)


def spiral(
    wall: Frame, centre_z: FloatArray, centre_r: FloatArray, *, radius: float, ridge: float, chord: float
) -> FloatArray:
    """(N, 3), m: centres of a ball of `radius` (m) on a spiral from a wall's last place to its first,
    counter-clockwise, a full ring at either end.

    centre_z, centre_r : (M,), m, of the ball that touches the wall at each of its places.
    ridge, chord : m, heights that neighbouring turns, and straight moves between the points, may leave.
    """
    from scipy.interpolate import CubicHermiteSpline

    apart = np.hypot(np.diff(centre_z), np.diff(centre_r))
    turn = 0.5 * np.abs(np.diff(wall.angle))
    lengths = np.maximum(apart * np.where(turn > 1e-9, turn / np.maximum(np.sin(turn), 1e-12), 1.0), SAME)
    still = np.hypot(np.diff(wall.z), np.diff(wall.r)) < 1e-12
    least, most = (pick(wall.curvature[1:], wall.curvature[:-1]) for pick in (np.minimum, np.maximum))
    # A hollow as round as the ball is one place of its middle, and says nothing of its neighbours.
    bend = np.where(1.0 + radius * least < 1e-6, most, least)
    steps = centre_step(ridge, radius=radius, curvature=np.where(still, np.inf, bend))
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    heading = np.column_stack([np.cos(wall.angle), np.sin(wall.angle)])
    curve = CubicHermiteSpline(along, np.column_stack([centre_z, centre_r]), heading)
    before = _turns(lengths[::-1], steps[::-1], apart[::-1] <= SAME)
    total = along[-1]

    def centre_after(number: FloatArray) -> FloatArray:
        """(N, 2): (z, r) of the centre after so many turns from the mouth."""
        return np.asarray(curve(total - np.interp(number, before, (total - along)[::-1])))

    turns = np.linspace(0.0, before[-1] + 2.0, 16 * int(before[-1] + 2.0) + 1)
    around = centre_after(np.clip(turns - 1.0, 0.0, before[-1]))[:, 1]
    angle = 2.0 * np.arccos(np.maximum(1.0 - chord / np.maximum(around, chord), 0.5))
    count = np.concatenate([[0.0], np.cumsum(np.diff(turns) * 2.0 * np.pi / np.minimum(angle[1:], angle[:-1]))])
    number = int(np.ceil(count[-1]))
    turned = np.interp(np.linspace(0.0, count[-1], number + 1), count, turns)
    place = centre_after(np.clip(turned - 1.0, 0.0, before[-1]))
    azimuth = 2.0 * np.pi * turned
    return np.column_stack([place[:, 1] * np.cos(azimuth), place[:, 1] * np.sin(azimuth), place[:, 0]])


def _turns(lengths: FloatArray, steps: FloatArray, stands: BoolArray) -> FloatArray:
    """(K + 1,): passes before each node of a way whose cells are (K,), m; where the ball stands in a hollow, one turn.

    A spiral that only passes it would touch it at one azimuth.
    """
    before = [np.zeros(1)]
    for run in np.split(np.arange(lengths.size), np.flatnonzero(np.diff(stands.astype(int))) + 1):
        more = np.linspace(0.0, 1.0, run.size + 1) if stands[run[0]] else passes(lengths[run], steps[run])
        before.append(before[-1][-1] + more[1:])
    return np.concatenate(before)


def _arc(start: FloatArray, radius: float, chord: float) -> FloatArray:
    """(N, 3): a quarter circle at one height from `start` on the +x side, heading +y, toward the axis."""
    size = min(radius, 0.5 * float(start[0]))
    if size < SAME:
        return start[None]  # A ball that just fits the throat stands on the axis.
    step = 2.0 * np.arccos(max(1.0 - chord / size, 0.9))
    turn = np.linspace(0.0, 0.5 * np.pi, 2 + int(0.5 * np.pi / step))
    return start + size * np.column_stack([np.cos(turn) - 1.0, np.sin(turn), 0.0 * turn])
