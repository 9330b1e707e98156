"""Target files: what they mean and what is reachable."""

import pickle
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.air import Air
from evenflare.closed_forms import piston_index
from evenflare.files import InputError
from evenflare.target.reach import largest_reachable, reachability, reachable_from
from evenflare.target.target import Target, WantedCrossover, read_target, wanted_beamwidth, wanted_index
from evenflare.units import DEGREE
from evenflare.waveguide import FAMILIES, Driver, Limits, Mounting
from target_texts import CROSSOVER, GOOD

TARGETS = sorted((Path(__file__).parent.parent / "targets").glob("*.toml"))
ROUNDING = 1e-12


def test_every_key_becomes_si(target_of):
    target = target_of(GOOD + CROSSOVER)
    assert (target.name, target.index_kind, target.source) == ("even", "sphere", "t.toml")
    assert target.driver == Driver(0.0127)
    assert target.mounting == Mounting()
    assert target.frequency.tolist() == [1000, 4000, 16000]
    assert target.index_db.tolist() == [6, 9, 10]
    assert target.tolerance_db.tolist() == [1, 0.5, 1.5]
    assert target.weight.tolist() == [1, 2, 0]
    assert target.beamwidth == pytest.approx(np.array([180, 100, 90]) * DEGREE, rel=ROUNDING)
    assert target.crossover == WantedCrossover(0.1, 2000)
    limits = target.limits
    assert limits.depth == pytest.approx((0.06, 0.11), rel=ROUNDING)
    assert limits.mouth_diameter == pytest.approx((0.18, 0.26), rel=ROUNDING)
    assert limits.smallest_concave_radius == pytest.approx(0.0032, rel=ROUNDING)
    assert limits.throat_angle == pytest.approx((2 * DEGREE, 20 * DEGREE), rel=ROUNDING)
    assert limits.greatest_wall_angle == pytest.approx(88 * DEGREE, rel=ROUNDING)
    assert limits.throat_angle_mismatch == pytest.approx(25 * DEGREE, rel=ROUNDING)
    assert (target.families, target.candidates, target.seed) == (("tractrix", "free"), 500, 7)
    assert not target.index_db.flags.writeable


def test_defaults(target_of):
    start, end = GOOD.index("beamwidth"), GOOD.index("[limits]")
    text = (GOOD[:start] + GOOD[end:]).replace('name = "even"', "").split("smallest")[0]
    target = target_of(text)
    assert target.name == "t"
    assert target.beamwidth is None
    assert target.constancy_weight == 0
    assert not target.oblong
    assert target.crossover is None
    assert target.weight.tolist() == [1, 1, 1]
    assert target.limits.throat_angle == Limits().throat_angle
    assert target.limits.greatest_wall_angle == pytest.approx(90 * DEGREE, rel=ROUNDING)
    assert target.limits.throat_angle_mismatch == pytest.approx(90 * DEGREE, rel=ROUNDING)
    assert target.limits.smallest_concave_radius == 0
    assert target.limits.smallest_draft == 0
    assert (target.families, target.candidates, target.seed) == (FAMILIES, 3000, 1)


def test_workers_get_the_same_target(target_of):
    target = target_of(GOOD + CROSSOVER)
    assert repr(pickle.loads(pickle.dumps(target))) == repr(target)


def test_wanted_values_are_linear_in_log_frequency_and_nothing_outside(target_of):
    target = target_of(GOOD)
    index, tolerance, weight = wanted_index(target, [999, 1000, 2000, 8000, 16000, 16100])
    assert index == pytest.approx([np.nan, 6, 7.5, 9.5, 10, np.nan], nan_ok=True, rel=ROUNDING)
    assert tolerance == pytest.approx([np.nan, 1, 0.75, 1, 1.5, np.nan], nan_ok=True, rel=ROUNDING)
    assert weight == pytest.approx([0, 1, 1.5, 1, 0, 0], rel=ROUNDING)
    width = wanted_beamwidth(target, [999, 2000, 16000])
    assert width / DEGREE == pytest.approx([np.nan, 140, 90], nan_ok=True, rel=ROUNDING)


def test_ends_of_the_band_worked_out_in_logarithms_are_inside(target_of):
    target = target_of(GOOD)
    ends = np.exp(np.log(target.frequency))
    assert np.all(np.isfinite(wanted_index(target, ends)[0]))
    assert np.all(np.isfinite(wanted_beamwidth(target, ends)))


def test_no_beamwidth_wanted(target_of):
    target = target_of("\n".join(line for line in GOOD.splitlines() if "beamwidth" not in line))
    assert wanted_beamwidth(target, [1000.0]) is None


def test_crossover_follows_the_piston_then_blends_over_an_octave(target_of):
    target = target_of(GOOD + CROSSOVER)
    size = 2 * np.pi * 0.1 / 343.2
    below = wanted_index(target, [1000, 1500, 2000])[0]
    assert below == pytest.approx(piston_index(size * np.array([1000, 1500, 2000])), rel=ROUNDING)
    # Table: ka = 3 gives 9.159292 dB (Kinsler et al., piston; recomputed to seven digits).
    assert wanted_index(target, 3 / size)[0] == pytest.approx(9.159292, abs=1e-6)
    at, half, above = wanted_index(target, [2000, 2000 * 2**0.5, 4000])[0]
    assert above == pytest.approx(9, rel=ROUNDING)
    assert half == pytest.approx(0.5 * at + 0.5 * 8.25, rel=ROUNDING)  # given: 8.25 dB three quarters of the way
    assert wanted_index(target, 16000)[0] == pytest.approx(10, rel=ROUNDING)


@settings(deadline=None, max_examples=50)
@given(frequency=st.floats(1000, 15990))
def test_crossover_leaves_no_step(frequency):
    target = Target(
        "x", Driver(), Mounting(), Air(), "sphere", [1000, 16000], [6, 10], [1, 1], [1, 1], None,
        WantedCrossover(0.1, 2000), Limits(),
    )  # fmt: skip
    near = wanted_index(target, [frequency, frequency * 1.0005])[0]
    assert abs(near[1] - near[0]) < 0.02  # the piston's index rises by at most 20 dB per decade and its ripple


def test_largest_reachable_is_the_piston(target_of):
    target = target_of(GOOD)
    frequency = 5 * 343.2 / (2 * np.pi * 0.13)
    assert largest_reachable(target, frequency) == pytest.approx(14.01733, abs=1e-5)  # table of the piston, ka = 5
    assert reachable_from(target, 14.01733) == pytest.approx(frequency, rel=0.003)  # grid of 4001 over four decades
    assert reachable_from(target, 80.0) == np.inf


def test_reachable_target_is_silent(target_of):
    assert reachability(target_of(GOOD)) == []


def test_a_little_out_of_reach_warns(target_of):
    (warning,) = reachability(target_of(GOOD.replace("index_db = [6,", "index_db = [8.5,")))
    assert warning == (
        "t.toml [wanted] index_db = 8.50 at 1000 Hz: lies 1.5 dB above the 7.0 dB that the largest mouth, 260 mm, can"
        " give there as one piston in a baffle (common practice, not a strict bound): may not be met. It gives"
        " 8.50 dB from 1183 Hz, waveguides from about 1.36 kHz to 2.06 kHz. Lower index_db, begin frequency_hz there,"
        " or raise [limits] mouth_diameter_mm"
    )


def test_reach_on_a_sphere_tends_to_no_directivity(target_of):
    """A small source on a sphere is a point source: 0 dB at low frequency, where a baffle would give 3.01."""
    sphere = replace(target_of(GOOD), mounting=Mounting(0.15))
    assert largest_reachable(sphere, [20.0])[0] < 0.1
    # Cap of 30 degrees, k R = 1, moving axially: 2.601 dB by the Legendre series (computed with mpmath).
    radius = sphere.limits.mouth_diameter[1] / 2
    on_sphere = replace(sphere, mounting=Mounting(radius / np.sin(np.radians(30))))
    frequency = sphere.air.speed_of_sound / (2 * np.pi * on_sphere.mounting.radius)
    assert largest_reachable(on_sphere, [frequency])[0] == pytest.approx(2.601021, abs=1e-5)


def test_reach_of_the_standards_index_is_lower_than_of_the_spheres(target_of):
    target = target_of(GOOD)
    standard = replace(target, index_kind="sound_power")
    frequency = np.array([500.0, 1500.0, 5000.0])
    assert np.all(largest_reachable(standard, frequency) < largest_reachable(target, frequency) - 0.05)


def test_less_than_half_space_gives_in_a_baffle_warns(target_of):
    (warning,) = reachability(target_of(GOOD.replace("index_db = [6,", "index_db = [2,")))
    assert "index_db = 2.00: may not be met, even a small source in a baffle has 3.01. Raise it" in warning


def test_far_out_of_reach_is_refused(target_of):
    with pytest.raises(InputError) as caught:
        reachability(target_of(GOOD.replace("index_db = [6,", "index_db = [12,")))
    assert str(caught.value) == (
        "t.toml [wanted] index_db = 12.00 at 1000 Hz: lies 5.0 dB above the 7.0 dB that the largest mouth, 260 mm, can"
        " give there as one piston in a baffle (common practice, not a strict bound): must be at most 3 dB above"
        " it. It gives 12.00 dB from 1633 Hz, waveguides from about 1.88 kHz to 2.84 kHz. Lower index_db, begin"
        " frequency_hz there, or raise [limits] mouth_diameter_mm"
    )


def test_reach_is_judged_with_the_woofer_that_is_matched(target_of):
    wide = CROSSOVER.replace("= 100", "= 300")
    with pytest.raises(InputError, match="above the"):
        reachability(target_of(GOOD + wide))


def test_what_has_no_weight_need_not_be_reachable(target_of):
    text = GOOD.replace("index_db = [6,", "index_db = [12,").replace("weight = [1, 2, 0]", "weight = [0, 0, 1]")
    assert reachability(target_of(text)) == []


def test_there_is_a_target_for_each_kind():
    assert len(TARGETS) >= 4
    targets = [read_target(path) for path in TARGETS]
    assert any(target.crossover for target in targets)
    assert any(target.index_kind == "sound_power" for target in targets)
    assert {target.mounting.kind for target in targets} == {"cabinet", "baffle"}
    assert all(target.mounting.cabinet for target in targets if target.oblong or target.rooms)
    assert any(target.rooms for target in targets)
    assert any(target.oblong for target in targets)
    assert "shelf" in [path.stem for path in TARGETS]


@pytest.mark.parametrize("path", TARGETS, ids=lambda path: path.stem)
def test_bundled_target_can_be_searched(path):
    target = read_target(path)
    assert reachability(target) == []
    if target.oblong:  # a candidate takes far longer
        assert {"free"} < set(target.families) < set(FAMILIES)
        assert target.candidates >= 100 * len(target.families)
    else:
        assert target.families == FAMILIES
        assert target.candidates >= 300 * len(target.families)
    assert "seed" in tomllib.loads(path.read_text(encoding="utf-8"))["search"]
    assert "invented scenario" in path.read_text(encoding="utf-8").splitlines()[1]
    assert target.driver.exit_radius == pytest.approx(0.0127)
