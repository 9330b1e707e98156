"""What stands ahead of a way's slopes: equalisers fitted for a way, and protective high-passes."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from evenflare.commands.measured_ways import read_measured
from evenflare.dsp import slopes
from evenflare.dsp.biquad import Biquad, cookbook, response
from evenflare.dsp.crossover import Crossing
from evenflare.dsp.drivers import Radiator, piston
from evenflare.dsp.filter_set import of_crossover, way_sections
from evenflare.dsp.fit import SectionLimits
from evenflare.dsp.joining import join
from evenflare.dsp.own_filters import FittedEqualiser, OwnFilters, behind, fitted_equaliser
from evenflare.dsp.placing import Way, heard
from evenflare.dsp.slopes import Slope
from evenflare.dsp.speaker import read_speaker
from evenflare.files import InputError
from evenflare.report.filters import crossing
from evenflare.results import tables
from evenflare.results.crossover import columns, record
from evenflare.units import amplitude_db
from reports import piston as solved_piston

C = 343.2
RATE = 96000
HERE = ((0.0, 0.0, 0.0),)


def resonant(*, frequency: float, gain: float, quality: float) -> Radiator:
    """A small piston in a baffle behind a peak of the cookbook's: what a peak of the opposite gain takes back."""
    plain = piston(0.02, speed_of_sound=C)
    b, a = cookbook("peaking", frequency, sample_rate=float(RATE), quality=quality, gain_db=gain)

    def far(at, off_axis, azimuth):
        z = np.exp(-2j * np.pi * np.asarray(at)[:, None] / RATE * np.arange(3))
        return plain.far(at, off_axis, azimuth) * ((z @ b) / (z @ a))[:, None]

    return Radiator(far, True, (0.0, np.inf), C)


@pytest.fixture(scope="module")
def flattened() -> tuple[Way, FittedEqualiser]:
    way = Way("woofer", resonant(frequency=800.0, gain=6.0, quality=5.0), HERE)
    found = fitted_equaliser(
        way, "on_axis", band=(100.0, 4000.0), limits=SectionLimits(sections=2), sample_rates=(44100, RATE)
    )
    return way, found


def test_fitted_equaliser_takes_back_a_planted_resonance(flattened):
    way, found = flattened
    at = np.geomspace(100.0, 4000.0, 300)
    axis = way.driver.far(at, np.zeros(1), np.zeros(1))[:, 0]
    before = amplitude_db(axis)
    after = amplitude_db(axis * OwnFilters(found).response(at, sample_rate=RATE))
    assert np.ptp(before) > 5.9
    # Levels are smoothed over a twelfth of an octave before they are corrected: a peak of Q 5 keeps a little.
    assert np.ptp(after) < 0.6
    peak = max(found.fitted.sections[RATE], key=lambda each: abs(each.gain))
    assert peak.frequency == pytest.approx(800.0, rel=0.01)
    assert peak.gain == pytest.approx(-6.0, abs=0.4)
    assert peak.quality == pytest.approx(5.0, rel=0.15)


def test_way_behind_its_own_filters_is_level_and_its_power_follows(flattened):
    way, found = flattened
    passing = Crossing(Slope("butterworth", 2), 60.0)
    frequency = np.geomspace(30.0, 3000.0, 40)
    other = Way("waveguide", piston(0.02, speed_of_sound=C), ((0.0, 0.3, 0.0),))
    sounds = heard([other, replace(way, level="nothing")], frequency)
    filters = (OwnFilters(), OwnFilters(found, passing))
    made = behind(sounds, filters, sample_rate=RATE)
    axis = made.pressure[1, :, 0, int(np.argmin(np.abs(made.observation.off_axis)))]
    expected = slopes.response(passing.slope, "high_pass", frequency, corner=60.0, sample_rate=RATE)
    flat = (frequency > 150.0) & (frequency < 3000.0)
    assert np.abs(amplitude_db(axis / expected)[flat]).max() < 0.4
    assert np.all(made.pressure[0] == sounds.pressure[0])
    # Power and window as integrals of the very pressures: the same as those of ways that had them from the start.
    ratio = made.power[:, 1, 1].real / sounds.power[:, 1, 1].real
    assert ratio == pytest.approx(np.abs(made.pressure[1, :, 3, 50] / sounds.pressure[1, :, 3, 50]) ** 2, rel=1e-9)
    cross = made.window[:, 0, 1] / sounds.window[:, 0, 1]
    assert cross == pytest.approx(np.conj(made.pressure[1, :, 0, 36] / sounds.pressure[1, :, 0, 36]), rel=1e-9)


@pytest.mark.parametrize(("order", "corner"), [(2, 80.0), (3, 25.0), (4, 40.0)])
def test_high_pass_is_the_butterworth_of_scipy(order, corner):
    made = OwnFilters(high_pass=Crossing(Slope("butterworth", order), corner))
    at = np.geomspace(5.0, 20e3, 50)
    _, expected = signal.sosfreqz(signal.butter(order, corner, "highpass", fs=RATE, output="sos"), at, fs=RATE)
    assert np.abs(made.response(at, sample_rate=RATE) / expected - 1.0).max() < 1e-6


def test_equaliser_that_needs_too_much_is_refused():
    way = Way("woofer", resonant(frequency=800.0, gain=-36.0, quality=1.0), HERE)
    with pytest.raises(ValueError, match=r"a boost of \d+\.\d dB at 7\d\d\.\d Hz: must be at most 12 dB"):
        fitted_equaliser(way, "on_axis", band=(100.0, 10e3), limits=SectionLimits(sections=4), sample_rates=(44100,))


FOUR = """
name = "invented four-way"
[waveguide]
directivity = "solved"
equaliser_sections = 5
equaliser_boost_db = 20
[midrange]
piston_radius_mm = 50
below_mm = 150
equaliser_sections = 4
equalised_to = "listening_window"
[midrange.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 1800
[lower_midrange]
piston_radius_mm = 90
below_mm = 330
equaliser_sections = 3
high_pass_hz = 90
high_pass_order = 2
[lower_midrange.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 700
[woofer]
piston_radius_mm = 130
below_mm = 620
equaliser_sections = 3
equaliser_band_hz = [60, 500]
high_pass_hz = 35
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = [220, 230]
[analysis]
per_octave = 6
[filters]
sample_rates_hz = [48000, 96000]
"""


@pytest.fixture(scope="module")
def four(tmp_path_factory):
    """The file of four ways, each with an equaliser, in a folder with an invented directivity."""
    folder = tmp_path_factory.mktemp("four")
    tables.write_solution(
        folder / "solved", solved_piston(step_deg=5.0, frequencies=33), name="demo", design_id="0123456789ab"
    )
    (folder / "speaker.toml").write_text(FOUR)
    return folder / "speaker.toml"


@pytest.fixture(scope="module")
def joined(four):
    return join(read_speaker(four, reading=read_measured))


def test_own_filters_are_in_sections_curves_and_sum(joined):
    frequency = joined.speaker.sounds.frequency
    curves = columns(joined)
    for way, name in enumerate(("waveguide", "midrange", "lower_midrange", "woofer")):
        setting = joined.crossover.settings[way]
        whole = response(way_sections(joined, way, RATE), frequency, sample_rate=RATE) * 10 ** (setting.gain / 20.0)
        assert curves[f"{name}_filter_db"] == pytest.approx(amplitude_db(whole), abs=1e-6)
        # What is driven by these very sections is what the curve of the way behind its filter says.
        driven = curves[f"{name}_taken_out_db"] + curves[f"{name}_on_axis_db"] - amplitude_db(whole)
        alone = joined.speaker.sounds.ways[way].driver.far(frequency, np.zeros(1), np.zeros(1))[:, 0]
        assert driven == pytest.approx(amplitude_db(alone), abs=1e-6)
    # A high-pass takes 3 dB at its corner, beside slopes that take nothing there.
    place = int(np.argmin(np.abs(frequency - 90.0)))
    corner = 90.0
    passing = -10.0 * np.log10(1.0 + (corner / frequency[place]) ** 4)
    high = response(joined.speaker.own_filters[2].sections(RATE)[:1], frequency[place], sample_rate=RATE)
    assert float(amplitude_db(np.abs(high))) == pytest.approx(passing, abs=0.01)


def test_equalised_ways_are_level_where_they_play(joined):
    sounds = joined.speaker.sounds
    axis = sounds.pressure[:, :, 0, int(np.argmin(np.abs(sounds.observation.off_axis)))]
    for place, (low, high) in enumerate([(1800.0, 9000.0), (700.0, 1800.0), (260.0, 700.0), (90.0, 220.0)]):
        inside = (sounds.frequency > low) & (sounds.frequency < high)
        assert np.ptp(amplitude_db(axis[place, inside])) < 1.0


def test_record_and_the_set_to_take_home_hold_the_own_filters(joined):
    ways = record(joined, command="none")["ways"]
    assert [each["equalised_to"] for each in ways] == ["on_axis", "listening_window", "on_axis", "on_axis"]
    assert ways[3]["high_pass"] == {"kind": "butterworth", "order": 4, "frequency_hz": 35.0}
    assert ways[0]["high_pass"] is None
    assert ways[3]["equaliser"]["from_hz"] == 60.0
    assert len(ways[3]["equaliser"]["sections"]["48000"]) <= 3
    for made, place in zip(of_crossover(joined), range(4), strict=True):
        assert sorted(made.sections) == [44100, 48000, 96000, 192000]
        own = joined.speaker.own_filters[place]
        for found, expected in zip(made.sections[192000], own.sections(192000), strict=False):
            assert np.array_equal(found.b, expected.b)
            assert np.array_equal(found.a, expected.a)
        assert len(made.sections[192000]) > len(own.sections(192000)) > 0


def test_equalisers_and_high_passes_are_told(joined):
    said = crossing.lines(joined)
    count = len(joined.speaker.own_filters[3].equaliser.fitted.sections[RATE])
    assert any(f"of {count} section" in each and "from 60 Hz to 500 Hz, which leaves 0." in each for each in said)
    assert any(each.startswith("Woofer: ") and each.endswith("high-pass at 35 Hz, 24 dB per octave") for each in said)
    assert not any(each.startswith("Midrange: ") and "high-pass" in each for each in said)


def written(folder, rates) -> list[Biquad]:
    """An equaliser's file of two peaks of the cookbook's, and these at the highest rate."""
    peaks = [(400.0, -4.0, 2.0), (1500.0, 3.0, 1.0)]
    made = {
        rate: [Biquad(*cookbook("peaking", f, sample_rate=rate, quality=q, gain_db=gain)) for f, gain, q in peaks]
        for rate in rates
    }
    record = {
        "name": "invented",
        "design_id": "0123456789ab",
        "aim": {"from_hz": 100.0, "to_hz": 5000.0},
        "fir": {"files": {}},
        "sections": {
            str(rate): [{"b": each.b.tolist(), "a": each.a.tolist()} for each in own] for rate, own in made.items()
        },
    }
    (folder / "own.json").write_text(json.dumps(record))
    return made[max(rates)]


def test_equaliser_that_is_read_is_in_front_or_in_the_filters(four):
    peaks = written(four.parent, (48000, 96000))
    upper, woofer = FOUR[: FOUR.index("equaliser_sections")], FOUR[FOUR.index("[woofer]") :]
    text = (upper + woofer).replace("[220, 230]", "900").replace("equaliser_band_hz = [60, 500]\n", "")
    text = text.replace("equaliser_sections = 3", 'equalised_to = "nothing"\nequaliser = "own.json"')
    path = four.with_name("read.toml")
    path.write_text(text)
    front = read_speaker(path, reading=read_measured)
    path.write_text(text.replace('"own.json"', '"own.json"\nequaliser_in_filters = true'))
    inside = read_speaker(path, reading=read_measured)
    at = inside.sounds.frequency
    passing = slopes.response(Slope("butterworth", 4), "high_pass", at, corner=35.0, sample_rate=RATE)
    assert inside.sounds.ahead[1] == pytest.approx(passing * response(peaks, at, sample_rate=RATE), rel=1e-9)
    assert front.sounds.ahead[1] == pytest.approx(passing, rel=1e-9)
    # What is heard is the same; only where the equaliser stands is not.
    assert inside.sounds.pressure == pytest.approx(front.sounds.pressure, rel=1e-9)
    assert inside.sounds.power == pytest.approx(front.sounds.power, rel=1e-9)
    assert [each.b.tolist() for each in inside.own_filters[1].sections(RATE)[2:]] == [each.b.tolist() for each in peaks]
    assert record(join(inside), command="none")["ways"][1]["equaliser"]["file"].endswith("own.json")
    # A processor's set is made at the rates that the equaliser knows.
    assert sorted(of_crossover(join(inside))[0].sections) == [48000, 96000]
    written(four.parent, (48000,))
    with pytest.raises(InputError, match=r"equaliser = .own.json.: holds sections at 48000 Hz, none at 96000"):
        read_speaker(path, reading=read_measured)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("high_pass_hz = 35", "high_pass_hz = 950", "[woofer] high_pass_hz = 950: must be below its crossover, 900"),
        ("[60, 500]", "[60, 90]", "[woofer] equaliser_band_hz = [60, 90]: from 60 to 90 Hz is less than an octave"),
        ("[60, 500]", "[500, 60]", "[woofer] equaliser_band_hz = [500, 60]: must be [least, greatest]"),
        ("high_pass_hz = 35", "high_pass_order = 2", "high_pass_order: is given without high_pass_hz"),
        (
            "[woofer]",
            '[woofer]\nequalised_to = "nothing"',
            'equaliser_sections and equalised_to = "nothing" exclude each other',
        ),
        (
            "[woofer]",
            "[woofer]\nequaliser_in_filters = true",
            "equaliser_in_filters = true: is given without equaliser",
        ),
        ("equaliser_sections = 3", "equaliser_sections = 0", "equaliser_sections = 0: must be 1 to 20"),
    ],
)
def test_faults_of_own_filters_name_the_key(four, old, new, said):
    path = four.with_name("wrong.toml")
    upper, woofer = FOUR[: FOUR.index("equaliser_sections")], FOUR[FOUR.index("[woofer]") :]
    path.write_text((upper + woofer).replace("[220, 230]", "900").replace(old, new))
    with pytest.raises(InputError) as error:
        read_speaker(path, reading=read_measured)
    assert said in str(error.value)
