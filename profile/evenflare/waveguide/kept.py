"""How a waveguide keeps limits, as signed numbers: at or below zero a limit is kept."""

from __future__ import annotations

import math
from typing import NamedTuple

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide.catalogue import families, family
from evenflare.waveguide.family import Parameter
from evenflare.waveguide.limits import Bound, Limits, Range
from evenflare.waveguide.measures import Measures, Place, measures
from evenflare.waveguide.oblong import PLANES, Oblong
from evenflare.waveguide.waveguide import Waveguide

ROUNDING = 1e-9
"""m; a size that is fixed is met to this, which no shop measures."""
SAME_BOUND = 1e-9
"""Of a bounded parameter: what rounding from unit to unit, and a root, may leave."""


class Kept(NamedTuple):
    """A limit held against a shape, in the unit of the limit's name.

    value     : of the shape, where it is worst.
    low, high : what is allowed; None where it ends nowhere.
    excess    : by how much the limit is broken; at or below zero it is kept.
    place     : where on the wall.
    """

    value: float
    low: float | None
    high: float | None
    excess: float
    place: Place

    @property
    def kept(self) -> bool:
        """Whether it is."""
        return self.excess <= 0.0


def limit_excess(waveguide: Waveguide, limits: Limits) -> dict[str, float]:
    """By how much each limit is broken, by name, in the unit of the name; at or below zero it is kept. See `kept`."""
    return {name: each.excess for name, each in kept(waveguide, limits).items()}


def limit_places(waveguide: Waveguide, limits: Limits) -> dict[str, Place]:
    """Where on the wall each limit's worst value is, by the limit's name."""
    return {name: each.place for name, each in kept(waveguide, limits).items()}


def kept(waveguide: Waveguide, limits: Limits) -> dict[str, Kept]:
    """Every limit held against a shape, by name.

    A round waveguide within limits for round ones has `mouth_diameter_mm`, any other `mouth_width_mm` and
    `mouth_height_mm`; `section_exponent` is there for superelliptic sections, `smallest_draft_deg` where one is asked.
    A bound of a parameter is there, by the parameter's key, for shapes of families that have it; one of a single plane
    has the plane before it.
    """
    found, driver = measures(waveguide), waveguide.driver
    throat, rim = Place(0.0), Place(found.depth)
    across = [None, None] if waveguide.is_round else [0.0, 90 * DEGREE]
    mismatch = abs(found.throat_diameter - 2 * driver.exit_radius)
    outside = [_outside(angle, limits.throat_angle) for angle in found.throat_angles]
    corners = [abs(angle - driver.exit_half_angle) for angle in found.throat_angles]
    outmost, sharpest = outside.index(max(outside)), corners.index(max(corners))
    checked = {
        "depth_mm": _size(found.depth, limits.depth, rim),
        **_mouth(found, limits, waveguide),
        "smallest_concave_radius_mm": Kept(
            found.smallest_concave_radius / MILLIMETRE,
            limits.smallest_concave_radius / MILLIMETRE,
            None,
            (limits.smallest_concave_radius - found.smallest_concave_radius) / MILLIMETRE,
            found.places["smallest_concave_radius_mm"],
        ),
        "greatest_wall_angle_deg": _angle(
            found.greatest_angle, None, limits.greatest_wall_angle, found.places["greatest_wall_angle_deg"]
        ),
        "smallest_wall_angle_deg": _angle(found.smallest_angle, 0.0, None, found.places["smallest_wall_angle_deg"]),
        "throat_angle_deg": _angle(found.throat_angles[outmost], *limits.throat_angle, Place(0.0, across[outmost])),
        "throat_diameter_mismatch_mm": Kept(
            mismatch / MILLIMETRE,
            None,
            limits.throat_diameter_mismatch / MILLIMETRE,
            (mismatch - limits.throat_diameter_mismatch) / MILLIMETRE,
            throat,
        ),
        "throat_angle_mismatch_deg": _angle(
            corners[sharpest], None, limits.throat_angle_mismatch, Place(0.0, across[sharpest])
        ),
    }
    if limits.smallest_draft > 0.0:
        at = found.places["smallest_draft_deg"]
        checked["smallest_draft_deg"] = _angle(found.smallest_angle, limits.smallest_draft, None, at)
    return checked | _bounded(waveguide, limits)


def _mouth(found: Measures, limits: Limits, waveguide: Waveguide) -> dict[str, Kept]:
    width, height = limits.mouth
    if waveguide.is_round and not limits.oblong:
        return {"mouth_diameter_mm": _size(found.mouth_diameter, width, Place(found.depth))}
    checked = {
        "mouth_width_mm": _size(found.mouth_width, width, Place(found.depth, 0.0)),
        "mouth_height_mm": _size(found.mouth_height, height, Place(found.depth, 90 * DEGREE)),
    }
    if not waveguide.is_round and found.section_exponent is not None:
        low, high = limits.section_exponent
        mouth, largest = found.section_exponent
        excess = max(low - mouth, largest - high) - 1e-9
        checked["section_exponent"] = Kept(mouth if mouth < low else largest, low, high, excess, Place(found.depth))
    return checked


def _bounded(waveguide: Waveguide, limits: Limits) -> dict[str, Kept]:
    """The bounds that the shape's family, or those of its planes, have."""
    if not limits.bounds:
        return {}
    shape, radius = waveguide.shape, waveguide.driver.exit_radius
    walls = (
        {"": shape}
        if not isinstance(shape, Oblong)
        else dict(zip(PLANES, (shape.horizontal, shape.vertical), strict=True))
    )
    checked: dict[str, Kept] = {}
    for plane, wall in walls.items():
        if wall.family not in families():
            continue
        of, azimuth = family(wall.family), {"": None, "horizontal": 0.0, "vertical": 90 * DEGREE}[plane]
        known = {each.key: each for each in of.boundable}
        for key, bound in limits.bounds_in(plane).items():
            if key not in known:
                continue
            name = f"{bound.plane}_{key}" if bound.plane else key
            for value in of.found(known[key], wall, radius):
                held = _held(known[key], value, bound, limits, Place(waveguide.depth, azimuth))
                checked[name] = max(checked.get(name, held), held, key=lambda each: each.excess)
    return checked


def _held(parameter: Parameter, value: float, bound: Bound, limits: Limits, place: Place) -> Kept:
    number = parameter.number(value, limits.air)
    low, high = sorted(parameter.number(end, limits.air) for end in (bound.low, bound.high))
    return Kept(number, low, high, max(low - number, number - high) - SAME_BOUND * max(1.0, abs(low), abs(high)), place)


def _size(value: float, allowed: Range, place: Place) -> Kept:
    low, high = (end / MILLIMETRE for end in allowed)
    return Kept(value / MILLIMETRE, low, high, (_outside(value, allowed) - ROUNDING) / MILLIMETRE, place)


def _angle(value: float, low: float | None, high: float | None, place: Place) -> Kept:
    """A millionth of a degree is given away, so that a limit that is met exactly is kept."""
    ends = -math.inf if low is None else low, math.inf if high is None else high
    least, most = (None if end is None else end / DEGREE for end in (low, high))
    return Kept(value / DEGREE, least, most, _outside(value, ends) / DEGREE - 1e-6, place)


def _outside(value: float, allowed: Range) -> float:
    """How far a value lies outside a range; below zero inside, the distance to the nearer end."""
    return max(allowed[0] - value, value - allowed[1])
