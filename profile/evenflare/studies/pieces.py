"""What a wall may do within a band: pieces as long as its departures are correlated, each at either limit.

Two ways for a piece to look, each begun at several places: a wave of one knot, knots as far apart as the correlation
length, and a stretch as long as that which is alike all along. What is alike over several pieces, a whole wall that is
too large for instance, is among them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.units import FloatArray
from evenflare.waveguide.departure import risen

BEGINNINGS = 4
"""Of a row of pieces, evenly over the length of one."""


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


def worst_sum(rows: list[RowOfPieces], slope: FloatArray) -> FloatArray:
    """(R, C) dB, by row of pieces the most that pieces of either sign do to the index, of a slope (N, M, C)."""
    return np.array([np.abs(row.parts(slope)).sum(axis=(1, 2)) for row in rows])
