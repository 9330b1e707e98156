"""What limits a search though nobody asked for it: told before it begins, and counted when it ends."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import ParameterSpace, families, family
from evenflare.waveguide.limits import Range
from evenflare.waveguide.members import CURVATURE_KNOTS


class Assumption(NamedTuple):
    """Something that the target leaves open.

    key   : in [limits] or [search] that would say it; empty where no key does.
    words : what is assumed.
    limit : of `limit_excess`, by which it rejects candidates; empty where the search stays within it.
    """

    key: str
    words: str
    limit: str = ""


class Rejected(NamedTuple):
    """How many candidates break a limit, and how many of them no other."""

    candidates: int
    alone: int


def assumptions(target: Target) -> list[Assumption]:
    """What is assumed where a target's file leaves keys out, in the order of the file."""
    limits, out = target.limits, target.left_out
    throat, steepest = limits.throat_angle, limits.greatest_wall_angle
    apart = limits.throat_angle_mismatch
    known = [
        Assumption("section_exponent", f"{limits.section_exponent[0]:g}, an ellipse", "section_exponent"),
        Assumption("throat_angle_deg", f"{_span(throat, DEGREE)}, of the wall at the throat", "throat_angle_deg"),
        Assumption(
            "throat_angle_mismatch_deg",
            f"up to {apart / DEGREE:g}, between wall and exit",
            "throat_angle_mismatch_deg",
        ),
        Assumption("greatest_wall_angle_deg", f"{steepest / DEGREE:g}, of the wall", "greatest_wall_angle_deg"),
    ]
    found = [each for each in known if each.key in out and (target.oblong or each.key != "section_exponent")]
    found += [Assumption(key, words) for key, words in _searched(target).items()]
    mismatch = limits.throat_diameter_mismatch / MILLIMETRE
    found += [
        Assumption("", f"the throat is as wide as the exit, to {mismatch:g} mm", "throat_diameter_mismatch_mm"),
        Assumption("", "no wall turns back toward the axis", "smallest_wall_angle_deg"),
    ]
    if "free" in target.families:
        found.append(Assumption("", f"a free curve has {CURVATURE_KNOTS} knots of curvature, none of them negative"))
    if "families" in out:
        found.append(Assumption("families", f"all, {', '.join(families())}"))
    return found


def _searched(target: Target) -> dict[str, str]:
    """Ranges that the search keeps to where the target bounds no parameter, in words by key."""
    bounded = {each.key for each in target.limits.bounds}
    found: dict[str, str] = {}
    for name in target.families:
        space, of = ParameterSpace(name, target.limits, target.driver, target.mounting), family(name)
        keys = {each.name: each for each in of.parameters}
        for variable, ends in space.bounds.items():
            parameter = keys.get(variable.removeprefix("horizontal_").removeprefix("vertical_"))
            # Depth and throat angle have limits of their own.
            if parameter is None or parameter.name in ("depth", "throat_angle") or parameter.key in bounded:
                continue
            low, high = sorted(parameter.number(end, target.air) for end in ends)
            found.setdefault(parameter.key, f"{low:.4g} to {high:.4g}")
    return found


def rejections(broken: Iterable[Mapping[str, float]]) -> dict[str, Rejected]:
    """By limit how many candidates break it. broken : excess by limit of each candidate, as `limit_excess`."""
    counts, alone = Counter[str](), Counter[str]()
    for each in broken:
        names = [name for name, excess in each.items() if excess > 0.0]
        counts.update(names)
        alone.update(names if len(names) == 1 else [])
    return {name: Rejected(count, alone[name]) for name, count in counts.items()}


def assumed_line(target: Target) -> str:
    """All of it in one line, for before a search."""
    words = "; ".join(f"{each.key} {each.words}" if each.key else each.words for each in assumptions(target))
    return f"Assumed, since {target.source} does not say: {words}"


def rejected_lines(target: Target, found: Mapping[str, Rejected], candidates: int) -> list[str]:
    """What assumed limits rejected, a sentence each without its full stop; none where they rejected nothing."""
    return [
        f"{each.key or each.limit} was assumed ({each.words}) and rejected {found[each.limit].candidates} of"
        f" {candidates} candidates, {found[each.limit].alone} by itself"
        + (f". Write {each.key} in [limits] if it should be otherwise" if each.key else "")
        for each in assumptions(target)
        if each.limit in found
    ]


def _span(ends: Range, unit: float) -> str:
    return f"{ends[0] / unit:g} to {ends[1] / unit:g}"
