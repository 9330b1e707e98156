"""What `measure` does: a rig's files made into a directivity, and a session file drafted for them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from evenflare import files, metrics
from evenflare.commands.low_end_files import joined, low_end_words, write_low_end
from evenflare.commands.sound_files import sound_lines, write_sound
from evenflare.directivity.types import Directivity
from evenflare.files import InputError
from evenflare.measurement.readings import Session

if TYPE_CHECKING:
    from evenflare.design.file import Design
    from evenflare.measurement.assemble import Assembled
    from evenflare.measurement.between_planes import Mouth
    from evenflare.measurement.far_field import FarField
    from evenflare.measurement.low_end import LowEnd

FAR_FIELD = "far_field"
"""Folder beside the tables that holds those of the far field."""
RESPONSES = "responses"
"""Folder beside the tables that holds them as text."""


@dataclass(frozen=True)
class Measured:
    """What was found in words, what was assumed, what must be seen first, and the files."""

    lines: list[str]
    assumed: list[str]
    warnings: list[str]
    written: list[tuple[str, str]]


def measure_command(
    path: Path,
    folder: Path,
    *,
    command: str,
    responses: bool = False,
    model: Path | None = None,
    far_field: bool = False,
) -> Measured:
    """Read the session of the file `path` and write its directivity into `folder`, all or nothing.

    responses : also as text, a file for each direction, with a session file that reads them back.
    model     : folder of a solution of what was measured, which says what two planes leave open of the index.
    far_field : also the directivity in the far field.
    Errors    : InputError if a file is at fault.
    """
    from evenflare.design.file import design_id, read_design
    from evenflare.measurement.assemble import assemble
    from evenflare.measurement.session import read_session

    session = read_session(path)
    design = None if session.design is None else read_design(session.design)
    found = assemble(session, mouth=_mouth(design), model=None if model is None else _model(model))
    findings = dict(found.findings)
    if far_field and found.far is None:
        raise InputError(
            f"{path}: no far field can be told from it: that takes whole orbits, or in a baffle half ones, with phases."
            " Leave --far-field out, or measure the directions that are missing"
        )
    warnings = list(findings.pop("warnings", ()))
    if design is not None and design.waveguide.mounting.kind != session.rig.mounting:
        warnings.insert(
            0,
            f'measured with mounting "{session.rig.mounting}", and {session.design} has'
            f' "{design.waveguide.mounting.kind}": a comparison with its prediction compares unlike things',
        )
    if not found.directivity.valid.any():
        warnings.append("no frequency can be trusted: the gate is too short for those asked for")
    record = {
        "name": session.name,
        "design_id": "" if design is None else design_id(design),
        "session": str(path),
        "kind": session.kind,
        "mounting": session.rig.mounting,
        "assumed": list(dict.fromkeys([*session.assumed, *findings.pop("assumed", ())])),
        "warnings": warnings,
        **findings,
        "files": [_relative(each.file, session.path.parent) for each in session.readings],
    }
    low = None if session.near is None else joined(session, design, found)
    if low is not None:
        record["low_end"] = dict(low.findings)
        warnings += low.warnings
    lines = _lines(found, session, record) + sound_lines(found) + ([] if low is None else [low_end_words(low)])
    with files.together():
        written = _write(found, session, finite(record), folder, command=command, responses=responses)
        if far_field and found.far is not None:
            written.append(_write_far(found.far, session, record, folder, command=command))
        if low is not None:
            made = _made(session, record, command=command)
            written += write_low_end(low, session, record, folder, made=made)
        written = _write_page(found, low, record, folder, lines=lines, written=written, command=command)
    return Measured(lines, record["assumed"], warnings, written)


def _mouth(design: Design | None) -> Mouth:
    if design is None:
        return "unknown"
    return "round" if design.waveguide.is_round else "oblong"


def _model(folder: Path) -> Directivity:
    """A solution that knows its power."""
    from evenflare.directivity.folder import read_directivity

    found = read_directivity(folder).directivity
    if found.sound_power is None:
        raise InputError(
            f"--model {folder}: holds no sound power of its own, so that it does not say what planes leave open. Name a"
            " folder that evenflare solve wrote, with --like for the angles of the measurement"
        )
    return found


def _made(session: Session, record: dict[str, Any], *, command: str) -> dict[str, Any]:
    """How a solution came about, for provenance.json."""
    return {
        "command": command,
        "origin": "measured",
        "session": record["session"],
        "mounting": session.rig.mounting,
        "levels": "absolute" if session.absolute else "relative",
    }


def _write_far(
    far: FarField, session: Session, record: dict[str, Any], folder: Path, *, command: str
) -> tuple[str, str]:
    from evenflare.results import formats, tables

    own = {"name": session.name, "design_id": record["design_id"]}
    made = _made(session, record, command=command)
    cautions = [f"measured at {session.rig.distance:g} m, carried to the far field by spherical waves", formats.LOUD]
    place = folder / FAR_FIELD
    tables.write_solution(place, far.directivity, **own, provenance=made, cautions=cautions, by_plane=True)
    return f"{FAR_FIELD}/", "the same tables in the far field, error_estimate_db with what that adds"


def _write(
    found: Assembled, session: Session, record: dict[str, Any], folder: Path, *, command: str, responses: bool
) -> list[tuple[str, str]]:
    from evenflare.directivity.sofa import write_sofa
    from evenflare.measurement.responses_written import write_responses
    from evenflare.results import budget, formats, readings, tables

    directivity = found.directivity
    own = {"name": session.name, "design_id": record["design_id"]}
    mounting = session.rig.mounting
    made = _made(session, record, command=command)
    cautions = [
        f"measured: session {record['session']}; what was assumed stands in session.json",
        *(f"caution: {each}" for each in record["warnings"]),
        formats.LOUD,
    ]
    tables.write_solution(folder, directivity, **own, provenance=made, cautions=cautions, by_plane=True)
    write_sofa(directivity, folder / "directivity.sofa", **own, mounting=mounting)
    files.write_text(folder / "session.json", formats.json_text(record))
    header = [
        f"uncertainty budgets by JCGM 100 of: {session.name}",
        "units: Hz, dB; standard uncertainties; interval: combined_db times coverage_factor to either side, 95 %",
        *cautions,
    ]
    files.write_text(folder / "budget.csv", formats.csv_text(budget.columns(found), header=header))
    header = [
        f"each reading by itself and beside its neighbours, of: {session.name}",
        "units: degrees, dB, ms; polarity 1 as those beside it, -1 inverted",
    ]
    files.write_text(folder / "readings.csv", readings.readings_text(found, header=header))
    written = [
        ("directivity.csv", "level and phase over frequency and angle"),
        ("summary.csv", "index, beamwidth, level and power over frequency"),
        ("standard_curves.csv", "the curves of ANSI/CTA-2034-A"),
        ("directivity.sofa", "the same directivity as AES69 (SOFA), FreeFieldDirectivityTF"),
        ("session.json", "what was found on the way and what was assumed"),
        ("readings.csv", "each reading: peak, noise, arrival, polarity, clipping, its neighbours, what is wrong"),
        ("budget.csv", "standard uncertainty of index and level on axis, each part, over frequency"),
        ("provenance.json", "from which session, by which command"),
    ]
    written += write_sound(found, folder, name=session.name, cautions=cautions)
    if responses:
        texts = write_responses(directivity, folder / RESPONSES, name=session.name, mounting=mounting)
        what = f"{len(texts) - 1} responses as text, and the session file that reads them back"
        written.append((f"{RESPONSES}/", what))
    return written


def _write_page(
    found: Assembled,
    low: LowEnd | None,
    record: dict[str, Any],
    folder: Path,
    *,
    lines: list[str],
    written: list[tuple[str, str]],
    command: str,
) -> list[tuple[str, str]]:
    """The page and its pictures; all files, the page first."""
    from evenflare.report.kit import sheet
    from evenflare.report.measurement import low_end_figures, measuring, measuring_figures
    from evenflare.report.waveguide import measured

    drawn = measured.pictures(found.directivity) | measuring_figures.pictures(found)
    if low is not None:
        drawn["low_end.png"] = low_end_figures.low_end(low)
    written = [
        ("report.html", "what can be trusted, what was wrong and what to repeat, on one page"),
        *written,
        *((name, "picture") for name in drawn),
    ]
    shown = sheet.saved(drawn, folder, measuring.caption)
    text = measuring.page(found, record, lines=lines, shown=shown, written=written, command=command)
    files.write_text(folder / "report.html", text)
    return written


def _lines(found: Assembled, session: Session, record: dict[str, Any]) -> list[str]:
    """What a user wants to know first."""
    from evenflare.results import readings, tables
    from evenflare.studies.trust import valid_words

    directivity = found.directivity
    observation = directivity.observation
    what = {"impulse_response": "impulse responses", "sweep": "sweeps", "response": "responses"}[session.kind]
    directions = len({(each.azimuth, each.off_axis) for each in session.readings})
    lines = [
        f"{session.name}: {len(session.readings)} {what} of {directions} directions, at {observation.distance:g} m",
    ]
    trusted = observation.frequency[directivity.valid]
    if trusted.size:
        lines.append(f"Trusted {valid_words(directivity)}")
        if not tables.uncovered(directivity):
            index = metrics.directivity_index(directivity)
            rows = sorted({int(abs(trusted - wanted).argmin()) for wanted in (500, 1000, 2000, 4000, 8000, 16000)})
            index = index[directivity.valid]
            said = ", ".join(f"{index[i]:.1f} dB at {trusted[i]:.0f} Hz" for i in rows)
            lines.append(f"Directivity index of the level at {observation.distance:g} m: {said}")
            if directivity.error_estimate is not None:
                error = directivity.error_estimate[directivity.valid]
                doubt = ", ".join(f"{error[i]:.2f} dB at {trusted[i]:.0f} Hz" for i in rows)
                lines.append(f"Standard uncertainty of it (budget.csv): {doubt}; from {record['error_estimate_from']}")
    if tables.uncovered(directivity):
        lines.append(f"No index and no power: {tables.uncovered(directivity)}")
    return lines + readings.message(found) + _rig_lines(record)


def _rig_lines(record: dict[str, Any]) -> list[str]:
    """What the readings said of gate, turntable and repeats."""
    lines = []
    gate, repeats = record.get("gate"), record.get("repeats") or {}
    if gate:
        lines.append(f"Gate: {gate['length_ms']:.2f} ms")
    for plane, found in (record.get("turntable") or {}).items():
        parts = [
            f"{words} {round(found[key], digits) + 0.0:.{digits}f} ± {found[error]:.{digits}f} {unit}"
            + (", corrected" if found[done] else ", left as it is")
            for words, key, error, done, digits, unit in (
                ("angle 0 off by", "angle_offset_deg", "angle_offset_error_deg", "angle_corrected", 2, "degrees"),
                ("axis aside by", "sideways_mm", "sideways_error_mm", "sideways_corrected", 1, "mm"),
            )
            if found.get(key) is not None
        ]
        if parts:
            lines.append(f"Turntable, {plane} (± a standard error): {'; '.join(parts)}")
    if repeats.get("spread_median_db") is not None:
        spread = f"{repeats['spread_median_db']:.3f} dB (median), {repeats['spread_greatest_db']:.3f} dB at most"
        lines.append(f"Repeats: spread of {spread}")
    return lines


def _relative(file: Path, folder: Path) -> str:
    return str(file.relative_to(folder)) if file.is_relative_to(folder) else str(file)


def finite(value: Any) -> Any:
    """Plain values for JSON: None for what is no finite number."""
    if isinstance(value, dict):
        return {key: finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [finite(each) for each in value]
    if hasattr(value, "tolist"):
        return finite(value.tolist())
    return None if isinstance(value, float) and not math.isfinite(value) else value
