"""Quantities that a trade-off may be made between: their names, and which way each is better."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from evenflare.files import short

Better = Literal["lower", "higher"]

KINDS: tuple[tuple[str, Better | None, float], ...] = (
    ("score", "lower", 0.001),
    ("*_db", "lower", 0.001),
    ("depth_mm", "lower", 0.1),
    ("mouth_*_mm", "lower", 0.1),
    ("*smallest_concave_radius_mm", "higher", 0.1),
    ("*_mm", None, 0.1),
    ("*_deg", None, 0.1),
    ("*", None, 0.0),
)
"""By pattern of a name, the first that fits: which way is better, where that goes without saying, and the step below
which two values are the same, in the name's unit. Without steps a micrometre less depth outweighs any score."""


@dataclass(frozen=True)
class Quantity:
    """A column of a search's history, and which way it is better."""

    name: str
    better: Better

    def cost(self, value: float) -> float:
        """Of a value: lower the better it is, in whole steps."""
        step = _kind(self.name)[1]
        sign = 1.0 if self.better == "lower" else -1.0
        return sign * (round(value / step) * step if step else value)

    @property
    def end(self) -> str:
        """Of the candidate that is best in it, in one word: lowest_depth_mm."""
        return f"{'lowest' if self.better == 'lower' else 'highest'}_{self.name}"


def quantity(text: str, known: Sequence[str]) -> Quantity:
    """A quantity as users write it, name or name:lower or name:higher. ValueError that says what there is."""
    name, _, asked = text.strip().partition(":")
    if name not in known:
        near = difflib.get_close_matches(name[:100], known, n=1, cutoff=0.6)
        hint = f"Did you mean {near[0]}?" if near else "Write one of them"
        raise ValueError(f"{short(name)}: must be one of {', '.join(known)}. {hint}")
    usual = _kind(name)[0]
    if asked not in ("", "lower", "higher") or (not asked and usual is None):
        what = f"{short(asked)} is no way to be better" if asked else "neither way is better by itself"
        raise ValueError(f"{name}: {what}. Write {name}:lower or {name}:higher")
    return Quantity(name, usual if not asked and usual else "higher" if asked == "higher" else "lower")


def _kind(name: str) -> tuple[Better | None, float]:
    return next((way, step) for pattern, way, step in KINDS if fnmatchcase(name, pattern))


def chosen(texts: Sequence[str], known: Sequence[str], *, most: int | None = None) -> tuple[Quantity, ...]:
    """Two quantities or more, each once. ValueError otherwise."""
    found = tuple(quantity(text, known) for text in texts)
    names = [each.name for each in found]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise ValueError(f"{twice}: is named twice. Remove one")
    if len(found) < 2 or (most is not None and len(found) > most):
        allowed = "two or more quantities" if most is None else f"2 to {most} quantities"
        raise ValueError(f"{', '.join(names) or 'nothing'}: must be {allowed}, of {', '.join(known)}")
    return found
