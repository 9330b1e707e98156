"""The page of a search that is still running: what it has found so far."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from evenflare.report.kit.sheet import PageSection, picture, sheet
from evenflare.report.waveguide import figures, rows
from evenflare.waveguide import Waveguide
from evenflare.words import duration, spoken

RELOADED = 60
"""s after which a browser reads it again."""


def live_page(
    waveguide: Waveguide,
    *,
    name: str,
    command: str,
    state: str,
    found: str,
    history: Sequence[Mapping[str, Any]],
    written: Sequence[tuple[str, str]],
    running: bool,
) -> str:
    """The text of the page.

    waveguide : the best so far.
    state     : whether it runs, since when, and as of when, a sentence.
    found     : what it has found, a sentence.
    history   : rows of `search.history_rows`.
    running   : a browser then reads it again after RELOADED s.
    """
    tried = Counter(str(row["family"]) for row in {row["number"]: row for row in history}.values())
    best: dict[str, float] = {}
    for row in history:
        if row["feasible"] and row["stage"] != "estimate":
            best[str(row["family"])] = min(row["score"], best.get(str(row["family"]), row["score"]))
    families = sorted(tried, key=lambda family: best.get(family, float("inf")))
    shape = picture(
        figures.profile(waveguide),
        alt="Meridian of the best waveguide so far, to scale.",
        caption="The best so far; a longer search may find another.",
    )
    course = picture(
        figures.search_history(history),
        alt=f"Scores of {len(history)} candidates over their number, by family.",
        caption="While the best line still falls, the search has more to give.",
    )
    return sheet(
        name,
        "A search at work. Made by evenflare.",
        message=[state, found],
        parts=[
            PageSection(
                "The best so far",
                lines=[f"{label}: {value}." for label, value in rows.geometry(waveguide)],
                pictures=[shape],
            ),
            PageSection(
                "Families",
                head=("family", "candidates", "best score, dB"),
                rows=[
                    (spoken(each), str(tried[each]), f"{best[each]:.3f}" if each in best else "none yet")
                    for each in families
                ],
                pictures=[course],
            ),
        ],
        written=written,
        command=command,
        refresh=RELOADED if running else None,
    )


def running_words(began: datetime, now: datetime) -> str:
    """That a search is running, since when, and what it means if this is old."""
    since = began.strftime("%H:%M" if began.date() == now.date() else "%H:%M on %d %B %Y")
    return (
        f"The search is running since {since}; this page is of {now.strftime('%H:%M:%S on %d %B %Y')}. It is rewritten"
        " every minute or so and reloads itself: if it is much older, the search has ended, and the same command goes"
        " on with it."
    )


def ended_words(began: datetime, now: datetime, *, why: str) -> str:
    """That it was stopped, and when."""
    took = duration((now - began).total_seconds())
    return (
        f"The search {why} at {now.strftime('%H:%M:%S on %d %B %Y')}, after {took}. The same command goes on with it."
    )
