"""Search for a target, and what becomes of the winner; the history of a search."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import Any

from evenflare import files
from evenflare.commands import run_sections
from evenflare.commands.designs import (
    Cut,
    Solution,
    tip_below_throat,
    write_export,
    write_report,
    write_solution,
)
from evenflare.commands.observing import winner_observation
from evenflare.commands.remarks import faults_of
from evenflare.commands.solving import heard
from evenflare.design.file import Design, write_design
from evenflare.files import InputError
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
from evenflare.search.starts import Start
from evenflare.target.copied import copy_target
from evenflare.target.reach import reachability
from evenflare.target.target import Target, read_target
from evenflare.text import added, quoted


def checked_search(
    path: Path,
    folder: Path,
    *,
    workers: int | None,
    candidates: int | None,
    minutes: float | None,
    seed: int | None,
    scheduler: str | None = None,
    starts: Sequence[Start] = (),
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
    check_search(
        target, folder, target_text=text, workers=_processes(workers), candidates=candidates, seed=seed, starts=starts
    )
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
    starts: Sequence[Start] = (),
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
        starts=starts,
    )
    reachability(target)
    with ExitStack() as stack:
        with nullcontext() if scheduler is None else connected(scheduler, say=stage) as executor:
            stack.enter_context(files.staying(folder))
            copy_target(target_path, folder)
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
                starts=starts,
            )
        if result.best is None:
            return result, None
        stage(
            "Interrupted: solving and exporting the best so far; Ctrl-C again leaves that out"
            if result.stopped_by == "interrupted"
            else "Solving and exporting the winner"
        )
        waveguide = result.best.waveguide
        design = Design(
            added(target.name, ": best of the search"), waveguide, target.air, winner_observation(target, waveguide)
        )
        write_design(design, folder / "best.toml")
        with files.together(), faults_of(folder / "best.toml"):
            return result, _write_winner(result, design, target, target_path, folder, command, starts)


def _write_winner(
    result: SearchResult,
    design: Design,
    target: Target,
    target_path: Path,
    folder: Path,
    command: str,
    starts: Sequence[Start],
) -> Solution:
    """The winner of a search solved, exported and reported in its folder."""
    sound = heard(folder / "best.toml", design, "full", target=target)
    inside = write_solution(design, sound, folder / "best", command=command, target=target)
    exported, facts = write_export(design, folder / "best", Cut())
    page_of: dict[str, Any] = {
        "directivity": sound.directivity,
        "all_round": sound.all_round,
        "provenance": {"wall_time_s": sound.seconds},
        "target": target,
        "score": result.best.score if result.best else None,
        "tip_below_throat": tip_below_throat(design, facts),
        "agreement": sound.agreement,
        "alone": sound.alone,
        "cabinet": sound.cabinet,
    }
    shapes, shape_files = run_sections.write_shapes(target, folder)
    ranked = ranking_words(target.mounting, oblong=target.oblong)
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
        *shape_files,
        ("report.html", "the search on one page: winner, families, history"),
        ("candidates.sqlite", "every candidate; the same command on the same folder continues from it"),
        ("target/", "the target and the files that it names, as they were: what pick needs"),
    ]
    write_report(
        design,
        folder / "report.html",
        what=f"Search for {target.name} ({target_path.name}). Made by evenflare.",
        command=command,
        written=written,
        history=list(history_rows(folder)),
        families=family_results(result, folder),
        beside=run_sections.run_sections(result, target, folder, shapes, starts),
        ladder=[words for words in (ranked, *(each.words for each in result.agreements)) if words],
        **page_of,
    )
    return Solution(sound, written)


def family_results(result: SearchResult, folder: Path) -> list[Any]:
    """What became of each family that takes part, for the page."""
    from evenflare.report.waveguide.rows import FamilyResult

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

    def line(values: Iterable[object]) -> str:
        return ",".join(quoted(each) if isinstance(each, str) else "" if each is None else str(each) for each in values)

    rows = history_rows(folder)
    first = next(rows, None)
    yield line(ROW if first is None else first)
    if first is not None:
        yield line(first.values())
    yield from (line(row.values()) for row in rows)
