"""How exactly a candidate is judged, step by step."""

from __future__ import annotations

from typing import Literal

from evenflare.radiation import Setting

Stage = Literal["drawn", "estimate", "screen", "full", "units"]
"""A setting of the solver; or, of a robust search, the drawn shape alone at screen, and units of a process sampled and
solved at full."""
STAGES: tuple[Stage, ...] = ("drawn", "estimate", "screen", "full", "units")
"""From the roughest to the most exact."""


def setting_of(stage: Stage) -> Setting:
    """Of the solver."""
    if stage == "units":
        return "full"
    return "screen" if stage == "drawn" else stage


def stage_words(stage: Stage) -> str:
    """At which stage a score was found, in words."""
    return {"units": "over sampled units", "drawn": "at screen, as drawn"}.get(stage, f"at {stage}")
