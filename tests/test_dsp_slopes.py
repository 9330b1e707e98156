"""Slopes of a crossover against what is known of them in closed form, and against scipy's Butterworth filters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from biquads_shared import is_minimum_phase
from evenflare.dsp import biquad, crossover, linear, slopes
from evenflare.dsp.crossover import Crossing, Crossover, Setting, natural, needed_band, responses
from evenflare.dsp.slopes import ORDERS, Slope
from evenflare.units import amplitude_db

FREQUENCY = np.geomspace(20.0, 20e3, 121)
EXACT = 1e-9
"""Rounding of products of up to a dozen sections."""


def joined(slope: Slope, corner: float, rate: float | None) -> np.ndarray:
    low, high = (
        slopes.response(slope, side, FREQUENCY, corner=corner, sample_rate=rate) for side in ("low_pass", "high_pass")
    )
    return low + (-1.0 if slope.turned else 1.0) * high


def crossed(*crossings: tuple[Slope, float]) -> Crossover:
    """Ways with these crossings from the highest down, in the polarity natural to them."""
    turned = natural([slope for slope, _ in crossings])
    return Crossover(
        tuple(Crossing(slope, corner) for slope, corner in crossings),
        tuple(Setting(inverted=each) for each in turned),
    )


@pytest.mark.parametrize("rate", [None, 44100.0, 96000.0])
@pytest.mark.parametrize("order", ORDERS["linkwitz_riley"])
def test_linkwitz_riley_sum_is_all_pass(order, rate):
    # S. H. Linkwitz, J. Audio Eng. Soc. 24 (1976): the sum has magnitude 1, order 4k + 2 with one way inverted.
    slope = Slope("linkwitz_riley", order)
    total = joined(slope, 1500.0, rate)
    assert np.abs(amplitude_db(total)).max() < EXACT
    whole = slopes.all_pass_response(slope, FREQUENCY, corner=1500.0, sample_rate=rate)
    assert np.abs(total - whole).max() < EXACT


@pytest.mark.parametrize(
    ("frequency", "low", "high", "phase"),
    [
        (100.0, -0.000169385, -94.1988, -10.7850),
        (750.0, -0.521663, -24.6880, -86.3977),
        (3000.0, -24.9281, -0.507018, 85.7037),
        (10000.0, -71.3289, -0.00235736, 20.9142),
    ],
)
def test_linkwitz_riley_of_fourth_order_at_48_khz(frequency, low, high, phase):
    # Worked out from the cookbook's coefficients (W3C note, 2021) with 30 digits; six are kept.
    at, slope = np.array([frequency]), Slope("linkwitz_riley", 4)
    sides = [
        slopes.response(slope, side, at, corner=1500.0, sample_rate=48000.0)[0] for side in ("low_pass", "high_pass")
    ]
    assert amplitude_db(sides[0]) == pytest.approx(low, rel=1e-5)
    assert amplitude_db(sides[1]) == pytest.approx(high, rel=1e-5)
    assert np.degrees(np.angle(sum(sides))) == pytest.approx(phase, rel=1e-5)


@pytest.mark.parametrize("side", ["low_pass", "high_pass"])
@pytest.mark.parametrize("order", ORDERS["butterworth"])
def test_butterworth_sections_are_those_of_scipy(order, side):
    own = slopes.sections(Slope("butterworth", order), side, 1500.0, sample_rate=48000.0)
    theirs = signal.butter(order, 1500.0, btype=side.replace("_pass", ""), fs=48000.0, output="sos")
    found = biquad.response(own, FREQUENCY, sample_rate=48000.0)
    _, wanted = signal.sosfreqz(theirs, FREQUENCY, fs=48000.0)
    assert np.abs(found - wanted).max() < 1e-8  # theirs is rounded more where both are far below 0 dB


@pytest.mark.parametrize("kind", ["linkwitz_riley", "butterworth"])
@pytest.mark.parametrize("side", ["low_pass", "high_pass"])
def test_curve_is_that_of_the_sections_at_every_order(kind, side):
    for order in ORDERS[kind]:
        slope = Slope(kind, order)
        sections = slopes.sections(slope, side, 900.0, sample_rate=44100.0)
        curve = slopes.response(slope, side, FREQUENCY, corner=900.0, sample_rate=44100.0)
        assert np.abs(curve - biquad.response(sections, FREQUENCY, sample_rate=44100.0)).max() < EXACT
        assert all(map(is_minimum_phase, sections))


@pytest.mark.parametrize("order", [1, 3, 5, 7])
def test_butterworth_sum_of_odd_order_is_all_pass(order):
    # Low and high are in quadrature and each 3 dB down: |L|^2 + |H|^2 = 1.
    assert np.abs(amplitude_db(joined(Slope("butterworth", order), 1500.0, None))).max() < EXACT


@pytest.mark.parametrize("order", [2, 4, 6, 8])
def test_butterworth_sum_of_even_order_is_3_db_up_at_the_corner(order):
    slope, at = Slope("butterworth", order), np.array([1500.0])
    low, high = (slopes.response(slope, side, at, corner=1500.0)[0] for side in ("low_pass", "high_pass"))
    assert amplitude_db(low + (-1 if slope.turned else 1) * high) == pytest.approx(10 * np.log10(2.0), abs=EXACT)


@pytest.mark.parametrize("order", ORDERS["linear_phase"])
def test_linear_phase_slopes_add_up_to_1(order):
    assert np.abs(joined(Slope("linear_phase", order), 700.0, None) - 1.0).max() < EXACT


@pytest.mark.parametrize("rate", [44100, 96000])
def test_linear_phase_responses_add_up_to_one_sample(rate):
    made = crossed((Slope("linear_phase", 8), 2000.0), (Slope("linear_phase", 4), 400.0))
    taps = [linear.taps(made, way, length=0.02, sample_rate=rate) for way in range(3)]
    total = np.sum([each.taps for each in taps], axis=0)
    unit = np.zeros(total.size)
    unit[taps[0].latency] = 1.0
    # The low way does not pass the upper slope: there the sum lacks 1 / (1 + 5^8), 3e-6, of the high-pass's other side.
    assert np.abs(total - unit).max() < 1e-9
    off = amplitude_db(linear.departure(made, taps, np.geomspace(200, 8000, 40)))
    assert np.abs(off[1]).max() < 0.2  # 8 periods of 400 Hz, windowed


@settings(deadline=None, max_examples=40)
@given(
    orders=st.lists(st.sampled_from(ORDERS["linkwitz_riley"]), min_size=1, max_size=3),
    first=st.floats(1500.0, 4000.0),
    ratio=st.floats(1.5, 4.0),
)
def test_ways_of_linkwitz_riley_slopes_add_up_to_an_all_pass(orders, first, ratio):
    corners = [first / ratio**place for place in range(len(orders))]
    made = crossed(*((Slope("linkwitz_riley", order), corner) for order, corner in zip(orders, corners, strict=True)))
    total = responses(made, FREQUENCY, sample_rate=48000.0).sum(axis=0)
    assert np.abs(amplitude_db(total)).max() < EXACT


def test_sections_of_a_way_are_its_curve():
    made = crossed(
        (Slope("linkwitz_riley", 4), 2500.0), (Slope("butterworth", 3), 600.0), (Slope("linkwitz_riley", 2), 150.0)
    )
    curves = responses(made, FREQUENCY, sample_rate=48000.0) / crossover.gains(made, FREQUENCY)
    for way, curve in enumerate(curves):
        own = biquad.response(crossover.sections(made, way, sample_rate=48000.0), FREQUENCY, sample_rate=48000.0)
        assert np.abs(own - curve).max() < EXACT


def test_delay_gain_and_polarity():
    slope = Slope("linkwitz_riley", 4)
    made = Crossover((Crossing(slope, 1000.0),), (Setting(), Setting(delay=1e-4, gain=-6.0, inverted=True)))
    found = crossover.gains(made, np.array([2500.0]))[:, 0]
    assert found[0] == 1.0
    # A quarter of a period late, half a turn over: +90 degrees.
    assert found[1] == pytest.approx(10 ** (-6 / 20) * 1j, abs=1e-12)


def test_band_that_a_way_needs_goes_to_where_it_is_20_db_down():
    # |L| = 1 / (1 + x^4) = 0.1 at x = 9^(1/4) = 1.7321; the grid is 0.2 % fine.
    crossing = Crossing(Slope("linkwitz_riley", 4), 1000.0)
    assert needed_band(crossing, None) == (0.0, pytest.approx(1732.1, rel=2e-3))
    assert needed_band(None, crossing) == (pytest.approx(577.35, rel=2e-3), np.inf)


@pytest.mark.parametrize(("kind", "order"), [("linkwitz_riley", 3), ("butterworth", 9), ("linear_phase", 1)])
def test_order_that_a_kind_cannot_have_is_refused(kind, order):
    with pytest.raises(ValueError, match=f"order = {order}: must be one of"):
        Slope(kind, order)


def test_crossings_must_fall():
    slope = Slope("linkwitz_riley", 4)
    with pytest.raises(ValueError, match="must fall"):
        Crossover((Crossing(slope, 500.0), Crossing(slope, 600.0)), (Setting(), Setting(), Setting()))
