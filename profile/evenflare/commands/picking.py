"""A candidate of a search as a design."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenflare.commands.observing import winner_observation
from evenflare.design.file import Design, write_design
from evenflare.search.picked import Picked, picked
from evenflare.target.copied import copied_target
from evenflare.target.target import Target, read_target
from evenflare.text import added


@dataclass(frozen=True)
class PickedDesign:
    """What `pick` wrote: the design of a candidate."""

    picked: Picked
    design: Design


def pick_command(run: Path, number: int | None, out: Path, *, target: Path | None = None) -> PickedDesign:
    """`pick`: write a candidate of the run in `run` as a design file; without a number the best.

    target : the run's target file, where the folder holds no copy of it.
    """
    wanted = read_target(copied_target(run) if target is None else target)
    found = picked(run, wanted, number)
    design = candidate_design(wanted, found)
    write_design(design, out)
    return PickedDesign(found, design)


def candidate_design(target: Target, found: Picked) -> Design:
    """The design of a candidate."""
    waveguide = found.waveguide
    name = added(target.name, f": candidate {found.number}")
    return Design(name, waveguide, target.air, winner_observation(target, waveguide))
