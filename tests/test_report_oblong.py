"""Pictures and page of an oblong waveguide."""

import dataclasses
import re

import numpy as np
import pytest
from matplotlib.collections import PolyCollection

from ellipse import elliptical_piston
from evenflare.closed_forms import uniform_cone_index
from evenflare.directivity.types import Directivity
from evenflare.objective import Score
from evenflare.report.kit import scene
from evenflare.report.kit.wall import section
from evenflare.report.waveguide import balloon, drawing, figures, page, rows
from evenflare.target.target import Target
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    Conical,
    Driver,
    Exponential,
    Limits,
    Oblong,
    RoundedRectangle,
    Superellipse,
    Waveguide,
    limit_excess,
    limit_places,
    measures,
)
from oblong_shapes import CANDIDATE, HIGH, OBLONG_BENCHMARK, WIDE
from reports import WAVEGUIDE, Page, history, piston, shape_page, target, words_stand_clear
from shapes import through

FREQUENCY = np.geomspace(500.0, 17000.0, 30)
LIMITS = Limits(
    depth=(0.06, 0.11),
    mouth_diameter=None,
    mouth_width=(0.18, 0.2),
    mouth_height=(0.1, 0.14),
    section_exponent=(2.0, 3.5),
    smallest_concave_radius=3.2 * MILLIMETRE,
)


def heard(*planes_deg: float) -> Directivity:
    return elliptical_piston(FREQUENCY, planes_deg=planes_deg or (0.0, 45.0, 90.0))


def all_round() -> Directivity:
    return heard(*range(0, 91, 15))


def oblong_target() -> Target:
    round_one = target()
    return dataclasses.replace(
        round_one,
        limits=LIMITS,
        beamwidth=None,
        beamwidth_horizontal=np.linspace(120, 80, 40) * DEGREE,
        beamwidth_vertical=np.linspace(180, 60, 40) * DEGREE,
    )


def test_pictures_of_an_oblong_waveguide_have_one_map_a_plane_its_front_and_its_balloon() -> None:
    maps = [f"directivity_map_{plane}.png" for plane in ("horizontal", "diagonal", "vertical")]
    common = ["index_and_beamwidth.png", "off_axis_curves.png", "standard_curves.png", "throat_impedance.png"]
    found = figures.pictures(CANDIDATE, heard(), all_round=all_round())
    assert list(found) == ["profile.png", "front.png", *maps, *common, "balloon.png"]
    assert "balloon.png" not in figures.pictures(CANDIDATE, heard(), all_round=heard())
    assert list(figures.pictures(WAVEGUIDE, piston(), all_round=piston())) == [
        "profile.png",
        "directivity_map.png",
        *common,
    ]


def test_planes_are_named_and_the_nearest_to_halfway_is_the_diagonal() -> None:
    assert figures.planes(all_round()) == {"horizontal": 0, "diagonal": 3, "vertical": 6}
    assert figures.planes(heard(0.0, 90.0)) == {"horizontal": 0, "vertical": 1}
    assert figures.planes(piston()) == {"": 0}


def test_map_of_a_plane_crosses_minus_6_db_where_that_plane_does() -> None:
    found = heard()
    for name, plane in figures.planes(found).items():
        figure = figures.directivity_map(found, plane=plane)
        title = figure.get_suptitle()
        assert title.startswith(f"Directivity map, {name} plane at {45 * plane}°")
        line = figure.axes[0].collections[1].get_paths()[2].vertices
        steep = line[line[:, 1] > 20]
        reach = np.hypot(0.06 * np.cos(45 * plane * DEGREE), 0.04 * np.sin(45 * plane * DEGREE))
        size = 2 * np.pi * steep[:, 0] * reach / found.speed_of_sound * np.sin(steep[:, 1] * DEGREE)
        # 2 J1(x) / x = 0.5 at 2.2151; between samples 12 per cent of frequency and 5 degrees apart.
        assert steep.shape[0] > 40
        np.testing.assert_allclose(size, 2.2151, rtol=0.03)


def test_off_axis_curves_have_a_panel_a_plane() -> None:
    found = heard()
    panels = figures.off_axis_curves(found).axes
    assert [axes.get_ylabel().split(",")[0] for axes in panels] == ["horizontal", "diagonal", "vertical"]
    lines = [axes.get_lines()[3].get_ydata() for axes in panels]
    row = int(np.abs(np.log(FREQUENCY / 8000)).argmin())
    for plane, line in enumerate(lines):
        level = 20 * np.log10(np.abs(found.pressure[row, plane, :19] / found.pressure[row, 0, 0]))
        np.testing.assert_allclose(line, level, atol=1e-9)


def test_beamwidths_of_both_planes_stand_in_bands_of_the_tolerance() -> None:
    found = heard()
    below = figures.index_and_beamwidth(found, oblong_target()).axes[1]
    lines = {line.get_label(): line for line in below.get_lines()}
    assert {"horizontal", "vertical"} <= set(lines)
    # The wider side has the narrower beam.
    assert np.nanmax(lines["vertical"].get_ydata() - lines["horizontal"].get_ydata()) > 10
    bands = {each.get_label(): each.get_paths()[0].vertices for each in below.collections}
    for plane, width in (("horizontal", 120.0), ("vertical", 180.0)):
        band = bands[f"wanted, {plane}"]
        ends = np.unique(np.round(band[np.isclose(band[:, 0], 1000.0), 1], 6))
        # Half a dB of an even beam's index to either side; in a baffle none is wider than 180 degrees.
        deviation = uniform_cone_index(ends * DEGREE) - uniform_cone_index(width * DEGREE)
        assert deviation.max() == pytest.approx(0.5)
        assert deviation.min() == pytest.approx(-0.5 if width < 180 else 0.0, abs=1e-6)


NEW = {
    **OBLONG_BENCHMARK,
    "almost round": Waveguide(Oblong(Conical(0.1, 30 * DEGREE), Conical(0.1, 29.9 * DEGREE))),
    "shallow": Waveguide(Oblong(Conical(0.03, 60 * DEGREE), Conical(0.03, 40 * DEGREE))),
    "long and flat": Waveguide(Oblong(Exponential(0.3, 0.13), Exponential(0.3, 0.4), Superellipse(3.0))),
    "high": Waveguide(Oblong(HIGH, WIDE), Driver(exit_half_angle=10 * DEGREE)),
}


@pytest.mark.parametrize("waveguide", NEW.values(), ids=NEW)
def test_words_of_an_oblong_profile_stand_clear_of_each_other_and_inside_the_picture(waveguide: Waveguide) -> None:
    words_stand_clear(figures.profile(waveguide), least=8)


def test_oblong_profile_has_both_meridians_to_scale_and_names_their_sizes() -> None:
    (axes,) = figures.profile(CANDIDATE).axes
    assert axes.get_aspect() == 1.0
    lines = {line.get_label(): line for line in axes.get_lines()}
    surface = CANDIDATE.surface
    for plane, meridian in (("horizontal", surface.horizontal), ("vertical", surface.vertical)):
        drawn = lines[f"{plane} plane"]
        np.testing.assert_allclose(drawn.get_xdata(), meridian.dense.z / MILLIMETRE)
        np.testing.assert_allclose(drawn.get_ydata(), meridian.dense.r / MILLIMETRE)
    words = " ".join(text.get_text() for text in axes.texts)
    found = measures(CANDIDATE)
    for said in (
        "depth 100.0",
        "throat Ø 25.4",
        f"width {found.mouth_width / MILLIMETRE:.1f}",
        f"height {found.mouth_height / MILLIMETRE:.1f}",
        "horizontal: wall at rim 90.0°,\nroundover R 12.0",
        "vertical: wall at rim 90.0°",
        "smallest concave radius 12.7,\nat the throat",
    ):
        assert said in words


@pytest.mark.usefixtures("unpainted")
def test_smallest_hollow_radius_of_a_corner_is_named_by_depth_and_azimuth_and_marked_there() -> None:
    waveguide = OBLONG_BENCHMARK["oblate-spheroidal, rounded rectangle"]
    where = measures(waveguide).places["smallest_concave_radius_mm"]
    said = f"z = {where.z / MILLIMETRE:.1f} mm, azimuth {where.azimuth / DEGREE:.0f}°"
    assert drawing.concave(waveguide) == said
    assert said in shape_page(waveguide)
    (axes,) = figures.profile(waveguide).axes
    marks = [line.get_xydata()[0] for line in axes.get_lines() if line.get_marker() == "o"]
    at = next(mark for mark in marks if mark[0] == pytest.approx(where.z / MILLIMETRE))
    # A place between the planes: neither meridian's radius.
    assert 80 < at[1] < 101


def test_front_shows_the_sections_from_throat_to_mouth() -> None:
    waveguide = OBLONG_BENCHMARK["oblate-spheroidal, exponent to 4"]
    (axes,) = figures.front(waveguide).axes
    assert axes.get_aspect() == 1.0
    outlines = [line.get_xydata() for line in axes.get_lines() if len(line.get_xdata()) > 10]
    assert len(outlines) == 5
    np.testing.assert_allclose(np.hypot(*outlines[0].T), 12.7, atol=1e-6)
    mouth = outlines[-1]
    a, b = 0.5 * waveguide.mouth_width / MILLIMETRE, 0.5 * waveguide.mouth_height / MILLIMETRE
    np.testing.assert_allclose(np.abs(mouth[:, 0] / a) ** 4 + np.abs(mouth[:, 1] / b) ** 4, 1.0, atol=1e-6)
    np.testing.assert_array_equal(mouth[0], mouth[-1])
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert words[0] == "throat: 25.4 × 25.4"
    assert words[-1] == f"mouth: {2 * a:.1f} × {2 * b:.1f}"


def test_section_of_a_rounded_rectangle_has_its_corners() -> None:
    waveguide = Waveguide(Oblong(WIDE, HIGH, RoundedRectangle(0.015)))
    x, y = section(waveguide.surface, waveguide.depth).T
    a, b = 0.5 * waveguide.mouth_width, 0.5 * waveguide.mouth_height
    corner = (x > a - 0.015) & (y > b - 0.015)
    assert corner.sum() > 5
    np.testing.assert_allclose(np.hypot(x - a + 0.015, y - b + 0.015)[corner], 0.015, atol=1e-9)


def test_balloons_are_painted_piece_by_piece_in_the_colours_of_their_levels() -> None:
    found = balloon.balloon(all_round())
    figure = figures.balloons_at_octaves(all_round())
    titles = [axes.get_title() for axes in figure.axes if axes.get_title()]
    assert [float(title.split()[0]) for title in titles] == pytest.approx([1, 2, 4, 8, 16], rel=0.07)
    for axes, row in zip(figure.axes, balloon.octaves(FREQUENCY).tolist(), strict=False):
        (painted,) = (each for each in axes.collections if isinstance(each, PolyCollection))
        parts = scene.pieces(found.points(row))
        np.testing.assert_allclose(painted.get_paths()[7].vertices[:4], parts.outline[7])
        # One scale for all.
        assert axes.get_xlim() == figure.axes[0].get_xlim()
    quiet, loud = (
        painted.get_facecolor()[np.argsort(balloon.balloon_cells(found, row)[parts.cell])[i]] for i in (0, -1)
    )
    assert loud[:3].sum() > quiet[:3].sum()


def oblong_page() -> str:
    terms = {"index_db": 0.6, "beamwidth_horizontal_db": 0.3, "beamwidth_vertical_db": 0.9}
    return page.report(
        CANDIDATE,
        name="n",
        design_id="1",
        what="",
        command="",
        directivity=heard(),
        all_round=all_round(),
        target=oblong_target(),
        score=Score(0.6, terms, limit_excess(CANDIDATE, LIMITS)),
        history=history(),
        families=[page.FamilyResult("free", 0.5, 0.6, 9, 3)],
        ladder=["estimate and screen rank alike: Kendall's tau 0.62 over 48 candidates judged at both"],
        provenance={"memory_mb": 214.01, "wall_time_s": 3.25},
    )


def test_page_of_an_oblong_waveguide_says_what_a_designer_needs() -> None:
    text = oblong_page()
    assert len(text) < 3_000_000
    words = " ".join(Page(text).words.split())
    for needed in (
        "Breaks 1 of 10 limits: mouth width, mm.",
        "Mouth width and height 201.86 mm × 119.94 mm",
        "Mouth's section ellipse",
        "Roundover radius, horizontal 12.00 mm",
        "Wall angle at throat and rim, vertical 0.00° and 90.00°",
        # 1.9 mm over, at the rim in the horizontal plane.
        "mouth width, mm 201.86 180 to 200 −1.86, broken 100.0 mm, 0°",
        "mouth height, mm 119.94 100 to 140 +19.94 100.0 mm, 90°",
        "section exponent 2.00 2 to 3.5 0.00",
        "beamwidth horizontal 0.300",
        "beamwidth vertical 0.900",
        "Beamwidth at −6 dB, horizontal",
        "Beamwidth at −6 dB, vertical",
        "Depth, mm Width, mm Height, mm Exponent 0.00 25.40 25.40 2.000",
        "100.00 201.86 119.94 2.000",
        "estimate and screen rank alike: Kendall's tau 0.62 over 48 candidates judged at both.",
        "memory, MB 214",
        "wall time, s 3.25",
        "In space",
    ):
        assert needed in words, needed
    alts = [attributes["alt"] or "" for tag, attributes in Page(text).tags if tag == "img"]
    # In space, profile, front, index, three maps, off axis, standard, impedance, balloon, history.
    assert len(alts) == 12
    assert sum("plane, with lines at" in alt for alt in alts) == 3
    assert any("201.9 mm wide and 119.9 mm high" in alt for alt in alts)


def test_places_of_an_oblong_pages_limits_are_those_of_the_limits_themselves() -> None:
    places = limit_places(CANDIDATE, LIMITS)
    found = rows.limits(CANDIDATE, LIMITS)
    assert len(found) == len(places) == len(limit_excess(CANDIDATE, LIMITS))
    for row, where in zip(found, places.values(), strict=True):
        if where.azimuth is None:
            assert row.place == ""
        else:
            z, azimuth = (float(each) for each in re.fullmatch(r"([\d.]+) mm, (\d+)°", row.place).groups())
            assert z == pytest.approx(where.z / MILLIMETRE, abs=0.051)
            assert azimuth == pytest.approx(where.azimuth / DEGREE, abs=0.51)
    assert not any(row.place for row in rows.limits(WAVEGUIDE, Limits()))


@pytest.mark.parametrize("waveguide", NEW.values(), ids=NEW)
def test_limits_of_an_oblong_page_agree_with_the_limits_themselves(waveguide: Waveguide) -> None:
    kept = dataclasses.replace(LIMITS, smallest_draft=2 * DEGREE, section_exponent=(2.2, 3.0))
    for row, over in zip(rows.limits(waveguide, kept), limit_excess(waveguide, kept).values(), strict=True):
        assert row.kept == (over <= 0)
        bounds = [float(each) for each in re.findall(r"[\d.]+", row.allowed)]
        low = -np.inf if "at most" in row.allowed else bounds[0]
        high = np.inf if "at least" in row.allowed else bounds[-1]
        margin = min(float(row.value) - low, high - float(row.value))
        # Value and margin have two decimals each.
        assert float(row.margin.replace("−", "-")) == pytest.approx(margin, abs=0.0101)


@pytest.mark.usefixtures("unpainted")
def test_page_names_two_families_two_corners_and_the_points_of_each_plane() -> None:
    walls = Oblong(through((0, 12.7), (30, 40), (60, 95)), Conical(60 * MILLIMETRE, 30 * DEGREE), Superellipse(3.0))
    text = shape_page(Waveguide(walls))
    assert "Family, horizontal points Family, vertical conical" in text
    assert "Corners kept, horizontal z = 30 mm" in text
    assert "Corners kept, vertical" not in text
    assert "superellipse, exponent 3" in text
    # atan(27.3 / 30) = 42.3 degrees against a flat exit; the vertical wall has 30.
    assert "corner of 42.3° between exit and wall" in text
    assert "an inward corner" not in text


@pytest.mark.usefixtures("unpainted")
def test_page_of_an_oblong_shape_alone_has_the_view_and_no_balloon() -> None:
    text = page.report(CANDIDATE, name="n", design_id="1", what="", command="")
    parsed = Page(text)
    assert sum(tag == "img" for tag, _ in parsed.tags) == 3
    assert '"balloon":null' in text
    assert "Depth, azimuth" not in text
