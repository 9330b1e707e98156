"""A part held against limits of its wall: where it lies outside, and whether that is beyond doubt.

Stray points do not count. Points of a scan are gathered in cells of share and azimuth, whose median withstands those
that were not recognised; the doubt of a cell is the registration's at that place and what noise leaves in a median. A
cell is outside, or inside, where it is so by more than that doubt allows at 5 % for the whole part: the bound is taken
for as many cells as there are (Bonferroni). What is neither is not decided, as ISO 14253-1 has it (from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy.special import ndtri

from evenflare.inspection.found import Estimate, Inspection
from evenflare.units import BoolArray, FloatArray, IntArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.wall_zones import WallZone

COARSE, FINE = 6, 24
"""Gathered of the wall from throat to mouth, and as many once around: at least, and at most."""
CROWD = 20
"""Points of a scan that a cell should hold, so that a tenth of strays among them does not move its median far."""
SCAN = 2000
"""Points from which on they are gathered; fewer were probed one by one, and each counts by itself."""
DOUBT = 0.05
"""Odds of calling a part that just keeps its limits outside, or inside that just breaks them."""
MEDIAN = 1.2533
"""Standard error of a median over that of a mean, of Gaussian noise: sqrt(pi / 2)."""
TO_SIGMA = 1.4826
"""Standard deviation over median absolute deviation, of Gaussian noise."""
BEST_FIT = "best_fit"
"""How a part is registered where no datum is asked for."""

State = Literal["inside", "undecided", "outside"]


class FurthestOff(NamedTuple):
    """The place of the wall that lies furthest off: m along the normal; m from the throat plane; rad."""

    off: Estimate
    z: float
    azimuth: float


@dataclass(frozen=True)
class HeldZone:
    """A zone, and the part in it.

    points  : used ones in it, and the share of these that lie
    outside : beyond its limits, 0 to 1; 0 without points.
    mean    : of the departure, m; nan without points.
    excess  : m, by which the worst cell is beyond the limit, below 0 within it; nan without points.
    z, azimuth : of that cell.
    """

    zone: WallZone
    points: int
    outside: float
    mean: Estimate
    excess: float
    z: float
    azimuth: float
    state: State


@dataclass(frozen=True)
class Held:
    """A part against limits. state : of the whole; `outside` where one zone is, `inside` where all are."""

    zones: tuple[HeldZone, ...]
    outside: float

    @property
    def state(self) -> State:
        """Of the whole."""
        states = {each.state for each in self.zones if each.points}
        if "outside" in states:
            return "outside"
        return "inside" if states == {"inside"} else "undecided"

    @property
    def worst(self) -> HeldZone:
        """The zone with the worst cell."""
        return max((each for each in self.zones if each.points), key=lambda each: each.excess)


@dataclass(frozen=True)
class Gathered:
    """Used points gathered in cells of the wall, C of them that hold any; of few points each is a cell.

    cell       : (N,) of every point its cell, -1 for one that does not count.
    count      : (C,) points; off : (C,) their median, m; z, azimuth : (C,) their middle, m and rad.
    error      : (C,) standard error of the median, m, registration's included.
    noise      : m, of a single point.
    covered    : share of the wall, cut in cells, that holds points, 0 to 1.
    """

    cell: IntArray
    count: IntArray
    off: FloatArray
    z: FloatArray
    azimuth: FloatArray
    error: FloatArray
    noise: float
    covered: float


def gathered(inspection: Inspection, waveguide: Waveguide) -> Gathered:
    """The used points by cell. ValueError if there is none."""
    used = inspection.used & np.isfinite(inspection.off)
    if not used.any():
        raise ValueError("no point lies on the wall")
    off, n = inspection.off[used], int(used.sum())
    side = int(np.clip(np.sqrt(n / CROWD), COARSE, FINE)) if n >= SCAN else COARSE
    place = _places(inspection, used, side)
    held, gathered = np.unique(place, return_inverse=True)
    size = np.bincount(gathered)
    # A median of n points takes a share 1 / n of their scatter with it.
    freedom = np.sqrt(size / np.maximum(size - 1, 1))
    apart = np.abs(off - _medians(gathered, off, held.size)[gathered]) * freedom[gathered]
    noise = float(TO_SIGMA * np.median(apart))
    cell, covered = gathered, held.size / side**2
    if n < SCAN:  # each point is a place of its own; what the mean of all is known to tells of one, too
        noise = min(noise, inspection.offset.standard_error * float(np.sqrt(n)))
        cell = np.arange(n)
    count = np.bincount(cell)
    middle = _medians(cell, off, count.size)
    every = np.full(used.size, -1)
    every[used] = cell
    pose = pose_errors(inspection, waveguide, noise)[used]
    error = np.hypot(_medians(cell, pose, count.size), np.where(count > 1, MEDIAN, 1.0) * noise / np.sqrt(count))
    z = _medians(cell, inspection.points[used, 2], count.size)
    turn = np.mod(inspection.azimuth[used], 2.0 * np.pi)
    azimuth = turn if n < SCAN else (held % side + 0.5) / side * 2.0 * np.pi
    return Gathered(every, count, middle, z, azimuth, error, noise, covered)


def _places(inspection: Inspection, used: BoolArray, side: int) -> IntArray:
    """(N,) of the used points, the cell of so many by so many that holds each."""
    row = np.clip((inspection.share[used] * side).astype(int), 0, side - 1)
    turn = np.mod(inspection.azimuth[used], 2.0 * np.pi) / (2.0 * np.pi)
    return np.asarray(row * side + np.clip((turn * side).astype(int), 0, side - 1))


def _medians(cell: IntArray, values: FloatArray, count: int) -> FloatArray:
    """(count,) of values by their cells."""
    order = np.lexsort((values, cell))
    first = np.searchsorted(cell[order], np.arange(count))
    size = np.bincount(cell, minlength=count)
    ranked = values[order]
    return np.asarray(0.5 * (ranked[first + (size - 1) // 2] + ranked[first + size // 2]))


def pose_errors(inspection: Inspection, waveguide: Waveguide, noise: float) -> FloatArray:
    """(N,) m, standard error of the departure that the registration's leaves at each point. noise : m, of a point."""
    levers = _levers(inspection, waveguide)
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", levers, _pose_covariance(inspection, levers, noise), levers)))


def _pose_covariance(inspection: Inspection, levers: FloatArray, noise: float) -> FloatArray:
    """(6, 6) of the part's shift and turn, m and rad.

    By datums as the inspection states it. A best fit lays the part where it departs least, and departures count from
    there: its error is what noise leaves in a least-squares fit, however little else tells a shift from an offset.
    """
    if inspection.registered_to != BEST_FIT:
        # What a round wall cannot tell, its turn about the axis, moves no point of it.
        return np.diag(np.where(np.isfinite(inspection.pose_error), inspection.pose_error, 0.0) ** 2)
    used = levers[inspection.used]
    size = np.maximum(np.sqrt(np.sum(used**2, axis=0)), 1e-12)
    scaled = used / size
    return np.asarray(noise**2 * np.linalg.pinv(scaled.T @ scaled, rcond=1e-9, hermitian=True) / np.outer(size, size))


def _levers(inspection: Inspection, waveguide: Waveguide) -> FloatArray:
    """(N, 6) by which a shift s and a turn w move each point p along the normal n: n.s + (p x n).w."""
    angle = _angles(waveguide, inspection.share, inspection.azimuth)
    normal = np.stack(
        [np.cos(angle) * np.cos(inspection.azimuth), np.cos(angle) * np.sin(inspection.azimuth), -np.sin(angle)], axis=1
    )
    turned = np.cross(inspection.points, normal)
    if waveguide.is_round:
        turned[:, 2] = 0.0  # but for the points' own noise
    return np.concatenate([normal, turned], axis=1)


def _angles(waveguide: Waveguide, share: FloatArray, azimuth: FloatArray) -> FloatArray:
    """(N,) rad, of the wall against the axis. Of an oblong one between the two meridians': near enough for a doubt."""
    if waveguide.is_round:
        return _angle_at(waveguide, share, plane=0)
    wide, high = (_angle_at(waveguide, share, plane=plane) for plane in (0, 1))
    return np.asarray(wide * np.cos(azimuth) ** 2 + high * np.sin(azimuth) ** 2)


def _angle_at(waveguide: Waveguide, share: FloatArray, *, plane: int) -> FloatArray:
    if waveguide.is_round:
        wall = waveguide.meridian.dense
    else:
        wall = (waveguide.surface.horizontal if plane == 0 else waveguide.surface.vertical).dense
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(wall.z), np.diff(wall.r)))])
    return np.asarray(np.interp(share, arc / arc[-1], wall.angle))


def bound(cells: int) -> float:
    """Standard errors beyond which one of so many cells lies by chance in DOUBT of parts."""
    return float(ndtri(1.0 - DOUBT / max(cells, 1)))


def held_against(inspection: Inspection, cells: Gathered, zones: Sequence[WallZone]) -> Held:
    """The part against zones of its wall, from throat to mouth without gaps."""
    ends = np.array([each.to_z for each in zones])
    z = inspection.points[:, 2]
    zone = np.minimum(np.searchsorted(ends, z, side="right"), len(zones) - 1)
    plus, minus = (np.array([getattr(each, name) for each in zones])[zone] for name in ("plus", "minus"))
    excess = np.maximum(inspection.off - plus, -minus - inspection.off)
    counts = cells.cell >= 0
    by_cell = _medians(cells.cell[counts], excess[counts], cells.count.size)
    home = np.minimum(np.searchsorted(ends, cells.z, side="right"), len(zones) - 1)
    away = bound(cells.count.size) * cells.error
    found = [
        _zone(inspection, cells, each, counts & (zone == i), excess, by_cell, away, home == i)
        for i, each in enumerate(zones)
    ]
    return Held(tuple(found), float(np.mean(excess[counts] > 0.0)))


def _zone(
    inspection: Inspection,
    cells: Gathered,
    zone: WallZone,
    mine: BoolArray,
    excess: FloatArray,
    by_cell: FloatArray,
    away: FloatArray,
    inner: BoolArray,
) -> HeldZone:
    n = int(mine.sum())
    if n == 0 or not inner.any():
        return HeldZone(zone, 0, 0.0, Estimate(np.nan, np.nan), np.nan, np.nan, np.nan, "undecided")
    worst = int(np.flatnonzero(inner)[by_cell[inner].argmax()])
    state: State = "undecided"
    if np.any(by_cell[inner] > away[inner]):
        state = "outside"
    elif np.all(by_cell[inner] < -away[inner]):
        state = "inside"
    # The registration moves all cells of a zone together: its share of the error does not average away.
    mean = Estimate(float(inspection.off[mine].mean()), float(np.median(cells.error[inner])))
    outside = float(np.mean(excess[mine] > 0.0))
    place = float(cells.z[worst]), float(cells.azimuth[worst])
    return HeldZone(zone, n, outside, mean, float(by_cell[worst]), *place, state)


def worst_of(cells: Gathered) -> FurthestOff:
    """The cell that lies furthest off."""
    k = int(np.abs(cells.off).argmax())
    off = Estimate(float(cells.off[k]), float(cells.error[k]))
    return FurthestOff(off, float(cells.z[k]), float(cells.azimuth[k]))


def rms_of(inspection: Inspection, waveguide: Waveguide, cells: Gathered) -> Estimate:
    """m, root mean square of the departure over the used points, noise of the points included."""
    counts = cells.cell >= 0
    off, n = inspection.off[counts], int(counts.sum())
    rms = float(np.sqrt(np.mean(off**2)))
    if rms == 0.0:
        return Estimate(0.0, cells.noise / np.sqrt(n))
    levers = _levers(inspection, waveguide)
    pull = levers[counts].T @ off / (n * rms)
    moved = pull @ _pose_covariance(inspection, levers, cells.noise) @ pull
    return Estimate(rms, float(np.sqrt(moved + cells.noise**2 / n)))


def even_zones(depth: float, *, count: int, limit: float) -> tuple[WallZone, ...]:
    """So many zones of equal depth, all with one limit (m) either way."""
    ends = np.linspace(0.0, depth, count + 1)
    return tuple(WallZone(float(a), float(b), limit, limit) for a, b in itertools.pairwise(ends))
