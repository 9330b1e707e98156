"""What a search is asked for, checked before anything is made: shares, seed, workers, and what tells one run apart."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from evenflare import __version__
from evenflare.files import InputError
from evenflare.search.plan import Plan, plan
from evenflare.search.starts import Start, starts_identity
from evenflare.search.store import check_run
from evenflare.target.target import Target

WORKERS_PER_CORE = 4
"""More only wait for each other."""
LARGEST_SEED = 2**31 - 1


@dataclass(frozen=True)
class Request:
    """What is asked for. `identity` is what a run is made of, by name: a folder holds one run only."""

    plan: Plan
    seed: int
    identity: Mapping[str, str]


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
    start = target.seed if seed is None else seed
    if not 0 <= start <= LARGEST_SEED:
        raise InputError(f"--seed = {start}: must be 0 to {LARGEST_SEED}. Choose another, or leave it out")
    count = target.candidates if candidates is None else candidates
    named = f"{target.source} [search] candidates" if candidates is None else "--candidates"
    identity = {
        "target": target_text,
        "seed": str(start),
        "candidates": str(count),
        **_beside(target),
        **starts_identity(starts),
        "version": f"evenflare {__version__}, cma {version('cma')}, numpy {version('numpy')}",
    }
    is_costly = target.oblong and target.mounting.kind == "free_standing"
    return Request(plan(target.families, count, named=named, is_costly=is_costly), start, identity)


def _beside(target: Target) -> dict[str, str]:
    """What of the driver and the room may stand in another file than the target's, and change there."""
    driver = target.driver
    found = {} if target.room is None else {"room": repr(target.room)}
    if driver.velocity_profile is None and driver.source.kind != "impedance":
        return found
    return found | {"driver": repr(driver)}


def check_search(
    target: Target,
    folder: Path,
    *,
    target_text: str,
    workers: int = 1,
    candidates: int | None = None,
    seed: int | None = None,
    starts: Sequence[Start] = (),
) -> None:
    """InputError where `run_search` would refuse these arguments or the folder. It makes nothing."""
    asked = request(target, target_text=target_text, workers=workers, candidates=candidates, seed=seed, starts=starts)
    check_run(folder, asked.identity)
