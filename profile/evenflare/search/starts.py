"""Shapes that a search begins from, as members of its families within the target's limits."""

from __future__ import annotations

from dataclasses import dataclass

from evenflare.search.descent import Vector


@dataclass(frozen=True)
class Start:
    """A shape that a search begins from, as a member of a family within the target's limits.

    name   : as the user named it, for words.
    family : of the member.
    vector : on [0, 1], quantised.
    misfit : m, greatest distance between the walls of the shape and of its member.
    """

    name: str
    family: str
    vector: Vector
    misfit: float
