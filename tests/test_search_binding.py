"""Limits that hold a winner back: which they are, and what relaxing them gains, measured fairly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from cheap_search import LIMITS, OBLONG, cheap, hidden_target, refusing
from evenflare.results import binding as tables
from evenflare.search.binding import Binding, binding, measured, share
from evenflare.search.evolution import quantised
from evenflare.search.worker import Job, evaluate
from evenflare.units import DEGREE
from evenflare.waveguide import Limits, ParameterSpace


def judge(factory, asked):
    return [evaluate(target, factory, job) for target, job in asked]


def named(found):
    return [(each.limit, each.end) for each in found]


@pytest.mark.parametrize(
    ("vector", "expected"),
    [
        ((0.5, 0.5, 0.5), []),
        ((0.0, 0.5, 0.5), [("depth_mm", "least")]),
        ((1.0, 1.0, 0.5), [("depth_mm", "greatest"), ("mouth_diameter_mm", "greatest")]),
        ((1.0 - 0.99 / 80.0, 0.5, 0.5), [("depth_mm", "greatest")]),  # a fifth of the step of 5 mm is near
        ((1.0 - 1.01 / 80.0, 0.5, 0.5), []),
    ],
)
def test_limits_that_a_shape_is_at_are_found(vector, expected):
    waveguide = ParameterSpace("conical", LIMITS).waveguide(np.array(vector))
    assert named(binding(waveguide, LIMITS)) == expected


def test_radius_angles_and_sizes_of_oblong_mouths_count_as_well():
    waveguide = ParameterSpace("conical", LIMITS).waveguide(np.full(3, 0.5))
    tight = replace(LIMITS, throat_angle=(0.0, waveguide.meridian.ends.angle[0] + 0.1 * DEGREE))
    assert named(binding(waveguide, tight)) == [("throat_angle_deg", "greatest")]
    radius = waveguide.meridian.dense.r[0] / np.cos(waveguide.meridian.dense.angle[0])
    (found,) = binding(waveguide, replace(LIMITS, smallest_concave_radius=radius - 0.05e-3))
    assert (found.limit, found.end, found.gain) == ("smallest_concave_radius_mm", "least", None)
    assert found.step == pytest.approx(1.0)
    assert found.value == pytest.approx(1e3 * radius, rel=1e-9)  # the throat's own bend, by Meusnier: rounding
    wide = ParameterSpace("conical", OBLONG).waveguide(np.array([0.5, 1.0, 0.3, 0.0, 0.3, 0.5]))
    assert named(binding(wide, OBLONG)) == [("mouth_width_mm", "greatest"), ("mouth_height_mm", "least")]


def test_limit_that_cannot_be_relaxed_binds_nothing():
    limits = Limits(depth=(0.06, 0.14), mouth_diameter=(0.14, 0.22))
    rounded = ParameterSpace("conical", limits).waveguide(np.array([0.5, 0.5, 1.0]))
    assert rounded.meridian.ends.angle[1] == pytest.approx(np.pi / 2)  # at 90 degrees, beyond which no wall goes
    assert named(binding(rounded, limits)) == []


def held_back(limits):
    """A target whose hidden member is 100 mm deep, and its best within limits that end at 92 mm, near the end."""
    hidden = hidden_target(vector=(0.5, 0.5, 0.3), families=("conical",))
    return replace(hidden, limits=limits)


def lowest(target) -> tuple[float, np.ndarray]:
    """The best score of members as deep as the limits allow, and its vector, by scipy's simplex search."""

    def scored(rest):
        vector = quantised(np.array([1.0, *rest]))
        return evaluate(target, cheap, Job("conical", vector, "screen")).value

    found = minimize(scored, [0.5, 0.45], method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-5})
    return found.fun, np.clip([1.0, *found.x], 0.0, 1.0)


def test_gain_of_a_limit_that_keeps_the_hidden_shape_out_is_what_is_to_be_had():
    target, wider = (held_back(replace(LIMITS, depth=(0.06, deepest))) for deepest in (0.092, 0.097))
    within, vector = lowest(target)
    expected = within - lowest(wider)[0]
    start = ParameterSpace("conical", target.limits).waveguide(vector)
    asked = []

    def counting(each):
        asked.extend(each)
        return judge(cheap, each)

    (found,) = measured(target, "conical", start, counting, each=60)
    assert (found.limit, found.end, found.candidates) == ("depth_mm", "greatest", 60)
    assert (found.allowed, found.step) == (pytest.approx(92.0), pytest.approx(5.0))
    # Least squares end where a step gains less than 0.001 dB.
    assert expected - 0.005 < found.gain < 1.02 * expected
    for which in {id(each): each for each, _ in asked}.values():
        assert 3 < len([1 for each, _ in asked if each is which]) <= 60  # the start included


def test_relaxing_a_limit_beyond_which_nothing_is_to_be_had_gains_nothing():
    limits = replace(LIMITS, depth=(0.06, 0.1002))
    target = held_back(limits)  # the hidden member is within
    start = ParameterSpace("conical", limits).waveguide(np.array([0.995, 0.5, 0.42]))
    (found,) = measured(target, "conical", start, lambda each: judge(cheap, each), each=60)
    began = evaluate(
        target, cheap, Job("conical", quantised(ParameterSpace("conical", limits).vector(start)), "screen")
    )
    # Slopes over other widths, and an end within 0.001 dB: nothing else.
    assert abs(found.gain) < 0.3 * began.value


def test_start_that_cannot_be_solved_is_not_said_to_gain_nothing():
    limits = replace(LIMITS, depth=(0.06, 0.092))
    start = ParameterSpace("conical", limits).waveguide(np.array([1.0, 0.5, 0.3]))
    (found,) = measured(held_back(limits), "conical", start, lambda each: judge(refusing, each), each=30)
    assert found.gain is None


def test_cost_is_a_tenth_of_the_candidates_at_most():
    for asked in (200, 799, 800, 1200, 10_000):
        for limits in (1, 2, 5):
            assert share(asked, limits) * (limits + 1) <= asked / 10
    assert share(799, 1) == 0  # too few to say anything
    assert share(800, 1) == 40
    assert share(10_000, 1) == 60


def test_gains_in_words_and_as_a_table():
    gains = Binding("depth_mm", "greatest", 100.0, 100.0, 5.0, 0.03, 60)
    assert tables.lines([gains]) == ["Depth is at its greatest, 100 mm; 5 mm more gains 0.030 dB (0.0060 dB per mm)"]
    none = replace(gains, end="least", allowed=60.0, value=60.3, gain=0.0001)
    assert tables.lines([none]) == ["Depth is near its least, 60 (60.3 mm); 5 mm less gains nothing"]
    unmeasured = Binding("throat_angle_deg", "greatest", 60.0, 60.0, 5.0, None, 0)
    assert tables.lines([unmeasured]) == [
        "Throat angle is at its greatest, 60 degrees",
        "What relaxing would gain was not measured: that takes a search of 800 candidates or more, carried out",
    ]
    assert tables.lines([]) == ["No limit binds the winner: it keeps clear of all of them"]
    lines = tables.csv_text([gains, unmeasured], header=["what"]).splitlines()
    assert lines[0] == "# what"
    assert lines[-3] == "limit,end,allowed,value,relaxed_by,gain_db,gain_db_per_unit,candidates"
    assert lines[-2:] == ["depth_mm,greatest,100,100,5,0.0300,0.0060,60", "throat_angle_deg,greatest,60,60,5,,,0"]


def test_a_parameter_that_is_fixed_holds_nothing_back():
    limits = replace(LIMITS, depth=(0.08, 0.08))
    assert binding(ParameterSpace("conical", limits).waveguide(np.array([0.5, 0.3])), limits) == []
