"""Tables, pictures and the page of a result."""

import ast
import csv
import dataclasses
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal, cast

import numpy as np
import pytest
from matplotlib.text import Text

import evenflare
from evenflare import commands
from evenflare.air import Air
from evenflare.closed_forms import piston_impedance, piston_index, piston_pattern, piston_pressure
from evenflare.design import Design, default_observation
from evenflare.directivity import Directivity, Observation
from evenflare.files import InputError
from evenflare.objective import Score
from evenflare.report import drawing, figures, page, rows, tables, words
from evenflare.search import SearchResult, plan
from evenflare.search.worker import Outcome
from evenflare.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Driver, Exponential, Limits, Mounting, OblateSpheroidal, Waveguide, limit_excess
from shapes import through

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
        provenance={
            "version": evenflare.__version__,
            "solver": "closed form",
            "modes": np.int64(9),
            "bands": [{"to_hz": 1234.567, "modes": 6}, {"to_hz": 14010.75, "modes": 9}],
        },
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
    own = piston().provenance
    assert record == {"name": "a piston", "design_id": "7f3a", **own, "command": "solve"}
    assert record["modes"] == 9


def target(
    index_kind: Literal["sphere", "sound_power"] = "sphere", *, offset: float = 0.0, limits: Limits | None = None
) -> Target:
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
        limits=limits or Limits(),
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
    deviation = rows.index_deviation(directivity, target())
    np.testing.assert_array_equal(np.isfinite(deviation), inside)
    # Ring zones of one degree, and straight pieces between 40 wanted values.
    np.testing.assert_allclose(deviation[inside], 0.0, atol=0.05)
    # The two-orbit index of a narrow beam reads lower by half a dB and more.
    assert np.nanmin(rows.index_deviation(directivity, target("sound_power"))) < -0.5


def test_page_says_where_the_index_leaves_the_band() -> None:
    def said(offset: float) -> str:
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

    assert "stays inside the target's band" in said(0.0)
    wrong = said(2.0)
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
        labels = " ".join(text.get_text() for text in axes.texts)
        mouth = 2 * WAVEGUIDE.meridian.mouth_radius / MILLIMETRE
        for size in ("depth 90.0", "throat Ø 25.4", f"mouth Ø {mouth:.1f}", "roundover R 20.0", "rim 90.0°"):
            assert size in labels


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
    terms = {"index_db": 0.6, "beamwidth_db": 0.3, "smoothness_angle_db": 4.0, "throat_reflection_db": 0.1}
    return page.report(
        WAVEGUIDE,
        name="third <b>try</b> & more",
        design_id="7f3a",
        what="Best waveguide of a search. Demo data of an invented workshop.",
        command="evenflare search even.toml --out 'run <1>'",
        directivity=piston(),
        target=target(limits=limits),
        # sqrt((0.6^2 + 0.5 x 0.3^2) / 1.5 + (0.05 x (4 - 2))^2)
        score=Score(0.52915, terms, limit_excess(WAVEGUIDE, limits)),
        tip_below_throat=1.39 * MILLIMETRE,
        history=history(),
        families=[
            page.FamilyResult("conical", 0.9, 0.95, 300, 5),
            page.FamilyResult("free", 0.5, 0.537, 1200, 200),
            page.FamilyResult("tractrix", None, None, 299, 0, "no member keeps the limits"),
            page.FamilyResult("exponential", 1.2, None, 298, 0),
        ],
        written=[("solid.stl", "the solid, mm")],
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
    text = " ".join(Page(whole_page).words.split())
    for needed in (
        "Design id 7f3a",
        "Score 0.529 dB",
        # Depth 90 against at most 80.
        "0.413 dB better than the best published family, conical",
        "Breaks 1 of 8 limits: depth, mm.",
        "depth, mm 90.00 40 to 80 −10.00, broken",
        "throat diameter mismatch, mm 0.00 at most 0.2 +0.20",
        "smallest wall angle, degrees 0.00 at least 0 0.00",
        "free 0.500 1200 0.537 200 winner",
        "conical 0.900 300 0.950 5 0.413",
        "exponential 1.200 298 – 0 –",
        "tractrix no member keeps the limits (299 tried)",
        # 0.24, 0.03 and 0.01 of 0.28 squared dB in all.
        "index 0.600 0.454",
        "beamwidth 0.300 0.057",
        "smoothness angle 4.000 0.019",
        "throat reflection 0.100 0.000",
        "score 0.529",
        "passes the throat plane by 1.39 mm",
        # A flat exit and a wall that begins parallel to the axis.
        "Joint at the throat wall goes on as the exit",
        "12.70 mm, round the axis at the throat",
        "Shapes that break a limit have no score and no point",
        # 25.4 mm exit at 343.2 m/s: 1.8412 c / (2 pi r) and 3.8317 c / (2 pi r).
        "Below 7.92 kHz",
        "below 16.5 kHz",
        "infinite baffle",
        "Local codes",
        "evenflare search even.toml --out 'run <1>'",
        "invented",
        f"evenflare {evenflare.__version__}",
        "solver closed form",
        "bands to, Hz modes 1235 6 14010 9",
    ):
        assert needed in text, needed


def test_page_of_a_shape_alone_and_on_a_sphere() -> None:
    waveguide = dataclasses.replace(WAVEGUIDE, mounting=Mounting(150 * MILLIMETRE))
    parsed = Page(page.report(waveguide, name="shape", design_id="1", what="An export.", command="evenflare export"))
    assert sum(tag == "img" for tag, _ in parsed.tags) == 1
    assert "rigid sphere of radius 150.0 mm" in parsed.words
    assert "front is flat and its body a cylinder" in parsed.words
    for absent in ("Families compared", "Limits", "Keeps all limits", "Score"):
        assert absent not in parsed.words
    assert "cylinder" not in shape_page(WAVEGUIDE)


def test_families_that_keep_no_limit_or_were_not_reached_have_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = ("family", "stage", "feasible", "score")
    found = [
        *(("conical", "screen", 1, 2.0), ("conical", "screen", 1, 3.0), ("conical", "full", 1, 2.1)),
        *(("tractrix", "screen", 0, None), ("tractrix", "screen", 0, None)),
        ("hyperbolic", "screen", 0, None),
    ]
    closest = {
        "conical": Outcome(2.0, True, {}, {"depth_mm": -1.0}, {}, ""),
        "tractrix": Outcome(None, False, {}, {"depth_mm": 3.0}, {}, "breaks depth_mm by 3"),
        "hyperbolic": Outcome(None, False, {}, {}, {}, "the wall meets the axis"),
    }
    monkeypatch.setattr(commands, "history_rows", lambda _: [dict(zip(columns, row, strict=True)) for row in found])
    monkeypatch.setattr(commands, "nearest", lambda _: closest)
    shares = plan([*closest, "free"], 100)
    results = commands.family_results(cast(SearchResult, SimpleNamespace(plan=shares)), Path())
    assert [each.why for each in results] == [
        "",
        "no member keeps the limits; the nearest breaks depth_mm by 3",
        "no member can be solved: the wall meets the axis",
        "not reached",
    ]
    assert results[0] == page.FamilyResult("conical", 2.0, 2.1, 2, 1)
    text = shape_page(WAVEGUIDE, families=results)
    assert "conical 2.000 2 2.100 1 winner" in text
    assert "tractrix no member keeps the limits; the nearest breaks depth_mm by 3 (2 tried)" in text
    assert "free not reached (0 tried)" in text


def test_export_tells_its_facts_beside_the_file_names_and_no_limits(tmp_path: Path) -> None:
    evenflare.write_design(Design("n", WAVEGUIDE, AIR, default_observation(WAVEGUIDE)), tmp_path / "design.toml")
    written = dict(
        commands.export_command(tmp_path / "design.toml", tmp_path / "out", commands.Cut(), "evenflare export")
    )
    assert re.search(r"\d+ triangles, \d{3,4} cm³, outside diameter 222.0 mm", written["solid.stl"])
    assert re.search(r"tool radius 3 mm \(at most 12.7\), lowest program_z -9\d\.\d{3} mm", written["points.csv"])
    text = " ".join(Page((tmp_path / "out" / "report.html").read_text()).words.split())
    # The tip of a 3 mm ball on a wall along the axis at the throat is a radius below its contact.
    assert "passes the throat plane by 3.00 mm" in text
    for absent in ("Keeps all limits", "at most 0.2", "{", "0.003"):
        assert absent not in text.partition("Key numbers")[2]
    assert written["solid.stl"] in text


def shape_page(waveguide: Waveguide, **more: Any) -> str:
    text = page.report(waveguide, name="n", design_id="1", what="", command="", **more)
    return " ".join(Page(text).words.split())


def test_page_without_a_broken_limit_says_so() -> None:
    text = page.report(WAVEGUIDE, name="n", design_id="1", what="", command="", target=target())
    assert "Keeps all limits." in text
    assert ", broken" not in text


def test_limits_table_agrees_with_the_limits_themselves() -> None:
    kept = Limits(depth=(0.1, 0.2), smallest_concave_radius=0.02, greatest_wall_angle=80 * DEGREE)
    excess = limit_excess(WAVEGUIDE, kept)
    found = rows.limits(WAVEGUIDE, kept)
    assert [row.label for row in found] == [words.unit_apart(name) for name in excess]
    for row, over in zip(found, excess.values(), strict=True):
        assert row.kept == (over <= 0)
        bounds = [float(each) for each in re.findall(r"[\d.]+", row.allowed)]
        low = -np.inf if "at most" in row.allowed else bounds[0]
        high = np.inf if "at least" in row.allowed else bounds[-1]
        room = min(float(row.value) - low, high - float(row.value))
        # Value and room have two decimals each.
        assert float(row.room.replace("−", "-")) == pytest.approx(room, abs=0.0101)


def family(name: str, full: float | None) -> page.FamilyResult:
    return page.FamilyResult(name, full, full, 10, 5)


@pytest.mark.parametrize(
    ("best", "verdict"),
    [
        (0.4, "That is 0.100 dB better than the best published family, conical."),
        (0.6, "The best shape is of a published family, conical."),
        (0.5, "The best shape is of a published family, conical."),
        (0.49996, "The best published family, conical, is as good."),
        (None, "The best shape is of a published family, conical."),
    ],
)
def test_page_claims_a_gain_only_where_there_is_one(best: float | None, verdict: str) -> None:
    text = shape_page(WAVEGUIDE, families=[family("free", best), family("conical", 0.5)])
    assert verdict in text
    assert "0.000 dB better" not in text


@pytest.mark.parametrize(
    ("waveguide", "joint", "hollow"),
    [
        # A straight wall of 45 degrees: 12.7 mm / cos 45 degrees = 17.96 mm.
        (Waveguide(through((0, 12.7), (50, 62.7))), "corner of 45.0°", "17.96 mm, round the axis at the throat"),
        (
            Waveguide(through((0, 12.7), (50, 62.7)), Driver(exit_half_angle=20 * DEGREE)),
            "corner of 25.0° between exit and wall",
            "17.96 mm",
        ),
        (
            Waveguide(through((0, 12.7), (50, 62.7), (80, 70))),
            "corner of 45.0°",
            "0.00 mm, an inward corner, z = 50.0 mm",
        ),
    ],
)
def test_page_names_the_throats_corner_and_the_hollow(waveguide: Waveguide, joint: str, hollow: str) -> None:
    text = shape_page(waveguide)
    assert joint in text
    assert hollow in text


def test_hollow_along_the_wall_is_told_from_the_circumference() -> None:
    # From 80 degrees against the axis to 10 on a radius of 10 mm, 40 mm and more away from the axis.
    turn = np.linspace(80.0, 10.0, 29) * DEGREE
    points = [(10 * (np.sin(turn[0]) - np.sin(a)), 40 + 10 * (np.cos(a) - np.cos(turn[0]))) for a in turn]
    waveguide = Waveguide(through(*points))
    assert drawing.hollow(waveguide).startswith("along the wall")
    assert "Smallest hollow radius (cutter) 10.0" in shape_page(waveguide)


def test_page_of_points_tells_what_became_of_them() -> None:
    text = shape_page(Waveguide(through((0, 12.7), (20, 30), (30, 60), (60, 80))))
    assert "Corners kept z = 20, 30 mm" in text
    assert "straight lines by up to 0.000 mm" in text
    many = [(10.0 * i, 20.0 + 10.0 * (i % 2)) for i in range(20)]
    assert "110, 120 and 6 more mm" in shape_page(Waveguide(through(*many)))
    assert "Corners kept" not in shape_page(WAVEGUIDE)


@pytest.mark.parametrize(
    "waveguide",
    [
        WAVEGUIDE,
        Waveguide(through((0, 12.7), (5, 60), (10, 100))),
        Waveguide(Exponential(0.4, 0.4 / float(np.log(25 / 12.7)))),
        Waveguide(through((0, 12.7), (17.5, 23.85), (35, 35), (60, 38), (110, 100)), mounting=Mounting(0.17)),
    ],
    ids=["plain", "shallow", "narrow", "waist"],
)
def test_words_of_a_profile_stand_clear_of_each_other_and_inside_the_picture(waveguide: Waveguide) -> None:
    figure = figures.profile(waveguide)
    figure.draw_without_rendering()
    # Of an annotation too, the words alone, without its arrow.
    boxes = [Text.get_window_extent(text) for text in figure.axes[0].texts if text.get_text()]
    assert len(boxes) >= 6
    for i, box in enumerate(boxes):
        assert figure.bbox.x0 <= box.x0 < box.x1 <= figure.bbox.x1
        assert figure.bbox.y0 <= box.y0 < box.y1 <= figure.bbox.y1
        assert not any(box.overlaps(other) for other in boxes[i + 1 :])


def test_few_frequencies_are_marked_and_many_are_not() -> None:
    for count, marker in ((1, "o"), (2, "o"), (3, "None")):
        found = piston(frequencies=count)
        for figure in (
            figures.index_and_beamwidth(found),
            figures.standard_curves(found),
            figures.throat_impedance(found),
        ):
            lines = [line for axes in figure.axes for line in axes.get_lines() if len(line.get_xdata()) == count]
            curves = [line for line in lines if np.array_equal(line.get_xdata(), found.observation.frequency)]
            assert len(curves) >= 2
            assert {line.get_marker() for line in curves} == {marker}


def test_axes_are_hidden_where_a_note_takes_their_place() -> None:
    assert not figures.directivity_map(piston(frequencies=1)).axes[0].axison
    assert figures.directivity_map(piston(frequencies=2)).axes[0].axison


def test_map_is_drawn_finely_through_its_samples_and_its_bar_ends_at_the_data() -> None:
    found = piston()
    figure = figures.directivity_map(found)
    # A piston is loudest on axis.
    assert figure.axes[1].get_ylim()[1] == pytest.approx(0.0)
    louder = np.array(found.pressure)
    louder[:, :, 1:3] *= 1.2  # 1.58 dB
    shown = figures.directivity_map(dataclasses.replace(found, pressure=louder)).axes[1]
    assert 1.5 <= shown.get_ylim()[1] <= 3.0
    # The -6 dB line crosses each angle where the piston does: 2 J1(x) / x = 0.5 at x = 2.2151.
    line = figure.axes[0].collections[1].get_paths()[2].vertices
    steep = line[line[:, 1] > 20]
    assert steep.shape[0] > 60
    size = 2 * np.pi * steep[:, 0] * RADIUS / AIR.speed_of_sound * np.sin(steep[:, 1] * DEGREE)
    # Between samples 18 per cent of frequency and 5 degrees apart.
    np.testing.assert_allclose(size, 2.2151, rtol=0.03)
