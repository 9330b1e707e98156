"""The band of a wall within which its directivity index keeps: worst case, and for walls that scatter as a process's.

Within the band every piece of the wall as long as the correlation length may lie at either limit. What such walls do
is first taken as the sum of what their pieces do; then the worst of them, the worst of many drawn at random with pieces
as long or longer, and those that turn most often are solved, and the band is made narrower or wider until the worst
just keeps. The band's centre is the drawn wall: to first order a wall that lies nearer does as much as one that lies
further.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.studies.pieces import (
    RowOfPieces,
    alternating,
    evenly_turning,
    few_pieces,
    random_walls,
    rows_of_pieces,
    sharpest,
    worst_runs,
)
from evenflare.studies.sensitivity import Progress, Sensitivity, WallBench, predicted, times
from evenflare.studies.zones import WIDEST, ZoneCut, edges, zoned
from evenflare.units import MILLIMETRE, FloatArray
from evenflare.waveguide.departure import risen
from evenflare.waveguide.deviated import WallDeviation
from evenflare.waveguide.wall_zones import WallZone

CORRELATION_LENGTH = 10.0 * MILLIMETRE
"""Of a wall of which nothing is known: about half a wavelength at 16 kHz, the waves that do most. Own choice."""
WORST_WALLS, RANDOM_WALLS = 12, 24
"""Solved to prove a band: worst by the sum of pieces, each with either sign, and with random signs."""
FORESEEN_WALLS, OBLONG_FORESEEN = 20_000, 5000
"""Drawn at random, whose worst by slopes are among the first; so are those of all walls of few pieces."""
LOOKED_AT = 20
"""Times as many of them as are solved."""
UNLIKE = 0.15
"""Mean difference, of the band, of walls that are solved as one of the worst each: of those that are more alike one
tells."""
MANY = 200
"""Walls drawn at random of which the greatest is told: the worst wall is rare."""
OBLONG_WORST, OBLONG_RANDOM = 4, 4
OBLONG_TURNING = 2
"""Of the walls that turn as often as they may, and of those that turn sharpest, of which all are solved of a round
one."""
EVEN = 6
"""Of a round one that turn evenly, the worst by slopes, each with either sign: of all walls those that add up to more
than slopes tell."""
AIM = 0.95
"""Of what may be heard, that the worst of these walls does. Of 9,749 others the worst did 4.6 % more than that one."""
NEAR = 0.02
"""Of that, how near the worst must come to it."""
ROUNDS, MOST_ROUNDS = 4, 12
"""Of making the band narrower or wider; more only while the worst does more than it may, or less than"""
ENOUGH = 0.9
"""of it."""
FOLDED = 0.7
"""By which its widest zones are made narrower where some wall in a band is no waveguide any more."""
SIGMAS = 3.0
"""Standard deviations in a limit for walls that scatter. Common practice, no source."""
LINEAR_UNITS = 2000
SOLVED_UNITS, OBLONG_SOLVED = 96, 12
DRAWN_FROM = 20260101
"""Seed of the walls that prove a band."""

Draw = Callable[[int, int], Sequence[WallDeviation]]
"""Walls that scatter as a process's with a standard deviation of 1 mm at every place, by seed and count."""


@dataclass(frozen=True)
class BandProof:
    """Walls at a band's edge that were solved.

    walls     : how many, of the last width tried.
    worst     : dB, the greatest change of the index, and
    frequency : Hz, where.
    predicted : dB, the greatest by the sum of what pieces do.
    drawn     : dB, the greatest change by those of these walls that were drawn at random.
    of_many   : dB, the greatest of MANY so drawn, by the sum of what pieces do.
    """

    walls: int
    worst: float
    frequency: float
    predicted: float
    drawn: float
    of_many: float


@dataclass(frozen=True)
class WallBand:
    """A band of a wall.

    zones       : worst case.
    statistical : three standard deviations of walls that scatter; empty without a process.
    limits      : (N,) m, of the worst case at the places of the sensitivity.
    length      : m, of pieces.
    contrived   : dB, by slopes, the most that any wall of pieces so long or longer does, cut where that does most.
    capped      : whether a zone is as wide as any may be.
    """

    within: float
    zones: tuple[WallZone, ...]
    statistical: tuple[WallZone, ...]
    limits: FloatArray
    length: float
    proof: BandProof
    contrived: float

    @property
    def capped(self) -> bool:
        """See above."""
        return any(zone.plus >= WIDEST * (1.0 - 1e-6) for zone in self.zones)


def band(
    bench: WallBench,
    found: Sensitivity,
    within: float,
    *,
    length: float = CORRELATION_LENGTH,
    around: bool = True,
    draw: Draw | None = None,
    share: float = 0.95,
    progress: Progress | None = None,
) -> WallBand:
    """The band of a waveguide within which its index changes by at most `within` dB at the frequencies looked at.

    length : m, correlation length.
    around : whether the wall may depart otherwise at other azimuths.
    draw   : walls that scatter, for the statistical band, which `share` of them keep.
    """
    slope = found.index if around else found.index.sum(axis=1, keepdims=True)
    effect = _effect(slope, found.spacing, max(length, found.spacing))
    part = min(length / (found.spacing * (found.share.size - 1)), 1.0 / 3.0)  # no shorter than a piece
    cut, width = zoned(effect, _weight(found), found.z, within, least=part)
    limits = cut.spread(width)
    least, rows = max(1.0, length / found.spacing), rows_of_pieces(found.share.size, found.spacing, length)
    sums = max(float(np.abs(row.parts(slope * limits[:, None, None])).sum(axis=(1, 2)).max()) for row in rows)
    limits = np.minimum(limits * within / max(sums, 1e-300), WIDEST)
    limits, proof = _proved(bench, slope, rows, least, limits, within, progress)
    contrived = float(worst_runs(slope * limits[:, None, None], least)[0].max())
    ends = edges(cut, found.z, bench.waveguide.depth)
    statistical: tuple[WallZone, ...] = ()
    if draw is not None:
        sigma = _scatter(bench, found, limits, within, draw, share, progress)
        statistical = _zones(ends, cut, SIGMAS * sigma)
    return WallBand(within, _zones(ends, cut, limits), statistical, limits, length, proof, contrived)


def _zones(ends: FloatArray, cut: ZoneCut, limits: FloatArray) -> tuple[WallZone, ...]:
    """Zones with their limits, rounded down to three digits of a millimetre."""
    first = [int(np.flatnonzero(cut.zone == k)[0]) for k in range(cut.count)]
    width = [rounded_down(min(float(limits[i]), WIDEST)) for i in first]
    return tuple(WallZone(float(ends[k]), float(ends[k + 1]), width[k], width[k]) for k in range(cut.count))


def rounded_down(length: float, digits: int = 3) -> float:
    """m, down to so many digits of its value in millimetres."""
    if length <= 0.0:
        return 0.0
    unit = 10.0 ** (np.floor(np.log10(length / MILLIMETRE)) - digits + 1)
    return float(np.floor(length / MILLIMETRE / unit * (1.0 + 1e-9)) * unit * MILLIMETRE)


def _weight(found: Sensitivity) -> FloatArray:
    """(N,) the share of the arc that each place stands for."""
    weight = np.full(found.share.size, 1.0)
    weight[[0, -1]] = 0.5
    return np.asarray(weight / weight.sum())


def _effect(slope: FloatArray, spacing: float, length: float) -> FloatArray:
    """(C, N) dB/m, what a place does as part of the pieces that it may lie in."""
    reach = length / spacing
    apart = np.abs(np.subtract.outer(np.arange(slope.shape[0]), np.arange(slope.shape[0])))
    beside = 1.0 - risen(apart / reach)[0]
    return np.asarray(np.abs(np.einsum("ij,jmc->cim", beside, slope)).sum(axis=2) / reach)


def worst_walls(
    rows: Sequence[RowOfPieces], drawn: FloatArray, slope: FloatArray, count: int
) -> tuple[list[FloatArray], float]:
    """(N, M) each, from -1 to 1: the walls that do the most by a slope (N, M, C), of all whose pieces are those of a
    row and of those that were drawn (R, N, M), and unlike each other, the worst first; and what that does, dB.
    """
    ranked = []
    for row in rows:
        parts = row.parts(slope)
        sums = np.abs(parts).sum(axis=(1, 2))
        ranked += [(float(sums[c]), row.wave(np.where(parts[c] < 0.0, -1.0, 1.0))) for c in np.argsort(-sums)[:count]]
    foreseen = np.abs(drawn.reshape(len(drawn), -1) @ slope.reshape(-1, slope.shape[2])).max(axis=1)
    ranked += [(float(foreseen[k]), drawn[k]) for k in np.argsort(-foreseen)[: LOOKED_AT * count]]
    ranked.sort(key=lambda each: -each[0])
    chosen: list[FloatArray] = []
    for _, wave in ranked:
        if all(np.abs(wave - sign * other).mean() > UNLIKE for other in chosen for sign in (1.0, -1.0)):
            chosen.append(wave)
        if len(chosen) == count:
            break
    return chosen, ranked[0][0]


def _proved(
    bench: WallBench,
    slope: FloatArray,
    rows: Sequence[RowOfPieces],
    least: float,
    limits: FloatArray,
    within: float,
    progress: Progress | None,
) -> tuple[FloatArray, BandProof]:
    """Limits made narrower or wider until the worst wall solved does AIM of what may be heard; none above WIDEST."""
    is_round = bench.waveguide.is_round
    worst, drawn = (WORST_WALLS, RANDOM_WALLS) if is_round else (OBLONG_WORST, OBLONG_RANDOM)
    nominal = bench.index(bench.flat())
    some_of = slice(None if is_round else OBLONG_TURNING)
    turning, sharp = (shape(limits.size, least)[some_of] for shape in (alternating, sharpest))
    foreseen = FORESEEN_WALLS if is_round else OBLONG_FORESEEN
    many = random_walls(limits.size, least, slope.shape[1], seed=DRAWN_FROM, number=foreseen)
    even, _ = worst_walls(
        [],
        evenly_turning(limits.size, least)[:, :, None] * np.ones(slope.shape[1]),
        slope * limits[:, None, None],
        EVEN,
    )
    others = [*turning, *(sign * wave for wave in even for sign in (1.0, -1.0)), *many[:drawn]]
    some = many[:MANY]
    alike = np.concatenate([np.array(turning), few_pieces(limits.size, least)[:, :, None]])
    many = np.concatenate([np.broadcast_to(alike, (len(alike), *slope.shape[:2])), many])
    widest, rounds, kept = WIDEST, 0, None
    shape, scale, good, bad = limits, 1.0, 0.0, np.inf
    while True:
        # Those that turn sharpest fold first.
        of_sharp = bench.indices([bench.wave(limits[:, None] * wave) for wave in sharp])
        if not np.isfinite(of_sharp).all():
            widest = FOLDED * float(limits.max())
            limits = np.minimum(limits, widest)
            continue
        waves, sums = worst_walls(rows, many, slope * limits[:, None, None], worst)
        walls = [sign * limits[:, None] * wave for wave in waves for sign in (1.0, -1.0)]
        walls += [limits[:, None] * wave for wave in others]
        found = bench.indices([bench.wave(wall) for wall in walls], progress)
        change = np.abs(np.concatenate([of_sharp, found]) - nominal)
        at = int(change.max(axis=0).argmax())
        of_many = np.einsum("rnm,nmc->rc", some, slope * limits[:, None, None])
        proof = BandProof(
            len(change),
            float(change.max()),
            float(bench.frequency[at]),
            sums,
            float(change[-drawn:].max()),
            float(np.abs(of_many).max()),
        )
        if not np.isfinite(proof.worst):
            widest = FOLDED * float(limits.max())
            limits = np.minimum(limits, widest)
            continue
        rounds += 1
        ratio = proof.worst / (AIM * within)
        if ratio <= 1.0 + NEAR:
            good = max(good, scale)
            kept = (limits, proof) if kept is None or proof.worst > kept[1].worst else kept
        else:
            bad = min(bad, scale)
        if 1.0 - NEAR <= ratio <= 1.0 + NEAR or (ratio < 1.0 and np.all(limits >= widest * (1.0 - 1e-9))):
            return limits, proof
        if (rounds >= ROUNDS and kept is not None and kept[1].worst > ENOUGH * within) or rounds == MOST_ROUNDS:
            break
        scale = scale / ratio
        if not good < scale < bad:  # far from straight
            scale = float(np.sqrt(good * bad)) if good > 0.0 else 0.5 * bad
        limits = np.minimum(scale * shape, widest)
    if kept is None:  # never leave it wider than was shown to keep
        return limits * AIM * within / proof.worst, proof
    return kept


def _scatter(
    bench: WallBench,
    found: Sensitivity,
    limits: FloatArray,
    within: float,
    draw: Draw,
    share: float,
    progress: Progress | None,
) -> FloatArray:
    """(N,) m, standard deviations in proportion to the limits, so that a share of the walls drawn keeps."""
    walls = draw(DRAWN_FROM, LINEAR_UNITS)
    count = SOLVED_UNITS if bench.waveguide.is_round else OBLONG_SOLVED
    shaped = [_shaped(found, wall, limits / limits.max()) for wall in walls]
    linear = np.array([np.abs(predicted(found, wall, 0.0)).max() for wall in shaped])
    scale = within / float(np.quantile(linear, share))
    nominal = bench.index(times(shaped[0], 0.0))
    rounds = 0
    while rounds < 2:
        solved = np.abs(bench.indices([times(wall, scale) for wall in shaped[:count]], progress) - nominal).max(axis=1)
        if not np.isfinite(np.quantile(solved, share, method="higher")):
            scale *= FOLDED
            continue
        rounds += 1
        # What the slopes leave out, from the same walls; how rare walls are, from many more.
        rather = np.quantile(solved[np.isfinite(solved)], share) / (scale * np.quantile(linear[:count], share))
        scale = within / float(np.quantile(linear, share) * rather)
    largest = limits / limits.max() * scale * MILLIMETRE
    return np.asarray(np.minimum(largest, WIDEST / SIGMAS))


def _shaped(found: Sensitivity, wall: WallDeviation, shape: FloatArray) -> WallDeviation:
    """A wall whose waves are multiplied by a shape (N,) along the places of a sensitivity."""
    along = np.interp(wall.shares, found.share, shape)
    waves = tuple(tuple(float(factor) * each for each in row) for factor, row in zip(along, wall.waves, strict=True))
    return WallDeviation(shares=wall.shares, azimuths=wall.azimuths, waves=waves)
