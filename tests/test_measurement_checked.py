"""Each reading by itself: its numbers against closed forms, and what is wrong with it. Invented data."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from evenflare.measurement.assemble import assemble
from evenflare.measurement.session import read_session
from evenflare.units import DEGREE, MILLISECOND, amplitude_db
from field_rigs import RIG
from rig_mistakes import ANGLES, CAP, MISTAKES, session
from synthetic_rig import impulse


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rig")
    return assemble(read_session(session(folder, mistakes=MISTAKES))), folder


def test_each_reading_has_its_verdict(found):
    by_file = {each.file: each for each in found[0].readings}
    assert [each.file for each in found[0].readings] == [f"turn_{angle:+d}.wav" for angle in ANGLES]
    told = {name: [remark.what for remark in each.remarks] for name, each in by_file.items() if each.remarks}
    assert told == {"turn_+20.wav": ["inverted"], "turn_-40.wav": ["late"], "turn_-60.wav": ["level"]}
    assert {name for name, each in by_file.items() if each.verdict == "repeat"} == set(told)
    assert {each.verdict for name, each in by_file.items() if name not in told} == {"good"}


def test_wrong_readings_are_measured_beside_right_ones_only(found):
    by_file = {each.file: each for each in found[0].readings}
    assert by_file["turn_+20.wav"].polarity == -1.0
    # Half of what two neighbours differ by in arrival: 10 degrees of 0.1 m are 50 microseconds.
    assert by_file["turn_-40.wav"].late == pytest.approx(24 / 48000, abs=60e-6)
    assert by_file["turn_-60.wav"].level == pytest.approx(20.0 * np.log10(1.5), abs=0.3)  # what a spline leaves
    for name, each in by_file.items():
        if name not in MISTAKES:
            assert each.polarity == 1.0
            assert abs(each.late) < 60e-6  # below which no reading is named
            # At the ends of a run nothing lies on the other side.
            assert np.isnan(each.level) if abs(each.off_axis) > 89 * DEGREE else abs(each.level) < 0.3


def test_peak_arrival_and_noise_are_those_of_the_file(found):
    assembled, folder = found
    clean = impulse(CAP, RIG, azimuth=0.0, off_axis=0.0)
    sigma = np.abs(clean).max() * 1e-3
    gate = assembled.findings["gate"]
    # Sum of the squares of a window: 1 between, 3/8 of a half-cosine rise or fall.
    seconds = gate["length_ms"] - 0.625 * gate["taper_ms"] + gate["lead_ms"] * (1.0 - 0.5 * 0.625)
    noise = sigma**2 * 48000 * seconds * MILLISECOND
    trusted = assembled.directivity.valid
    frequency = assembled.directivity.observation.frequency[trusted]
    at = np.fft.rfftfreq(RIG.samples, 1.0 / RIG.sample_rate)
    off = {}
    for each in assembled.readings:
        samples = soundfile.read(folder / each.file)[0]
        assert each.peak == pytest.approx(amplitude_db(np.abs(samples).max()), abs=1e-9)
        # A radial cap is heard within a millisecond of its loudest sample.
        assert each.arrival == pytest.approx(np.abs(samples).argmax() / 48000, abs=1e-3)
        level = np.interp(frequency, at, np.abs(np.fft.rfft(samples)))
        off[each.file] = each.signal_to_noise - np.median(20 * np.log10(level)) + 10 * np.log10(noise)
    del off["turn_-60.wav"]  # whose noise was made louder too
    # The noise is told by some two hundred samples, averaged over an octave, and the greater of two places: to a few
    # decibels, and without a bias over all.
    assert max(map(abs, off.values())) < 4.0
    assert abs(np.median(list(off.values()))) < 1.0


def test_a_missing_reading_is_listed_with_its_name(found):
    assert [(each.file, round(each.off_axis / DEGREE)) for each in found[0].missing] == [("turn_+50.wav", 50)]


def test_of_repeats_the_wrong_one_is_left_out_and_its_distance_told(tmp_path):
    path = session(tmp_path, mistakes={"turn_-60_2.wav": lambda x: 1.5 * x}, repeats=2)
    by_file = {each.file: each for each in assemble(read_session(path)).readings}
    wrong, right = by_file["turn_-60_2.wav"], by_file["turn_-60_1.wav"]
    assert (wrong.verdict, wrong.repeats, right.verdict) == ("left out", 2, "good")
    assert wrong.apart == pytest.approx(20.0 * np.log10(1.5), abs=0.05)  # noise of -60 dB
    assert np.isnan(right.apart)  # no other of its direction counts
    assert abs(by_file["turn_+0_1.wav"].apart) < 0.05


def test_text_responses_have_no_peak_but_a_polarity(tmp_path):
    path = session(tmp_path, rig=RIG, kind="response")
    for each in assemble(read_session(path)).readings:
        assert each.clipped is None
        assert np.isnan([each.peak, each.signal_to_noise, each.arrival]).all()
        assert each.polarity == 1.0


def test_clipping_is_a_value_and_a_verdict(tmp_path):
    clip = {"turn_+30.wav": lambda x: np.clip(x, -0.6 * np.abs(x).max(), 0.6 * np.abs(x).max())}
    path = session(tmp_path, mistakes=clip, kind="sweep", rig=RIG)
    by_file = {each.file: each for each in assemble(read_session(path)).readings}
    assert [name for name, each in by_file.items() if each.clipped] == ["turn_+30.wav"]
    assert by_file["turn_+30.wav"].verdict == "repeat"
    assert "clipped" in [remark.what for remark in by_file["turn_+30.wav"].remarks]
