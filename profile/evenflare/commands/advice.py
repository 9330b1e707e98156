"""What to do next after a search or a score, with the commands as they are typed."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from evenflare.radiation import method_for
from evenflare.studies.course import Course, course, edges
from evenflare.studies.verdict import TargetVerdict
from evenflare.target.target import Target
from evenflare.waveguide import SolidCabinet, Waveguide
from evenflare.words import spoken

ENOUGH = 600
"""Candidates that a search too short to be judged is asked for at least."""


class NextStep(NamedTuple):
    """A thing to do, a sentence without its full stop, and the command that does it."""

    words: str
    command: str


@dataclass(frozen=True)
class TargetAnswer:
    """What a target's user asked: whether it is met, where not, and what to do next."""

    verdict: TargetVerdict
    steps: Sequence[NextStep]


@dataclass(frozen=True)
class Asked:
    """How a search was asked for: as `search` takes it, None where an option was left out."""

    target: Path
    folder: Path
    candidates: int
    minutes: float | None = None
    seed: int | None = None
    workers: int | None = None
    scheduler: str | None = None
    starts: Sequence[str] = ()

    def command(self, *, candidates: int | None = None, minutes: float | None = None) -> str:
        """The command that asks for it, or for more."""
        options: list[object] = ["--out", self.folder, "--candidates", candidates or self.candidates]
        if minutes is not None:
            options += ["--minutes", f"{minutes:g}"]
        for name in ("seed", "workers", "scheduler"):
            value = getattr(self, name)
            if value is not None:
                options += [f"--{name}", value]
        for start in self.starts:
            options += ["--from", start]
        return typed("search", self.target, *options)


def typed(*words: object) -> str:
    """A command as it is typed, quoted where the shell needs it."""
    return shlex.join(["evenflare", *map(str, words)])


def after_search(
    verdict: TargetVerdict,
    winner: Waveguide,
    target: Target,
    asked: Asked,
    *,
    stopped_by: str,
    history: Sequence[Mapping[str, Any]],
    judged: bool,
) -> list[NextStep]:
    """What a search leads to. history : its rows; `stopped_by` as of a SearchResult; judged : by both methods."""
    best, steps = asked.folder / "best.toml", []
    if stopped_by != "candidates":
        ended = "time was up" if stopped_by == "time" else "it was interrupted"
        minutes = None if asked.minutes is None else 2.0 * asked.minutes
        steps.append(NextStep(f"The search did not finish, {ended}: go on with it", asked.command(minutes=minutes)))
    elif not verdict.met:
        steps.append(_longer(asked, course(history), seed=target.seed if asked.seed is None else asked.seed))
    at = [] if verdict.met else edges(winner, target.limits)
    if at:
        keys = " or ".join(dict.fromkeys(each.key for each in at))
        words = (
            f"{_sentence([each.words for each in at])}: a wider limit may let a better shape through. Widen [limits]"
            f" {keys} in {asked.target} as far as you can build it, and go on from this winner"
        )
        wider = _beside(asked.folder, "wider")
        steps.append(NextStep(words, typed("search", asked.target, "--out", wider, "--from", asked.folder)))
    if not judged:
        steps += _judged(winner, best, asked.folder / "judged")
    if other := _runner_up(history):
        number, family = other
        words = f"Look at another candidate as a design, here the best of another family, {spoken(family)}"
        picked = asked.folder / f"candidate_{number}.toml"
        steps.append(NextStep(words, typed("pick", asked.folder, "--number", number, "--out", picked)))
    steps.append(_export(best, asked.folder / "to_cut"))
    return steps


def _longer(asked: Asked, measured: Course | None, *, seed: int) -> NextStep:
    """More candidates where they will probably pay, else another start."""
    if measured is None:
        words = f"{asked.candidates} candidates are too few to say what more would bring: ask for more"
        return NextStep(words, asked.command(candidates=max(2 * asked.candidates, ENOUGH)))
    if measured.falling:
        return NextStep(measured.words, asked.command(candidates=2 * asked.candidates))
    words = f"{measured.words}. Begin another search from this winner, with another seed"
    options = ("--out", _beside(asked.folder, "again"), "--from", asked.folder, "--seed", seed + 1)
    return NextStep(words, typed("search", asked.target, *options))


def after_score(verdict: TargetVerdict, waveguide: Waveguide, design: Path, target: Path) -> list[NextStep]:
    """What the score of a design leads to."""
    steps = []
    if not verdict.met:
        words = "Let a search begin at this shape; it ends no worse"
        steps.append(NextStep(words, typed("search", target, "--out", _beside(design, "search"), "--from", design)))
    steps += _judged(waveguide, design, _beside(design, "judged"))
    steps.append(_export(design, _beside(design, "to_cut")))
    return steps


def _judged(waveguide: Waveguide, design: Path, folder: Path) -> list[NextStep]:
    """Boundary elements, where they can solve it and have not yet."""
    mounting = waveguide.mounting
    if method_for(mounting) != "march" or isinstance(mounting.cabinet, SolidCabinet):
        return []
    if not waveguide.is_round and mounting.kind != "cabinet":
        return []
    words = "Have it solved by boundary elements, which share nothing with the method of the search"
    return [NextStep(words, typed("solve", design, "--method", "boundary_elements", "--out", folder))]


def _export(design: Path, folder: Path) -> NextStep:
    words = "Have it made: solid, points and proved programs, here of a router"
    return NextStep(words, typed("export", design, "--out", folder, "--process", "router"))


def _runner_up(history: Sequence[Mapping[str, Any]]) -> tuple[int, str] | None:
    """Number and family of the best candidate at full of another family than the winner's."""
    full = [row for row in history if row["stage"] == "full" and row["feasible"] and row["score"] is not None]
    if not full:
        return None
    ranked = sorted(full, key=lambda row: (row["score"], row["number"]))
    other = next((row for row in ranked if row["family"] != ranked[0]["family"]), None)
    return None if other is None else (int(other["number"]), str(other["family"]))


def _beside(path: Path, ending: str) -> Path:
    """A folder beside another or beside a file, that says what it is for."""
    return path.with_name(f"{path.resolve().stem}_{ending}")


def _sentence(clauses: Sequence[str]) -> str:
    said = "; ".join(clauses)
    return f"{said[0].upper()}{said[1:]}"
