"""Cabinets solved ahead: for a design or a target, with what is done and left told."""

from __future__ import annotations

import os
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare import files
from evenflare.design.file import read_design
from evenflare.exterior.cabinets import (
    ShortOfMemoryError,
    Solved,
    check_memory,
    is_kept,
    memory_needed,
    operator_of,
    seconds_needed,
    top_wavenumber,
)
from evenflare.exterior.store import cache_folder
from evenflare.files import InputError
from evenflare.objective import winner_frequencies
from evenflare.schema import counted
from evenflare.target.target import read_target
from evenflare.units import FloatArray
from evenflare.waveguide import AnyCabinet
from evenflare.words import duration

LEAST_MEMORY = 60e6
"""Bytes of matrices that take as long as what every frequency takes besides."""


@dataclass(frozen=True)
class Question:
    """What is to be known of a cabinet.

    frequency : (F,) Hz, rising, of designs in it, and
    speed     : m/s, of sound.
    is_round  : whether the mouth is.
    source    : the file that asks.
    """

    cabinet: AnyCabinet
    frequency: FloatArray
    speed: float
    is_round: bool
    source: str

    @property
    def wavenumber(self) -> FloatArray:
        """(F,) rad/m."""
        return np.asarray(2.0 * np.pi * self.frequency / self.speed)

    @property
    def missing(self) -> list[float]:
        """rad/m, that are not solved yet."""
        top = top_wavenumber(self.cabinet)
        return [k for k in self.wavenumber[self.wavenumber <= top].tolist() if not self._is_there(k)]

    @property
    def seconds(self) -> float:
        """That solving these takes, about, on this machine's cores."""
        return sum(seconds_needed(self.cabinet, k, os.cpu_count() or 1) for k in self.missing)

    @property
    def words(self) -> str:
        """What is solved, what that takes, and where it is kept."""
        missing, cores = self.missing, os.cpu_count() or 1
        highest = min(float(self.wavenumber[-1]), top_wavenumber(self.cabinet))
        what = f"{len(missing)} frequencies still, about {duration(self.seconds)} on {counted(cores, 'core')}"
        return (
            f"{self.cabinet.words}: to {highest * self.speed / (2 * np.pi):.0f} Hz, with up to"
            f" {memory_needed(self.cabinet, highest) / 1e6:.0f} MB of memory"
            f" ({what if missing else 'all is there'}), kept in {cache_folder()}"
        )

    def _is_there(self, k: float) -> bool:
        return is_kept(self.cabinet, np.array([k]), is_round=self.is_round)


@dataclass(frozen=True)
class CabinetProgress:
    """How far it is: one frequency, Hz, is ready, `done` of `total`, and about `left` seconds are to go, None: unknown.

    fault : what was wrong with what was on disk, or empty.
    """

    frequency: float
    done: int
    total: int
    left: float | None
    fault: str


def question_of(path: Path) -> Question | None:
    """That of a design or a target file: of a target what its candidates and its winner are observed at. None where no
    cabinet is in it. InputError as these are read.
    """
    try:
        tables = tomllib.loads(files.read_text(path).removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError:
        tables = {}  # what reads it says where
    if "wanted" in tables:
        target = read_target(path)
        cabinet, air, is_round = target.mounting.cabinet, target.air, not target.oblong
        frequency = winner_frequencies(target)
    else:
        design = read_design(path)
        cabinet, air, is_round = design.waveguide.mounting.cabinet, design.air, design.waveguide.is_round
        frequency = design.observation.frequency
    if cabinet is None:
        return None
    try:
        top_wavenumber(cabinet)
    except ValueError as error:
        raise InputError(f"{path} [mounting] solid_stl: {error}") from error
    return Question(cabinet, frequency, air.speed_of_sound, is_round, str(path))


def is_missing(question: Question) -> bool:
    """Whether anything of it is to be solved still."""
    return not is_kept(question.cabinet, question.wavenumber, is_round=question.is_round)


def prepare(question: Question, progress: Callable[[CabinetProgress], None] | None = None) -> int:
    """Solve what is missing, on every core; how many frequencies were. InputError where the memory does not suffice."""
    try:
        check_memory(question.cabinet, question.wavenumber, is_round=question.is_round)
    except ShortOfMemoryError as error:
        top = error.top * question.speed / (2 * np.pi)
        remedy = f"up to {np.floor(top):.0f} Hz it does" if top else "it does at no frequency"
        raise InputError(
            f"{question.source} [mounting]: the cabinet needs {error.needed / 1e9:.2g} GB of memory, and"
            f" {error.free / 1e9:.2g} GB are free: {remedy}. Ask for no higher frequencies, close other programs, or"
            " take a machine with more memory"
        ) from error
    start, solved = time.monotonic(), 0
    cost: dict[float, float] = {}
    missing = 0.0
    top = top_wavenumber(question.cabinet)
    for k in question.wavenumber[question.wavenumber <= top].tolist():
        # Filling goes with the nodes squared, factors with their cube, and each takes a while anyhow.
        cost[k] = (LEAST_MEMORY + memory_needed(question.cabinet, k)) ** 1.25
    rest = sum(cost.values())

    def told(each: Solved) -> None:
        nonlocal rest, solved, missing
        rest -= cost[each.wavenumber]
        if not each.kept:
            solved, missing = solved + 1, missing + cost[each.wavenumber]
        left = (time.monotonic() - start) / missing * rest if missing > 0.0 else None
        if progress is not None:
            frequency = each.wavenumber * question.speed / (2 * np.pi)
            progress(CabinetProgress(frequency, each.done, each.total, left, each.fault))

    operator_of(
        question.cabinet,
        question.wavenumber,
        is_round=question.is_round,
        cores=os.cpu_count() or 1,
        progress=told,
    )
    return solved


def checked_question(path: Path) -> Question:
    """As `question_of`; InputError where there is none."""
    found = question_of(path)
    if found is None:
        raise InputError(
            f'{path} [mounting] kind: must be "cabinet" for a cabinet to be solved. Write kind = "cabinet" with'
            " width_mm, height_mm and depth_mm, or solid_stl"
        )
    return found
