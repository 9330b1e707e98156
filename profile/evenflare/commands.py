"""What the commands do: the same library calls that a notebook makes, and files. The words are in cli.py."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from evenflare import files, metrics, radiation
from evenflare.design import Design, default_observation, design_id, read_design, write_design
from evenflare.directivity import Directivity
from evenflare.files import InputError
from evenflare.objective import Score, score, search_observation
from evenflare.remarks import check_solvable, faults_of
from evenflare.search import ROW, Progress, SearchResult, check_search, history_rows, nearest, run_search
from evenflare.target import Target, reachability, read_target
from evenflare.units import MILLIMETRE

Written = list[tuple[str, str]]
"""Files by name, and what each is for."""


def solved(path: Path, design: Design, setting: radiation.Setting, method: Literal["march"]) -> Directivity:
    """`radiation.solve`, with what the design of the file `path` asks for in vain told as an error of the input."""
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        return radiation.solve(design, method=method, setting=setting)


def write_solution(
    design: Design, directivity: Directivity, folder: Path, *, command: str, target: Target | None = None
) -> Written:
    """The tables and pictures of a solved design."""
    from evenflare.report import figures, tables

    tables.write_solution(
        folder, directivity, name=design.name, design_id=design_id(design), provenance={"command": command}
    )
    pictures = {
        "profile.png": figures.profile(design.waveguide),
        "directivity_map.png": figures.directivity_map(directivity),
        "index_and_beamwidth.png": figures.index_and_beamwidth(directivity, target),
        "off_axis_curves.png": figures.off_axis_curves(directivity),
        "standard_curves.png": figures.standard_curves(directivity),
        "throat_impedance.png": figures.throat_impedance(directivity),
    }
    for name, figure in pictures.items():
        figures.save(figure, folder / name)
    return [
        ("directivity.csv", "level and phase over frequency and angle"),
        ("summary.csv", "index, beamwidth, level, power and throat impedance over frequency"),
        ("standard_curves.csv", "the curves of ANSI/CTA-2034-A"),
        ("provenance.json", "how it was solved"),
        *((name, "picture") for name in pictures),
    ]


@dataclass(frozen=True)
class Cut:
    """What `export` works to: chord error and tool radius, m."""

    chord_error: float = 0.05e-3
    tool_radius: float = 3e-3


def checked_cut(chord_error: float, tool_radius: float) -> Cut:
    """Both in m. InputError if one is out of range."""
    from evenflare.manufacture.offset import checked_tool_radius
    from evenflare.manufacture.spacing import checked_chord_error

    return Cut(checked_chord_error(chord_error), checked_tool_radius(tool_radius))


def write_export(design: Design, folder: Path, cut: Cut) -> tuple[Written, float]:
    """The machinist's files and the design itself, and by how much the tool's tip passes the throat plane, m."""
    from evenflare.manufacture import export
    from evenflare.manufacture.offset import floor_micrometre

    made = export(
        design.waveguide,
        design.solid,
        folder,
        chord_error=cut.chord_error,
        tool_radius=cut.tool_radius,
        design_id=design_id(design),
        name=design.name,
    )
    write_design(design, folder / "design.toml")
    points, solid = made.points, made.solid
    largest = floor_micrometre(points.largest_tool_radius) / MILLIMETRE
    undercut = "" if points.undercut_z is None else f", undercut from z = {points.undercut_z / MILLIMETRE:.3f} mm"
    return [
        ("design.toml", "the design itself; reads back to the same shape"),
        (
            "solid.stl",
            f"the closed solid in mm: {solid.triangles} triangles, {solid.volume / (10 * MILLIMETRE) ** 3:.0f} cm³,"
            f" outside diameter {solid.sizes.flange_diameter / MILLIMETRE:.1f} mm",
        ),
        (
            "points.csv",
            f"{points.rows} points from throat to mouth with normals and the tool's centre: tool radius"
            f" {points.tool_radius / MILLIMETRE:g} mm (at most {largest:g}),"
            f" lowest program_z {points.lowest_program_z / MILLIMETRE:.3f} mm{undercut}",
        ),
    ], -points.lowest_program_z - design.waveguide.meridian.depth


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
    path: Path, folder: Path, setting: radiation.Setting, method: Literal["march"], command: str
) -> tuple[Directivity, Written]:
    """`solve`: one design's radiation, its tables and pictures in `folder`."""
    design = read_design(path)
    directivity = solved(path, design, setting, method)
    with files.together():
        return directivity, write_solution(design, directivity, folder, command=command)


def score_command(path: Path, target_path: Path) -> tuple[Score, list[str]]:
    """`score`: a design against a target, and what about the comparison a user should know."""
    design, target = read_design(path), read_target(target_path)
    notes = [
        f"the design's [{name}] differs from the target's: the design's own is used"
        for name, own, wanted in (
            ("driver", design.waveguide.driver, target.driver),
            ("mounting", design.waveguide.mounting, target.mounting),
            ("air", design.air, target.air),
        )
        if own != wanted
    ]
    with faults_of(path, solving=True):
        check_solvable(design.waveguide)
        directivity = radiation.solver("full")(design.waveguide, search_observation(target), design.air)
        return score(directivity, design.waveguide, target), notes


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
    path: Path, folder: Path, *, workers: int, candidates: int | None, minutes: float | None, seed: int | None
) -> Target:
    """The target of a search whose arguments and folder are in order; InputError otherwise, before anything is made."""
    if minutes is not None and not minutes > 0:
        raise InputError(f"--minutes = {minutes:g}: must be above 0. Leave it out to ask for all candidates")
    target = read_target(path)
    text = files.read_text(path)
    check_search(target, folder, target_text=text, workers=workers, candidates=candidates, seed=seed)
    return target


def search_command(
    target_path: Path,
    folder: Path,
    *,
    command: str,
    workers: int,
    candidates: int | None,
    minutes: float | None,
    seed: int | None,
    progress: Callable[[Progress], None],
    stage: Callable[[str], None],
) -> tuple[SearchResult, Written]:
    """`search`: the search itself, then the winner solved, exported and reported in `folder`."""
    target = checked_search(target_path, folder, workers=workers, candidates=candidates, minutes=minutes, seed=seed)
    reachability(target)
    result = run_search(
        target,
        folder,
        target_text=files.read_text(target_path),
        workers=workers,
        candidates=candidates,
        minutes=minutes,
        seed=seed,
        progress=progress,
    )
    if result.best is None:
        return result, []
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
) -> Written:
    """The winner of a search solved, exported and reported in its folder."""
    directivity = solved(folder / "best.toml", design, "full", "march")
    inside = write_solution(design, directivity, folder / "best", command=command, target=target)
    exported, tip = write_export(design, folder / "best", Cut())
    page_of: dict[str, Any] = {
        "directivity": directivity,
        "target": target,
        "score": result.best.score if result.best else None,
        "tip_below_throat": tip,
    }
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
        **page_of,
    )
    return written


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


def score_json(found: Score, notes: Sequence[str]) -> str:
    """A score as one JSON object, with the notes of `score_command`."""
    return json.dumps(
        {
            "score_db": found.value,
            "feasible": found.feasible,
            "terms_db": dict(found.terms),
            "limits": dict(found.constraints),
            "notes": list(notes),
        },
        indent=2,
    )


def index_line(directivity: Directivity) -> str:
    """The directivity index at a few frequencies, in words."""
    index = metrics.directivity_index(directivity)
    frequency = directivity.observation.frequency
    at = sorted({int(abs(frequency - wanted).argmin()) for wanted in (500, 1000, 2000, 4000, 8000, 16000)})
    return ", ".join(f"{index[i]:.1f} dB at {frequency[i]:.0f} Hz" for i in at)
