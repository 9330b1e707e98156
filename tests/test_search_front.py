"""The front of a search: what nothing beats, against brute force; its ends, its knee; what is refused."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from cheap_search import searched
from evenflare.files import InputError
from evenflare.search import front_of, history_rows
from evenflare.search.front import ends, knee, nondominated
from evenflare.target.quantities import chosen

SMALL = st.integers(0, 6).map(float)
"""Few values, so that equal ones come up."""


def beats(one, other) -> bool:
    """By the definition: nowhere worse and somewhere better.

    Source: K. Miettinen, Nonlinear multiobjective optimization (1999), definition 2.2.1 (from memory).
    """
    return all(a <= b for a, b in zip(one, other, strict=True)) and any(a < b for a, b in zip(one, other, strict=True))


@given(arrays(float, st.tuples(st.integers(1, 14), st.integers(2, 4)), elements=SMALL))
def test_front_is_that_of_brute_force(costs):
    found = nondominated(costs)
    assert found.tolist() == [not any(beats(other, each) for other in costs) for each in costs]


@given(arrays(float, st.tuples(st.integers(1, 14), st.integers(2, 3)), elements=SMALL), st.randoms())
def test_front_does_not_depend_on_the_order_or_on_units(costs, random):
    order = list(range(len(costs)))
    random.shuffle(order)
    assert nondominated(costs[order]).tolist() == nondominated(costs)[order].tolist()
    assert nondominated(1000.0 * costs + 7.0).tolist() == nondominated(costs).tolist()


def test_knee_of_a_bent_line_is_its_bend():
    # Two straight lines from (0, 1) and (1, 0) that meet at (0.2, 0.1): no point of them is farther from x + y = 1.
    bend = np.array([0.2, 0.1])
    first, second = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    share = np.linspace(0.0, 1.0, 6)[:, None]
    points = np.vstack([first + share * (bend - first), bend + share[1:] * (second - bend)])
    assert knee(points) == 5
    assert ends(points) == [0, 10]
    assert knee(points * [0.1, 50.0] + [3.0, 60.0]) == 5  # whatever the units


def test_knee_of_an_eighth_of_a_sphere_seen_from_inside_is_on_its_diagonal():
    # Points 1 - n, n on the unit sphere: the plane through the ends (0, 1, 1), (1, 0, 1), (1, 1, 0) is x + y + z = 2,
    # and the distance from it is greatest where the sum of n is: on the diagonal.
    angles = np.linspace(0.0, 0.5 * np.pi, 9)
    normals = np.array(
        [[np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)] for a, b in itertools.product(angles, angles)]
    )
    diagonal = np.ones(3) / np.sqrt(3.0)
    points = 1.0 - np.unique(np.vstack([normals.round(12), diagonal, np.eye(3)]), axis=0)
    # Exact but for the rounding of the grid to twelve decimals.
    assert points[knee(points)] == pytest.approx(1.0 - diagonal, abs=1e-9)


def test_straight_front_and_one_that_bulges_have_no_knee():
    x = np.linspace(0.0, 1.0, 9)
    assert knee(np.column_stack([x, 1.0 - x])) is None
    assert knee(np.column_stack([x, np.sqrt(1.0 - x**2)])) is None
    assert knee(np.array([[0.0, 1.0], [1.0, 0.0]])) is None


def row(number, score, depth, *, stage="screen", feasible=1, **more):
    fixed = {
        "number": number,
        "stage": stage,
        "score": score,
        "feasible": feasible,
        "family": "free",
        "index_db": score,
    }
    return fixed | {"depth_mm": depth, "cutoff_hz": None, "reason": ""} | more


ROWS = [
    row(1, 1.0, 90.0),
    row(2, 1.1, 70.0),
    row(3, 2.0, 60.0),
    row(4, 1.2, 71.0),
    row(5, 0.1, 50.0, feasible=0),
    row(6, None, 40.0, feasible=0),
]


def test_front_names_its_ends_and_its_knee():
    front = front_of(ROWS)
    assert [each.number for each in front.members] == [1, 2, 3]
    assert {name: each.number for name, each in front.marked.items()} == {
        "lowest_score": 1,
        "knee": 2,
        "lowest_depth_mm": 3,
    }
    assert front.stage == "screen"
    assert front.others.shape == (4, 2)
    higher = front_of(ROWS, ["score", "depth_mm:higher"])
    assert [(each.number, each.points) for each in higher.members] == [(1, ("lowest_score", "highest_depth_mm"))]


def test_difference_below_a_step_does_not_count():
    front = front_of([row(1, 1.0, 90.0), row(2, 3.0, 89.96), row(3, 2.0, 89.9)])
    assert [each.number for each in front.members] == [1, 3]
    assert front.members[1].values == (2.0, 89.9)  # as they are


def test_candidates_are_compared_at_one_setting_only():
    full = [row(number, score + 0.5, depth, stage="full") for number, score, depth in ((1, 1.0, 90.0), (2, 1.1, 70.0))]
    assert front_of([*ROWS, *full]).stage == "screen"  # number 3, which nothing beats, was not judged at full
    assert {each.values[0] for each in front_of([*ROWS, *full]).members} == {1.0, 1.1, 2.0}
    whole = [*ROWS, *full, row(3, 2.5, 60.0, stage="full")]
    assert front_of(whole).stage == "full"
    assert {each.values[0] for each in front_of(whole).members} == {1.5, 1.6, 2.5}
    assert front_of(whole, stage="screen").members == front_of(ROWS).members
    with pytest.raises(InputError, match="no candidate of the run keeps the limits, was solved at estimate and has"):
        front_of(whole, stage="estimate")


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["score"], r"--of = score: must be two or more quantities, of score, index_db, depth_mm, cutoff_hz"),
        (["score", "dept_mm"], r"--of = dept_mm: must be one of score, .*\. Did you mean depth_mm\?"),
        (
            ["score", "family"],
            r"--of = family: must be one of score, index_db, depth_mm, cutoff_hz\. Write one of them",
        ),
        (["score", "score:higher"], r"--of = score: is named twice\. Remove one"),
        (
            ["score", "cutoff_hz"],
            r"cutoff_hz: neither way is better by itself\. Write cutoff_hz:lower or cutoff_hz:higher",
        ),
        (
            ["score", "depth_mm:best"],
            r"depth_mm: best is no way to be better\. Write depth_mm:lower or depth_mm:higher",
        ),
        (["score", "cutoff_hz:lower"], r"no candidate of the run .* has score and cutoff_hz"),
    ],
)
def test_what_cannot_be_traded_is_refused(names, words):
    with pytest.raises(InputError, match=words):
        front_of(ROWS, names)


def test_run_without_candidates_has_no_front():
    with pytest.raises(InputError, match="--of: the run holds no candidate yet"):
        front_of([])


def test_name_says_which_way_is_better():
    known = ["score", "room_db", "mouth_width_mm", "smallest_concave_radius_mm"]
    assert [each.better for each in chosen(known, known)] == ["lower", "lower", "lower", "higher"]


def test_front_of_a_search_is_beaten_by_no_row_of_its_history(tmp_path):
    searched(tmp_path)
    rows = list(history_rows(tmp_path))
    names = ["score", "mouth_diameter_mm", "smallest_concave_radius_mm"]
    front = front_of(rows, names, stage="screen")
    kept = {
        each["number"]: (round(each[names[0]], 3), round(each[names[1]], 1), -round(each[names[2]], 1))
        for each in rows
        if each["stage"] == "screen" and each["feasible"]
    }
    expected = {number for number, each in kept.items() if not any(beats(other, each) for other in kept.values())}
    assert {each.number for each in front.members} == expected
    assert len(expected) > 3
