"""What a run's page says beside the winner: different good shapes, what became of starts, and what was assumed."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files
from evenflare.commands.forgiving import robust_lines
from evenflare.commands.picking import candidate_design
from evenflare.commands.written import Written
from evenflare.design.file import write_design
from evenflare.directivity.types import Directivity
from evenflare.objective import Score, of_terms, search_observation
from evenflare.radiation import method_for
from evenflare.results import shapes as tables
from evenflare.search import SearchResult, Winner, factory_for
from evenflare.search.picked import Picked
from evenflare.search.shapes import MOST, GoodShape, different_shapes, how_different
from evenflare.search.starts import Start
from evenflare.search.store import finished
from evenflare.search.worker import waveguide_of
from evenflare.target.assumed import assumptions
from evenflare.target.target import Target
from evenflare.units import MILLIMETRE
from evenflare.waveguide import Waveguide
from evenflare.waveguide.likeness import walls
from evenflare.words import spoken

if TYPE_CHECKING:
    from evenflare.report.kit.sheet import PageSection

FOLDER = "shapes"
"""Of a run's folder, for the designs of its different good shapes."""


def write_shapes(target: Target, folder: Path) -> tuple[list[GoodShape], Written]:
    """The different good shapes of a run as designs and a table in its folder. InputError if it cannot be written."""
    shapes = different_shapes(folder, target)
    place = folder / FOLDER
    for number, each in enumerate(shapes, start=1):
        write_design(candidate_design(target, each.candidate), place / tables.file_of(number))
    for number in range(len(shapes) + 1, MOST + 1):  # of a state of the run in which there were more
        with suppress(FileNotFoundError):
            (place / tables.file_of(number)).unlink()
    if not shapes:
        return [], []
    about = how_different(walls(shapes[0].candidate.waveguide))
    header = [f"different good shapes of the search for {target.name}, the best first", about]
    files.write_text(place / "shapes.csv", tables.csv_text(shapes, header=header))
    last = tables.file_of(len(shapes))
    named = f"{FOLDER}/1.toml" if len(shapes) == 1 else f"{FOLDER}/1.toml to {last}"
    return shapes, [
        (named, "different good shapes as designs, the best first"),
        (f"{FOLDER}/shapes.csv", "their scores, sizes and distances from each other"),
    ]


def run_sections(
    result: SearchResult, target: Target, folder: Path, shapes: Sequence[GoodShape], starts: Sequence[Start]
) -> list[PageSection]:
    """The sections of the run's page."""
    found = [_robust(result, target)] if result.best is not None and result.best.scatter is not None else []
    found += [_shapes(target, shapes)] if len(shapes) > 1 else []
    if starts and result.best is not None:
        found.append(_starts(result, target, folder, starts))
    return [*found, _assumed(result, target)]


def _robust(result: SearchResult, target: Target) -> PageSection:
    """The robust winner beside the best drawn shape, and what their units score."""
    from evenflare.report.waveguide import beside

    best, drawn = result.best, result.nominal
    assert best is not None  # asked for with a winner only
    assert target.robust is not None  # else nothing scatters
    named = {"robust winner": best}
    if drawn is not None and drawn.number != best.number:
        named["best as drawn"] = drawn
    shown = [beside.Shown(name, each.waveguide, _sound(target, each.waveguide)) for name, each in named.items()]
    accuracy = target.robust.accuracy
    of = "" if accuracy is None else f" How true that is: {accuracy.source}."
    return beside.section(
        "As made",
        [
            *(f"{line}." for line in robust_lines(result, target)),
            f"Candidates rank by the mean of the score over units of {target.robust.process} plus"
            f" {target.robust.k:g} standard deviations: estimated at screen and full, sampled for the best. Where this"
            f" page says score of candidates and families, it is that; of the winner it is the drawn shape's.{of}",
        ],
        ["shape", "number", "family", "as drawn, dB", "mean, dB", "standard deviation, dB", "ranked by, dB", "units"],
        [_robust_row(name, each) for name, each in named.items()],
        beside.overlaid(shown, target, title="As made"),
        f"Meridians and indices of {' and '.join(named)}.",
        "What the drawn shape gains on paper a workshop may lose: the last columns say which is better as made.",
    )


def _robust_row(name: str, each: Winner) -> list[str]:
    scatter = each.scatter
    assert scatter is not None  # of a robust search all have it
    numbers = (scatter.nominal, scatter.mean, scatter.spread, each.value)
    return [
        name,
        str(each.number),
        spoken(each.family),
        *(f"{number:.3f}" if isfinite(number) else "–" for number in numbers),
        str(scatter.units or "estimated"),
    ]


def _shapes(target: Target, shapes: Sequence[GoodShape]) -> PageSection:
    from evenflare.report.waveguide import beside

    shown = [
        beside.Shown(f"{place}: {spoken(each.candidate.job.family)}, {each.score:.3f} dB", *_heard(target, each))
        for place, each in enumerate(shapes, start=1)
    ]
    return beside.section(
        "Different good shapes",
        [f"{how_different(walls(shapes[0].candidate.waveguide))}."],
        ["shape", "number", "family", "score, dB", "at", "depth, mm", "mouth, mm", "from the best, mm"],
        [_shape_row(place, each) for place, each in enumerate(shapes, start=1)],
        beside.side_by_side(shown, target),
        f"Meridians of {len(shapes)} shapes to one scale, and the index of each over frequency.",
        "Each in blue over the best in grey, z and r in mm; below it the index in dB over Hz, against the wanted band."
        " Where scores are near, choose by what is easier to make or to fit in.",
    )


def _shape_row(place: int, each: GoodShape) -> list[str]:
    waveguide, job = each.candidate.waveguide, each.candidate.job
    mouth = f"{waveguide.mouth_width / MILLIMETRE:.1f}"
    if not waveguide.is_round:
        mouth += f" x {waveguide.mouth_height / MILLIMETRE:.1f}"
    return [
        f"{FOLDER}/{tables.file_of(place)}",
        str(each.candidate.number),
        spoken(job.family),
        f"{each.score:.3f}",
        job.setting,
        f"{waveguide.depth / MILLIMETRE:.1f}",
        mouth,
        "–" if place == 1 else f"{each.apart / MILLIMETRE:.1f}",
    ]


def _starts(result: SearchResult, target: Target, folder: Path, starts: Sequence[Start]) -> PageSection:
    """The winner beside each start, by terms and in curves."""
    from evenflare.report.waveguide import beside

    best = result.best
    assert best is not None  # asked for with a winner only
    judged = {(job.family, job.vector): (number, job, outcome) for number, job, outcome in finished(folder)}
    scores, shown = {"winner": best.score}, [beside.Shown("winner", best.waveguide, _sound(target, best.waveguide))]
    lines = []
    for start in starts:
        lines.append(f"From {start.words}.")
        waveguide = waveguide_of(target, start.family, start.vector)
        found = judged.get((start.family, start.vector))
        if found is None:
            continue
        outcome = found[2]
        sound = _sound(target, waveguide) if outcome.value is not None else None
        shown.append(beside.Shown(start.name, waveguide, sound))
        if outcome.value is None:
            lines.append(f"{start.name} was not solved: it {outcome.reason}.")
            continue
        scores[start.name] = of_terms(
            Score(outcome.value, outcome.terms, outcome.constraints, target.constancy_weight, target.room_weight)
        )
        gain = outcome.value - best.value
        stage = found[1].setting
        lines.append(
            f"{start.name} has {outcome.value:.3f} dB at {stage}; the winner is {gain:.3f} dB better."
            if gain > 0
            else f"{start.name} has {outcome.value:.3f} dB at {stage}: nothing better was found."
        )
    head, rows = beside.terms_rows(scores)
    return beside.section(
        "What it began from",
        lines,
        head,
        rows,
        beside.overlaid(shown, target),
        f"Meridians and indices of the winner and of {len(shown) - 1} shapes that the search began from.",
        "Where the winner leaves a start, something was changed; where they run together, the start was right.",
    )


def _assumed(result: SearchResult, target: Target) -> PageSection:
    from evenflare.report.waveguide import beside

    found = result.rejected
    return beside.section(
        "What was assumed",
        [
            f"Left open by the target, and so assumed. Rejected: how many of {result.built} candidates break it,"
            " and how many of them break nothing else. With a key, [limits] or [search] may say otherwise.",
        ],
        ["assumed", "rejected", "by itself"],
        [
            [
                f"{each.key}: {each.words}" if each.key else each.words,
                *((str(count) for count in found[each.limit]) if each.limit in found else ("–", "–")),
            ]
            for each in assumptions(target)
        ],
        None,
        "",
        "",
    )


def _heard(target: Target, shape: GoodShape) -> tuple[Waveguide, Directivity | None]:
    candidate: Picked = shape.candidate
    return candidate.waveguide, _sound(target, candidate.waveguide)


def _sound(target: Target, waveguide: Waveguide) -> Directivity | None:
    """As a search's stage that takes little hears it; None where every stage takes long, or it cannot be solved."""
    if target.oblong and method_for(target.mounting) != "march":
        return None
    quick = target.oblong or method_for(target.mounting) != "march"
    solver = factory_for(target.mounting, oblong=target.oblong)("screen" if quick else "full")
    try:
        return solver(waveguide, search_observation(target), target.air)
    except (ValueError, ArithmeticError, RuntimeError):
        return None
