"""The search's view of a family: a vector on [0, 1] to a waveguide, and back.

Every family but points starts with depth, mouth and roundover, so that a target's limits are the bounds and almost
every vector is a waveguide that keeps them. Where a family has no member of that depth and mouth, the vector gives
the nearest one. An oblong waveguide has one depth, and mouth, roundover and the rest for each of its planes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide.catalogue import family
from evenflare.waveguide.driver import Driver
from evenflare.waveguide.families import Shape
from evenflare.waveguide.family import Family, Size
from evenflare.waveguide.limits import Limits, Range
from evenflare.waveguide.meridian import Meridian
from evenflare.waveguide.nearest import Moved, Steered, member, nearest_member
from evenflare.waveguide.oblong import PLANES, Oblong
from evenflare.waveguide.sections import ELLIPSE, EXPONENTS, Superellipse
from evenflare.waveguide.surface import Surface
from evenflare.waveguide.waveguide import Mounting, Waveguide

LARGEST_ROUNDOVER = 0.45
"""As a share of the smaller of the largest depth and the largest mouth radius."""
STEEPEST = 90 * DEGREE
"""Greatest angle that a free wall ends at, before its roundover."""
STEEPEST_OBLONG = 88 * DEGREE
"""Of a free wall of an oblong waveguide, which has to advance along the axis. Its roundover goes on to 90 degrees."""


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
        plane and for the vertical one with the plane before the name, then section_exponent. What the limits fix, and
        what is solved for so that a fixed bound is kept, is not among them.
        """
        return tuple(self._varied)

    def free_size(self, plane: str = "") -> Moved | None:
        """What of a plane's size gives way to bounds: the mouth, or, where that is fixed, the depth of a round one."""
        low, high = self._plane(plane)["mouth_radius"]
        if high > low:
            return "mouth"
        return "depth" if not self.limits.oblong and self.limits.depth[1] > self.limits.depth[0] else None

    def steered(self, plane: str = "") -> tuple[Steered, ...]:
        """Bounds in a plane on what the family's size decides; those on lists are only looked at."""
        return self._steered[plane]

    @cached_property
    def _steered(self) -> dict[str, tuple[Steered, ...]]:
        found = {}
        for plane in self._planes:
            own = {"depth", *self._plane(plane)}
            known = {each.key: each for each in self._of.boundable if each.name not in own and each.count is None}
            bounds = self.limits.bounds_in(plane)
            found[plane] = tuple(Steered(known[key], bound) for key, bound in bounds.items() if key in known)
        return found

    @cached_property
    def _of(self) -> Family:
        return family(self.family)

    def _mouth_radius(self, mouth: Range) -> Range:
        return max(0.5 * mouth[0], 1.05 * self.driver.exit_radius), 0.5 * mouth[1]

    def _plane(self, plane: str) -> dict[str, Range]:
        """Bounds of one meridian's parameters: the limits' where they have some, else what is usual."""
        return self._ranges[plane]

    @cached_property
    def _ranges(self) -> dict[str, dict[str, Range]]:
        return {plane: self._ranges_in(plane) for plane in self._planes}

    def _ranges_in(self, plane: str) -> dict[str, Range]:
        limits, of = self.limits, self._of
        radius = self._mouth_radius(limits.mouth[PLANES.index(plane) if plane else 0])
        usual = {
            "mouth_radius": radius,
            "roundover_radius": (0.0, LARGEST_ROUNDOVER * min(limits.depth[1], radius[1])),
            **of.ranges(limits, self.driver),
        }
        bounds = limits.bounds_in(plane)
        given = {each.name: bounds[each.key] for each in of.parameters if each.key in bounds and each.name in usual}
        return usual | {name: (bound.low, bound.high) for name, bound in given.items()}

    @property
    def _planes(self) -> tuple[str, ...]:
        return PLANES if self.limits.oblong else ("",)

    @property
    def bounds(self) -> Mapping[str, Range]:
        """In SI, of every parameter by name, also of one that has a single value or is solved for."""
        return self._bounds

    @cached_property
    def _bounds(self) -> dict[str, Range]:
        """Of every parameter, also of one that has a single value."""
        limits, bounds = self.limits, {"depth": self.limits.depth}
        for plane in self._planes:
            bounds |= {_named(plane, name): bound for name, bound in self._plane(plane).items()}
        return bounds | ({"section_exponent": limits.section_exponent} if limits.oblong else {})

    @cached_property
    def _varied(self) -> dict[str, Range]:
        """Of those that a vector holds."""
        solved = set()
        for plane in self._planes:
            moved = self.free_size(plane)
            if moved and any(each.bound.fixed for each in self.steered(plane)):
                solved.add("depth" if moved == "depth" else _named(plane, "mouth_radius"))
        return {name: ends for name, ends in self._bounds.items() if ends[1] > ends[0] and name not in solved}

    def waveguide(self, vector: FloatArray) -> Waveguide:
        """The waveguide of a vector (n,) on [0, 1]. ValueError if there is none."""
        values = {name: 0.5 * (low + high) for name, (low, high) in self._bounds.items()}
        if self._varied:
            low, high = np.array(list(self._varied.values())).T
            varied = low + np.clip(vector, 0.0, 1.0) * (high - low)
            values |= dict(zip(self._varied, varied.tolist(), strict=True))
        if not self.limits.oblong:
            return Waveguide(self._member(values, ""), self.driver, self.mounting)
        horizontal, vertical = (self._member(values, plane) for plane in PLANES)
        return Waveguide(
            Oblong(horizontal, vertical, Superellipse(values["section_exponent"])), self.driver, self.mounting
        )

    def _member(self, values: Mapping[str, float], plane: str) -> Shape:
        """The shape of a plane's values."""
        of, depth = self._of, values["depth"]
        mouth, roundover, *extra = (values[_named(plane, name)] for name in self._plane(plane))
        steepest = STEEPEST_OBLONG if self.limits.oblong else STEEPEST
        size = Size(self.driver.exit_radius, depth, mouth, roundover, steepest)
        steered, moved = self.steered(plane), self.free_size(plane)
        if not steered or moved is None:
            return member(of, size, extra)
        within = self.limits.depth if moved == "depth" else self._bounds[_named(plane, "mouth_radius")]
        return nearest_member(of, size, extra, steered, moved=moved, within=within)

    def vector(self, waveguide: Waveguide) -> FloatArray:
        """The vector (n,) whose waveguide is this one, or for "free" the nearest with the knots at hand.

        A parameter outside the bounds is put on them. A space of oblong waveguides takes a round one too, as one whose
        planes are alike. TypeError for an oblong waveguide in a space of round ones.
        """
        values = self.values(waveguide)
        found = [min(max((values[name] - low) / (high - low), 0.0), 1.0) for name, (low, high) in self._varied.items()]
        return np.array(found, dtype=np.float64)

    def values(self, waveguide: Waveguide) -> dict[str, float]:
        """In SI, what a waveguide has of the vector's `names`, within the bounds or not. Errors as `vector`."""
        shape, values = waveguide.shape, {"depth": waveguide.depth}
        if isinstance(shape, Oblong) and not self.limits.oblong:
            raise TypeError("an oblong waveguide has no vector in a space of round ones")
        for plane in self._planes:
            wall, meridian = (
                (getattr(shape, plane), getattr(waveguide.surface, plane))
                if isinstance(shape, Oblong)
                else (shape, waveguide.meridian)
            )
            own = self._plane(plane)
            values |= dict(zip((_named(plane, name) for name in own), self._values(wall, meridian), strict=True))
        if "section_exponent" in self._varied:
            values["section_exponent"] = ELLIPSE if waveguide.is_round else _exponent(waveguide.surface)
        return {name: values[name] for name in self._varied}

    def _values(self, shape: Shape, meridian: Meridian) -> list[float]:
        roundover = float(getattr(shape, "roundover_radius", 0.0))
        return [meridian.mouth_radius, roundover, *self._of.values(shape, meridian)]


def _named(plane: str, name: str) -> str:
    return f"{plane}_{name}" if plane else name


def _exponent(surface: Surface) -> float:
    """Of the mouth; of a rounded rectangle's that of the superellipse through the same point of the diagonal."""
    diagonal = surface.factor(*(np.array([value]) for value in (*surface.mouth, 0.25 * math.pi)))
    return math.log(2.0) / (0.5 * math.log(2.0) - math.log(float(diagonal[0])))
