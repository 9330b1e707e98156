"""The command that joins the ways of a loudspeaker, as a user gives it."""

from __future__ import annotations

import csv
import dataclasses
import json
import textwrap

import numpy as np
import pytest
from scipy.optimize import brentq

from commandline import contents, said
from evenflare import metrics
from evenflare.cli.crossing import KEYS
from evenflare.closed_forms import piston_index
from evenflare.directivity.folder import read_directivity
from evenflare.dsp.biquad import Biquad, response
from evenflare.report.kit import canvas
from evenflare.results import tables
from evenflare.units import amplitude_db
from reports import AIR, piston

SPEAKER = """
name = "invented two-way"
[waveguide]
directivity = "solved"
[woofer]
piston_radius_mm = 80
below_mm = 220
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 1200
"""


@pytest.fixture
def undrawn(monkeypatch):
    """Pictures as empty files: drawing takes most of the time, and one test looks at them."""
    monkeypatch.setattr(canvas, "png", lambda figure: b"")


@pytest.fixture
def bench(here):
    """A folder with an invented directivity in it: a piston of 60 mm in a baffle, valid from 300 Hz to 12 kHz."""
    tables.write_solution(here / "solved", piston(step_deg=5.0, frequencies=33), name="demo", design_id="0123456789ab")

    def write(text: str):
        (here / "speaker.toml").write_text(text)
        return here

    return write


def refused(capsys, folder) -> str:
    """The message of a refusal; nothing was written."""
    before = contents(folder)
    code, out, err = said(capsys, "crossover speaker.toml --out crossed")
    assert code == 2
    assert out == ""
    assert contents(folder) == before
    return err


def read(path) -> dict[str, np.ndarray]:
    rows = list(csv.reader(line for line in path.read_text().splitlines() if not line.startswith("#")))
    return {
        name: np.array(values, dtype=object) for name, values in zip(rows[0], zip(*rows[1:], strict=True), strict=True)
    }


def numbers(column) -> np.ndarray:
    return np.array([float(each) if each else np.nan for each in column])


def test_crossover_writes_filters_curves_the_sum_and_a_page(capsys, bench, unpainted):
    here = bench(SPEAKER)
    code, out, err = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert (code, err) == (0, "")
    assert "Woofer to waveguide at 1200 Hz, Linkwitz-Riley, order 4: index there waveguide" in out
    folder = here / "crossed"
    listed = {line.split()[0] for line in out.split("Written in crossed:\n")[1].splitlines()}
    assert listed == {each.name + ("/" if each.is_dir() else "") for each in folder.iterdir()}
    record = json.loads((folder / "crossover.json").read_text())
    curves = read(folder / "crossover_curves.csv")
    frequency = numbers(curves["frequency_hz"])
    for way in record["ways"]:
        rows = [Biquad(np.array(each["b"]), np.array(each["a"])) for each in way["sections"]["96000"]]
        level = amplitude_db(response(rows, frequency, sample_rate=96000.0)) + way["gain_db"]
        assert numbers(curves[f"{way['name']}_filter_db"]) == pytest.approx(level, abs=1e-4)  # its decimals
        assert set(way["sections"]) == {"44100", "48000", "96000"}
        assert way["fir"] == {}
    # Both ways flat on axis: Linkwitz-Riley adds up to 0 dB.
    assert numbers(curves["on_axis_db"]) == pytest.approx(np.zeros(frequency.size), abs=1e-4)
    assert "a1 and a2 are subtracted" in (folder / "coefficients.csv").read_text()
    page = (folder / "crossover.html").read_text()
    for word in ("Where the directivities meet", "Vertical lobes", "Power", "Assumed", "in an infinite baffle"):
        assert word in page
    for name in ("ways", "index", "lobes", "vertical_map", "power"):
        assert (folder / f"{name}.png").read_bytes().startswith(b"\x89PNG")
    lobes = read(folder / "vertical_lobes.csv")
    nearest = min(frequency, key=lambda each: abs(np.log(each / 1200)))
    assert record["crossings"][0]["vertical_lobe_at_hz"] == pytest.approx(nearest, rel=1e-7)  # eight digits in a table
    assert numbers(lobes["frequency_hz"]) == pytest.approx(record["crossings"][0]["vertical_lobe_at_hz"], rel=1e-7)


def test_sum_reads_back_as_a_directivity_with_its_power(capsys, bench, undrawn):
    here = bench(SPEAKER)
    said(capsys, "crossover speaker.toml --out crossed --quiet")
    found = read_directivity(here / "crossed" / "speaker").directivity
    curves = read(here / "crossed" / "crossover_curves.csv")
    assert metrics.directivity_index(found) == pytest.approx(numbers(curves["index_db"]), abs=2e-3)
    # Behind a filter that makes it flat the pressure at 1 m is 1 Pa: 94 dB.
    assert metrics.on_axis_level(found) == pytest.approx(np.full(found.on_axis.size, 93.979), abs=1e-3)
    assert found.observation.symmetry == "left_right"


def test_a_null_on_the_axis_is_a_fault_first_of_all_and_the_answer_is_no(capsys, bench, undrawn):
    here = bench(SPEAKER.replace("below_mm = 220", 'below_mm = 220\npolarity = "inverted"'))
    code, out, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 1
    assert out.startswith("fault: a null at 1.2 kHz, ")
    assert "on the axis" in out.splitlines()[0]
    (axis, *_) = json.loads((here / "crossed" / "crossover.json").read_text())["faults"]
    assert axis["place_m"] is None
    assert "fault: a null at 1.2 kHz" in (here / "crossed" / "crossover.html").read_text().split("The crossover")[0]


def test_places_among_the_drivers_are_refused(capsys, bench):
    here = bench(SPEAKER.replace("below_mm = 220", "below_mm = 700") + "[search]\ndistances_m = [0.5, 1]\n")
    assert "[search] distances_m: 0.5 m lies among the drivers, which reach 0.7 m" in refused(capsys, here)


def test_the_example_of_the_help_works(capsys, bench, undrawn):
    lines = [line for line in KEYS.splitlines() if line.startswith("  ")]
    text = textwrap.dedent("\n".join(line.split("   ")[0] for line in lines))
    here = bench(text)
    code, _, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 0
    assert 900 <= json.loads((here / "crossed" / "crossover.json").read_text())["crossings"][0]["frequency_hz"] <= 2000


FOUR = """
[waveguide]
directivity = "solved"
equalised_to = "listening_window"
delay_ms = [0, 0.3]
[midrange]
piston_radius_mm = 40
below_mm = 150
[midrange.crossover]
kind = ["linkwitz_riley", "linear_phase"]
order = 8
frequency_hz = [1500, 2500]
[lower_midrange]
piston_radius_mm = 80
below_mm = 320
polarity = ["normal", "inverted"]
[lower_midrange.crossover]
kind = "linear_phase"
order = 4
frequency_hz = 600
[woofer]
piston_radius_mm = 125
below_mm = [600, 880]
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 200
[baffle]
width_mm = 320
height_mm = 1000
[filters]
sample_rates_hz = [48000]
fir_ms = 20
[analysis]
per_octave = 6
distance_m = 3
"""


def test_four_ways_with_two_woofers_linear_phase_and_a_baffle_step(capsys, bench, undrawn):
    here = bench(FOUR)
    code, out, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 0
    assert "Baffle step of a sphere of the same front (319 mm radius)" in out  # sqrt(0.32 / pi)
    record = json.loads((here / "crossed" / "crossover.json").read_text())
    assert [way["name"] for way in record["ways"]] == ["waveguide", "midrange", "lower_midrange", "woofer"]
    assert [each["up"] for each in record["ways"][3]["positions_mm"]] == [-600, -880]
    # All four, those without a linear slope of their own too: alike in latency, and together one sample.
    taps = []
    for way in record["ways"]:
        assert (way["fir"]["48000"]["taps"], way["fir"]["48000"]["latency_samples"]) == (961, 480)  # 20 ms
        text = (here / "crossed" / way["fir"]["48000"]["text"]).read_text().splitlines()
        taps.append(np.array([float(line) for line in text if not line.startswith("#")]))
    assert taps[3].sum() == pytest.approx(1.0, abs=1e-3)  # low-passes let the lowest through; windowed
    assert min(way["delay_ms"] for way in record["ways"]) == 0.0
    assert record["baffle_step"]["sphere_radius_mm"] == pytest.approx(np.sqrt(0.32 / np.pi) * 1e3)
    step = numbers(read(here / "crossed" / "crossover_curves.csv")["baffle_step_db"])
    assert -6.03 < step[0] < -4.0  # 50 Hz: kR = 0.29
    assert abs(step[-1]) < 0.5
    # The woofer's linear slope lets these frequencies through: its filter is its sections', the shelf with them.
    curves, rows = (read(here / "crossed" / f"{name}.csv") for name in ("crossover_curves", "coefficients"))
    own = [Biquad(np.array(each["b"]), np.array(each["a"])) for each in record["ways"][3]["sections"]["48000"]]
    at = numbers(curves["frequency_hz"])[:6]
    heard = amplitude_db(np.abs(response(own, at, sample_rate=48000)))
    gain = record["ways"][3]["gain_db"]
    # The window of 20 ms ripples a little.
    assert numbers(curves["woofer_filter_db"])[:6] == pytest.approx(heard + gain, abs=0.1)
    # The same ways to take home, at every usual rate, though the file asks for one.
    home = here / "crossed" / "take_home"
    found = read(home / "ways.csv")
    assert list(zip(found["way"], found["sample_rate_hz"], strict=True)) == [
        (way["name"], str(rate)) for way in record["ways"] for rate in (44100, 48000, 96000, 192000)
    ]
    for name in ("gain_db", "delay_ms"):
        assert numbers(found[name])[1::4] == pytest.approx([way[name] for way in record["ways"]], abs=1e-6)
    assert [each == "-1" for each in found["polarity"][1::4]] == [w["polarity"] == "inverted" for w in record["ways"]]
    kept = read(home / "sections_float.csv")
    kept = [v for v, r in zip(kept["b1"], kept["sample_rate_hz"], strict=True) if r == "48000"]
    assert kept == list(rows["b1"])
    text = (home / "fir_midrange_48000.txt").read_text().splitlines()
    np.testing.assert_array_equal([float(line) for line in text if not line.startswith("#")], taps[1])
    assert "sections in the order of their numbers, finite impulse response, gain" in (home / "README.txt").read_text()


def test_frequency_where_the_directivities_meet(capsys, bench, undrawn):
    # Pistons of 60 and 40 mm never meet; a pair of the smaller ones is narrower below.
    text = SPEAKER.replace("frequency_hz = 1200", 'frequency_hz = "meet"').replace("= 80", "= 40")
    message = refused(capsys, bench(text))
    assert '[woofer.crossover] frequency_hz = "meet": nowhere where both are valid' in message
    assert "index of woofer rise through that of waveguide and stay above it. Give a frequency" in message
    # A beam of cos t in front has 10 log 6 = 7.78 dB at every frequency; a piston of 80 mm has that at one.
    flat = piston(step_deg=5.0, frequencies=33)
    front = np.clip(np.cos(flat.observation.off_axis), 0.0, None)
    beam = dataclasses.replace(flat, pressure=np.broadcast_to(front, flat.pressure.shape))
    here = bench(SPEAKER.replace("frequency_hz = 1200", 'frequency_hz = "meet"'))
    tables.write_solution(here / "solved", beam, name="demo", design_id="0123456789ab")
    code, _, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 0
    (found,) = json.loads((here / "crossed" / "crossover.json").read_text())["crossings"]
    wanted = brentq(
        lambda f: piston_index(2 * np.pi * f * 0.08 / AIR.speed_of_sound) - 10 * np.log10(6.0), 500.0, 5000.0
    )
    assert found["frequency_hz"] == pytest.approx(wanted, rel=5e-3)  # rings of 2.5 degrees
    assert found["index_db"]["woofer"] == pytest.approx(10 * np.log10(6.0), abs=0.03)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("below_mm", "below_nm", "[woofer] below_nm = 220: unknown key. Did you mean below_mm?"),
        ("[woofer.crossover]", "[woofer.crosover]", "unknown table. Did you mean [woofer.crossover]?"),
        ("order = 4", "order = 3", "[woofer.crossover] order = [3]: fits no kind that is given"),
        ('"linkwitz_riley"', '"bessel"', '[woofer.crossover] kind = "bessel": must be one of "linkwitz_riley"'),
        ("= 1200", "= [2000, 900]", "must be [least, greatest]. Swap them"),
        ("= 1200", '= "high"', 'must be a frequency, two to search between, or "meet"'),
        ("= 1200", "= 400", "[waveguide] directivity: is valid from 300 to"),
        ("below_mm = 220", "below_mm = [1, 2, 3]", "must be a distance in mm, or of two woofers two of them"),
        ("below_mm = 220", "below_mm = 220\nsphere_radius_mm = 150", "half space and full space do not mix"),
        ("below_mm = 220", "below_mm = 220\nsphere_radius_mm = 50", "must be above piston_radius_mm = 80"),
        ("below_mm = 220", 'below_mm = 220\ndirectivity = "w"', "directivity and piston_radius_mm exclude each other"),
        ("piston_radius_mm = 80", "", "directivity: missing, as is piston_radius_mm"),
        ('"solved"', '"lost"', "lost: is not there"),
        ("[woofer]", "[filters]\nsample_rates_hz = [8000]\n[woofer]", "to_hz = 1"),
        ("[woofer]", "[analysis]\ndistance_m = 0.3\n[woofer]", "must be at least twice the distance"),
        ("[woofer]", "[analysis]\nto_hz = 16000\n[woofer]", "to_hz = 16000: the waveguide is valid up to"),
        ("[woofer]", "[analysis]\nfrom_hz = 5000\n[woofer]", "less than two octaves"),
    ],
)
def test_a_slip_is_told_with_its_remedy_and_nothing_is_written(capsys, bench, old, new, words):
    message = refused(capsys, bench(SPEAKER.replace(old, new, 1)))
    assert message.startswith(("speaker.toml", "lost"))
    assert words in message


def test_a_crossover_that_the_sample_rate_cannot_hold_is_refused(capsys, bench):
    text = SPEAKER.replace("= 1200", "= 4000").replace(
        "[woofer]", "[filters]\nsample_rates_hz = [8000, 48000]\n[woofer]"
    )
    message = refused(capsys, bench(text))
    assert "8000 Hz cannot hold a crossover at 4000 Hz: must be above 8889 Hz" in message  # 4000 / 0.45


def test_a_way_must_be_known_where_it_is_heard_wherever_one_looks_from(capsys, bench):
    # Butterworth, second order, at 800 Hz: 20 dB down at 254 Hz, and the waveguide is valid from 300.
    text = SPEAKER.replace("linkwitz_riley", "butterworth").replace("order = 4", "order = 2").replace("1200", "800")
    for looked in ("", "[analysis]\nfrom_hz = 400\n"):
        message = refused(capsys, bench(text + looked))
        assert "directivity: is valid from 300 to" in message
        assert "it is heard down to 25" in message


def test_ranges_of_crossings_may_not_overlap(capsys, bench):
    message = refused(capsys, bench(FOUR.replace("frequency_hz = 600", "frequency_hz = [600, 1600]")))
    assert "crossings must fall: one may lie up to 1600 Hz, the one above it down to 1500 Hz" in message


def test_baffle_step_is_refused_where_ways_radiate_all_round(capsys, bench, here):
    full = dataclasses.replace(piston(step_deg=5.0, frequencies=33), half_space=False)
    tables.write_solution(here / "solved", full, name="demo", design_id="0123456789ab")
    text = (
        SPEAKER.replace("below_mm = 220", "below_mm = 220\nsphere_radius_mm = 150")
        + "[baffle]\nwidth_mm = 300\nheight_mm = 500\n"
    )
    message = refused(capsys, bench(text))
    assert "[baffle]: the ways radiate all round" in message


def test_an_equaliser_of_its_own_is_in_the_way(capsys, bench, undrawn):
    shelf = {"b": [0.5, 0.0, 0.0], "a": [1.0, 0.0, 0.0]}
    record = {
        "name": "half",
        "design_id": "",
        "aim": {"from_hz": 300.0, "to_hz": 12000.0},
        "sections": {"96000": [shelf]},
        "fir": {"files": {}},
    }
    text = SPEAKER.replace('"solved"', '"solved"\nequalised_to = "nothing"\nequaliser = "filters.json"')
    here = bench(text)
    (here / "filters.json").write_text(json.dumps(record))
    code, _, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 0
    taken = numbers(read(here / "crossed" / "crossover_curves.csv")["waveguide_taken_out_db"])
    (here / "filters.json").write_text(json.dumps({**record, "sections": {"96000": [{**shelf, "b": [1.0, 0.0, 0.0]}]}}))
    said(capsys, "crossover speaker.toml --out again --quiet")
    whole = numbers(read(here / "again" / "crossover_curves.csv")["waveguide_taken_out_db"])
    assert taken - whole == pytest.approx(np.full(taken.size, amplitude_db(0.5)), abs=1e-3)


def test_an_equaliser_of_a_piston_is_in_it_too(capsys, bench, undrawn):
    half = {"b": [0.5, 0.0, 0.0], "a": [1.0, 0.0, 0.0]}
    record = {"name": "half", "design_id": "", "aim": {}, "sections": {"96000": [half]}, "fir": {"files": {}}}
    text = SPEAKER.replace("below_mm = 220", 'below_mm = 220\nequalised_to = "nothing"\nequaliser = "filters.json"')
    here = bench(text)
    (here / "filters.json").write_text(json.dumps({**record, "aim": {"from_hz": 300.0, "to_hz": 12000.0}}))
    assert said(capsys, "crossover speaker.toml --out crossed --quiet")[0] == 0
    taken = numbers(read(here / "crossed" / "crossover_curves.csv")["woofer_taken_out_db"])
    assert taken == pytest.approx(np.full(taken.size, amplitude_db(0.5)), abs=1e-3)  # a piston is 1 Pa at 1 m; decimals
