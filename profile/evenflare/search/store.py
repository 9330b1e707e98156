"""Candidates on disk: one SQLite file in the run's folder, in WAL mode, each candidate committed as it finishes."""

from __future__ import annotations

import fcntl
import json
import sqlite3
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import astuple, dataclass
from math import isfinite
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from evenflare import database
from evenflare.files import InputError, check_file, check_folder, is_file, short, staying
from evenflare.parsing import json_value
from evenflare.search.forgiving import Scatter
from evenflare.search.stages import STAGES, Stage
from evenflare.search.worker import Job, Outcome

STORE = "candidates.sqlite"
LOCK = "candidates.lock"
ROW = ("number", "stage", "score", "feasible", "family", "reason")
"""Keys of a row of history whatever was searched for."""
SCATTER = ("nominal_db", "mean_db", "spread_db", "units")
"""Of a robust search: as `Scatter`."""
REMEDY = (
    "Free some disk space or check the permissions, then run the same command again; if the file is damaged, choose"
    " another --out folder"
)
"""For a file that cannot be read or written."""

_TABLES = {
    "run": "CREATE TABLE IF NOT EXISTS run (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
    "candidate": """CREATE TABLE IF NOT EXISTS candidate (
        number INTEGER, stage TEXT, family TEXT NOT NULL, vector TEXT NOT NULL, score REAL, feasible INTEGER NOT NULL,
        terms TEXT NOT NULL, limits TEXT NOT NULL, parameters TEXT NOT NULL, reason TEXT NOT NULL,
        PRIMARY KEY (number, stage)
    )""",
    "deviation": """CREATE TABLE IF NOT EXISTS deviation (
        number INTEGER, stage TEXT, value BLOB NOT NULL, PRIMARY KEY (number, stage)
    )""",
    "scatter": """CREATE TABLE IF NOT EXISTS scatter (
        number INTEGER, stage TEXT, nominal REAL NOT NULL, mean REAL NOT NULL, spread REAL NOT NULL,
        units INTEGER NOT NULL, PRIMARY KEY (number, stage)
    )""",
}
_COLUMNS = "number, stage, family, vector, score, feasible, terms, limits, parameters, reason"


@dataclass(frozen=True)
class Store:
    """The candidates of one run.

    finished    : by number and stage, what was asked and what became of it.
    still_there : InputError if the run's folder is no longer where it was.
    """

    path: Path
    connection: sqlite3.Connection
    finished: dict[tuple[int, str], tuple[Job, Outcome]]
    still_there: Callable[[], None]

    @property
    def whole(self) -> int:
        """Candidates from the first on of which something is known, without a gap."""
        known = {number for number, _ in self.finished}
        return next(number for number in range(1, len(known) + 2) if number not in known) - 1

    def found(self, number: int, job: Job) -> Outcome | None:
        """What became of a candidate if it is finished. InputError if the number stands for another candidate."""
        known = self.finished.get((number, job.setting))
        if known is None:
            return None
        if known[0] != job:
            raise InputError(
                f"{self.path}: candidate {number} differs from the one this machine would ask for, so the run cannot"
                " be continued here. Continue on the machine and with the versions it began on, or choose another --out"
                f" folder and begin at what was found here with --from {self.path.parent}"
            )
        return known[1]

    def add(self, number: int, job: Job, outcome: Outcome) -> None:
        """Commit a finished candidate. InputError if the disk is full, the file was damaged or the folder moved."""
        mappings = (outcome.terms, outcome.constraints, outcome.parameters)
        row = (
            *(number, job.setting, job.family, json.dumps(job.vector), outcome.value, int(outcome.feasible)),
            *(json.dumps(dict(each)) for each in mappings),
            outcome.reason,
        )
        # Rolled back if it is interrupted: what has come by then is kept by the next one.
        with database.reported(self.path, REMEDY), self.connection:
            self.connection.execute("BEGIN")
            self.connection.execute(f"INSERT OR IGNORE INTO candidate ({_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?)", row)
            if outcome.deviations:
                packed = np.array(outcome.deviations, "<f4").tobytes()
                self.connection.execute("INSERT OR IGNORE INTO deviation VALUES (?,?,?)", (*row[:2], packed))
            if outcome.scatter is not None:
                scatter = (*row[:2], *astuple(outcome.scatter))
                self.connection.execute("INSERT OR IGNORE INTO scatter VALUES (?,?,?,?,?,?)", scatter)
        self.still_there()
        self.finished[number, job.setting] = job, outcome


class MadeOf(Protocol):
    """What a run is made of."""

    @property
    def kept(self) -> Mapping[str, str]:
        """By name, as it is written down, and"""
        ...

    def check(self, folder: Path, kept: Mapping[str, str], /) -> None:
        """InputError if what is written down is of another run."""
        ...


@contextmanager
def opened(folder: Path, made_of: MadeOf) -> Iterator[Store]:
    """The store of a run, made or continued, held by this process alone until the block ends.

    Errors : InputError if another process holds it, the run is another one, or the folder cannot be written.
    """
    path = folder / STORE
    if is_file(path):
        database.check_database(path)
    with (
        staying(folder) as still_there,
        _locked(folder),
        database.reported(path, REMEDY),
        closing(sqlite3.connect(path, isolation_level=None)) as connection,
    ):
        database.watch(connection)
        database.check_schema(path, connection, _TABLES)
        connection.execute("PRAGMA journal_mode=WAL")
        # A killed process loses nothing committed; a power cut may lose the last few, never the file.
        connection.execute("PRAGMA synchronous=NORMAL")
        for statement in _TABLES.values():
            connection.execute(statement)
        kept = dict(_all(path, connection, "run", "name, value"))
        made_of.check(folder, kept)
        connection.execute("BEGIN")
        # What an earlier version wrote stays; what it did not know is added.
        connection.executemany("INSERT OR IGNORE INTO run VALUES (?, ?)", list(made_of.kept.items()))
        connection.execute("COMMIT")
        deviations = {row[:2]: row[2] for row in _all(path, connection, "deviation", "number, stage, value")}
        scatters = _scatters(path, connection)
        finished = {
            (row[0], row[1]): _read(path, row, deviations.get(row[:2]), scatters.get(row[:2]))
            for row in _all(path, connection, "candidate", _COLUMNS)
        }
        connection.set_progress_handler(None, 0)
        yield Store(path, connection, finished, still_there)


@dataclass(frozen=True)
class Standing:
    """What a folder holds of a run.

    kept       : what it is made of, by name; empty without a run.
    candidates : that are finished, at any stage, and
    best       : dB, the score of the best as far as is known; None without any, and
    leader     : its number.
    """

    kept: Mapping[str, str]
    candidates: int = 0
    best: float | None = None
    leader: int | None = None


def standing(folder: Path) -> Standing:
    """What a folder holds. It makes nothing. InputError if it cannot be written, or another process searches in it."""
    check_folder(folder)
    if is_file(folder / LOCK):
        with _locked(folder):
            pass
    return glimpse(folder)


def in_use(folder: Path) -> bool:
    """Whether a process searches in a folder. Nothing of the run is read."""
    if not is_file(folder / LOCK):
        return False
    try:
        with _locked(folder):
            return False
    except InputError:
        return True


def glimpse(folder: Path) -> Standing:
    """What a folder holds, also while a search runs in it."""
    path = folder / STORE
    if not is_file(path):
        return Standing({})
    with _read_only(path) as connection:
        kept = dict(_all(path, connection, "run", "name, value"))
        numbers, scores = set[object](), {stage: dict[int, float]() for stage in STAGES}
        for number, stage, score, feasible in _all(path, connection, "candidate", "number, stage, score, feasible"):
            numbers.add(number)
            if feasible and isinstance(score, float) and isinstance(number, int) and stage in scores:
                scores[stage][number] = score
        best = {stage: min(found, key=found.__getitem__) for stage, found in scores.items() if found}
        leader, score = _best_known(scores, best)
        return Standing(kept, len(numbers), score, leader)


def _best_known(
    scores: Mapping[Stage, Mapping[int, float]], best: Mapping[Stage, int]
) -> tuple[int, float] | tuple[None, None]:
    """Number and score of the best as far as is known, as `Record.front_runner`."""
    exact = next((stage for stage in reversed(STAGES) if stage in best), None)
    if exact is None:
        return None, None
    number, screened = best[exact], best.get("screen")
    if exact == "full" and screened is not None and screened not in scores["full"]:
        there = scores["screen"].get(number, scores["full"][number])
        if scores["screen"][screened] < there:
            return screened, scores["screen"][screened]
    return number, scores[exact][number]


def history_rows(folder: Path) -> Iterator[dict[str, object]]:
    """Rows of every finished candidate in order of number, then stage; all have the same keys, None where empty.

    number, stage, score (dB), feasible (0 or 1), family, of a robust search nominal_db, mean_db, spread_db and units,
    the terms (dB), the parameters (unit in the name), reason.
    May be read while a search runs. Errors: InputError if the folder holds no run.
    """
    found = finished(folder)
    terms = dict.fromkeys(name for _, _, outcome in found for name in outcome.terms)
    parameters = dict.fromkeys(name for _, _, outcome in found for name in outcome.parameters)
    forgiving = any(outcome.scatter is not None for _, _, outcome in found)
    for number, job, outcome in found:
        yield {
            "number": number,
            "stage": job.setting,
            "score": outcome.value,
            "feasible": int(outcome.feasible),
            "family": job.family,
            **(_scattered(outcome.scatter) if forgiving else {}),
            **{name: outcome.terms.get(name) for name in terms},
            **{name: outcome.parameters.get(name) for name in parameters},
            "reason": outcome.reason,
        }


def _scattered(scatter: Scatter | None) -> dict[str, object]:
    if scatter is None:
        return dict.fromkeys(SCATTER)
    return {name: each if isfinite(each) else None for name, each in zip(SCATTER, astuple(scatter), strict=True)}


def jobs(folder: Path, numbers: Collection[int]) -> dict[int, tuple[Job, Outcome]]:
    """By number what was asked of some candidates and what became of them, at the most exact setting each was judged.

    Errors: InputError if the folder holds no run.
    """
    return {number: (job, outcome) for number, job, outcome in finished(folder) if number in numbers}


def nearest(folder: Path) -> dict[str, Outcome]:
    """What became of each family's best candidate; where none keeps the limits, of the one that breaks them least.

    Errors: InputError if the folder holds no run.
    """
    found: dict[str, Outcome] = {}
    for _, job, outcome in finished(folder):
        if job.family not in found or outcome.rank < found[job.family].rank:
            found[job.family] = outcome
    return found


def run_facts(folder: Path) -> dict[str, str]:
    """What the run in a folder is made of, by name: the target's text, seed, versions. Empty before it has begun.

    Errors: InputError if the folder holds no run.
    """
    with _read_only(_store_of(folder)) as connection:
        return dict(_all(folder / STORE, connection, "run", "name, value"))


def _store_of(folder: Path) -> Path:
    """The file of a run. InputError if there is none."""
    path = folder / STORE
    if not is_file(path):
        raise InputError(f"{short(str(folder))}: holds no search ({STORE} is missing). Name the folder given to --out")
    return path


def candidate_rows(folder: Path, columns: str, *, only: str = "") -> list[tuple[Any, ...]]:
    """Columns of the table of candidates as SQLite has them, in no order, also while a search runs.

    only : what follows the table's name, as `WHERE number = 3`.
    Errors: InputError if the folder holds no run, or its file is damaged.
    """
    path = _store_of(folder)
    with _read_only(path) as connection:
        if "candidate" not in database.check_schema(path, connection, _TABLES):
            return []
        return list(database.rows(path, connection, f"candidate {only}", columns))


def finished(folder: Path, *, number: int | None = None) -> list[tuple[int, Job, Outcome]]:
    """Every finished candidate, or what is known of one, in order of number, then stage."""
    path = _store_of(folder)
    rows = candidate_rows(folder, _COLUMNS, only="" if number is None else f"WHERE number = {number:d}")
    with _read_only(path) as connection:
        scatters = _scatters(path, connection)
    found = [(row[0], *_read(path, row, scatter=scatters.get(row[:2]))) for row in rows]
    return sorted(found, key=lambda each: (each[0], STAGES.index(each[1].setting)))


def _scatters(path: Path, connection: sqlite3.Connection) -> dict[tuple[Any, ...], Scatter]:
    """By number and stage, of a robust search. InputError if they are no numbers."""
    found = {}
    for number, stage, *values in _all(path, connection, "scatter", "number, stage, nominal, mean, spread, units"):
        with database.row_faults(f"{path} scatter of candidate {short(str(number), 20)}"):
            nominal, mean, spread, count = values
            if not (all(isinstance(each, float) for each in values[:3]) and isinstance(count, int)):
                raise ValueError(f"{values!r}")
            found[number, stage] = Scatter(nominal, mean, spread, count)
    return found


def _read(
    path: Path, row: tuple[Any, ...], packed: bytes | None = None, scatter: Scatter | None = None
) -> tuple[Job, Outcome]:
    number, stage, family, vector, value, feasible, terms, limits, parameters, reason = row
    with database.row_faults(f"{path} candidate {short(str(number), 20)}"):
        if stage not in STAGES or not isinstance(number, int) or (feasible and not isinstance(value, float)):
            raise ValueError(f"stage {stage!r}, score {value!r}")
        job = Job(database.text(family), tuple(map(float, json_value(database.text(vector)))), stage)
        score = None if value is None else float(value)
        known, kept, sizes = (database.numbers_by_name(each) for each in (terms, limits, parameters))
        deviations = () if packed is None else tuple(np.frombuffer(packed, "<f4").tolist())
        return job, Outcome(score, bool(feasible), known, kept, sizes, database.text(reason), deviations, scatter)


def _all(path: Path, connection: sqlite3.Connection, table: str, columns: str) -> Iterator[tuple[Any, ...]]:
    """All rows; none from a table that the search which has just begun is yet to make."""
    if table in database.check_schema(path, connection, _TABLES):
        yield from database.rows(path, connection, table, columns)


@contextmanager
def _read_only(path: Path) -> Iterator[sqlite3.Connection]:
    with database.reported(path, REMEDY), database.read_only(path) as connection:
        yield connection


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """The folder for this process alone; the system lets go of the lock however the process ends."""
    path = folder / LOCK
    try:
        if is_file(path):
            check_file(path)
        handle = path.open("a")
    except OSError as error:
        raise InputError(
            f"{folder}: cannot be written ({error.strerror}). Choose a folder you may write to, on a disk with free"
            " space"
        ) from error
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise InputError(
                f"{folder}: another search is running in this folder. Wait for it to end, stop it, or choose another"
                " --out folder"
            ) from error
        yield
