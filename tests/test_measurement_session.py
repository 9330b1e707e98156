"""Session files: what they describe is read whole, what they leave open is listed, what is wrong is told."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from commandline import DESIGN
from evenflare.air import air_at
from evenflare.files import InputError
from evenflare.measurement.readings import Impulse, Response, Session
from evenflare.measurement.session import read_session
from evenflare.units import CELSIUS_ZERO, DEGREE, MILLIMETRE

RATE = 48000
WHOLE = """
name = "invented, first morning"
[rig]
distance_m = 2.0
source_height_m = 3.1
microphone_height_m = 3.0
temperature_c = 16
humidity_percent = 70
pressure_kpa = 100
rotation_centre_z_mm = 12
mounting = "baffle"
[files]
kind = "impulse_response"
horizontal = "turn_{off_axis_deg}.wav"
symmetry = "round"
[gate]
length_ms = 5
[microphone]
calibration = "mic.txt"
full_scale_pa = 2.5
"""


def sound(path, value: float = 1.0) -> None:
    samples = np.zeros(32)
    samples[3] = value / 8
    soundfile.write(path, samples, RATE)


def text(path, level: float = 0.0, phase: str = "\t10") -> None:
    path.write_text(f"100\t{level}{phase}\n1000\t{level}{phase}\n")


def turned(folder, names, make=sound) -> None:
    for name in names:
        make(folder / name)


def session(folder, content: str = WHOLE) -> Session:
    path = folder / "session.toml"
    path.write_text(content)
    return read_session(path)


def fault(folder, content: str = WHOLE) -> str:
    with pytest.raises(InputError) as caught:
        session(folder, content)
    return str(caught.value)


def without(content: str, *starts: str) -> str:
    return "\n".join(line for line in content.splitlines() if not line.startswith(starts))


@pytest.fixture
def folder(tmp_path):
    turned(tmp_path, [f"turn_{angle}.wav" for angle in (0, 10, 22.5, "+30")])
    text(tmp_path / "mic.txt")
    return tmp_path


def test_everything_that_is_stated_is_read_and_nothing_assumed(folder):
    found = session(folder)
    assert (found.name, found.kind, found.symmetry) == ("invented, first morning", "impulse_response", "round")
    rig = found.rig
    assert (rig.distance, rig.source_height, rig.microphone_height, rig.mounting) == (2.0, 3.1, 3.0, "baffle")
    assert rig.air == air_at(16.0 + CELSIUS_ZERO, 0.7, pressure=100e3)
    assert rig.rotation_centre_z == pytest.approx(12 * MILLIMETRE)
    assert (found.gate.length, found.gate.lead, found.gate.taper) == (5e-3, None, None)
    assert found.full_scale == 2.5
    assert found.microphone is not None
    assert found.microphone.pressure == pytest.approx(np.exp(10j * DEGREE) * np.ones(2))
    assert [each.off_axis / DEGREE for each in found.readings] == pytest.approx([0.0, 10.0, 22.5, 30.0])
    assert all(isinstance(each, Impulse) and each.sample_rate == RATE for each in found.readings)
    assert found.assumed == ()


def test_what_is_left_open_is_listed(folder):
    left = ("temperature", "humidity", "pressure", "rotation", "mounting", "[micro", "calib", "full_scale")
    assumed = "\n".join(session(folder, without(WHOLE, *left)).assumed)
    for words in (
        "temperature 20 Celsius",
        "humidity 50 %",
        "pressure of the air 101.325 kPa",
        "mounting free_standing: nothing is said of it",
        "crosses the waveguide's in the mouth plane",
        "the microphone is taken for flat",
        "full scale of the recordings is 1 Pa",
    ):
        assert words in assumed


def test_design_gives_mounting_and_mouth(folder):
    (folder / "design.toml").write_text(DESIGN)
    found = session(folder, 'design = "design.toml"\n' + without(WHOLE, "rotation", "mounting"))
    assert found.design == folder / "design.toml"
    assert found.rig.mounting == "baffle"
    assert found.rig.rotation_centre_z == pytest.approx(80 * MILLIMETRE)
    assert "mounting baffle: the design's" in found.assumed
    assert any("z = 80 mm of the design" in each for each in found.assumed)


def test_file_that_no_name_stands_for_is_listed(folder):
    sound(folder / "turn_again.wav")
    assert session(folder).assumed == ("not read, no name stands for them: turn_again.wav",)


def test_angles_round_the_circle_are_signed_and_that_is_listed(tmp_path):
    turned(tmp_path, [f"turn_{angle}.wav" for angle in range(0, 360, 10)])
    found = session(tmp_path, without(WHOLE, "[micro", "calib", "full").replace('"round"', '"left_right"'))
    angles = [round(each.off_axis / DEGREE) for each in found.readings]
    assert angles == list(range(-170, 181, 10))
    assert "horizontal: angles above 180 degrees are the negative side, 350 is -10" in found.assumed


def test_both_ends_of_an_orbit_are_two_readings_of_one_direction(tmp_path):
    turned(tmp_path, [f"turn_{angle}.wav" for angle in (-180, -90, 0, 90, 180)])
    found = session(tmp_path, without(WHOLE, "[micro", "calib", "full").replace('"round"', '"left_right"'))
    assert [(round(each.off_axis / DEGREE), each.repeat) for each in found.readings][-2:] == [(180, 1), (180, 2)]
    assert "horizontal: -180 degrees is another reading of 180 degrees" in found.assumed


def test_repeats_and_both_planes(tmp_path):
    names = [f"{plane}_{a}_{r}.wav" for plane in ("turn", "tilt") for a in (-10, 0, 10) for r in (1, 2)]
    turned(tmp_path, names)
    content = without(WHOLE, "[micro", "calib", "full", "symmetry").replace("deg}", "deg}_{repeat}")
    content = content.replace("[gate]", 'vertical = "tilt_{off_axis_deg}_{repeat}.wav"\n[gate]')
    found = session(tmp_path, content)
    assert found.symmetry == "none"
    assert 'symmetry "none": both planes were measured on both sides' in found.assumed
    places = [(round(e.azimuth / DEGREE), round(e.off_axis / DEGREE), e.repeat) for e in found.readings]
    assert places == [(p, a, r) for p in (0, 90) for a in (-10, 0, 10) for r in (1, 2)]


TEXTS = """
[rig]
distance_m = 2.0
[files]
kind = "response"
horizontal = "h{off_axis_deg}.txt"
symmetry = "round"
"""


def test_text_responses_in_pascal(tmp_path):
    text(tmp_path / "h0.txt", 94.0, "\t90")
    text(tmp_path / "h10.txt", 74.0, "\t0")
    found = session(tmp_path, TEXTS)
    first, second = found.readings
    assert isinstance(first, Response)
    # 94 dB re 20 uPa is 1.0024 Pa.
    assert first.pressure == pytest.approx(20e-6 * 10**4.7 * 1j * np.ones(2))
    assert second.pressure == pytest.approx(20e-6 * 10**3.7 * np.ones(2))
    assert found.rig.lossy
    assert "0 dB of the text files is 20 uPa" in found.assumed
    assert any(each.startswith('air_losses "in"') for each in found.assumed)
    stated = session(tmp_path, TEXTS + 'zero_db_pa = 1.0\nair_losses = "out"\n')
    assert np.abs(stated.readings[0].pressure) == pytest.approx(10**4.7 * np.ones(2))
    assert not stated.rig.lossy
    assert not any("air_losses" in each or "0 dB" in each for each in stated.assumed)


def test_text_responses_without_phase(tmp_path):
    for name in ("h0.txt", "h10.txt"):
        text(tmp_path / name, 80.0, "")
    found = session(tmp_path, TEXTS)
    assert not any(each.phase_known for each in found.readings)
    assert "no phase in the text files: levels only" in found.assumed
    text(tmp_path / "h20.txt", 80.0)
    words = fault(tmp_path, TEXTS)
    assert words.startswith(f"{tmp_path / 'h0.txt'}: holds no phase, and 1 other files of the session do")


def test_every_broken_file_is_told_at_once(tmp_path):
    text(tmp_path / "h0.txt")
    (tmp_path / "h10.txt").write_text("100 1 2\n50 1 2\n")
    (tmp_path / "h20.txt").write_text("")
    words = fault(tmp_path, TEXTS)
    assert f"{tmp_path / 'h10.txt'} line 2: 50 Hz after 100 Hz" in words
    assert f"{tmp_path / 'h20.txt'}: holds no line of numbers" in words


FAULTS = {
    "no distance": (without(WHOLE, "distance_m"), "[rig] distance_m: missing. Add for example distance_m = 2.0"),
    "unknown key": (WHOLE.replace("source_height_m", "sauce_height_m"), "Did you mean source_height_m?"),
    "millimetres": (WHOLE.replace("= 2.0", "= 2000"), "Is it in millimetres? Then write 2"),
    "no symmetry": (without(WHOLE, "symmetry"), "[files] symmetry: missing, and one side of the horizontal plane was"),
    "none of one side": (WHOLE.replace('"round"', '"none"'), 'symmetry = "none": must be "round", "two_planes" or'),
    "no files": (WHOLE.replace("turn_", "trun_"), "names no file in"),
    "no angle": (WHOLE.replace("{off_axis_deg}", "{angle}"), "{angle} must be {off_axis_deg} or {repeat}"),
    "no heights": (without(WHOLE, "source_height", "[gate]", "length"), "[rig] source_height_m: missing, and without"),
    "no calibration": (WHOLE.replace("mic.txt", "mike.txt"), "mike.txt: cannot be read (No such file"),
    "no reference": (WHOLE.replace('"impulse_response"', '"sweep"'), 'reference: missing beside kind = "sweep"'),
    "no design": ('design = "none.toml"\n' + WHOLE, "none.toml: cannot be read"),
    "no folder": (WHOLE.replace('"turn_', '"elsewhere/turn_'), "elsewhere is no folder. Name one that is there"),
    "broken": (WHOLE + "[gate\n", " line 21: is not TOML"),
    "empty": ("", ": is empty. The least that it holds is, for example"),
}


@pytest.mark.parametrize(("content", "words"), FAULTS.values(), ids=FAULTS)
def test_fault_of_the_session_file_is_told(folder, content, words):
    found = fault(folder, content)
    assert found.startswith(str(folder))
    assert words in found


def test_two_files_of_one_direction_are_named(folder):
    sound(folder / "turn_10.0.wav")
    assert "turn_10.0.wav and turn_10.wav are both of 10 degrees. Remove one, or number them" in fault(folder)
    (folder / "turn_10.0.wav").unlink()
    sound(folder / "turn_370.wav")
    assert "turn_370.wav: the angle 370 must be -180 to 360 degrees" in fault(folder)
    (folder / "turn_370.wav").unlink()
    sound(folder / "turn_350.wav")
    sound(folder / "turn_-10.wav")
    content = WHOLE.replace('"round"', '"left_right"')
    assert "turn_-10.wav and turn_350.wav are of one direction. Remove one" in fault(folder, content)


def test_no_reading_on_axis_is_told(folder):
    (folder / "turn_0.wav").unlink()
    assert "no reading on axis (0 degrees) among 3 files. Add it" in fault(folder)


def test_unlike_sample_rates_are_told(folder):
    soundfile.write(folder / "turn_40.wav", np.ones(32) / 8, 44100)
    assert "turn_40.wav: 44100 samples a second, turn_0.wav 48000: must be alike" in fault(folder)


def test_sweep_has_its_reference(folder):
    sound(folder / "sweep.wav", 3.0)
    content = WHOLE.replace('"impulse_response"', '"sweep"\nreference = "sweep.wav"')
    assert session(folder, content).reference == pytest.approx(np.eye(32)[3] * 3 / 8)
    soundfile.write(folder / "sweep.wav", np.ones(32) / 8, 44100)
    assert "sweep.wav: 44100 samples a second" in fault(folder, content)


tables = st.recursive(
    st.one_of(st.integers(-10, 400), st.floats(allow_nan=True), st.booleans(), st.text(max_size=12)),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=4,
)
known = st.sampled_from(
    ["distance_m", "temperature_c", "kind", "horizontal", "symmetry", "length_ms", "calibration", "from_hz", "name"]
)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(
        st.sampled_from(["rig", "files", "gate", "microphone", "analysis", "x"]),
        st.dictionaries(known, tables, max_size=4),
        max_size=4,
    )
)
def test_whatever_keys_it_holds_it_is_told_and_never_breaks(folder, content):
    import tomlkit

    path = folder / "other.toml"
    path.write_text(tomlkit.dumps(content), encoding="utf-8")
    with pytest.raises(InputError) as caught:  # distance, kind and names that are there never come by chance
        read_session(path)
    assert str(caught.value).startswith(str(path))


def test_only_the_first_of_many_like_faults_are_told_in_full(folder):
    for angle in range(40, 90, 5):
        (folder / f"turn_{angle}.wav").write_bytes(b"no sound")
    lines = fault(folder).splitlines()
    assert len(lines) == 6
    assert all("is not a WAV file" in line for line in lines[:5])
    assert lines[5] == "5 files more: correct these first"  # ten broken, five told
