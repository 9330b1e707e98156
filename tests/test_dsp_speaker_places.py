"""Ways beside, below and behind the waveguide, each on a sphere of its own that looks anywhere."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.closed_forms import cap_pattern
from evenflare.commands.measured_ways import read_measured
from evenflare.directivity.types import unit_vectors
from evenflare.dsp.drivers import piston, turned
from evenflare.dsp.speaker import Speaker, read_speaker
from evenflare.files import InputError
from evenflare.results import tables
from reports import piston as solved_piston

C = Air().speed_of_sound
SPEAKER = """
[waveguide]
directivity = "solved"
[woofer]
piston_radius_mm = 60
sphere_radius_mm = 140
below_mm = 150
beside_mm = 210
forward_mm = -40
face = "right"
equalised_to = "nothing"
[woofer.crossover]
kind = "linkwitz_riley"
order = 8
frequency_hz = 700
[analysis]
from_hz = 200
to_hz = 3000
per_octave = 3
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A folder with an invented waveguide that radiates all round."""
    here = tmp_path_factory.mktemp("bench")
    full = dataclasses.replace(solved_piston(frequencies=33), half_space=False)
    tables.write_solution(here / "solved", full, name="demo", design_id="0123456789ab")
    return here


def speaker(bench, text: str) -> Speaker:
    (bench / "speaker.toml").write_text(text)
    return read_speaker(bench / "speaker.toml", reading=read_measured)


def test_a_piston_that_looks_aside_is_the_same_piston_turned():
    frequency, plain = np.array([300.0, 1500.0]), piston(0.06, speed_of_sound=C, sphere_radius=0.14)
    right = turned(plain, np.array([1.0, 0.0, 0.0]))
    off_axis, azimuth = np.array([0.5, 0.5, 0.0, 0.5, 0.5]) * np.pi, np.array([0.0, 0.5, 0.0, 1.0, -0.5]) * np.pi
    seen = np.array([0.0, 0.5, 0.5, 1.0, 0.5]) * np.pi
    assert right.far(frequency, off_axis, azimuth) == pytest.approx(plain.far(frequency, seen, np.zeros(5)))
    assert plain.upright
    assert not right.upright
    assert turned(plain, np.array([0.0, 0.0, -1.0])).upright


def test_a_way_beside_below_and_behind_is_heard_by_its_path(bench):
    sounds = speaker(bench, SPEAKER).sounds
    assert sounds.ways[1].positions == (pytest.approx((0.21, -0.15, -0.04)),)
    assert sounds.observation.symmetry == "none"
    frequency, observation = sounds.frequency, sounds.observation
    unit = unit_vectors(observation.off_axis, observation.plane[:, None])
    # A cap on a rigid sphere about its centre (closed form), which lies 140 mm to the left of the piston's middle.
    k = 2.0 * np.pi * frequency / C
    angle = np.arccos(np.clip(unit[..., 0].ravel(), -1.0, 1.0))
    cap = 0.5 * cap_pattern(k * 0.14, angle, half_angle=float(np.arcsin(60 / 140)))
    centre = np.array([0.21 - 0.14, -0.15, -0.04])
    expected = cap * np.exp(1j * np.outer(k, unit.reshape(-1, 3) @ centre))
    found = sounds.pressure[1].reshape(frequency.size, -1)
    assert found * sounds.taken[1][:, None] == pytest.approx(expected, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("below_mm = 150", "y_mm = 150", "beside_mm: goes with below_mm"),
        (
            "sphere_radius_mm = 140",
            "",
            'face = "right": is for a piston with a y_mm of its own, or at_mm, in a [cabinet], or with',
        ),
        ('face = "right"', 'face = "aside"', 'face = "aside"'),
        ("beside_mm = 210", "beside_mm = 4000", "beside_mm = 4000: must be -3000 to 3000"),
        ("[analysis]", "[cabinet]\nwidth_mm = 300\nheight_mm = 500\ndepth_mm = 300\n[analysis]", "[cabinet]"),
    ],
)
def test_faults_of_places_name_the_key(bench, old, new, said):
    with pytest.raises(InputError) as error:
        speaker(bench, SPEAKER.replace(old, new))
    assert said in str(error.value)
