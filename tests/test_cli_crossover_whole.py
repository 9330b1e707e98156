"""A loudspeaker's level: how loud it plays, and its sum brought to a target from end to end, as a user has them."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import signal

from commandline import contents, said
from evenflare.dsp.biquad import Biquad, response
from evenflare.report.kit import canvas
from evenflare.results import tables
from evenflare.units import amplitude_db
from reports import AIR, piston
from test_cli_crossover import numbers, read

SPEAKER = """
name = "invented two-way"
[waveguide]
directivity = "solved"
sensitivity_db = 108
level_limit_db = 118
[woofer]
piston_radius_mm = 80
below_mm = 0
sensitivity_db = 89
impedance_ohm = 8
power_w = 100
excursion_mm = 5
[woofer.box]
alignment = "closed"
frequency_hz = 62
quality = 0.9
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = 700
[whole_range]
alignment = "closed"
frequency_hz = 40
tilt_db_per_octave = -1
to_hz = 10000
[filters]
sample_rates_hz = [48000]
"""


@pytest.fixture
def bench(here, monkeypatch):
    """A folder with an invented directivity in it; pictures are empty files."""
    monkeypatch.setattr(canvas, "png", lambda figure: b"")
    tables.write_solution(here / "solved", piston(step_deg=5.0, frequencies=33), name="demo", design_id="0123456789ab")

    def write(text: str):
        (here / "speaker.toml").write_text(text)
        return here

    return write


def test_sum_lies_on_its_target_and_the_page_says_which_way_gives_out_first(capsys, bench):
    here = bench(SPEAKER)
    code, out, _ = said(capsys, "crossover speaker.toml --out crossed --quiet")
    assert code == 0
    folder = here / "crossed"
    record, curves = json.loads((folder / "crossover.json").read_text()), read(folder / "crossover_curves.csv")
    frequency, target = numbers(curves["frequency_hz"]), numbers(curves["target_db"])
    inside = np.isfinite(target)
    assert frequency[0] == pytest.approx(20.0)  # an octave below the alignment
    assert frequency[inside][-1] <= 10e3 < frequency[-1]
    # The target itself: a Butterworth high-pass of second order (scipy.signal), 1 dB per octave down from 200 Hz.
    b, a = signal.butter(2, 2.0 * np.pi * 40.0, "highpass", analog=True)
    wanted = amplitude_db(signal.freqs(b, a, 2.0 * np.pi * frequency)[1])
    wanted = wanted - np.maximum(np.log2(frequency / 200.0), 0.0)
    assert (target - wanted)[inside] == pytest.approx(record["whole_range"]["passband_db"], abs=2e-4)
    # Six sections come this near: measured 0.03 dB.
    assert np.abs(numbers(curves["listening_window_db"]) - target)[inside].max() < 0.1
    # What the processor is loaded with is what the curves show.
    for way in record["ways"]:
        rows = [Biquad(np.array(each["b"]), np.array(each["a"])) for each in way["sections"]["48000"]]
        level = amplitude_db(response(rows, frequency, sample_rate=48000.0)) + way["gain_db"]
        assert numbers(curves[f"{way['name']}_filter_db"]) == pytest.approx(level, abs=1e-4)
    # The lowest frequency needs the most excursion of a closed box, and all of it comes from the woofer: by hand.
    (first, other), rows = record["headroom"]["gives_out"], read(folder / "headroom.csv")
    volume = math.pi * 0.08**2 * 5e-3
    pressure = AIR.density * (2.0 * math.pi * frequency[0]) ** 2 * volume / math.sqrt(2.0) / (2.0 * math.pi)
    assert numbers(rows["greatest_db"])[0] == pytest.approx(20.0 * math.log10(pressure / 20e-6), abs=2e-3)
    assert (first["way"], first["cause"], first["frequency_hz"]) == ("woofer", "excursion", frequency[0])
    sum_there = numbers(curves["on_axis_db"])[0] - record["whole_range"]["passband_db"]
    assert first["level_db"] == pytest.approx(numbers(rows["greatest_db"])[0] - sum_there, abs=2e-3)
    assert (rows["first"][0], rows["cause"][0], other["way"], other["cause"]) == (
        "woofer",
        "excursion",
        "waveguide",
        "level",
    )
    assert f"At {first['level_db']:.1f} dB at 1 m the woofer gives out first, at 20 Hz (excursion)" in out
    assert record["trims_db"] == pytest.approx({"waveguide": -19.0, "woofer": 0.0})
    page = (folder / "crossover.html").read_text()
    for word in ("From end to end", "How loud it plays", "gives out first", "harm hearing"):
        assert word in page


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("impedance_ohm = 8\n", "", "[woofer] impedance_ohm: missing; without it power_w says nothing of level"),
        ("power_w = 100\n", "", "[woofer] impedance_ohm: belongs to power_w, which is missing"),
        ("excursion_mm = 5", "excursion_mm = 500", "[woofer] excursion_mm = 500: must be 0.01 to 100"),
        (
            'alignment = "closed"\nfrequency_hz = 62\nquality',
            'alignment = "vented"\nfrequency_hz = 62\nquality',
            "quality = 0.9: is for",
        ),
        ("frequency_hz = 40\n", "", "[whole_range] frequency_hz: missing; alignment and frequency_hz go together"),
        ("piston_radius_mm = 80", 'directivity = "solved"', "[woofer] box: is for a piston"),
        ("quality = 0.9", "quality = 9", "quality = 9: must be 0.3 to 3"),
        ("to_hz = 10000", "to_hz = 18000", "[whole_range]: the sum of the ways is valid from 20"),
        (
            'alignment = "closed"\nfrequency_hz = 62\nquality = 0.9',
            'alignment = "vented"\nfrequency_hz = 62',
            '[whole_range] alignment = "closed": an alignment of order 2 cannot be made of a box of order 4',
        ),
    ],
)
def test_what_cannot_be_is_refused_by_its_key(capsys, bench, before, after, words):
    assert before in SPEAKER
    here = bench(SPEAKER.replace(before, after, 1))
    kept = contents(here)
    code, out, err = said(capsys, "crossover speaker.toml --out crossed")
    assert (code, out) == (2, "")
    assert words in err
    assert contents(here) == kept


def test_an_excursion_needs_a_way_that_is_known_by_more_than_its_response(capsys, bench):
    here = bench(SPEAKER.replace("level_limit_db = 118", "excursion_mm = 0.5"))
    provenance = here / "solved" / "provenance.json"
    told = json.loads(provenance.read_text())
    provenance.write_text(json.dumps({**told, "source": "a driver that was measured"}))
    code, _, err = said(capsys, "crossover speaker.toml --out crossed")
    assert code == 2
    assert "[waveguide] excursion_mm = 0.5: what an excursion gives is not known" in err
    assert "Give level_limit_db instead" in err
