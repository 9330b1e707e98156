"""Targets that contradict themselves are found out, sound ones are not accused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from evenflare.closed_forms import cap_index, cap_pattern, piston_index, piston_pattern, uniform_cone_index
from evenflare.files import InputError
from evenflare.target.consistent import contradictions, index_range
from evenflare.target.target import read_target
from evenflare.units import DEGREE
from evenflare.waveguide import Mounting
from target_texts import GOOD, OBLONG

TARGETS = sorted((Path(__file__).parent.parent / "targets").glob("*.toml"))
EDGE = 10.0**-0.3  # -6 dB

BAD = """name = "contradiction"
[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1500, 3000, 8000, 16000]
index_db = [10, 10, 10, 10]
tolerance_db = [0.5, 0.5, 0.5, 1.0]
beamwidth_deg = [170, 170, 95, 90]
[limits]
depth_mm = [60, 110]
mouth_diameter_mm = [180, 260]
"""


@pytest.mark.parametrize("path", TARGETS, ids=lambda path: path.stem)
def test_bundled_targets_do_not_contradict_themselves(path):
    assert contradictions(read_target(path)) == []


def test_an_index_that_no_beam_of_that_width_has_is_told_with_both_numbers(target_of):
    (warning,) = contradictions(target_of(BAD))
    assert warning.startswith(
        "t.toml [wanted] index_db and beamwidth_deg contradict each other at 2 of 4 frequencies: 10.0 dB with 170"
        " degrees at 1500 Hz, where a beam as wide has "
    )
    # Even inside 170 degrees and silent outside: 10 log10 of 1 / sin(42.5 degrees)^2.
    assert f"({-20 * np.log10(np.sin(np.radians(42.5))):.1f} if even inside it and silent outside)" in warning
    assert "10.0 dB with 170 degrees at 3000 Hz" in warning
    assert "8000" not in warning
    assert "change index_db or beamwidth_deg" in warning


def test_what_no_beam_at_all_can_have_is_refused(target_of):
    # A level nowhere below -6 dB inside 170 degrees: at most 6 dB above the even beam's 3.4.
    with pytest.raises(InputError, match=r"At 1500 Hz no beam whatever of that width has more than 9\.4 dB"):
        contradictions(target_of(BAD.replace("[10, 10, 10, 10]", "[14, 10, 10, 10]")))


def test_a_wide_tolerance_or_no_weight_contradicts_nothing(target_of):
    assert contradictions(target_of(BAD.replace("[0.5, 0.5, 0.5, 1.0]", "[4, 4, 0.5, 1.0]"))) == []
    assert contradictions(target_of(BAD.replace("[wanted]", "[wanted]\nweight = [0, 0, 1, 1]"))) == []


def test_too_low_an_index_for_a_narrow_beam_is_told(target_of):
    (warning,) = contradictions(target_of(BAD.replace("170, 170, 95, 90", "95, 95, 95, 40")))
    assert "at 1 of 4 frequencies: 10.0 dB with 40 degrees at 16000 Hz" in warning


@pytest.mark.parametrize("size", [2.5, 3.0, 4.0, 6.0, 10.0, 20.0])
def test_a_piston_is_no_contradiction(size, target_of):
    """Index and width of a baffled piston (Kinsler et al., sections 7.4 and 7.6) go together."""
    half = brentq(lambda angle: float(piston_pattern(size, angle)[0, 0]) - EDGE, 0.0, 0.5 * np.pi)
    low, high = index_range(np.array([2 * half]), np.array([2 * half]), target_of(GOOD))
    assert low[0] < piston_index(size) < high[0]


@pytest.mark.parametrize("size", [3.0, 5.0, 10.0])
def test_a_cap_on_a_sphere_is_no_contradiction(size, target_of):
    """Index and width of a cap of 40 degrees (Beranek and Mellow 2012, section 12.6) go together."""
    cap = {"half_angle": 40 * DEGREE}
    angles = np.linspace(0.0, np.pi, 721)
    level = np.abs(cap_pattern(size, angles, **cap))[0]
    below = np.flatnonzero(level < EDGE * level[0])
    width = np.array([2 * angles[below[0]] if below.size else 2 * np.pi])
    low, high = index_range(width, width, replace(target_of(GOOD), mounting=Mounting(0.2)))
    assert low[0] < cap_index(size, **cap)[0] < high[0]


def test_range_holds_the_even_beam(target_of):
    width = np.radians([60.0, 100.0, 150.0])
    low, high = index_range(width, width, target_of(GOOD))
    assert np.all(low < uniform_cone_index(width))
    assert np.all(uniform_cone_index(width) < high)


def test_planes_are_held_against_the_index_together(target_of):
    (warning,) = contradictions(target_of(OBLONG.replace("[5, 9, 10]", "[5, 12.5, 10]")))
    assert "index_db and beamwidth_horizontal_deg, beamwidth_vertical_deg contradict each other" in warning
    assert "12.5 dB with 110 x 80 degrees at 4000 Hz" in warning
    (warning,) = contradictions(target_of(OBLONG.replace("[5, 9, 10]", "[5, 22, 10]")))  # never refused between planes
    assert "22.0 dB" in warning


def test_one_plane_alone_contradicts_nothing(target_of):
    lacking = OBLONG.replace("beamwidth_vertical_deg = [180, 80, 60]\n", "").replace("constancy_weight = 0.5\n", "")
    assert contradictions(target_of(lacking.replace("[5, 9, 10]", "[5, 12.5, 10]"))) == []


def test_the_standards_index_is_held_against_its_own_range(target_of):
    """Of a beam of 60 degrees the listening window, to 30 degrees aside, lies far below the axis."""
    sphere = target_of(BAD.replace("170, 170, 95, 90", "60, 60, 60, 60").replace("10, 10, 10, 10", "13, 13, 13, 13"))
    assert contradictions(sphere) == []
    (warning,) = contradictions(replace(sphere, index_kind="sound_power"))
    assert "at 3 of 4 frequencies" in warning  # the last has a tolerance of 1 dB


def test_an_even_beam_and_a_rising_index_contradict_each_other(target_of):
    text = BAD.replace("beamwidth_deg = [170, 170, 95, 90]", "constancy_weight = 0.5")
    assert contradictions(target_of(text)) == []
    (warning,) = contradictions(target_of(text.replace("[10, 10, 10, 10]", "[6, 8, 10, 13]")))
    assert "constancy_weight = 0.5 and index_db contradict each other" in warning
    assert "8.0 dB at 3000 Hz" in warning  # at 1500 Hz the beam may be wider than the half space, and does not count
    assert "13.0 dB at 16000 Hz" in warning
