"""What `inspect` does with several parts: each by itself, and then what they say together of the process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenflare import files
from evenflare.commands.inspecting import InspectionRequest, inspect_part
from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id
from evenflare.files import InputError, is_file, is_folder
from evenflare.text import from_path

if TYPE_CHECKING:
    from evenflare.inspection.series import Contraction, InspectedPart
    from evenflare.results.series import PartsFound
    from evenflare.waveguide.wall_zones import WallZone

SAME_ZONE = 1e-6
"""m, by which zones of parts may differ and be the same: what a file's digits leave."""
CORRECTED = "process.toml"


@dataclass(frozen=True)
class Inspected:
    """What was found, in words, warnings, the files; and whether no part was found wanting."""

    lines: list[str]
    warnings: list[str]
    files: Written
    within: bool


def inspect_command(
    design: Design,
    scans: Sequence[Path],
    folder: Path,
    asked: InspectionRequest,
    *,
    design_path: Path,
    process: str | None,
    command: str,
) -> Inspected:
    """One part, or several, of which any may be the folder of an earlier inspection. Into `folder`.

    process : name or path as it was given, whose file is corrected.
    Errors  : InputError if a file is at fault, or the parts do not belong together.
    """
    from evenflare.results.inspection import FILE, part_of, read_part

    if len(scans) == 1 and not is_folder(scans[0]):
        done = inspect_part(design, scans[0], folder, asked, design_path=design_path, command=command)
        written = list(done.files)
        said = list(done.lines)
        shrunk = _contraction(asked, [part_of(done.found, done.name)])
        if process is not None and shrunk is not None:
            said.append(_write_contraction(process, shrunk, folder))
            written.append((CORRECTED, "the process with the contraction that the pattern should have had"))
        return Inspected(said, done.warnings, written, done.found.within is not False)
    parts, spots, said, warnings, written = [], [], [], [], []
    for scan, name in zip(scans, part_names(scans), strict=True):
        if is_folder(scan):
            if not is_file(scan / FILE):
                raise InputError(
                    f"{scan}: holds no {FILE}. Name a scan, or a folder that evenflare inspect has written"
                )
            part, zones, identity = read_part(scan)
            if identity != design_id(design):
                raise InputError(
                    f"{scan}: is of the design {identity}, and {design_path} is {design_id(design)}. Leave it out, or"
                    " name its own design"
                )
        else:
            done = inspect_part(design, scan, folder / name, asked, design_path=design_path, command=command)
            part, zones = part_of(done.found, name), tuple(each.zone for each in done.found.held.zones)
            warnings += [f"{name}: {each}" for each in done.warnings]
            written.append((name, "this part by itself, on a page of its own"))
            said.append(f"{name}: {done.lines[0]}")
        parts.append(part)
        spots.append(zones)
    _check_zones(scans, spots)
    found = together(parts, spots[0], asked, source=design.name)
    return _write(design, found, folder, said, warnings, written, process=process, command=command)


def part_names(scans: Sequence[Path]) -> list[str]:
    """Names of parts, each once: of its file or folder, with a number behind it where one comes twice."""
    names: list[str] = []
    for scan in scans:
        name = from_path(scan.stem if not is_folder(scan) else scan.resolve().name)
        number, each = 2, name
        while each in names:
            each, number = f"{name}_{number}", number + 1
        names.append(each)
    return names


def _check_zones(scans: Sequence[Path], spots: Sequence[tuple[WallZone, ...]]) -> None:
    first = np.array([(each.from_z, each.to_z) for each in spots[0]])
    for scan, zones in zip(scans, spots, strict=True):
        ends = np.array([(each.from_z, each.to_z) for each in zones])
        if ends.shape != first.shape or np.abs(ends - first).max(initial=0.0) > SAME_ZONE:
            raise InputError(
                f"{scan}: was inspected by other zones than {scans[0]}. Inspect both with the same --tolerance"
            )


def together(
    parts: Sequence[InspectedPart], zones: tuple[WallZone, ...], asked: InspectionRequest, *, source: str
) -> PartsFound:
    """What parts in their order say of what made them. InputError for a single one."""
    from evenflare.inspection.series import accuracy_of, control_chart, drift, drifting
    from evenflare.results.inspection import KINDS
    from evenflare.results.series import PartsFound

    if len(parts) < 2:
        raise InputError(f"{parts[0].name}: is the only part: must be two at least. Name more scans or folders")
    values = {kind: [each.kinds[kind].value for each in parts] for kind in KINDS}
    indices = [each.index_worst for each in parts]
    if np.all(np.isfinite(indices)):
        values["index"] = indices
    by_zone = [[each.zones[i] for each in parts] for i in range(len(zones))]
    known = [bool(np.all(np.isfinite(each))) for each in by_zone]
    lines = tuple(drift(each) if good else None for each, good in zip(by_zone, known, strict=True))
    return PartsFound(
        parts=tuple(parts),
        zones=zones,
        charts={kind: control_chart(each) for kind, each in values.items()},
        drifts={kind: drift(each) for kind, each in values.items()},
        zone_charts=tuple(control_chart(each) if good else None for each, good in zip(by_zone, known, strict=True)),
        zone_drifts=lines,
        zones_drift=drifting(lines),
        accuracy=accuracy_of(parts, source=f"of {source}"),
        contraction=_contraction(asked, parts),
    )


def _contraction(asked: InspectionRequest, parts: Sequence[InspectedPart]) -> Contraction | None:
    """None where the process casts nothing."""
    from evenflare.inspection.series import contraction

    casting = None if asked.process is None else asked.process.casting
    if casting is None:
        return None
    return contraction([each.kinds["scale"] for each in parts], used=casting.contraction, of=casting.contraction_of)


def _write_contraction(process: str, shrunk: Contraction, folder: Path) -> str:
    """Correct a process file by one casting; what was found, in words."""
    from evenflare.report.inspection.series import contraction_words

    files.write_text(folder / CORRECTED, corrected(process, shrunk))
    return f"{contraction_words(shrunk)}; written in {folder / CORRECTED}"


def corrected(process: str, shrunk: Contraction | None, found: PartsFound | None = None) -> str:
    """The text of a process' file with what the parts say. InputError where its keys cannot say that."""
    from evenflare.manufacture.process.accuracy import with_accuracy
    from evenflare.manufacture.process.corrected import with_contraction
    from evenflare.manufacture.process.file import process_path

    path = process_path(process)
    text = files.read_text(path)
    try:
        if shrunk is not None:
            text = with_contraction(text, shrunk.value)
        if found is None:
            return text
        accuracy = found.accuracy
        # What the corrected contraction takes away is no bias of the parts that are made with it.
        return with_accuracy(text, accuracy if shrunk is None else replace(accuracy, scale_bias=0.0))
    except ValueError as error:
        raise InputError(
            f"{path}: cannot say what these parts are: {error}. Do they belong to it? Leave --process out"
        ) from error


def _write(
    design: Design,
    found: PartsFound,
    folder: Path,
    said: list[str],
    warnings: list[str],
    written: Written,
    *,
    process: str | None,
    command: str,
) -> Inspected:
    from evenflare.report.inspection import series as words
    from evenflare.report.kit import sheet
    from evenflare.results import formats, series

    identity = design_id(design)
    warnings = [*warnings, *words.cautions(found)]
    drawn = words.pictures(found)
    lines = words.lines(found)
    written = [
        ("parts.json", "control charts, drifts, and what the process does on the whole"),
        ("parts.csv", "a row a part"),
        *([] if process is None else [(CORRECTED, "the process with what was measured of it, for --process")]),
        ("report.html", "all parts on one page, opens anywhere"),
        *((each, "picture") for each in drawn),
        *written,
    ]
    header = [
        f"parts of: {design.name}; design id {identity}; in the order in which they were named",
        "units: mm, degrees, dB; each with its standard error; within 1: the index changes by no more than asked",
    ]
    with files.together():
        files.write_text(
            folder / "parts.json", formats.json_text(series.record(found, design_id=identity, warnings=warnings))
        )
        files.write_text(folder / "parts.csv", series.csv_text(found, header=header))
        if process is not None:
            files.write_text(folder / CORRECTED, corrected(process, found.contraction, found))
        text = words.page(
            found,
            title=f"{design.name}: {len(found.parts)} parts",
            what=f"Parts of the design {design.name} (id {identity}). Made by evenflare.",
            shown=sheet.saved(drawn, folder, words.caption),
            warnings=warnings,
            written=written,
            command=command,
        )
        files.write_text(folder / "report.html", text)
    within = all(each.within is not False for each in found.parts)
    return Inspected([lines[0], *said, *lines[1:]], warnings, written, within)
