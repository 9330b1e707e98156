"""Waveguides: drivers, mountings, families of meridian, limits, and the search's view of them."""

from evenflare.waveguide.families import (
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Shape,
    Tractrix,
)
from evenflare.waveguide.limits import Limits, Measures, limit_excess, measures
from evenflare.waveguide.meridian import Frame, Meridian, joined, sampled
from evenflare.waveguide.points import Points
from evenflare.waveguide.space import FAMILIES, PUBLISHED, ParameterSpace
from evenflare.waveguide.waveguide import Driver, Mounting, Waveguide

__all__ = [
    "FAMILIES",
    "PUBLISHED",
    "Conical",
    "Driver",
    "Exponential",
    "Frame",
    "Free",
    "Hyperbolic",
    "Limits",
    "Measures",
    "Meridian",
    "Mounting",
    "OblateSpheroidal",
    "ParameterSpace",
    "Points",
    "Shape",
    "Tractrix",
    "Waveguide",
    "joined",
    "limit_excess",
    "measures",
    "sampled",
]
