"""Pictures of a result."""

import ast
import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

import evenflare
from evenflare.directivity.types import Directivity
from evenflare.files import InputError
from evenflare.report.kit import canvas
from evenflare.report.waveguide import figures
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Exponential, Mounting, Waveguide
from reports import AIR, RADIUS, WAVEGUIDE, history, piston, target, words_stand_clear
from shapes import through


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


def test_history_of_three_stages_shows_each_in_its_own_way() -> None:
    rows = [{"number": i, "stage": "estimate", "score": 9.0 - i, "feasible": True, "family": "free"} for i in range(4)]
    (axes,) = figures.search_history([*rows, *history()]).axes
    lines = {line.get_label(): line for line in axes.get_lines()}
    np.testing.assert_array_equal(lines["best, estimate"].get_ydata(), [9.0, 8.0, 7.0, 6.0, 6.0])
    assert [lines[f"best, {stage}"].get_linestyle() for stage in ("full", "screen", "estimate")] == ["-", "--", ":"]


def test_figures_say_why_they_show_nothing() -> None:
    bare = dataclasses.replace(piston(frequencies=1), throat_impedance=None, error_estimate=None)
    for figure, why in (
        (figures.throat_impedance(bare), "was not computed"),
        (figures.directivity_map(bare), "needs two frequencies"),
        (figures.search_history([]), "no candidate"),
    ):
        assert any(why in text.get_text() for text in figure.axes[0].texts)
        canvas.png(figure)
    canvas.png(figures.index_and_beamwidth(bare))
    canvas.png(figures.off_axis_curves(bare))


def test_saved_figure_is_png_the_same_each_time(tmp_path: Path) -> None:
    for name in ("a.png", "b.png"):
        canvas.save(figures.profile(WAVEGUIDE), tmp_path / name)
    first = (tmp_path / "a.png").read_bytes()
    assert first.startswith(b"\x89PNG")
    assert first == (tmp_path / "b.png").read_bytes()
    with pytest.raises(InputError, match="cannot be written"):
        canvas.save(figures.profile(WAVEGUIDE), tmp_path / "a.png" / "below.png")


def test_only_canvas_paper_and_figures_import_the_plotting_library() -> None:
    package = Path(evenflare.__file__).parent
    importers = set()
    texts = {path: path.read_text(encoding="utf-8") for path in package.rglob("*.py")}
    for path in (path for path, text in texts.items() if "matplotlib" in text or "pyplot" in text):
        for node in ast.walk(ast.parse(texts[path])):
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if any(module.split(".")[0] == "matplotlib" for module in modules):
                importers.add(str(path.relative_to(package)))
            assert not any("pyplot" in module for module in modules)
    assert importers == {"report/kit/canvas.py", "report/kit/letters.py", "report/waveguide/figures.py"}


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
    words_stand_clear(figures.profile(waveguide), least=6)


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
