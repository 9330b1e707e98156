"""How a band of a wall shares what may be heard: as wide as it can be, in zones of few numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.units import MILLIMETRE, FloatArray, IntArray

WIDEST = 2.0 * MILLIMETRE
"""Of a band: what departs more is another part, whatever it sounds like. Own choice."""
FEWEST_ZONES, MOST_ZONES = 3, 6
WORTH = 0.05
"""Mean logarithm of the width that one more zone must gain."""
LEAST = 0.08
"""Share of the arc that a zone has at least: nobody works to one of a few millimetres."""
ROUNDS = 400
APART = 1.0 * MILLIMETRE
"""Of depth, between two places that a zone may end between."""


@dataclass(frozen=True)
class ZoneCut:
    """Zones of places: (N,) the zone of each, from 0 at the throat."""

    zone: IntArray

    @property
    def count(self) -> int:
        """How many there are."""
        return int(self.zone[-1]) + 1

    def spread(self, values: FloatArray) -> FloatArray:
        """(N,) values (Z,) of the zones at their places."""
        return np.asarray(values[self.zone])


def widest(effect: FloatArray, weight: FloatArray, within: float) -> FloatArray:
    """Widths (Z,), m, that keep effect (R, Z) @ widths <= within in every row, so that sum(weight log width) is largest
    and none is above WIDEST.

    By the dual problem, largest sum(weight log(multipliers @ effect)) over multipliers of a fixed sum, which
    expectation and maximisation climb (Dempster, Laird and Rubin 1977, J. R. Stat. Soc. B 39, 1: mixture proportions).
    """
    width = np.full(weight.size, WIDEST)
    free = np.ones(weight.size, dtype=bool)
    while free.any():
        left = within - effect[:, ~free] @ width[~free]
        rows = effect[:, free].max(axis=1) > 0.0
        if not rows.any():
            break
        normal = effect[rows][:, free] / np.maximum(left[rows, None], 1e-3 * within)
        share = weight[free] / weight[free].sum()
        multiplier = np.full(normal.shape[0], 1.0 / normal.shape[0])
        for _ in range(ROUNDS):
            mixed = np.maximum(multiplier @ normal, 1e-300)
            multiplier = multiplier * (normal @ (share / mixed))
        found = share / np.maximum(multiplier @ normal, 1e-300)
        found = found / max(float((normal @ found).max()), 1e-300)
        width[free] = np.minimum(found, WIDEST)
        over = found > WIDEST
        if not over.any():
            break
        free[np.flatnonzero(free)[over]] = False
    worst = float((effect @ width).max())
    return width * min(1.0, within / worst) if worst > 0.0 else width


def zoned(
    effect: FloatArray, weight: FloatArray, z: FloatArray, within: float, *, least: float = LEAST
) -> tuple[ZoneCut, FloatArray]:
    """Zones of places along a wall, and their widths (Z,), m.

    effect : (R, N) dB/m, what a place does in each row of what must be kept; weight : (N,) shares of the arc;
    z      : (N,) m, their depths.
    least  : share of the arc that a zone has at least.
    """
    best: tuple[ZoneCut, FloatArray] | None = None
    gained = -np.inf
    fine = np.log(widest(effect, weight, within))
    for count in range(FEWEST_ZONES, MOST_ZONES + 1):
        cut = ZoneCut(_alike(fine, weight, z, count, max(least, LEAST)))
        members = np.eye(cut.count)[cut.zone]
        width = widest(effect @ members, weight @ members, within)
        value = float(weight @ np.log(cut.spread(width)) / weight.sum())
        if best is None or value > gained + WORTH:
            best, gained = (cut, width), value
    assert best is not None  # there is one of the fewest
    return best


def _alike(value: FloatArray, weight: FloatArray, z: FloatArray, count: int, least: float) -> IntArray:
    """The zone (N,) of each place, so that values within a zone are as alike as they can be, in mean square; of as many
    zones as are asked for, or fewer where each could not have its least share of the arc.
    """
    size = value.size
    total, first, second = (
        np.concatenate([[0.0], np.cumsum(each)]) for each in (weight, weight * value, weight * value**2)
    )

    def spread(i: int, j: int) -> float:
        return float(second[j] - second[i] - (first[j] - first[i]) ** 2 / (total[j] - total[i]))

    may_end = np.concatenate([[True], np.diff(z) > APART, [True]])
    cost = np.full((count + 1, size + 1), np.inf)
    cost[0, 0] = 0.0
    back = np.zeros((count + 1, size + 1), dtype=np.int64)
    for k in range(1, count + 1):
        for j in range(k, size + 1):
            if not may_end[j]:
                continue
            far = [i for i in range(k - 1, j) if np.isfinite(cost[k - 1, i]) and total[j] - total[i] >= least - 1e-9]
            tried = [(cost[k - 1, i] + spread(i, j), i) for i in far]
            if tried:
                cost[k, j], back[k, j] = min(tried)
    used = max(k for k in range(1, count + 1) if np.isfinite(cost[k, size]))
    zone, end = np.zeros(size, dtype=np.int64), size
    for k in range(used, 0, -1):
        begin = int(back[k, end])
        zone[begin:end] = k - 1
        end = begin
    return zone


def edges(cut: ZoneCut, z: FloatArray, depth: float) -> FloatArray:
    """(Z + 1,) m, depths at which the zones begin and the last ends: whole millimetres where these lie between."""
    found = [0.0]
    for last in np.flatnonzero(np.diff(cut.zone)):
        low, high = float(z[last]), float(z[last + 1])
        middle = 0.5 * (low + high)
        whole = round(middle / MILLIMETRE) * MILLIMETRE
        found.append(whole if low < whole < high else middle)
    return np.array([*found, depth])
