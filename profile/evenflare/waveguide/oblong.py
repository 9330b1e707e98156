"""A waveguide that differs between its planes: a horizontal and a vertical meridian, and sections between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from evenflare.waveguide.families import Shape
from evenflare.waveguide.sections import Section, Superellipse

PLANES = ("horizontal", "vertical")


@dataclass(frozen=True)
class Oblong:
    """A round throat that opens to an oblong mouth in one plane.

    horizontal, vertical : the meridian in the plane of x and in that of y, from one throat to one depth.
    section              : the curve at constant depth that runs from the one to the other.
    round_throat         : whether both meridians must begin at one radius; those of a part as made need not.
    """

    family: ClassVar[str] = "oblong"
    horizontal: Shape
    vertical: Shape
    section: Section = Superellipse()
    round_throat: bool = True
