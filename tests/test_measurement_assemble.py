"""A session's readings on one grid, with what was assumed, and how sure the index is."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import soundfile

from evenflare.files import InputError
from evenflare.measurement.assemble import assemble
from evenflare.measurement.orbits import Orbit, shared_grid
from evenflare.measurement.session import read_session
from evenflare.metrics import beamwidth, directivity_index, levels_re_on_axis
from evenflare.units import DEGREE, amplitude_db
from synthetic_rig import SyntheticRig, piston, point, write_session_files

ANALYSIS = {"analysis": {"from_hz": 400, "to_hz": 8000, "per_octave": 3}}
TWO = np.array([1.0, 2.0])
SPEED = 340.3
"""m/s."""


def orbit(degrees, values) -> Orbit:
    """Pressures that hold for two frequencies, the second twice as loud."""
    return Orbit(np.array(degrees) * DEGREE, np.outer(values, TWO).astype(complex))


def degrees_of(orbits) -> list[float]:
    return np.round(next(iter(orbits.values())).off_axis / DEGREE, 6).tolist()


def test_a_missing_side_is_the_mirror_image():
    planes = {
        0.0: orbit([0, 90, 180], [1, 2, 3]),
        0.5 * np.pi: orbit([-90, 0, 90, 180], [5, 1, 4, 3]),
    }
    found, assumed, warnings = shared_grid(planes, "left_right", half_space=False)
    assert degrees_of(found) == [-90, 0, 90, 180]
    np.testing.assert_array_equal(found[0.0].pressure[:, 0], [2, 1, 2, 3])
    np.testing.assert_array_equal(found[0.5 * np.pi].pressure[:, 1], [10, 2, 8, 6])
    assert ["mirror image" in each for each in assumed] == [True]
    assert warnings == []


def test_one_sided_planes_stay_so_as_positive_angles():
    planes = {0.0: orbit([-180, -90, 0], [3, 2, 1]), 0.5 * np.pi: orbit([0, 90, 180], [1, 5, 3])}
    found, assumed, _ = shared_grid(planes, "two_planes", half_space=False)
    assert degrees_of(found) == [0, 90, 180]
    np.testing.assert_array_equal(found[0.0].pressure[:, 0], [1, 2, 3])
    assert any("negative side" in each for each in assumed)


def test_a_pole_that_one_plane_lacks_is_the_other_s():
    planes = {0.0: orbit([-90, 0, 90, 180], [2, 1, 2, 3]), 0.5 * np.pi: orbit([-160, -90, 90, 160], [5, 4, 4, 5])}
    found, *_ = shared_grid(planes, "two_planes", half_space=False)
    vertical = found[0.5 * np.pi]
    at = {
        round(float(a / DEGREE)): float(p.real) for a, p in zip(vertical.off_axis, vertical.pressure[:, 0], strict=True)
    }
    assert at[0] == 1.0
    assert at[180] == 3.0


def test_angles_of_one_plane_are_taken_between_the_other_s():
    fine, coarse = np.arange(-170, 181, 10), np.arange(-160, 181, 20)
    planes = {0.0: orbit(fine, np.cos(fine * DEGREE)), 0.5 * np.pi: orbit(coarse, np.cos(coarse * DEGREE))}
    found, assumed, warnings = shared_grid(planes, "none", half_space=False)
    assert degrees_of(found) == fine.tolist()
    # A cubic spline at 20 degrees errs by (h w)^4 / 384 = 4e-5.
    np.testing.assert_allclose(found[0.5 * np.pi].pressure[:, 0].real, np.cos(fine * DEGREE), atol=1e-4)
    assert any("18 angles of another plane" in each for each in assumed)
    assert warnings == []


def test_what_one_plane_does_not_reach_is_left_out_and_told():
    planes = {
        0.0: orbit(np.arange(-170, 181, 10), np.ones(36)),
        0.5 * np.pi: orbit(np.arange(-60, 61, 10), np.ones(13)),
    }
    found, _, warnings = shared_grid(planes, "none", half_space=False)
    assert degrees_of(found) == list(range(-60, 61, 10))
    assert "23 angles are left out" in warnings[0]


def test_nothing_behind_a_baffle_is_kept():
    planes = {0.0: orbit(np.arange(-180, 180, 30), np.ones(12))}
    found, assumed, _ = shared_grid(planes, "round", half_space=True)
    assert degrees_of(found) == list(range(-90, 91, 30))
    assert "5 directions beyond 90 degrees" in assumed[0]


def session_of(folder, pressure=point, **more):
    return read_session(write_session_files(folder, pressure, **{"tables": ANALYSIS, **more}))


def test_one_plane_of_a_round_source_stands_for_all(tmp_path):
    session = session_of(
        tmp_path,
        piston(0.06, SPEED),
        azimuth_deg=(0.0,),
        off_axis_deg=range(0, 95, 5),
        symmetry="round",
        tables={**ANALYSIS, "rig": {"mounting": "baffle"}},
    )
    found = assemble(session)
    assert found.directivity.observation.shape[1:] == (1, 19)
    assert found.directivity.half_space
    assert np.all(np.isfinite(directivity_index(found.directivity)))
    assert found.findings["angle_offset_deg"] == {"horizontal": None}
    assert any("cannot be fitted" in each for each in found.findings["assumed"])


def test_horizontal_half_and_vertical_whole_make_both_whole(tmp_path):
    def leaning(frequency, azimuth, off_axis):
        up = np.sin(off_axis) if azimuth else 0.0
        return point(frequency, azimuth, off_axis) * (2.0 + np.cos(off_axis) + 0.5 * up)

    whole = write_session_files(tmp_path, leaning, symmetry="left_right", tables=ANALYSIS)
    for file in tmp_path.glob("turn_-*.wav"):
        file.unlink()
    found = assemble(read_session(whole))
    seen = found.directivity.observation
    assert seen.shape[1:] == (2, 36)
    level = levels_re_on_axis(found.directivity)
    angle = seen.off_axis
    expected = np.stack([2 + np.cos(angle), 2 + np.cos(angle) + 0.5 * np.sin(angle)]) / 3.0
    # The only thing between is the window, alike for all: rounding, and the spline of a fitted offset of none.
    np.testing.assert_allclose(level, np.broadcast_to(amplitude_db(expected), level.shape), atol=2e-3)
    assert any("mirror image" in each for each in found.findings["assumed"])


def test_levels_are_pascals_at_the_microphone_where_full_scale_is_stated(tmp_path):
    rig = SyntheticRig(gain=0.02, distance=2.0)
    tables = {**ANALYSIS, "microphone": {"full_scale_pa": 50.0}}
    found = assemble(session_of(tmp_path, rig=rig, tables=tables, azimuth_deg=(0.0,), symmetry="round")).directivity
    frequency = found.observation.frequency
    expected = point(frequency, 0.0, 0.0) / 2.0  # 1 Pa m at 2 m; 0.02 times 50 is 1
    mid = frequency > 800
    # The window smears the driver's slope at 300 Hz a little.
    np.testing.assert_allclose(amplitude_db(found.on_axis / expected)[mid], 0.0, atol=0.02)


def test_delay_of_rig_is_one_for_all_angles_and_reported(tmp_path):
    found = [
        assemble(session_of(tmp_path / str(i), rig=SyntheticRig(delay=delay), azimuth_deg=(0.0,), symmetry="round"))
        for i, delay in enumerate((1.0e-3, 2.5e-3))
    ]
    delays = [each.findings["reference_delay_ms"] for each in found]
    assert delays[1] - delays[0] == pytest.approx(1.5, abs=1e-4)  # a fraction of a sample of 0.02 ms
    first, second = (each.directivity.pressure for each in found)
    np.testing.assert_allclose(first, second, rtol=2e-3)  # the window begins a fraction of a sample later


def test_repeats_are_averaged_and_their_spread_told(tmp_path):
    rig = SyntheticRig(spread_db=0.3, seed=3)
    found = assemble(session_of(tmp_path, rig=rig, repeats=4, symmetry="round"))
    repeats = found.findings["repeats"]
    assert repeats["directions"] == 72
    assert repeats["readings_per_direction"] == [4, 4]
    # 72 directions of 4 readings: 216 degrees of freedom, 5 % of the standard deviation.
    assert repeats["spread_median_db"] == pytest.approx(0.3, rel=0.15)
    error = found.directivity.error_estimate
    assert error is not None
    # On axis 0.3 / sqrt(4); the power's own share over 72 directions is small.
    np.testing.assert_allclose(error, 0.15, rtol=0.25)


def test_stated_error_of_the_index_holds_the_truth(tmp_path):
    """Gain that wanders from reading to reading, and noise: a point source's index of 0 dB within twice the error."""
    inside, total = 0, 0
    for seed in range(10):
        rig = SyntheticRig(spread_db=0.2, noise_db=-50.0, seed=seed)
        found = assemble(session_of(tmp_path / str(seed), rig=rig, repeats=2, symmetry="round")).directivity
        inside += np.count_nonzero(np.abs(directivity_index(found)) < 2.0 * found.error_estimate)
        total += found.observation.frequency.size
    # 95 % expected; a run's frequencies share the axis' gain, so that ten runs count, not all cells.
    assert inside >= 0.8 * total


def test_frequencies_below_the_noise_are_not_trusted(tmp_path):
    rig = SyntheticRig(noise_db=-50.0)
    tables = {"analysis": {"from_hz": 90, "to_hz": 8000, "per_octave": 3}}
    found = assemble(session_of(tmp_path, rig=rig, tables=tables, symmetry="round"))
    assert not found.directivity.valid[0]
    assert found.directivity.valid[-1]
    assert any("above the noise" in each for each in found.findings["warnings"])


def test_planes_of_unequal_gain_are_told(tmp_path):
    def changed(frequency, azimuth, off_axis):
        return point(frequency, azimuth, off_axis) * (1.2 if azimuth else 1.0)

    found = assemble(session_of(tmp_path, changed, symmetry="round"))
    assert any("differ by 1.6 dB" in each for each in found.findings["warnings"])  # 20 log 1.2 = 1.58


def test_one_wrong_file_is_named_and_spoils_nothing_else(tmp_path):
    more = {
        "azimuth_deg": (0.0,),
        "off_axis_deg": range(-90, 95, 5),
        "symmetry": "round",
        "tables": {**ANALYSIS, "rig": {"mounting": "baffle"}},
    }
    right = assemble(session_of(tmp_path / "right", piston(0.08, SPEED), **more))
    path = write_session_files(tmp_path / "wrong", piston(0.08, SPEED), **more)
    (path.parent / "turn_+35.wav").write_bytes((path.parent / "turn_+5.wav").read_bytes())
    wrong = assemble(read_session(path))
    named = [each for each in wrong.findings["warnings"] if "turn_+35.wav" in each]
    assert len(named) == 1
    at = np.argmin(np.abs(right.directivity.observation.off_axis - 35 * DEGREE))
    others = np.arange(37) != at
    one, two = (levels_re_on_axis(each.directivity)[:, 0, others] for each in (right, wrong))
    loud = one > -20.0
    np.testing.assert_allclose(one[loud], two[loud], atol=0.05)  # no significant offset is found, so none is corrected
    assert np.all(np.isfinite(beamwidth(wrong.directivity)[-3:]))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gate": {"length_ms": 90.0}}, "before the gate does"),
        ({"analysis": {"frequencies_hz": [1000, 30000]}}, "half the sample rate"),
    ],
)
def test_what_cannot_be_asked_of_the_files_is_refused(tmp_path, change, message):
    session = session_of(tmp_path, tables=change, off_axis_deg=(0, 90, 180), azimuth_deg=(0.0,), symmetry="round")
    with pytest.raises(InputError, match=message):
        assemble(session)


def test_a_silent_file_is_named(tmp_path):
    session = session_of(tmp_path, off_axis_deg=(0, 90, 180), azimuth_deg=(0.0,), symmetry="round")
    silent = dataclasses.replace(session.readings[1], samples=np.zeros(4096))
    with pytest.raises(InputError, match=r"turn_\+90.wav: is silent"):
        assemble(dataclasses.replace(session, readings=(session.readings[0], silent, session.readings[2])))


def test_a_gate_that_holds_the_ground_is_told(tmp_path):
    tables = {**ANALYSIS, "gate": {"length_ms": 20.0}}
    found = assemble(session_of(tmp_path, tables=tables, off_axis_deg=(0, 90), azimuth_deg=(0.0,), symmetry="round"))
    assert any("holds the ground's reflection" in each for each in found.findings["warnings"])
    assert found.findings["lowest_valid_hz"] == pytest.approx(50.0)  # 1 over 20 ms


def test_smoothing_is_only_on_request(tmp_path):
    def combed(frequency, azimuth, off_axis):
        return point(frequency, azimuth, off_axis) * (1.0 + 0.5 * np.exp(-2j * np.pi * frequency * 2e-3))

    few = {"off_axis_deg": (0, 90), "azimuth_deg": (0.0,), "symmetry": "round"}
    wanted = {"from_hz": 2000, "to_hz": 8000, "per_octave": 24}
    plain = assemble(session_of(tmp_path / "plain", combed, tables={"analysis": wanted}, **few))
    even = assemble(
        session_of(tmp_path / "even", combed, tables={"analysis": {**wanted, "smoothing_per_octave": 3}}, **few)
    )
    assert plain.findings["smoothing_per_octave"] is None
    ripple, left = (
        np.ptp(amplitude_db(each.directivity.on_axis / point(wanted_at(each), 0, 0))) for each in (plain, even)
    )
    assert ripple > 7.0  # 20 log (1.5 / 0.5) = 9.5 dB between the comb's ends, a little rounded by the window
    assert left < 2.0  # a third of an octave at 2 kHz holds one tooth of 500 Hz


def wanted_at(found):
    return found.directivity.observation.frequency


def test_nothing_is_made_up_in_a_wide_gap_of_one_plane():
    horizontal = np.arange(-180, 180, 10)
    vertical = horizontal[np.abs(np.abs(horizontal) - 60) > 15]  # from 40 to 80 degrees nothing
    ones = [np.ones(each.size) for each in (horizontal, vertical)]
    planes = {0.0: orbit(horizontal, ones[0]), 0.5 * np.pi: orbit(vertical, ones[1])}
    found, assumed, warnings = shared_grid(planes, "none", half_space=False)
    assert degrees_of(found) == vertical.tolist()
    assert ["6 angles are left out" in each and "more than 20 degrees" in each for each in warnings] == [True]
    assert assumed == []


def test_an_axis_that_one_plane_borrows_is_told():
    planes = {0.0: orbit([-10, 0, 10], [1, 2, 1]), 0.5 * np.pi: orbit([-10, 10], [1, 1])}
    found, assumed, _ = shared_grid(planes, "none", half_space=True)
    assert degrees_of(found) == [-10, 0, 10]
    assert assumed == ["vertical: the reading on axis is another plane's"]


def test_an_overloaded_recording_is_named(tmp_path):
    path = write_session_files(tmp_path, point, azimuth_deg=(0.0,), symmetry="round", tables=ANALYSIS)
    loud = tmp_path / "turn_+30.wav"
    samples, rate = soundfile.read(loud)
    soundfile.write(loud, np.clip(1e3 * samples / np.abs(samples).max(), -1.0, 1.0), rate, subtype="PCM_16")
    warned = assemble(read_session(path)).findings["warnings"]
    assert [each for each in warned if "overloaded" in each] == [
        "turn_+30.wav: flat at full scale, the input was overloaded. Record again at a lower level"
    ]


def test_a_wrong_file_among_repeats_is_told(tmp_path):
    rig = SyntheticRig(spread_db=0.1)
    more = {"azimuth_deg": (0.0,), "off_axis_deg": range(0, 95, 10), "symmetry": "round", "repeats": 3, "rig": rig}
    tables = {**ANALYSIS, "rig": {"mounting": "baffle"}}
    path = write_session_files(tmp_path, piston(0.08, SPEED), tables=tables, **more)
    assert not [each for each in assemble(read_session(path)).findings["warnings"] if "turn_" in each]
    (tmp_path / "turn_+30_2.wav").write_bytes((tmp_path / "turn_+70_1.wav").read_bytes())
    warned = [each for each in assemble(read_session(path)).findings["warnings"] if "turn_" in each]
    assert [each.split(":")[0] for each in warned] == ["turn_+30_2.wav"]  # the very file, not its direction
    assert "the direction's other readings stand" in warned[0]
