"""Second-order sections: the cookbook's coefficients, response, delay, stability and minimum phase."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from biquads_shared import high_shelf, is_minimum_phase, is_stable, peaking, second_order_sections
from evenflare.dsp import biquad
from evenflare.dsp.biquad import Biquad, cookbook

RATE = 48000.0
KINDS = ("low_pass", "high_pass", "all_pass", "peaking", "low_shelf", "high_shelf")
AT = np.geomspace(20.0, 23000.0, 60)


def analogue(kind: str, quality: float, gain_db: float) -> tuple[list[float], list[float]]:
    """H(s) of the note, for a corner of 1 rad/s. Source: W3C Note "Audio EQ Cookbook" (2021), prototypes."""
    a = 10.0 ** (gain_db / 40.0)
    root = np.sqrt(a) / quality
    return {
        "low_pass": ([0, 0, 1], [1, 1 / quality, 1]),
        "high_pass": ([1, 0, 0], [1, 1 / quality, 1]),
        "all_pass": ([1, -1 / quality, 1], [1, 1 / quality, 1]),
        "peaking": ([1, a / quality, 1], [1, 1 / (a * quality), 1]),
        "low_shelf": ([a, a * root, a * a], [a, root, 1]),
        "high_shelf": ([a * a, a * root, a], [1, root, a]),
    }[kind]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("frequency", "quality", "gain"), [(1000, 0.7, 6.0), (90, 3.0, -9.0), (15000, 0.5, 3.0)])
def test_coefficients_are_the_prototype_after_a_bilinear_transform(kind, frequency, quality, gain) -> None:
    # An independent route: scipy's bilinear transform, with the corner mapped to 1 rad/s.
    warp = np.tan(np.pi * frequency / RATE)
    wanted = signal.bilinear(*analogue(kind, quality, gain), fs=0.5 / warp)
    found = cookbook(kind, frequency, sample_rate=RATE, quality=quality, gain_db=gain)
    for mine, other in zip(found, wanted, strict=True):
        np.testing.assert_allclose(mine, other / wanted[1][0], atol=1e-10)  # rounding


def test_a_note_of_the_formulas_by_hand() -> None:
    # 12 kHz at 48 kHz: w0 = pi/2, cos 0, sin 1; Q = 1/2: alpha = 1. Low-pass: b = (1, 2, 1) / 2, a0 = 2, a1 = a2 = 0.
    made = biquad.low_pass(12000.0, sample_rate=RATE, quality=0.5)
    np.testing.assert_allclose(made.b, [0.25, 0.5, 0.25], atol=1e-15)
    np.testing.assert_allclose(made.a, [1.0, 0.0, 0.0], atol=1e-15)
    # Peaking, +12.0412 dB (A = 2): b = (1 + 2, 0, 1 - 2) / 1.5, a2 = (1 - 1/2) / (1 + 1/2).
    made = peaking(12000.0, gain_db=40 * np.log10(2.0), sample_rate=RATE, quality=0.5)
    np.testing.assert_allclose(made.b, [2.0, 0.0, -2.0 / 3.0], atol=1e-15)
    np.testing.assert_allclose(made.a, [1.0, 0.0, 1.0 / 3.0], atol=1e-15)


@pytest.mark.parametrize(("make", "name"), [(biquad.low_pass, "low"), (biquad.high_pass, "high")])
def test_low_and_high_pass_are_scipys_butterworth(make, name) -> None:
    b, a = signal.butter(2, 3000.0, name, fs=RATE)
    made = make(3000.0, sample_rate=RATE)
    np.testing.assert_allclose(made.b, b, atol=1e-12)  # rounding
    np.testing.assert_allclose(made.a, a, atol=1e-12)


@pytest.mark.parametrize(
    ("make", "low", "middle", "high"),
    [
        (biquad.low_shelf, 6.0, 3.0, 0.0),
        (high_shelf, 0.0, 3.0, 6.0),
    ],
)
def test_shelf_has_half_its_gain_in_decibels_at_its_middle(make, low, middle, high) -> None:
    made = make(2000.0, gain_db=6.0, sample_rate=RATE)
    level = 20 * np.log10(np.abs(biquad.response([made], [1e-3, 2000.0, 24000.0], sample_rate=RATE)))
    np.testing.assert_allclose(level, [low, middle, high], atol=1e-6)  # of a double zero at the ends: rounding


def test_response_and_group_delay_are_scipys() -> None:
    sections = [
        biquad.high_pass(300.0, sample_rate=RATE),
        peaking(2500.0, gain_db=-7.0, sample_rate=RATE, quality=4.0),
        high_shelf(9000.0, gain_db=4.0, sample_rate=RATE),
    ]
    rows = second_order_sections(sections)
    wanted = signal.sosfreqz(rows, AT, fs=RATE)[1]
    np.testing.assert_allclose(biquad.response(sections, AT, sample_rate=RATE), wanted, atol=1e-9)
    delay = sum(signal.group_delay((row[:3], row[3:]), AT, fs=RATE)[1] for row in rows) / RATE
    # scipy's gcd of polynomials loses some digits near the double zero of the high-pass.
    np.testing.assert_allclose(biquad.group_delay(sections, AT, sample_rate=RATE), delay, atol=1e-8)


def test_sections_convolve_with_the_stated_sign() -> None:
    made = peaking(5000.0, gain_db=9.0, sample_rate=RATE, quality=1.0)
    x = np.random.default_rng(1).standard_normal(40)
    y = np.zeros(42)
    for n in range(40):  # the difference equation of the module, as written there
        taken = [x[n - k] if n >= k else 0.0 for k in range(3)]
        y[n] = made.b @ taken - sum(made.a[k] * (y[n - k] if n >= k else 0.0) for k in (1, 2))
    np.testing.assert_allclose(y[:40], signal.sosfilt(second_order_sections([made]), x), atol=1e-12)


@settings(deadline=None, max_examples=60)
@given(
    kind=st.sampled_from(KINDS),
    share=st.floats(1e-3, 0.49),
    quality=st.floats(0.2, 20.0),
    gain=st.floats(-30.0, 30.0),
)
def test_all_but_the_all_pass_are_stable_and_minimum_phase(kind, share, quality, gain) -> None:
    made = Biquad(*cookbook(kind, share * RATE, sample_rate=RATE, quality=quality, gain_db=gain))
    assert is_stable(made)
    assert is_minimum_phase(made) == (kind != "all_pass")


def test_a_zero_outside_or_a_delay_is_not_minimum_phase() -> None:
    assert not is_minimum_phase(Biquad(np.array([1.0, -2.1, 1.0]), np.array([1.0, 0.0, 0.0])))  # zeros 1.37 and 0.73
    assert not is_minimum_phase(Biquad(np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])))
    assert not is_stable(Biquad(np.array([1.0, 0.0, 0.0]), np.array([1.0, 0.0, 1.0])))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"frequency": 24000.0}, "below half the sample rate"),
        ({"frequency": 0.0}, "must be above 0"),
        ({"frequency": 100.0, "quality": 0.0}, "quality = 0"),
    ],
)
def test_what_a_rate_cannot_hold_is_refused(arguments, words) -> None:
    with pytest.raises(ValueError, match=words):
        cookbook("peaking", sample_rate=RATE, **arguments)


def test_coefficients_that_are_not_normalised_are_refused() -> None:
    with pytest.raises(ValueError, match=r"a\[0\] = 2: must be 1"):
        Biquad(np.ones(3), np.array([2.0, 0.0, 0.0]))
    with pytest.raises(ValueError, match="three finite coefficients"):
        Biquad(np.ones(2), np.array([1.0, 0.0, 0.0]))
