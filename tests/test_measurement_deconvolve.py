"""Recorded sweeps: the impulse response behind them, and the harmonics of distortion before it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from evenflare.measurement.deconvolve import deconvolver, sweep_rate
from evenflare.units import amplitude_db
from synthetic_rig import SyntheticRig, sweep

RATE = 48000
RIG = SyntheticRig(sample_rate=RATE)
LOWEST, HIGHEST = 100.0, 22e3


def response(count: int = 2048) -> np.ndarray:
    """An invented impulse response between 200 Hz and 18 kHz with an echo."""
    frequency = np.fft.rfftfreq(count, 1.0 / RATE)
    band = 1.0 / (1.0 + (200.0 / np.maximum(frequency, 1.0)) ** 4) / (1.0 + (frequency / 18e3) ** 8)
    return np.fft.irfft(
        band * (np.exp(-2j * np.pi * frequency * 5e-3) + 0.5 * np.exp(-2j * np.pi * frequency * 9.3e-3)), count
    )


def recorded(played: np.ndarray, heard: np.ndarray) -> np.ndarray:
    count = played.size + heard.size
    return np.fft.irfft(np.fft.rfft(played, count) * np.fft.rfft(heard, count), count)


@pytest.mark.parametrize("duration", [0.5, 1.0, 2.0])
def test_rate_of_an_exponential_sweep(duration):
    found = sweep_rate(sweep(RIG, duration=duration), sample_rate=RATE)
    # Farina (2000): the frequency rises by e in T / ln(w2 / w1). The fades bend its ends: within 1 %.
    assert found == pytest.approx(duration / np.log(HIGHEST / LOWEST), rel=0.01)


def test_noise_and_a_straight_sweep_have_no_rate():
    assert sweep_rate(np.random.default_rng(1).normal(size=RATE), sample_rate=RATE) is None
    time = np.arange(RATE) / RATE
    straight = np.sin(2 * np.pi * (100.0 * time + 0.5 * 20e3 * time**2))
    assert sweep_rate(straight, sample_rate=RATE) is None


def test_a_sweep_gives_the_response_back():
    played, heard = sweep(RIG), response()
    found = deconvolver(played, sample_rate=RATE)(recorded(played, heard)).samples
    frequency = np.fft.rfftfreq(2048, 1.0 / RATE)
    inside = (frequency > 300.0) & (frequency < 16e3)
    truth, got = np.fft.rfft(heard)[inside], np.fft.rfft(found[:2048])[inside]
    assert amplitude_db(np.abs(got - truth).max() / np.abs(truth).max()) < -60.0  # what the sweep's fades leave


def test_gain_and_delay_of_the_recorder_stay_in_the_response():
    played, heard = sweep(RIG), response()
    late = np.concatenate([np.zeros(480), 0.1 * recorded(played, heard)])
    found = deconvolver(played, sample_rate=RATE)(late).samples
    plain = deconvolver(played, sample_rate=RATE)(recorded(played, heard)).samples
    np.testing.assert_allclose(found[480 : 480 + 1500], 0.1 * plain[:1500], atol=1e-4 * np.abs(plain).max())


@pytest.mark.parametrize("share", [0.02, 0.1])
def test_a_square_law_shows_as_its_second_harmonic(share):
    played = sweep(RIG)
    divide = deconvolver(played, sample_rate=RATE)
    # What is left of s x^2 when its constant part is not radiated: s / 2 cos 2wt for a sine of amplitude 1.
    doubled = 0.5 * share * np.real(hilbert(played) ** 2)
    recording = recorded(played + doubled, np.eye(1, 512, 100)[0])
    found = divide(recording, orders=3)
    assert set(found.harmonics) == {2, 3}
    second, third = found.harmonics[2], found.harmonics[3]
    exciting = np.geomspace(500.0, 8e3, 12)
    level = amplitude_db(np.abs(_at(second, 2 * exciting)))
    np.testing.assert_allclose(level, amplitude_db(share / 2), atol=0.5)  # the ripple of the sweep's ends
    assert np.all(amplitude_db(np.abs(_at(third, 3 * exciting))) < amplitude_db(share / 2) - 30.0)


def _at(samples: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    return np.exp(-2j * np.pi * np.outer(frequency, np.arange(samples.size) / RATE)) @ samples


def test_the_linear_part_is_free_of_even_distortion():
    played, heard = sweep(RIG), response()
    divide = deconvolver(played, sample_rate=RATE)
    clean, dirty = (divide(recorded(played + s * played**2, heard)).samples[:2048] for s in (0.0, 0.1))
    # 10 % of square law would be -26 dB in a plain spectrum; the sweep moves it out of the way.
    assert amplitude_db(np.abs(dirty - clean).max() / np.abs(clean).max()) < -45.0


def test_noise_sweeps_divide_too():
    played = np.random.default_rng(3).normal(size=16384)
    found = deconvolver(played, sample_rate=RATE)(recorded(played, response()), orders=3)
    assert found.harmonics == {}  # no exponential sweep, no harmonics
    error = found.samples[:2048] - response()
    assert np.abs(error).max() < 0.02 * np.abs(response()).max()  # white noise has weak lines that are tamed
