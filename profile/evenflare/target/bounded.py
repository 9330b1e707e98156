"""Bounds of a target that no member of a family can keep: told with what its members have, before a search."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from evenflare.units import MILLIMETRE
from evenflare.waveguide import Bound, Kept, Limits, Oblong, Parameter, ParameterSpace, Shape, Waveguide, family, kept
from evenflare.waveguide.limits import Range
from evenflare.waveguide.oblong import PLANES

TRIED = 24
"""Members of a family, of any size and form that the limits allow, by which a bound is judged."""


def bounds_fault(spaces: Sequence[ParameterSpace]) -> str | None:
    """What is wrong where the bounds of parameters fix a size twice, or families have no member that keeps one.

    It says what their members have and what to change. A bound counts as one that nobody keeps if none of TRIED members
    does, though each is the nearest to it that there is.
    spaces : of the families that take part, within the same limits.
    """
    for space in spaces:
        for plane in PLANES if space.limits.oblong else ("",):
            if found := _fixed_twice(space, plane):
                return found
    members = {space.family: [kept(waveguide, space.limits) for waveguide in _members(space)] for space in spaces}
    limits = spaces[0].limits
    for bound in limits.bounds:
        if without := [space for space in spaces if _no_member(space, bound, members[space.family])]:
            return _kept_by_none(without, bound)
    return None


def _fixed_twice(space: ParameterSpace, plane: str) -> str | None:
    fixed = [each for each in space.steered(plane) if each.bound.fixed]
    moved = space.free_size(plane)
    sizes = [] if moved else _fixed_sizes(space.limits, plane)
    if not fixed or (moved and len(fixed) < 2):
        return None
    stated = [*sizes, *(_stated(space.limits, each.parameter, each.bound) for each in fixed)]
    first = fixed[0].parameter
    return (
        f"{', '.join(stated[:-1])} and {stated[-1]}: fix a shape of family {space.family} more than once, whose"
        f" {first.key} follows from depth and mouth: there it is {_found_words(space, first, plane)}. Give one of them"
        f" a range [lowest, greatest], or leave {space.family} out of [search] families"
    )


def _no_member(space: ParameterSpace, bound: Bound, members: Sequence[Mapping[str, Kept]]) -> bool:
    """Whether a family has the parameter of a bound, and none of the members keeps it."""
    parameter = _parameter(space, bound.key)
    name = f"{bound.plane}_{bound.key}" if bound.plane else bound.key
    if parameter is None or not members or any(each[name].excess <= 0.0 for each in members):
        return False
    if parameter.count is None:
        return True
    low, high = _found(space, parameter, bound.plane)  # nothing steers a list: others than those tried may keep it
    return not (bound.low <= high and low <= bound.high)


def _kept_by_none(spaces: Sequence[ParameterSpace], bound: Bound) -> str:
    limits, names = spaces[0].limits, [space.family for space in spaces]
    sizes = [_range(key, ends) for key, ends in _sizes(limits).items()]
    parameters = [parameter for space in spaces if (parameter := _parameter(space, bound.key))]
    found = [
        f"{_found_words(space, parameter, bound.plane)} ({space.family})"
        for space, parameter in zip(spaces, parameters, strict=True)
    ]
    listed = " and ".join([", ".join(names[:-1]), names[-1]] if names[1:] else names)
    return (
        f"{_stated(limits, parameters[0], bound)}: no shape of famil{'ies' if names[1:] else 'y'} {listed} keeps it"
        f" within {', '.join(sizes[:-1])} and {sizes[-1]}, where it is {', '.join(found)}. Change it or one of those,"
        f" or leave {listed} out of [search] families"
    )


def _parameter(space: ParameterSpace, key: str) -> Parameter | None:
    return next((each for each in family(space.family).boundable if each.key == key), None)


def _found_words(space: ParameterSpace, parameter: Parameter, plane: str) -> str:
    """What members of the family within the other limits have of a parameter."""
    ends = sorted(parameter.number(value, space.limits.air) for value in _found(space, parameter, plane))
    low, high = (f"{end:.3g}" for end in ends)
    return low if low == high else f"about {low} to {high}"


def _found(space: ParameterSpace, parameter: Parameter, plane: str) -> Range:
    """The same in SI."""
    of, free = family(space.family), replace(space, limits=replace(space.limits, bounds=()))
    values = [
        value
        for waveguide in _members(free)
        for value in of.found(parameter, _wall(waveguide, plane), space.driver.exit_radius)
    ]
    return min(values), max(values)


def _members(space: ParameterSpace) -> list[Waveguide]:
    found = []
    size = len(space.names)
    vectors = [np.zeros(size), np.ones(size), *np.random.default_rng(1).random((TRIED, size))]
    for vector in vectors if size else vectors[:1]:
        try:
            waveguide = space.waveguide(vector)
            kept(waveguide, space.limits)
        except ValueError:  # no such shape
            continue
        found.append(waveguide)
    return found


def _wall(waveguide: Waveguide, plane: str) -> Shape:
    shape = waveguide.shape
    if not isinstance(shape, Oblong):
        return shape
    return shape.vertical if plane == "vertical" else shape.horizontal


def _sizes(limits: Limits) -> dict[str, Range]:
    """Ranges of depth and mouth, m, by key."""
    if not limits.oblong:
        return {"depth_mm": limits.depth, "mouth_diameter_mm": limits.mouth[0]}
    return {"depth_mm": limits.depth, "mouth_width_mm": limits.mouth[0], "mouth_height_mm": limits.mouth[1]}


def _fixed_sizes(limits: Limits, plane: str) -> list[str]:
    other = {"horizontal": "mouth_height_mm", "vertical": "mouth_width_mm"}.get(plane)
    return [_range(key, ends) for key, ends in _sizes(limits).items() if ends[0] == ends[1] and key != other]


def _range(key: str, ends: Range) -> str:
    return f"{key} = {_ends([f'{end / MILLIMETRE:g}' for end in ends])}"


def _ends(numbers: list[str]) -> str:
    return numbers[0] if numbers[0] == numbers[1] else f"[{', '.join(numbers)}]"


def _stated(limits: Limits, parameter: Parameter, bound: Bound) -> str:
    """A bound as the file states it."""
    low, high = sorted(parameter.number(end, limits.air) for end in (bound.low, bound.high))
    key = f"{bound.plane}.{bound.key}" if bound.plane else bound.key
    return f"{key} = {_ends([f'{low:.6g}', f'{high:.6g}'])}"
