"""The window about the direct sound: where it lies, what it passes, and what noise is left in it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.measurement.gate import Window, arrival_time, noise_power, spectra

RATE = 48000.0


def band_limited(time: float, *, count: int = 2048, turn: float = 0.0) -> np.ndarray:
    """An impulse at `time` s without content near the ends of the band, its phase turned by `turn` rad."""
    frequency = np.fft.rfftfreq(count, 1.0 / RATE)
    level = np.exp(-(((frequency - 8000.0) / 3000.0) ** 2))
    return np.fft.irfft(level * np.exp(-2j * np.pi * frequency * time + 1j * turn), count)


@settings(deadline=None, max_examples=40)
@given(st.floats(5e-3, 30e-3), st.floats(0.0, 2 * np.pi))
def test_arrival_lies_between_samples_whatever_the_polarity_and_phase(time, turn):
    found = arrival_time(band_limited(time, turn=turn), sample_rate=RATE)
    # The parabola through an envelope a few samples wide errs by less than a twentieth of one.
    assert found == pytest.approx(time, abs=0.05 / RATE)


def test_silence_has_no_arrival():
    with pytest.raises(ValueError, match="silent"):
        arrival_time(np.zeros(100), sample_rate=RATE)


def test_window_rises_holds_and_falls_to_nothing_at_its_end():
    window = Window(arrival=10e-3, length=6e-3, lead=1e-3, taper=2e-3)
    first, weights = window.weights(4096, sample_rate=RATE)
    time = (first + np.arange(weights.size)) / RATE

    def window_at(moment: float) -> float:
        return float(np.interp(moment, time, weights))

    assert time[0] >= 9e-3 - 1e-12
    assert time[-1] <= 16e-3 + 1e-12
    assert window_at(9e-3) < 0.01  # the first sample lies up to a sample inside, 2 % of the rise: sin^2 of 3.8 degrees
    assert window_at(16e-3) < 0.01
    np.testing.assert_allclose([window_at(9.5e-3), window_at(10e-3), window_at(13.9e-3)], 1.0)
    assert window_at(15e-3) == pytest.approx(0.5)  # half-way down a half-cosine


def test_what_comes_after_the_window_is_not_heard():
    window = Window(arrival=10e-3, length=6e-3, lead=1e-3, taper=2e-3)
    frequency = np.array([500.0, 4000.0, 9000.0])
    alone = band_limited(10e-3)[None]
    late = alone + 0.8 * band_limited(17.5e-3)[None]
    heard, with_ground = (spectra(each, frequency, window=window, sample_rate=RATE) for each in (alone, late))
    # The tail of the late impulse before the window's end: its envelope is 2e-9 of its peak there.
    np.testing.assert_allclose(with_ground, heard, rtol=0, atol=1e-6 * np.abs(heard).max())


@settings(deadline=None, max_examples=20)
@given(st.lists(st.floats(100.0, 20e3), min_size=1, max_size=5, unique=True))
def test_spectrum_equals_the_sum_of_its_definition(frequencies):
    samples = np.random.default_rng(4).normal(size=(2, 700))
    # It begins between two samples: the first one inside counts.
    window = Window(arrival=5e-3, length=4e-3, lead=1.01e-3, taper=1e-3)
    first, weights = window.weights(700, sample_rate=RATE)
    assert weights[0] > 0.0
    time = (first + np.arange(weights.size)) / RATE - 5e-3
    frequency = np.sort(frequencies)
    found = spectra(samples, frequency, window=window, sample_rate=RATE)
    for row, response in zip(samples, found, strict=True):
        part = row[first : first + weights.size] * weights
        expected = [np.sum(part * np.exp(-2j * np.pi * f * time)) for f in frequency]
        np.testing.assert_allclose(response, expected, rtol=1e-9, atol=1e-9)  # rounding of 200 terms


def test_an_impulse_at_the_arrival_has_phase_zero():
    window = Window(arrival=10e-3, length=6e-3, lead=1e-3, taper=2e-3)
    found = spectra(band_limited(10e-3)[None], np.array([6e3, 8e3, 10e3]), window=window, sample_rate=RATE)
    np.testing.assert_allclose(np.angle(found), 0.0, atol=1e-6)  # the window cuts 1e-7 of it


@pytest.mark.parametrize("place", ["before the arrival", "the end of the record"])
def test_noise_of_known_level_is_told(place):
    noisy = np.random.default_rng(2)
    arrival = 20e-3 if place == "before the arrival" else 0.5e-3
    window = Window(arrival=arrival, length=5e-3, lead=0.5e-3, taper=1e-3)
    samples = noisy.normal(scale=0.01, size=8192)
    start = round(arrival * RATE)
    samples[start : start + 100] += 1.0
    frequency = np.geomspace(2e3, 16e3, 24)
    found, where = noise_power(samples, frequency, window=window, sample_rate=RATE)
    assert where == place
    _, weights = window.weights(8192, sample_rate=RATE)
    expected = 0.01**2 * np.sum(weights**2)  # white noise through a window: variance times its energy
    assert found is not None
    # An octave about 2 kHz of the shorter stretch (936 samples) holds 28 values, half of them independent: 1.2 dB.
    np.testing.assert_allclose(10 * np.log10(found / expected), 0.0, atol=3.0)
    assert abs(np.mean(10 * np.log10(found / expected))) < 1.0  # some 200 values in all: 0.3 dB


def test_a_record_that_is_all_sound_has_no_noise_to_tell():
    window = Window(arrival=0.5e-3, length=8e-3, lead=0.5e-3, taper=1e-3)
    found, where = noise_power(np.ones(400), np.array([1e3]), window=window, sample_rate=RATE)
    assert found is None
    assert "nowhere" in where
