"""Finite impulse responses: minimum phase by its closed form, length, latency, phase and what they do in time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from biquads_shared import high_shelf, peaking, second_order_sections
from evenflare.dsp import biquad, fir

RATE = 48000
PEAK = [
    peaking(1500.0, gain_db=8.0, sample_rate=RATE, quality=1.2),
    high_shelf(6000.0, gain_db=-5.0, sample_rate=RATE),
]
"""Minimum-phase in closed form, so that magnitude and phase are a Hilbert pair."""


def test_minimum_phase_is_the_hilbert_pair_of_a_closed_form_filter() -> None:
    frequency = np.linspace(0.0, 0.5 * RATE, 4097)
    wanted = biquad.response(PEAK, frequency, sample_rate=RATE)
    found = fir.minimum_phase(np.abs(wanted))
    # The cepstrum of poles at radius r aliases as r^8192: below rounding for these.
    np.testing.assert_allclose(found, wanted, atol=1e-9)


def test_minimum_phase_takes_the_turn_out_of_an_all_pass() -> None:
    frequency = np.linspace(0.0, 0.5 * RATE, 4097)
    turned = biquad.response([*PEAK, biquad.all_pass(2000.0, sample_rate=RATE)], frequency, sample_rate=RATE)
    found = fir.minimum_phase(np.abs(turned))
    np.testing.assert_allclose(found, biquad.response(PEAK, frequency, sample_rate=RATE), atol=1e-9)
    with pytest.raises(ValueError, match="above 0 everywhere"):
        fir.minimum_phase(np.array([1.0, 0.0, 1.0]))


def made(phase: fir.Phase, length: float, share: float) -> tuple[fir.Fir, np.ndarray, np.ndarray]:
    taps = fir.taps_of(length, sample_rate=RATE)
    steps = fir.transform_frequencies(taps, sample_rate=RATE)
    level = 20 * np.log10(np.abs(biquad.response(PEAK, steps, sample_rate=RATE)))
    curve = fir.corrective(level, phase=phase, excess=np.zeros(steps.size))
    return fir.designed(curve, taps=taps, latency=round(share * (taps - 1)), sample_rate=RATE), steps, curve


def test_linear_phase_is_symmetric_and_has_the_magnitude_asked_for() -> None:
    own, steps, curve = made("linear", 0.02, 0.5)
    assert own.taps.size == 961  # 0.02 * 48000, odd
    assert own.latency == 480
    np.testing.assert_allclose(own.taps, own.taps[::-1], atol=1e-15)
    at = steps[::50]
    back = own.response(at) * np.exp(2j * np.pi * at * own.latency / RATE)
    np.testing.assert_allclose(back, curve[::50], atol=1e-4)  # what the window takes from 10 ms on
    np.testing.assert_allclose(own.group_delay(at), 0.01, atol=1e-12)


def test_mixed_phase_without_latency_is_the_filter_itself() -> None:
    own, *_ = made("mixed", 0.02, 0.0)
    pulse = np.zeros(own.taps.size)
    pulse[0] = 1.0
    wanted = signal.sosfilt(second_order_sections(PEAK), pulse)
    np.testing.assert_allclose(own.taps, wanted, atol=1e-6)  # it has decayed by 120 dB where the window begins
    assert fir.ringing(own).duration == 0.0
    assert own.group_delay(np.array([1000.0]))[0] == pytest.approx(
        biquad.group_delay(PEAK, [1000.0], sample_rate=RATE)[0], abs=1e-7
    )


def test_mixed_phase_takes_a_turn_of_the_axis_out() -> None:
    taps, latency = 1921, 960
    steps = fir.transform_frequencies(taps, sample_rate=RATE)
    turn = biquad.all_pass(800.0, sample_rate=RATE)
    turned = biquad.response([turn], steps, sample_rate=RATE)
    curve = fir.corrective(np.zeros(steps.size), phase="mixed", excess=np.unwrap(np.angle(turned)))
    own = fir.designed(curve, taps=taps, latency=latency, sample_rate=RATE)
    heard = signal.sosfilt(second_order_sections([turn]), np.concatenate([own.taps, np.zeros(500)]))
    wanted = np.zeros(heard.size)
    wanted[latency] = 1.0
    np.testing.assert_allclose(heard, wanted, atol=1e-4)  # the all-pass backwards, cut at 20 ms
    assert fir.ringing(own).duration > 1e-3  # it pays with what comes before


def test_ringing_is_what_lies_before_the_flank_of_the_peak() -> None:
    found = fir.ringing(fir.Fir(np.array([0.0, 0.01, 0.0, 0.5, 1.0, 0.7]), RATE, 4))
    assert found.level == pytest.approx(-40.0)
    assert found.duration == pytest.approx(3 / RATE)
    assert fir.ringing(fir.Fir(np.array([1.0, 0.5]), RATE, 0)) == fir.Ringing(-np.inf, 0.0)


def test_excess_phase_is_a_delay_and_the_turn_of_an_all_pass() -> None:
    frequency = np.geomspace(300.0, 20000.0, 200)
    minimum = biquad.response(PEAK, frequency, sample_rate=RATE)
    for delay in (0.0, 1.23e-3):
        late = minimum * np.exp(-2j * np.pi * frequency * delay)
        excess, found = fir.excess_phase(frequency, late, minimum, bridged=np.zeros(200))
        assert found == pytest.approx(delay, abs=1e-9)
        np.testing.assert_allclose(excess, 0.0, atol=1e-6)


def test_latency_outside_the_taps_is_refused() -> None:
    with pytest.raises(ValueError, match="latency of 5 samples: must be 0 to 4"):
        fir.designed(np.ones(33, dtype=complex), taps=5, latency=5, sample_rate=RATE)
