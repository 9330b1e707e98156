"""Comparisons and spreads in words, files, pictures and on their pages. All data are invented."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from comparing import FREQUENCY, ORBIT, cap, field, scattered, with_file
from evenflare.directivity.folder import Stored
from evenflare.measurement.compare import compare
from evenflare.measurement.read_off import ReadOff, level_difference
from evenflare.measurement.spread import spread
from evenflare.report.kit import sheet
from evenflare.report.measurement import comparison, comparison_figures, spreading
from evenflare.results import comparison as tables_of_comparison
from evenflare.results import spread as tables_of_spread
from reports import Page

MEASURED = with_file(scattered(cap(0.3), seed=3, level_db=0.2, gain_db=6.0), plane=1, angle_deg=40.0, of_deg=130.0)


def stored(directivity, name="proto <7>", mounting="sphere", design_id="", assumed=()):
    return Stored(directivity, name, design_id, mounting, Path("somewhere") / name, assumed)


@pytest.fixture(scope="module")
def made():
    measured = replace(MEASURED, valid=FREQUENCY > 500.0)
    found = compare(measured, cap(0.3))
    return found, ReadOff(found), stored(measured), stored(cap(0.3), "model")


def test_words_say_verdict_place_and_normalisation(made):
    found, read, measured, _ = made
    said = comparison.lines(found, read, measured, measured, tolerance=0.5)
    assert said[0].startswith(f"OUTSIDE a tolerance of 0.5 dB: {found.overall.rms:.2f} dB rms over all (0.5 allowed)")
    assert said[0].endswith("dB rms in the worst direction, vertical at 40° (1.5 allowed)")
    assert comparison.verdict(found, 20.0).startswith("Within a tolerance of 20 dB")
    assert "no verdict" in comparison.verdict(found, None)
    assert said[2].startswith("Worst cell ")
    assert said[2].endswith(", vertical at 40°")
    assert said[4].startswith(
        f"Level: measured is {read.gain:.2f} dB louder (median: gain), and its level on axis rises"
    )
    # 6 dB over all frequencies, growing: 6.26 over those above 500 Hz.
    assert read.gain == pytest.approx(
        6.0 * (1.0 + np.linspace(-0.5, 0.5, FREQUENCY.size)[FREQUENCY > 500.0].mean()), abs=0.15
    )
    assert "each re its own level on axis, where both lie above −20 dB" in comparison.normalisation(found)
    window = compare(MEASURED, cap(0.3), reference="listening_window")
    assert "own listening window" in comparison.normalisation(window)


OCTAVE = np.log2(FREQUENCY / FREQUENCY[0])
NOTCH = np.where(np.arange(FREQUENCY.size) == 7, -15.0, 0.0)
DRIVES = {
    "gain": (8.6 + 0.02 * np.sin(5.0 * OCTAVE), 8.6, "gain"),
    "gain, one notch": (8.6 + NOTCH, 8.6, "shape"),
    "mass-controlled": (8.6 - 6.0 * (OCTAVE - OCTAVE.mean()), 8.6, "slope"),
    "resonance": (-3.0 + 2.0 * np.sin(3.0 * OCTAVE), None, "shape"),
}
"""What drives the exit, dB over frequency; its gain; and what of it is told."""


@pytest.mark.parametrize("name", DRIVES)
def test_a_difference_of_level_is_taken_apart(name):
    drive, gain, kind = DRIVES[name]
    told = level_difference(FREQUENCY, drive)
    assert told.kind == kind
    assert told.raw == pytest.approx(np.sqrt(np.mean(drive**2)))
    if gain is not None:
        assert told.gain == pytest.approx(gain, abs=0.03)  # the sine, and the median of an even number
    if kind == "slope":
        assert told.slope == pytest.approx(-6.0, abs=1e-9)
        assert told.left < 1e-9
    elif name != "resonance":
        assert abs(told.slope) < 0.02


def test_unknown_levels_are_unknown():
    assert np.isnan(level_difference(FREQUENCY, np.full(FREQUENCY.size, np.nan)).gain)


def driven(name: str, **said):
    """A cap as a voltage drives it, against the prediction for an even velocity."""
    drive = 10.0 ** (0.05 * DRIVES[name][0])[:, None, None]
    measured = replace(cap(0.3), pressure=cap(0.3).pressure * drive, provenance=said)
    found = compare(measured, cap(0.3))
    return found, ReadOff(found), stored(measured), stored(cap(0.3), "model")


@pytest.mark.parametrize("name", DRIVES)
def test_what_drives_the_exit_is_no_fault_of_the_waveguide(name):
    found, read, measured, predicted = driven(name)
    said = comparison.lines(found, read, measured, measured, tolerance=0.1)
    assert said[0].startswith("Within a tolerance of 0.1 dB: 0.00 dB rms over all")
    # Levels of 8.6 dB stand in no sentence but the one that tells gain from shape.
    (level,) = [each for each in said if each.startswith("Level")]
    assert not [each for each in said if "8.6" in each and each is not level]
    held = tables_of_comparison.record(found, read, measured, predicted, tolerance=0.1)
    assert held["gain_db"] == held["level_on_axis"]["gain_db"] == pytest.approx(read.gain, abs=1e-9)
    assert held["level_on_axis"]["raw_rms_db"] == pytest.approx(read.level.raw, abs=1e-9)
    if name == "gain":
        assert "8.60 dB louder at every frequency" in level
        assert level.endswith("gain, not shape")
    elif name == "mass-controlled":
        assert "falls by 6.00 dB per octave" in level
        assert "no part of the deviation" in level
    else:
        assert "dB rms over frequency" in level


@pytest.mark.parametrize(
    ("levels", "absolute", "words"),
    [
        ({"levels": "absolute"}, True, "the session states what full scale is, so the drive differs by as much"),
        ({"levels": "relative"}, False, "the session states no level (full_scale_pa, zero_db_pa), so the gain says"),
        ({}, None, "gain, not shape"),
    ],
)
def test_gain_means_something_where_levels_are_absolute(levels, absolute, words):
    found, read, measured, predicted = driven("gain", **levels)
    assert words in comparison.lines(found, read, measured, measured, tolerance=None)[-1]
    held = tables_of_comparison.record(found, read, measured, predicted, tolerance=None)
    assert held["level_on_axis"]["absolute"] is absolute


def test_warnings_name_mounting_design_file_and_assumptions(made):
    found, _, measured, predicted = made
    odd = replace(predicted, mounting="baffle", design_id="0123456789ab")
    mine = replace(measured, design_id="ba9876543210", assumed=("the usual air",))
    said = comparison.warnings(found, mine, odd)
    assert 'the mountings differ: measured "sphere", predicted "baffle"' in said[0]
    assert "names the design ba9876543210, the prediction is of 0123456789ab" in said[1]
    assert said[2].startswith("vertical at 40° deviates by ")
    assert said[3].endswith("assumed the usual air")
    nameless = [replace(each, mounting="") for each in (measured, predicted)]
    half = replace(nameless[1], directivity=replace(predicted.directivity, half_space=True))
    assert "measured in the whole space, predicted in half space" in comparison.warnings(found, nameless[0], half)[0]


def test_record_holds_the_promised_keys_and_only_what_json_can(made, tmp_path):
    found, read, measured, predicted = made
    tables_of_comparison.write(tmp_path, found, read, measured, predicted, tolerance=0.5)
    text = (tmp_path / "comparison.json").read_text()
    held = json.loads(text, parse_constant=lambda constant: pytest.fail(constant))
    assert held["bias_db"] == pytest.approx(found.overall.bias, abs=1e-8)
    assert held["rms_db"] == pytest.approx(found.overall.rms, abs=1e-8)
    assert held["worst"] == {
        "deviation_db": pytest.approx(found.overall.worst.deviation, abs=1e-8),
        "frequency_hz": pytest.approx(found.overall.worst.frequency),
        "azimuth_deg": pytest.approx(90.0),
        "off_axis_deg": pytest.approx(40.0),
    }
    assert held["index_rms_db"] == pytest.approx(read.rms(read.index), abs=1e-8)
    assert (held["tolerance_db"], held["within"]) == (0.5, False)
    assert held["valid_from_hz"] == pytest.approx(FREQUENCY[FREQUENCY > 500.0][0])
    assert held["valid_to_hz"] == pytest.approx(FREQUENCY[-1])
    assert {band["octave_hz"] for band in held["bands"]} == {500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0}
    no_verdict = tables_of_comparison.record(found, read, measured, predicted, tolerance=None)
    assert (no_verdict["tolerance_db"], no_verdict["within"]) == (None, None)


def test_nothing_known_is_null(tmp_path):
    found = compare(field(1.0, off_axis=[0, 30]), field(1.0, off_axis=[0, 30]))
    held = tables_of_comparison.record(
        found, ReadOff(found), stored(field(1.0, off_axis=[0, 30])), stored(cap(0.3)), tolerance=1.0
    )
    assert (held["correlation"], held["index_rms_db"], held["sound_power_rms_db"]) == (None, None, None)


def test_table_holds_every_cell(made, tmp_path):
    found, read, measured, predicted = made
    tables_of_comparison.write(tmp_path, found, read, measured, predicted, tolerance=None)
    lines = (tmp_path / "deviation.csv").read_text().splitlines()
    assert any("caution: vertical at 40°" in line for line in lines if line.startswith("#"))
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == found.deviation.size
    at = [i for i, row in enumerate(rows) if float(row["off_axis_deg"]) == 40.0 and row["azimuth_deg"] == "90"]
    columns = np.array([[float(rows[i][name]) for name in ("measured_db", "predicted_db", "deviation_db")] for i in at])
    assert columns[:, 0] - columns[:, 1] == pytest.approx(columns[:, 2], abs=1.6e-4)  # three values to 1e-4
    assert columns[:, 2] == pytest.approx(found.deviation[:, 1, np.abs(ORBIT - np.radians(40)).argmin()], abs=6e-5)
    assert [row["counted"] for row in rows] == [str(int(each)) for each in found.counted.ravel()]


def page_of(made, tolerance=0.5):
    found, read, measured, predicted = made
    drawn = comparison_figures.pictures(found, read, tolerance=tolerance)
    shown = {
        name: sheet.picture(each, alt=comparison.caption(name), caption=comparison.caption(name))
        for name, each in drawn.items()
    }
    text = comparison.page(
        found,
        read,
        measured,
        predicted,
        tolerance=tolerance,
        shown=shown,
        written=[("comparison.json", "figures")],
        command="evenflare compare a b --out c",
    )
    return text, drawn


def test_page_stands_alone_and_says_everything(made):
    text, drawn = page_of(made)
    page = Page(text)
    words = " ".join(page.words.split())
    sources = [tag[1]["src"] for tag in page.tags if tag[0] == "img"]
    assert len(sources) == len(drawn) == 7
    assert all(source.startswith("data:image/png;base64,") for source in sources)
    assert "http" not in text.replace("http-equiv", "")
    assert "proto <7> against model" in words  # escaped in the text, whole to a reader
    for said in (
        "OUTSIDE a tolerance",
        "Warning: vertical at 40°",
        "re its own level on axis",
        "evenflare compare a b",
    ):
        assert said in words
    for name in ("500 Hz", "1 kHz", "16 kHz", "horizontal", "vertical", "all"):
        assert name in words
    assert all(comparison.caption(name) for name in drawn)


def test_map_shows_the_deviation_where_it_counts_and_marks_the_worst(made):
    found, *_ = made
    figure = comparison_figures.deviation_map(found, 1)
    mesh = figure.axes[0].collections[0]
    shown = np.ma.filled(mesh.get_array(), np.nan)
    wanted = np.where(found.counted, found.deviation, np.nan)[:, 1].T
    assert np.array_equal(shown, wanted, equal_nan=True)
    assert figure.axes[0].texts[0].get_text() == f"worst {comparison.signed(found.overall.worst.deviation)} dB"
    assert not comparison_figures.deviation_map(found, 0).axes[0].texts


def test_map_colours_are_not_stretched_by_one_wrong_file(made):
    found, *_ = made
    value = np.where(found.counted, found.deviation, np.nan)
    assert comparison_figures.reach(value) < 0.5 * np.nanmax(np.abs(value))
    assert comparison_figures.reach(np.full((2, 2), np.nan)) == 1.0


def test_single_plane_and_single_frequency_can_be_drawn():
    one = field(1.0, off_axis=[0, 30, 60, 90, 120, 150, 180], symmetry="round")
    found = compare(one, one)
    drawn = comparison_figures.pictures(found, ReadOff(found), tolerance=None)
    assert "deviation_map.png" in drawn
    for figure in drawn.values():
        figure.draw_without_rendering()


def test_spread_in_words_files_and_on_its_page(tmp_path):
    units = {name: scattered(cap(0.3), seed=i, level_db=0.3, gain_db=i) for i, name in enumerate("abc")}
    units["c"] = with_file(units["c"], plane=0, angle_deg=-25.0, of_deg=100.0)
    kept = {name: stored(each, name, mounting="baffle" if name == "b" else "sphere") for name, each in units.items()}
    found = spread(units)
    warnings = tables_of_spread.warnings(found, kept)
    assert 'the mountings differ (a "sphere", b "baffle", c "sphere")' in warnings[0]
    assert warnings[1].startswith("c: horizontal at -25° differs from a by ")
    tables_of_spread.write(tmp_path, found, kept, warnings)
    held = json.loads((tmp_path / "spread.json").read_text(), parse_constant=lambda constant: pytest.fail(constant))
    assert held["standard_deviation_db"] == pytest.approx(found.figures().standard_deviation, abs=1e-8)
    assert held["largest"]["off_axis_deg"] == pytest.approx(-25.0)
    assert [unit["against_reference"] is None for unit in held["units"]] == [True, False, False]
    lines = (tmp_path / "spread.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    written = [float(row["standard_deviation_db"] or "nan") for row in rows]
    assert written == pytest.approx(found.standard_deviation.ravel(), abs=6e-5, nan_ok=True)
    drawn = spreading.pictures(found)
    assert sorted(drawn) == [
        "against_reference.png",
        "index_of_units.png",
        "spread_map_horizontal.png",
        "spread_map_vertical.png",
    ]
    shown = {name: sheet.picture(each, alt="x", caption=spreading.caption(name)) for name, each in drawn.items()}
    text = spreading.page(found, kept, shown=shown, warnings=warnings, written=[], command="evenflare spread a b c")
    words = " ".join(Page(text).words.split())
    for said in (
        "3 units scatter by",
        "b less a (reference unit):",
        "Each unit less a (reference unit)",
        "Warning: c: horizontal",
    ):
        assert said in words
