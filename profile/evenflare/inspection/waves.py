"""What cells of a scan tell under one law of the waves that a wall has, and how waves of one length vary together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import LinAlgError, lapack

from evenflare.inspection.cells import Cells
from evenflare.inspection.found import Estimate
from evenflare.units import FloatArray

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
    def root(self) -> FloatArray:
        """(C, R) of the waves alike all round."""
        return _halved(self.factor, self.correlations.root)

    @cached_property
    def spread(self) -> FloatArray:
        """(C, K) of the columns, each times its prior's variance."""
        return _halved(self.factor, self.columns * self.prior**2)

    @cached_property
    def waves(self) -> tuple[FloatArray, FloatArray]:
        """(R, R) how far the waves alike all round are seen, and (R,) what the departures show of them."""
        return self.root.T @ self.root, self.root.T @ self.off


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
    def _factor(self) -> FloatArray:
        """(R, R), of the waves alike all round."""
        inner = self.around**2 * self.local_law.waves[0]
        inner.flat[:: len(inner) + 1] += 1.0
        return factored(inner)

    @cached_property
    def _shown(self) -> FloatArray:
        """(R,)"""
        return self.around * _halved(self._factor, self.local_law.waves[1])

    @cached_property
    def _pulled(self) -> FloatArray:
        """(C,): the law's inverse times the departures."""
        within = self.around * lapack.dtrtrs(self._factor, self._shown, lower=1, trans=1)[0]
        left = self.local_law.off - self.local_law.root @ within
        return np.asarray(lapack.dtrtrs(self.local_law.factor, left, lower=1, trans=1)[0])

    def _square(self, white: FloatArray) -> FloatArray:
        """(N, N): the law's inverse between columns (C, N) in units as `LocalLaw.off`."""
        within = self.around * _halved(self._factor, self.local_law.root.T @ white)
        return np.asarray(white.T @ white - within.T @ within)

    @cached_property
    def likelihood(self) -> float:
        """Its logarithm, but for a constant."""
        level = self.local_law.level - np.log(np.diag(self._factor)).sum()
        return float(level - 0.5 * (self.local_law.off @ self.local_law.off - self._shown @ self._shown))

    @cached_property
    def values(self) -> FloatArray:
        """(K,) of the columns, in their units."""
        return np.asarray(self.local_law.prior**2 * (self.local_law.columns.T @ self._pulled))

    @cached_property
    def covariance(self) -> FloatArray:
        """(K, K)."""
        return np.asarray(np.diag(self.local_law.prior**2) - self._square(self.local_law.spread))

    @cached_property
    def waviness(self) -> Estimate:
        """m rms over the cells: of the waves of this part, not of those that others of its kind may have."""
        known = self.local_law.correlations
        law = self.around**2 * known.alike + self.local_law.local**2 * known.local
        mean = law @ self._pulled
        left = law - self._square(_halved(self.local_law.factor, law))
        within = self.around**2 + self.local_law.local**2 - float(np.mean(np.diag(law)))
        square = float(np.mean(mean**2) + np.mean(np.diag(left)) + max(within, 0.0))
        error = np.sqrt(2.0 * np.sum(left**2) + 4.0 * mean @ left @ mean) / mean.size
        value = float(np.sqrt(max(square, 0.0)))
        return Estimate(value, float(error / (2.0 * value)) if value > 0.0 else 0.0)

    def waves_at(self, share: FloatArray, places: FloatArray) -> FloatArray:
        """m, (Q, A): the likeliest waves at shares (Q,) of the arc and places (Q, A, 3) m there; noise left out."""
        found = np.empty(places.shape[:2])
        cells, arc, law = self.local_law.cells, self.local_law.arc, self.law
        for q in range(len(found)):
            around = _alike((share[q] - cells.share) * arc, law.length, cells.along * arc**2)
            local = _in_space(places[q][:, None] - cells.places, law.length, cells.spread)
            found[q] = (law.around**2 * around + law.local**2 * local) @ self._pulled
        return found


def laws(cells: Cells, length: float, arc: float) -> tuple[FloatArray, FloatArray]:
    """(C, C) each: correlations between the means over cells of waves alike all round, and of those of one place."""
    along, spread = cells.share * arc, cells.along * arc**2
    first, second = np.triu_indices(along.size)
    local = np.empty((along.size, along.size))
    apart = cells.places[first] - cells.places[second]
    local[first, second] = local[second, first] = _in_space(apart, length, cells.spread[first] + cells.spread[second])
    return _alike(along[:, None] - along, length, spread[:, None] + spread), local


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
