"""How far holes and the driver's recess may lie off their true positions, and how rough a wall in ridges is."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from evenflare.manufacture.part.features import SCREWS, Features
from evenflare.manufacture.process.types import Process
from evenflare.units import MILLIMETRE

RIDGED = 4.0 / (9.0 * np.sqrt(3.0))
"""Ra over the height of ridges: the mean distance of a parabola between two of them from its mean height, a third of
that height (elementary geometry)."""
SERIES = (0.025, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 6.3, 12.5, 25.0, 50.0)
"""Micrometres: preferred upper limits of Ra (ISO 1302:2002, annex, from memory)."""
_MICRO = 1e-3 * MILLIMETRE


class Position(NamedTuple):
    """A cylinder of a diameter (m) about the true position, in which an axis lies, referred to A and B; screw: the one
    that it is taken for.
    """

    zone: float
    screw: str = ""

    @property
    def words(self) -> str:
        """As in its frame: "Ø0.25"."""
        return f"Ø{self.zone / MILLIMETRE:.2f}"


def fixed_fastener(hole: float, screw: float) -> float:
    """m, the zone of clearance holes of diameter `hole`, and of the threads that screws of that diameter go into.

    Source : H = F + 2 T with one zone T for both parts (ASME Y14.5-2018, appendix B, fixed fasteners, from memory).
    """
    return max(0.0, 0.5 * (hole - screw))


def front_position(features: Features) -> Position | None:
    """Of the front's clearance holes; None without, or where the design states no screw."""
    front = features.front
    if not front.count or not front.screw:
        return None
    return Position(fixed_fastener(front.diameter, thread(front.screw)), front.screw)


def driver_position(features: Features) -> Position | None:
    """Of the holes that the driver's screws go into: the widest thread that such a hole holds, and clearance holes of
    the medium series in the driver; None without holes, or where no thread is so small.
    """
    seat = features.seat
    held = [screw for screw in SCREWS if thread(screw) < seat.hole_diameter - 1e-9]
    if not (seat.is_cut and seat.bolts and held):
        return None
    return Position(fixed_fastener(SCREWS[held[-1]][0], thread(held[-1])), held[-1])


def recess_position(features: Features, process: Process) -> Position | None:
    """Of the driver's recess: twice what the process keeps; None without one."""
    return Position(2.0 * process.tolerance) if features.seat.depth > 0.0 else None


def thread(screw: str) -> float:
    """m, the nominal diameter of a metric screw, as "M4"."""
    return float(screw.removeprefix("M")) * MILLIMETRE


def roughness(scallop_height: float) -> tuple[float, float]:
    """Micrometres: Ra across ridges of that height (m), and the preferred limit that is no smaller."""
    found = RIDGED * scallop_height / _MICRO
    return found, next((limit for limit in SERIES if limit >= found), SERIES[-1])
