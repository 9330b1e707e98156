"""A design solved: by the method whose answer counts, by the other one to compare, and in other mountings."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenflare import radiation
from evenflare.commands.comparing import design_like
from evenflare.commands.remarks import check_solvable, faults_of
from evenflare.design.file import Design, read_design
from evenflare.directivity.types import Directivity, in_directions
from evenflare.files import InputError
from evenflare.radiation import method_for
from evenflare.target.target import Target

if TYPE_CHECKING:
    from evenflare.studies.agreement import Agreement
    from evenflare.studies.cabinet import CabinetEffect

NO_JUDGE = "in a cabinet each method solves by itself: --method boundary_elements asks for the judge"
ONLY_JUDGE = (
    "the march takes an oblong body for a sphere, and is no second opinion on it: boundary elements alone have looked"
)
NO_TIME = "no time was left to compare the methods and other mountings: evenflare solve does, on the same design"
ONLY_MARCH = "only the march serves a waveguide that is not round: no second method has looked at this one"


@dataclass(frozen=True)
class SolvedDesign:
    """A design's sound.

    directivity : as its file asks for it, and
    all_round   : also from where a balloon needs it.
    seconds     : that solving these took.
    agreement   : both methods on it, None where they were not compared, which
    alone       : says why, in words; else empty.
    cabinet     : the same waveguide in other mountings, None where that is not shown.
    """

    directivity: Directivity
    all_round: Directivity
    seconds: float
    agreement: Agreement | None = None
    alone: str = ""
    cabinet: CabinetEffect | None = None

    @property
    def warnings(self) -> list[str]:
        """What a user must see before anything else."""
        return [self.agreement.warning] if self.agreement and self.agreement.warning else []

    @property
    def record(self) -> dict[str, Any]:
        """How the methods agree, in plain values for provenance."""
        compared = {"within": None, "why": self.alone} if self.agreement is None else self.agreement.record
        return {"agreement": compared, "warnings": self.warnings}


def solved(
    path: Path,
    design: Design,
    setting: radiation.Setting,
    method: radiation.Method,
    progress: radiation.Done | None = None,
) -> Directivity:
    """`radiation.solve`, with what the design of the file `path` asks for in vain told as an error of the input."""
    in_a_body = design.waveguide.mounting.kind in ("cabinet", "free_standing")
    if method == "boundary_elements" and not (design.waveguide.is_round or in_a_body):
        raise InputError(
            f"{path}: --method = boundary_elements: must be march for a waveguide that is not round, in a baffle. Leave"
            " it out"
        )
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        return radiation.solve(design, method=method, setting=setting, progress=progress)


def heard(
    path: Path,
    design: Design,
    setting: radiation.Setting,
    method: radiation.Method | None = None,
    *,
    target: Target | None = None,
    comparing: bool = True,
    progress: radiation.Done | None = None,
) -> SolvedDesign:
    """`solved`, seen from all round in one go; at an exact setting by the other method and in other mountings too.

    method : None for the one that solves the design's mounting as it is.
    target : in whose range of frequencies the methods must agree.
    comparing : False where there is no time for that.
    """
    from evenflare.studies.directions import dense

    chosen = method or method_for(design.waveguide.mounting)
    start = time.monotonic()
    everywhere = replace(design, observation=dense(design.observation))
    all_round = solved(path, everywhere, setting, chosen, progress)
    sound = SolvedDesign(in_directions(all_round, design.observation), all_round, time.monotonic() - start)
    if not comparing:
        return replace(sound, alone=NO_TIME)
    if design.waveguide.mounting.cabinet is not None:
        from evenflare.studies.cabinet import cabinet_effect

        return replace(sound, alone=NO_JUDGE, cabinet=cabinet_effect(everywhere))
    if design.waveguide.oblong_body is not None:
        from evenflare.studies.cabinet import cabinet_effect

        return replace(sound, alone=ONLY_JUDGE, cabinet=cabinet_effect(everywhere))
    if not design.waveguide.is_round:
        return replace(sound, alone=ONLY_MARCH)
    if setting == "estimate":
        return replace(sound, alone="a first look is not worth comparing: solve at screen or full")
    return _compared(sound, everywhere, chosen, target)


def _compared(sound: SolvedDesign, design: Design, method: radiation.Method, target: Target | None) -> SolvedDesign:
    """With the other method's answer, and other mountings'. `design` is observed as the sound is from all round."""
    from evenflare.studies.agreement import compared, other_method
    from evenflare.studies.cabinet import cabinet_effect

    cabinet = cabinet_effect(design)
    try:
        agreement = compared(design, sound.all_round, method, target=target)
    except (ValueError, ArithmeticError) as error:
        other = other_method(method).replace("_", " ")
        return replace(sound, alone=f"{other} cannot solve it: {error}", cabinet=cabinet)
    return replace(sound, agreement=agreement, cabinet=cabinet)


def method_warnings(path: Path, method: radiation.Method | None) -> list[str]:
    """What is to be said of a method asked for by name, before it solves the design of the file `path`."""
    if method != "march" or method_for(read_design(path).waveguide.mounting) == "march":
        return []
    return [
        f'{path} [mounting] kind = "free_standing": the march takes the body for a sphere that meets the mouth\'s rim.'
        " Leave --method out, or name boundary_elements, to have the body solved as it is"
    ]


def found_lines(sound: SolvedDesign) -> list[str]:
    """By which method, how exact, and over which frequencies; and how the other method agrees."""
    from evenflare.studies.agreement import METHODS
    from evenflare.studies.trust import errors_at_most, valid_words

    found = sound.directivity
    lines = [f"Method: {METHODS[found.provenance['method']]}, valid {valid_words(found)}"]
    if found.error_estimate is None:
        off = ", several dB off at high frequency" if found.provenance["method"] == "march" else ""
        lines.append(f"Error not estimated at this setting: a first look{off}")
    else:
        lines.append(f"Estimated error: {errors_at_most(found)}")
    for key in ("cabinet", "body", "approximation"):
        if key in found.provenance:
            lines.append(f"{found.provenance[key][0].upper()}{found.provenance[key][1:]}")
    return lines + agreement_lines(sound)


def agreement_lines(sound: SolvedDesign) -> list[str]:
    """How the methods agree, or why they were not compared."""
    from evenflare.studies.trust import valid_words

    if sound.agreement is None:
        return [f"Not compared: {sound.alone}"] if sound.alone else []
    both = sound.agreement
    return [
        f"Both methods: {both.measured}",
        f"Valid: the march {valid_words(both.march)}, boundary elements {valid_words(both.boundary_elements)}",
    ]


@dataclass(frozen=True)
class Needs:
    """What solving takes.

    memory  : bytes; 0 for next to nothing.
    seconds : (F,) about, at each frequency where that is worth saying, else empty, and
    unknowns: at the highest.
    """

    memory: int = 0
    seconds: tuple[float, ...] = ()
    unknowns: int = 0


def needs(
    path: Path, setting: radiation.Setting, method: radiation.Method | None, *, like: Path | None = None
) -> Needs:
    """Of a design. like : a measurement whose observation it takes."""
    from evenflare.radiation.march import memory_needed
    from evenflare.radiation.standing import CELLS, top_frequency

    design, cores = design_like(path, like), os.cpu_count() or 1
    chosen = method or method_for(design.waveguide.mounting)
    stands = design.waveguide.oblong_body is not None
    judged = chosen == "boundary_elements" and (stands or design.waveguide.mounting.cabinet is not None)
    if design.waveguide.is_round and not judged:
        return Needs()
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        marched = 0
        if not judged or stands:
            marched = memory_needed(design.waveguide, design.observation, design.air, setting=setting, cores=cores)
        if not judged:
            return Needs(marched)
        from evenflare.radiation.angles import resolving
        from evenflare.radiation.effort import effort
        from evenflare.studies.directions import dense

        seen = resolving(design.waveguide, dense(design.observation), design.air)
        if stands:
            solved = seen.frequency < top_frequency(design.waveguide, design.air, setting)
            if not solved.any():
                return Needs(marched)
            seen, setting = replace(seen, frequency=seen.frequency[solved]), CELLS[setting]
        found = effort(design.waveguide, seen, design.air, setting=setting, cores=cores)
        return Needs(max(found.memory, marched), tuple(found.seconds.tolist()), found.unknowns)
