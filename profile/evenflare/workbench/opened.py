"""What a path that is opened holds: a design, a target, or a run with both."""

from __future__ import annotations

from pathlib import Path

from evenflare.commands.observing import winner_observation
from evenflare.design.file import MINIMAL, Design, design_of, design_toml
from evenflare.files import InputError, is_file, is_folder, names_in
from evenflare.schema import parsed
from evenflare.search.store import STORE
from evenflare.search.worker import waveguide_of
from evenflare.target.copied import copied_target
from evenflare.target.target import Target, target_of
from evenflare.waveguide import ParameterSpace
from evenflare.workbench.answers import Told
from evenflare.workbench.draft import EditedFile
from evenflare.workbench.workbench import Workbench


def opened(path: Path, told: Told, *, target: Path | None = None) -> Workbench:
    """A workbench for a design, a target or a run's folder. InputError if it is none of these, or at fault.

    target : for a design; a run has its own.
    """
    if is_folder(path):
        if STORE not in names_in(path):
            raise InputError(
                f"{path}: holds no search ({STORE} is missing). Name a design, a target, or the folder of a run"
            )
        wanted = EditedFile(copied_target(path) if target is None else target, target_of)
        best = path / "best.toml"
        design = EditedFile(best, design_of) if is_file(best) else None
        return Workbench(path, told, design=design, target=wanted, run=path)
    data = parsed(path, minimal=MINIMAL)
    if "wanted" in data:
        wanted = EditedFile(path, target_of)
        return Workbench(path.parent, told, design=_first_shape(wanted, path.parent), target=wanted, run=None)
    if target is None and "waveguide" not in data:
        raise InputError(
            f"{path}: has neither [waveguide] nor [wanted]: must be a design, a target, or the folder of a run. Name"
            " one"
        )
    design = EditedFile(path, design_of)
    return Workbench(
        path.parent, told, design=design, target=None if target is None else EditedFile(target, target_of), run=None
    )


def _first_shape(wanted: EditedFile[Target], folder: Path) -> EditedFile[Design] | None:
    """A shape to begin from: in the middle of what the first family of a target that has one may be."""
    target = wanted.value
    for family in target.families:
        space = ParameterSpace(family, target.limits, target.driver, target.mounting)
        try:
            waveguide = waveguide_of(target, family, (0.5,) * len(space.names))
            observed = winner_observation(target, waveguide)
            text = design_toml(Design(f"{target.name}: first shape", waveguide, target.air, observed))
        except (ValueError, InputError):
            continue
        name = "shape.toml"
        number = 1
        while is_file(folder / name):
            number += 1
            name = f"shape_{number}.toml"
        return EditedFile(folder / name, design_of, text=text)
    return None
