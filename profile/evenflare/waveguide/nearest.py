"""The member of a family that keeps bounds on what follows from its size: the nearest to a size asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal, NamedTuple, cast

from scipy.optimize import brentq

from evenflare.waveguide import members
from evenflare.waveguide.families import SMALLEST_ROUNDOVER, Shape
from evenflare.waveguide.family import END_ANGLE, Family, Parameter, Size
from evenflare.waveguide.limits import Bound, Range

Moved = Literal["depth", "mouth"]
"""What of a size gives way to a bound."""


class Steered(NamedTuple):
    """A bound on what a family's size decides, and the parameter that it bounds."""

    parameter: Parameter
    bound: Bound


def member(of: Family, size: Size, extra: Sequence[float]) -> Shape:
    """The family's shape of that size, or the nearest; its roundover at most what leaves some wall before it.

    extra : further values, as in the family's `ranges`.
    """
    roundover = min(size.roundover, members.ROUNDED * size.depth, members.ROUNDED * (size.mouth - size.exit_radius))
    return of.member(replace(size, roundover=0.0 if roundover < SMALLEST_ROUNDOVER else roundover), extra)


def nearest_member(
    of: Family, size: Size, extra: Sequence[float], steered: Sequence[Steered], *, moved: Moved, within: Range
) -> Shape:
    """The shape of the size that is nearest to the one asked for and keeps the bounds.

    moved  : what of the size gives way, `within` a range (m). What a bound is on rises or falls with it all the way.
    Where no size within the range keeps a bound, the end that comes nearest; where they contradict each other, the
    last counts.
    """
    shape = member(of, size, extra)
    for parameter, bound in steered:
        value = of.found(parameter, shape, size.exit_radius)[0]
        wanted = min(max(value, bound.low), bound.high)
        if value == wanted:
            continue

        def excess(at: float, size: Size = size, parameter: Parameter = parameter, wanted: float = wanted) -> float:
            there = member(of, replace(size, **{moved: at}), extra)
            return of.found(parameter, there, size.exit_radius)[0] - wanted

        ends = excess(within[0]), excess(within[1])
        if ends[0] * ends[1] > 0.0:
            place = within[0] if abs(ends[0]) <= abs(ends[1]) else within[1]
        else:
            place = within[0] if ends[0] == 0.0 else float(brentq(excess, *within, xtol=1e-15))
        size = replace(size, **{moved: place})
        shape = member(of, size, extra)
        if ends[0] * ends[1] <= 0.0 and parameter is not END_ANGLE and bound.fixed and parameter in of.parameters:
            shape = replace(cast(Any, shape), **{parameter.name: bound.low})  # what the root left: its last digit
    return shape
