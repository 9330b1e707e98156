"""How the candidates are shared among the families and the steps of a search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenflare.files import InputError

FEWEST_PER_FAMILY = 10
MOST_CANDIDATES = 1_000_000
FAIR_SHARE = 300
"""Candidates that fit three or four parameters reliably."""
POLISH_PART = 10
"""One candidate in so many is kept for the last step, at the full setting."""
FEWEST_FINALISTS = 100
FINALIST_PART = 20
COSTLY = 5
"""How many times fewer where one takes long."""


@dataclass(frozen=True)
class Plan:
    """Candidates by step; `published`, `free` and `polish` add up to the target's `candidates`.

    published : of each published family that takes part, at the screening setting.
    free      : of the free curve, at the screening setting.
    finalists : the best of those, scored again at the full setting.
    polish    : near the finalists' best, at the full setting only.
    notes     : what the user should know.
    """

    published: dict[str, int]
    free: int
    finalists: int
    polish: int
    notes: tuple[str, ...]


def plan(
    families: Sequence[str], candidates: int, *, named: str = "[search] candidates", is_costly: bool = False
) -> Plan:
    """Share `candidates` among families: 300 and more to each published one, at least half of the rest to "free".

    Equal shares where there are not enough.
    named  : where the number comes from, for messages.
    is_costly : a candidate takes long at the full setting: fewer are judged there.
    Errors : InputError below ten candidates per family, or above MOST_CANDIDATES.
    """
    least = FEWEST_PER_FAMILY * len(families)
    if candidates < least:
        several = len(families) > 1
        raise InputError(
            f"{named} = {candidates}: must be at least {least} for {len(families)} famil{'ies' if several else 'y'}."
            f" Raise it{', or name fewer families' if several else ''}"
        )
    if candidates > MOST_CANDIDATES:
        raise InputError(f"{named} = {candidates}: must be at most {MOST_CANDIDATES}. Lower it")
    names = [family for family in families if family != "free"]
    polish = max(1, candidates // (COSTLY * POLISH_PART if is_costly else POLISH_PART))
    left = candidates - polish
    equal = left // len(families)
    each = min(max(FAIR_SHARE, left // (2 * len(names))), equal) if "free" in families and names else equal
    published = dict.fromkeys(names, each)
    free = left - each * len(names) if "free" in families else 0
    if names and not free:
        published[names[0]] += left - each * len(names)
    finalists = max(FEWEST_FINALISTS, candidates // FINALIST_PART)
    if is_costly:
        finalists //= COSTLY
    return Plan(published, free, finalists, polish, _notes(names, each, candidates, len(families)))


def _notes(names: Sequence[str], each: int, candidates: int, families: int) -> tuple[str, ...]:
    if not names or each >= FAIR_SHARE:
        return ()
    enough = -(-FAIR_SHARE * families * POLISH_PART // (POLISH_PART - 1))
    return (
        f"each published family gets {each} of {candidates} candidates, fewer than the {FAIR_SHARE} that fit it"
        f" reliably: {enough} candidates are enough for all",
    )
