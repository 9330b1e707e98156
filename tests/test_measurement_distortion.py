"""Harmonics over frequency from an exponential sweep: against a polynomial in closed form, and their floor."""

from __future__ import annotations

import json
import re
from functools import cache

import numpy as np
import pytest
import soundfile
from numpy.polynomial import chebyshev
from scipy.signal import butter, sosfilt, sosfreqz

from commandline import said
from evenflare.measurement.deconvolve import deconvolver
from evenflare.measurement.distortion import Distortion, distortion
from evenflare.measurement.gate import Window
from evenflare.units import amplitude_db, power_db
from field_rigs import RIG, exponential
from synthetic_rig import driver, write_session_files
from wavs import write_wav

RATE = 48000
BAND = (20.0, 20e3)
WINDOW = Window(480 / RATE, 8e-3, 1e-3, 2e-3)
AMOUNTS = 10.0 ** (0.05 * np.array([-400.0, 0.0, -40.0, -50.0, -60.0, -70.0]))
"""Of each harmonic: T_n(cos x) = cos n x (Abramowitz & Stegun 1964, 22.3.15), so that these are its levels."""
HIGH_PASS = butter(2, 60.0, "high", fs=RATE, output="sos")


@cache
def played() -> np.ndarray:
    return exponential(2.0, *BAND, rise=0.05, fall=0.01)


@cache
def divide():
    return deconvolver(played(), sample_rate=RATE)


def recorded(amounts: np.ndarray, *, noise: float = 0.0, hum: float = 0.0, seed: int = 1) -> np.ndarray:
    """A sweep through the polynomial, then a high pass: no steady pressure is heard; hum of 50 Hz, odd harmonics."""
    sent = chebyshev.chebval(played(), amounts) - chebyshev.chebval(0.0, amounts)
    found = np.concatenate([np.zeros(480), sosfilt(HIGH_PASS, sent), np.zeros(RATE // 5)])
    time = np.arange(found.size) / RATE
    found += hum * sum(np.sin(2 * np.pi * 50 * n * time + n) / n for n in (1, 3, 5, 7))
    return found + noise * np.random.default_rng(seed).normal(size=found.size)


def told(recording: np.ndarray) -> Distortion:
    swept = divide()(recording, orders=5)
    found = distortion(swept, window=WINDOW, band=BAND, duration=recording.size / RATE, sample_rate=RATE)
    assert found is not None
    return found


def gain(frequency: np.ndarray) -> np.ndarray:
    return amplitude_db(sosfreqz(HIGH_PASS, frequency, fs=RATE)[1])


@pytest.mark.parametrize(("noise", "hum"), [(0.0, 0.0), (3e-5, 0.0), (3e-5, 0.01)])
def test_harmonics_of_a_polynomial(noise, hum):
    found = told(recorded(AMOUNTS, noise=noise, hum=hum))
    assert found.orders == (2, 3, 4, 5)
    for row, order in enumerate(found.orders):
        known = np.isfinite(found.level[row])
        assert known.mean() > 0.5
        at = found.frequency[known]
        wanted = amplitude_db(AMOUNTS[order]) + gain(order * at) - gain(at)
        # 0.3 dB where it stands 30 dB above its floor: noise that far below moves a level by that at most.
        clear = found.level[row][known] > found.floor[row][known] + 30.0
        error = np.abs(found.level[row][known] - wanted)
        assert np.all(error[clear] < 0.3)
        assert order > 3 or np.any(clear)
        assert np.median(error) < 0.3


def test_nothing_is_told_of_noise_and_hum():
    """No distortion: of 700 levels none stands 10 dB above the mean of noise (exponential law: 0.03 expected)."""
    clean = np.array([0.0, 1.0])
    for seed in range(4):
        found = told(recorded(clean, noise=1e-3, hum=0.02, seed=seed))
        assert np.count_nonzero(np.isfinite(found.level)) <= 1


def test_the_floor_is_that_of_noise_and_hum():
    """What noise and hum alone give in a harmonic's place, mean over recordings, against the floor that was told."""
    clean = np.array([0.0, 1.0])
    floors, truth = [], []
    swept = divide()(recorded(clean), orders=5)
    for seed in range(8):
        found = told(recorded(clean, noise=1e-3, hum=0.02, seed=seed))
        floors.append(found.floor)
        alone = recorded(clean * 0.0, noise=1e-3, hum=0.02, seed=50 + seed)
        quiet = divide()(alone, orders=5)
        rows = []
        for order in found.orders:
            early = swept.rate * np.log(order)
            first = round((WINDOW.arrival - WINDOW.lead - early) * RATE)
            _, weights = WINDOW.weights(quiet.circular.size, sample_rate=RATE)
            part = np.take(quiet.circular, first + np.arange(weights.size), mode="wrap") * weights
            turn = np.exp(-2j * np.pi * np.outer(order * found.frequency, np.arange(weights.size) / RATE))
            rows.append(np.abs(turn @ part) ** 2)
        truth.append(rows)
    own = power_db(np.mean(truth, axis=0)) - gain(found.frequency)
    apart = np.mean(floors, axis=0) - own
    for row in apart:
        # 1.5 dB: eight recordings of an exponential law scatter by 1.5 dB at each of fifty frequencies.
        assert abs(np.nanmedian(row)) < 1.5


def test_the_microphone_is_taken_out_of_both():
    """A microphone that falls by 6 dB an octave makes a second harmonic 6 dB too low, unless it is known."""
    swept = divide()(recorded(AMOUNTS), orders=5)
    keys = {"window": WINDOW, "band": BAND, "duration": 2.2, "sample_rate": RATE}
    plain, known = (distortion(swept, **keys, **more) for more in ({}, {"factor": lambda f: f / 1000.0 + 0j}))
    assert plain is not None
    assert known is not None
    np.testing.assert_allclose(known.level[0] - plain.level[0], amplitude_db(2.0), atol=1e-9)


def test_a_window_longer_than_harmonics_lie_apart_leaves_them_out():
    swept = divide()(recorded(AMOUNTS), orders=5)
    long = Window(480 / RATE, 70e-3, 1e-3, 10e-3)
    found = distortion(swept, window=long, band=BAND, duration=2.2, sample_rate=RATE)
    assert found is not None
    assert found.orders == (2, 3, 4)  # rate ln(5 / 4) = 65 ms, ln(4 / 3) gives 83 ms


def test_measure_writes_tables_and_tells_what_stands_out(tmp_path, capsys):
    """A resonance of Q 30 at 9 kHz and 1 % of square law: half of it is the second harmonic, -46 dB."""

    def ringing(at, azimuth, off_axis):
        s = 1j * at / 9000.0
        return driver(at) * (1.0 + 0.5 * (s / 30.0) / (s * s + s / 30.0 + 1.0))

    swept = exponential(1.0, 100.0, 20e3, rise=0.02, fall=0.01)
    place = {"off_axis_deg": (0, 45, 90), "azimuth_deg": (0.0,), "symmetry": "round"}
    path = write_session_files(tmp_path / "rig", ringing, rig=RIG, kind="sweep", swept=swept, squared=0.01, **place)
    for file in (tmp_path / "rig").glob("turn*.wav"):  # a recorder runs on
        samples, rate = soundfile.read(file)
        write_wav(file, np.concatenate([samples, np.zeros(9600)]), rate)
    out = tmp_path / "out"
    code, told_by, _ = said(capsys, f"measure {path} --out {out} --quiet")
    assert code == 0
    assert "Distortion, the greatest above its floor (distortion.csv): harmonic 2 -4" in told_by
    (line,) = [each for each in told_by.splitlines() if each.startswith("Resonances")]
    told = re.search(r"(\d+) Hz, Q (\d+), -\d+ dB, (\d+) periods to fall 20 dB", line)
    assert int(told[1]) == pytest.approx(9000, rel=0.01)
    assert int(told[2]) == pytest.approx(30, rel=0.15)
    rows = [each for each in (out / "distortion.csv").read_text().splitlines() if not each.startswith("#")]
    assert rows[0] == "frequency_hz," + ",".join(f"harmonic_{n}_db,floor_{n}_db" for n in (2, 3, 4, 5))
    record = json.loads((out / "session.json").read_text())
    assert record["decay"]["found"][0]["quality"] == pytest.approx(30, rel=0.15)
    assert set(record["distortion"]) == {f"harmonic_{n}" for n in (2, 3, 4, 5)}
    for name in ("distortion.png", "decay.png", "decay.csv", "resonances.csv"):
        assert (out / name).stat().st_size > 100
