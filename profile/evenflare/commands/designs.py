"""Solve, export and report one design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from evenflare import files, metrics, radiation
from evenflare.commands.comparing import design_like
from evenflare.commands.remarks import faults_of
from evenflare.commands.solving import SolvedDesign, heard
from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id, read_design, write_design
from evenflare.design.solid_stl import solid_name
from evenflare.directivity.types import Directivity
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import SolidCabinet

if TYPE_CHECKING:
    from evenflare.commands.advice import TargetAnswer
    from evenflare.commands.gauging import Gauging
    from evenflare.manufacture import Exported
    from evenflare.manufacture.gauges.asked import WallAsked
    from evenflare.manufacture.process.types import Process


@dataclass(frozen=True)
class Solution:
    """What `solve` found, the files that hold it, and of a search's winner how it stands to the target."""

    sound: SolvedDesign
    written: Written
    answer: TargetAnswer | None = None


def solution_pictures(design: Design, sound: SolvedDesign, target: Target | None = None) -> dict[str, Any]:
    """Pictures of a solved design by the names of their files, for its folder and for pages."""
    from evenflare.report.waveguide import agreement, cabinet, figures

    pictures = figures.pictures(design.waveguide, sound.directivity, target, all_round=sound.all_round)
    if sound.agreement is not None:
        pictures["agreement.png"] = agreement.figure(sound.agreement)
    if sound.cabinet is not None:
        pictures["cabinet_effect.png"] = cabinet.figure(sound.cabinet)
    return pictures


def write_solution(
    design: Design,
    sound: SolvedDesign,
    folder: Path,
    *,
    command: str,
    pictures: Mapping[str, Any] = MappingProxyType({}),
) -> Written:
    """The tables of a solved design, and what there is of its `pictures`."""
    from evenflare.report.kit import canvas
    from evenflare.results import tables
    from evenflare.results.agreement import write_agreement
    from evenflare.results.cabinet import write_cabinet_effect
    from evenflare.studies.cabinet import NAMES
    from evenflare.studies.directions import differs_round

    name, identity = design.name, design_id(design)
    made = {"command": command, "mounting": design.waveguide.mounting.kind, **sound.record}
    cautions = tables.predicted(design.waveguide.driver)
    tables.write_solution(folder, sound.directivity, name=name, design_id=identity, provenance=made, cautions=cautions)
    written = [
        ("directivity.csv", "level and phase over frequency and angle"),
        ("summary.csv", "index, beamwidth, level, power and throat impedance over frequency"),
        ("standard_curves.csv", "the curves of ANSI/CTA-2034-A"),
        ("provenance.json", "how it was solved"),
    ]
    if differs_round(sound.all_round):
        tables.write_balloon(folder / "balloon.csv", sound.all_round, name=name, design_id=identity, cautions=cautions)
        written.append(("balloon.csv", "level all round, every 15 degrees of azimuth"))
    observation = sound.directivity.observation
    header = [*tables.origin(observation, name, identity), *tables.distance_notes(observation)]
    if sound.agreement is not None:
        write_agreement(folder / "agreement.csv", sound.agreement, header=header, cautions=cautions)
        written.append(("agreement.csv", "index and beamwidth by both methods, and their difference"))
    if sound.cabinet is not None:
        distance = design.observation.distance
        path = folder / "cabinet_effect.csv"
        write_cabinet_effect(path, sound.cabinet, header=header, cautions=cautions, distance=distance)
        where = " and ".join(NAMES[each.case.name] for each in sound.cabinet.mounted)
        written.append(("cabinet_effect.csv", f"the same waveguide {where}"))
    for name, figure in pictures.items():
        canvas.save(figure, folder / name)
    return [*written, *((name, "picture") for name in pictures)]


@dataclass(frozen=True)
class Cut:
    """What `export` works to, m: chord error and tool radius, and the depths of an oblong waveguide's sections.

    tool_asked : a wall that the tool does not reach everywhere is then refused; else its points are listed without a
                 tool's path.
    """

    chord_error: float = 0.05e-3
    tool_radius: float = 3e-3
    sections: tuple[float, ...] | None = None
    tool_asked: bool = False


def checked_cut(
    chord_error: float, tool_radius: float, sections: Sequence[float] | None = None, *, tool_asked: bool = False
) -> Cut:
    """All in m. InputError if one is out of range."""
    from evenflare.manufacture.wall.offset import checked_tool_radius
    from evenflare.manufacture.wall.spacing import checked_chord_error

    depths = None if sections is None else tuple(sections)
    return Cut(checked_chord_error(chord_error), checked_tool_radius(tool_radius), depths, tool_asked)


def write_export(design: Design, folder: Path, cut: Cut, *, asked: WallAsked | None = None) -> tuple[Written, Exported]:
    """The machinist's files and the design itself, and the facts of the files.

    asked : of the wall, where something says.
    """
    from evenflare.manufacture import export, outside
    from evenflare.manufacture.gauges.asked import header_lines
    from evenflare.manufacture.part.features import features_of
    from evenflare.manufacture.wall.offset import floor_micrometre

    made = export(
        design.waveguide,
        design.solid,
        folder,
        chord_error=cut.chord_error,
        tool_radius=cut.tool_radius,
        design_id=design_id(design),
        name=design.name,
        sections=cut.sections,
        features=features_of(design.solid),
        tolerance=header_lines(asked),
        must_fit=cut.tool_asked,
    )
    write_design(design, folder / "design.toml")
    cabinet = design.waveguide.mounting.cabinet
    points, solid = made.points, made.solid
    thinnest = ""
    if solid.thinnest is not None:
        at = f"z = {solid.thinnest.z / MILLIMETRE:.1f} mm, azimuth {solid.thinnest.azimuth / DEGREE:.0f}°"
        thinnest = f", thinnest {solid.thinnest.thickness / MILLIMETRE:.1f} mm at {at}"
    across = "" if points.columns == 1 else f" of {points.columns} points around the wall"
    tool = points.no_tool
    if points.lowest_program_z is not None:
        tool = (
            f"the tool's centre: tool radius {points.tool_radius / MILLIMETRE:g} mm (at most"
            f" {floor_micrometre(points.largest_tool_radius) / MILLIMETRE:g}), lowest program_z"
            f" {points.lowest_program_z / MILLIMETRE:.3f} mm"
        )
    undercut = "" if points.undercut_z is None else f", undercut from z = {points.undercut_z / MILLIMETRE:.3f} mm"
    return [
        ("design.toml", "the design itself; reads back to the same shape"),
        *([(solid_name(cabinet.solid), "its cabinet")] if isinstance(cabinet, SolidCabinet) else []),
        (
            "solid.stl",
            f"the closed solid in mm: {solid.triangles} triangles, {solid.volume / (10 * MILLIMETRE) ** 3:.0f} cm³,"
            f" {outside(solid.sizes, decimals=1)} mm{thinnest}",
        ),
        (
            "points.csv",
            f"{points.rows} {'rows' if across else 'points'}{across} from throat to mouth with normals"
            f"{', without a path: ' if points.no_tool else ' and '}{tool}{undercut}",
        ),
        *((curves.path.name, curves.what) for curves in made.curves),
    ], made


def tip_below_throat(design: Design, exported: Exported) -> float | None:
    """m, by which the tool's tip passes the throat plane; None without a tool."""
    lowest = exported.points.lowest_program_z
    return None if lowest is None else -lowest - design.waveguide.depth


def write_report(design: Design, path: Path, *, what: str, command: str, written: Written, **more: Any) -> None:
    """One page about a design; `more` as report.page.report."""
    from evenflare.report.waveguide import page

    text = page.report(
        design.waveguide,
        name=design.name,
        design_id=design_id(design),
        what=what,
        command=command,
        written=written,
        solid=design.solid.kind,
        **more,
    )
    files.write_text(path, text)


def solve_command(
    path: Path,
    folder: Path,
    setting: radiation.Setting,
    method: radiation.Method | None,
    command: str,
    like: Path | None = None,
    progress: radiation.Done | None = None,
) -> Solution:
    """`solve`: one design's radiation, its tables and pictures in `folder`. method : None for the mounting's own.

    like : a measurement whose frequencies, directions, place and air it takes.
    """
    design = design_like(path, like)
    sound = heard(path, design, setting, method, progress=progress)
    with files.together():
        pictures = solution_pictures(design, sound)
        return Solution(sound, write_solution(design, sound, folder, command=command, pictures=pictures))


@dataclass(frozen=True)
class Export:
    """What `export` wrote, the programs of an earlier export that it removed, and whether the proof passed.

    left_out : programs that cannot be made, a line on each.
    """

    written: Written
    removed: list[str]
    programs_accepted: bool
    warnings: Sequence[str] = ()
    left_out: Sequence[str] = ()


def export_command(
    path: Path,
    folder: Path,
    cut: Cut,
    command: str,
    *,
    process: Process | None = None,
    step: bool = False,
    gauging: Gauging | None = None,
) -> Export:
    """`export`: what a machinist pulls, in `folder`, and with a process what its machine is fed with.

    gauging : what its wall's tolerance is read from, and whether gauges are made.
    """
    from evenflare.commands import gauging as wall
    from evenflare.commands import making, sheets
    from evenflare.manufacture.proof.programs import Proved

    gauging = gauging or wall.Gauging()
    with faults_of(path):
        settled = making.settled(read_design(path), process)
        design, process = settled.design, settled.process
        asked = wall.wall_asked(design, process, gauging)
        proved = Proved() if process is None else making.proved_programs(design, process)
    with files.together(), faults_of(path):
        written, exported = write_export(design, folder, cut, asked=asked)
        if step:
            written += making.make_step(design, exported.solid, folder)
        if process is not None:
            assert asked is not None  # a process says what it keeps
            written += [
                *making.make(design, exported.solid, process, proved, folder, chord_error=cut.chord_error),
                *sheets.write_sheets(
                    design,
                    exported.solid,
                    process,
                    proved,
                    asked,
                    folder,
                    gauged=gauging.gauges,
                    changes=settled.changes,
                ),
            ]
        if gauging.gauges and asked is not None:
            radius = gauging.probe_radius
            written += wall.write_gauges(design, asked, folder, radius=radius, depths=cut.sections)
        written.append(("report.html", "this design on one page, opens anywhere"))
        write_report(
            design,
            folder / "report.html",
            what=f"Export of {path.name}. Made by evenflare.",
            command=command,
            written=written[:-1],
            tip_below_throat=tip_below_throat(design, exported),
            proof=proved.proof,
            changes=(*settled.changes, *proved.left),
            left_out=proved.left_out,
        )
    removed = making.clear_stale(folder, written)
    missing = [exported.points.no_tool] if exported.points.no_tool else []
    told = [*settled.changes, *missing, *proved.left, *wall.asked_warnings(asked)]
    warnings = [*told, *making.program_warnings(process, proved), *making.slender_warnings(process, proved)]
    return Export(written, removed, proved.may_be_written, warnings, proved.left_out)


def index_lines(directivity: Directivity) -> list[str]:
    """The directivity index at a few frequencies, in words; at a finite distance the far field's too."""
    frequency, observation = directivity.observation.frequency, directivity.observation
    at = sorted({int(abs(frequency - wanted).argmin()) for wanted in (500, 1000, 2000, 4000, 8000, 16000)})

    def said(index: FloatArray) -> str:
        return ", ".join(f"{index[i]:.1f} dB at {frequency[i]:.0f} Hz" for i in at)

    here = said(metrics.directivity_index(directivity))
    if observation.far_field:
        return [f"Directivity index: {here}"]
    far = metrics.far_field_index(directivity)
    lines = [f"Directivity index of the level at {observation.distance:g} m: {here}"]
    return lines if far is None else [*lines, f"Directivity index in the far field: {said(far)}"]
