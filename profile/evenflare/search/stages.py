"""How exactly a candidate is judged, step by step."""

from __future__ import annotations

from typing import Literal

from evenflare.radiation import Setting

Stage = Literal["estimate", "screen", "full", "units"]
"""A setting of the solver; or, of a robust search, units of a process sampled and solved at full."""
STAGES: tuple[Stage, ...] = ("estimate", "screen", "full", "units")
"""From the roughest to the most exact."""


def setting_of(stage: Stage) -> Setting:
    """Of the solver."""
    return "full" if stage == "units" else stage


def stage_words(stage: Stage) -> str:
    """At which stage a score was found, in words."""
    return "over sampled units" if stage == "units" else f"at {stage}"
