"""What the commands do: the same library calls that a notebook makes, and files. The words are in cli.py."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, is_dataclass
from pathlib import Path
from typing import Any, Literal

from evenflare import files, metrics, radiation
from evenflare.design import Design, default_observation, design_id, read_design, write_design
from evenflare.directivity import Directivity
from evenflare.files import InputError
from evenflare.objective import Score, score, search_observation
from evenflare.search import Progress, SearchResult, history_rows, run_search
from evenflare.target import Target, reachability, read_target
from evenflare.waveguide import Limits, limit_excess

Written = list[tuple[str, str]]
"""Files by name, and what each is for."""

INVENTED = "Made by evenflare."


def solved(path: Path, design: Design, setting: radiation.Setting, method: Literal["march"]) -> Directivity:
    """`radiation.solve`, with what the design of the file `path` asks for in vain told as an error of the input."""
    try:
        return radiation.solve(design, method=method, setting=setting)
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error


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


def write_export(design: Design, folder: Path, cut: Cut) -> tuple[Written, Mapping[str, Any]]:
    """The machinist's files and the design itself, and their facts."""
    from evenflare.manufacture import export

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
    return [
        ("design.toml", "the design itself; reads back to the same shape"),
        ("solid.stl", f"the closed solid in mm, {made.solid.triangles} triangles"),
        ("points.csv", f"{made.points.rows} points from throat to mouth with normals and the tool's centre"),
    ], {"points": _plain(made.points), "solid": _plain(made.solid)}


def _plain(value: Any) -> Any:
    """Facts as JSON holds them; paths by their name."""
    if is_dataclass(value) and not isinstance(value, type):
        return {key: _plain(each) for key, each in asdict(value).items()}
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    return value.name if isinstance(value, Path) else value


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
    try:
        directivity = radiation.solver("full")(design.waveguide, search_observation(target), design.air)
        return score(directivity, design.waveguide, target), notes
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error


def export_command(path: Path, folder: Path, cut: Cut, command: str) -> Written:
    """`export`: what a machinist pulls, in `folder`."""
    design = read_design(path)
    written, facts = write_export(design, folder, cut)
    written.append(("report.html", "this design on one page, opens anywhere"))
    write_report(
        design,
        folder / "report.html",
        what=f"Export of {path.name}. {INVENTED}",
        command=command,
        written=written[:-1],
        limits=limit_excess(design.waveguide, Limits()),
        provenance=facts,
    )
    return written


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
    if minutes is not None and not minutes > 0:
        raise InputError(f"--minutes = {minutes:g}: must be above 0. Leave it out to ask for all candidates")
    target = read_target(target_path)
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
    directivity = solved(folder / "best.toml", design, "full", "march")
    inside = write_solution(design, directivity, folder / "best", command=command, target=target)
    exported, facts = write_export(design, folder / "best", Cut())
    page_of: dict[str, Any] = {
        "directivity": directivity,
        "target": target,
        "score": result.best.score.value,
        "terms": result.best.score.terms,
        "limits": result.best.score.constraints,
        "provenance": facts,
    }
    write_report(
        design,
        folder / "best" / "report.html",
        what=f"Winner of the search. {INVENTED}",
        command=command,
        written=inside,
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
        what=f"Search for {target.name} ({target_path.name}). {INVENTED}",
        command=command,
        written=written,
        history=list(history_rows(folder)),
        families=family_results(result, folder),
        **page_of,
    )
    return result, written


def family_results(result: SearchResult, folder: Path) -> list[Any]:
    """The best score of each family at screen and at full, for the page."""
    from evenflare.report.page import FamilyResult

    best: dict[tuple[str, str], float] = {}
    for row in history_rows(folder):
        key, value = (str(row["family"]), str(row["stage"])), row["score"]
        if row["feasible"] and isinstance(value, float):
            best[key] = min(value, best.get(key, value))
    families = dict.fromkeys(family for family, _ in best)
    return [FamilyResult(family, best.get((family, "screen")), best.get((family, "full"))) for family in families]


def history_lines(folder: Path) -> Iterable[str]:
    """`history`: the rows of a search as CSV lines, with a header row."""
    import csv
    import io

    for n, row in enumerate(history_rows(folder)):
        line = io.StringIO()
        writer = csv.writer(line, lineterminator="")
        if n == 0:
            writer.writerow(row)
            yield line.getvalue()
            line.seek(0)
            line.truncate()
        writer.writerow(["" if value is None else value for value in row.values()])
        yield line.getvalue()


def score_json(found: Score) -> str:
    """A score as one JSON object."""
    return json.dumps(
        {
            "score_db": found.value,
            "feasible": found.feasible,
            "terms_db": dict(found.terms),
            "limits": dict(found.constraints),
        },
        indent=2,
    )


def index_line(directivity: Directivity) -> str:
    """The directivity index at a few frequencies, in words."""
    index = metrics.directivity_index(directivity)
    frequency = directivity.observation.frequency
    at = sorted({int(abs(frequency - wanted).argmin()) for wanted in (500, 1000, 2000, 4000, 8000, 16000)})
    return ", ".join(f"{index[i]:.1f} dB at {frequency[i]:.0f} Hz" for i in at)
