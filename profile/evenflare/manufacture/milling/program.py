"""A machine's program as an ordered list of moves, before it is written in any controller's words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from evenflare.manufacture.process.types import Tool
from evenflare.units import MILLIMETRE, BoolArray, FloatArray, read_only

FRONT_DATUM = (
    "X0 Y0 on the axis of the waveguide, Z0 at the front face, the mouth plane, Z up and out of the mouth, material"
    " below. Z is the tool's tip"
)
"""Of programs that run with the front up."""
SAME = 1e-9
"""m, between two places that are one."""


@dataclass(frozen=True)
class Program:
    """Moves of one tool; each row is the straight move that ends there, the first from wherever the tool is.

    name     : of its file, without the suffix.
    position : (M, 3), m. Milling: the tool's tip. Turning: the programmed point as radius, 0, z.
    feed     : (M,), m/s; of a rapid move the machine's rapid.
    rapid    : (M,).
    datum    : where zero and the axes are, in words.
    setup    : what to do before it runs, in words.
    chord    : m, by which straight moves may depart from the smooth path through their ends.
    greatest_engagement : m, that it promises to keep: how long a part of the cutter, along its axis, is in material on
                          any move; of turning the depth of cut, across the feed. inf where nothing is promised.
    """

    name: str
    tool: Tool
    position: FloatArray
    feed: FloatArray
    rapid: BoolArray
    datum: str
    kind: Literal["milling", "turning"]
    setup: tuple[str, ...] = ()
    chord: float = 0.0
    greatest_engagement: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "position", read_only(self.position))
        object.__setattr__(self, "feed", read_only(self.feed))
        object.__setattr__(self, "rapid", read_only(self.rapid, np.bool_))
        count = self.feed.size
        if self.position.shape != (count, 3) or self.rapid.shape != (count,):
            raise ValueError(f"program {self.name}: positions, feeds and rapids must be as many")

    @property
    def lowest(self) -> float:
        """m, the lowest z."""
        return float(self.position[:, 2].min())


class Leg(NamedTuple):
    """Moves at one feed: points (N, 3) in m, one after the other; feed in m/s."""

    points: FloatArray
    feed: float
    rapid: bool = False


def assembled(
    name: str,
    tool: Tool,
    legs: Sequence[Leg],
    *,
    datum: str,
    kind: Literal["milling", "turning"],
    setup: Sequence[str],
    chord: float,
    engagement: float = math.inf,
) -> Program:
    """The legs in their order as one program; a move to where the tool already is falls away.

    engagement : m, see Program.
    """
    points = np.concatenate([leg.points for leg in legs])
    counts = [len(leg.points) for leg in legs]
    feed = np.repeat([leg.feed for leg in legs], counts)
    rapid = np.repeat([leg.rapid for leg in legs], counts)
    moves = np.concatenate([[True], np.abs(np.diff(points, axis=0)).max(axis=1) > SAME])
    moved = (points[moves], feed[moves], rapid[moves])
    told = [] if math.isinf(engagement) else [engagement_words(engagement, kind)]
    return Program(name, tool, *moved, datum, kind, (*setup, *told), chord, engagement)


def from_front(
    name: str, tool: Tool, legs: Sequence[Leg], *, setup: Sequence[str], chord: float, engagement: float
) -> Program:
    """A milling program that runs with the front up, see assembled."""
    return assembled(
        name, tool, legs, datum=FRONT_DATUM, kind="milling", setup=setup, chord=chord, engagement=engagement
    )


def engagement_words(engagement: float, kind: Literal["milling", "turning"]) -> str:
    """What a program promises of its greatest engagement (m), in mm, for the set-up; `proof_files` reads it back."""
    what = "depth of cut, across the feed" if kind == "turning" else "of the cutter's length in material"
    return f"greatest engagement {engagement / MILLIMETRE:.4f} {what}: not on other stock than this"
