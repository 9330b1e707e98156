"""Geometric limits of a waveguide as signed numbers: at or below zero they are kept."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide.measures import Measures, Place, measures
from evenflare.waveguide.waveguide import Waveguide

Range = tuple[float, float]
"""Low and high."""


@dataclass(frozen=True)
class Limits:
    """What a shape must keep to: ranges (low, high) and bounds, in m and rad.

    mouth_diameter            : of round waveguides; and of an oblong one in both planes where it has no own ranges.
    mouth_width, mouth_height : of oblong waveguides, both or neither; they make the limits those of oblong ones.
    section_exponent          : of the mouth of an oblong waveguide; no depth may be above the range either. A rounded
                                rectangle has none.
    smallest_concave_radius   : of any part concave seen from the air; the cutter's radius must be below it.
    greatest_wall_angle       : of the wall against the axis; above 90 degrees a pattern does not draw.
    smallest_draft            : of the wall against the axis, for a pattern to draw; 0 asks for none.
    throat_angle              : range of the wall's angle at the throat.
    throat_diameter_mismatch  : between throat and driver exit.
    throat_angle_mismatch     : between the wall at the throat and the driver exit's half-angle, either way.
    Errors                    : ValueError if a mouth's range is missing.
    """

    depth: Range = (0.010, 1.0)
    mouth_diameter: Range | None = (0.020, 2.0)
    smallest_concave_radius: float = 0.0
    greatest_wall_angle: float = 90 * DEGREE
    throat_angle: Range = (0.0, 60 * DEGREE)
    throat_diameter_mismatch: float = 0.2e-3
    throat_angle_mismatch: float = 90 * DEGREE
    mouth_width: Range | None = None
    mouth_height: Range | None = None
    section_exponent: Range = (2.0, 2.0)
    smallest_draft: float = 0.0

    def __post_init__(self) -> None:
        if (self.mouth_width is None) != (self.mouth_height is None):
            missing = "mouth_width_mm" if self.mouth_width is None else "mouth_height_mm"
            raise ValueError(
                f"{missing} is missing: mouth_width_mm and mouth_height_mm belong together. Add it, or write"
                " mouth_diameter_mm for a round mouth"
            )
        if self.mouth_width is None and self.mouth_diameter is None:
            raise ValueError(
                "the mouth has no limits: must have mouth_diameter_mm, or mouth_width_mm and mouth_height_mm. Add them"
            )

    @property
    def oblong(self) -> bool:
        """Whether they are limits of oblong waveguides."""
        return self.mouth_width is not None

    @property
    def mouth(self) -> tuple[Range, Range]:
        """m, of its width and of its height; for a round one the diameter twice."""
        width, height = self.mouth_width or self.mouth_diameter, self.mouth_height or self.mouth_diameter
        assert width is not None  # __post_init__ has seen to it
        assert height is not None
        return width, height


def limit_excess(waveguide: Waveguide, limits: Limits) -> dict[str, float]:
    """By how much each limit is broken, by name, in the unit of the name; at or below zero it is kept.

    A round waveguide within limits for round ones has `mouth_diameter_mm`, any other `mouth_width_mm` and
    `mouth_height_mm`; `section_exponent` is there for superelliptic sections, `smallest_draft_deg` where one is asked.
    """
    return {name: excess for name, (excess, _) in _checked(waveguide, limits).items()}


def limit_places(waveguide: Waveguide, limits: Limits) -> dict[str, Place]:
    """Where on the wall each limit's worst value is, by the limit's name."""
    return {name: place for name, (_, place) in _checked(waveguide, limits).items()}


def _checked(waveguide: Waveguide, limits: Limits) -> dict[str, tuple[float, Place]]:
    """Excess and place of each limit."""
    found, driver = measures(waveguide), waveguide.driver
    throat, rim = Place(0.0), Place(found.depth)
    across = [None, None] if waveguide.is_round else [0.0, 90 * DEGREE]
    mismatch = abs(found.throat_diameter - 2 * driver.exit_radius)
    outside = [_outside(angle, limits.throat_angle) for angle in found.throat_angles]
    corners = [abs(angle - driver.exit_half_angle) for angle in found.throat_angles]
    outmost, sharpest = outside.index(max(outside)), corners.index(max(corners))
    checked = {
        "depth_mm": (_outside(found.depth, limits.depth) / MILLIMETRE, rim),
        **_mouth(found, limits, waveguide),
        "smallest_concave_radius_mm": (
            (limits.smallest_concave_radius - found.smallest_concave_radius) / MILLIMETRE,
            found.places["smallest_concave_radius_mm"],
        ),
        "greatest_wall_angle_deg": (
            (found.greatest_angle - limits.greatest_wall_angle) / DEGREE - 1e-6,
            found.places["greatest_wall_angle_deg"],
        ),
        "smallest_wall_angle_deg": (
            -found.smallest_angle / DEGREE - 1e-6,
            found.places["smallest_wall_angle_deg"],
        ),
        "throat_angle_deg": (outside[outmost] / DEGREE - 1e-6, Place(0.0, across[outmost])),
        "throat_diameter_mismatch_mm": ((mismatch - limits.throat_diameter_mismatch) / MILLIMETRE, throat),
        "throat_angle_mismatch_deg": (
            (corners[sharpest] - limits.throat_angle_mismatch) / DEGREE - 1e-6,
            Place(0.0, across[sharpest]),
        ),
    }
    if limits.smallest_draft > 0.0:
        draft = (limits.smallest_draft - found.smallest_angle) / DEGREE - 1e-6
        checked["smallest_draft_deg"] = draft, found.places["smallest_draft_deg"]
    return checked


def _mouth(found: Measures, limits: Limits, waveguide: Waveguide) -> dict[str, tuple[float, Place]]:
    width, height = limits.mouth
    if waveguide.is_round and not limits.oblong:
        return {"mouth_diameter_mm": (_outside(found.mouth_diameter, width) / MILLIMETRE, Place(found.depth))}
    checked = {
        "mouth_width_mm": (_outside(found.mouth_width, width) / MILLIMETRE, Place(found.depth, 0.0)),
        "mouth_height_mm": (_outside(found.mouth_height, height) / MILLIMETRE, Place(found.depth, 90 * DEGREE)),
    }
    if not waveguide.is_round and found.section_exponent is not None:
        low, high = limits.section_exponent
        mouth, largest = found.section_exponent
        checked["section_exponent"] = max(low - mouth, largest - high) - 1e-9, Place(found.depth)
    return checked


def _outside(value: float, allowed: Range) -> float:
    """How far a value lies outside a range; below zero inside, the distance to the nearer end."""
    return max(allowed[0] - value, value - allowed[1]) - 1e-12
