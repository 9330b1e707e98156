"""A search seen from the page: what its folder holds, and the process of one that was started there."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

import numpy as np

from evenflare.commands.live import time_left
from evenflare.files import InputError
from evenflare.search.front import nondominated
from evenflare.search.picked import picked
from evenflare.search.scores import Scores, quantities, scores
from evenflare.search.stages import STAGES, stage_words
from evenflare.search.store import STORE, candidate_rows, glimpse, in_use
from evenflare.target.copied import copied_target
from evenflare.target.quantities import quantity
from evenflare.target.target import read_target
from evenflare.waveguide import Waveguide
from evenflare.words import duration, unit_apart

MOST_DRAWN = 3000
"""Candidates of a picture: the best ones, and the others evenly."""
LINES = 200
"""Of what a process says, that are kept."""
GRACE = 60.0
"""s that a search may take to write what it has when it is stopped."""


class RunningCommand:
    """A command of this program in a process of its own, and what it says."""

    def __init__(self, arguments: Sequence[str], folder: Path) -> None:
        """Begun in `folder`."""
        self.words = " ".join(arguments)
        self._said: deque[str] = deque(maxlen=LINES)
        self._child = subprocess.Popen(
            [sys.executable, "-m", "evenflare.cli", *arguments],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            errors="replace",
            start_new_session=True,
        )
        assert self._child.stdout is not None
        self._reader = threading.Thread(target=self._read, args=(self._child.stdout,), daemon=True)
        self._reader.start()

    @property
    def running(self) -> bool:
        """Whether it is still at it."""
        return self._child.poll() is None

    @property
    def code(self) -> int | None:
        """Its exit code, None while it runs."""
        return self._child.poll()

    @property
    def said(self) -> list[str]:
        """Its last lines."""
        return list(self._said)

    def stop(self, *, wait: float = 0.0) -> None:
        """Ask it to end, as Ctrl-C does; it writes what it has. Kill it if it has not ended in `wait` s, above 0."""
        if not self.running:
            return
        with suppress(ProcessLookupError):
            self._child.send_signal(signal.SIGINT)
        if wait > 0.0:
            try:
                self._child.wait(wait)
            except subprocess.TimeoutExpired:
                self._child.kill()

    def _read(self, stream: IO[str]) -> None:
        with stream:
            for line in stream:
                self._said.append(line.rstrip())


def stamp(folder: Path) -> tuple[tuple[int, int] | None, ...]:
    """What changes with every candidate that a run's folder gets."""
    found: list[tuple[int, int] | None] = []
    for name in (STORE, f"{STORE}-wal"):
        try:
            there = (folder / name).stat()
        except OSError:
            found.append(None)
        else:
            found.append((there.st_mtime_ns, there.st_size))
    return tuple(found)


def at_work(folder: Path) -> dict[str, Any]:
    """Whether a process searches in a run's folder, and in words how long it still takes, where that is known."""
    running = in_use(folder)
    left = time_left(folder) if running else None
    return {"running": running, "left": "" if left is None else duration(left)}


def report(folder: Path) -> dict[str, Any]:
    """What a run's folder holds: candidates, the best so far, families. InputError if none can be read."""
    there = glimpse(folder)
    if not there.candidates:
        return {"candidates": 0, "best": None, "history": None, "families": [], "quantities": []}
    found = scores(folder)
    screened = found.stage == np.bincount(found.stage).argmax()
    return {
        "candidates": there.candidates,
        "best": there.best,
        "last": _last(folder),
        "history": _history(found, screened),
        "families": _families(found),
        "quantities": [{"name": name, "words": unit_apart(name)} for name in quantities(folder)],
    }


def _last(folder: Path) -> dict[str, Any]:
    """The candidate that was judged last."""
    (row,) = candidate_rows(folder, "number, family, stage", only="ORDER BY rowid DESC LIMIT 1")
    return {"number": row[0], "family": row[1], "stage": stage_words(row[2])}


def _history(found: Scores, chosen: Any) -> dict[str, Any]:
    """Scores over number at the stage where most were judged, and the best so far."""
    number, score = found.number[chosen], found.score[chosen]
    known = np.isfinite(score)
    number, score, family = number[known], score[known], found.family[chosen][known]
    best = np.minimum.accumulate(score) if score.size else score
    falls = np.flatnonzero(np.diff(best, prepend=np.inf) < 0.0)
    shown = _thinned(score)
    return {
        "number": number[shown].tolist(),
        "score": np.round(score[shown], 4).tolist(),
        "family": [found.families[each] for each in family[shown]],
        "best_number": [*number[falls].tolist(), *number[-1:].tolist()],
        "best_score": [*np.round(best[falls], 4).tolist(), *np.round(best[-1:], 4).tolist()],
    }


def _thinned(cost: Any) -> Any:
    """Indices, in order, of at most MOST_DRAWN: half of them the least, the others evenly."""
    if cost.size <= MOST_DRAWN:
        return np.arange(cost.size)
    least = np.argpartition(cost, MOST_DRAWN // 2)[: MOST_DRAWN // 2]
    return np.union1d(least, np.linspace(0, cost.size - 1, MOST_DRAWN // 2).astype(int))


def _families(found: Scores) -> list[dict[str, Any]]:
    """By family how many were judged, and the best at the most exact stage that it reached."""
    rows = []
    for index, name in enumerate(found.families):
        own = found.family == index
        known = own & np.isfinite(found.score)
        best: dict[str, Any] = {"score": None, "number": None, "stage": ""}
        if known.any():
            last = found.stage[known].max()
            there = np.flatnonzero(known & (found.stage == last))
            place = there[np.argmin(found.score[there])]
            best = {
                "score": round(float(found.score[place]), 4),
                "number": int(found.number[place]),
                "stage": stage_words(STAGES[int(last)]),
            }
        rows.append({"name": name, "candidates": int(np.unique(found.number[own]).size), **best})
    return rows


def front(folder: Path, x: str, y: str) -> dict[str, Any]:
    """Candidates in two quantities, and those that none beats in both, at the stage where most were judged.

    InputError if there is no such quantity.
    """
    known = quantities(folder)
    try:
        costs_of = [quantity(name, known) for name in (x, y)]
    except ValueError as error:
        raise InputError(str(error)) from None
    found = scores(folder, (x, y))
    chosen = np.isfinite(found.score) & np.isfinite(found.x) & np.isfinite(found.y)
    if chosen.any():
        chosen &= found.stage == np.bincount(found.stage[chosen]).argmax()
    number, family = found.number[chosen], found.family[chosen]
    along, up = found.x[chosen], found.y[chosen]
    costs = np.array([[costs_of[0].cost(a), costs_of[1].cost(b)] for a, b in zip(along, up, strict=True)]).reshape(
        -1, 2
    )
    best = nondominated(costs) if costs.size else np.zeros(0, dtype=bool)
    shown = np.union1d(_thinned(found.score[chosen]), np.flatnonzero(best))
    return {
        "x": x,
        "y": y,
        "x_words": unit_apart(x),
        "y_words": unit_apart(y),
        "number": number[shown].tolist(),
        "family": [found.families[each] for each in family[shown]],
        "along": np.round(along[shown], 5).tolist(),
        "up": np.round(up[shown], 5).tolist(),
        "best": best[shown].tolist(),
    }


def candidate(folder: Path, number: int | None) -> tuple[int, Waveguide]:
    """A candidate of a run, or its best, as a waveguide. InputError as `picked`."""
    found = picked(folder, read_target(copied_target(folder)), leader(folder) if number is None else number)
    return found.number, found.waveguide


def leader(folder: Path) -> int | None:
    """The number of a run's best so far; None where no candidate keeps the limits."""
    return glimpse(folder).leader
