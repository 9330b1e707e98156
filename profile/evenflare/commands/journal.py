"""What `journal` does: entries from the files of a prototype, and the log in words, as a table and as a picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal

from evenflare import files, text
from evenflare.design.file import design_id, design_toml, read_design
from evenflare.files import InputError
from evenflare.measurement import journal as log
from evenflare.schema import shown


def add_entry(
    journal: Path,
    *,
    design: Path,
    comparison: Path | None,
    calibration: Path | None,
    inspection: Path | None,
    belonging: Sequence[Path],
    name: str | None,
    note: str,
) -> str:
    """Put an entry into the journal; what became of it, in words. InputError if a file is at fault."""
    from evenflare.measurement.calibrated_file import FILE, read_known
    from evenflare.report.measurement import prototypes
    from evenflare.results.inspection import read_inspection

    if name is not None:
        name = _text("--name", name, text.name)
    note = _text("--note", note, text.note)
    built = read_design(design)
    for each in belonging:
        if not (files.is_file(each) or files.is_folder(each)):
            raise InputError(f"--file {each}: is not there. Correct the path, or leave it out")
    try:
        whole = design_toml(built)
    except ValueError as error:
        raise InputError(f"{design}: {error}") from error
    if calibration is not None and files.is_folder(calibration):
        calibration = calibration / FILE
    entry = log.Prototype(
        added=datetime.now().astimezone().isoformat(timespec="seconds"),
        name=name or built.name,
        design_id=design_id(built),
        design=whole,
        notes=note,
        files=tuple(
            str(each) for each in (design, comparison, calibration, inspection, *belonging) if each is not None
        ),
        comparison=None if comparison is None else log.read_comparison(comparison),
        calibration=None if calibration is None else read_known(calibration),
        inspection=None if inspection is None else read_inspection(inspection),
    )
    number = log.add(journal, entry)
    found = log.entries(journal)
    step = [each for each in log.steps(found) if each.after.number == number]
    words = f"{journal}: number {number}, {entry.name} ({entry.design_id})"
    return "\n".join([words, *(prototypes.step_words(each) for each in step)])


def _text(option: str, given: str, rule: Callable[[str], str]) -> str:
    """What an option gives, by the rule for names or notes."""
    try:
        return rule(given)
    except text.UnfitError as error:
        raise InputError(f"{option} = {shown(given)}: {error}") from None


def told(journal: Path, form: Literal["list", "csv", "export"]) -> str:
    """The journal as lines, as CSV, or with everything in it in words ("export")."""
    from evenflare.report.measurement import prototypes
    from evenflare.results.journal import csv_text

    found = log.entries(journal)
    if form == "csv":
        return csv_text(found, header=_header(journal)).rstrip("\n")
    return prototypes.list_text(found) if form == "list" else prototypes.full_text(found)


def write_history(journal: Path, folder: Path) -> list[tuple[str, str]]:
    """The picture of how the deviation shrank, and the journal as CSV and text, all or nothing."""
    from evenflare.report.kit import canvas
    from evenflare.report.measurement import prototypes
    from evenflare.results.journal import csv_text

    found = log.entries(journal)
    with files.together():
        canvas.save(prototypes.figure(found), folder / "journal.png")
        files.write_text(folder / "journal.csv", csv_text(found, header=_header(journal)))
        files.write_text(folder / "journal.txt", prototypes.full_text(found) + "\n")
    return [
        ("journal.png", "how the deviation shrank, and which change did it"),
        ("journal.csv", "a row a prototype"),
        ("journal.txt", "everything in words, with the whole designs"),
    ]


def _header(journal: Path) -> Mapping[str, str]:
    return {
        "what": f"prototypes of the journal {journal}",
        "units": "dB: measured less predicted, re on axis; calibrated: on the angles that the fit did not see",
    }
