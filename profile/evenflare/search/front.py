"""The front: candidates that nothing beats in all of some chosen quantities at once, its ends and its knee."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.files import InputError
from evenflare.search.store import ROW
from evenflare.target.quantities import Quantity, chosen
from evenflare.units import BoolArray, FloatArray

STAGES = ("full", "screen", "estimate")
"""Settings, the most exact first."""
USUAL = ("score", "depth_mm")
NO_KNEE = 1e-9
"""Of the scaled distance: closer to the line than this is on it."""


@dataclass(frozen=True)
class Member:
    """A candidate on the front.

    values : of the quantities, in their units.
    points : what it is besides: the name of each quantity's end that it is, "knee"; mostly nothing.
    """

    number: int
    family: str
    values: tuple[float, ...]
    points: tuple[str, ...] = ()


@dataclass(frozen=True)
class ParetoFront:
    """Candidates that nothing beats.

    quantities : two or more.
    stage      : setting at which all of them were judged; quantities of different settings are not compared.
    members    : in order of the first quantity, best first.
    others     : (N, K), values of all candidates that keep the limits at that stage, the members' too.
    """

    quantities: tuple[Quantity, ...]
    stage: str
    members: tuple[Member, ...]
    others: FloatArray

    @property
    def marked(self) -> dict[str, Member]:
        """By name the ends, of each quantity one, and the knee if there is one."""
        return {point: each for each in self.members for point in each.points}


def nondominated(costs: FloatArray) -> BoolArray:
    """Which of some points (N, K), in all columns lower is better, no other one beats: (N,).

    One point beats another that is nowhere better and somewhere worse; equal ones do not beat each other.
    In lexical order a point can be beaten only by an earlier one, and then by one that nothing beats.
    Source: H. T. Kung, F. Luccio and F. P. Preparata, J. ACM 22 (1975), 469 (from memory).
    """
    kept = np.zeros(len(costs), dtype=bool)
    front = np.empty((0, costs.shape[1]))
    for i in np.lexsort(costs.T[::-1]):
        point = costs[i]
        beaten = np.all(front <= point, axis=1) & np.any(front < point, axis=1)
        if not beaten.any():
            kept[i] = True
            front = np.vstack([front, point])
    return kept


def scaled(costs: FloatArray) -> FloatArray:
    """Points (N, K) with each column from 0, its best, to 1, its worst; 0 where it has but one value."""
    low, high = costs.min(axis=0), costs.max(axis=0)
    return np.asarray((costs - low) / np.where(high > low, high - low, 1.0))


def ends(costs: FloatArray) -> list[int]:
    """For each column of a front (N, K) the point that is best in it; of several, the best in all scaled together."""
    total = scaled(costs).sum(axis=1)
    return [int(np.lexsort((total, costs[:, k]))[0]) for k in range(costs.shape[1])]


def knee(costs: FloatArray) -> int | None:
    """The point of a front (N, K) that lies farthest beyond the line (the plane) through its ends, seen from them
    toward the ideal point, all scaled to 0 to 1 over the front; None where none does.

    There a little less of one quantity costs most of another.
    Source: I. Das, On characterizing the "knee" of the Pareto curve based on normal-boundary intersection,
    Structural Optimization 18 (1999), 107 (from memory).
    """
    if len(costs) <= costs.shape[1]:
        return None
    points = scaled(costs)
    corners = points[ends(costs)]
    # The plane normal . x = 1 through the ends; where they do not span one, that of even shares through them.
    if np.linalg.matrix_rank(corners) == len(corners):
        normal = np.linalg.solve(corners, np.ones(len(corners)))
    else:
        normal = np.ones(len(corners)) / max(corners.sum(axis=1).mean(), 1e-12)
    distance = (1.0 - points @ normal) / np.linalg.norm(normal)
    best = int(distance.argmax())
    return best if distance[best] > NO_KNEE else None


def front_of(
    rows: Iterable[Mapping[str, Any]], names: Sequence[str] = USUAL, *, stage: str | None = None, place: str = "--of"
) -> ParetoFront:
    """The front of a search's history.

    rows   : as `search.history_rows`.
    names  : of two quantities or more, as `target.quantities` reads them: any column of numbers. Values count in its
             steps; of candidates that are the same in all, none beats another.
             Source of steps: M. Laumanns et al., Evolutionary Computation 10 (2002), 263 (from memory).
    stage  : at which all must have been judged; left out, at full if every candidate that nothing beats at screen was
             judged there too, else at screen, or at the most exact setting that there is.
    place  : where the names stand, for messages.
    Errors : InputError for an unknown quantity, fewer than two, or where no candidate keeps the limits.
    """
    rows = list(rows)
    known = [name for name in (rows[0] if rows else ()) if name == "score" or name not in ROW]
    if not rows:
        raise InputError(f"{place}: the run holds no candidate yet, so nothing can be compared. Let the search go on")
    try:
        quantities = chosen(names, known)
    except ValueError as error:
        raise InputError(f"{place} = {error}") from None
    solved = {each: _at(rows, each, quantities) for each in STAGES}
    if stage is None:
        stage = _comparable(solved, quantities)
    if not solved[stage]:
        words = " and ".join(each.name for each in quantities)
        raise InputError(
            f"{place}: no candidate of the run keeps the limits, was solved at {stage} and has {words}."
            " Let the search go on, choose other quantities or another --stage"
        )
    costs = _costs(solved[stage], quantities)
    on_front = [solved[stage][i] for i in np.flatnonzero(nondominated(costs)).tolist()]
    on_front.sort(key=lambda row: (*_costs([row], quantities)[0], row["number"]))
    found, points = _costs(on_front, quantities), dict[int, tuple[str, ...]]()
    for each, i in zip(quantities, ends(found), strict=True):
        points[i] = (*points.get(i, ()), each.end)
    middle = knee(found)
    if middle is not None and middle not in points:
        points[middle] = ("knee",)
    members = tuple(
        Member(row["number"], row["family"], tuple(float(row[each.name]) for each in quantities), points.get(i, ()))
        for i, row in enumerate(on_front)
    )
    others = np.array([[float(row[each.name]) for each in quantities] for row in solved[stage]])
    return ParetoFront(quantities, stage, members, others)


def _at(rows: Sequence[Mapping[str, Any]], stage: str, quantities: Sequence[Quantity]) -> list[Mapping[str, Any]]:
    """Rows of a stage that keep the limits and have every quantity."""
    return [
        row
        for row in rows
        if row["stage"] == stage and row["feasible"] and all(row[each.name] is not None for each in quantities)
    ]


def _costs(rows: Sequence[Mapping[str, Any]], quantities: Sequence[Quantity]) -> FloatArray:
    found = [[each.cost(row[each.name]) for each in quantities] for row in rows]
    return np.array(found).reshape(len(rows), len(quantities))


def _comparable(solved: Mapping[str, Sequence[Mapping[str, Any]]], quantities: Sequence[Quantity]) -> str:
    """The most exact stage at which nothing is missing that a quicker one found worth it."""
    screened = solved["screen"]
    if screened and solved["full"]:
        full = {row["number"] for row in solved["full"]}
        best = np.flatnonzero(nondominated(_costs(screened, quantities))).tolist()
        return "full" if all(screened[i]["number"] in full for i in best) else "screen"
    return next((stage for stage in ("screen", "full", "estimate") if solved[stage]), "screen")
