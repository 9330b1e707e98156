"""What a search is asked for, checked before anything is made: shares, seed, workers, and what tells one run apart."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from evenflare.files import InputError, short
from evenflare.search.identity import Identity, identity
from evenflare.search.starts import Start
from evenflare.search.store import Standing, standing
from evenflare.target.target import Target

WORKERS_PER_CORE = 4
"""More only wait for each other."""
LARGEST_SEED = 2**31 - 1
FEWEST_PER_FAMILY = 10
MOST_CANDIDATES = 1_000_000


@dataclass(frozen=True)
class Request:
    """What is asked for. `identity` is what a run is made of: a folder holds one run only.

    candidates : that are to be there in the end; where more are already, none is asked for.
    """

    candidates: int
    seed: int
    identity: Identity


def request(
    target: Target,
    *,
    target_text: str,
    workers: int = 1,
    candidates: int | None = None,
    seed: int | None = None,
    starts: Sequence[Start] = (),
) -> Request:
    """The request; arguments as `run_search`. InputError for a number out of range, by the name of its option."""
    most = WORKERS_PER_CORE * (os.cpu_count() or 1)
    if not 1 <= workers <= most:
        raise InputError(
            f"--workers = {workers}: must be 1 to {most}, {WORKERS_PER_CORE} for each core of this machine. Leave it"
            " out for one on each"
        )
    if target.robust is not None and target.robust.accuracy is None:
        raise InputError(
            f"{target.source} [search] process = {short(target.robust.process)}: was not read, and robust = true ranks"
            " by how true it is. Give the target its accuracy: dataclasses.replace(target, robust=Robust(process, k,"
            " accuracy))"
        )
    start = target.seed if seed is None else seed
    if not 0 <= start <= LARGEST_SEED:
        raise InputError(f"--seed = {start}: must be 0 to {LARGEST_SEED}. Choose another, or leave it out")
    count = target.candidates if candidates is None else candidates
    named = f"{target.source} [search] candidates" if candidates is None else "--candidates"
    _check_number(count, len(target.families), named=named)
    return Request(count, start, identity(target, text=target_text, seed=start, starts=starts))


def _check_number(candidates: int, families: int, *, named: str) -> None:
    least = FEWEST_PER_FAMILY * families
    if candidates < least:
        raise InputError(
            f"{named} = {candidates}: must be at least {least} for {families} famil{'ies' if families > 1 else 'y'}."
            f" Raise it{', or name fewer families' if families > 1 else ''}"
        )
    if candidates > MOST_CANDIDATES:
        raise InputError(f"{named} = {candidates}: must be at most {MOST_CANDIDATES}. Lower it")


def check_search(
    target: Target,
    folder: Path,
    *,
    target_text: str,
    workers: int = 1,
    candidates: int | None = None,
    seed: int | None = None,
    starts: Sequence[Start] = (),
) -> list[str]:
    """InputError where `run_search` would refuse these arguments or the folder. It makes nothing.

    Returns what there is to say of a run that is continued, in words.
    """
    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed, starts=starts)
    there = standing(folder)
    asked.identity.check(folder, there.kept)
    return [*asked.identity.doubts(there.kept), *_continued(folder, there, asked.candidates)]


def _continued(folder: Path, there: Standing, candidates: int) -> list[str]:
    if not there.candidates:
        return []
    if there.candidates >= candidates:
        return [
            f"{folder} holds {there.candidates} candidates of this search, {candidates} are asked for: no more are. For"
            " more, raise --candidates"
        ]
    return [f"{folder} holds {there.candidates} candidates of this search, which goes on to {candidates}"]
