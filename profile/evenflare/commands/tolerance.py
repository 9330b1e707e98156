"""What `tolerance` does: how far a wall may lie from the drawn one, and whether a process keeps that."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenflare import files
from evenflare.commands.remarks import check_solvable, faults_of
from evenflare.commands.written import Findings
from evenflare.design.file import Design, design_id, read_design
from evenflare.files import InputError
from evenflare.radiation import solver
from evenflare.units import BoolArray
from evenflare.waveguide.accuracy import Accuracy
from evenflare.waveguide.deviated import WallDeviation

if TYPE_CHECKING:
    from evenflare.directivity.types import Observation
    from evenflare.studies.sensitivity import WallBench
    from evenflare.target.target import Target

PAGE = "report.html"
UNITS, OBLONG_UNITS = 200, 40
"""Drawn of a process where nobody says how many."""
SEED = 1
HIGHEST = 16000.0
"""Hz, beyond which the index is not looked at unless asked: few hear that, and every wall fails there."""


@dataclass(frozen=True)
class ToleranceRequest:
    """What is asked of a wall.

    within  : dB, of the directivity index.
    target  : whose frequencies are looked at, and whose score; None: the design's own frequencies.
    process : name or path; None: worst case alone.
    length  : m, correlation length, instead of the process's.
    share   : of units that must keep.
    units   : how many to draw; None: UNITS or OBLONG_UNITS.
    highest : Hz.
    """

    within: float
    target: Path | None = None
    process: str | None = None
    length: float | None = None
    share: float = 0.95
    units: int | None = None
    highest: float = HIGHEST


@dataclass(frozen=True)
class ToleranceFound:
    """What was found, and whether the process keeps it."""

    findings: Findings
    keeps: bool


def tolerance_command(
    path: Path, folder: Path, asked: ToleranceRequest, *, command: str, progress: Callable[[str, int, int], None]
) -> ToleranceFound:
    """Work out the tolerance of a design and write everything into `folder`, all or nothing.

    progress : called with what is solved, how many are done, and of how many.
    Errors   : InputError if a file, or what is asked for, is at fault.
    """
    from evenflare.report.waveguide import tolerance as words
    from evenflare.results import tolerance as results
    from evenflare.studies.costs import costs, of_tilt
    from evenflare.studies.exact_slopes import slopes_apart
    from evenflare.studies.sensitivity import sensitivity
    from evenflare.studies.tolerance import CORRELATION_LENGTH, band
    from evenflare.studies.units import spread_of

    design, process, accuracy = read_design(path), "", None
    if asked.process is not None:
        process, accuracy = _process(asked.process)
    length = asked.length or (accuracy.correlation_length if accuracy else CORRELATION_LENGTH)
    around = accuracy is None or accuracy.around == "independent"

    def solving(what: str) -> Callable[[int, int], None]:
        return lambda done, total: progress(what, done, total)

    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        bench, method = _bench(path, design, asked)
        found = sensitivity(bench, progress=solving("walls for slopes"))
        known, apart, askew = costs(found, length, around=around), slopes_apart(bench, found), None
        try:
            tilt, askew = of_tilt(bench)
            known = sorted([*known, tilt], key=lambda each: -each.most)
        except ValueError as error:
            found = replace(found, left_out={**found.left_out, "tilt": str(error)})
        limits = band(
            bench,
            found,
            asked.within,
            length=length,
            around=around,
            draw=None if accuracy is None else _drawing(accuracy, design),
            share=asked.share,
            progress=solving("walls at the band's edge"),
        )
        spread = None
        count = asked.units if asked.units is not None else UNITS if design.waveguide.is_round else OBLONG_UNITS
        if accuracy is not None and count:
            units = _units(accuracy, design, SEED, count)
            spread = spread_of(bench, found, units, asked.within, progress=solving("units"))
    done = results.Toleranced(
        design.name,
        design_id(design),
        process,
        asked.share,
        method,
        found,
        limits,
        tuple(known),
        spread,
        apart,
        askew,
    )
    with files.together():
        written = results.write(folder, done)
        page = words.page(done, design.waveguide, folder, written=written, command=command)
        files.write_text(folder / PAGE, page)
    written.append((PAGE, "all of it on one page"))
    lines = [*words.answer(done), *words.notes(done)]
    warnings = [] if accuracy is None or not accuracy.source else [f"accuracy of {process}: {accuracy.source}"]
    return ToleranceFound(Findings(lines, written, warnings), done.keeps)


def _process(name: str) -> tuple[str, Accuracy]:
    """A process's name and accuracy. InputError if its file says none."""
    from evenflare.manufacture.process.file import read_process

    process = read_process(name)
    if process.accuracy is None:
        raise InputError(
            f"--process {name}: has no [accuracy], which says how true it leaves a wall. Add wall_spread_mm and"
            " correlation_length_mm there, or leave --process out for the worst case alone"
        )
    return process.name, process.accuracy


def _units(accuracy: Accuracy, design: Design, seed: int, count: int) -> Sequence[WallDeviation]:
    from evenflare.waveguide.scatter import units

    return units(accuracy, design.waveguide, seed=seed, count=count)


def _drawing(accuracy: Accuracy, design: Design) -> Callable[[int, int], Sequence[WallDeviation]]:
    """Draws walls that scatter by 1 mm as a process's do, and have no other error."""
    alone = Accuracy(
        spread=1e-3, correlation_length=accuracy.correlation_length, around=accuracy.around, source=accuracy.source
    )
    return lambda seed, count: _units(alone, design, seed, count)


def _bench(path: Path, design: Design, asked: ToleranceRequest) -> tuple[WallBench, str]:
    """The design on the bench, at frequencies that are looked at and valid; and how it is solved, in words."""
    from evenflare.studies.sensitivity import bench_for

    target, observation, low, high = _heard(design, asked)
    frequency = observation.frequency
    nominal = solver("full", cores=os.cpu_count() or 1)(design.waveguide, observation, design.air)
    counted: BoolArray = nominal.valid & (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
    if not counted.any():
        raise InputError(
            f"{path}: none of its frequencies from {low:g} to {high:g} Hz can be looked at. Ask for others in"
            " [analysis], or raise --to-hz"
        )
    bench = bench_for(design.waveguide, observation, design.air, counted=counted, target=target)
    error = nominal.error_estimate
    method = "Solved by the march at full, its elements as short as the waves of the wall ask for"
    if error is not None:
        method += f"; its own error of the index is at most {float(error[counted].max()):.2g} dB, of changes far less"
    if design.waveguide.mounting.kind == "free_standing":
        method += "; it takes the body for a sphere"
    left = int((nominal.valid == 0)[(frequency >= low) & (frequency <= high)].sum())
    return bench, method + (f"; {left} frequencies are left out, where it is not valid" if left else "")


def _heard(design: Design, asked: ToleranceRequest) -> tuple[Target | None, Observation, float, float]:
    """The target, where the design is heard, and from which frequency to which, Hz, it counts."""
    from evenflare.objective import search_observation
    from evenflare.radiation.angles import resolving
    from evenflare.target.target import read_target

    if asked.target is None:
        seen = resolving(design.waveguide, design.observation, design.air)
        low_enough = seen.frequency <= asked.highest * (1 + 1e-9)
        if low_enough.any():  # the others need not be solved
            seen = replace(seen, frequency=seen.frequency[low_enough])
        return None, seen, 0.0, asked.highest
    target = read_target(asked.target)
    if not target.oblong and not design.waveguide.is_round:
        raise InputError(
            f"{asked.target} [limits]: is for round waveguides, and {design.name} is not round. Name a target with"
            " mouth_width_mm and mouth_height_mm"
        )
    seen = search_observation(target)
    high = min(float(np.max(target.frequency)), asked.highest)
    return target, seen, float(target.frequency[0]), high
