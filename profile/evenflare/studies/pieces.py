"""What a wall may do within a band: pieces as long as its departures are correlated, each at either limit.

Two ways for a piece to look, each begun at several places: a wave of one knot, knots as far apart as the correlation
length, and a stretch as long as that which is alike all along. What is alike over several pieces, a whole wall that is
too large for instance, is among them. So are, of walls whose pieces are longer or of unlike lengths, many drawn at
random: where these meet the sound's standing wave better they do more. What the worst of all such walls does, cut
wherever that does most, is known too.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.departure import risen

BEGINNINGS = 4
"""Of a row of pieces, evenly over the length of one."""
MOST_CUTS = 3
"""Of walls of which all are foreseen: four thousand of thirty places."""
KINDS = 4
"""Of walls drawn at random."""
EVEN_LENGTHS = 16
"""Of pieces of walls that turn evenly."""
ENDS = 4
"""Of pieces of any length, from place to place; the shortest are as much shorter as that takes."""


@dataclass(frozen=True)
class RowOfPieces:
    """A row of pieces: (K, N) how much of each is at the places of a grid, 0 to 1."""

    shape: FloatArray

    def parts(self, slope: FloatArray) -> FloatArray:
        """(C, K, M) of a slope (N, M, C) for each place, what each piece does at each azimuth."""
        return np.asarray(np.einsum("kn,nmc->ckm", self.shape, slope))

    def wave(self, signs: FloatArray) -> FloatArray:
        """(N, M) the wall whose pieces have these signs (K, M)."""
        return np.asarray(self.shape.T @ signs)


def rows_of_pieces(count: int, spacing: float, length: float) -> list[RowOfPieces]:
    """Rows of pieces of a length (m) on a grid of `count` places so far apart (m).

    Pieces shorter than the grid's spacing are as long as that, longer ones than the wall as long as the wall.
    """
    place = spacing * np.arange(count)
    if length <= spacing * (1.0 + 1e-9):
        return [RowOfPieces(np.eye(count))]
    length = min(length, float(place[-1]))
    beginnings = min(BEGINNINGS, round(length / spacing))
    rows = []
    for begin in range(beginnings):
        first = -length * begin / beginnings
        # As many as reach past the mouth.
        start = np.arange(first - length, place[-1] + length, length)
        knots = 1.0 - risen(np.abs(place - start[:, None]) / length)[0]
        flat = ((place >= start[:, None] - 1e-12) & (place < start[:, None] + length - 1e-12)).astype(np.float64)
        rows += [RowOfPieces(each[each.max(axis=1) > 0.05]) for each in (knots, flat)]
    return rows


def worst_runs(slope: FloatArray, least: float) -> tuple[FloatArray, FloatArray]:
    """(C,) the most that a wall does by a slope (N, M, C) whose pieces at each azimuth are as long as `least`, in
    spacings of the grid, or longer, but for those that the wall's ends cut; and (C, N, M) that wall: from -1 to 1, less
    than either where a piece ends beside a place. By dynamic programming over where pieces end.
    """
    places = slope.shape[0]
    ends = np.linspace(0.0, places - 1.0, (places - 1) * ENDS + 1)
    shortest = np.floor(least * ENDS + 1e-9) / ENDS
    before = _before(ends, places)
    total = np.tensordot(before, slope, axes=1)
    signs = np.array([1.0, -1.0])[:, None, None]
    last = ends.size - 1
    best = np.zeros((last + 1, 2, *slope.shape[1:]))  # by where a piece ends, and its sign
    back = np.zeros(best.shape, dtype=np.int64)
    for end in range(1, last + 1):
        begins = np.flatnonzero(ends[:end] <= ends[end] - shortest + 1e-9)
        begins = np.arange(last) if end == last else np.union1d(begins, [0])
        tried = best[begins, ::-1] + signs * (total[end] - total[begins])[:, None]
        chosen = tried.argmax(axis=0)
        best[end], back[end] = np.take_along_axis(tried, chosen[None], axis=0)[0], begins[chosen]
    wave = np.zeros((*slope.shape[:0:-1], places))
    side, cut = best[last].argmax(axis=0), np.full(slope.shape[1:], last)
    m, c = np.indices(slope.shape[1:])
    while np.any(cut > 0):
        begin = back[cut, side, m, c]
        wave += ((1.0 - 2.0 * side)[..., None] * (before[cut] - before[begin])).swapaxes(0, 1)
        cut, side = begin, 1 - side
    return best[last].max(axis=0).sum(axis=0), wave.swapaxes(1, 2)


def alternating(count: int, least: float) -> list[FloatArray]:
    """(N, 1) each, from -1 to 1: the walls that turn as often as they may, begun at several places."""
    ends = least * np.arange(np.ceil(count / least) + 2.0)
    begins = np.linspace(-least, least, 2 * int(np.ceil(least)), endpoint=False)
    values = np.asarray((-1.0) ** np.arange(ends.size + 1), dtype=np.float64)
    return [_flat(ends + begin, values, count)[:, None] for begin in begins]


def sharpest(count: int, least: float) -> list[FloatArray]:
    """(N, 1) each, 1 and -1: of the walls that turn as often, those that turn half-way between two places, from one to
    the next; begun at each, with either sign. They fold before any other does.
    """
    run = int(np.ceil(least - 1e-9))
    return [np.where((np.arange(count) + begin) // run % 2 == 0, 1.0, -1.0)[:, None] for begin in range(2 * run)]


def evenly_turning(count: int, least: float) -> FloatArray:
    """(K, N) from -1 to 1: walls that turn evenly, in pieces one to three times as long as the shortest."""
    walls = []
    for length in least * np.geomspace(1.0, 3.0, EVEN_LENGTHS):
        begins = length * np.arange(BEGINNINGS) / BEGINNINGS
        ends = length * np.arange(np.ceil(count / length) + 2.0) - begins[:, None]
        values = np.broadcast_to((-1.0) ** np.arange(ends.shape[1] + 1), (BEGINNINGS, ends.shape[1] + 1))
        walls.append(_flat(ends, values, count))
    return np.concatenate(walls)


def few_pieces(count: int, least: float) -> FloatArray:
    """(K, N) of 1 and -1: all walls of up to MOST_CUTS + 1 flat pieces that end half-way between places."""
    place, shortest, walls = np.arange(count), int(np.ceil(least - 1e-9)), list[FloatArray]()
    for number in range(MOST_CUTS + 1):
        every = itertools.combinations(range(1, count), number)
        cuts = [each for each in every if all(b - a >= shortest for a, b in itertools.pairwise(each))]
        turned = (place >= np.array(cuts, dtype=np.int64).reshape(len(cuts), number, 1)).sum(axis=1)
        walls.append(np.where(turned % 2 == 0, 1.0, -1.0))
    return np.concatenate(walls)


def random_walls(count: int, least: float, around: int, *, seed: int, number: int) -> FloatArray:
    """(number, N, M) from -1 to 1: walls whose pieces have signs drawn at random, at each azimuth. By turns flat pieces
    one to two times as long as the shortest, the same that end half-way between places, waves from knot to knot as far
    apart as the shortest piece, and flat pieces that turn evenly, each one to three times as long.
    """
    random = np.random.default_rng(seed)
    pieces = int(np.ceil(count / least)) + 3
    walls = np.empty((number, around, count))
    for kind in range(KINDS):
        shape = walls[kind::KINDS].shape[:2]
        values = random.choice([-1.0, 1.0], (*shape, pieces + 1))
        length = np.full((*shape, pieces), least)
        if kind < 2:
            length *= random.uniform(1.0, 2.0, length.shape)
        elif kind == 3:
            length *= random.uniform(1.0, 3.0, (*shape, 1))
            values = values[..., :1] * (-1.0) ** np.arange(pieces + 1)
        begin = length.max(axis=-1, keepdims=True) * random.uniform(1.0, 2.0, (*shape, 1))
        if kind == 1:
            length, begin = np.ceil(length), np.floor(begin) + 0.5
        ends = np.cumsum(length, axis=-1) - begin
        walls[kind::KINDS] = _waves(ends, values, count, least) if kind == 2 else _flat(ends, values, count)
    return np.asarray(walls.swapaxes(1, 2))


def _waves(ends: FloatArray, values: FloatArray, count: int, least: float) -> FloatArray:
    """(..., N) at places, of walls that go from one of values (..., K + 1) to the next between ends (..., K), knots."""
    along = (np.arange(count) - ends[..., :1]) / least
    k = np.clip(along.astype(np.int64), 0, ends.shape[-1] - 2)
    here, there = (np.take_along_axis(values, each, axis=-1) for each in (k, k + 1))
    return np.asarray(here + (there - here) * risen(along - k)[0])


def _flat(ends: FloatArray, values: FloatArray, count: int) -> FloatArray:
    """(..., N) at places, of walls that have one of values (..., K + 1) between ends (..., K), places from the throat,
    rising.
    """
    turns = np.diff(values, axis=-1)
    return np.asarray(values[..., -1:] - np.einsum("...k,...kn->...n", turns, _before(ends, count)))


def _before(ends: FloatArray, count: int) -> FloatArray:
    """(..., K, N) how much of each place, which stands for half the way to those beside it, lies before ends."""
    place = np.arange(count)
    low, high = np.maximum(place - 0.5, 0.0), np.minimum(place + 0.5, count - 1.0)
    return np.asarray(np.clip((ends[..., None] - low) / (high - low), 0.0, 1.0))
