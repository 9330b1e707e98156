"""What programs should leave of an oblong body's outside: met in height where it slopes, else along the path."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from evenflare.files import InputError
from evenflare.manufacture.part.oblong_sides import OblongSide, SideBand
from evenflare.manufacture.process.types import Tool
from evenflare.manufacture.proof.deviation import Worst
from evenflare.manufacture.proof.truth import STEEP
from evenflare.manufacture.wall.grid import Grid, Sheet, lines
from evenflare.units import DEGREE, MILLIMETRE, BoolArray, FloatArray
from evenflare.waveguide.cloud import tree_aside

FACET = 2e-6
"""m, chord error of the facets that stand for the outside in height, or as many times twice that as leaves few enough
of them, up to
COARSEST: what they miss is taken for gouge or leftover.
"""
COARSEST = 16e-6
MET = 45 * DEGREE
"""From the vertical, within which places count as steep: on a flatter outside the raster's cells lie close enough to
see a ridge's crest.
"""
ENDING = 2 * DEGREE
"""Of that, the last: a middle whose nearest place lies there may have a nearer one beyond."""
APART = 0.4 * MILLIMETRE
"""Between places of steep outside along the passes, at most; and
ACROSS them: on a ridge between two passes 0.5 mm apart a place beside its crest is seen lower by an eighth at most."""
ACROSS = 0.06 * MILLIMETRE
ALONG = 0.1 * MILLIMETRE
"""Between places of a path: half-way the ball stands 0.4 um further off, with a radius of 3 mm."""
SPARSE = 4
"""Of these, every so many is looked at for gouges, which are as long as the moves between points of a program.
"""
AT_ONCE = 4096
"""Places whose nearest middle is looked for, before the others are looked at."""
REACH = 1 * MILLIMETRE
"""More is left than that where no path comes so near."""
_SIGNS = ((1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0))


class AskedOblong(NamedTuple):
    """side : what is cut. top, tabs, half : of what holds the body there: the lowest z of a tip, middles (N, 2), m, and
    half the width, m, within which it counts; without tabs it is everywhere.
    """

    side: OblongSide
    top: float = -np.inf
    tabs: FloatArray = np.empty((0, 2))
    half: float = 0.0

    def held(self, x: FloatArray, y: FloatArray, tip: FloatArray) -> BoolArray:
        """Where a ball is kept from the outside at x, y, m, which it would touch with its tip at `tip`, m."""
        held = np.asarray(tip < self.top)
        if len(self.tabs):
            x, y = (each[held] for each in np.broadcast_arrays(x, y))
            apart = [np.hypot(x - tab_x, y - tab_y) for tab_x, tab_y in self.tabs.tolist()]
            # A place behind the tab is further from its middle, by as much as it lies further in.
            held[held] = np.min(apart, axis=0) < np.hypot(self.half, self.side.rim.off(x, y))
        return held


def oblong_raster(tool: Tool, heights: FloatArray, x: FloatArray, y: FloatArray, asked: AskedOblong) -> FloatArray:
    """(X, Y) signed departures along the normal, m, nan where nothing is compared. x (X, 1), y (Y,) : m, even about the
    axis.
    """
    from evenflare.manufacture.proof.facets import laid

    step, quarter = float(y[1] - y[0]), tuple((size + 1) // 2 for size in heights.shape)
    target, slope = np.full(quarter, -np.inf), np.ones(quarter)
    rows, psi = _lines(asked.side)
    for band, t in zip(asked.side.bands, rows, strict=True):
        places, normals = (np.ascontiguousarray(each) for each in band.places(t, psi))
        laid(target, slope, step, places, np.ascontiguousarray(normals[..., 2]))
    # Round its edge the side's facets end; and within it is its end's plane, which is in other programs.
    target[(slope < np.sin(STEEP)) | ~np.isfinite(target)] = np.nan
    target, slope = (np.concatenate([each[:0:-1], each]) for each in (target, slope))
    target, slope = (np.concatenate([each[:, :0:-1], each], axis=1) for each in (target, slope))
    off = np.where(np.isfinite(heights), heights - target, np.nan) * slope
    held = asked.held(x, y, target + tool.corner_radius * (slope - 1.0))
    return np.where(held & (off > 0.0), 0.0, off)


def oblong_walls(tool: Tool, path: FloatArray, asked: AskedOblong) -> tuple[Worst, Worst]:
    """Gouge and leftover of a ball along steep outside, by how near its middle comes. path : (N, 3), m, of the tip."""
    nothing, radius = Worst(0.0, (0.0, 0.0, 0.0)), tool.corner_radius
    if tool.kind != "ball":
        return nothing, nothing  # Roughing leaves stock, and its gouges show in height.
    steep = _steep(asked.side)
    if not len(steep.places):
        return nothing, nothing
    if not len(path):
        return nothing, Worst(-asked.side.lowest, _place(steep.places[0]))
    centres = path + np.array([0.0, 0.0, radius])
    centres = centres[centres[:, 2] < steep.places[:, 2].max() + 2.0 * radius]
    sparse = centres[::SPARSE]
    room = steep.distance(sparse, below=radius + APART) - radius
    deepest = int(room.argmin())
    gouge = Worst(max(0.0, -float(room[deepest])), _place(sparse[deepest] - [0.0, 0.0, radius]))
    x, y, z = steep.places.T
    judged = ~asked.held(x, y, z + radius * (steep.normals[:, 2] - 1.0))
    return gouge, _farthest(steep.places[judged], steep.normals[judged], centres, radius)


def _farthest(places: FloatArray, normals: FloatArray, centres: FloatArray, radius: float) -> Worst:
    """How far a ball's nearest middle of `centres` (M, 3) stays off that one of the places (N, 3) where it stays
    farthest, REACH at most; m.

    The middle that is nearest to where a ball touches a place is found at once, and no nearer to the place than the
    nearest, for which many are to be looked at: those whose bound is below what is found are spared that.
    """
    aside = tree_aside(centres)
    bound, nearest = aside.query(places + radius * normals, distance_upper_bound=REACH)
    met = np.isfinite(bound)
    bound[met] = np.linalg.norm(places[met] - centres[nearest[met]], axis=1) - radius
    order = np.argsort(-bound)
    found = Worst(0.0, (0.0, 0.0, 0.0))
    for start in range(0, len(order), AT_ONCE):
        some = order[start : start + AT_ONCE]
        if bound[some[0]] <= found.size:
            break
        off = aside.query(places[some], distance_upper_bound=radius + REACH)[0] - radius
        worst = int(off.argmax())
        here = Worst(min(float(off[worst]), REACH), _place(places[some[worst]]))
        found = max(found, here, key=lambda each: each.size)
    return found


@dataclass(frozen=True, eq=False)
class _Steep:
    """Places (N, 3), m, all round on what of a side is too steep to be met in height, their unit normals (N, 3), and
    which of them no plane touches, or none beside them is known (N,).
    """

    places: FloatArray
    normals: FloatArray
    alone: BoolArray

    @cached_property
    def _tree(self) -> Any:
        return tree_aside(self.places)

    def distance(self, centres: FloatArray, *, below: float) -> FloatArray:
        """(N,), m, of centres (N, 3), within about a micrometre where that is a ball's radius, below 0 inside: from the
        plane that touches the outside in the nearest place, or from that place if it stands alone; inf from `below` on.
        """
        apart, nearest = self._tree.query(centres, distance_upper_bound=below)
        met, found = np.isfinite(apart), np.full(len(centres), np.inf)
        apart, nearest, centres = apart[met], nearest[met], centres[met]
        along = np.sum((centres - self.places[nearest]) * self.normals[nearest], axis=1)
        beside = np.sqrt(np.maximum(apart**2 - along**2, 0.0))
        found[met] = np.where(self.alone[nearest] | (beside > APART), apart, along)
        return found


def _lines(side: OblongSide) -> tuple[list[FloatArray], FloatArray]:
    """Rows of each band and columns of all between which facets keep within FACET, if they are not too many."""

    def sheet(band: SideBand) -> Sheet:
        return lambda t, psi: Grid(*band.places(t, psi))

    sheets, facet = [sheet(band) for band in side.bands], FACET
    while True:
        try:
            return lines(sheets, chord_error=facet)
        except InputError:
            if facet >= COARSEST:
                raise
            facet *= 2.0


def _steep(side: OblongSide) -> _Steep:
    found, psi = _lines(side)
    places, normals, alone = list[FloatArray](), list[FloatArray](), list[BoolArray]()
    low = np.sin(MET)
    rolls = [False, *(band.rolls for band in side.bands), False]
    for number, (band, t) in enumerate(zip(side.bands, found, strict=True)):
        rows, columns = _spread(band, t, psi)
        on, up = band.places(rows, columns)
        # The first and last rows of what ends in a sharp edge lie on it.
        edge = np.full(rows.size, band.rolls)
        edge[0] |= rolls[number]
        edge[-1] |= rolls[number + 2]
        kept = up[..., 2] < low
        places.append(on[kept])
        normals.append(up[kept])
        alone.append((edge[:, None] | (up[..., 2] > np.sin(MET - ENDING)))[kept])
    return _Steep(
        _round(np.concatenate(places)), _round(np.concatenate(normals)), np.tile(np.concatenate(alone), len(_SIGNS))
    )


def _spread(band: SideBand, t: FloatArray, psi: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows and columns t and psi of a band with others between them, ACROSS and APART at most."""
    rough = band.places(t, psi)[0]
    lengths = [np.linalg.norm(np.diff(rough, axis=axis), axis=-1).max(axis=1 - axis) for axis in (0, 1)]
    return _finer(t, lengths[0], ACROSS), _finer(psi, lengths[1], APART)


def _finer(line: FloatArray, lengths: FloatArray, step: float) -> FloatArray:
    """Numbers (N,) with others between them in cells (N - 1,) longer than a step, m."""
    cells = zip(line[:-1], line[1:], np.maximum(np.ceil(lengths / step), 1.0).astype(int), strict=True)
    finer = [np.linspace(low, high, count, endpoint=False) for low, high, count in cells]
    return np.concatenate([*finer, line[-1:]])


def _round(quarter: FloatArray) -> FloatArray:
    return np.concatenate([quarter * [*sign, 1.0] for sign in _SIGNS])


def _place(place: FloatArray) -> tuple[float, float, float]:
    x, y, z = place.tolist()
    return x, y, z
