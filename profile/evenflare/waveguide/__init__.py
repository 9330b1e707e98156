"""Waveguides: drivers, mountings, families of meridian, limits, and the search's view of them."""

from evenflare.waveguide.as_built import AsBuilt
from evenflare.waveguide.body import Body, BodyPoints, RolledShell, RoundCabinet
from evenflare.waveguide.cabinet import Cabinet, Edge
from evenflare.waveguide.catalogue import FAMILIES, PUBLISHED, families, family, registered
from evenflare.waveguide.driver import Driver, Source
from evenflare.waveguide.families import (
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Shape,
    Tractrix,
)
from evenflare.waveguide.family import Family, Parameter, Size
from evenflare.waveguide.kept import Kept, kept, limit_excess, limit_places
from evenflare.waveguide.limits import Bound, Limits
from evenflare.waveguide.measures import Measures, Place, measures
from evenflare.waveguide.meridian import Frame, Meridian, joined, sampled
from evenflare.waveguide.oblong import Oblong
from evenflare.waveguide.points import Points
from evenflare.waveguide.sections import RoundedRectangle, Section, Superellipse
from evenflare.waveguide.solid import AnyCabinet, ClosedSolid, SolidCabinet, solid_of
from evenflare.waveguide.space import ParameterSpace
from evenflare.waveguide.surface import Axes, Patch, Surface
from evenflare.waveguide.waveguide import Mounting, Waveguide

__all__ = [
    "FAMILIES",
    "PUBLISHED",
    "AnyCabinet",
    "AsBuilt",
    "Axes",
    "Body",
    "BodyPoints",
    "Bound",
    "Cabinet",
    "ClosedSolid",
    "Conical",
    "Driver",
    "Edge",
    "Exponential",
    "Family",
    "Frame",
    "Free",
    "Hyperbolic",
    "Kept",
    "Limits",
    "Measures",
    "Meridian",
    "Mounting",
    "OblateSpheroidal",
    "Oblong",
    "Parameter",
    "ParameterSpace",
    "Patch",
    "Place",
    "Points",
    "RolledShell",
    "RoundCabinet",
    "RoundedRectangle",
    "Section",
    "Shape",
    "Size",
    "SolidCabinet",
    "Source",
    "Superellipse",
    "Surface",
    "Tractrix",
    "Waveguide",
    "families",
    "family",
    "joined",
    "kept",
    "limit_excess",
    "limit_places",
    "measures",
    "registered",
    "sampled",
    "solid_of",
]
