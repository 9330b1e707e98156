"""The families that there are: one descriptor each. A new one is a shape, its members, and a row here."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import members
from evenflare.waveguide.families import (
    Conical,
    Exponential,
    Free,
    Hyperbolic,
    OblateSpheroidal,
    Tractrix,
)
from evenflare.waveguide.family import DEPTH, FLARE_LENGTH, ROUNDOVER, WALL_ANGLE, Family, Parameter

_HYPERBOLIC = Parameter("hyperbolic_parameter", "hyperbolic_parameter", (0, 20), example=0.6, symbol="T")
_FREE = (
    Parameter("arc_length", "arc_length_mm", (2, 3000), MILLIMETRE, example=120, symbol="L"),
    Parameter("throat_angle", "throat_angle_deg", (-45, 90), DEGREE, example=5, symbol="a0"),
    Parameter("curvature", "curvature_per_m", (-5000, 5000), example=(2.0, 8.0, 12.0), count=(2, 1000), symbol="k"),
)

_COME_ALONG = (
    Family(
        "conical",
        "A cone",
        Conical,
        (DEPTH, WALL_ANGLE, ROUNDOVER),
        members.conical,
        formula="r = r0 + z tan A",
    ),
    Family(
        "exponential",
        "An exponential horn",
        Exponential,
        (DEPTH, FLARE_LENGTH, ROUNDOVER),
        members.exponential,
        formula="r = r0 exp(z / x0)",
    ),
    Family(
        "hyperbolic",
        "A horn of the hyperbolic family",
        Hyperbolic,
        (DEPTH, FLARE_LENGTH, _HYPERBOLIC, ROUNDOVER),
        members.hyperbolic,
        ranges=lambda limits, driver: {"hyperbolic_parameter": (0.0, 3.0)},
        values=lambda shape, meridian: (float(getattr(shape, "hyperbolic_parameter", 1.0)),),
        formula="r = r0 (cosh(z / x0) + T sinh(z / x0))",
    ),
    Family(
        "tractrix",
        "A tractrix horn",
        Tractrix,
        (replace(DEPTH, example=None), replace(FLARE_LENGTH, name="flare_radius"), ROUNDOVER),
        members.tractrix,
        formula="z = w(r0) − w(r) with w(r) = x0 arcosh(x0 / r) − √(x0² − r²)",
    ),
    Family(
        "oblate_spheroidal",
        "An oblate-spheroidal wall",
        OblateSpheroidal,
        (DEPTH, WALL_ANGLE, ROUNDOVER),
        members.oblate_spheroidal,
        formula="r = √(r0² + (z tan A)²)",
    ),
    Family(
        "free",
        "A free curve",
        Free,
        (*_FREE, ROUNDOVER),
        members.free,
        ranges=members.free_ranges,
        values=members.free_values,
        depth_key="arc_length_mm",
        formula="z = ∫ cos a ds, r = r0 + ∫ sin a ds, a = a0 + ∫ k ds along an arc of length L;"
        " k linear between evenly spaced places",
    ),
)

FAMILIES = tuple(each.name for each in _COME_ALONG)
"""Names of those that come along."""
PUBLISHED = tuple(name for name in FAMILIES if name != "free")
"""Of them, those from the literature."""

_known = {each.name: each for each in _COME_ALONG}


def families() -> tuple[str, ...]:
    """Names of all families, those that come along first."""
    return tuple(_known)


def family(name: str) -> Family:
    """The family of that name. ValueError for any other."""
    if name not in _known:
        raise ValueError(f"family {name!r}: must be one of {', '.join(_known)}")
    return _known[name]


@contextmanager
def registered(new: Family) -> Iterator[None]:
    """Within the block there is one family more. ValueError for a name that is taken."""
    if new.name in _known:
        raise ValueError(f"family {new.name!r}: there is one of that name. Choose another")
    _known[new.name] = new
    try:
        yield
    finally:
        del _known[new.name]
