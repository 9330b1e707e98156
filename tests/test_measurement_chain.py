"""The whole chain, from files on disk to metrics, against a truth in closed form. All data are invented."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.air import air_at
from evenflare.closed_forms import cap_index, piston_index
from evenflare.measurement.assemble import Assembled, assemble
from evenflare.measurement.session import read_session
from evenflare.metrics import beamwidth, directivity_index, levels_re_on_axis, standard_curves
from evenflare.units import CELSIUS_ZERO, DEGREE, amplitude_db
from synthetic_rig import SyntheticRig, cap_on_sphere, piston, point, write_session_files

SPEED = air_at(CELSIUS_ZERO + 16.0, 0.7).speed_of_sound
"""m/s, of the rig's weather."""
GROUND = 0.8
"""Reflection factor."""
FRONT = range(-90, 95, 5)
ALL_ROUND = range(-170, 181, 10)
ANALYSIS = {"analysis": {"from_hz": 200, "to_hz": 12800, "per_octave": 6}}
BAFFLE = {**ANALYSIS, "rig": {"mounting": "baffle"}}


def microphone(frequency):
    """An invented capsule: rises by 4 dB toward 10 kHz, with some phase."""
    s = 1j * np.asarray(frequency) / 10e3
    return (1.0 + 0.9 * s) / (1.0 + 0.45 * s)


def measured(folder, pressure, **more) -> Assembled:
    return assemble(read_session(write_session_files(folder, pressure, **{"tables": ANALYSIS, **more})))


def truth(found: Assembled, pressure) -> np.ndarray:
    """Levels (F, P, A) re on axis in dB."""
    seen = found.directivity.observation
    true = np.array([[pressure(seen.frequency, p, a) for a in seen.off_axis] for p in seen.plane]).transpose(2, 0, 1)
    return amplitude_db(np.maximum(np.abs(true / pressure(seen.frequency, 0.0, 0.0)[:, None, None]), 1e-9))


def deviation(found: Assembled, pressure, *, above: float = -20.0) -> np.ndarray:
    """Measured less true level of loud cells, dB."""
    level, true = levels_re_on_axis(found.directivity), truth(found, pressure)
    return (level - true)[true > above]


@pytest.mark.parametrize("kind", ["impulse_response", "sweep"])
def test_a_point_source_has_no_index_in_any_curve(tmp_path, kind):
    rig = SyntheticRig(ground=GROUND, gain=0.3, delay=2.1e-3)
    found = measured(tmp_path, point, rig=rig, kind=kind, symmetry="none").directivity
    curves = standard_curves(found)
    # Alike in every direction, file for file: nothing but the rounding of the samples is left.
    for index in (directivity_index(found), curves.sound_power_index, curves.early_reflections_index):
        np.testing.assert_allclose(index, 0.0, atol=1e-6)


@pytest.mark.parametrize("kind", ["impulse_response", "sweep", "response"])
def test_a_baffled_piston_comes_back(tmp_path, kind):
    radius = 0.05
    rig = SyntheticRig(ground=0.0 if kind == "response" else GROUND, gain=0.1, microphone=microphone)
    source = piston(radius, SPEED)
    found = measured(tmp_path, source, rig=rig, kind=kind, off_axis_deg=FRONT, symmetry="round", tables=BAFFLE)
    # Text has six decimals; the window smears 5 ms of a piston's 0.1 ms of ringing by nothing.
    assert np.abs(deviation(found, source)).max() < 0.02
    frequency = found.directivity.observation.frequency
    size = 2.0 * np.pi * frequency * radius / SPEED
    low = size < 6.0
    # What zones of five degrees leave of a beam of ka = 6: 0.021 dB, growing as the fourth power of ka.
    np.testing.assert_allclose(directivity_index(found.directivity)[low], piston_index(size)[low], atol=0.025)
    # -6 dB of 2 J1(x) / x lies at x = 2.2115; straight in dB between five degrees.
    narrow = size > 3.0
    expected = 2.0 * np.arcsin(2.2115 / size[narrow]) / DEGREE
    np.testing.assert_allclose(beamwidth(found.directivity)[narrow] / DEGREE, expected, atol=1.0)


def test_a_cap_on_a_sphere_comes_back_through_everything_that_goes_wrong(tmp_path):
    """Reflections, noise, gain, delay, a wrong zero and centre, a wrong temperature, a coloured microphone."""
    radius, half_angle = 0.1, 0.5
    source = cap_on_sphere(radius, half_angle, SPEED)
    rig = SyntheticRig(
        ground=GROUND,
        noise_db=-80.0,
        gain=0.05,
        delay=1.7e-3,
        angle_offset=0.8 * DEGREE,
        centre=(3e-3, 0.0),
        temperature_error=2.0,
        microphone=microphone,
        spread_db=0.05,
        seed=5,
    )
    found = measured(tmp_path, source, rig=rig, repeats=2, symmetry="round")
    for plane in ("horizontal", "vertical"):
        turntable = found.findings["turntable"][plane]
        assert turntable["angle_offset_deg"] == pytest.approx(0.8, abs=0.06)  # as the fit's own tests
        assert turntable["sideways_mm"] == pytest.approx(3.0, abs=0.3)
        assert turntable["angle_corrected"]
        assert turntable["sideways_corrected"]
    frequency = found.directivity.observation.frequency
    error = found.directivity.error_estimate
    index = directivity_index(found.directivity)
    expected = cap_index(2.0 * np.pi * frequency * radius / SPEED, half_angle=half_angle)
    sure = (frequency > 2.0 * found.findings["lowest_valid_hz"]) & (frequency < 8000.0)
    # Within three standard errors, and what ten-degree zones leave of such a beam.
    assert np.all(np.abs(index - expected)[sure] < 3.0 * error[sure] + 0.05)
    seen = levels_re_on_axis(found.directivity)[sure] - truth(found, source)[sure]
    loud = truth(found, source)[sure] > -15.0
    assert np.sqrt(np.mean(seen[loud] ** 2)) < 0.1  # 0.05 dB of gain on either side and noise
    assert np.abs(seen[loud]).max() < 0.5
    # Two degrees too warm: the speed of sound is off by 0.35 %, and so the travel, which goes into the delay.
    travel = rig.distance / SPEED * (1.0 - SPEED / found.directivity.speed_of_sound)
    assert found.findings["reference_delay_ms"] == pytest.approx(1e3 * (rig.delay + travel), abs=0.06)


def test_phases_come_back_too(tmp_path):
    source = cap_on_sphere(0.1, 0.5, SPEED)
    found = measured(tmp_path, source, azimuth_deg=(0.0,), off_axis_deg=range(0, 181, 15), symmetry="round").directivity
    seen = found.observation
    true = np.array([source(seen.frequency, 0.0, a) / source(seen.frequency, 0.0, 0.0) for a in seen.off_axis]).T
    relative = found.pressure[:, 0] / found.on_axis[:, None]
    sure = seen.frequency > 400.0  # below, the window smears what the sphere delays by half a millisecond
    assert np.abs(relative - true)[sure].max() < 0.01


def test_without_a_gate_the_ground_shows(tmp_path):
    """The proof that the gate does something: the same files with a window that holds the reflection."""
    rig = SyntheticRig(ground=GROUND)
    source = piston(0.05, SPEED)
    more = {"rig": rig, "off_axis_deg": range(0, 95, 10), "azimuth_deg": (0.0,), "symmetry": "round"}
    gated = measured(tmp_path / "gated", source, tables=BAFFLE, **more)
    open_gate = measured(tmp_path / "open", source, tables={**BAFFLE, "gate": {"length_ms": 40.0}}, **more)
    assert np.abs(deviation(gated, source)).max() < 0.02
    assert np.abs(deviation(open_gate, source)).max() > 1.0  # 0.8 times 2 / 6.3 of path: a ripple of some 2 dB


def test_a_calibration_that_is_left_out_shows_on_axis_only(tmp_path):
    rig = SyntheticRig(microphone=microphone)
    path = write_session_files(tmp_path, point, rig=rig, off_axis_deg=ALL_ROUND, symmetry="round", tables=ANALYSIS)
    right = assemble(read_session(path))
    path.write_text(path.read_text().replace('[microphone]\ncalibration = "microphone.txt"\n', ""))
    wrong = assemble(read_session(path))
    frequency = right.directivity.observation.frequency
    coloured = amplitude_db(wrong.directivity.on_axis / right.directivity.on_axis)
    # The file's 300 frequencies are straight between in dB and phase.
    np.testing.assert_allclose(coloured, amplitude_db(microphone(frequency)), atol=0.01)
    np.testing.assert_allclose(*(levels_re_on_axis(each.directivity) for each in (right, wrong)), atol=1e-6)
    assert any("taken for flat" in each for each in read_session(path).assumed)


def test_air_on_the_way_is_put_back(tmp_path):
    far = SyntheticRig(distance=10.0, source_height=9.0, microphone_height=9.0)
    few = {"off_axis_deg": (0, 90), "azimuth_deg": (0.0,), "symmetry": "round"}
    found = measured(tmp_path, point, rig=far, **few).directivity
    frequency = found.observation.frequency
    level = amplitude_db(found.on_axis / (point(frequency, 0.0, 0.0) / far.distance))
    mid = frequency > 600.0  # below, the window rounds the driver's slope
    np.testing.assert_allclose(level[mid], 0.0, atol=0.02)  # 10 kHz loses 1.3 dB over 10 m


def test_lowest_frequency_follows_from_the_heights(tmp_path):
    low, high = (
        measured(
            tmp_path / str(height),
            point,
            rig=SyntheticRig(source_height=height, microphone_height=height),
            off_axis_deg=(0, 90),
            azimuth_deg=(0.0,),
            symmetry="round",
            tables={"analysis": {"from_hz": 50, "to_hz": 1000, "per_octave": 24}},
        )
        for height in (1.5, 3.0)
    )
    # Image source at 1.5 and 3 m, 2 m apart, at 343.2 m/s: 213.758 and 79.3608 Hz for the whole time.
    for found, whole in ((low, 213.758), (high, 79.3608)):
        least = whole * SPEED / 343.2 / 0.9
        assert found.findings["lowest_valid_hz"] == pytest.approx(least, rel=1e-4)
        frequency, valid = found.directivity.observation.frequency, found.directivity.valid
        np.testing.assert_array_equal(valid, frequency >= found.findings["lowest_valid_hz"])
