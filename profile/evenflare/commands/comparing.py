"""What `compare`, `spread` and `solve --like` do: files around the comparison of directivities."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files
from evenflare.air import Air
from evenflare.commands.written import Findings
from evenflare.design.driver import check_covered
from evenflare.design.file import Design, read_design
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.directivity.types import for_symmetry
from evenflare.files import InputError
from evenflare.measurement.sides import TO_MODEL, Kind, sides_of
from evenflare.metrics import SAME_ANGLE

if TYPE_CHECKING:
    from evenflare.measurement.compare import Reference
    from evenflare.measurement.spread import Spread

LIKE: dict[Kind, str] = {
    "measured_predicted": "Solve the design as it was measured: evenflare solve DESIGN.toml --like {} --out FOLDER",
    "predictions": "Solve the second design as the first was: evenflare solve DESIGN.toml --like {} --out FOLDER",
    "measurements": "Measure both from the same place, or hold each against a prediction of its own: evenflare solve"
    " DESIGN.toml --like {} --out FOLDER",
}
"""Remedies where two cannot be compared."""
WINNER = "best"
"""Of a search's folder, where its winner is."""
MEASURE_ALIKE = "Measure every unit from the same place"


@dataclass(frozen=True, kw_only=True)
class Compared(Findings):
    """Besides, whether it is within the tolerance asked for."""

    within: bool


def compare_command(
    first_path: Path,
    second_path: Path,
    folder: Path,
    *,
    tolerance: float | None,
    reference: Reference,
    command: str,
) -> Compared:
    """Compare two directivities and write everything into `folder`, all or nothing.

    A measurement comes before a prediction, in whatever order they are named.
    first_path, second_path : folders or SOFA files; of a search's folder, its winner is meant.
    tolerance : dB, None for no verdict, which counts as within.
    Errors    : InputError if a file is at fault, or the two cannot be compared, with the remedy.
    """
    from evenflare.measurement.compare import compare
    from evenflare.measurement.read_off import ReadOff
    from evenflare.report.kit import sheet
    from evenflare.report.measurement import comparison as words
    from evenflare.report.measurement import comparison_figures
    from evenflare.results import comparison

    paths = _winner_of(first_path), _winner_of(second_path)
    _check_apart(folder, [first_path, second_path, *paths])
    measured, predicted = (read_directivity(path) for path in paths)
    sides, changed = sides_of(measured, predicted)
    if changed:
        measured, predicted = predicted, measured
    try:
        found = compare(measured.directivity, predicted.directivity, reference=reference, sides=sides)
    except ValueError as error:
        remedy = LIKE[sides.kind].format(measured.path)
        raise InputError(f"{measured.path} and {predicted.path}: {error}. {remedy}") from error
    read = ReadOff(found)
    drawn = comparison_figures.pictures(found, read, tolerance=tolerance)
    written = [
        ("comparison.json", "every figure of agreement, over all, by band and by plane"),
        ("deviation.csv", f"{', '.join(sides.names)} and deviation over frequency and direction"),
        ("report.html", "all of it on one page, opens anywhere"),
        *((name, "picture") for name in drawn),
    ]
    with files.together():
        comparison.write(folder, found, read, measured, predicted, tolerance=tolerance)
        text = words.page(
            found,
            read,
            measured,
            predicted,
            tolerance=tolerance,
            shown=sheet.saved(drawn, folder, lambda name: words.caption(name, sides)),
            written=written,
            command=command,
        )
        files.write_text(folder / "report.html", text)
    return Compared(
        [
            *words.lines(found, read, measured, predicted, tolerance=tolerance),
            comparison.normalisation(found),
            *([] if sides == TO_MODEL and not changed else [words.told(sides, measured, predicted)]),
        ],
        written,
        comparison.warnings(found, measured, predicted),
        within=tolerance is None or found.within(tolerance),
    )


def _winner_of(path: Path) -> Path:
    """A search's folder holds no directivity of its own, but that of its winner."""
    winner = path / WINNER
    return winner if not (path / "directivity.csv").exists() and (winner / "directivity.csv").exists() else path


def _check_apart(folder: Path, sources: Sequence[Path]) -> None:
    """InputError if the results would lie among what is compared."""
    for each in sources:
        if os.path.realpath(each) == os.path.realpath(folder):
            raise InputError(f"--out {folder}: is a folder that is compared. Choose another one")


def spread_command(unit_paths: Sequence[Path], folder: Path, *, reference_unit: Path | None, command: str) -> Findings:
    """Several units against each other and against the reference unit, into `folder`, all or nothing.

    reference_unit : one of the units, the first if None.
    Errors : InputError if a file is at fault, or the units cannot be compared.
    """
    from evenflare.measurement.spread import spread

    _check_apart(folder, unit_paths)
    if len(unit_paths) < 2:
        raise InputError(f"{unit_paths[0]}: is the only unit: must be two at least. Name more folders")
    names = _names(unit_paths)
    stored = {name: read_directivity(path) for name, path in zip(names, unit_paths, strict=True)}
    try:
        found = spread(
            {name: each.directivity for name, each in stored.items()},
            reference_unit=None if reference_unit is None else _reference_unit(reference_unit, unit_paths, names),
        )
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{error}. {MEASURE_ALIKE}") from error
    return _write_spread(found, stored, folder, command=command)


def _write_spread(found: Spread, stored: dict[str, Stored], folder: Path, *, command: str) -> Findings:
    from evenflare.report.kit import sheet
    from evenflare.report.measurement import spreading
    from evenflare.results import spread

    drawn = spreading.pictures(found)
    warnings = spread.warnings(found, stored)
    written = [
        ("spread.json", "spread over all, by band and plane, and every unit against the reference unit"),
        ("spread.csv", "mean, standard deviation and range between units over frequency and direction"),
        ("report.html", "all of it on one page, opens anywhere"),
        *((name, "picture") for name in drawn),
    ]
    with files.together():
        spread.write(folder, found, stored, warnings)
        text = spreading.page(
            found,
            stored,
            shown=sheet.saved(drawn, folder, spreading.caption),
            warnings=warnings,
            written=written,
            command=command,
        )
        files.write_text(folder / "report.html", text)
    return Findings(spreading.lines(found), written, warnings)


def _names(paths: Sequence[Path]) -> list[str]:
    """Short names of units: the last part of each path, or the whole path where several end alike."""
    short = [Path(os.path.realpath(path)).name for path in paths]
    names = [str(path) if short.count(name) > 1 else name for path, name in zip(paths, short, strict=True)]
    for path, name in zip(paths, names, strict=True):
        if names.count(name) > 1:
            raise InputError(f"{path}: is named twice. Name every unit once")
    return names


def _reference_unit(reference_unit: Path, paths: Sequence[Path], names: Sequence[str]) -> str:
    for path, name in zip(paths, names, strict=True):
        if os.path.realpath(reference_unit) == os.path.realpath(path) or str(reference_unit) == name:
            return name
    raise InputError(
        f"--reference-unit {reference_unit}: must be one of the units, {', '.join(map(str, paths))}."
        " Name it among them too"
    )


def design_like(path: Path, measured_path: Path | None) -> Design:
    """The design of a file, with the frequencies, directions, distance, reference point and air of a measurement.

    The wall stays as the file has it, also where the file states it by a cutoff in other air.
    measured_path : None for the design as it is.
    Errors: InputError if a file is at fault, or the driver's source is not known over the measured frequencies.
    """
    design = read_design(path)
    if measured_path is None:
        return design
    measured, waveguide = read_directivity(measured_path).directivity, design.waveguide
    if not (abs(measured.observation.off_axis) < SAME_ANGLE).any():
        raise InputError(f"{measured_path}: holds no angle 0. Measure on axis too: levels count from there")
    asked = f"the frequencies of {measured_path}"
    check_covered(waveguide.driver, measured.observation.frequency, path=path, asked=asked)
    return replace(
        design,
        air=Air(measured.speed_of_sound, measured.density),
        observation=for_symmetry(measured.observation, waveguide.symmetry),
    )


def like_warnings(path: Path, measured_path: Path | None) -> list[str]:
    """What is to be said of a design solved as a measurement was made."""
    if measured_path is None:
        return []
    stored, kind = read_directivity(measured_path), read_design(path).waveguide.mounting.kind
    said = [f"{measured_path}: assumed {words}" for words in stored.assumed]
    if stored.mounting and stored.mounting != kind:
        said.append(
            f'{measured_path} was measured with mounting "{stored.mounting}", and {path} has [mounting] kind ='
            f' "{kind}": part of any deviation will be theirs'
        )
    return said
