"""The outside of an oblong waveguide that stands free, as smooth patches of the quarter right of and above its axis."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
from scipy.interpolate import make_interp_spline

from evenflare.exterior.patches import SmoothPatch
from evenflare.units import FloatArray
from evenflare.waveguide import Surface
from evenflare.waveguide.oblong_body import OblongBody, Stretch, rim_of

DENSE = 257
"""Points along a smooth part of the rim, by which it is spread."""


def film(body: OblongBody, middle: FloatArray, *, sharp_rim: bool) -> tuple[SmoothPatch, ...]:
    """From the rim to the middle of the back; places from `middle` (3,), m, on the axis inside.

    sharp_rim : whether the wall meets a rolled rim in an edge.
    """
    return tuple(
        _patch(body, stretch, psi, middle, sharp_rim=sharp_rim)
        for stretch in body.stretches
        for psi in around(body.surface)
    )


def around(surface: Surface) -> list[Callable[[FloatArray], FloatArray]]:
    """The smooth parts of a quarter of a mouth's rim: from u on [0, 1] to the rim's parameters psi."""
    cuts = (0.0, *surface.section.turns(surface.mouth), 0.5 * np.pi)
    return [_spread(surface, low, high) for low, high in itertools.pairwise(cuts)]


def _patch(
    body: OblongBody, stretch: Stretch, psi: Callable[[FloatArray], FloatArray], middle: FloatArray, *, sharp_rim: bool
) -> SmoothPatch:
    def place(u: FloatArray, v: FloatArray) -> FloatArray:
        u, v = np.broadcast_arrays(u, v)
        return body.point_at(stretch, psi(u), v)[0] - middle

    rolled, rounded = "rim" in body.stretches, "edge" in body.stretches
    near = {"rim": sharp_rim, "taper": not rolled, "edge": False, "back": not rounded}[stretch]
    return SmoothPatch(place, (False, False, near, stretch == "taper" and not rounded))


def _spread(surface: Surface, low: float, high: float) -> Callable[[FloatArray], FloatArray]:
    """From u on [0, 1] to the rim's parameters from low to high, so that half of a share of u is a share of the way
    along the rim and half one of its turn: cells are small in corners.
    """
    psi = np.linspace(low, high, DENSE)
    rim = rim_of(surface, psi)
    place = rim.out[:, None] * rim.across + rim.aside[:, None] * rim.along
    way = np.linalg.norm(np.diff(place, axis=0), axis=1)
    turn = np.linalg.norm(np.diff(rim.across, axis=0), axis=1)
    share = way / way.sum() + (turn / turn.sum() if turn.sum() > 1e-9 else way / way.sum())
    known = np.concatenate([[0.0], np.cumsum(share) / share.sum()])
    curve = make_interp_spline(known, psi, k=3)

    def found(u: FloatArray) -> FloatArray:
        return np.asarray(np.clip(curve(u), low, high))

    return found
