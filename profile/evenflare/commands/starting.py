"""What a search is told to begin from: designs, runs and their candidates, and points, as members of its families."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from evenflare.design.file import read_design
from evenflare.design.walls import csv_points, faults_at, in_metres, points_wall
from evenflare.files import InputError, is_file, is_folder, short
from evenflare.search.picked import picked
from evenflare.search.starts import Start, start_at
from evenflare.search.store import STORE
from evenflare.search.worker import Job
from evenflare.target.copied import COPY, copied_target
from evenflare.target.target import Target, read_target
from evenflare.waveguide import Shape, Waveguide
from evenflare.waveguide.profile import divided
from evenflare.waveguide.vertices import CORNER

BEST = "best.toml"
NUMBERED = "#"
"""Between a run's folder and a candidate's number."""


def starts_of(target: Target, paths: Sequence[Path]) -> tuple[Start, ...]:
    """Each path's shape as a member of the target's families, in order; those that are one member count once.

    A path is a design (TOML), points (CSV with z_mm and r_mm), a run's folder, its best, or RUN#17, its candidate 17.
    Errors: InputError that lists what is wrong with each.
    """
    found, faults = dict[tuple[str, tuple[float, ...]], Start](), list[str]()
    for path in paths:
        try:
            given, candidate = shape_at(path)
            start = start_at(target, given, name=str(path), like=candidate)
        except InputError as error:
            faults.append(str(error))
            continue
        found.setdefault((start.family, start.vector), start)
    if faults:
        raise InputError("\n".join(faults))
    return tuple(found.values())


def shape_at(path: Path) -> tuple[Waveguide, Job | None]:
    """The waveguide that a path of --from names, and which candidate it is, if one. InputError if there is none."""
    folder, sign, number = str(path).rpartition(NUMBERED)
    if sign and not is_file(path) and not is_folder(path) and is_folder(Path(folder)):
        if not number.isdecimal():
            raise InputError(
                f"--from {short(str(path))}: must have a candidate's number after {NUMBERED}, as in {short(folder)}#17."
                f" evenflare history {short(folder)} lists them"
            )
        return _of_run(Path(folder), int(number))
    if is_folder(path):
        return _of_run(path, None)
    if not is_file(path):
        raise InputError(
            f"--from {short(str(path))}: is not there. Name a design (TOML), points (CSV), a run's folder, or a"
            " candidate of one, as in RUN#17"
        )
    is_table = path.suffix.lower() == ".csv"
    return Waveguide(_points(path)) if is_table else read_design(path).waveguide, None


def _of_run(folder: Path, number: int | None) -> tuple[Waveguide, Job | None]:
    if not is_file(folder / STORE):
        raise InputError(
            f"--from {short(str(folder))}: holds no search ({STORE} is missing). Name a run's folder, or a design in it"
        )
    if number is None and is_file(folder / BEST) and not is_file(folder / COPY):
        return read_design(folder / BEST).waveguide, None
    found = picked(folder, read_target(copied_target(folder)), number)
    return found.waveguide, found.job


def _points(file: Path) -> Shape:
    """The wall through the points of a CSV; where they run round a body to the axis, the part up to the mouth."""
    rows = csv_points(file, to_axis=True)
    if not rows or rows[-1][1] != 0.0:
        return points_wall(rows, CORNER, 0.0, where=str(file))
    with faults_at(str(file)):
        return divided(np.array(in_metres(rows)))[0]
