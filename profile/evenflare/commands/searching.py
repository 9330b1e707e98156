"""Search for a target, and what becomes of the winner; the history of a search."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack, nullcontext
from functools import partial
from pathlib import Path
from typing import Any

from evenflare import __version__, files
from evenflare.commands import run_sections
from evenflare.commands.advice import Asked, TargetAnswer, after_search
from evenflare.commands.cabinets import question_of
from evenflare.commands.closing import EVERYTHING, Closing, Extent
from evenflare.commands.designs import (
    Cut,
    Solution,
    solution_pictures,
    tip_below_throat,
    write_export,
    write_report,
    write_solution,
)
from evenflare.commands.forgiving import read_search_target
from evenflare.commands.fronts import BINDING, write_front
from evenflare.commands.live import Live
from evenflare.commands.observing import winner_observation
from evenflare.commands.remarks import faults_of
from evenflare.commands.solving import heard
from evenflare.design.file import Design, write_design
from evenflare.files import InputError
from evenflare.parsing import tables
from evenflare.results import binding
from evenflare.search import (
    ROW,
    Progress,
    SearchResult,
    check_cluster,
    check_search,
    connected,
    factory_for,
    front_of,
    glimpse,
    history_rows,
    nearest,
    ranking_words,
    run_facts,
    run_search,
)
from evenflare.search.front import USUAL
from evenflare.search.starts import Start
from evenflare.studies.verdict import verdict
from evenflare.target.consistent import contradictions
from evenflare.target.copied import copy_target
from evenflare.target.reach import reachability
from evenflare.target.target import Target
from evenflare.text import CELLS, added, comments, quoted
from evenflare.waveguide import Waveguide


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
) -> tuple[Target, list[str]]:
    """The target of a search whose arguments and folder are in order, and what there is to say of the folder.

    InputError otherwise, before anything is made.
    """
    if workers is not None and scheduler is not None:
        raise InputError(
            f"--workers = {workers}: must be left out where --scheduler is given: the cluster's own workers do the work"
        )
    if minutes is not None and not minutes > 0:
        raise InputError(f"--minutes = {minutes:g}: must be above 0. Leave it out to ask for all candidates")
    target = read_search_target(path)
    text = files.read_text(path)
    notes = check_search(
        target, folder, target_text=text, workers=_processes(workers), candidates=candidates, seed=seed, starts=starts
    )
    if scheduler is not None:
        check_cluster(scheduler)
    return target, notes


def forecast(target: Target, path: Path, folder: Path, candidates: int | None, workers: int | None) -> str:
    """How long a search takes as a whole, in words, before anything is timed."""
    question = question_of(path)
    left = max(0, (target.candidates if candidates is None else candidates) - glimpse(folder).candidates)
    processes = min(_processes(workers), os.cpu_count() or 1)
    closing = Closing(target, began=time.monotonic(), minutes=None)
    return closing.forecast(left, processes=processes, cabinet=0.0 if question is None else question.seconds)


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
    began: float | None = None,
    progress: Callable[[Progress], None],
    stage: Callable[[str], None],
) -> tuple[SearchResult, Solution | None]:
    """`search`: the search itself, then the winner, if there is one, solved, exported and reported in `folder`.

    began : s on the clock of time.monotonic, from which the minutes count.
    """
    target, _ = checked_search(
        target_path,
        folder,
        workers=workers,
        candidates=candidates,
        minutes=minutes,
        seed=seed,
        scheduler=scheduler,
        starts=starts,
    )
    contradictions(target)
    reachability(target)
    closing = Closing(target, began=time.monotonic() if began is None else began, minutes=minutes)
    live = Live(target, folder, command=command, closing=closing, design=partial(_design, target))

    def standing(found: Progress) -> None:
        progress(found)
        live(found)

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
                minutes=closing.minutes,
                closing=closing.reserve,
                seed=seed,
                progress=standing,
                executor=executor,
                starts=starts,
            )
        if result.best is None:
            return result, None
        extent: Extent | None = EVERYTHING
        if result.stopped_by == "interrupted":
            live.ended("was interrupted")
            stage("Interrupted: solving and exporting the best so far; Ctrl-C again leaves that out")
        else:
            extent = closing.extent()
            stage(_closing_words(extent, folder))
        design = _design(target, result.best.waveguide)
        write_design(design, folder / "best.toml")
        if extent is None:
            live.ended("ran out of time")
            return result, None
        with files.together(), faults_of(folder / "best.toml"):
            count, named = candidates or target.candidates, tuple(start.name for start in starts)
            asked = Asked(target_path, folder, count, minutes, seed, workers, scheduler, named)
            return result, _write_winner(result, design, target, asked, command, extent, starts)


def _closing_words(extent: Extent | None, folder: Path) -> str:
    """What is made of the winner now, and what there is no time for."""
    if extent is None:
        best = folder / "best.toml"
        return (
            f"No time is left to solve and export the winner, {best}: evenflare solve {best} --out"
            f" {folder / 'best'} does, or the same command with more --minutes"
        )
    later = f"; no time is left for {extent.left_out}: the same command with more --minutes makes them"
    return f"Solving and exporting the winner{later if extent.left_out else ''}"


def _design(target: Target, waveguide: Waveguide) -> Design:
    """The best of a search as a design."""
    name = added(target.name, ": best of the search")
    return Design(name, waveguide, target.air, winner_observation(target, waveguide))


def _write_winner(
    result: SearchResult,
    design: Design,
    target: Target,
    asked: Asked,
    command: str,
    extent: Extent,
    starts: Sequence[Start],
) -> Solution:
    """The winner of a search solved, exported and reported in its folder, and what could be traded for what."""
    from evenflare.report.waveguide.front import trade_offs

    assert result.best is not None  # there is a winner
    folder, history = asked.folder, list(history_rows(asked.folder))
    sound = heard(folder / "best.toml", design, "full", target=target, comparing=extent.compared)
    pictures = solution_pictures(design, sound, target)
    kept = pictures if extent.pictures else {}
    inside = write_solution(design, sound, folder / "best", command=command, pictures=kept)
    exported, facts = write_export(design, folder / "best", Cut())
    found = verdict(sound.directivity, result.best.score, target)
    steps = after_search(
        found,
        design.waveguide,
        target,
        asked,
        stopped_by=result.stopped_by,
        history=history,
        judged=sound.agreement is not None,
    )
    page_of: dict[str, Any] = {
        "pictures": pictures,
        "directivity": sound.directivity,
        "all_round": sound.all_round,
        "provenance": {"wall_time_s": sound.seconds},
        "target": target,
        "score": result.best.score,
        "verdict": found,
        "tip_below_throat": tip_below_throat(design, facts),
        "agreement": sound.agreement,
        "alone": sound.alone,
        "cabinet": sound.cabinet,
    }
    shapes, shape_files = run_sections.write_shapes(target, folder)
    front = front_of(history, [f"{each.name}:{each.better}" for each in target.trade] or USUAL)
    fronts_written = write_front(front, folder, folder, target=target, command=command)
    files.write_text(
        folder / BINDING,
        binding.csv_text(result.binding, header=[f"{target.name}, by evenflare", f"made by: {command}"]),
    )
    ranked = ranking_words(target.mounting, oblong=target.oblong)
    if extent.pictures:
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
        *([("best/report.html", "the winner on one page")] if extent.pictures else []),
        *shape_files,
        ("report.html", "the search on one page: winner, trade-offs, families, history"),
        *fronts_written,
        (BINDING, "limits that hold the winner back, and what relaxing them gains"),
        ("candidates.sqlite", "every candidate; the same command on the same folder continues from it"),
        ("target/", "the target and the files that it names, as they were: what pick needs"),
    ]
    write_report(
        design,
        folder / "report.html",
        what=f"Search for {target.name} ({asked.target.name}). Made by evenflare.",
        command=command,
        written=written,
        history=history,
        steps=steps,
        trade_offs=trade_offs(front, result.binding),
        families=family_results(result, folder),
        beside=run_sections.run_sections(result, target, folder, shapes, starts) if extent.pictures else (),
        ladder=[words for words in (ranked, result.agreement.words if result.agreement else "") if words],
        **page_of,
    )
    return Solution(sound, written, TargetAnswer(found, steps))


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
            each.family,
            screen=best.get((each.family, "screen")),
            full=best.get((each.family, "full")),
            tried=each.candidates,
            tried_full=tried[each.family, "full"],
            why=why(each.family),
            ended=each.words,
        )
        for each in result.families
    ]


def _run_lines(folder: Path) -> list[str]:
    """What was searched for and how, as header lines."""
    facts = run_facts(folder)
    try:
        name = str(tables(facts.get("target", "")).get("name", ""))
    except ValueError:  # a target by no file
        name = ""
    return [
        *([f"target: {name}"] if name else []),
        f"seed {facts.get('seed', 'not yet known')}; searched by {facts.get('version', f'evenflare {__version__}')}",
    ]


def history_lines(folder: Path) -> Iterable[str]:
    """`history`: the rows of a search as CSV lines, with header lines and a header row."""

    def line(values: Iterable[object]) -> str:
        return ",".join(quoted(each) if isinstance(each, str) else "" if each is None else str(each) for each in values)

    rows = history_rows(folder)
    first = next(rows, None)
    yield from comments(
        (
            f"every scored candidate of the search in {folder.resolve().name}, a row per number and stage",
            *_run_lines(folder),
            "units: score and terms in dB, lower is better; parameters in the unit of their name; feasible 1 where all"
            " limits are kept; number is the order asked for; empty where not applicable",
            "caution: scores of one stage compare with each other, not with those of another",
            CELLS,
        )
    )
    yield line(ROW if first is None else first)
    if first is not None:
        yield line(first.values())
    yield from (line(row.values()) for row in rows)


def reach_words(target: Target) -> str:
    """What the limits allow, from a few shapes solved in the target's mounting, for before a search."""
    from evenflare.studies.reach import reach_words as words_of
    from evenflare.studies.reach import tried

    factory = factory_for(target.mounting, oblong=target.oblong)
    return words_of(target, tried(target, factory("estimate" if target.oblong else "screen")))
