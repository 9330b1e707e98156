"""What `inspect` does with one part: its scan on the drawn wall, the part as built solved, and the verdict."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenflare import files, radiation
from evenflare.commands.remarks import check_solvable, faults_of
from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id, read_design, write_design
from evenflare.files import InputError
from evenflare.radiation import method_for
from evenflare.target.target import Target, read_target
from evenflare.text import added, from_path
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Oblong, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.traced import mean_round, traced
from evenflare.waveguide.wall_zones import WallTolerance, WallZone

if TYPE_CHECKING:
    from evenflare.inspection.found import Inspection
    from evenflare.inspection.scan import Unit
    from evenflare.manufacture.process.types import Process
    from evenflare.results.inspection import PartVerdict
    from evenflare.studies.part_sound import PartSound

AS_BUILT = "as_built"
"""The part's design file, without its ending, and the folder of its sound."""
NUDGES = {"scale": 2e-4, "offset": 10e-6, "bow": 10e-6, "throat_step": 10e-6}
"""A share and m, by which a part's wall is nudged to see what its standard errors do: so little that it is linear."""
TOLD = 2.0
"""Standard errors from which on a throat step is told from none."""
EVEN_ZONES = 10
"""Where no tolerance is named."""
CALIBRATED_ELSEWHERE = "solve as_built.toml by itself to have the methods compared, and other mountings"

Registered = Literal["datums", "best_fit"]


@dataclass(frozen=True)
class InspectionRequest:
    """What is asked of a part beside its design.

    within_db : dB, by which the index may change; None for the tolerance's own, or no verdict.
    unit      : of the scan; None where its file or size tells.
    probe_radius : m, of probed points.
    to : what the part is registered to; None for datums where the scan holds one, else the best fit.
    """

    process: Process | None = None
    tolerance: WallTolerance | None = None
    target: Target | None = None
    within_db: float | None = None
    unit: Unit | None = None
    probe_radius: float = 0.0
    to: Registered | None = None

    @property
    def limit(self) -> float | None:
        """dB, that counts."""
        return self.within_db if self.tolerance is None or self.within_db is not None else self.tolerance.within_db


@dataclass(frozen=True)
class InspectedOne:
    """A part that was inspected: its verdict and name, what to say, and the files."""

    name: str
    found: PartVerdict
    lines: list[str]
    warnings: list[str]
    files: Written


def request_of(
    design_path: Path,
    *,
    process: str | None,
    tolerance: Path | None,
    target: Path | None,
    within_db: float | None,
    unit: Unit | None,
    probe_radius: float,
    to: Registered | None,
) -> tuple[Design, InspectionRequest, list[str]]:
    """Design and request of a command line, and what must be said of them. InputError if a file is at fault."""
    from evenflare.manufacture.process.file import read_process

    design = read_design(design_path)
    limits = None if tolerance is None else read_limits(tolerance)
    said = []
    if limits is not None and limits.design_id != design_id(design):
        said.append(
            f"{tolerance} was worked out for the design {limits.design_id}, and this one is {design_id(design)}: its"
            " zones are another wall's. Work it out again with evenflare tolerance"
        )
    asked = InspectionRequest(
        process=None if process is None else read_process(process),
        tolerance=limits,
        target=None if target is None else read_target(target),
        within_db=within_db,
        unit=unit,
        probe_radius=probe_radius,
        to=to,
    )
    return design, asked, said


def inspect_part(
    design: Design, scan: Path, folder: Path, asked: InspectionRequest, *, design_path: Path, command: str
) -> InspectedOne:
    """Inspect one part and write everything into `folder`, all or nothing.

    Errors: InputError if a file is at fault, or the part cannot be solved.
    """
    inspection = scanned(design, scan, asked)
    with faults_of(scan, solving=True):
        found = judged(design, inspection, asked, scan=scan)
    return _write(design, found, scan, folder, design_path=design_path, command=command)


def part_wall(waveguide: Waveguide, wall: WallDeviation) -> Waveguide:
    """The wall that is solved for a part: of a round one its mean meridian, an oblong one whole."""
    return deviated(waveguide, mean_round(wall) if waveguide.is_round else wall)


def judged(design: Design, inspection: Inspection, asked: InspectionRequest, *, scan: Path) -> PartVerdict:
    """A part against everything that was asked. ValueError where its wall cannot be solved, or no point is on it."""
    from evenflare.inspection import verdict
    from evenflare.inspection.form import form_of
    from evenflare.results.inspection import PartVerdict

    waveguide, limits = design.waveguide, asked.tolerance
    zones = verdict.even_zones(waveguide.depth, count=EVEN_ZONES, limit=0.0) if limits is None else limits.zones
    cells = verdict.gathered(inspection, waveguide)
    profile = None
    if asked.process is not None:
        width = asked.process.tolerance
        profile = verdict.held_against(inspection, cells, [WallZone(0.0, waveguide.depth, width, width)])
    return PartVerdict(
        inspection=inspection,
        cells=cells,
        held=verdict.held_against(inspection, cells, zones),
        toleranced=limits is not None,
        worst=verdict.worst_of(cells),
        rms=verdict.rms_of(inspection, waveguide, cells),
        sound=_sound(design, inspection, asked),
        form=form_of(waveguide, inspection),
        within_db=asked.limit,
        profile=profile,
        profile_width=None if asked.process is None else 2.0 * asked.process.tolerance,
        unsolved=_unsolved(inspection, limits, waveguide),
    )


def _sound(design: Design, inspection: Inspection, asked: InspectionRequest) -> PartSound:
    """The part solved as it is; of a round one also each kind by itself, and by how much the scan's doubt moves it."""
    from evenflare.studies.part_sound import part_sound

    waveguide = design.waveguide
    solve = radiation.solver("full", method=method_for(waveguide.mounting), cores=os.cpu_count() or 1)
    wall = mean_round(inspection.wall) if waveguide.is_round else inspection.wall
    built = part_wall(waveguide, inspection.wall)
    check_solvable(built)
    nudged: dict[str, tuple[Waveguide, float]] = {}
    alone: dict[str, Waveguide] = {}
    if waveguide.is_round and waveguide.mounting.kind != "cabinet":
        nudged = {
            kind: (
                part_wall(waveguide, replace(wall, **{kind: getattr(wall, kind) + little})),
                getattr(inspection, kind).standard_error / little,
            )
            for kind, little in NUDGES.items()
            if np.isfinite(getattr(inspection, kind).standard_error)
        }
        waves = WallDeviation(shares=wall.shares, azimuths=wall.azimuths, waves=wall.waves)
        kinds: Mapping[str, WallDeviation] = {
            "scale": WallDeviation(scale=wall.scale),
            "offset": WallDeviation(offset=wall.offset),
            "bow": WallDeviation(bow=wall.bow),
            "throat_step": WallDeviation(throat_step=wall.throat_step),
            "waviness": waves,
        }
        alone = {kind: deviated(waveguide, each) for kind, each in kinds.items() if each != WallDeviation()}
    return part_sound(design, built, solve, target=asked.target, nudged=nudged, alone=alone)


def _unsolved(inspection: Inspection, limits: WallTolerance | None, waveguide: Waveguide) -> dict[str, float]:
    """dB by kind, from the tolerance's dB per mm; of scale and tilt per mm at the mouth's rim."""
    if limits is None:
        return {}
    rim = 0.5 * max(waveguide.mouth_width, waveguide.mouth_height)
    lengths = {
        "scale": abs(inspection.scale.value - 1.0) * rim,
        "offset": abs(inspection.offset.value),
        "bow": abs(inspection.bow.value),
        "ovality": abs(inspection.ovality.value),
        "tilt": abs(inspection.tilt.value) * rim,
        "throat_step": abs(inspection.throat_step.value),
        "waviness": inspection.waviness.value,
    }
    return {
        kind: limits.db_per_mm[kind] * length / MILLIMETRE
        for kind, length in lengths.items()
        if kind in limits.db_per_mm
    }


def notes(design: Design, inspection: Inspection) -> list[str]:
    """How the part was solved, whole sentences."""
    wall, rest = inspection.wall, inspection.ovality.value / MILLIMETRE
    if design.waveguide.is_round:
        said = [
            "The part is solved by its mean meridian: what differs around the section is left out of the solution,"
            f" ovality of {rest:.3f} mm and a tilt of {inspection.tilt.value / DEGREE:.3f}°. What is not alike all"
            " round does not change the index to first order; its cost is stated where the tolerance knows it."
        ]
    else:
        said = ["The part is solved whole, as it differs along the depth and around the section."]
    if inspection.datum == "mouth face":
        said.append(
            "The part lies by its mouth's face, the only one that was scanned: scale counts from there, and its throat"
            " plane lies where that puts it."
        )
    if abs(wall.throat_step) > TOLD * inspection.throat_step.standard_error:
        said.append(
            f"At the throat the wall begins {wall.throat_step / MILLIMETRE:+.3f} mm wider than drawn, beside what the"
            " other kinds do there."
        )
    if np.isnan(inspection.throat_step.standard_error):
        said.append("The scan holds no points at the throat: how the wall begins there is taken as drawn.")
    if design.waveguide.is_round:
        said.append(
            "The standard error of the index holds that of scale, offset, bow and throat step, to first order: at a"
            " narrow dip of the index more is possible."
        )
    return [*said, "The verdict is the index's. Zones and profile say where the wall leaves what was drawn."]


def _file_words(built: Waveguide, stated: Waveguide) -> list[str]:
    """How far an oblong wall as its file states it lies from the one that is solved, a sentence."""
    from evenflare.report.kit.wall import radius_at

    if built.is_round:
        return []
    depths = np.linspace(0.0, min(built.depth, stated.depth), 13)
    turns = np.linspace(0.0, 0.5 * np.pi, 7)
    apart = [
        abs(radius_at(built.surface, float(z), float(turn)) - radius_at(stated.surface, float(z), float(turn)))
        for z in depths
        for turn in turns
    ]
    return [
        f"{AS_BUILT}.toml keeps the drawn section between both meridians: its radii lie within"
        f" {max(apart) / MILLIMETRE:.3f} mm of the wall that was solved."
    ]


def _write(
    design: Design,
    found: PartVerdict,
    scan: Path,
    folder: Path,
    *,
    design_path: Path,
    command: str,
) -> InspectedOne:
    from evenflare.commands.designs import write_solution
    from evenflare.commands.solving import heard
    from evenflare.report.inspection import page, words
    from evenflare.report.kit import sheet
    from evenflare.results import formats, inspection

    name, identity = from_path(scan.stem), design_id(design)
    built = replace(
        design,
        name=added(design.name, f", as built: {name}"[:80]),
        waveguide=part_wall(design.waveguide, found.inspection.wall),
    )
    shape = design.waveguide.shape
    section = shape.section if isinstance(shape, Oblong) else None
    stated = replace(built, waveguide=traced(built.waveguide, section=section))
    with faults_of(scan, solving=True):
        sound = replace(
            heard(scan, built, "full", method_for(design.waveguide.mounting), comparing=False),
            alone=CALIBRATED_ELSEWHERE,
        )
    warnings = words.cautions(found)
    said = [words.answer(found), *words.lines(found)]
    drawn = page.pictures(found, design.waveguide)
    table, every = inspection.columns(found.inspection)
    header = [
        f"scan of: {design.name}; design id {identity}; scan {scan}",
        "units: mm, degrees; off: along the drawn wall's normal, + further from the axis; used 0: left out",
    ]
    rows = f"every {every}th of {found.inspection.off.size} points" if every > 1 else "every point"
    written = [
        (inspection.FILE, "verdict, kinds of deviation and zones, each with its standard error"),
        (inspection.TABLE, f"how far {rows} lies off the drawn wall"),
        ("index_change.csv", "index as drawn, as built and as wanted over frequency"),
        (f"{AS_BUILT}.toml", "the part as a design, its wall as points: for solve and calibrate"),
        (AS_BUILT, "its sound, as solve writes it: for compare"),
        ("report.html", "all of it on one page, opens anywhere"),
        *((each, "picture") for each in drawn),
    ]
    with files.together():
        record = inspection.record(found, name=name, scan=str(scan), design_id=identity, warnings=warnings)
        files.write_text(folder / inspection.FILE, formats.json_text(record))
        files.write_text(folder / inspection.TABLE, formats.csv_text(table, header=[*header, f"rows: {rows}"]))
        index = formats.csv_text(
            inspection.index_columns(found.sound), header=[header[0], "units: Hz, dB; change: part less drawn"]
        )
        files.write_text(folder / "index_change.csv", index)
        write_design(stated, folder / f"{AS_BUILT}.toml")
        write_solution(stated, sound, folder / AS_BUILT, command=command)
        text = page.page(
            found,
            design.waveguide,
            title=f"{design.name}: {name}",
            what=f"Scan {scan} of the design {design_path} (id {identity}). Made by evenflare.",
            notes=[*notes(design, found.inspection), *_file_words(built.waveguide, stated.waveguide)],
            shown=sheet.saved(drawn, folder, page.caption),
            warnings=warnings,
            written=written,
            command=command,
        )
        files.write_text(folder / "report.html", text)
    return InspectedOne(name, found, said, warnings, written)


def scanned(design: Design, path: Path, asked: InspectionRequest) -> Inspection:
    """A scan on the drawn wall. InputError if the scan is at fault, or its unit in doubt."""
    from evenflare.inspection.inspecting import inspected
    from evenflare.inspection.scan import check_unit, read_scan

    scan = read_scan(path, unit=asked.unit, probe_radius=asked.probe_radius)
    check_unit(scan, design.waveguide)
    try:
        return inspected(
            scan.points,
            scan.normals,
            design.waveguide,
            to=asked.to,
            probe_radius=scan.probe_radius,
            in_plane=scan.in_plane,
        )
    except InputError as error:
        raise InputError(f"{path}: {error}") from error


def read_limits(path: Path) -> WallTolerance:
    """tolerance.json. InputError if it is missing, broken or another file."""
    from evenflare.design.tolerance_file import read_tolerance

    return read_tolerance(path)


def check_within(within_db: float | None) -> None:
    """InputError if it is no limit."""
    if within_db is not None and not 0.0 < within_db < 100.0:
        raise InputError(f"--within-db {within_db:g}: must be above 0 and below 100. Ask for example for 0.5")
