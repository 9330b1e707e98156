"""How points of a wall move, compiled: a sweep along it asks for few of them, hundreds of times. Loaded where a wall
moves, since numba takes a while to load.
"""

from __future__ import annotations

import numpy as np

from evenflare.compiled import njit

LEAST = 0.05
"""Of the drawn wall's speed; where a bend as good as a corner folds, the moved one's is taken to be that."""


@njit(cache=True)
def waves(knots, series, arc, around):  # type: ignore[no-untyped-def]
    """(2, P) of `departure.waves_at` at arcs (P,); around (P, M) or, of one azimuth, (1, M): cosines of twice the
    azimuth's multiples.
    """
    found = np.zeros((2, arc.size))
    for i in range(arc.size):
        row = around[i if len(around) > 1 else 0]
        if knots.size == 1:
            found[0, i] = np.sum(series[0] * row)
            continue
        k = min(max(np.searchsorted(knots, arc[i], side="right") - 1, 0), knots.size - 2)
        width = knots[k + 1] - knots[k]
        v = min(max((arc[i] - knots[k]) / width, 0.0), 1.0)
        # As `risen`.
        share, rate = v * v * v * (10.0 + v * (6.0 * v - 15.0)), 30.0 * (v * (1.0 - v)) ** 2
        for order in range(row.size):
            rise = series[k + 1, order] - series[k, order]
            found[0, i] += (series[k, order] + rise * share) * row[order]
            found[1, i] += rise / width * rate * row[order]
    return found


@njit(cache=True)
def slid(drawn, before, after, pushed_before, pushed_after):  # type: ignore[no-untyped-def]
    """(4, N): z, r, angle and speed of a piece moved; drawn (10, N): its frame, t, and its departure."""
    found = np.empty((4, drawn.shape[1]))
    for i in range(drawn.shape[1]):
        z, r, angle, curvature, speed, t, by_own_arc, off, by_arc, by_depth = drawn[:, i]
        cosine, sine = np.cos(angle), np.sin(angle)
        slope = by_arc * by_own_arc + by_depth * cosine
        share, rate = t * t * (3.0 - 2.0 * t), 6.0 * t * (1.0 - t) / max(speed, 1e-15)
        turn, push = after - before, pushed_after - pushed_before
        tangent = before + turn * share
        slid = off * tangent + pushed_before + push * share
        slid_slope = slope * tangent + (off * turn + push) * rate
        bend = curvature if np.isfinite(curvature) else 0.0
        along = max(1.0 + slid_slope - off * bend, LEAST)
        across = slope + bend * slid
        found[0, i] = z + slid * cosine - off * sine
        found[1, i] = r + slid * sine + off * cosine
        found[2, i] = angle + np.arctan2(across, along)
        found[3, i] = speed * np.hypot(along, across)
    return found


@njit(cache=True)
def arc_at_depth(cuts, breaks, powers, z, rim):  # type: ignore[no-untyped-def]
    """(2, N) of `MeanArc.at_depth` at depths z (N,); rim: rad, how near an end slopes are found."""
    found = np.empty((2, z.size))
    for i in range(z.size):
        which = min(max(np.searchsorted(cuts, z[i]) - 1, 0), cuts.size - 2)
        low, high = cuts[which], cuts[which + 1]
        # As `turn_of`.
        turn = 2.0 * np.arctan2(np.sqrt(max(z[i] - low, 0.0)), np.sqrt(max(high - z[i], 0.0)))
        inside = min(max(turn, rim), np.pi - rim)
        cell = min(max(np.searchsorted(breaks, turn, side="right") - 1, 0), breaks.size - 2)
        c = powers[which, :, cell]
        x = turn - breaks[cell]
        found[0, i] = ((((c[0] * x + c[1]) * x + c[2]) * x + c[3]) * x + c[4]) * x + c[5]
        x = inside - breaks[cell]
        rate = (((5.0 * c[0] * x + 4.0 * c[1]) * x + 3.0 * c[2]) * x + 2.0 * c[3]) * x + c[4]
        found[1, i] = rate / (0.5 * (high - low) * np.sin(inside))
    return found
