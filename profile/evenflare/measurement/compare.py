"""Measured against predicted, or two of a kind: the deviation over frequency and direction, and figures of it that do
not flatter.

Deviation is measured less predicted level, or the first's less the second's, each re its own on-axis level (or its own
listening window), so that the driver's response does not count. A cell is one frequency in one direction. Cells count
where both levels lie above -20 dB and both results are valid; the axis counts too, but stands for next to no area.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from evenflare import metrics
from evenflare.bands import OCTAVE, band_edges, midbands
from evenflare.directivity.types import Directivity, Observation
from evenflare.measurement.common import SAME_ANGLE, common
from evenflare.measurement.sides import TO_MODEL, Sides
from evenflare.units import BoolArray, FloatArray

Reference = Literal["on_axis", "listening_window"]

LOWEST_LEVEL = -20.0
"""dB re the reference, that both must lie above: below, a level tells of place and rig, not of the waveguide."""
DIRECTION_FACTOR = 3.0
"""Of the tolerance, that the rms of a single direction may reach. Judgement, no source: one wrong file of 72 makes an
rms over all of about an eighth of its own error, so that this alone would let it pass.
"""
SUSPECT_RMS, SUSPECT_RATIO = 1.0, 3.0
"""dB, and times the median of its neighbours, from which a direction's rms looks like another file's. Judgement."""
NEIGHBOURS = 6
"""Directions nearest to one that it is held against."""


class Cell(NamedTuple):
    """A deviation and where it is: dB, Hz, rad."""

    deviation: float
    frequency: float
    azimuth: float
    off_axis: float


@dataclass(frozen=True)
class DeviationFigures:
    """Of the deviation over some cells; nan and None where there are none.

    bias, rms   : dB; rms about zero, so that a bias counts. Weighted by the area of the sphere that a direction stands
                  for; frequencies count alike.
    worst       : the cell that deviates most.
    correlation : of both levels, weighted alike. High wherever both fall off the axis: never a verdict by itself.
    cells       : how many.
    """

    bias: float
    rms: float
    worst: Cell | None
    correlation: float
    cells: int


class Direction(NamedTuple):
    """One direction over all valid frequencies: rad, and dB rms."""

    azimuth: float
    off_axis: float
    rms: float


class Band(NamedTuple):
    """An octave band's midband frequency (Hz), a plane's azimuth (rad, None for all planes), and what lies there."""

    midband: float
    azimuth: float | None
    figures: DeviationFigures


@dataclass(frozen=True)
class Comparison:
    """Two directivities on what they have in common.

    measured, predicted : or the first and the second of a kind; on one observation, of one symmetry and space.
    reference           : what levels count from.
    frequencies_left_out, directions_left_out : of the first, without a counterpart in the second.
    moved               : m, how far the second's reference point was moved along the axis.
    sides               : what both are.
    """

    measured: Directivity
    predicted: Directivity
    reference: Reference = "on_axis"
    frequencies_left_out: int = 0
    directions_left_out: int = 0
    moved: float = 0.0
    sides: Sides = TO_MODEL

    @property
    def observation(self) -> Observation:
        """Of both."""
        return self.measured.observation

    @cached_property
    def levels(self) -> tuple[FloatArray, FloatArray]:
        """(F, P, A) dB, measured and predicted, each re its own reference."""
        return _levels(self.measured, self.reference), _levels(self.predicted, self.reference)

    @cached_property
    def deviation(self) -> FloatArray:
        """(F, P, A) dB, measured less predicted; nan behind a baffle and where either is silent."""
        measured, predicted = self.levels
        known = np.isfinite(measured) & np.isfinite(predicted) & self.seen
        return np.where(known, np.where(known, measured, 0.0) - np.where(known, predicted, 0.0), np.nan)

    @property
    def seen(self) -> BoolArray:
        """(A,) angles in front of a baffle."""
        return np.asarray(~(self.measured.behind | self.predicted.behind))

    @property
    def valid(self) -> BoolArray:
        """(F,) where both can be trusted."""
        return np.asarray(self.measured.valid & self.predicted.valid)

    @cached_property
    def counted(self) -> BoolArray:
        """(F, P, A) cells that count."""
        measured, predicted = self.levels
        loud = (measured > LOWEST_LEVEL) & (predicted > LOWEST_LEVEL) & np.isfinite(self.deviation)
        return np.asarray(loud & self.valid[:, None, None])

    @cached_property
    def weights(self) -> FloatArray:
        """(A,) share of the sphere that each angle of a plane stands for."""
        return area_weights(self.observation.off_axis, half_space=self.measured.half_space)

    def figures(self, where: BoolArray | None = None) -> DeviationFigures:
        """Over the counted cells of `where`, which spreads to (F, P, A); over all of them if left out."""
        used = self.counted if where is None else self.counted & where
        if not used.any():
            return DeviationFigures(np.nan, np.nan, None, np.nan, 0)
        weight = np.broadcast_to(self.weights, used.shape)[used]
        weight = weight / weight.sum()
        value = self.deviation[used]
        f, p, a = (int(each) for each in np.argwhere(used)[int(np.abs(value).argmax())])
        worst = self.cell(f, p, a)
        return DeviationFigures(
            float(weight @ value),
            float(np.sqrt(weight @ value**2)),
            worst,
            _correlation(self.levels[0][used], self.levels[1][used], weight),
            int(value.size),
        )

    def cell(self, f: int, p: int, a: int) -> Cell:
        """The deviation there."""
        at = self.observation
        return Cell(float(self.deviation[f, p, a]), float(at.frequency[f]), float(at.plane[p]), float(at.off_axis[a]))

    @cached_property
    def overall(self) -> DeviationFigures:
        """Over all cells."""
        return self.figures()

    @cached_property
    def bands(self) -> tuple[Band, ...]:
        """Over each octave band: every plane, then, if there are several, all of them together."""
        frequency = self.observation.frequency
        found = []
        for midband in octave_bands(frequency[self.valid]):
            low, high = (float(edge) for edge in band_edges(midband, fraction=1))
            inside = ((frequency >= low) & (frequency < high))[:, None, None]
            for p, azimuth in enumerate(self.observation.plane):
                mine = np.arange(self.observation.plane.size)[:, None] == p
                found.append(Band(float(midband), float(azimuth), self.figures(inside & mine)))
            if self.observation.plane.size > 1:
                found.append(Band(float(midband), None, self.figures(inside)))
        return tuple(found)

    @cached_property
    def planes(self) -> tuple[tuple[float, DeviationFigures], ...]:
        """Azimuth of each plane, rad, and the figures over it."""
        rows = np.arange(self.observation.plane.size)[:, None]
        return tuple((float(azimuth), self.figures(rows == p)) for p, azimuth in enumerate(self.observation.plane))

    @cached_property
    def direction_rms(self) -> FloatArray:
        """(P, A) dB, rms over the valid frequencies of the deviation of levels raised to -20 dB; nan where unseen.

        Raised, so that a direction which is silent in one of them only does not drop out.
        """
        raised = [np.maximum(np.nan_to_num(each, nan=LOWEST_LEVEL), LOWEST_LEVEL) for each in self.levels]
        square = (raised[0] - raised[1])[self.valid] ** 2
        rms = np.sqrt(square.mean(axis=0)) if square.size else np.full(square.shape[1:], np.nan)
        return np.where(self.seen, rms, np.nan)

    @cached_property
    def worst_direction(self) -> Direction | None:
        """The direction that deviates most over all valid frequencies; None where no frequency is valid."""
        rms = self.direction_rms
        return None if np.isnan(rms).all() else self._direction(int(np.nanargmax(rms)))

    @cached_property
    def suspects(self) -> tuple[Direction, ...]:
        """Directions that deviate far more than their neighbours, as the file of another angle would; worst first."""
        rms = self.direction_rms
        found = []
        for p, row in enumerate(rms):
            known = np.flatnonzero(~np.isnan(row))
            for a in known if known.size > NEIGHBOURS else ():
                near = known[np.argsort(np.abs(self.observation.off_axis[known] - self.observation.off_axis[a]))]
                usual = float(np.median(row[near[1 : NEIGHBOURS + 1]]))
                if row[a] > max(SUSPECT_RMS, SUSPECT_RATIO * usual):
                    found.append(self._direction(p * rms.shape[1] + int(a)))
        return tuple(sorted(found, key=lambda each: -each.rms))

    def _direction(self, flat: int) -> Direction:
        p, a = np.unravel_index(flat, self.direction_rms.shape)
        at = self.observation
        return Direction(float(at.plane[p]), float(at.off_axis[a]), float(self.direction_rms[p, a]))

    @property
    def one_sided(self) -> int:
        """Valid cells left out because one of both lies above -20 dB and the other does not."""
        measured, predicted = (each > LOWEST_LEVEL for each in self.levels)
        return int(((measured ^ predicted) & self.seen & self.valid[:, None, None]).sum())

    def within(self, tolerance: float) -> bool:
        """Whether rms over all cells is at most `tolerance` (dB), and three times that in the worst direction."""
        worst = self.worst_direction
        return bool(
            self.overall.cells and worst and self.overall.rms <= tolerance and worst.rms <= DIRECTION_FACTOR * tolerance
        )


def compare(
    measured: Directivity, predicted: Directivity, *, reference: Reference = "on_axis", sides: Sides = TO_MODEL
) -> Comparison:
    """Measured against predicted, or one against another of its kind, at their common frequencies and directions.

    reference : "listening_window": the standard's, mean square of nine responses; it needs both orbits all round.
    Errors    : ValueError in words without a remedy, as `common`; also where the listening window cannot be had, and
                where no frequency is valid in both.
    """
    pair = common(measured, predicted)
    left_out = pair.frequencies_left_out, pair.directions_left_out
    found = Comparison(pair.first, pair.second, reference, *left_out, pair.moved, sides)
    if not found.valid.any():
        raise ValueError("no common frequency at which both are valid")
    if not found.counted.any():
        raise ValueError(f"no direction in which both lie above {LOWEST_LEVEL:g} dB at a valid frequency")
    return found


def area_weights(off_axis: FloatArray, *, half_space: bool = False) -> FloatArray:
    """Area (A,) on the unit sphere, over 2 pi and a full turn, of the zone around each angle, midway to its neighbours.

    off_axis : (A,) rad, rising, negative on the other side. At the ends a zone reaches as far out as in, at most to
               the pole, in a baffle to 90 degrees; behind that it has no area.
    Source   : area of a spherical zone.
    """
    limit = 0.5 * np.pi if half_space else np.pi
    angle = np.asarray(off_axis, dtype=np.float64)
    middle = 0.5 * (angle[1:] + angle[:-1])
    low = np.concatenate([[2.0 * angle[0] - middle[0]], middle])
    high = np.concatenate([middle, [2.0 * angle[-1] - middle[-1]]])
    if abs(angle[0]) < SAME_ANGLE:
        low[0] = 0.0  # the other side is not there
    edges = (np.clip(edge, -limit, limit) for edge in (low, high))
    below, above = (np.sign(edge) * (1.0 - np.cos(edge)) for edge in edges)
    return np.asarray(above - below)


def octave_bands(frequency: FloatArray) -> FloatArray:
    """Midbands, Hz, of the octave bands that hold at least one of the frequencies (N,)."""
    if not frequency.size:
        return np.zeros(0)
    half = np.sqrt(OCTAVE)
    found = midbands(1, lowest=float(frequency.min()) / half, highest=float(frequency.max()) * half)
    low, high = band_edges(found, fraction=1)
    holds = [np.any((frequency >= start) & (frequency < end)) for start, end in zip(low, high, strict=True)]
    return np.asarray(found[np.array(holds, dtype=bool)])


def _levels(directivity: Directivity, reference: Reference) -> FloatArray:
    """(F, P, A) dB re the reference; -inf where nothing arrives, nan where the reference is silent."""
    if reference == "on_axis":
        return metrics.levels_re_on_axis(directivity)
    window = metrics.standard_curves(directivity).listening_window - metrics.on_axis_level(directivity)
    return np.asarray(metrics.levels_re_on_axis(directivity) - window[:, None, None])


def _correlation(one: FloatArray, other: FloatArray, weight: FloatArray) -> float:
    """Pearson's, weighted; nan where either does not vary."""
    apart = [each - weight @ each for each in (one, other)]
    squares = [float(weight @ each**2) for each in apart]
    # A spread of 1e-9 dB is rounding.
    return float(weight @ (apart[0] * apart[1]) / np.sqrt(squares[0] * squares[1])) if min(squares) > 1e-18 else np.nan
