"""Kinds of error told apart, all at once with the pose's, under waviness that is correlated along the wall.

A wall's departure is taken for a sum of the pose's error, the kinds' shapes, waves alike all round, waves of this place
alone, and noise. Waves are Gaussian with a correlation exp(-d^2 / (2 l^2)), along the arc and in space; their variances
and l are those that make the scan likeliest. Given them everything else is linear and Gaussian: the estimates are the
generalised least squares ones, and what remains is divided into waves and noise by the same equations.

Wide priors (PRIOR) keep what a wall cannot tell: a cone's offset, its scale and a shift along its axis are one and the
same, and their standard errors then come out near the priors'.

Source: Rasmussen and Williams (2006), Gaussian processes for machine learning, sections 2.7 and 5.4 (from memory);
Fisher scoring of variances: Patterson and Thompson (1971), Biometrika 58 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.linalg import blas, lapack

from evenflare.inspection.cells import KINDS, Cells
from evenflare.inspection.found import Estimate
from evenflare.inspection.waves import Correlations, LocalLaw, Under, WavesLeft, factored, laws, pairs, solved
from evenflare.units import FloatArray

PRIOR = dict(
    zip(KINDS, (5e-3, 5e-3, 5e-3, 0.05, 0.05, 0.05, 0.02, 2e-3, 2e-3, 2e-3, 2e-3, 2e-3), strict=True),
)
"""Standard deviations before anything is seen, m, rad and a share: wider than any part that would be inspected."""
FINEST = 1e-6
"""m: noise of a point below it is not believed."""
_LENGTHS = 6
_LONGEST = 0.6
"""Of the arc: longer waves are none that a wall shows."""
_ROUNDS = 7
_WORTH = 5.0
"""Of the logarithm of the likelihood: a length by as much less likely than the likeliest is none that may be."""
_ALIKE, _LOCAL = (0.1, 0.5, 1.0, 1.8, 3.2, 5.6), (0.45, 0.7, 1.0, 1.4, 2.0, 3.2)
"""Laws that may be, of each such length: standard deviations of waves alike all round over those of both kinds
together, and of the others over their own likeliest. Alike all round there are few waves to tell from, and on a short
wall offset, bow and scale take up all that is seen of them: they may be several times what is left. The likeliest law
is none of these by itself: it often has no waves alike all round, the edge of what may be.
"""
_LIKELY = 1.5
"""Before anything is seen any standard deviation is as likely as any other, alike all round up to about so many times
those of both together (half Cauchy): where the logarithm were, waves that can hardly be seen would be taken for none.
Of seven round walls, 200 invented parts each, errors of bow were 0.84 to 0.98 of those stated, rms; with 3.0 they were
0.76 to 0.86, and a short wall's scale was held by all 200 intervals; with 0.7 errors were up to 1.24 of those stated.
Source: Gelman (2006), Bayesian Analysis 1, 515 (from memory).
"""
_HARDLY = 1e-3
"""Chance of all laws together that are left out: half of them, and of a standard error seen at most two hundredths."""
_LEAST_LOCAL = 0.2
"""Of both together: waves of one place that are likeliest smaller may be as large."""


@dataclass(frozen=True)
class KindsTold:
    """What they tell under all laws that may be, each by how likely it is: what a scan leaves open of its waves adds to
    every error.

    likeliest : that law's; chances, likelihoods : (N,) of the others, how likely each is before anything is seen, in
                proportion, and the logarithm of how likely it makes what is seen.
    """

    likeliest: Under
    others: tuple[Under, ...]
    chances: FloatArray
    likelihoods: FloatArray

    @property
    def waves(self) -> WavesLeft:
        """The likeliest law."""
        return self.likeliest.law

    @cached_property
    def _believed(self) -> tuple[FloatArray, list[Under]]:
        """(M,) how likely each law is, and the laws: all but those that together are hardly likely."""
        weight = self.chances * np.exp(self.likelihoods - self.likelihoods.max())
        order = np.argsort(weight)
        kept = np.sort(order[np.cumsum(weight[order]) > _HARDLY * weight.sum()])
        return weight[kept] / weight[kept].sum(), [self.others[k] for k in kept]

    @cached_property
    def values(self) -> FloatArray:
        """(K,) of the columns, in their units."""
        weights, laws = self._believed
        return np.asarray(weights @ np.array([each.values for each in laws]))

    @cached_property
    def covariance(self) -> FloatArray:
        """(K, K)."""
        weights, laws = self._believed
        aside = np.array([each.values for each in laws]) - self.values
        within = np.einsum("n,nij->ij", weights, np.array([each.covariance for each in laws]))
        return np.asarray(within + np.einsum("n,ni,nj->ij", weights, aside, aside))

    @cached_property
    def waviness(self) -> Estimate:
        """m rms, see Under."""
        weights, laws = self._believed
        each = [under.waviness for under in laws]
        found = np.array([one.value for one in each])
        value = float(weights @ found)
        square = weights @ (np.array([one.standard_error for one in each]) ** 2 + (found - value) ** 2)
        return Estimate(value, float(np.sqrt(square)))


def told_apart(cells: Cells, columns: FloatArray, prior: FloatArray, *, arc: float) -> KindsTold:
    """Under the waves that make the cells' departures likeliest.

    columns, prior : (C, K) and (K,), see KindsTold; arc : m, of the wall.
    """
    by_point = np.diag(1.0 / cells.counts)
    known = cells.noise if np.isfinite(cells.noise) else 0.0
    spread = columns * prior
    expected = spread @ spread.T
    base = expected + max(known, FINEST) ** 2 * by_point
    free = [] if known else [by_point]
    closest = max(0.25 * cells.side, arc / 60.0)
    rough = np.geomspace(closest, _LONGEST * arc, _LENGTHS)
    remains = _without(cells.off, columns, cells.counts)
    start = np.full(2 + len(free), 0.3 * np.var(remains))
    apart = pairs(cells, arc)

    def at_length(length: float) -> _AtLength:
        correlations = Correlations(length, *laws(apart, length))
        value, variances = _likeliest(cells.off, base, correlations, free, start)
        noise = max(known, FINEST) if known else float(np.sqrt(FINEST**2 + variances[2]))
        waves = WavesLeft(float(np.sqrt(variances[0])), float(np.sqrt(variances[1])), length, noise)
        return _AtLength(value, waves, correlations)

    found = [at_length(float(length)) for length in rough]
    step, best = (rough[1] / rough[0]) ** (1.0 / 3.0), max(found, key=lambda each: each.value)
    found += [at_length(best.waves.length / step), at_length(best.waves.length * step)]
    best = max(found, key=lambda each: each.value)
    least, most = np.sqrt(1.0 / np.median(cells.counts)), float(np.sqrt(np.mean(remains**2)))
    others, chances, likelihoods = [], [], []
    for each in found:
        if each.value < best.value - _WORTH:
            continue
        waves = each.waves
        # Long waves that are free to be huge do for offset and scale: no more than is left is taken for them.
        size = max(min(float(np.hypot(waves.around, waves.local)), most), waves.noise * least)
        local = max(waves.local, _LEAST_LOCAL * size)
        for b in _LOCAL:
            local_law = LocalLaw(cells, columns, prior, expected, each.correlations, b * local, waves.noise, arc)
            others += [Under(local_law, a * size) for a in _ALIKE]
            likelihoods += local_law.likelihoods(size * np.array(_ALIKE)).tolist()
            # Of steps alike in the logarithm.
            chances += [a / (1.0 + (a / _LIKELY) ** 2) * b for a in _ALIKE]
    likely = best.waves
    local_law = LocalLaw(cells, columns, prior, expected, best.correlations, likely.local, likely.noise, arc)
    return KindsTold(Under(local_law, likely.around), tuple(others), np.array(chances), np.array(likelihoods))


class _AtLength(NamedTuple):
    """The likeliest waves of one length, the logarithm of their likelihood, and their correlations."""

    value: float
    waves: WavesLeft
    correlations: Correlations


def _without(off: FloatArray, columns: FloatArray, counts: FloatArray) -> FloatArray:
    """What a plain least-squares fit of the columns leaves."""
    size = np.maximum(np.abs(columns).max(axis=0), 1e-12)
    fitted = np.linalg.lstsq(columns / size, off, rcond=1e-8)[0]
    return np.asarray(off - columns / size @ fitted)


def _likeliest(
    off: FloatArray, base: FloatArray, correlations: Correlations, free: list[FloatArray], start: FloatArray
) -> tuple[float, FloatArray]:
    """The log likelihood of departures that vary as base and a sum of parts, and the variances of the parts: the waves
    alike all round, those of one place, and others, (C, C) each.
    """
    parts, root = [correlations.alike, correlations.local, *free], correlations.root
    variances = np.maximum(start, 1e-14)
    value, found = -np.inf, variances
    for _ in range(_ROUNDS):
        law = base + sum(v * part for v, part in zip(variances, parts, strict=True))
        factor = factored(law)
        pulled = solved(factor, off)
        now = -np.log(np.diag(factor)).sum() - 0.5 * off @ pulled
        if now > value:
            gained, value, found = now - value, float(now), variances
            if gained < 0.02:
                break
        half = lapack.dpotri(factor, lower=1)[0]  # LAPACK fills one half of the law's inverse, and BLAS reads no other.
        turned_root = blas.dsymm(1.0, half, root, lower=1)
        turned = [blas.dsymm(1.0, half, part.T, lower=1) for part in parts[1:]]
        traces = [np.sum(root * turned_root), *(np.trace(each) for each in turned)]
        slope = np.array([0.5 * (pulled @ part @ pulled - t) for part, t in zip(parts, traces, strict=True)])
        bend = np.empty((len(parts), len(parts)))
        bend[0, 0] = 0.5 * np.sum((root.T @ turned_root) ** 2)
        bend[0, 1:] = bend[1:, 0] = [0.5 * np.sum(turned_root * (part @ turned_root)) for part in parts[1:]]
        bend[1:, 1:] = [[0.5 * np.sum(a * b.T) for b in turned] for a in turned]
        step = np.linalg.lstsq(bend, slope, rcond=1e-10)[0]
        variances = np.maximum(np.clip(variances + step, variances / 20.0, variances * 20.0), 1e-14)
    return value, found
