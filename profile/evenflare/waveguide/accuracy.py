"""How true a way of making leaves a wall, and units made so, drawn at random."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Accuracy:
    """What a process does to a wall, over many units. Lengths in m along the normal, positive away from the axis.

    bias               : mean departure, of all units alike.
    spread             : standard deviation of the departure of one place of the wall about that.
    correlation_length : along the wall: places so far apart are correlated by exp(-1/2), of d by exp(-d^2 / (2 l^2)).
    around             : whether that is alike all round, as on a lathe, or independent in azimuth as along the depth.
    scale_bias, scale_spread : of the whole part, shares: 0.01 is one per cent larger.
    throat_step        : standard deviation of the wall's throat radius less the driver's.
    source             : where the values are from, in words; invented ones say so.
    """

    bias: float = 0.0
    spread: float = 0.0
    correlation_length: float = 0.02
    around: Literal["alike", "independent"] = "alike"
    scale_bias: float = 0.0
    scale_spread: float = 0.0
    throat_step: float = 0.0
    source: str = ""
