"""Decay in periods and the resonances in it: resonators in closed form, and responses that have none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, cheby1, ellip, sosfreqz

from biquads_shared import peaking
from evenflare.closed_forms import cap_pattern
from evenflare.dsp.biquad import response
from evenflare.measurement.decay import LEAST_QUALITY, Decay, decay, most_quality
from evenflare.measurement.gate import Window
from synthetic_rig import driver

RATE = 48000
ARRIVAL = 480.3 / RATE


def resonator(frequency: float, quality: float, share: float):
    """1 + a band pass: poles at -pi f / Q, so that it dies away as exp(-pi n / Q) over n periods."""

    def sounding(at: np.ndarray) -> np.ndarray:
        s = 1j * at / frequency
        return share * (s / quality) / (s * s + s / quality + 1.0)

    return sounding


def found_of(
    *parts, length: float = 8e-3, base=None, noise_db: float | None = -65.0, seed: int = 1, top: float = 24e3
) -> Decay:
    count = 4096
    at = np.fft.rfftfreq(count, 1.0 / RATE)
    heard = driver(at) * (1.0 if base is None else base(np.maximum(at, 1.0)))
    heard = heard * (1.0 + sum((part(at) for part in parts), np.zeros(at.size, dtype=complex)))
    samples = np.fft.irfft(heard * np.exp(-2j * np.pi * at * ARRIVAL), count)
    if noise_db is not None:
        scale = np.abs(samples).max() * 10.0 ** (0.05 * noise_db)
        samples = samples + np.random.default_rng(seed).normal(scale=scale, size=count)
    window = Window(ARRIVAL, length, 1e-3, 0.25 * length)
    found = decay(samples, window=window, heard_for=length, band=(0.0, top), sample_rate=RATE)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("frequency", "quality", "share"),
    [
        (9000, 30, 0.5),
        (9000, 30, 0.15),
        (9000, 30, 2.0),
        (9000, 30, -0.5),
        (5000, 14, 0.7),
        (3100, 30, 0.5),
        (6000, 90, 0.3),
    ],
)
@pytest.mark.parametrize("seed", [1, 2])
def test_a_resonance_is_told(frequency, quality, share, seed):
    found = found_of(resonator(frequency, quality, share), seed=seed)
    assert len(found.resonances) == 1
    told = found.resonances[0]
    assert told.frequency == pytest.approx(frequency, rel=0.01)
    assert told.quality == pytest.approx(quality, rel=0.15)
    # 1.5 dB: it is extrapolated to the arrival, of which the driver makes some 20 us.
    assert told.level == pytest.approx(20.0 * np.log10(abs(share)), abs=1.5)
    assert told.periods == pytest.approx(np.log(10.0) / np.pi * quality, rel=0.15)  # exp(-pi n / Q) = 1/10
    assert not told.at_least


def test_two_that_beat_are_told_apart():
    told = found_of(resonator(9000, 30, 0.5), resonator(9600, 40, 0.5)).resonances
    assert [each.frequency for each in told] == pytest.approx([9000, 9600], rel=0.01)
    assert [each.quality for each in told] == pytest.approx([30, 40], rel=0.15)


def test_the_gate_limits_what_can_be_seen():
    """At 3 kHz a gate of 5 ms leaves no six periods beside the burst; a Q above what it shows is told as at least."""
    short = found_of(resonator(3000, 30, 0.5), length=5e-3)
    assert short.frequency[0] > 3000
    assert short.resonances == ()
    high = found_of(resonator(7000, 600, 0.5), length=5e-3).resonances
    assert len(high) == 1
    assert high[0].at_least
    assert high[0].quality == pytest.approx(most_quality(29.0), rel=0.05)  # 7 kHz 5 ms, less 6 periods for the gate


def test_the_table_holds_the_closed_form():
    """Beside it the burst has died: what is left falls by 20 pi / ln 10 / Q dB a period."""
    found = found_of(resonator(9000, 30, 0.5), noise_db=None)
    row = found.level[int(np.argmin(np.abs(found.frequency - 9000)))]
    fall = -np.diff(row)[10:30]
    np.testing.assert_allclose(fall, 20.0 * np.pi / np.log(10.0) / 30.0, atol=0.1)  # a grid a sixth of a burst away


def _sos(sections):
    return lambda at: sosfreqz(sections, at, fs=RATE)[1]


def _cap(radius: float, half_angle: float):
    def base(at: np.ndarray) -> np.ndarray:
        k = 2.0 * np.pi * at * radius / 343.0
        return cap_pattern(k, [0.0], half_angle=half_angle)[:, 0] * np.exp(-1j * k)

    return base


def _echo(delay: float, share: float):
    return lambda at: 1.0 + share * np.exp(-2j * np.pi * at * delay)


def _equal(frequency: float, gain: float, quality: float):
    section = peaking(frequency, gain_db=gain, quality=quality, sample_rate=RATE)
    return lambda at: response([section], at, sample_rate=RATE)


CLEAN = {
    "smooth": None,
    "Butterworth of 8th order, high pass": _sos(butter(8, 900, "high", fs=RATE, output="sos")),
    "Butterworth of 12th order, low pass": _sos(butter(12, 8000, fs=RATE, output="sos")),
    "Linkwitz and Riley, 48 dB an octave": lambda at: _sos(butter(4, 2500, "high", fs=RATE, output="sos"))(at) ** 2,
    "Chebyshev of 8th order, low pass": _sos(cheby1(8, 0.5, 10000, fs=RATE, output="sos")),
    "elliptic of 8th order, before a converter": _sos(ellip(8, 0.1, 80, 18000, fs=RATE, output="sos")),
    "cap on a sphere": _cap(0.15, 0.5),
    "equaliser, Q 2, 12 dB": _equal(5000, 12.0, 2.0),
    "equaliser, Q 3, -9 dB": _equal(4000, -9.0, 3.0),
    "equaliser, Q 5, 6 dB": _equal(8000, 6.0, 5.0),
    "an echo after 0.3 ms": _echo(3e-4, 0.5),
    "an echo after 1 ms": _echo(1e-3, 0.3),
    "an echo after 2.2 ms": _echo(2.2e-3, 0.2),
}


@pytest.mark.parametrize("name", CLEAN)
def test_none_is_told_where_there_is_none(name):
    for length, noise_db, seed in [
        (4e-3, -70.0, 1),
        (8e-3, -50.0, 2),
        (8e-3, -35.0, 3),
        (25e-3, -35.0, 4),
        (8e-3, -60.0, 5),
    ]:
        found = found_of(base=CLEAN[name], length=length, noise_db=noise_db, seed=seed)
        assert found.resonances == (), (length, noise_db)


def test_noise_alone_tells_none():
    for seed in range(12):
        found = found_of(noise_db=-25.0, seed=seed)
        assert all(each.quality >= LEAST_QUALITY for each in found.resonances)
        assert found.resonances == ()


def test_a_gate_too_short_tells_nothing():
    window = Window(ARRIVAL, 1e-3, 5e-4, 2e-4)
    samples = np.eye(1, 4096, 480)[0]
    assert decay(samples, window=window, heard_for=1e-3, band=(0.0, 20e3), sample_rate=RATE) is None
