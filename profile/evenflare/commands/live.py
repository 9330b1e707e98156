"""A run's folder while the search is at work: where it stands, the best so far and a page, rewritten now and then."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from evenflare import files
from evenflare.commands.closing import Closing
from evenflare.commands.solving import needs
from evenflare.design.file import Design, write_design
from evenflare.files import InputError
from evenflare.parsing import read_json
from evenflare.results.formats import json_text
from evenflare.search import Progress, history_rows, waveguide_of
from evenflare.search.interruptions import interruptions_held
from evenflare.search.stages import stage_words
from evenflare.target.target import Target
from evenflare.text import added
from evenflare.waveguide import Waveguide
from evenflare.words import duration

PROGRESS = "progress.json"
STANDS_EVERY = 2.0
"""s between two writings of where it stands, for whoever watches from another process."""
EVERY = 60.0
"""s between two writings of the best and the page at least, and
SHARE of the time that they may take."""
SHARE = 0.01
DRAWN = 0.5
"""s that a page takes, 0.35 of them a core's time, while workers are at it on every core; they rest when the
winner's files are made.
"""


class Live:
    """Rewrites a run's best.toml and report.html as the search goes on, each whole or not at all."""

    def __init__(
        self,
        target: Target,
        folder: Path,
        *,
        command: str,
        closing: Closing,
        design: Callable[[Waveguide], Design],
    ) -> None:
        """design : the best waveguide so far as what is written."""
        self.target, self.folder, self.command, self.closing, self._design = target, folder, command, closing, design
        self.began = datetime.now()
        self.seconds = 0.0
        self._due = self._stands_due = 0.0
        self._drawn_before = False
        self._last: Progress | None = None

    def __call__(self, progress: Progress) -> None:
        """A candidate is finished: write if it is time to."""
        self._last = progress
        if time.monotonic() >= self._stands_due:
            self._stand(progress)
        if progress.leader is not None and time.monotonic() >= self._due:
            self.write(progress)

    def _stand(self, progress: Progress) -> None:
        with interruptions_held(), files.apart():
            files.write_text(self.folder / PROGRESS, json_text(progress_record(progress)))
        self._stands_due = time.monotonic() + STANDS_EVERY

    def ended(self, why: str) -> None:
        """Leave what there is, if anything was found in this call; why : it has ended."""
        if self._last is not None and self._last.leader is not None:
            self.write(self._last, why=why)

    def write(self, progress: Progress, *, why: str = "") -> None:
        """Both files. why : it has ended, and is no longer running."""
        with interruptions_held():
            self._write(progress, why)

    def _write(self, progress: Progress, why: str) -> None:
        from evenflare.report.kit import canvas  # noqa: F401 - loaded before the clock runs
        from evenflare.report.waveguide import live

        assert progress.leader is not None  # there is nothing to write without
        start, now = time.monotonic(), datetime.now()
        number, job = progress.leader
        waveguide = waveguide_of(self.target, job.family, job.vector)
        with files.apart(), files.together():
            write_design(self._design(waveguide), self.folder / "best.toml")
            left = "" if progress.time_left is None or why else f" About {duration(progress.time_left)} to go."
            text = live.live_page(
                waveguide,
                name=added(self.target.name, ": search"),
                command=self.command,
                state=live.ended_words(self.began, now, why=why) if why else live.running_words(self.began, now),
                found=f"{progress.done} of {progress.total} candidates are judged; the best, number {number}, of family"
                f" {job.family}, has a score of {progress.best:.3f} dB {stage_words(job.setting)}.{left}",
                history=list(history_rows(self.folder)),
                written=[
                    ("best.toml", "the best design so far, to solve, score or export"),
                    *([("best/", "of the best when the search last ended")] if (self.folder / "best").is_dir() else []),
                    ("candidates.sqlite", "every candidate; the same command on the same folder continues from it"),
                ],
                running=not why,
            )
            files.write_text(self.folder / "report.html", text)
        took = time.monotonic() - start
        self.seconds += took
        if self._drawn_before:
            self.closing.note(DRAWN, took)
        elif self.target.oblong and self.target.mounting.kind == "free_standing":
            self.closing.solved_in(sum(needs(self.folder / "best.toml", "full", None).seconds))
        self._drawn_before = True
        self._due = time.monotonic() + max(EVERY, took / SHARE)


def progress_record(progress: Progress) -> dict[str, object]:
    """What `progress.json` holds: dB, s, candidates per s; null where it is not known."""
    return {
        "done": progress.done,
        "total": progress.total,
        "best_db": progress.best,
        "candidates_per_s": progress.rate,
        "time_left_s": progress.time_left,
        "stage": progress.stage,
    }


def time_left(folder: Path) -> float | None:
    """s that the search at work in a folder still takes, by what it wrote last; None where that is of no use."""
    path = folder / PROGRESS
    try:
        age = time.time() - path.stat().st_mtime
        left = read_json(path, remedy="It is written anew while a search runs").get("time_left_s")
    except (OSError, InputError, AttributeError):
        return None
    # One that a search left behind which was stopped is older than it promised.
    return max(left - age, 0.0) if isinstance(left, int | float) and age < left + EVERY else None


def held_words(folder: Path) -> str:
    """What a folder holds of a search, for one that was interrupted before it came to it."""
    from evenflare.search import glimpse

    try:
        there = glimpse(folder)
    except InputError:
        return f"{folder} holds a search that cannot be read"
    if not there.candidates:
        return f"{folder} holds no candidates yet; the same command begins"
    best = "none of which keeps the limits" if there.best is None else f"the best at {there.best:.3f} dB"
    design = f", {folder / 'best.toml'}" if files.is_file(folder / "best.toml") else ""
    return f"{folder} holds {there.candidates} candidates, {best}{design}; the same command continues"
