"""An oblong body's outside as its programs see it: from the mouth plane and from the back, each as far as the widest
place.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.rim import Contour
from evenflare.units import FloatArray
from evenflare.waveguide.body import SMALLEST_ROUNDING
from evenflare.waveguide.oblong_body import OblongBody, Stretch, rim_of
from evenflare.words import at_least_mm, at_most_mm, mm

AROUND = 1025
"""Parameters over a quarter: on 200 mm 0.2 mm apart, where chords depart by less than a micrometre."""
_QUARTER = 0.5 * np.pi
_ROUNDED = 1e-9


class SideBand(NamedTuple):
    """A stretch of one side, or the part of it on this side of where the normal points straight away from the axis.

    inner, outer : share of the stretch at which it begins, toward the side's end, and ends; None: at that place.
    curvature    : 1/m, across it; infinite of a sharp edge, about which the normal turns.
    """

    side: OblongSide
    stretch: Stretch
    inner: float | None
    outer: float | None
    curvature: float

    @property
    def rolls(self) -> bool:
        """Whether it is a sharp edge."""
        return bool(np.isinf(self.curvature))

    def places(self, t: FloatArray, psi: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places, m, and unit normals (N, P, 3) in the side's frame.

        t   : (N,) 0 to 1, from the side's end to the widest place.
        psi : (P,) or (N, P), rad, see OblongBody; in the first quarter and, mirrored, beyond it.
        """
        x, y = np.cos(psi), np.sin(psi)
        psi = np.broadcast_to(np.arctan2(np.abs(y), np.abs(x)), (t.size, psi.shape[-1]))
        inner, outer = (self._upright(psi) if share is None else share for share in (self.inner, self.outer))
        places, normals = self.side.body.point_at(self.stretch, psi, inner + (outer - inner) * t[:, None])
        up = np.full(x.shape, 1.0 if self.side.end == "front" else -1.0)
        sign = np.stack([np.copysign(1.0, x), np.copysign(1.0, y), up], axis=-1)
        return (places - [0.0, 0.0, self.side.plane]) * sign, normals * sign

    def centres(self, t: FloatArray, psi: FloatArray, radius: float) -> tuple[FloatArray, FloatArray]:
        """(N, P, 3), m, of a ball of `radius` (m) that touches it, and (N, P) its curvature, 1/m; t, psi as above."""
        places, normals = self.places(t, psi)
        return places + radius * normals, np.full(places.shape[:2], self.curvature)

    def _upright(self, psi: FloatArray) -> FloatArray:
        angle = self.side.body.taper_angle(psi)
        if self.stretch == "rim":
            return _QUARTER / (angle - _QUARTER)
        return (2.0 * _QUARTER - angle) / (3.0 * _QUARTER - angle)


@dataclass(frozen=True, eq=False)
class OblongSide:
    """One side of an oblong body's outside; z = 0 at its end, the mouth plane or the back, rising out of the part; m.

    end    : which.
    tapers : whether the body is widest at its rim, and not at the edge of its back.
    """

    body: OblongBody
    end: Literal["front", "back"]
    tapers: bool

    @property
    def plane(self) -> float:
        """m, of the end, from the throat plane."""
        return self.body.surface.depth if self.end == "front" else self.body.back

    @property
    def inner(self) -> float:
        """m, the radius up to which its end lies in one plane all round, but for what opens there."""
        mouth = self.body.surface.mouth
        return min(mouth.half_width, mouth.half_height) if self.end == "front" else self.body.flat

    @cached_property
    def lowest(self) -> float:
        """m, z of the widest place."""
        return -abs(float(self.body.widest(np.zeros(1))[0, 2]) - self.plane)

    @property
    def bands(self) -> tuple[SideBand, ...]:
        """From the end to the widest place."""
        shell = self.body.shell
        rim, edge = (1.0 / r if r > SMALLEST_ROUNDING else np.inf for r in (shell.rim_radius, shell.back_edge_radius))
        if self.end == "front":
            if self.tapers:
                return (SideBand(self, "rim", 0.0, None, rim),)
            return (
                SideBand(self, "rim", 0.0, 1.0, rim),
                SideBand(self, "taper", 0.0, 1.0, 0.0),
                SideBand(self, "edge", 0.0, None, edge),
            )
        if not self.tapers:
            return (SideBand(self, "edge", 1.0, None, edge),)
        return (
            SideBand(self, "edge", 1.0, 0.0, edge),
            SideBand(self, "taper", 1.0, 0.0, 0.0),
            SideBand(self, "rim", 1.0, None, rim),
        )

    @cached_property
    def rim(self) -> Contour:
        """Its widest place, seen along the axis."""
        return Contour(self.once(self.body.widest(self.psi)[:, :2]), self.across)

    @cached_property
    def psi(self) -> FloatArray:
        """(P,), rad, parameters of a quarter."""
        return np.linspace(0.0, _QUARTER, AROUND)

    @cached_property
    def across(self) -> FloatArray:
        """(N, 2), unit: outward, of the places of `once`."""
        return self.once(rim_of(self.body.surface, self.psi).across)

    def once(self, quarter: FloatArray) -> FloatArray:
        """(N, 2): what a quarter has at psi (P, 2), once around, clockwise from +x, the first not repeated."""
        lower = quarter[:-1] * [1.0, -1.0]
        left = quarter[:0:-1] * [-1.0, -1.0]
        return np.concatenate([lower, left, quarter[:-1] * [-1.0, 1.0], quarter[:0:-1]])

    def section(self, z: float) -> FloatArray:
        """(N, 2), m, at the height z (m), as of `once`; below the widest place that."""
        across = max(z, self.lowest)
        level = self.plane + (across if self.end == "front" else -across)
        return self.once(self.body.section(level, self.psi))


def oblong_sides(body: OblongBody) -> tuple[OblongSide, OblongSide]:
    """The front and the back of an oblong body's outside.

    Errors : InputError where its widest place does not lie in a plane, as far as which a part is cut from both sides,
             and in which a pattern parts.
    """
    psi = np.linspace(0.0, _QUARTER, AROUND)
    angle = body.taper_angle(psi)
    tapers = bool(np.all(angle >= 2.0 * _QUARTER - _ROUNDED))
    if not tapers and np.any(angle > 2.0 * _QUARTER + _ROUNDED):
        shell, out = body.shell, rim_of(body.surface, psi).out + body.shell.rim_radius
        raise InputError(
            f"[mounting] back_diameter_mm = {mm(shell.back_diameter)}: the body is widest at its rim in one direction,"
            " and at its back in another; programs cut it from both sides as far as a plane, in which a pattern parts"
            " too. Write"
            f" {at_most_mm(2.0 * float(out.min()))} or less, or {at_least_mm(2.0 * float(out.max()))} or more, or take"
            " --process print"
        )
    return OblongSide(body, "front", tapers), OblongSide(body, "back", tapers)
