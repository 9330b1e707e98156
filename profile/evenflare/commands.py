"""What the commands do: the same library calls that a notebook makes, and files. The words are in cli.py."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenflare import files, metrics, radiation
from evenflare.design import Design, default_observation, design_id, read_design, write_design
from evenflare.directivity import Directivity
from evenflare.files import InputError
from evenflare.reach import reachability
from evenflare.remarks import faults_of
from evenflare.search import (
    ROW,
    Progress,
    SearchResult,
    check_cluster,
    check_search,
    connected,
    history_rows,
    nearest,
    ranking_words,
    run_search,
)
from evenflare.solving import Heard, heard
from evenflare.target import Target, read_target
from evenflare.units import DEGREE, MILLIMETRE

Written = list[tuple[str, str]]
"""Files by name, and what each is for."""


@dataclass(frozen=True)
class Solution:
    """What `solve` found, and the files that hold it."""

    sound: Heard
    written: Written


def write_solution(
    design: Design, sound: Heard, folder: Path, *, command: str, target: Target | None = None
) -> Written:
    """The tables and pictures of a solved design."""
    from evenflare.report import agreement, balloon, cabinet, figures, tables

    named = {"name": design.name, "design_id": design_id(design)}
    made = {"command": command, **sound.record}
    cautions = tables.predicted(design.waveguide.driver)
    tables.write_solution(folder, sound.directivity, **named, provenance=made, cautions=cautions)
    written = [
        ("directivity.csv", "level and phase over frequency and angle"),
        ("summary.csv", "index, beamwidth, level, power and throat impedance over frequency"),
        ("standard_curves.csv", "the curves of ANSI/CTA-2034-A"),
        ("provenance.json", "how it was solved"),
    ]
    if not design.waveguide.is_round and balloon.drawable(sound.all_round):
        tables.write_balloon(folder / "balloon.csv", sound.all_round, **named, cautions=cautions)
        written.append(("balloon.csv", "level all round, every 15 degrees of azimuth"))
    pictures = figures.pictures(design.waveguide, sound.directivity, target, all_round=sound.all_round)
    header = tables.origin(sound.directivity.observation, design.name, design_id(design))
    if sound.agreement is not None:
        agreement.write(folder / "agreement.csv", sound.agreement, header=header, cautions=cautions)
        written.append(("agreement.csv", "index and beamwidth by both methods, and their difference"))
        pictures["agreement.png"] = agreement.figure(sound.agreement)
    if sound.cabinet is not None:
        distance = design.observation.distance
        path = folder / "cabinet_effect.csv"
        cabinet.write(path, sound.cabinet, header=header, cautions=cautions, distance=distance)
        written.append(("cabinet_effect.csv", "the same waveguide in a baffle, on a cabinet and free-standing"))
        pictures["cabinet_effect.png"] = cabinet.figure(sound.cabinet)
    for name, figure in pictures.items():
        figures.save(figure, folder / name)
    return [*written, *((name, "picture") for name in pictures)]


@dataclass(frozen=True)
class Cut:
    """What `export` works to, m: chord error and tool radius, and the depths of an oblong waveguide's sections."""

    chord_error: float = 0.05e-3
    tool_radius: float = 3e-3
    sections: tuple[float, ...] | None = None


def checked_cut(chord_error: float, tool_radius: float, sections: Sequence[float] | None = None) -> Cut:
    """All in m. InputError if one is out of range."""
    from evenflare.manufacture.offset import checked_tool_radius
    from evenflare.manufacture.spacing import checked_chord_error

    depths = None if sections is None else tuple(sections)
    return Cut(checked_chord_error(chord_error), checked_tool_radius(tool_radius), depths)


def write_export(design: Design, folder: Path, cut: Cut) -> tuple[Written, float]:
    """The machinist's files and the design itself, and by how much the tool's tip passes the throat plane, m."""
    from evenflare.manufacture import export, outside
    from evenflare.manufacture.offset import floor_micrometre

    made = export(
        design.waveguide,
        design.solid,
        folder,
        chord_error=cut.chord_error,
        tool_radius=cut.tool_radius,
        design_id=design_id(design),
        name=design.name,
        sections=cut.sections,
    )
    write_design(design, folder / "design.toml")
    points, solid = made.points, made.solid
    thinnest = ""
    if solid.thinnest is not None:
        at = f"z = {solid.thinnest.z / MILLIMETRE:.1f} mm, azimuth {solid.thinnest.azimuth / DEGREE:.0f}°"
        thinnest = f", thinnest {solid.thinnest.thickness / MILLIMETRE:.1f} mm at {at}"
    across = "" if points.columns == 1 else f" of {points.columns} points around the wall"
    largest = floor_micrometre(points.largest_tool_radius) / MILLIMETRE
    undercut = "" if points.undercut_z is None else f", undercut from z = {points.undercut_z / MILLIMETRE:.3f} mm"
    return [
        ("design.toml", "the design itself; reads back to the same shape"),
        (
            "solid.stl",
            f"the closed solid in mm: {solid.triangles} triangles, {solid.volume / (10 * MILLIMETRE) ** 3:.0f} cm³,"
            f" {outside(solid.sizes, decimals=1)} mm{thinnest}",
        ),
        (
            "points.csv",
            f"{points.rows} {'rows' if across else 'points'}{across} from throat to mouth with normals and the tool's"
            f" centre: tool radius"
            f" {points.tool_radius / MILLIMETRE:g} mm (at most {largest:g}),"
            f" lowest program_z {points.lowest_program_z / MILLIMETRE:.3f} mm{undercut}",
        ),
        *((curves.path.name, curves.what) for curves in made.curves),
    ], -points.lowest_program_z - design.waveguide.depth


def write_report(design: Design, path: Path, *, what: str, command: str, written: Written, **more: Any) -> None:
    """One page about a design; `more` as report.page.report."""
    from evenflare.report import page

    text = page.report(
        design.waveguide,
        name=design.name,
        design_id=design_id(design),
        what=what,
        command=command,
        written=written,
        **more,
    )
    files.write_text(path, text)


def solve_command(
    path: Path, folder: Path, setting: radiation.Setting, method: radiation.Method | None, command: str
) -> Solution:
    """`solve`: one design's radiation, its tables and pictures in `folder`. method : None for the mounting's own."""
    design = read_design(path)
    sound = heard(path, design, setting, method)
    with files.together():
        return Solution(sound, write_solution(design, sound, folder, command=command))


def export_command(path: Path, folder: Path, cut: Cut, command: str) -> Written:
    """`export`: what a machinist pulls, in `folder`."""
    design = read_design(path)
    with files.together(), faults_of(path):
        written, tip = write_export(design, folder, cut)
        written.append(("report.html", "this design on one page, opens anywhere"))
        write_report(
            design,
            folder / "report.html",
            what=f"Export of {path.name}. Made by evenflare.",
            command=command,
            written=written[:-1],
            tip_below_throat=tip,
        )
    return written


def checked_search(
    path: Path,
    folder: Path,
    *,
    workers: int | None,
    candidates: int | None,
    minutes: float | None,
    seed: int | None,
    scheduler: str | None = None,
) -> Target:
    """The target of a search whose arguments and folder are in order; InputError otherwise, before anything is made."""
    if workers is not None and scheduler is not None:
        raise InputError(
            f"--workers = {workers}: must be left out where --scheduler is given: the cluster's own workers do the work"
        )
    if minutes is not None and not minutes > 0:
        raise InputError(f"--minutes = {minutes:g}: must be above 0. Leave it out to ask for all candidates")
    target = read_target(path)
    text = files.read_text(path)
    check_search(target, folder, target_text=text, workers=_processes(workers), candidates=candidates, seed=seed)
    if scheduler is not None:
        check_cluster(scheduler)
    return target


def _processes(workers: int | None) -> int:
    return os.cpu_count() or 1 if workers is None else workers


def search_command(
    target_path: Path,
    folder: Path,
    *,
    command: str,
    workers: int | None,
    candidates: int | None,
    minutes: float | None,
    seed: int | None,
    scheduler: str | None = None,
    progress: Callable[[Progress], None],
    stage: Callable[[str], None],
) -> tuple[SearchResult, Solution | None]:
    """`search`: the search itself, then the winner, if there is one, solved, exported and reported in `folder`."""
    target = checked_search(
        target_path,
        folder,
        workers=workers,
        candidates=candidates,
        minutes=minutes,
        seed=seed,
        scheduler=scheduler,
    )
    reachability(target)
    with nullcontext() if scheduler is None else connected(scheduler, say=stage) as executor:
        result = run_search(
            target,
            folder,
            target_text=files.read_text(target_path),
            workers=_processes(workers),
            candidates=candidates,
            minutes=minutes,
            seed=seed,
            progress=progress,
            executor=executor,
        )
    if result.best is None:
        return result, None
    stage(
        "Interrupted: solving and exporting the best so far; Ctrl-C again leaves that out"
        if result.stopped_by == "interrupted"
        else "Solving and exporting the winner"
    )
    waveguide = result.best.waveguide
    design = Design(f"{target.name}: best of the search", waveguide, target.air, default_observation(waveguide))
    write_design(design, folder / "best.toml")
    with files.together(), faults_of(folder / "best.toml"):
        return result, _write_winner(result, design, target, target_path, folder, command)


def _write_winner(
    result: SearchResult, design: Design, target: Target, target_path: Path, folder: Path, command: str
) -> Solution:
    """The winner of a search solved, exported and reported in its folder."""
    sound = heard(folder / "best.toml", design, "full", target=target)
    inside = write_solution(design, sound, folder / "best", command=command, target=target)
    exported, tip = write_export(design, folder / "best", Cut())
    page_of: dict[str, Any] = {
        "directivity": sound.directivity,
        "all_round": sound.all_round,
        "provenance": {"wall_time_s": sound.seconds},
        "target": target,
        "score": result.best.score if result.best else None,
        "tip_below_throat": tip,
        "agreement": sound.agreement,
        "alone": sound.alone,
        "cabinet": sound.cabinet,
    }
    ranked = ranking_words(target.mounting)
    write_report(
        design,
        folder / "best" / "report.html",
        what="Winner of the search. Made by evenflare.",
        command=command,
        written=[*exported, *inside],
        **page_of,
    )
    written = [
        ("best.toml", "the winning design, to solve, score or export again"),
        *((f"best/{name}", use) for name, use in (*exported, *inside)),
        ("best/report.html", "the winner on one page"),
        ("report.html", "the search on one page: winner, families, history"),
        ("candidates.sqlite", "every candidate; the same command on the same folder continues from it"),
    ]
    write_report(
        design,
        folder / "report.html",
        what=f"Search for {target.name} ({target_path.name}). Made by evenflare.",
        command=command,
        written=written,
        history=list(history_rows(folder)),
        families=family_results(result, folder),
        ladder=[words for words in (ranked, *(each.words for each in result.agreements)) if words],
        **page_of,
    )
    return Solution(sound, written)


def family_results(result: SearchResult, folder: Path) -> list[Any]:
    """What became of each family that takes part, for the page."""
    from evenflare.report.rows import FamilyResult

    best: dict[tuple[str, str], float] = {}
    tried: Counter[tuple[str, str]] = Counter()
    for row in history_rows(folder):
        key, value = (str(row["family"]), str(row["stage"])), row["score"]
        tried[key] += 1
        if row["feasible"] and isinstance(value, float):
            best[key] = min(value, best.get(key, value))
    closest = nearest(folder)

    def why(family: str) -> str:
        if family not in closest:
            return "not reached"
        if closest[family].feasible:
            return ""
        broken = any(excess > 0 for excess in closest[family].constraints.values())
        return f"no member {'keeps the limits; the nearest' if broken else 'can be solved:'} {closest[family].reason}"

    return [
        FamilyResult(
            family,
            screen=best.get((family, "screen")),
            full=best.get((family, "full")),
            tried_screen=tried[family, "screen"],
            tried_full=tried[family, "full"],
            why=why(family),
        )
        for family in [*result.plan.published, *(["free"] if result.plan.free else [])]
    ]


def history_lines(folder: Path) -> Iterable[str]:
    """`history`: the rows of a search as CSV lines, with a header row."""
    import csv
    import io

    def line(values: Iterable[object]) -> str:
        text = io.StringIO()
        csv.writer(text, lineterminator="").writerow(["" if value is None else value for value in values])
        return text.getvalue()

    rows = history_rows(folder)
    first = next(rows, None)
    yield line(ROW if first is None else first)
    if first is not None:
        yield line(first.values())
    yield from (line(row.values()) for row in rows)


def index_line(directivity: Directivity) -> str:
    """The directivity index at a few frequencies, in words."""
    index = metrics.directivity_index(directivity)
    frequency = directivity.observation.frequency
    at = sorted({int(abs(frequency - wanted).argmin()) for wanted in (500, 1000, 2000, 4000, 8000, 16000)})
    return ", ".join(f"{index[i]:.1f} dB at {frequency[i]:.0f} Hz" for i in at)
