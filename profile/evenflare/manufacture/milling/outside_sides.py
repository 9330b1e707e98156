"""One side of a body's outside as a router cuts it, round or oblong: rings for its levels, a spiral for its ball."""

from __future__ import annotations

from typing import Literal, NamedTuple, Protocol

import numpy as np

from evenflare.manufacture.milling.finishing import spiral
from evenflare.manufacture.milling.finishing_oblong import spiral_over
from evenflare.manufacture.milling.profile import AROUND_CHORD, across_step, inward
from evenflare.manufacture.milling.roughing import wide_at
from evenflare.manufacture.part.oblong_sides import OblongSide
from evenflare.manufacture.part.rim import Footprint, RimOutline, thinned
from evenflare.manufacture.part.sides import Side
from evenflare.manufacture.process.types import Tool
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide import Frame
from evenflare.words import mm

WALL = 0.002 * MILLIMETRE
"""That chords may bring a level's innermost ring nearer to the outside."""
_DENSE = 0.02 * MILLIMETRE
_SHEETS = 9
_ROWS, _COLUMNS = 200, 129


class MilledSide(Protocol):
    """Its frame is that of Side: z = 0 at its end, rising out of the part; m."""

    @property
    def end(self) -> Literal["front", "back"]:
        """Which."""
        ...

    @property
    def lowest(self) -> float:
        """m, z of the widest place."""
        ...

    @property
    def rim(self) -> RimOutline:
        """The widest place, seen along the axis."""
        ...

    @property
    def told(self) -> str:
        """How far out it is cut, in words; mm."""
        ...

    def rings(self, tool: Tool, extra: float, level: float, outer: float) -> list[FloatArray]:
        """Closed rings (N, 2), m, clockwise, that the tool's axis may follow at a level with `extra` m left on the
        outside: the first `outer` m off the widest place, the others inward to the outside.
        """
        ...

    def spiral(self, tool: Tool, *, ridge: float, chord: float) -> FloatArray:
        """(N, 3), m: centres of a ball on a spiral from the end to the widest place, counter-clockwise, a full ring at
        either end. ridge, chord : m, see `spiral`. Errors : InputError where the outside is too hollow for it.
        """
        ...

    def first_below(self, tool: Tool, top: float) -> float | None:
        """m, the highest z at which the tip of a ball that touches the outside lies below `top`; None: nowhere."""
        ...


class RoundSide(NamedTuple):
    """Of a round body, see MilledSide."""

    side: Side

    @property
    def end(self) -> Literal["front", "back"]:
        """See MilledSide."""
        return self.side.end

    @property
    def lowest(self) -> float:
        """See MilledSide."""
        return self.side.lowest

    @property
    def rim(self) -> Footprint:
        """See MilledSide."""
        return Footprint((self.side.widest, self.side.widest), True)

    @property
    def told(self) -> str:
        """See MilledSide."""
        return f"from {mm(self.side.inner)} off the axis to the widest place, {mm(self.side.widest)} off it"

    def rings(self, tool: Tool, extra: float, level: float, outer: float) -> list[FloatArray]:
        """See MilledSide."""
        nearest = _nearest(_dense(self.side.line), tool, extra, level) - self.side.widest
        return [self.rim.beside(away, chord=AROUND_CHORD) for away in (outer, *inward(outer, nearest, tool))]

    def spiral(self, tool: Tool, *, ridge: float, chord: float) -> FloatArray:
        """See MilledSide."""
        z, r = self.side.touching(tool.radius, what=f'finishing_tool "{tool.name}"')
        line = self.side.line
        back = Frame(line.z[::-1], line.r[::-1], line.angle[::-1] + np.pi, line.curvature[::-1], line.speed[::-1])
        return spiral(back, z[::-1], r[::-1], radius=tool.radius, ridge=ridge, chord=chord)

    def first_below(self, tool: Tool, top: float) -> float | None:
        """See MilledSide."""
        line = self.side.line
        tip = line.z + tool.radius * (np.sin(line.angle) - 1.0)
        return float(np.interp(-top, -tip, line.z)) if np.any(tip < top) else None


class FilmSide(NamedTuple):
    """Of an oblong body, see MilledSide: it is convex, and its sections lie within one another with normals alike."""

    side: OblongSide

    @property
    def end(self) -> Literal["front", "back"]:
        """See MilledSide."""
        return self.side.end

    @property
    def lowest(self) -> float:
        """See MilledSide."""
        return self.side.lowest

    @property
    def rim(self) -> RimOutline:
        """See MilledSide."""
        return self.side.rim

    @property
    def told(self) -> str:
        """See MilledSide."""
        wide, high = (2.0 * half for half in self.side.body.half)
        return f"from the {self.end} to the widest place, {mm(wide)} wide and {mm(high)} high"

    def rings(self, tool: Tool, extra: float, level: float, outer: float) -> list[FloatArray]:
        """See MilledSide. Between the first ring and the last the others share out the way, the wider the fewer."""
        grown, corner = level - extra, tool.corner_radius + extra
        heights = grown + np.append(corner * (1.0 - np.cos(0.5 * np.pi * np.linspace(0.0, 1.0, _SHEETS))), 2.0 * corner)
        wide = wide_at(tool, extra, heights - grown)
        first, across = self.side.rim.points + outer * self.side.across, self.side.across
        # Between two heights the lower, larger section and the upper, wider tool hold. What keeps off all of them is
        # within their hull, whose farthest point along each normal is the farthest of theirs.
        sections = [
            self.side.section(float(height)) + width * across
            for height, width in zip(heights[:-1], wide[1:], strict=True)
            if height < 0.0
        ]
        reach = np.sum(np.stack(sections) * across, axis=-1)
        last = np.stack(sections)[reach.argmax(axis=0), np.arange(len(across))] + AROUND_CHORD * across
        apart = float(np.max(np.sum((first - last) * across, axis=-1)))
        number = max(1, int(np.ceil(apart / across_step(tool) - 1e-9)))
        shares = np.arange(number + 1) / number
        return [thinned((1.0 - share) * first + share * last, chord=AROUND_CHORD) for share in shares.tolist()]

    def spiral(self, tool: Tool, *, ridge: float, chord: float) -> FloatArray:
        """See MilledSide."""
        return spiral_over(self.side.bands, radius=tool.radius, ridge=ridge, chord=chord)

    def first_below(self, tool: Tool, top: float) -> float | None:
        """See MilledSide."""
        t, psi = np.linspace(0.0, 1.0, _ROWS), np.linspace(0.0, 0.5 * np.pi, _COLUMNS)
        found = [band.places(t, psi) for band in self.side.bands]
        z, up = (np.stack([each[k][..., 2] for each in found]) for k in (0, 1))
        below = z[z + tool.radius * (up - 1.0) < top]
        return float(below.max()) if below.size else None


def milled_side(side: Side | OblongSide) -> MilledSide:
    """A side for a router."""
    return RoundSide(side) if isinstance(side, Side) else FilmSide(side)


def _dense(line: Frame) -> FloatArray:
    """(N, 2), z and r of a line, close together: between two points it may reach further."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(line.z), np.diff(line.r)))])
    fine = np.linspace(0.0, along[-1], int(along[-1] / _DENSE) + 2)
    return np.column_stack([np.interp(fine, along, line.z), np.interp(fine, along, line.r)])


def _nearest(line: FloatArray, tool: Tool, extra: float, level: float) -> float:
    """m, how near to the axis the tool's axis may come at a level with `extra` left on the outside."""
    above = line[:, 0] - (level - extra)
    met = above >= 0.0
    return float(np.max(line[met, 1] + wide_at(tool, extra, above[met]))) + WALL
