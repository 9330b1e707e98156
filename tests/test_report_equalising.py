"""An equaliser in words and pictures, and the page that any trade's results stand on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.dsp.equalisation import Equalisation, FirWish, equalise
from evenflare.dsp.equaliser import Aim
from evenflare.dsp.fit import SectionLimits
from evenflare.report.filters import equalising, equalising_figures
from evenflare.report.kit import sheet
from evenflare.results import equaliser
from evenflare.units import DEGREE
from reports import Page

AIR = Air()


def field() -> Directivity:
    """Omnidirectional but for a dip of 9 dB at 5 kHz on axis, in signed angles of both planes; rising 3 dB/octave."""
    frequency = np.geomspace(500.0, 20000.0, 90)
    angles = np.arange(-170.0, 180.1, 10.0) * DEGREE
    bell = np.exp(-0.5 * (np.log2(frequency / 5000.0) / 0.12) ** 2)
    level = np.repeat(3.0 * np.log2(frequency / 1000.0)[:, None, None], 2, axis=1) + np.zeros(angles.size)
    level[:, :, np.abs(angles) < 5 * DEGREE] -= 9.0 * bell[:, None, None]
    observation = Observation(frequency, angles, plane=np.array([0.0, 0.5 * np.pi]), symmetry="none")
    return Directivity(
        observation, 0.2 * 10.0 ** (level / 20.0) + 0j, np.full(90, True), AIR.density, AIR.speed_of_sound
    )


@pytest.fixture(scope="module")
def found() -> Equalisation:
    return equalise(
        field(),
        Aim("on_axis", 0.25, -0.5),
        band=(700.0, 18000.0),
        limits=SectionLimits(sections=6),
        wish=FirWish("mixed", 0.01),
        sample_rates=(48000,),
    )


def test_a_dip_is_named_with_its_place_and_where_it_is_not(found) -> None:
    (line,) = equalising.left_alone_lines(found)
    assert line.startswith(("5 kHz", "4.9", "5.0"))
    assert "dB deep between" in line
    assert "azimuth 0° at −90 to −10°, 10 to 90°; azimuth 90° at −90 to −10°, 10 to 90°" in line
    assert "found at azimuth 0° at 0°; azimuth 90° at 0°" in line


def test_words_state_mix_slope_and_costs(found) -> None:
    assert "75 % on axis and 25 % sound power (of their levels), −0.50 dB per octave" in equalising.aim_words(found)
    assert "6 sections" in equalising.fit_words(found)
    assert f"{found.headroom.greatest_boost:.2f} dB" in equalising.boost_words(found)
    high = equalising.aim_words(replace(found, high_pass=600.0))
    assert "fourth-order high-pass at 600 Hz" in high
    assert "mixed phase: 481 taps, latency 120 samples (2.50 ms)" in equalising.time_words(found, found.made[48000])


def test_nothing_left_alone_is_said() -> None:
    calm = equalise(field(), Aim(dip=20.0), band=(700.0, 18000.0), limits=SectionLimits(2), sample_rates=(48000,))
    assert equalising.left_alone_lines(calm) == [
        "nothing: no dip of 20 dB or more of the aim is absent in other directions"
    ]


def test_curves_are_lowered_by_the_correction_in_every_direction(found) -> None:
    columns = equaliser.columns(found)
    for name in equaliser.SHOWN:
        change = columns[f"equalised_{name}"] - columns[name]
        np.testing.assert_allclose(change, columns["correction_db"], atol=1e-9, err_msg=name)
    assert np.nanmin(columns["left_alone_db"]) == pytest.approx(-9.0, abs=1.0)


def test_page_stands_alone_and_holds_all_parts(found) -> None:
    drawn = equalising_figures.pictures(found)
    text = equalising.page(
        found, drawn, title="a <b>", what="w", written=[("equaliser.json", "all")], command="evenflare equalise"
    )
    page = Page(text)
    assert text.count('<img src="data:image/png;base64,') == len(drawn) == 4
    assert 'src="http' not in text
    assert "a &lt;b&gt;" in text
    words = " ".join(page.words.split())
    for part in ("The correction", "Left alone", "Headroom", "In time", "Sections", "Files beside this page"):
        assert part in words
    assert "a1 and a2 are subtracted" in words


def test_pictures_name_axes_and_units(found) -> None:
    drawn = equalising_figures.pictures(found)
    words = {name: [each.get_text() for each in figure.findobj(Text)] for name, figure in drawn.items()}
    assert all("frequency, Hz" in words[name] for name in ("equalised.png", "headroom.png", "group_delay.png"))
    assert "time from the peak, ms" in words["fir.png"]
    assert {"left alone", "wanted", "sections"} <= set(words["equalised.png"])


def test_sheet_escapes_and_shows_warnings_and_tables() -> None:
    text = sheet.sheet(
        "t",
        "w",
        parts=[sheet.PageSection("One", ["l <i>"], ("Band", "dB"), [("1 kHz", "3")]), sheet.PageSection("Two")],
        written=[("a.csv", "rows")],
        command="evenflare x",
        warnings=["mind this"],
    )
    assert "l &lt;i&gt;" in text
    assert "mind this." in text
    assert text.count("<table") == 2
    assert text.count("<h2") == 3
