"""Ways of measured responses: sources in closed form, written as a rig would, read back and held against themselves."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from evenflare.air import Air
from evenflare.closed_forms import piston_axis_pressure
from evenflare.commands.measured_ways import read_measured
from evenflare.dsp.bode import bode_phase
from evenflare.dsp.drivers import Radiator, piston
from evenflare.dsp.measured import MeasuredPattern, MeasuredResponse, measured, nearby, upon_arrival
from evenflare.dsp.measured_table import MeasuredTable
from evenflare.dsp.speaker import read_speaker
from evenflare.files import InputError
from evenflare.measurement.text_response import write_text_response
from evenflare.measurement.wav import write_wav
from evenflare.results import tables
from evenflare.units import DEGREE, REFERENCE_PRESSURE, amplitude_db
from reports import piston as solved_piston

AIR = Air()
C = AIR.speed_of_sound
RADIUS = 0.065
AHEAD = np.array([0.0, 0.0, 1.0])
FINE = np.geomspace(15.0, 4000.0, 400)
HERE = np.zeros(1), np.zeros(1)


def closed_box(frequency, *, resonance: float = 55.0, quality: float = 0.9):
    """The high-pass of a driver in a closed box, as scipy has it: s^2 / (s^2 + s w0 / Q + w0^2)."""
    w = 2.0 * np.pi * resonance
    return signal.freqs([1.0, 0.0, 0.0], [1.0, w / quality, w**2], worN=2.0 * np.pi * np.asarray(frequency))[1]


def written(folder, name: str, frequency, pressure) -> str:
    write_text_response(folder / name, frequency, pressure * 20.0 * REFERENCE_PRESSURE, reference=REFERENCE_PRESSURE)
    return name


def seen_at(driver: Radiator, frequency, distance: float, angle: float = 0.0):
    """Pressure at a distance from the driver's own point, with the travel in its phase."""
    travel = np.exp(-2j * np.pi * frequency * distance / C) / distance
    return driver.far(frequency, np.array([angle]), np.zeros(1))[:, 0] * travel


def read(folder, model: Radiator, **keys) -> MeasuredResponse:
    table = MeasuredTable(**keys)

    def step(frequency):
        return model.far(frequency, *HERE)[:, 0]

    close = nearby(step, radius=RADIUS, distance=1e-3 * table.near_distance_mm, speed=C)
    return read_measured(folder / "speaker.toml", "woofer", table, close)


def off(found, expected) -> tuple[float, float]:
    """Greatest difference, in dB about its mean and in degrees."""
    level = amplitude_db(found / expected)
    return float(np.abs(level - level.mean()).max()), float(np.abs(np.angle(found / expected)).max() / DEGREE)


SPHERE = piston(RADIUS, speed_of_sound=C, sphere_radius=0.16)
BAFFLED = piston(RADIUS, speed_of_sound=C)


@pytest.mark.parametrize("model", [BAFFLED, SPHERE], ids=["baffle", "sphere"])
def test_piston_in_a_closed_box_read_back_is_the_modelled_way(model, tmp_path):
    name = written(tmp_path, "woofer.txt", FINE, seen_at(model, FINE, 2.0) * closed_box(FINE))
    found = read(tmp_path, model, response=name, distance_m=2.0, arrival="kept")
    made = measured(model, found, ahead=AHEAD)
    frequency = np.geomspace(16.0, 3900.0, 97)  # none of the file's own
    angle, azimuth = np.linspace(0.0, 0.5 * np.pi, 7), np.linspace(0.0, 3.0, 7)
    expected = model.far(frequency, angle, azimuth) * closed_box(frequency)[:, None]
    # The file has four decimals; between its lines straight over log frequency.
    error = made.far(frequency, angle, azimuth) / (20.0 * REFERENCE_PRESSURE * expected)
    assert np.abs(amplitude_db(error)).max() < 0.01
    assert np.abs(np.angle(error)).max() / DEGREE < 0.2
    assert made.band == pytest.approx((15.0, 4000.0))
    assert made.half_space == model.half_space


def test_delay_beyond_minimum_phase_is_taken_out_and_told(tmp_path):
    # A closed box is minimum-phase, so what is left beside it is the travel, 2 m, and a latency.
    late = np.exp(-2j * np.pi * FINE * 7e-3)
    name = written(tmp_path, "woofer.txt", FINE, -seen_at(BAFFLED, FINE, 2.0) * closed_box(FINE) * late)
    found, delay = upon_arrival(read(tmp_path, BAFFLED, response=name, distance_m=2.0))
    level, degrees = off(found.on_axis, -closed_box(found.frequency))
    assert level < 0.01
    assert degrees < 1.0
    assert delay == pytest.approx(7e-3, abs=2e-6)


def test_level_alone_gets_the_phase_that_goes_with_it(tmp_path):
    lines = "".join(
        f"{f:.6g} {90.0 + amplitude_db(np.abs(h)):.4f}\n" for f, h in zip(FINE, closed_box(FINE), strict=True)
    )
    (tmp_path / "level.txt").write_text(lines)
    found = read(tmp_path, BAFFLED, response="level.txt")
    assert not found.phase_known
    made, delay = upon_arrival(found)
    level, degrees = off(made.on_axis, closed_box(FINE))
    assert delay == 0.0
    assert level < 0.01
    assert degrees < 3.0  # the last octave's slope, 15 to 30 Hz, is not yet that of all below


@pytest.mark.parametrize("model", [BAFFLED, SPHERE], ids=["baffle", "sphere"])
def test_near_and_far_field_merged_are_the_source_down_to_the_lowest(model, tmp_path):
    # Close to its middle a piston sounds the same in any box: the exact field on axis, of a constant acceleration.
    velocity = closed_box(FINE) / (1j * FINE)
    near = np.array(
        [
            piston_axis_pressure(f, 4e-3, radius=RADIUS, velocity=1.0, air=AIR) * v
            for f, v in zip(FINE, velocity, strict=True)
        ]
    )
    late = np.exp(-2j * np.pi * FINE * 1.3e-3)
    above = FINE > 170.0
    far = seen_at(model, FINE, 1.0) * closed_box(FINE)
    keys = {
        "response": written(tmp_path, "far.txt", FINE[above], far[above]),
        "near_field": written(tmp_path, "near.txt", FINE[FINE < 900.0], -1e3 * (near * late)[FINE < 900.0]),
        "near_distance_mm": 4.0,
        "merge_hz": 300.0,
        "arrival": "kept",
    }
    found = read(tmp_path, model, **keys)
    assert found.frequency[0] == pytest.approx(15.0)
    expected = model.far(found.frequency, *HERE)[:, 0] * closed_box(found.frequency)
    level, degrees = off(found.on_axis, expected)
    assert level < 0.05
    assert degrees < 1.0
    assert any("near.txt was of the other polarity" in each for each in found.told)
    # Without the step of its box a near field is 6 dB too loud far below: the merge would not find the source.
    if not model.half_space:
        plain = read(tmp_path, BAFFLED, **keys)
        assert off(plain.on_axis, expected)[0] > 1.0


def test_angles_are_heard_where_they_were_measured_and_the_model_where_not():
    other = piston(0.09, speed_of_sound=C)
    frequency = np.geomspace(100.0, 2500.0, 40)
    angle = np.arange(0.0, 61.0, 10.0) * DEGREE
    relative = other.far(frequency, angle, np.zeros(angle.size)) / other.far(frequency, *HERE)
    pattern = MeasuredPattern(frequency, angle, relative)
    on_axis = 3.0 * closed_box(frequency)
    made = measured(BAFFLED, MeasuredResponse(frequency, on_axis, True, pattern, ()), ahead=AHEAD)
    within = np.linspace(0.0, 60.0, 25) * DEGREE
    for azimuth in (0.0, 2.0):
        expected = on_axis[:, None] * other.far(frequency, within, np.zeros(within.size))
        sent = made.far(frequency, within, np.full(within.size, azimuth))
        assert np.abs(sent - expected).max() < 0.03 * np.abs(on_axis).max()
    at_angles = made.far(frequency, angle, np.zeros(angle.size)) / on_axis[:, None]
    assert at_angles == pytest.approx(relative, abs=1e-9)
    # Beside the baffle nothing was measured: the model's pattern, with the measured response on axis.
    beside = made.far(frequency, np.array([0.5 * np.pi]), np.zeros(1))
    assert beside == pytest.approx(on_axis[:, None] * BAFFLED.far(frequency, np.array([0.5 * np.pi]), np.zeros(1)))
    assert np.all(made.far(frequency, np.array([2.0]), np.zeros(1)) == 0.0)


def test_driver_in_a_side_has_its_angles_about_its_own_axis():
    frequency = np.array([200.0, 800.0])
    angle = np.array([0.0, 0.25, 0.5]) * np.pi
    relative = np.array([[1.0, 0.8, 0.5], [1.0, 0.7, 0.2]])
    pattern = MeasuredPattern(frequency, angle, relative)
    right = np.array([1.0, 0.0, 0.0])
    point = Radiator(lambda f, off_axis, around: np.ones((f.size, off_axis.size), complex), False, (0.0, np.inf), C)
    made = measured(point, MeasuredResponse(frequency, np.ones(2), True, pattern, ()), ahead=right)
    quarter = 0.5 * np.pi
    heard = made.far(frequency, np.array([quarter, 0.0, quarter, quarter]), np.array([0.0, 0.0, quarter, np.pi]))
    assert heard[:, 0] == pytest.approx(relative[:, 0])
    assert heard[:, 1] == pytest.approx(relative[:, 2])
    assert heard[:, 2] == pytest.approx(relative[:, 2])
    assert heard[:, 3] == pytest.approx(1.0)


RATE = 48000.0


def impulse(*, seconds: float = 0.2, reflected: float = 0.0) -> np.ndarray:
    """A Butterworth high-pass of 300 Hz that arrives after 5 ms, and again 12 ms later from a wall."""
    dry = np.zeros(round(seconds * RATE))
    dry[240] = 0.5
    dry[240 + 576] += 0.5 * reflected
    return signal.sosfilt(signal.butter(2, 300.0, "highpass", fs=RATE, output="sos"), dry)


def test_impulse_response_is_gated_before_the_wall_is_heard(tmp_path):
    write_wav(tmp_path / "woofer.wav", impulse(reflected=0.7), sample_rate=RATE)
    gated = read(tmp_path, BAFFLED, response="woofer.wav", gate_ms=11.5, arrival="kept", distance_m=1.0)
    whole = read(tmp_path, BAFFLED, response="woofer.wav", arrival="kept", distance_m=1.0)
    assert gated.frequency[0] == pytest.approx(1.0 / 11.5e-3, rel=0.02)
    sections = signal.butter(2, 300.0, "highpass", fs=RATE, output="sos")

    def against(found: MeasuredResponse, low: float):
        frequency = found.frequency[(found.frequency > low) & (found.frequency < 15e3)]
        expected = signal.sosfreqz(sections, frequency, fs=RATE)[1]
        # 5 ms from the first sample, less the travel over a metre.
        expected = expected * np.exp(-2j * np.pi * frequency * (5e-3 - 1.0 / C))
        return off(np.interp(frequency, found.frequency, found.on_axis), expected)

    level, degrees = against(gated, 400.0)
    assert level < 0.1
    assert degrees < 1.0
    assert against(whole, 400.0)[0] > 3.0


def test_impulse_responses_by_angle_keep_their_times(tmp_path):
    for angle, delay in ((0, 0), (30, 6), (60, 12)):
        write_wav(tmp_path / f"w_{angle}.wav", np.roll(impulse(), delay) * (1.0 - angle / 100.0), sample_rate=RATE)
    found = read(tmp_path, BAFFLED, response="w_{off_axis_deg}.wav", gate_ms=30.0)
    assert found.pattern is not None
    assert found.pattern.off_axis / DEGREE == pytest.approx([0.0, 30.0, 60.0])
    middle = found.pattern.frequency > 300.0
    late = np.exp(-2j * np.pi * found.pattern.frequency[middle] * 12.0 / RATE)
    assert found.pattern.relative[middle, 2] == pytest.approx(0.4 * late, abs=2e-3)


SPEAKER = """
[waveguide]
directivity = "solved"
[woofer]
piston_radius_mm = 65
below_mm = 220
equalised_to = "nothing"
[woofer.measured]
response = "far.txt"
near_field = "near.txt"
merge_hz = 300
[woofer.crossover]
kind = "linkwitz_riley"
order = 8
frequency_hz = 800
[baffle]
width_mm = 220
height_mm = 400
[analysis]
from_hz = 30
per_octave = 6
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A folder with an invented waveguide, and a woofer measured on the sphere that stands for its front."""
    here = tmp_path_factory.mktemp("bench")
    tables.write_solution(here / "solved", solved_piston(frequencies=33), name="demo", design_id="0123456789ab")
    sphere = piston(RADIUS, speed_of_sound=C, sphere_radius=float(np.sqrt(0.22 * 0.4 / np.pi)))
    above = FINE > 170.0
    written(here, "far.txt", FINE[above], (seen_at(sphere, FINE, 1.0) * closed_box(FINE))[above])
    near = piston_axis_pressure(FINE, 5e-3, radius=RADIUS, velocity=1.0, air=AIR) * closed_box(FINE) / (1j * FINE)
    written(here, "near.txt", FINE, near)
    written(here, "other.txt", FINE, near * FINE**4)
    return here


def speaker(bench, text: str):
    path = bench / "speaker.toml"
    path.write_text(text)
    return read_speaker(path, reading=read_measured)


BOX = '[woofer.box]\nalignment = "closed"\nfrequency_hz = 55\nquality = 0.9\n'


@pytest.mark.parametrize("box", ["", BOX, BOX.replace("55", "90")], ids=["no table", "its box", "another box"])
def test_measured_way_in_a_loudspeaker_is_the_modelled_one_in_its_box(bench, box):
    # On a sphere, whose step the file's [baffle] takes out: left is the closed box, in a baffle. What stands in the
    # table of the box changes nothing of what was measured.
    found = speaker(bench, SPEAKER + box)
    sounds = found.sounds
    woofer = sounds.own[1].on_axis
    level, _ = off(woofer, closed_box(sounds.frequency))
    assert level < 0.1
    index = [each for each in found.assumed if each.startswith("woofer")]
    assert "woofer: measured on axis at 1 m (far.txt)" in index
    assert any("baffle step is taken out" in each for each in index)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"far.txt"', '"none.txt"', '[woofer.measured] response = "none.txt": '),
        ('"near.txt"', '"none.txt"', '[woofer.measured] near_field = "none.txt": '),
        ('"far.txt"', '"f_{off_axis_deg}.txt"', "names no file"),
        ("merge_hz = 300", "", "near_field: is given without merge_hz"),
        ("merge_hz = 300", "merge_hz = 3000", "[woofer.measured] merge_hz = 3000: must be at most"),
        ("merge_hz = 300", "merge_hz = 200", "far.txt reaches from 171"),
        ('"near.txt"', '"other.txt"', "other.txt differs from far.txt by"),
        ("frequency_hz = 800", "frequency_hz = 3500", "[woofer] measured: is known from 15 to 4000 Hz"),
        ("piston_radius_mm = 65", 'directivity = "solved"', "measured: needs piston_radius_mm"),
        ("merge_hz = 300", "merge_hz = 5", "merge_hz = 5: must be 20 to 5000"),
        ("width_mm = 220\nheight_mm = 400", "width_mm = 60\nheight_mm = 100", "[baffle]: its front"),
    ],
)
def test_faults_of_measured_ways_name_file_and_key(bench, old, new, said):
    with pytest.raises(InputError) as error:
        speaker(bench, SPEAKER.replace(old, new))
    assert said in str(error.value)


def test_angles_must_begin_on_axis_and_have_phases(bench):
    flat = np.ones(FINE.size, dtype=complex)
    for angle in (10, 20):
        written(bench, f"late_{angle}.txt", FINE, flat)
    with pytest.raises(InputError, match="must begin at 0, on axis"):
        speaker(bench, SPEAKER.replace('"far.txt"', '"late_{off_axis_deg}.txt"'))
    for angle in (0, 10):
        (bench / f"level_{angle}.txt").write_text("20 80\n10000 80\n")
    with pytest.raises(InputError, match="has no phases, which directions need"):
        speaker(bench, SPEAKER.replace('"far.txt"', '"level_{off_axis_deg}.txt"'))


@pytest.mark.parametrize("order", [2, 4])
def test_phase_by_slopes_is_that_of_a_minimum_phase_filter(order):
    # Known over less than two octaves of either slope, which still bends there; held levels would be 27 degrees off.
    frequency = np.geomspace(15.0, 8000.0, 300)
    both = [*signal.butter(order, [2 * np.pi * 55.0, 2 * np.pi * 2500.0], "bandpass", analog=True)]
    expected = signal.freqs(*both, worN=2.0 * np.pi * frequency)[1]
    apart = np.angle(expected * np.exp(-1j * bode_phase(frequency, np.abs(expected))))
    assert np.abs(apart).max() / DEGREE < 4.0
