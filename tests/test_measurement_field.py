"""Mistakes in the field, each told with its file and a remedy: walls, recorders, gaps, and units of text."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

from commandline import said as told
from evenflare.files import InputError
from evenflare.measurement.assemble import assemble
from evenflare.measurement.missing_angles import missing_angles
from evenflare.measurement.session import read_session
from evenflare.measurement.text_response import read_text_response
from evenflare.units import DEGREE, amplitude_db
from field_rigs import RIG, SPEED, exponential, radial_cap, slot
from synthetic_rig import SyntheticRig, point, write_session_files
from wavs import write_wav

FEW = {"off_axis_deg": (-60, -40, -20, 0, 20, 40, 60), "azimuth_deg": (0.0,), "symmetry": "round"}
ANALYSIS = {"from_hz": 300, "to_hz": 8000, "per_octave": 6}


def warned(path) -> list[str]:
    return assemble(read_session(path)).findings["warnings"]


def beside_a_wall(folder, wall: float, **gate):
    """A point source with one reflector, by its image source: beside the rig, while the ground is 4 m below."""
    rig = SyntheticRig(samples=2048, source_height=wall, microphone_height=wall, ground=0.8)
    tables = {"analysis": ANALYSIS, "rig": {"source_height_m": 4.0, "microphone_height_m": 4.0, "wall_m": wall}}
    return write_session_files(folder, point, rig=rig, tables={**tables, **({"gate": gate} if gate else {})}, **FEW)


def test_a_gate_past_a_wall_is_told(tmp_path):
    path = beside_a_wall(tmp_path, 1.2, length_ms=9.0)
    # 2 sqrt(1 + 1.2^2) - 2 = 1.1241 m, by Pythagoras.
    late = 1e3 * (2.0 * np.hypot(1.0, 1.2) - 2.0) / SPEED
    said = [each for each in warned(path) if "wall" in each]
    assert len(said) == 1
    assert f"the wall's reflection, which comes {late:.2f} ms after" in said[0]
    assert "Set [gate] length_ms in session.toml to at most" in said[0]


def test_a_gate_that_is_left_open_ends_before_the_wall(tmp_path):
    found = assemble(read_session(beside_a_wall(tmp_path, 1.2)))
    assert found.findings["gate"]["length_ms"] == pytest.approx(
        0.9 * 1e3 * (2.0 * np.hypot(1.0, 1.2) - 2.0) / SPEED, rel=1e-3
    )
    assert not [each for each in found.findings["warnings"] if "reflection" in each]
    frequency = found.directivity.observation.frequency
    level = amplitude_db(np.abs(found.directivity.on_axis) / np.abs(point(frequency, 0.0, 0.0) / 2.0))
    # Free of the image source, whose 0.8 in 2 of 3.1 m would be a ripple of 4 dB.
    assert np.abs(level[frequency > 1500.0]).max() < 0.1


def recorded(folder, edit, *, kind="sweep", subtype="DOUBLE", name="turn_+20.wav", tables=None):
    """A session whose one file went through `edit`; the samples that are left."""
    path = write_session_files(
        folder,
        radial_cap(0.09, 0.7),
        rig=RIG,
        kind=kind,
        swept=0.5 * exponential(0.5, 100.0, 20e3, rise=0.02, fall=0.01),
        tables={"analysis": ANALYSIS, **(tables or {})},
        **FEW,
    )
    samples, rate = soundfile.read(folder / name)
    write_wav(folder / name, edit(samples), rate, subtype=subtype)
    return path


def test_clipping_below_full_scale_is_told(tmp_path):
    """An amplifier that clips before the recorder does, at a third of full scale or anywhere else."""
    path = recorded(tmp_path, lambda x: np.clip(x, -0.6 * np.abs(x).max(), 0.6 * np.abs(x).max()))
    said = [each for each in warned(path) if "clipped" in each]
    assert [each.split(":")[0] for each in said] == ["turn_+20.wav"]
    assert "Record again at a lower level" in said[0]


def test_a_quiet_sweep_of_few_digits_is_not_clipped(tmp_path):
    """The slow tops of a sweep's beginning stand still for several samples of 16 bits."""
    path = recorded(tmp_path, lambda x: 0.2 * x / np.abs(x).max(), subtype="PCM_16")
    assert not [each for each in warned(path) if "clipped" in each or "zeros" in each]


def test_lost_samples_are_told(tmp_path):
    def dropped(samples):
        samples = samples.copy()
        samples[9600:9800] = 0.0
        return samples

    said = [each for each in warned(recorded(tmp_path, dropped)) if "samples were lost" in each]
    assert [each.split(":")[0] for each in said] == ["turn_+20.wav"]
    assert "4.2 ms of zeros at 200 ms" in said[0]  # 200 of 48 to a millisecond


def test_zeros_inside_the_gate_are_told_and_shorten_it(tmp_path):
    def padded(samples):
        return np.concatenate([samples[:600], np.zeros(samples.size - 600)])  # to 12.5 ms; the sound arrives at 7.1

    path = recorded(tmp_path, padded, kind="impulse_response", tables={"gate": {"length_ms": 9.0}})
    found = assemble(read_session(path))
    said = [each for each in found.findings["warnings"] if "zeros" in each]
    assert [each.split(":")[0] for each in said] == ["turn_+20.wav"]
    assert "from 12.50 ms on, inside the gate" in said[0]
    # What was heard lasted from the arrival to there: 1 over 5.4 ms, not over 9.
    arrival = found.findings["gate"]["arrival_ms"]
    assert found.findings["lowest_valid_hz"] == pytest.approx(1e3 / (12.5 - arrival), rel=1e-3)
    frequency, valid = found.directivity.observation.frequency, found.directivity.valid
    assert not valid[frequency < 180.0].any()


@pytest.mark.parametrize(
    ("present", "missing"),
    [
        (set(range(-170, 181, 10)), []),
        (set(range(-170, 181, 10)) - {30}, [30]),
        (set(range(-170, 181, 10)) - {180}, [180]),
        (set(range(-170, 181, 10)) - {-170, 50, 60}, [-170, 50, 60]),
        (set(range(-90, 91, 5)) - {-90}, [-90]),
        (set(range(0, 91, 5)) - {45}, [45]),
        ({0, 10, 20, 30, 45, 60, 75, 90}, []),
        ({0, 30, 90}, []),
    ],
)
def test_angles_that_an_even_run_lacks(present, missing):
    found = missing_angles(np.array(sorted(present)) * DEGREE) / DEGREE
    np.testing.assert_allclose(found, missing, atol=1e-6)


def test_a_missing_angle_is_told_with_its_file(tmp_path):
    path = write_session_files(
        tmp_path,
        slot(0.05),
        rig=RIG,
        off_axis_deg=[a for a in range(-90, 91, 10) if a != 40],
        azimuth_deg=(0.0,),
        symmetry="round",
        tables={"analysis": ANALYSIS, "rig": {"mounting": "baffle"}},
    )
    said = [each for each in warned(path) if "missing" in each]
    assert said == ["horizontal: 40 degrees is missing in a run that is otherwise even: measure it, as turn_+40.wav"]


ROWS = np.array([[20.0, -3.25, 170.5], [300.0, -1.0, -100.0], [1000.0, 0.5, -12.25], [20000.0, -60.0, -179.0]])


def text(path, rows, heading=""):
    path.write_text(heading + "".join("\t".join(f"{value:.6g}" for value in row) + "\n" for row in rows))
    return path


@pytest.mark.parametrize(
    ("heading", "factor"),
    [
        ("kHz dB degrees\n", (1e3, 1, 1)),
        ("* Freq(kHz)\tSPL(dB)\tPhase(deg)\n", (1e3, 1, 1)),
        ('"Frequency [kHz]";"Level [dB SPL]";"Phase [°]"\n', (1e3, 1, 1)),
        ("# units: kHz, dB, rad\n", (1e3, 1, 1 / DEGREE)),
        ("# A tone of 1 kHz at 94 dB\n# Frequency (Hz)  dB  radians\n", (1, 1, 1 / DEGREE)),
        ("rad/s dB degrees\n", (0.5 / np.pi, 1, 1)),
        ("# measured at 1 kHz, 20 rad of cable\n", (1, 1, 1)),
        ("Hz dB degrees\n", (1, 1, 1)),
    ],
)
def test_units_are_those_of_the_heading(tmp_path, heading, factor):
    path = text(tmp_path / "a.txt", ROWS / np.array(factor), heading)
    found = read_text_response(path)
    # Six digits are written.
    np.testing.assert_allclose(found.frequency, ROWS[:, 0], rtol=1e-5)
    np.testing.assert_allclose(found.level, ROWS[:, 1], atol=1e-4)
    np.testing.assert_allclose(found.phase / DEGREE, ROWS[:, 2], atol=1e-3)
    assert len(found.remarks) == sum(each != 1 for each in factor)


@pytest.mark.parametrize(("unit", "zero"), [("linear", 1.0), ("Pa", 20e-6), ("V", 1.0)])
def test_levels_that_are_no_decibels_become_some(tmp_path, unit, zero):
    rows = np.column_stack([ROWS[:, 0], zero * 10.0 ** (ROWS[:, 1] / 20.0)])
    found = read_text_response(text(tmp_path / "a.txt", rows, f"Hz {unit}\n"))
    np.testing.assert_allclose(found.level, ROWS[:, 1], atol=1e-4)


def spread(columns: int) -> np.ndarray:
    """A response of 40 frequencies, level about 80 dB, with a travel time in its phase. Invented."""
    frequency = np.geomspace(20.0, 20e3, 40)
    phase = np.angle(np.exp(-2j * np.pi * frequency * 1.3e-3)) / DEGREE
    return np.column_stack([frequency, 80.0 + 5.0 * np.sin(frequency / 3e3), phase])[:, :columns]


@pytest.mark.parametrize(
    ("change", "question"),
    [
        (lambda rows: rows * [1e-3, 1, 1], "are they kHz?"),
        (lambda rows: rows * [2e3 * np.pi / 1e3, 1, 1], "are they rad/s?"),
        (lambda rows: rows * [1, 1, DEGREE], "are they radians?"),
        (lambda rows: np.column_stack([rows[:, 0], 10.0 ** (0.05 * (rows[:, 1] - 80.0))]), "are they ratios, not dB?"),
    ],
)
def test_a_range_that_cannot_be_is_asked_about(tmp_path, change, question):
    path = text(tmp_path / "a.txt", change(spread(3)))
    with pytest.raises(InputError) as caught:
        read_text_response(path, of_source=True)
    assert str(caught.value).startswith(f"{path}: ")
    assert question in str(caught.value)
    assert "Write a heading above the numbers" in str(caught.value)


def test_a_plain_file_is_asked_nothing(tmp_path):
    found = read_text_response(text(tmp_path / "a.txt", spread(3)), of_source=True)
    assert found.remarks == ()


def test_kilohertz_in_a_session_give_the_same_directivity(tmp_path):
    files = {"analysis": ANALYSIS}
    path = write_session_files(tmp_path / "a", radial_cap(0.09, 0.7), rig=RIG, kind="response", tables=files, **FEW)
    right = assemble(read_session(path)).directivity
    for file in (tmp_path / "a").glob("turn_*.txt"):
        rows = np.loadtxt(file)
        text = "".join(f"{f / 1e3:.9f}\t{a:.6f}\t{p:.5f}\n" for f, a, p in rows)
        file.write_text("Freq[kHz]\tMag[dB]\tPhase[deg]\n" + text)
    found = assemble(read_session(path)).directivity
    # Nine digits of a frequency, times the phase of 6 ms.
    np.testing.assert_allclose(found.pressure, right.pressure, rtol=1e-4)


def test_the_command_says_it_and_ends_with_2(tmp_path, capsys):
    path = write_session_files(tmp_path, point, rig=RIG, kind="response", tables={"analysis": ANALYSIS}, **FEW)
    for file in tmp_path.glob("turn_*.txt"):
        rows = np.loadtxt(file)
        file.write_text("".join(f"{f / 1e3:.6f}\t{a:.6f}\t{p:.5f}\n" for f, a, p in rows))
    code, _, words = told(capsys, f"measure {path} --out {tmp_path / 'out'}")
    assert code == 2
    assert "are they kHz?" in words
    assert "Traceback" not in words


def test_session_json_lists_faults_and_the_sweeps_band(tmp_path, capsys, unpainted):
    path = recorded(tmp_path / "in", lambda x: -x)
    code, _, words = told(capsys, f"measure {path} --out {tmp_path / 'out'}")
    assert code == 0
    assert "turn_+20.wav: inverted" in words
    record = json.loads((tmp_path / "out" / "session.json").read_text())
    assert record["faults"] == [{"file": "turn_+20.wav", "what": "inverted", "amount": None}]
    assert record["sweep"]["to_hz"] == pytest.approx(19.1e3, rel=0.02)  # 5 ms before the end of 0.5 s, 200 to 1
