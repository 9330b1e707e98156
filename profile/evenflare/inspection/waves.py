"""What cells of a scan tell under one law of the waves that a wall has, and how waves of one length vary together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.linalg import LinAlgError, lapack

from evenflare.inspection.cells import Cells
from evenflare.inspection.found import Estimate
from evenflare.units import FloatArray, IntArray

_ROUNDING = 1e-15
"""Of a correlation."""


@dataclass(frozen=True)
class WavesLeft:
    """Standard deviations (m) of waves alike all round and of those of one place, and l (m) of both; of the noise of
    one point.
    """

    around: float
    local: float
    length: float
    noise: float


@dataclass(frozen=True)
class Correlations:
    """Of waves of one length (m), between the means over cells: (C, C) each, see `laws`.

    root : (C, R) whose product with itself is `alike`. Alike all round there are few waves: R is mostly far below C.
    """

    length: float
    alike: FloatArray
    local: FloatArray

    @cached_property
    def root(self) -> FloatArray:
        """See Correlations: Cholesky's, stopped at what is rounding."""
        factor, order, rank, _ = lapack.dpstrf(self.alike, tol=_ROUNDING, lower=1)
        root = np.empty((len(factor), rank), order="F")
        root[order - 1] = np.tril(factor)[:, :rank]
        return root


class AlikeAllRound(NamedTuple):
    """Waves alike all round, R of them.

    seen  : (R,) how far each is seen, as the inverse of a variance, and
    shown : (R,) what the departures show of it.
    root  : (C, R) how it moves the cells, and white : the same in units in which the law is white.
    """

    seen: FloatArray
    root: FloatArray
    white: FloatArray
    shown: FloatArray


@dataclass(frozen=True)
class LocalLaw:
    """What cells tell under laws that differ in nothing but the size of their waves alike all round.

    prior        : (K,) standard deviations of the columns.
    expected     : (C, C) how the columns make the cells vary with each other.
    local, noise : see WavesLeft; arc : m, of the whole wall.
    """

    cells: Cells
    columns: FloatArray
    prior: FloatArray
    expected: FloatArray
    correlations: Correlations
    local: float
    noise: float
    arc: float

    @cached_property
    def factor(self) -> FloatArray:
        """(C, C), of the law without those waves."""
        law = self.local**2 * self.correlations.local + self.expected
        law.flat[:: len(law) + 1] += self.noise**2 / self.cells.counts
        return factored(law)

    @cached_property
    def level(self) -> float:
        """The factor's part of a likelihood's logarithm."""
        return float(-np.log(np.diag(self.factor)).sum())

    @cached_property
    def off(self) -> FloatArray:
        """(C,): the departures, and so below what they are taken for, in units in which this law is white."""
        return _halved(self.factor, self.cells.off)

    @cached_property
    def alike(self) -> AlikeAllRound:
        """The waves alike all round, turned so that this law sees each for itself."""
        root = _halved(self.factor, self.correlations.root)
        seen, turn = np.linalg.eigh(root.T @ root)
        root = root @ turn
        return AlikeAllRound(np.maximum(seen, 0.0), self.correlations.root @ turn, root, root.T @ self.off)

    def likelihoods(self, around: FloatArray) -> FloatArray:
        """(A,): their logarithms, but for a constant, by standard deviations (A,) of the waves alike all round, m."""
        square = around[:, None] ** 2
        seen = 1.0 + square * self.alike.seen
        level = self.level - 0.5 * np.log(seen).sum(axis=1)
        return np.asarray(level - 0.5 * (self.off @ self.off - (square / seen) @ self.alike.shown**2))

    @cached_property
    def spread(self) -> FloatArray:
        """(C, K) of the columns, each times its prior's variance."""
        return _halved(self.factor, self.columns * self.prior**2)

    @cached_property
    def told(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of the columns without waves alike all round: their values (K,), how these change with each of such waves
        (K, R), and their covariance (K, K).
        """
        own = np.diag(self.prior**2) - self.spread.T @ self.spread
        return self.spread.T @ self.off, self.spread.T @ self.alike.white, own

    @cached_property
    def waves(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The same of the waves of all cells, which are of one place then: (C,), (C, R) and (C, C)."""
        law = self.local**2 * self.correlations.local
        seen = _halved(self.factor, law)
        return seen.T @ self.off, self.alike.root - seen.T @ self.alike.white, law - seen.T @ seen

    @cached_property
    def left(self) -> tuple[float, FloatArray, FloatArray]:
        """Of the covariance of those waves its square, summed; by how much this and the trace grow with each of the
        waves alike all round (2, R), and the former with two of them, (R, R).
        """
        _, change, own = self.waves
        with_each = np.array([2.0 * np.sum(change * (own @ change), axis=0), np.sum(change**2, axis=0)])
        return float(np.sum(own**2)), with_each, (change.T @ change) ** 2


@dataclass(frozen=True)
class Under:
    """What the cells of a scan tell under one law of the waves, whose waves alike all round, of that standard deviation
    (m), are few: what they add to the law has a low rank, and is put in by Woodbury's identity.
    """

    local_law: LocalLaw
    around: float

    @property
    def law(self) -> WavesLeft:
        """Of the waves."""
        return WavesLeft(self.around, self.local_law.local, self.local_law.correlations.length, self.local_law.noise)

    @cached_property
    def _free(self) -> FloatArray:
        """(R,) variances of the waves alike all round, once the departures are known."""
        return np.asarray(self.around**2 / (1.0 + self.around**2 * self.local_law.alike.seen))

    @cached_property
    def _alike(self) -> FloatArray:
        """(R,): the likeliest of them."""
        return np.asarray(self._free * self.local_law.alike.shown)

    @cached_property
    def values(self) -> FloatArray:
        """(K,) of the columns, in their units."""
        value, change, _ = self.local_law.told
        return np.asarray(value - change @ self._alike)

    @cached_property
    def covariance(self) -> FloatArray:
        """(K, K)."""
        _, change, own = self.local_law.told
        return np.asarray(own + (change * self._free) @ change.T)

    @cached_property
    def waviness(self) -> Estimate:
        """m rms over the cells: of the waves of this part, not of those that others of its kind may have."""
        known, (local, change, own) = self.local_law.correlations, self.local_law.waves
        mean, free, count = local + change @ self._alike, self._free, local.size
        squares, with_each, with_two = self.local_law.left
        trace = float(np.trace(own) + with_each[1] @ free)
        law = self.around**2 * np.diag(known.alike) + self.local_law.local**2 * np.diag(known.local)
        within = self.around**2 + self.local_law.local**2 - float(np.mean(law))
        square = float(np.mean(mean**2) + trace / count + max(within, 0.0))
        squares += float(with_each[0] @ free + free @ with_two @ free)
        error = np.sqrt(2.0 * squares + 4.0 * (mean @ own @ mean + free @ (mean @ change) ** 2)) / count
        value = float(np.sqrt(max(square, 0.0)))
        return Estimate(value, float(error / (2.0 * value)) if value > 0.0 else 0.0)

    def waves_at(self, share: FloatArray, places: FloatArray) -> FloatArray:
        """m, (Q, A): the likeliest waves at shares (Q,) of the arc and places (Q, A, 3) m there; noise left out."""
        found = np.empty(places.shape[:2])
        cells, arc, law = self.local_law.cells, self.local_law.arc, self.law
        left = self.local_law.off - self.local_law.alike.white @ self._alike
        pulled = lapack.dtrtrs(self.local_law.factor, left, lower=1, trans=1)[0]
        for q in range(len(found)):
            around = _alike((share[q] - cells.share) * arc, law.length, cells.along * arc**2)
            local = _in_space(places[q][:, None] - cells.places, law.length, cells.spread)
            found[q] = (law.around**2 * around + law.local**2 * local) @ pulled
        return found


class CellPairs(NamedTuple):
    """Of cells: how far apart each lies from each (C, C) along the wall, m, and with what variance, m2; the same of P
    places and covariances, (P, 3) m and (P, 3, 3) m2, of pairs (P,) of which no two are one another's mirror image.
    """

    along: FloatArray
    variance: FloatArray
    apart: FloatArray
    spread: FloatArray
    which: tuple[IntArray, IntArray]


def pairs(cells: Cells, arc: float) -> CellPairs:
    """All that their correlations are made of, whatever the waves. arc : m, of the wall."""
    along, variance = cells.share * arc, cells.along * arc**2
    which = first, second = np.triu_indices(along.size)
    apart, spread = cells.places[first] - cells.places[second], cells.spread[first] + cells.spread[second]
    return CellPairs(along[:, None] - along, variance[:, None] + variance, apart, spread, which)


def laws(of: CellPairs, length: float) -> tuple[FloatArray, FloatArray]:
    """(C, C) each: correlations between the means over cells of waves alike all round, and of those of one place."""
    first, second = of.which
    local = np.empty_like(of.along)
    local[first, second] = local[second, first] = _in_space(of.apart, length, of.spread)
    return _alike(of.along, length, of.variance), local


def _alike(apart: FloatArray, length: float, spread: FloatArray) -> FloatArray:
    """exp(-d^2 / (2 l^2)), its mean over a normal law of d about `apart` with variance `spread`, m2: of any shape."""
    wide = length**2 + spread
    return np.asarray(length / np.sqrt(wide) * np.exp(-(apart**2) / (2.0 * wide)))


def _in_space(apart: FloatArray, length: float, spread: FloatArray) -> FloatArray:
    """The same over places `apart` (..., 3) with covariance `spread` (..., 3, 3): a cell is a patch of a wall, which
    counts by how it lies.
    """
    x, y, z = np.moveaxis(apart, -1, 0)
    xx, yy, zz = (length**2 + spread[..., i, i] for i in range(3))
    xy, xz, yz = spread[..., 0, 1], spread[..., 0, 2], spread[..., 1, 2]
    # The inverse by cofactors: a linear solver would be called once for each pair.
    a, b, c = yy * zz - yz**2, xz * yz - xy * zz, xy * yz - xz * yy
    size = xx * a + xy * b + xz * c
    square = a * x**2 + (xx * zz - xz**2) * y**2 + (xx * yy - xy**2) * z**2
    square = square + 2.0 * (b * x * y + c * x * z + (xy * xz - xx * yz) * y * z)
    return np.asarray(np.sqrt(length**6 / size) * np.exp(-0.5 * square / size))


def factored(law: FloatArray) -> FloatArray:
    """The Cholesky factor of a law, below its diagonal: by LAPACK itself, as there are thousands of small ones, which
    are checked longer than factorised. LinAlgError if it is no law.
    """
    factor, info = lapack.dpotrf(law, lower=1, clean=0)
    if info != 0:
        raise LinAlgError("not positive definite")
    return np.asarray(factor)


def solved(factor: FloatArray, right: FloatArray) -> FloatArray:
    """The inverse of a law times `right`, from the law's factor."""
    return np.asarray(lapack.dpotrs(factor, right, lower=1)[0])


def _halved(factor: FloatArray, right: FloatArray) -> FloatArray:
    """The factor's inverse times `right`: half of the way to the law's."""
    return np.asarray(lapack.dtrtrs(factor, right, lower=1)[0])
