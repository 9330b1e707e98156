"""Tables, pictures and the page of a result."""

import ast
import csv
import dataclasses
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

import evenflare
from evenflare.air import Air
from evenflare.closed_forms import piston_impedance, piston_index, piston_pattern, piston_pressure
from evenflare.directivity import Directivity, Observation
from evenflare.files import InputError
from evenflare.report import figures, page, tables
from evenflare.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Limits, Mounting, OblateSpheroidal, Waveguide, limit_excess

AIR = Air()
RADIUS = 60 * MILLIMETRE
WAVEGUIDE = Waveguide(OblateSpheroidal(90 * MILLIMETRE, 42 * DEGREE, 20 * MILLIMETRE))


def piston(*, step_deg: float = 5.0, frequencies: int = 25, distance: float = np.inf) -> Directivity:
    """A flat piston in a baffle; the last frequencies are not valid."""
    frequency = np.geomspace(300.0, 15000.0, frequencies)
    off_axis = np.arange(0.0, 180.1, step_deg) * DEGREE
    front = off_axis <= 90 * DEGREE + 1e-9
    pressure = np.zeros((frequencies, 1, off_axis.size), dtype=complex)
    pressure[:, 0, front] = piston_pressure(
        frequency, np.minimum(off_axis[front], 90 * DEGREE), radius=RADIUS, velocity=1.0, air=AIR
    )
    return Directivity(
        Observation(frequency, off_axis, distance=distance, reference_z=WAVEGUIDE.meridian.depth),
        pressure,
        frequency < 12000.0,
        AIR.density,
        AIR.speed_of_sound,
        half_space=True,
        throat_impedance=piston_impedance(2 * np.pi * frequency * RADIUS / AIR.speed_of_sound),
        error_estimate=np.full(frequencies, 0.0123),
        provenance={"solver": "closed form", "modes": np.int64(9)},
    )


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
        for words in ("a piston", "7f3a", "units:", "half space", "caution", "z = 90 mm"):
            assert words in text


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
        "frequency_hz directivity_index_db sound_power_index_db beamwidth_deg on_axis_level_db on_axis_phase_deg"
        " sound_power_level_db throat_resistance throat_reactance error_estimate_db valid"
    )
    assert list(rows[0]) == names.split()
    size = 2 * np.pi * directivity.observation.frequency * RADIUS / AIR.speed_of_sound
    # Ring zones of one degree on lobes of several degrees.
    np.testing.assert_allclose(column(rows, "directivity_index_db"), piston_index(size), atol=0.02)
    assert {row["error_estimate_db"] for row in rows} == {"0.0123"}
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
    assert rows[0]["throat_resistance"] == rows[0]["error_estimate_db"] == ""
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


def test_a_line_break_in_a_name_stays_inside_the_comment(tmp_path: Path) -> None:
    comments, rows = read(write(tmp_path, piston(), name="one\ntwo, three")[0])
    assert any("one two, three" in line for line in comments)
    assert rows[0]["frequency_hz"] == "300"


def test_provenance_is_json_with_plain_numbers(tmp_path: Path) -> None:
    write(tmp_path, piston())
    record = json.loads((tmp_path / "provenance.json").read_text())
    assert record == {"name": "a piston", "design_id": "7f3a", "solver": "closed form", "modes": 9, "command": "solve"}


def target(index_kind: Literal["sphere", "sound_power"] = "sphere", *, offset: float = 0.0) -> Target:
    """The piston's own index from 1 to 10 kHz, plus an offset at 10 kHz, with a tolerance of half a dB."""
    frequency = np.geomspace(1000.0, 10000.0, 40)
    size = 2 * np.pi * frequency * RADIUS / AIR.speed_of_sound
    shift = offset * np.log(frequency / 1000.0) / np.log(10.0)
    return Target(
        name="the piston itself",
        driver=WAVEGUIDE.driver,
        mounting=WAVEGUIDE.mounting,
        air=AIR,
        index_kind=index_kind,
        frequency=frequency,
        index_db=piston_index(size) + shift,
        tolerance_db=np.full(40, 0.5),
        weight=np.ones(40),
        beamwidth=np.linspace(150, 20, 40) * DEGREE,
        crossover=None,
        limits=Limits(),
    )


def test_target_is_a_band_of_its_tolerance_inside_its_own_frequencies() -> None:
    above, below = figures.index_and_beamwidth(piston(), target()).axes
    band = next(each for each in above.collections if each.get_label() == "tolerance").get_paths()[0].vertices
    assert band[:, 0].min() == pytest.approx(1000)
    assert band[:, 0].max() == pytest.approx(10000)
    at_start = band[np.isclose(band[:, 0], 1000), 1]
    assert np.ptp(at_start) == pytest.approx(1.0)
    names = [text.get_text() for text in above.get_legend().get_texts()]
    assert {"wanted (whole-sphere)", "whole-sphere index", "sound-power index"} <= set(names)
    wanted = next(line for line in below.get_lines() if line.get_label() == "wanted")
    assert wanted.get_ydata()[0] == pytest.approx(150)
    named = figures.index_and_beamwidth(piston(), target("sound_power")).axes[0].get_legend().get_texts()
    assert "wanted (sound-power)" in [text.get_text() for text in named]


def test_deviation_is_that_of_the_index_which_the_target_names() -> None:
    directivity = piston(step_deg=1.0)
    frequency = directivity.observation.frequency
    inside = (frequency >= 1000) & (frequency <= 10000)
    deviation = page.index_deviation(directivity, target())
    np.testing.assert_array_equal(np.isfinite(deviation), inside)
    # Ring zones of one degree, and straight pieces between 40 wanted values.
    np.testing.assert_allclose(deviation[inside], 0.0, atol=0.05)
    # The two-orbit index of a narrow beam reads lower by half a dB and more.
    assert np.nanmin(page.index_deviation(directivity, target("sound_power"))) < -0.5


def test_page_says_where_the_index_leaves_the_band() -> None:
    def words(offset: float) -> str:
        text = page.report(
            WAVEGUIDE,
            name="n",
            design_id="1",
            what="",
            command="",
            directivity=piston(step_deg=1.0),
            target=target(offset=offset),
        )
        return " ".join(Page(text).words.split())

    assert "stays inside the target's band" in words(0.0)
    wrong = words(2.0)
    # The highest frequency below 10 kHz is 15 / 50^(3/24) = 9.199 kHz, where the offset is 2 log10(9.199) = 1.93 dB.
    assert re.search(r"leaves the target's band at \d+ of \d+ frequencies, most at 9.2 kHz \(−1.9\d dB, wider", wrong)
    assert "largest −1.9" in wrong


def history() -> list[dict[str, object]]:
    score = [3.0, 2.0, 0.1, None, 2.5, 1.0, 1.5]
    family = ["conical", "conical", "free", "free", "free", "free", "free"]
    return [
        {"number": i, "stage": "screen", "score": score[i], "feasible": i != 2, "family": family[i]} for i in range(7)
    ] + [{"number": 5, "stage": "full", "score": 1.1, "feasible": True, "family": "free"}]


def every_figure(directivity: Directivity) -> list[figures.Figure]:
    return [
        figures.profile(WAVEGUIDE),
        figures.directivity_map(directivity),
        figures.index_and_beamwidth(directivity),
        figures.off_axis_curves(directivity),
        figures.standard_curves(directivity),
        figures.throat_impedance(directivity),
        figures.search_history(history()),
    ]


def test_every_labelled_axis_carries_its_unit() -> None:
    unit = re.compile(r", (mm|Hz|dB.*|degrees|no unit)$|^candidate number$")
    for figure in every_figure(piston()):
        labels = [text for axes in figure.axes for text in (axes.get_xlabel(), axes.get_ylabel()) if text]
        assert len(labels) >= 2
        assert all(unit.search(label) for label in labels), labels


def test_profile_is_to_scale_and_names_its_sizes() -> None:
    for mounting in (Mounting(), Mounting(150 * MILLIMETRE)):
        (axes,) = figures.profile(dataclasses.replace(WAVEGUIDE, mounting=mounting)).axes
        assert axes.get_aspect() == 1.0
        words = " ".join(text.get_text() for text in axes.texts)
        mouth = 2 * WAVEGUIDE.meridian.mouth_radius / MILLIMETRE
        for size in ("depth 90.0", "throat Ø 25.4", f"mouth Ø {mouth:.1f}", "roundover R 20.0", "rim 90.0°"):
            assert size in words


def test_map_ends_at_90_degrees_in_a_baffle_only() -> None:
    baffled = piston()
    assert figures.directivity_map(baffled).axes[0].get_ylim()[1] == pytest.approx(90)
    assert figures.directivity_map(dataclasses.replace(baffled, half_space=False)).axes[0].get_ylim()[1] == 180


def test_frequencies_that_are_not_valid_are_veiled_and_named() -> None:
    directivity = piston()
    (axes,) = figures.throat_impedance(directivity).axes
    assert len(axes.patches) == int((~directivity.valid).sum()) > 0
    assert "not valid" in [text.get_text() for text in axes.get_legend().get_texts()]
    (axes,) = figures.throat_impedance(dataclasses.replace(directivity, valid=np.ones(25, dtype=bool))).axes
    assert not axes.patches


def test_best_line_of_the_history_leaves_out_what_breaks_a_limit() -> None:
    (axes,) = figures.search_history(history()).axes
    lines = {line.get_label(): line.get_ydata() for line in axes.get_lines()}
    np.testing.assert_array_equal(lines["best, screen"], [3.0, 2.0, 2.0, 1.0, 1.0, 1.0])
    np.testing.assert_array_equal(lines["best, full"], [1.1, 1.1])


def test_figures_say_why_they_show_nothing() -> None:
    bare = dataclasses.replace(piston(frequencies=1), throat_impedance=None, error_estimate=None)
    for figure, why in (
        (figures.throat_impedance(bare), "was not computed"),
        (figures.directivity_map(bare), "needs two frequencies"),
        (figures.search_history([]), "no candidate"),
    ):
        assert any(why in text.get_text() for text in figure.axes[0].texts)
        figures.png(figure)
    figures.png(figures.index_and_beamwidth(bare))
    figures.png(figures.off_axis_curves(bare))


def test_saved_figure_is_png_the_same_each_time(tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        figures.save(figures.profile(WAVEGUIDE), tmp_path / name)
    first = (tmp_path / "a.png").read_bytes()
    assert first.startswith(b"\x89PNG")
    assert first == (tmp_path / "b.png").read_bytes()
    with pytest.raises(InputError, match="cannot be written"):
        figures.save(figures.profile(WAVEGUIDE), tmp_path / "a.png" / "below.png")


def test_only_figures_imports_the_plotting_library() -> None:
    package = Path(evenflare.__file__).parent
    importers = set()
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if any(module.split(".")[0] == "matplotlib" for module in modules):
                importers.add(str(path.relative_to(package)))
            assert not any("pyplot" in module for module in modules)
    assert importers == {"report/figures.py"}


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data + " "


@pytest.fixture(scope="module")
def whole_page() -> str:
    limits = Limits(depth=(40 * MILLIMETRE, 80 * MILLIMETRE), mouth_diameter=(0.15, 0.26))
    return page.report(
        WAVEGUIDE,
        name="third <b>try</b> & more",
        design_id="7f3a",
        what="Best waveguide of a search. Demo data of an invented workshop.",
        command="evenflare search even.toml --out 'run <1>'",
        directivity=piston(),
        score=0.537,
        terms={"index": 0.4, "throat_reflection": 0.1},
        limits=limit_excess(WAVEGUIDE, limits),
        history=history(),
        families=[
            page.FamilyResult("conical", 0.9, 0.95),
            page.FamilyResult("free", 0.5, 0.537),
            page.FamilyResult("exponential", 1.2, None),
        ],
        written=[("solid.stl", "the solid, mm")],
        provenance={"seed": 1, "limits": {"a": np.float64(2.0)}},
    )


def test_page_is_one_file_with_its_pictures_inside_and_no_way_out(whole_page: str) -> None:
    parsed = Page(whole_page)
    assert parsed.open == []
    assert "http" not in whole_page
    assert not any(tag in ("script", "link", "iframe", "a") for tag, _ in parsed.tags)
    pictures = [attributes for tag, attributes in parsed.tags if tag == "img"]
    assert len(pictures) == 7
    for attributes in pictures:
        assert (attributes["src"] or "").startswith("data:image/png;base64,iVBOR")
        assert len(attributes["alt"] or "") > 20
        assert int(attributes["width"] or 0) > 300
    assert not any((attributes.get("src") or "data:").startswith("data:") is False for _, attributes in parsed.tags)


def test_page_escapes_what_others_wrote(whole_page: str) -> None:
    assert not any(tag == "b" for tag, _ in Page(whole_page).tags)
    assert "third &lt;b&gt;try&lt;/b&gt; &amp; more" in whole_page
    assert "run &lt;1&gt;" in whole_page


def test_page_says_what_a_designer_needs(whole_page: str) -> None:
    words = " ".join(Page(whole_page).words.split())
    for needed in (
        "Design id 7f3a",
        "Score 0.537 dB",
        # Depth 90 against at most 80.
        "0.413 dB better than the best published family, conical",
        "Breaks 1 of 7 limits: depth, mm.",
        "depth, mm +10.00 broken",
        "free 0.500 0.537 winner",
        "conical 0.900 0.950 0.413 dB",
        "exponential 1.200 – –",
        # 25.4 mm exit at 343.2 m/s: 1.8412 c / (2 pi r) and 3.8317 c / (2 pi r).
        "Below 7.92 kHz",
        "below 16.5 kHz",
        "infinite baffle",
        "Local codes",
        "evenflare search even.toml --out 'run <1>'",
        "invented",
        evenflare.__version__,
    ):
        assert needed in words


def test_page_of_a_shape_alone_and_on_a_sphere() -> None:
    waveguide = dataclasses.replace(WAVEGUIDE, mounting=Mounting(150 * MILLIMETRE))
    parsed = Page(page.report(waveguide, name="shape", design_id="1", what="An export.", command="evenflare export"))
    assert sum(tag == "img" for tag, _ in parsed.tags) == 1
    assert "rigid sphere of radius 150.0 mm" in parsed.words
    assert "Families compared" not in parsed.words


def test_page_without_a_broken_limit_says_so() -> None:
    text = page.report(WAVEGUIDE, name="n", design_id="1", what="", command="", limits={"depth_mm": -3.0})
    assert "Keeps all limits." in text
    assert 'class="broken"' not in text
