"""Whether a search still gained when it ended, and what the shape it found runs up against."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Limits, Waveguide, measures
from evenflare.words import unit_apart

LATE = 0.25
"""Of the candidates at a setting: the last part, over which a gain is measured. Own choice."""
WORTH = 0.01
"""Of the best score: a smaller late gain counts as none. Own choice."""
FEWEST = 300
"""Candidates at a setting below which its course says nothing: so many fit one family reliably."""
AT_THE_EDGE = 0.01
"""Of a limit's range, or of a single bound: so near the shape lies at it."""


class Course(NamedTuple):
    """How much the best score fell over the last quarter of the candidates at a setting.

    setting : where it fell most, as a share of the score.
    gain    : dB; inf where nothing before that kept the limits.
    best    : dB, the best score at the setting.
    """

    setting: str
    gain: float
    best: float

    @property
    def falling(self) -> bool:
        """Whether more candidates will probably pay."""
        return self.gain > WORTH * self.best

    @property
    def words(self) -> str:
        """What was measured, and what it says of a longer search."""
        over = f"over the last quarter of the candidates at {self.setting}"
        if np.isinf(self.gain):
            return f"The first shape that keeps the limits came {over}: a longer search will pay"
        if self.falling:
            return f"The best score still fell by {self.gain:.3f} dB {over}: a longer search will probably pay"
        return f"The best score fell by {self.gain:.3f} dB {over}, next to nothing: a longer search will hardly pay"


def course(history: Sequence[Mapping[str, Any]]) -> Course | None:
    """The course of a search by its history, rows with number, stage, score and feasible; None where it is too short.

    Estimates do not count: what they rank first is judged again.
    """
    found = []
    for stage in ("screen", "full"):
        rows = sorted((row for row in history if row["stage"] == stage), key=lambda row: int(row["number"]))
        scores = [row["score"] if row["feasible"] and row["score"] is not None else np.inf for row in rows]
        if len(scores) < FEWEST or not np.isfinite(best := float(min(scores))):
            continue
        found.append(Course(stage, float(min(scores[: round((1.0 - LATE) * len(scores))])) - best, best))
    return max(found, key=lambda each: each.gain / max(each.best, 1e-9), default=None)


class BindingLimit(NamedTuple):
    """A limit that a shape lies at: its key, whether at the least or the greatest that it allows, and that value."""

    key: str
    greatest: bool
    value: float

    @property
    def words(self) -> str:
        """As a clause."""
        return f"{unit_apart(self.key)} lies at the {'greatest' if self.greatest else 'least'} allowed, {self.value:g}"


def edges(waveguide: Waveguide, limits: Limits) -> list[BindingLimit]:
    """Limits that a shape lies at, so that a wider one may let a better shape through."""
    found, (width, height) = measures(waveguide), limits.mouth
    ranges = {"depth_mm": (found.depth, limits.depth, MILLIMETRE)}
    if limits.oblong:
        ranges["mouth_width_mm"] = found.mouth_width, width, MILLIMETRE
        ranges["mouth_height_mm"] = found.mouth_height, height, MILLIMETRE
    else:
        ranges["mouth_diameter_mm"] = found.mouth_diameter, width, MILLIMETRE
    throat = found.throat_angles
    ranges["throat_angle_deg"] = (max(throat), limits.throat_angle, DEGREE)
    at = []
    for key, (value, (low, high), unit) in ranges.items():
        slack = AT_THE_EDGE * (high - low)
        if low == high:  # fixed, as was asked
            continue
        if value >= high - slack:
            at.append(BindingLimit(key, True, high / unit))
        elif (min(throat) if key == "throat_angle_deg" else value) <= low + slack and low > 0.0:
            at.append(BindingLimit(key, False, low / unit))
    least = limits.smallest_concave_radius
    if least > 0.0 and found.smallest_concave_radius <= least * (1.0 + AT_THE_EDGE):
        at.append(BindingLimit("smallest_concave_radius_mm", False, least / MILLIMETRE))
    if limits.smallest_draft > 0.0 and found.smallest_angle <= limits.smallest_draft + AT_THE_EDGE * DEGREE:
        at.append(BindingLimit("smallest_draft_deg", False, limits.smallest_draft / DEGREE))
    return at
