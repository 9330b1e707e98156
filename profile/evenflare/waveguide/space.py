"""The search's view of a family: a vector on [0, 1] to a waveguide, and back.

Every family but points starts with depth, mouth and roundover, so that a target's limits are the bounds and almost
every vector is a waveguide that keeps them. Where a family has no member of that depth and mouth, the vector gives
the nearest one. An oblong waveguide has one depth, and mouth, roundover and the rest for each of its planes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.catalogue import family, member
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import Shape
from evenflare.waveguide.family import Size
from evenflare.waveguide.limits import Limits, Range
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.sections import ELLIPSE, EXPONENTS, Superellipse
from evenflare.waveguide.surface import Surface
from evenflare.waveguide.waveguide import Mounting, Waveguide

LARGEST_ROUNDOVER = 0.45
"""As a share of the smaller of the largest depth and the largest mouth radius."""
STEEPEST = 90 * DEGREE
"""Greatest angle that a free wall ends at, before its roundover."""
STEEPEST_OBLONG = 88 * DEGREE
"""Of a free wall of an oblong waveguide, which has to advance along the axis. Its roundover goes on to 90 degrees."""
PLANES = ("horizontal", "vertical")


@dataclass(frozen=True)
class ParameterSpace:
    """The members of one family within limits: round waveguides, or oblong ones where the limits are theirs.

    family : one of `families`; of an oblong waveguide, in both planes.
    Errors : ValueError for any other, for limits without a mouth wider than the exit, and for oblong waveguides in
             a mounting other than baffle or cabinet or with exponents that no section has.
    """

    family: str
    limits: Limits
    driver: Driver = Driver()
    mounting: Mounting = Mounting()

    def __post_init__(self) -> None:
        family(self.family)
        for mouth, name in zip(self.limits.mouth, ("width", "height"), strict=True):
            narrowest, widest = self._mouth_radius(mouth)
            if widest < narrowest:
                words = f"largest mouth {name}" if self.limits.oblong else "largest mouth"
                raise ValueError(
                    f"the {words}, {2 * widest / MILLIMETRE:g} mm, must be at least"
                    f" {2 * narrowest / MILLIMETRE:g} mm: wider than the driver's exit. Raise it"
                )
        if not self.limits.oblong:
            return
        (low, high), exponents = EXPONENTS, self.limits.section_exponent
        if not low <= exponents[0] <= exponents[1] <= high:
            raise ValueError(
                f"section_exponent = [{exponents[0]:g}, {exponents[1]:g}]: must rise within {low:g} to {high:g}."
                " Correct it"
            )
        if self.mounting.kind == "sphere":
            raise ValueError(
                '[mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for mouths that are not'
                " round. Change it, or give mouth_diameter_mm instead of mouth_width_mm and mouth_height_mm"
            )

    @property
    def names(self) -> tuple[str, ...]:
        """Of the parameters, in the vector's order.

        Round: depth, mouth_radius, roundover_radius, and the family's own. Oblong: depth, then these for the horizontal
        plane and for the vertical one with the plane before the name, then section_exponent if its range has a width.
        """
        return tuple(self._bounds)

    def _mouth_radius(self, mouth: Range) -> Range:
        return max(0.5 * mouth[0], 1.05 * self.driver.exit_radius), 0.5 * mouth[1]

    def _plane(self, mouth: Range) -> dict[str, Range]:
        """Bounds of one meridian's parameters."""
        limits, radius = self.limits, self._mouth_radius(mouth)
        bounds = {
            "mouth_radius": radius,
            "roundover_radius": (0.0, LARGEST_ROUNDOVER * min(limits.depth[1], radius[1])),
        }
        return {**bounds, **family(self.family).ranges(limits, self.driver)}

    @property
    def _bounds(self) -> dict[str, Range]:
        limits, bounds = self.limits, {"depth": self.limits.depth}
        if not limits.oblong:
            return bounds | self._plane(limits.mouth[0])
        for plane, mouth in zip(PLANES, limits.mouth, strict=True):
            bounds |= {f"{plane}_{name}": bound for name, bound in self._plane(mouth).items()}
        if limits.section_exponent[1] > limits.section_exponent[0]:
            bounds["section_exponent"] = limits.section_exponent
        return bounds

    def waveguide(self, vector: FloatArray) -> Waveguide:
        """The waveguide of a vector (n,) on [0, 1]. ValueError if there is none."""
        low, high = np.array(list(self._bounds.values())).T
        depth, *rest = (low + np.clip(vector, 0.0, 1.0) * (high - low)).tolist()
        values = iter(rest)
        if not self.limits.oblong:
            return Waveguide(self._member(depth, values), self.driver, self.mounting)
        horizontal, vertical = self._member(depth, values), self._member(depth, values)
        section = Superellipse(next(values, self.limits.section_exponent[0]))
        return Waveguide(Oblong(horizontal, vertical, section), self.driver, self.mounting)

    def _member(self, depth: float, values: Iterator[float]) -> Shape:
        """The shape of the next plane's values."""
        mouth, roundover, *extra = (next(values) for _ in self._plane(self.limits.mouth[0]))
        steepest = STEEPEST_OBLONG if self.limits.oblong else STEEPEST
        return member(family(self.family), Size(self.driver.exit_radius, depth, mouth, roundover, steepest), extra)

    def vector(self, waveguide: Waveguide) -> FloatArray:
        """The vector (n,) whose waveguide is this one, or for "free" the nearest with the knots at hand.

        A parameter outside the bounds is put on them. A space of oblong waveguides takes a round one too, as one whose
        planes are alike. TypeError for an oblong waveguide in a space of round ones.
        """
        shape, values = waveguide.shape, [waveguide.depth]
        if isinstance(shape, Oblong) and self.limits.oblong:
            surface = waveguide.surface
            values += self._values(shape.horizontal, surface.horizontal)
            values += self._values(shape.vertical, surface.vertical)
        elif isinstance(shape, Oblong):
            raise TypeError("an oblong waveguide has no vector in a space of round ones")
        else:
            values += self._values(shape, waveguide.meridian) * (2 if self.limits.oblong else 1)
        if "section_exponent" in self._bounds:
            values.append(ELLIPSE if waveguide.is_round else _exponent(waveguide.surface))
        low, high = np.array(list(self._bounds.values())).T
        span = np.where(high > low, high - low, 1.0)
        return np.asarray(np.clip((np.array(values) - low) / span, 0.0, 1.0))

    def _values(self, shape: Shape, meridian: Meridian) -> list[float]:
        roundover = float(getattr(shape, "roundover_radius", 0.0))
        return [meridian.mouth_radius, roundover, *family(self.family).values(shape, meridian)]


def _exponent(surface: Surface) -> float:
    """Of the mouth; of a rounded rectangle's that of the superellipse through the same point of the diagonal."""
    diagonal = surface.factor(*(np.array([value]) for value in (*surface.mouth, 0.25 * math.pi)))
    return math.log(2.0) / (0.5 * math.log(2.0) - math.log(float(diagonal[0])))
