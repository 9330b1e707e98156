"""What a search can trade for what: its front as a table, a picture, and designs of its ends and its knee."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare import files
from evenflare.commands.written import Findings, Written
from evenflare.design.file import Design, default_observation, write_design
from evenflare.files import InputError, check_folder
from evenflare.results import front as tables
from evenflare.results.binding import lines as binding_lines
from evenflare.search import ParetoFront, front_of, history_rows, jobs
from evenflare.search.worker import waveguide_of
from evenflare.target.target import Target, read_target
from evenflare.text import added
from evenflare.words import spoken

__all__ = ["BINDING", "binding_lines", "front_command", "front_text", "write_front"]

TABLE, PICTURE, DESIGNS = "front.csv", "front.png", "front"
BINDING = "binding.csv"
SAME = 1e-6
"""Relative difference of a parameter up to which a shape is the one that a run solved: its own rounding is 1e-16."""


def front_text(run: Path, *, names: Sequence[str], stage: str | None, target_path: Path | None, command: str) -> str:
    """`front` without a folder: the table. InputError where a target is given, which only designs need."""
    if target_path is not None:
        raise InputError(f"--target = {target_path}: is for the designs, which go with --out FOLDER. Add it")
    front = front_of(history_rows(run), names, stage=stage)
    return tables.csv_text(front, header=_header(run, command))


def front_command(
    run: Path, folder: Path, *, names: Sequence[str], stage: str | None, target_path: Path | None, command: str
) -> Findings:
    """`front`: table and picture of a run's front, and with its target designs, in a folder."""
    check_folder(folder)
    front = front_of(history_rows(run), names, stage=stage)
    target = None if target_path is None else read_target(target_path)
    with files.together():
        return Findings(tables.lines(front), write_front(front, run, folder, target=target, command=command))


def write_front(front: ParetoFront, run: Path, folder: Path, *, target: Target | None, command: str) -> Written:
    """Table and picture of a front, and with the run's target a design of each end and the knee."""
    from evenflare.report.kit import canvas
    from evenflare.report.waveguide.front import figure

    designs = {} if target is None else _designs(front, run, target)
    files.write_text(folder / TABLE, tables.csv_text(front, header=_header(run, command)))
    canvas.save(figure(front), folder / PICTURE)
    written = [
        (TABLE, "candidates that none beats in " + tables.names_words(front)),
        (PICTURE, "the same, among all that keep the limits"),
    ]
    for name, design in designs.items():
        write_design(design, folder / DESIGNS / f"{name}.toml")
        member = front.marked[name]
        written.append((f"{DESIGNS}/{name}.toml", f"number {member.number}: {tables.values_words(front, member)}"))
    return written


def _header(run: Path, command: str) -> list[str]:
    return [f"the front of the search in {run}, by evenflare", f"made by: {command}"]


def _designs(front: ParetoFront, run: Path, target: Target) -> dict[str, Design]:
    """By point. InputError where the target gives other shapes than the run has solved."""
    marked = front.marked
    asked = jobs(run, [each.number for each in marked.values()])
    found = {}
    for name, member in marked.items():
        waveguide = waveguide_of(target, *asked[member.number][0][:2])
        known = asked[member.number][1].parameters
        sizes = {"depth_mm": waveguide.depth, "mouth_diameter_mm": waveguide.mouth_width}
        if any(not np.isclose(1e3 * size, known[key], rtol=SAME) for key, size in sizes.items() if key in known):
            raise InputError(
                f"{target.source}: candidate {member.number} of {run} has another shape within its [limits]: must be"
                " the target that the run searched for. Name that one, or leave --target out"
            )
        words = f": {spoken(name)}, number {member.number}"
        found[name] = Design(added(target.name, words), waveguide, target.air, default_observation(waveguide))
    return found
