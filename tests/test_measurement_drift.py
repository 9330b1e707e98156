"""A session over which level and air drift, against the same cap in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from budget_rigs import smooth_cap
from evenflare.air import air_at
from evenflare.closed_forms import cap_index
from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from evenflare.metrics import directivity_index
from evenflare.units import DEGREE
from synthetic_rig import SyntheticRig, impulse, write_session_files
from wavs import write_wav

RADIUS, HALF_ANGLE = 0.1, 0.6
ANGLES = range(0, 181, 10)
RIG = SyntheticRig(samples=2048, noise_db=-70.0)
SPEED = air_at(RIG.temperature, RIG.humidity).speed_of_sound
ANALYSIS = {"from_hz": 500.0, "to_hz": 6000.0, "per_octave": 4}


def drifting(folder, *, repeats=2, level_db=0.0, kelvin=0.0, order="runs", wrong=None):
    """Half an orbit read again and again; the axis comes first in each run, so that a drift is not averaged out."""
    noisy = np.random.default_rng(5)
    cap = smooth_cap(RADIUS, HALF_ANGLE, SPEED, RIG.sample_rate, RIG.samples)
    tables = {"analysis": ANALYSIS, "rig": {"mounting": "sphere"}}
    if order:
        tables["files"] = {"order": order}
    path = write_session_files(
        folder, cap, rig=RIG, off_axis_deg=[0], azimuth_deg=(0.0,), symmetry="round", repeats=repeats, tables=tables
    )
    places = [(angle, repeat) for repeat in range(1, repeats + 1) for angle in ANGLES]
    if order == "directions":
        places.sort()
    for index, (angle, repeat) in enumerate(places):
        along = index / (len(places) - 1) - 0.5
        rig = replace(RIG, temperature=RIG.temperature + kelvin * along)
        samples = impulse(cap, rig, azimuth=0.0, off_axis=angle * DEGREE, noisy=noisy) * 10.0 ** (level_db * along / 20)
        if (angle, repeat) == wrong:
            samples = 0.5 * samples
        write_wav(folder / f"turn_{angle:+g}_{repeat}.wav", samples, RIG.sample_rate)
    found = assemble(read_session(path))
    frequency = found.directivity.observation.frequency
    truth = cap_index(2.0 * np.pi * frequency * RADIUS / SPEED, half_angle=HALF_ANGLE)
    return found, directivity_index(found.directivity) - truth


@pytest.mark.parametrize("order", ["runs", "directions"])
def test_drift_of_level_and_air_is_seen_told_and_taken_out(tmp_path, order):
    found, error = drifting(tmp_path, level_db=-1.0, kelvin=3.0, order=order)
    drift = found.findings["drift"]
    assert drift["level_corrected"]
    assert drift["level_db"] == pytest.approx(-1.0, abs=4 * drift["level_error_db"])
    assert drift["travel_time_corrected"]
    # 3 K, told from the travel time; a fifth of a kelvin is a microsecond and a half, well above what noise leaves.
    assert drift["temperature_k"] == pytest.approx(3.0, abs=0.6)
    assert any("drifted the level by -1." in each and "taken out" in each for each in found.findings["warnings"])
    quiet, still = drifting(tmp_path / "still", order=order)
    # What is left of 1 dB: a few hundredths, where it would be two to three tenths.
    np.testing.assert_allclose(error, still, atol=0.06)
    assert np.all(np.abs(error) <= found.budgets["index"].expanded() + 0.05)  # 0.05 dB: zones of ten degrees
    assert quiet.findings["drift"]["level_corrected"] is False


def test_drift_without_a_stated_order_is_told_kept_in_the_budget_and_left(tmp_path):
    found, _ = drifting(tmp_path, level_db=-1.0, order=None)
    assert found.findings["drift"]["level_corrected"] is False
    assert any("[files] order" in each and "State it" in each for each in found.findings["warnings"])
    part = next(each for each in found.budgets["index"].parts if each.name == "drift")
    steady, _ = drifting(tmp_path / "steady", order=None)
    other = next(each for each in steady.budgets["index"].parts if each.name == "drift")
    assert np.all(part.size > 5.0 * other.size)  # half a decibel between repeats against what noise alone leaves


def test_what_is_stated_of_the_microphone_is_in_the_budget_of_the_level(tmp_path):
    found, _ = drifting(tmp_path, order=None)
    part = next(each for each in found.budgets["on_axis_level"].parts if each.name == "microphone")
    assert part.size == pytest.approx(np.full(part.size.size, 0.3))  # dB: [doubts] microphone_db, where none is stated


def test_one_wrong_file_is_no_drift(tmp_path):
    found, _ = drifting(tmp_path, repeats=3, wrong=(60, 3))
    assert found.findings["drift"]["level_corrected"] is False
    assert not any("drifted" in each for each in found.findings["warnings"])
