"""Both methods side by side: what counts, what is told of it, and what stands at the top of a page."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import reports
from evenflare.closed_forms import piston_index
from evenflare.directivity.types import Directivity
from evenflare.report.kit import canvas
from evenflare.report.waveguide.agreement import figure as figure_of
from evenflare.results.agreement import columns, write_agreement
from evenflare.studies.agreement import Agreement
from evenflare.studies.trust import valid_words
from evenflare.waveguide import Mounting, RoundCabinet

PISTON = reports.piston()
FREQUENCY = PISTON.observation.frequency
BODY = Mounting(body=RoundCabinet(0.3, 0.25))


@pytest.fixture(autouse=True)
def _undrawn(monkeypatch):
    """Pictures are made but not drawn: that takes most of the time."""
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")


def louder_axis(off_db: np.ndarray | float, directivity: Directivity = PISTON) -> Directivity:
    """The same with another on-axis level and as much power, so that its index is higher by so many dB."""
    pressure = directivity.pressure.copy()
    power = 4 * np.pi * np.ones(FREQUENCY.size)
    pressure[:, :, 0] *= 10 ** (np.broadcast_to(off_db, FREQUENCY.shape)[:, None] / 20)
    return replace(directivity, pressure=pressure, sound_power=power)


PLAIN = louder_axis(0.0)


def test_difference_of_the_index_is_march_less_boundary_elements():
    step = np.linspace(-0.2, 0.2, FREQUENCY.size)
    both = Agreement(louder_axis(step), PLAIN)
    assert columns(both)["difference_index_db"] == pytest.approx(step, abs=1e-12)  # rounding
    assert columns(both)["march_valid"].tolist() == (FREQUENCY < 12000).astype(float).tolist()


def test_rms_and_largest_are_over_what_both_trust():
    step = np.where(FREQUENCY < 12000, 0.1, 5.0)
    step[3] = -0.4
    both = Agreement(PLAIN, louder_axis(-step))
    counted = FREQUENCY < 12000
    assert both.rms == pytest.approx(np.sqrt(np.mean(step[counted] ** 2)), rel=1e-9)
    assert both.largest == pytest.approx((-0.4, FREQUENCY[3]), rel=1e-9)
    assert both.record["frequencies"] == counted.sum()


@pytest.mark.parametrize(
    ("step", "within"),
    [
        (0.29, True),
        (0.31, False),  # rms above 0.3
        (np.where(np.arange(FREQUENCY.size) == 8, 0.99, 0.0), True),
        (np.where(np.arange(FREQUENCY.size) == 8, -1.01, 0.0), False),  # rms 0.22, but more than 1 at one place
    ],
)
def test_either_bound_makes_a_warning(step, within):
    both = Agreement(louder_axis(step), PLAIN)
    assert both.within is within
    assert (both.warning == "") is within


def test_a_target_counts_only_where_it_wants_something():
    step = np.where((FREQUENCY > 1000) & (FREQUENCY < 4000), 0.0, 2.0)
    assert not Agreement(louder_axis(step), PLAIN).within
    assert Agreement(louder_axis(step), PLAIN, band=(1050.0, 3900.0)).within


def test_ends_of_a_band_count():
    both = Agreement(PLAIN, PLAIN, band=(float(FREQUENCY[2]), float(FREQUENCY[5])))
    assert np.flatnonzero(both.counted).tolist() == [2, 3, 4, 5]


def test_nothing_in_common_is_a_warning_too():
    nowhere = replace(PLAIN, valid=np.zeros(FREQUENCY.size, bool))
    both = Agreement(PLAIN, nowhere)
    assert not both.within
    assert "both methods are valid at no common frequency" in both.warning
    assert both.record["index_rms_db"] is None
    assert "boundary elements are valid nowhere" in both.lines[1]


def test_remedy_depends_on_whether_both_solve_the_same():
    assert "one of them is wrong" in Agreement(louder_axis(1.0), PLAIN).warning
    assert "rely on boundary elements" in Agreement(louder_axis(1.0), PLAIN, BODY).warning


def test_ranges_of_validity_in_words():
    valid = np.ones(FREQUENCY.size, bool)
    assert valid_words(replace(PISTON, valid=valid)) == "from 300 Hz to 15 kHz"
    valid[[1, 2]] = False
    assert valid_words(replace(PISTON, valid=valid)) == "from 300 Hz and 489 Hz to 15 kHz"
    sphere = replace(PISTON, valid=valid, provenance={"approximation": "a sphere"})
    assert valid_words(sphere).endswith("for the sphere it takes the body for")


def test_unequal_frequencies_are_refused():
    with pytest.raises(ValueError, match="same frequencies"):
        Agreement(PISTON, reports.piston(frequencies=7))


def test_file_says_whose_it_is_and_warns(tmp_path):
    path = tmp_path / "agreement.csv"
    write_agreement(path, Agreement(louder_axis(2.0), PLAIN), header=["design: x"], cautions=["caution: loud"])
    lines = path.read_text().splitlines()
    head = [line for line in lines if line.startswith("# ")]
    assert {"# design: x", "# caution: loud"} <= set(head)
    assert any(line.startswith("# caution: the two methods disagree") for line in head)
    assert lines[len(head)].startswith("frequency_hz,march_index_db,boundary_elements_index_db,difference_index_db,")
    assert len(lines) == len(head) + 1 + FREQUENCY.size


def page_of(both: Agreement | None, **more) -> str:
    return reports.shape_page(reports.WAVEGUIDE, directivity=PISTON, agreement=both, **more)


def test_a_disagreement_stands_before_all_numbers_of_a_page():
    words = page_of(Agreement(louder_axis(2.0), PLAIN))
    assert words.index("Warning: the two methods disagree") < words.index("Key numbers")
    assert "Two methods" in words


def test_methods_that_agree_have_a_section_and_no_warning():
    words = page_of(Agreement(PLAIN, PLAIN))
    assert "Warning" not in words
    assert "0.000 dB rms from 300 Hz to 10.8 kHz" in words
    assert "The march is valid from 300 Hz to 10.8 kHz; boundary elements are valid from 300 Hz to 10.8 kHz." in words


def test_page_says_why_nothing_was_compared():
    assert "Only the march serves it." in page_of(None, alone="only the march serves it")


def test_picture_shows_both_curves_and_the_bound():
    figure = figure_of(Agreement(louder_axis(0.2), PLAIN))
    above, difference, below = figure.axes
    assert [line.get_label() for line in above.get_lines()] == ["march", "boundary elements"]
    assert len(below.get_lines()) == 2
    assert difference.get_lines()[-1].get_ydata() == pytest.approx(0.2, abs=1e-9)
    assert difference.get_ylim() == (-1.5, 1.5)  # the bound and half of it again


def test_index_is_that_of_the_closed_form():
    valid = FREQUENCY < 5000
    index = columns(Agreement(PISTON, PISTON))["march_index_db"]
    size = PISTON.wavenumber * reports.RADIUS
    # Rings of 5 degrees stand for the sphere.
    assert np.abs(index - piston_index(size))[valid].max() < 0.05
