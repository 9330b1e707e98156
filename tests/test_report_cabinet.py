"""The same waveguide in a baffle, on a cabinet and free-standing: which mountings, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import reports
from evenflare.air import Air
from evenflare.commands import solving
from evenflare.design.file import Design
from evenflare.directivity.types import Observation
from evenflare.report.kit import canvas
from evenflare.report.waveguide import figures
from evenflare.report.waveguide.cabinet import figure
from evenflare.results.cabinet import columns, write_cabinet_effect
from evenflare.studies import cabinet
from evenflare.studies.cabinet import Case
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import BodyPoints, Mounting, Oblong, RolledShell, RoundCabinet, Tractrix, Waveguide
from shapes import BENCHMARK, through

WAVEGUIDE = reports.WAVEGUIDE
SPHERE = Mounting(0.2)
CABINET = Mounting(body=RoundCabinet(0.3, 0.25, 0.02))
SHELL = Mounting(body=RolledShell(0.02, 0.1, 0.05))
POINTS = Mounting(body=BodyPoints(((0.09, WAVEGUIDE.mouth_width / 2), (0.0, 0.15), (-0.1, 0.1), (-0.1, 0.0))))


pytestmark = pytest.mark.usefixtures("compiled")


@pytest.fixture(autouse=True)
def _undrawn(monkeypatch):
    """Pictures are made but not drawn: that takes most of the time."""
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")


def mounted(mounting: Mounting) -> Waveguide:
    return replace(WAVEGUIDE, mounting=mounting)


@pytest.mark.parametrize(
    ("mounting", "own"),
    [
        (Mounting(), "baffle"),
        (SPHERE, "cabinet"),
        (CABINET, "cabinet"),
        (SHELL, "free_standing"),
        (POINTS, "free_standing"),
    ],
)
def test_own_mounting_is_one_of_three(mounting, own):
    found = list(cabinet.cases(mounted(mounting)))
    assert [case.name for case in found] == ["baffle", "cabinet", "free_standing"]
    assert [case.name for case in found if case.as_designed] == [own]
    assert next(case for case in found if case.as_designed).mounting == mounting
    assert next(case.mounting.kind for case in found) == "baffle"


@pytest.mark.parametrize("name", BENCHMARK)
def test_invented_bodies_fit_round_the_wall(name):
    for mounting in (cabinet.default_cabinet(BENCHMARK[name]), cabinet.default_shell(BENCHMARK[name])):
        assert replace(BENCHMARK[name], mounting=mounting).outside


def test_shell_is_wider_where_the_wall_bulges():
    bulging = Waveguide(through((0, 12.7), (10, 70), (100, 90)))
    shell = cabinet.default_shell(bulging).body
    assert isinstance(shell, RolledShell)
    assert shell.back_diameter > cabinet.BACKS[0] * bulging.mouth_width
    assert replace(bulging, mounting=Mounting(body=shell)).outside


def test_cabinet_is_deeper_than_a_long_waveguide():
    long = Waveguide(through((0, 12.7), (300, 60)))
    body = cabinet.default_cabinet(long).body
    assert isinstance(body, RoundCabinet)
    assert body.depth == pytest.approx(0.34)


@pytest.mark.parametrize(
    ("frequency", "count"),
    [
        (np.array([1000.0]), 1),
        (np.geomspace(500, 8000, 9), 9),  # two an octave
        (np.geomspace(500, 8000, 49), 25),  # twelve an octave
        (np.geomspace(500, 8000, 50), 18),  # a third of them, and the last
    ],
)
def test_few_frequencies_are_solved_and_the_ends_kept(frequency, count):
    chosen = cabinet.chosen(frequency)
    assert chosen.size == count
    assert (chosen[0], chosen[-1]) == (frequency[0], frequency[-1])
    assert np.isin(chosen, frequency).all()


def design(waveguide: Waveguide, *frequency: float) -> Design:
    angles = np.arange(37) * 5 * DEGREE
    return Design("x", waveguide, Air(), Observation(np.array(frequency), angles, reference_z=waveguide.depth))


def test_without_a_baffle_low_sound_goes_all_round():
    found = cabinet.cabinet_effect(design(WAVEGUIDE, 20.0, 40.0))
    assert found is not None
    assert found.missing == ()
    held = columns(found)
    index = {name: held[f"{name}_index_db"] for name in cabinet.NAMES}
    assert index["baffle"] == pytest.approx(10 * np.log10(2), abs=0.02)  # a small source fills half of the space
    for name in ("cabinet", "free_standing"):
        # And all of it without a baffle. (k times half the depth of the largest body)^2 is 0.01 at 40 Hz.
        assert index[name] == pytest.approx(0.0, abs=0.05)
        step = held[f"{name}_on_axis_level_db"] - held["baffle_on_axis_level_db"]
        # The same volume velocity into twice the space: half the pressure.
        assert step == pytest.approx(-20 * np.log10(2), abs=0.05)


def test_mounting_that_cannot_be_solved_is_left_out_and_said(monkeypatch):
    broken = Case("free_standing", False, "a shell", Mounting(body=RolledShell(0.02, 0.01, 0.001)))
    kept = [case for case in cabinet.cases(WAVEGUIDE) if case.name != "free_standing"]
    monkeypatch.setattr(cabinet, "cases", lambda _: [*kept, broken])
    found = cabinet.cabinet_effect(design(WAVEGUIDE, 500.0))
    assert found is not None
    assert [each.case.name for each in found.mounted] == ["baffle", "cabinet"]
    assert "free-standing it cannot be shown ([mounting] back_depth_mm = 1: must be at least 5" in found.missing[0]


@pytest.fixture(scope="module")
def effect():
    found = [(case, reports.piston()) for case in cabinet.cases(mounted(CABINET))]
    return cabinet.effect(found, [])


def test_page_says_which_sizes_are_invented(effect):
    words = reports.shape_page(mounted(CABINET), cabinet=effect)
    section = words[words.index("What the cabinet does") :]
    assert "In a baffle: flush in an infinite baffle." in section
    assert "a round cabinet of diameter 300.0 mm, 250.0 mm deep, edges of radius 20.0 mm, as designed." in section
    assert "behind the throat, an invented default." in section
    assert "by up to 0.00 dB, at 300 Hz; it is within 0.5 dB of it everywhere." in section


def test_words_say_above_which_frequency_the_body_hardly_counts(effect):
    step = np.where(effect.frequency < 1000, 2.0, 0.3)
    baffle, on_cabinet, free = effect.mounted
    words = replace(effect, mounted=(baffle, replace(on_cabinet, index=baffle.index + step), free)).lines[3]
    last = effect.frequency[effect.frequency < 1000][-1]
    assert words.startswith("On a cabinet the index departs from that in a baffle by up to +2.00 dB, at ")
    assert words.endswith(f"within 0.5 dB of it above {last:.3g} Hz.")


def test_file_names_each_mounting_and_what_is_missing(effect, tmp_path):
    path = tmp_path / "cabinet_effect.csv"
    said = replace(effect, missing=("no shell",))
    write_cabinet_effect(path, said, header=["design: x"], cautions=["caution: loud"], distance=2.0)
    text = path.read_text()
    for words in ("# design: x", "# caution: loud", "# no shell", "# cabinet: a round cabinet", "at 2 m", "units: Hz"):
        assert words in text


def test_picture_shows_the_own_mounting_and_levels_re_the_baffle(effect):
    above, middle, below = figure(effect).axes
    labels = [line.get_label() for line in above.get_lines()]
    assert labels == ["in a baffle", "on a cabinet (as designed)", "free-standing"]
    assert len(middle.get_lines()) == 3
    assert all(np.abs(line.get_ydata()).max() == 0.0 for line in below.get_lines())


def test_profile_shows_the_body_to_its_back():
    axes = figures.profile(mounted(CABINET)).axes[0]
    depth = WAVEGUIDE.depth / MILLIMETRE
    back = min(float(np.min(line.get_xdata())) for line in axes.get_lines() if len(line.get_xdata()) > 100)
    assert back == pytest.approx(depth - 250.0)
    low, high = axes.get_xlim()
    assert low < back < high


def test_oblong_waveguide_has_no_cabinet_section():
    oblong = Waveguide(Oblong(Tractrix(0.1), Tractrix(0.1)))
    sound = solving.heard(__file__, design(oblong, 500.0), "screen")
    assert (sound.agreement, sound.cabinet) == (None, None)
    assert sound.alone.startswith("only the march serves")
