"""How far what is heard of a waveguide moves with its wall: central differences of the march over bumps of the wall, at
places along the arc and around the section, and over the kinds of error that trades make.

A bump is a wave of one knot, nothing at the knots beside it. Each difference is taken with a step and with half of it;
what both differ by tells where the answer is not straight, and Richardson's extrapolation of the two is what is kept.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.metrics import beamwidth, directivity_index, far_field_index, levels_re_on_axis
from evenflare.objective import score
from evenflare.radiation import Setting, Solver
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE, BoolArray, FloatArray, IntArray
from evenflare.waveguide import Waveguide
from evenflare.waveguide.departure import series_of, waves_at
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.wall_places import wall_places

ROUND_PLACES, OBLONG_PLACES = 30, 12
"""Stretches of the arc between the places of bumps."""
AZIMUTHS = 4
"""Of bumps of an oblong waveguide, from plane to plane."""
STEP = 0.1 * MILLIMETRE
"""Of a bump and of every kind: what a good workshop leaves. Noise of the solver is 1e-4 of what that does."""
EVEN_STEP = 1.0 * MILLIMETRE
"""Of a kind that does as much either way."""
FRONT = 60.0 * DEGREE
"""Off-axis angle within which polar levels are looked at, where they lie above"""
HEARD = -12.0
"""dB re on axis."""
CURVED = 0.1
"""Of the greatest slope at a frequency, by which slopes of either step may differ where it is called straight."""

Found = TypeVar("Found")
Progress = Callable[[int, int], None]
"""Called with how many solves are done, of how many."""


@dataclass(frozen=True)
class WallReading:
    """What is read off one solve.

    index     : (F,) dB, on axis over the whole sphere, in the far field where that is known.
    beamwidth : (P, F) rad, of the horizontal and, unless all planes are alike, the vertical plane; nan where none.
    level     : (F, P, A) dB re on axis.
    score     : dB; nan without a target.
    """

    index: FloatArray
    beamwidth: FloatArray
    level: FloatArray
    score: float

    def __sub__(self, other: WallReading) -> WallReading:
        """What differs."""
        with np.errstate(invalid="ignore"):  # behind a baffle both are -inf
            return WallReading(
                self.index - other.index,
                self.beamwidth - other.beamwidth,
                self.level - other.level,
                self.score - other.score,
            )

    def __mul__(self, factor: float) -> WallReading:
        """All of it, times a number."""
        return WallReading(factor * self.index, factor * self.beamwidth, factor * self.level, factor * self.score)


@dataclass(frozen=True)
class WallBench:
    """A waveguide that is solved again and again, its wall a little off.

    observation : where it is heard, and
    counted     : (F,) at which frequencies its index is looked at.
    grid        : shares of the arc at which bumps stand, from 0 to 1, even; waves of any other knots, no nearer to each
                  other, are solved as finely.
    azimuths    : rad, of bumps; one: all round.
    """

    waveguide: Waveguide
    observation: Observation
    air: Air
    counted: BoolArray
    setting: Setting = "full"
    target: Target | None = None
    grid: tuple[float, ...] = ()
    azimuths: tuple[float, ...] = (0.0,)
    cores: int = field(default_factory=lambda: os.cpu_count() or 1)

    @cached_property
    def _solve(self) -> Solver:
        from evenflare.radiation.march import index_solver

        return index_solver(self.setting)

    @property
    def frequency(self) -> FloatArray:
        """(C,) Hz, those that are counted."""
        return np.asarray(self.observation.frequency[self.rows])

    @cached_property
    def rows(self) -> IntArray:
        """(C,) indices of the frequencies that are counted."""
        return np.flatnonzero(self.counted)

    def flat(self) -> WallDeviation:
        """No departure, with the knots of the grid: solved as finely as a wall with bumps."""
        return self.wave(np.zeros((len(self.grid), len(self.azimuths))))

    def wave(self, values: FloatArray) -> WallDeviation:
        """A wall that departs by values (N,) or (N, M), m, at the places of the grid."""
        table = values.reshape(len(self.grid), -1)
        if table.shape[1] != len(self.azimuths):
            table = np.broadcast_to(table, (len(self.grid), len(self.azimuths)))
        waves = tuple(tuple(map(float, row)) for row in table)
        return WallDeviation(shares=self.grid, azimuths=self.azimuths, waves=waves)

    def heard(self, deviation: WallDeviation) -> Directivity:
        """A wall solved. ValueError if it cannot be."""
        wall = deviation if deviation.shares or deviation.ovality else replace(deviation, **_waves(self.flat()))
        return self._solve(deviated(self.waveguide, wall), self.observation, self.air)

    def read(self, deviation: WallDeviation) -> WallReading:
        """A wall solved, and what is read off it."""
        found = self.heard(deviation)
        wall = self.waveguide
        planes = (0.0,) if found.observation.symmetry == "round" else (0.0, 0.5 * np.pi)
        value = np.nan
        if self.target is not None:
            whole = replace(found, valid=np.ones_like(found.valid))
            value = score(whole, wall, self.target).value
        return WallReading(
            index_of(found),
            np.array([beamwidth(found, plane=plane) for plane in planes]),
            levels_re_on_axis(found),
            value,
        )

    def index(self, deviation: WallDeviation) -> FloatArray:
        """(C,) dB of a wall, at the frequencies that are counted."""
        return index_of(self.heard(deviation))[self.rows]

    def indices(self, deviations: Sequence[WallDeviation], progress: Progress | None = None) -> FloatArray:
        """(N, C) dB of several walls; infinite of one that is no waveguide any more, folded or turned back."""
        return np.array(self.each(self._index_if_any, deviations, progress))

    def _index_if_any(self, deviation: WallDeviation) -> FloatArray:
        try:
            return self.index(deviation)
        except (ValueError, ArithmeticError):
            return np.full(self.rows.size, np.inf)

    def each(
        self,
        find: Callable[[WallDeviation], Found],
        deviations: Sequence[WallDeviation],
        progress: Progress | None = None,
    ) -> list[Found]:
        """What is found of each of several walls, in their order, on every core: compiled code lets others run."""
        from evenflare.radiation.one_thread import one_thread

        found: list[Found] = []
        # Also of what is done between solves: threads of linear algebra would take three times as long together.
        with one_thread(), ThreadPoolExecutor(self.cores) as threads:
            for one in threads.map(find, deviations):
                found.append(one)
                if progress is not None:
                    progress(len(found), len(deviations))
        return found


def _waves(deviation: WallDeviation) -> dict[str, Any]:
    return {name: getattr(deviation, name) for name in ("shares", "azimuths", "waves")}


@dataclass(frozen=True)
class PlaceSlopes:
    """What moves with a departure of 1 m, at the frequencies that are counted, (C,) each.

    index     : dB/m.
    beamwidth : rad/m, of the plane where it moves most; nan where there is none.
    polar     : dB/m, of the off-axis angle in front where the level re on axis moves most.
    score     : dB/m; nan without a target.
    bent      : dB/m, by which the index' slope is another with half the step: where large, the answer is not straight.
    """

    index: FloatArray
    beamwidth: FloatArray
    polar: FloatArray
    score: float
    bent: FloatArray


@dataclass(frozen=True)
class Sensitivity:
    """What moves with the wall of a waveguide.

    frequency : (C,) Hz, and
    nominal   : (C,) dB, the index there as drawn.
    share, z  : (N,) of the places along the arc, and their depth, m.
    azimuths  : (M,) rad.
    spacing   : m of arc from place to place.
    places    : N rows of M: what a bump there does, whose base is two spacings wide; straight as far as `bent` says.
    kinds     : by name, what errors of the whole wall do; scale for each m by which the mouth's rim moves out. Of a
                round waveguide ovality does nothing to first order: what EVEN_STEP of it does, over that.
    left_out  : why a kind is not among them, by name.
    step      : m, of the differences.
    """

    frequency: FloatArray
    nominal: FloatArray
    share: FloatArray
    z: FloatArray
    azimuths: FloatArray
    spacing: float
    places: tuple[tuple[PlaceSlopes, ...], ...]
    kinds: Mapping[str, PlaceSlopes]
    left_out: Mapping[str, str] = field(default_factory=dict)
    step: float = STEP

    @cached_property
    def index(self) -> FloatArray:
        """(N, M, C) dB/m of the places."""
        return np.array([[each.index for each in row] for row in self.places])

    @cached_property
    def bent(self) -> FloatArray:
        """(C,) by frequency the share of the greatest slope of a place by which a place's slope depends on the step."""
        bent = np.array([[each.bent for each in row] for row in self.places]).max(axis=(0, 1))
        return np.asarray(bent / np.maximum(np.abs(self.index).max(axis=(0, 1)), 1e-300))

    @property
    def not_straight(self) -> FloatArray:
        """Hz, where slopes depend on the step."""
        return np.asarray(self.frequency[self.bent > CURVED])


def bench_for(
    waveguide: Waveguide,
    observation: Observation,
    air: Air,
    *,
    counted: BoolArray,
    target: Target | None = None,
    setting: Setting = "full",
) -> WallBench:
    """A waveguide on the bench, with the places that its symmetry asks for."""
    stretches = ROUND_PLACES if waveguide.is_round else OBLONG_PLACES
    azimuths = (0.0,) if waveguide.is_round else tuple(np.linspace(0.0, 0.5 * np.pi, AZIMUTHS).tolist())
    grid = tuple(np.linspace(0.0, 1.0, stretches + 1).tolist())
    return WallBench(waveguide, observation, air, counted, setting, target, grid, azimuths)


def sensitivity(bench: WallBench, *, progress: Progress | None = None) -> Sensitivity:
    """The slopes of every place and kind of a waveguide. ValueError if it, or one a step off, cannot be solved."""
    places = wall_places(bench.waveguide)
    count, around = len(bench.grid), len(bench.azimuths)
    shapes = []
    for i in range(count):
        for j in range(around):
            bump = np.zeros((count, around))
            bump[i, j] = 1.0
            shapes.append(bench.wave(bump))
    rim = places.radius[-1]
    kinds = {
        "offset": replace(bench.flat(), offset=1.0),
        "bow": replace(bench.flat(), bow=1.0),
        "scale": replace(bench.flat(), scale=1.0 / rim),
        "throat_step": replace(bench.flat(), throat_step=1.0),
    }
    if not bench.waveguide.is_round:
        kinds["ovality"] = replace(bench.flat(), ovality=1.0)
    shapes += kinds.values()
    steps = (STEP, -STEP, 0.5 * STEP, -0.5 * STEP)
    walls = [bench.flat(), *(times(shape, step) for shape in shapes for step in steps)]
    nominal, *found = bench.each(bench.read, walls, progress)
    slopes = [_slopes(bench, nominal, found[4 * k : 4 * k + 4]) for k in range(len(shapes))]
    rows = tuple(tuple(slopes[i * around : (i + 1) * around]) for i in range(count))
    share = np.array(bench.grid)
    told = dict(zip(kinds, slopes[count * around :], strict=True))
    left_out = {}
    if bench.waveguide.is_round:
        try:
            told["ovality"] = _of_ovality(bench)
        except ValueError as error:
            left_out["ovality"] = str(error)
    return Sensitivity(
        bench.frequency,
        nominal.index[bench.rows],
        share,
        places.depth_of(share),
        np.array(bench.azimuths),
        places.length / (count - 1),
        rows,
        told,
        left_out,
    )


def _of_ovality(bench: WallBench) -> PlaceSlopes:
    """Of a round waveguide. ValueError where an oval one in its mounting cannot be solved."""
    hardly, oval = bench.each(bench.read, [WallDeviation(ovality=each) for each in (1e-3 * EVEN_STEP, EVEN_STEP)])
    change = (oval - hardly) * (1.0 / EVEN_STEP)
    return _slopes_of(bench, hardly, change, np.zeros(bench.frequency.size), change.index)


def times(deviation: WallDeviation, factor: float) -> WallDeviation:
    """Every departure of a wall, so many times as large."""
    return replace(
        deviation,
        offset=factor * deviation.offset,
        bow=factor * deviation.bow,
        scale=factor * deviation.scale,
        ovality=factor * deviation.ovality,
        throat_step=factor * deviation.throat_step,
        waves=tuple(tuple(factor * each for each in row) for row in deviation.waves),
    )


def _slopes(bench: WallBench, nominal: WallReading, found: Sequence[WallReading]) -> PlaceSlopes:
    """From readings with a step, less it, half of it and less that. Beamwidths jump between lobes: the half step."""
    whole, half = (found[0] - found[1]) * (0.5 / STEP), (found[2] - found[3]) * (1.0 / STEP)
    bent = np.abs(half.index - whole.index)[bench.rows]
    return _slopes_of(bench, nominal, half, bent, (4.0 * half.index - whole.index) / 3.0)


def _slopes_of(
    bench: WallBench, nominal: WallReading, slope: WallReading, bent: FloatArray, index: FloatArray
) -> PlaceSlopes:
    rows, angle = bench.rows, np.abs(bench.observation.off_axis)
    heard = (nominal.level[rows] > HEARD) & (angle <= FRONT + 1e-9)
    beam = np.abs(slope.beamwidth[:, rows])
    return PlaceSlopes(
        index[rows],
        np.where(np.isnan(beam).all(axis=0), np.nan, np.nan_to_num(beam).max(axis=0)),
        np.where(heard, np.nan_to_num(np.abs(slope.level[rows])), 0.0).max(axis=(1, 2)),
        slope.score,
        bent,
    )


def on_places(found: Sensitivity, deviation: WallDeviation) -> FloatArray:
    """(N, M) m, the waves of a wall at the places of a sensitivity."""
    places, azimuths = found.share[:, None], found.azimuths
    return waves_at(np.array(deviation.shares), series_of(deviation), places, azimuths)[0]


def predicted(found: Sensitivity, deviation: WallDeviation, rim: float) -> FloatArray:
    """(C,) dB, the change of the index by the slopes alone. rim : m, radius that scale counts at."""
    change = np.einsum("nm,nmc->c", on_places(found, deviation), found.index)
    parts = {
        "offset": deviation.offset,
        "bow": deviation.bow,
        "scale": deviation.scale * rim,
        "throat_step": deviation.throat_step,
    }
    return np.asarray(change + sum(value * found.kinds[name].index for name, value in parts.items()))


def index_of(found: Directivity) -> FloatArray:
    """(F,) dB, the index over the whole sphere: in the far field where that is known."""
    far = far_field_index(found)
    return directivity_index(found) if far is None else far
