"""Tables of a result."""

import csv
import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from ellipse import HALF_HEIGHT, HALF_WIDTH, elliptical_piston
from evenflare import metrics
from evenflare.closed_forms import (
    elliptical_piston_index,
    elliptical_piston_pattern,
    piston_impedance,
    piston_index,
    piston_pattern,
)
from evenflare.directivity import folder as stored
from evenflare.directivity.types import Directivity, Observation
from evenflare.report.waveguide import page, rows
from evenflare.results import tables
from evenflare.results.summary import SUMMARY, Column
from evenflare.units import DEGREE
from evenflare.waveguide import Limits
from reports import AIR, RADIUS, WAVEGUIDE, piston, target


def read(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    """The comment lines and the rows of a CSV file."""
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    return comments, list(csv.DictReader(lines[len(comments) :]))


def column(rows: list[dict[str, str]], name: str) -> np.ndarray:
    return np.array([float(row[name]) if row[name] else np.nan for row in rows])


def write(folder: Path, directivity: Directivity, name: str = "a piston") -> list[Path]:
    return tables.write_solution(folder, directivity, name=name, design_id="7f3a", provenance={"command": "solve"})


def test_solution_is_four_files_that_say_what_they_are(tmp_path: Path) -> None:
    paths = write(tmp_path, piston())
    assert [path.name for path in paths] == ["directivity.csv", "summary.csv", "standard_curves.csv", "provenance.json"]
    assert sorted(tmp_path.iterdir()) == sorted(paths)
    for path in paths[:3]:
        text = "\n".join(read(path)[0])
        for needed in ("a piston", "7f3a", "units:", "half space", "caution", "z = 90 mm"):
            assert needed in text


def test_directivity_table_reads_back_as_the_piston_pattern_and_is_empty_behind_the_baffle(tmp_path: Path) -> None:
    directivity = piston()
    _, rows = read(write(tmp_path, directivity)[0])
    assert list(rows[0]) == ["frequency_hz", "azimuth_deg", "off_axis_deg", "level_db", "phase_deg", "valid"]
    assert len(rows) == directivity.pressure.size
    angle, frequency, level = (column(rows, name) for name in ("off_axis_deg", "frequency_hz", "level_db"))
    behind = angle > 90
    assert np.isnan(level[behind]).all()
    assert np.isnan(column(rows, "phase_deg")[behind]).all()
    assert {row["valid"] for row in np.array(rows)[behind]} == {"0"}
    trusted = column(rows, "valid")[~behind] == 1
    np.testing.assert_array_equal(trusted, frequency[~behind] < 12000)
    for one in np.unique(frequency):
        at = ~behind & (frequency == one)
        wanted = piston_pattern(2 * np.pi * one * RADIUS / AIR.speed_of_sound, angle[at] * DEGREE)[0]
        strong = np.abs(wanted) > 0.01
        # Four decimals of level and of frequency; near a null the frequency's rounding counts for more.
        np.testing.assert_allclose(level[at][strong], 20 * np.log10(np.abs(wanted[strong])), atol=2e-4)
        # A side lobe is out of phase: 180 degrees of either sign.
        turned = np.abs(column(rows, "phase_deg")[at][strong])
        np.testing.assert_allclose(turned, np.where(wanted[strong] > 0, 0.0, 180.0), atol=1e-3)


def test_summary_table_has_the_columns_and_the_pistons_index_and_impedance(tmp_path: Path) -> None:
    directivity = piston(step_deg=1.0)
    _, rows = read(write(tmp_path, directivity)[1])
    names = (
        "frequency_hz directivity_index_db far_field_index_db sound_power_index_db beamwidth_deg on_axis_level_db"
        " on_axis_phase_deg sound_power_level_db throat_resistance throat_reactance error_estimate_db polar_error_db"
        " impedance_error_percent valid"
    )
    assert list(rows[0]) == names.split()
    size = 2 * np.pi * directivity.observation.frequency * RADIUS / AIR.speed_of_sound
    # Ring zones of one degree on lobes of several degrees.
    np.testing.assert_allclose(column(rows, "directivity_index_db"), piston_index(size), atol=0.02)
    told = ("error_estimate_db", "polar_error_db", "impedance_error_percent")
    assert {tuple(row[name] for name in told) for row in rows} == {("0.0123", "0.0456", "0.7000")}
    # Six significant digits are written.
    np.testing.assert_allclose(column(rows, "throat_resistance"), piston_impedance(size).real, rtol=1e-5)
    np.testing.assert_allclose(column(rows, "throat_reactance"), piston_impedance(size).imag, rtol=1e-5)
    # No beamwidth where the level at 90 degrees is still above -6 dB.
    edge = np.abs(piston_pattern(size, 90 * DEGREE)[:, 0])
    wide = edge > 0.51
    assert wide.any()
    assert all(rows[i]["beamwidth_deg"] == "" for i in np.flatnonzero(wide & (size < 2)))
    assert rows[-1]["beamwidth_deg"] != ""


def test_on_axis_level_and_phase_refer_to_the_distance_with_the_travel_taken_out(tmp_path: Path) -> None:
    # A point source of 1e-4 m3/s at 1 kHz gives 0.0602050 Pa at 1 m, 69.57205 dB (k 18.30765 1/m; closed form).
    # 90 degrees ahead of exp(-j k r), from p = j w rho Q exp(-j k r) / (4 pi r).
    distance, wavenumber = 2.0, 2 * np.pi * 1000 / AIR.speed_of_sound
    observation = Observation(np.array([1000.0]), np.arange(0, 181, 10) * DEGREE, distance=distance)
    pressure = np.full((1, 1, 19), 0.0602050j / distance * np.exp(-1j * wavenumber * distance))
    directivity = Directivity(observation, pressure, np.array([True]), AIR.density, AIR.speed_of_sound)
    comments, rows = read(write(tmp_path, directivity)[1])
    # Four decimals are written, and the pressure has six digits; twice the distance is 6.0206 dB.
    assert float(rows[0]["on_axis_level_db"]) == pytest.approx(69.57205 - 6.0206, abs=2e-4)
    assert float(rows[0]["on_axis_phase_deg"]) == pytest.approx(90.0, abs=1e-3)
    # 1.102212e-4 W from the closed form.
    assert float(rows[0]["sound_power_level_db"]) == pytest.approx(80.42265, abs=2e-4)
    assert rows[0]["throat_resistance"] == rows[0]["error_estimate_db"] == rows[0]["polar_error_db"] == ""
    assert "at 2 m" in "\n".join(comments)


def test_standard_table_has_the_columns_and_indices_are_differences(tmp_path: Path) -> None:
    comments, rows = read(write(tmp_path, piston())[2])
    names = (
        "frequency_hz on_axis_db listening_window_db early_reflections_db sound_power_db early_reflections_index_db"
        " sound_power_index_db in_room_db"
    )
    assert list(rows[0]) == names.split()
    window = column(rows, "listening_window_db")
    # Each of the three numbers is rounded to four decimals.
    for other in ("early_reflections", "sound_power"):
        np.testing.assert_allclose(window - column(rows, f"{other}_db"), column(rows, f"{other}_index_db"), atol=1.6e-4)
    assert "half their weight" in "\n".join(comments)


def test_angles_that_leave_out_part_of_the_sphere_give_empty_cells_and_the_reason(tmp_path: Path) -> None:
    whole = piston()
    few = whole.observation.off_axis <= 51 * DEGREE
    part = dataclasses.replace(
        whole,
        observation=dataclasses.replace(whole.observation, off_axis=whole.observation.off_axis[few]),
        pressure=whole.pressure[:, :, few],
    )
    comments, rows = read(write(tmp_path, part)[1])
    assert {row["directivity_index_db"] for row in rows} == {""}
    assert {row["sound_power_level_db"] for row in rows} == {""}
    assert rows[-1]["beamwidth_deg"] != ""
    assert "empty: no off-axis angle between 50 and 90 degrees" in "\n".join(comments)
    assert {row["in_room_db"] for row in read(tmp_path / "standard_curves.csv")[1]} == {""}
    # Pictures and page of such a result stand too.
    page.report(WAVEGUIDE, name="part", design_id="1", what="", command="", directivity=part)


def test_two_planes_have_a_beamwidth_each(tmp_path: Path) -> None:
    one = piston()
    observation = dataclasses.replace(one.observation, plane=np.array([0.0, 90 * DEGREE]), symmetry="two_planes")
    two = dataclasses.replace(one, observation=observation, pressure=np.repeat(one.pressure, 2, axis=1))
    _, rows = read(write(tmp_path, two)[1])
    assert "beamwidth_deg" not in rows[0]
    assert rows[-1]["beamwidth_horizontal_deg"] == rows[-1]["beamwidth_vertical_deg"] != ""


def test_oblong_tables_hold_three_planes_and_both_beamwidths(tmp_path: Path) -> None:
    directivity = elliptical_piston(np.array([2000.0, 5000.0, 10000.0]), step_deg=1.0)
    paths = write(tmp_path, directivity)
    comments, rows = read(paths[0])
    assert sorted({row["azimuth_deg"] for row in rows}) == ["0", "45", "90"]
    assert "180 minus it" in "\n".join(comments)
    wavenumber = 2 * np.pi * column(rows, "frequency_hz") / AIR.speed_of_sound
    azimuth, off_axis = (column(rows, name) * DEGREE for name in ("azimuth_deg", "off_axis_deg"))
    front = off_axis < 0.5 * np.pi + 1e-9
    reach = np.hypot(HALF_WIDTH * np.cos(azimuth), HALF_HEIGHT * np.sin(azimuth))
    exact = [piston_pattern(k * r, t)[0, 0] for k, r, t in zip(wavenumber, reach, off_axis, strict=True)]
    strong = front & (np.abs(exact) > 0.01)
    # Four decimals are written.
    np.testing.assert_allclose(column(rows, "level_db")[strong], 20 * np.log10(np.abs(exact))[strong], atol=1e-4)
    assert np.isnan(column(rows, "level_db")[~front]).all()
    _, summary = read(paths[1])
    names = list(summary[0])
    assert names[4:6] == ["beamwidth_horizontal_deg", "beamwidth_vertical_deg"]
    assert "beamwidth_deg" not in names
    # 5 kHz: ka = 5.492 and kb = 3.661. Straight in dB over one degree: a hundredth of one.
    for name, half_size in (("horizontal", HALF_WIDTH), ("vertical", HALF_HEIGHT)):
        width = float(summary[1][f"beamwidth_{name}_deg"])
        edge = piston_pattern(2 * np.pi * 5000 / AIR.speed_of_sound * half_size, 0.5 * width * DEGREE)[0, 0]
        assert 20 * np.log10(edge) == pytest.approx(-6.0, abs=0.01)
    exact_index = elliptical_piston_index(
        2 * np.pi * 5000 / AIR.speed_of_sound, half_width=HALF_WIDTH, half_height=HALF_HEIGHT
    )
    assert float(summary[1]["directivity_index_db"]) == pytest.approx(exact_index[0], abs=1e-4)  # decimals written
    _, curves = read(paths[2])
    standard = metrics.standard_curves(elliptical_piston(np.array([5000.0]), planes_deg=(0, 90), step_deg=10.0))
    assert float(curves[1]["sound_power_index_db"]) == pytest.approx(standard.sound_power_index[0], abs=1e-4)


def test_balloon_has_every_plane_and_says_how_the_rest_follows(tmp_path: Path) -> None:
    directivity = elliptical_piston(np.array([2000.0, 5000.0]), planes_deg=range(0, 91, 15))
    path = tables.write_balloon(tmp_path / "balloon.csv", directivity, name="an ellipse", design_id="7f3a")
    assert path == tmp_path / "balloon.csv"
    comments, rows = read(path)
    assert list(rows[0]) == ["frequency_hz", "azimuth_deg", "off_axis_deg", "level_db", "valid"]
    assert len(rows) == 2 * 7 * 37
    assert {row["azimuth_deg"] for row in rows} == {"0", "15", "30", "45", "60", "75", "90"}
    text = "\n".join(comments)
    for needed in (
        "balloon",
        "an ellipse",
        "7f3a",
        "units:",
        "180 minus it, at 180 plus it and at minus it",
        "half space",
    ):
        assert needed in text
    one = next(
        row for row in rows if (row["frequency_hz"], row["azimuth_deg"], row["off_axis_deg"]) == ("5000", "30", "40")
    )
    wavenumber = 2 * np.pi * 5000 / AIR.speed_of_sound
    sizes = {"half_width": HALF_WIDTH, "half_height": HALF_HEIGHT}
    exact = elliptical_piston_pattern(wavenumber, 40 * DEGREE, azimuth=30 * DEGREE, **sizes)[0, 0, 0]
    assert float(one["level_db"]) == pytest.approx(20 * np.log10(abs(exact)), abs=1e-4)  # decimals written
    assert {row["level_db"] for row in rows if float(row["off_axis_deg"]) > 90} == {""}
    assert {row["valid"] for row in rows if float(row["off_axis_deg"]) > 90} == {"0"}


def test_columns_of_a_target_follow_its_mouth() -> None:
    frequency = np.array([500.0, 2000.0])
    around = target()
    assert list(tables.target_columns(around, frequency))[3:] == ["beamwidth_deg"]
    limits = Limits(mouth_diameter=None, mouth_width=(0.1, 0.2), mouth_height=(0.05, 0.1))
    wide = dataclasses.replace(around, limits=limits, beamwidth=None, beamwidth_vertical=np.full(40, 1.0))
    columns = tables.target_columns(wide, frequency)
    assert list(columns)[3:] == ["beamwidth_horizontal_deg", "beamwidth_vertical_deg"]
    assert np.isnan(columns["beamwidth_horizontal_deg"]).all()
    assert columns["beamwidth_vertical_deg"] == pytest.approx([np.nan, 1 / DEGREE], nan_ok=True, rel=1e-12)  # rounding


def test_a_line_break_in_a_name_stays_inside_the_comment(tmp_path: Path) -> None:
    comments, rows = read(write(tmp_path, piston(), name="one\ntwo, three")[0])
    assert any("one two, three" in line for line in comments)
    assert rows[0]["frequency_hz"] == "300"


def test_provenance_is_json_with_plain_numbers(tmp_path: Path) -> None:
    write(tmp_path, piston())
    record = json.loads((tmp_path / "provenance.json").read_text())
    own = piston().provenance
    observed = tables.observed(piston())
    assert record == {"name": "a piston", "design_id": "7f3a", **own, "command": "solve", "observed": observed}
    assert record["modes"] == 9


def test_each_column_of_the_summary_is_told_once_and_read_by_its_name():
    names = [each.name for each in SUMMARY]
    assert len(set(names)) == len(names)
    assert {*stored.SUMMARY, *stored.ALSO} <= set(names)


def test_a_column_more_is_written_and_stands_on_the_page(monkeypatch):
    # Nothing but its descriptor is needed.
    more = Column("twice_hz", lambda each: 2.0 * each.observation.frequency, label="Twice the frequency", unit=" Hz")
    for module in (tables, rows):
        monkeypatch.setattr(module, "SUMMARY", (*SUMMARY, more))
    found = piston()
    frequency = found.observation.frequency
    assert list(tables.summary_columns(found)["twice_hz"]) == list(2 * frequency)
    between = f"{2 * frequency[0]:.1f} to {2 * frequency[-1]:.1f} Hz"
    assert ("Twice the frequency", between) in rows.sound(found, None)
