"""Geometric limits of a waveguide: what a shape must keep to."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.air import Air
from evenflare.units import DEGREE

Range = tuple[float, float]
"""Low and high."""


@dataclass(frozen=True)
class Bound:
    """Of a parameter that some families have, by the key of files: low and high in SI, equal where it is fixed.

    plane : "horizontal" or "vertical" of an oblong waveguide; empty for both, and for a round one.
    """

    key: str
    low: float
    high: float
    plane: str = ""

    @property
    def fixed(self) -> bool:
        """Whether there is one value only."""
        return self.low == self.high


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
    bounds                    : of what else families have, each kept by those that have it, see `Family.boundable`.
    air                       : in which a cutoff counts.
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
    bounds: tuple[Bound, ...] = ()
    air: Air = Air()

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

    def bounds_in(self, plane: str) -> dict[str, Bound]:
        """By key those of a plane; its own before those of both. plane : empty for a round waveguide."""
        return {each.key: each for at in ("", plane) for each in self.bounds if each.plane == at}
