"""What is cut from a part besides its wall: the driver's seat, the front's holes, the rebate, the rounded edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from evenflare.manufacture.process.types import DriverSeat, Process
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.words import mm

DEFAULT_HOLE = 8 * MILLIMETRE
DEFAULT_HOLE_DEPTH = 15 * MILLIMETRE
"""For a threaded insert of M6: common practice, no source."""


DEFAULT_INSET = 10 * MILLIMETRE
"""Half of what a flange is wider than the mouth by default, on either side."""
SCREWS = {
    "M2.5": (2.9 * MILLIMETRE, 5.5 * MILLIMETRE),
    "M3": (3.4 * MILLIMETRE, 6.3 * MILLIMETRE),
    "M4": (4.5 * MILLIMETRE, 9.4 * MILLIMETRE),
    "M5": (5.5 * MILLIMETRE, 10.4 * MILLIMETRE),
    "M6": (6.6 * MILLIMETRE, 12.6 * MILLIMETRE),
    "M8": (9.0 * MILLIMETRE, 17.3 * MILLIMETRE),
    "M10": (11.0 * MILLIMETRE, 20.0 * MILLIMETRE),
}
"""Of a screw by its thread: clearance hole, medium series (ISO 273), and nominal diameter of the countersink for its
countersunk head (ISO 15065); both from memory."""
COUNTERSINK = 90 * DEGREE
"""Angle of the countersink for metric screws (ISO 15065, from memory)."""


@dataclass(frozen=True)
class FrontHoles:
    """Holes for screws, through the front along the axis; m.

    count             : 0: none. Evenly round a round outside, the first on +x; round a rectangle as its bolts.
    inset             : from the part's outside to the middles of the holes.
    diameter          : of the hole.
    countersink       : diameter of its countersink in the front face; 0: the hole is plain.
    countersink_angle : rad, of its cone, from side to side.
    screw             : the thread that the sizes belong to, as "M4"; empty where the design states a diameter.
    """

    count: int = 0
    inset: float = 0.0
    diameter: float = 0.0
    countersink: float = 0.0
    countersink_angle: float = COUNTERSINK
    screw: str = ""

    @property
    def widest(self) -> float:
        """m, diameter of what a hole takes from the front face."""
        return max(self.diameter, self.countersink)

    @property
    def countersink_depth(self) -> float:
        """m, of the cone below the front face; 0 for a plain hole."""
        return float(max(0.0, self.countersink - self.diameter) / (2.0 * np.tan(0.5 * self.countersink_angle)))


@dataclass(frozen=True)
class Features:
    """What is cut from a part besides its wall, m; 0: nothing of the kind.

    seat                       : of the driver: the part reaches its depth behind the throat plane, z = 0, which is the
                                 recess's floor. A shell carries it on a hub.
    rebate_width, rebate_depth : a step all round the front's rim, seen from the front and along the axis: the part
                                 comes from behind and is flush with a baffle that is as thick as the step is deep.
    edge_radius                : of the rim between front face and outside.
    front                      : holes through the flange, or through a block from front to back.
    """

    seat: DriverSeat = DriverSeat()
    rebate_width: float = 0.0
    rebate_depth: float = 0.0
    edge_radius: float = 0.0
    front: FrontHoles = FrontHoles()

    @property
    def has_rim(self) -> bool:
        """Whether the front's rim is anything but sharp."""
        return self.edge_radius > 0.0 or (self.rebate_width > 0.0 and self.rebate_depth > 0.0)

    def hub(self, wall: float) -> tuple[float, float]:
        """Radius and upper end (m) of what carries a shell's seat: its wall round the recess, and above the holes."""
        return 0.5 * self.seat.diameter + wall, wall + (self.seat.hole_depth if self.seat.bolts else 0.0)


PLAIN = Features()
"""Nothing of the kind."""


class SolidFeatures(Protocol):
    """What a design says about seat, rebate and edge: m; None for nothing of the kind.

    The seat is `seat_diameter`, the driver's, with `seat_clearance` all round. Rebate: width and depth, or neither.
    """

    @property
    def seat(self) -> bool | None:
        """False: none, whatever the process has; None: the process' where the design states none."""
        ...

    @property
    def seat_diameter(self) -> float | None:
        """m."""
        ...

    @property
    def seat_clearance(self) -> float | None:
        """m, all round; None: 0."""
        ...

    @property
    def seat_depth(self) -> float | None:
        """m, of the recess behind the throat plane; None: 0."""
        ...

    @property
    def seat_bolt_circle(self) -> float | None:
        """m, diameter."""
        ...

    @property
    def seat_bolts(self) -> int | None:
        """How many; None: 0."""
        ...

    @property
    def seat_hole_diameter(self) -> float | None:
        """m; None: DEFAULT_HOLE."""
        ...

    @property
    def seat_hole_depth(self) -> float | None:
        """m; None: DEFAULT_HOLE_DEPTH."""
        ...

    @property
    def rebate_width(self) -> float | None:
        """m."""
        ...

    @property
    def rebate_depth(self) -> float | None:
        """m."""
        ...

    @property
    def edge_radius(self) -> float | None:
        """m."""
        ...

    @property
    def front_bolts(self) -> int | None:
        """How many holes the front has; None: 0."""
        ...

    @property
    def front_bolt_inset(self) -> float | None:
        """m; None: DEFAULT_INSET."""
        ...

    @property
    def front_screw(self) -> str | None:
        """One of SCREWS; None: `front_hole_diameter` is given."""
        ...

    @property
    def front_hole_diameter(self) -> float | None:
        """m; None: of the screw."""
        ...

    @property
    def front_countersunk(self) -> bool | None:
        """Whether the screw's head is; None: not."""
        ...


def features_of(solid: SolidFeatures, process: Process | None = None) -> Features:
    """What is cut from the part: rebate and edge as the design states; its seat, else the process', else none."""
    own = _own_seat(solid)
    fallback = DriverSeat() if process is None else process.seat
    return Features(
        seat=fallback if own is None else own,
        rebate_width=solid.rebate_width or 0.0,
        rebate_depth=solid.rebate_depth or 0.0,
        edge_radius=solid.edge_radius or 0.0,
        front=_front(solid),
    )


def _front(solid: SolidFeatures) -> FrontHoles:
    if not solid.front_bolts:
        return FrontHoles()
    screw = solid.front_screw or ""
    clearance, head = SCREWS.get(screw, (0.0, 0.0))
    return FrontHoles(
        count=solid.front_bolts,
        inset=DEFAULT_INSET if solid.front_bolt_inset is None else solid.front_bolt_inset,
        diameter=clearance if solid.front_hole_diameter is None else solid.front_hole_diameter,
        countersink=head if solid.front_countersunk else 0.0,
        screw=screw,
    )


def _own_seat(solid: SolidFeatures) -> DriverSeat | None:
    if solid.seat is False:
        return DriverSeat()
    if solid.seat_diameter is None:
        return None
    return DriverSeat(
        diameter=solid.seat_diameter + 2.0 * (solid.seat_clearance or 0.0),
        depth=solid.seat_depth or 0.0,
        bolt_circle=solid.seat_bolt_circle or 0.0,
        bolts=solid.seat_bolts or 0,
        hole_diameter=DEFAULT_HOLE if solid.seat_hole_diameter is None else solid.seat_hole_diameter,
        hole_depth=DEFAULT_HOLE_DEPTH if solid.seat_hole_depth is None else solid.seat_hole_depth,
        stated="[solid] seat_",
        depth_fixed=solid.seat_hole_depth is not None,
    )


def features_words(features: Features, process: Process, *, body: bool = False) -> list[str]:
    """What of a part is in no program of its process for want of a tool, and in no other file either, for the set-up;
    empty if all of it is. body : it stands free, and has no holes in its front.
    """
    if process.makes_programs:
        return [*_unturned(features, process, body=body), *_unmade(features, process)]
    if "pattern" in process.makes:
        return _uncast(features)
    return _rim_words(features, "is in no file to be cut") if "sheets" in process.makes else []


def _unturned(features: Features, process: Process, *, body: bool) -> list[str]:
    """The outside and the back."""
    milled, words = "mill_programs" in process.makes, list[str]()
    outside = process.profile_tool if milled else process.outside_tool
    seat = process.seat_tool if milled else process.back_tool
    lacking = [*([] if outside else ["the outside"]), *([] if features.seat.is_cut and seat else ["the back face"])]
    if not (features.front.count or body):
        lacking.append("any holes of the front that only the drawing has")
    if lacking:
        what = " and ".join(filter(None, [", ".join(lacking[:-1]), lacking[-1]]))
        words.append(f"in no program, but on the drawing: {what}")
    if features.seat.is_cut and not seat:
        words.append("the driver's seat in the back is in no program: cut it by the drawing")
    return words


def _unmade(features: Features, process: Process) -> list[str]:
    """Holes and the front's rim."""
    words, milled = list[str](), "mill_programs" in process.makes
    if features.seat.is_cut and features.seat.bolts and not milled and process.back_tool:
        words.append(
            "the driver's holes are in no program: a lathe drills none off its axis. Drill them by the drawing"
        )
    if features.front.count and not milled:
        words.append("the front's holes are in no program: drill them by the drawing")
    rim_tool = process.edge_tool if features.edge_radius > 0.0 else process.rebate_tool
    cut = (process.profile_tool and rim_tool) if milled else process.outside_tool
    return words if cut else [*words, *_rim_words(features, "is in no program")]


def _uncast(features: Features) -> list[str]:
    words, seat = list[str](), features.seat
    if seat.is_cut:
        holes = ", and drill its holes" if seat.bolts else ""
        words.append(
            f"the driver's seat is cast with metal to machine, or not at all: machine it{holes} by the drawing"
        )
    if features.front.count:
        words.append("the front's holes are not cast: drill them by the drawing")
    return [*words, *_rim_words(features, "is not cast")]


def _rim_words(features: Features, why: str) -> list[str]:
    if features.edge_radius > 0.0:
        return [f"the front's edge {why}: round it to {mm(features.edge_radius)} mm"]
    if features.has_rim:
        wide, deep = mm(features.rebate_width), mm(features.rebate_depth)
        return [f"the rebate round the front {why}: cut it {wide} mm wide and {deep} mm deep, to the baffle at hand"]
    return []
