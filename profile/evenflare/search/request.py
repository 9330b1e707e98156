"""What a search is asked for, checked before anything is made: shares, seed, workers, and what tells one run apart."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

from evenflare.files import InputError
from evenflare.search.identity import Identity, identity
from evenflare.search.plan import Plan, plan
from evenflare.search.store import Standing, standing
from evenflare.target.target import Target

WORKERS_PER_CORE = 4
"""More only wait for each other."""
LARGEST_SEED = 2**31 - 1


@dataclass(frozen=True)
class Request:
    """What is asked for. `identity` is what a run is made of: a folder holds one run only.

    candidates : that are to be there in the end; where more are already, none is asked for.
    """

    plan: Plan
    candidates: int
    seed: int
    identity: Identity

    def at_least(self, target: Target, candidates: int) -> Request:
        """The same, for a folder that holds so many."""
        if candidates <= self.candidates:
            return self
        return replace(self, plan=_shares(target, candidates, ""), candidates=candidates)


def request(
    target: Target, *, target_text: str, workers: int = 1, candidates: int | None = None, seed: int | None = None
) -> Request:
    """The request; arguments as `run_search`. InputError for a number out of range, by the name of its option."""
    most = WORKERS_PER_CORE * (os.cpu_count() or 1)
    if not 1 <= workers <= most:
        raise InputError(
            f"--workers = {workers}: must be 1 to {most}, {WORKERS_PER_CORE} for each core of this machine. Leave it"
            " out for one on each"
        )
    start = target.seed if seed is None else seed
    if not 0 <= start <= LARGEST_SEED:
        raise InputError(f"--seed = {start}: must be 0 to {LARGEST_SEED}. Choose another, or leave it out")
    count = target.candidates if candidates is None else candidates
    named = f"{target.source} [search] candidates" if candidates is None else "--candidates"
    return Request(_shares(target, count, named), count, start, identity(target, text=target_text, seed=start))


def _shares(target: Target, count: int, named: str) -> Plan:
    is_costly = target.oblong and target.mounting.kind == "free_standing"
    return plan(target.families, count, named=named, is_costly=is_costly)


def check_search(
    target: Target,
    folder: Path,
    *,
    target_text: str,
    workers: int = 1,
    candidates: int | None = None,
    seed: int | None = None,
) -> list[str]:
    """InputError where `run_search` would refuse these arguments or the folder. It makes nothing.

    Returns what there is to say of a run that is continued, in words.
    """
    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed)
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
