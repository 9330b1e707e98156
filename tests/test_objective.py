"""The score on synthetic directivities whose terms can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenflare.air import Air
from evenflare.closed_forms import piston_index, piston_pattern, uniform_cone_index
from evenflare.directivity.types import Directivity, at_frequencies
from evenflare.metrics import beamwidth, directivity_index, standard_curves
from evenflare.objective import (
    HOW_TERMS_COUNT,
    Score,
    axis_weight,
    contributions,
    not_counted,
    own_frequencies,
    score,
    search_observation,
    wanted_part,
)
from evenflare.target.target import Target, WantedCrossover
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Limits, Mounting, Waveguide

FREQUENCY = np.geomspace(1000.0, 16000.0, 33)
LIMITS = Limits(depth=(0.04, 0.11), mouth_diameter=(0.18, 0.26))
CONE = Waveguide(Conical(0.09, 45 * DEGREE))
AIR = Air()


def target_of(index, *, frequency=FREQUENCY, tolerance=0.5, weight=1.0, **others) -> Target:
    ones = np.ones(frequency.size)
    values = {
        "name": "synthetic",
        "driver": Driver(),
        "mounting": Mounting(),
        "air": AIR,
        "index_kind": "sphere",
        "frequency": frequency,
        "index_db": index * ones,
        "tolerance_db": tolerance * ones,
        "weight": weight * ones,
        "beamwidth": None,
        "crossover": None,
        "limits": LIMITS,
    }
    return Target(**(values | others))


def piston(radius=0.06, *, impedance=None, target=None) -> Directivity:
    """The pattern of a baffled piston at the search's directions, with its own index."""
    observation = search_observation(target or target_of(8.0))
    size = 2 * np.pi * observation.frequency * radius / AIR.speed_of_sound
    front = observation.off_axis <= 0.5 * np.pi + 1e-9
    pattern = np.where(front, piston_pattern(size, observation.off_axis), 0.0)
    power = 4 * np.pi / AIR.impedance / 10 ** (piston_index(size) / 10)
    return Directivity(
        observation,
        pattern[:, None, :],
        np.ones(size.size, bool),
        AIR.density,
        AIR.speed_of_sound,
        half_space=True,
        sound_power=power,
        throat_impedance=impedance,
    )


def with_axis_level(directivity: Directivity, change_db) -> Directivity:
    """The on-axis sample alone changed by so many dB (F,)."""
    pressure = np.array(directivity.pressure)
    pressure[:, :, 0] *= 10 ** (change_db[:, None] / 20)
    return replace(directivity, pressure=pressure)


def test_target_itself_scores_zero():
    found = piston(impedance=np.full(33, 1.0 + 0.2j))
    target = target_of(directivity_index(found), beamwidth=np.nan_to_num(beamwidth(found), nan=np.pi))
    result = score(found, CONE, target)
    # Rounding of logarithms only.
    assert result.value == pytest.approx(0.0, abs=1e-9)
    assert result.terms["index_db"] == pytest.approx(0.0, abs=1e-9)
    assert result.terms["beamwidth_db"] == pytest.approx(0.0, abs=1e-9)


@given(
    offset=st.floats(-8, 8),
    tolerance=st.floats(0.05, 5),
    weight=st.floats(0.01, 100),
    drive=st.floats(0.01, 100),
)
@settings(deadline=None, max_examples=40)
def test_even_offset_is_the_score_in_db_whatever_tolerance_weight_and_drive(offset, tolerance, weight, drive):
    found = piston()
    target = target_of(directivity_index(found) + offset, tolerance=tolerance, weight=weight)
    louder = replace(found, pressure=found.pressure * drive, sound_power=found.sound_power * drive**2)
    # Rounding of logarithms and square roots only.
    assert score(louder, CONE, target).value == pytest.approx(abs(offset), abs=1e-9)


@given(scale=st.floats(0.1, 3), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=25)
def test_score_grows_in_proportion_to_the_deviation(scale, seed):
    found = piston()
    deviation = np.random.default_rng(seed).normal(size=33)
    once = score(found, CONE, target_of(directivity_index(found) + deviation)).value
    scaled = score(found, CONE, target_of(directivity_index(found) + scale * deviation)).value
    assert scaled == pytest.approx(scale * once, rel=1e-9)  # rounding only


def test_tolerance_weighs_by_its_inverse_square():
    found = piston()
    upper = np.arange(33) > 16
    index = directivity_index(found) + np.where(upper, 2.0, 0.0)
    result = score(found, CONE, target_of(index, tolerance=np.where(upper, 1.0, 0.5)))
    width = np.ones(33)
    width[[0, -1]] = 0.5  # trapezoidal rule over even steps of log frequency
    weight = axis_weight(found) * width / np.where(upper, 1.0, 0.25)
    by_hand = np.sqrt(np.sum(weight * np.where(upper, 4.0, 0.0)) / np.sum(weight))
    assert result.value == pytest.approx(by_hand, rel=1e-9)  # rounding only
    assert by_hand == pytest.approx(2 / np.sqrt(5), rel=0.05)  # half the band at a quarter of the weight


def test_narrow_on_axis_dip_does_not_rule_the_score():
    found = piston(0.02)
    target = target_of(directivity_index(found))
    for depth in (4.0, 10.0, 20.0, 60.0):
        dip = with_axis_level(found, np.where(np.arange(33) == 20, -depth, 0.0))
        plain = np.sqrt(np.mean((directivity_index(dip) - target.index_db) ** 2))
        assert plain == pytest.approx(depth / np.sqrt(33), rel=1e-6)  # what an unweighted rms would say: rounding
        # One frequency of 33 at any depth costs at most this much: own choice of what "not ruling" means.
        assert score(dip, CONE, target).terms["index_db"] < 0.4


def test_dip_as_wide_as_two_octaves_counts():
    found = piston(0.02)
    target = target_of(directivity_index(found))
    wide = with_axis_level(found, np.where(np.abs(np.arange(33) - 16) <= 8, -6.0, 0.0))
    # 17 of 33 frequencies are 6 dB off, so 4.3 dB unweighted; the weight gives way within half an octave of the edges.
    assert score(wide, CONE, target).terms["index_db"] > 3.0


def test_axis_weight_is_one_where_the_axis_is_loudest():
    assert axis_weight(piston()) == pytest.approx(np.ones(33), abs=1e-12)  # rounding only


def test_index_kind_is_honoured():
    found = piston()
    sphere, standard = directivity_index(found), standard_curves(found).sound_power_index
    assert np.max(sphere - standard) > 0.3  # the two differ, so that mistaking one for the other shows
    assert score(found, CONE, target_of(standard, index_kind="sound_power")).value == pytest.approx(0.0, abs=1e-9)
    assert score(found, CONE, target_of(standard)).value > 0.2
    assert score(found, CONE, target_of(sphere, index_kind="sound_power")).value > 0.2


def test_crossover_takes_the_place_of_the_index():
    target = target_of(8.0, crossover=WantedCrossover(0.06, 2000.0))
    found = piston(0.06, target=target)
    low = found.observation.frequency <= 2000.0
    only_low = replace(
        found,
        observation=replace(found.observation, frequency=found.observation.frequency[low]),
        pressure=found.pressure[low],
        valid=found.valid[low],
        sound_power=found.sound_power[low],
    )
    narrow = replace(target, **{n: getattr(target, n)[:9] for n in ("frequency", "index_db", "tolerance_db", "weight")})
    assert narrow.frequency[-1] == pytest.approx(2000.0)
    assert score(only_low, CONE, narrow).value == pytest.approx(0.0, abs=1e-9)  # rounding only


def test_beam_that_never_falls_is_as_wide_as_the_half_space():
    found = piston(0.005)
    assert np.all(np.isnan(beamwidth(found)))
    target = target_of(directivity_index(found), beamwidth=np.full(33, np.pi))
    assert score(found, CONE, target).terms["beamwidth_db"] == pytest.approx(0.0, abs=1e-12)  # rounding only
    narrow = target_of(directivity_index(found), beamwidth=np.full(33, 0.5 * np.pi))
    expected = float(uniform_cone_index(0.5 * np.pi) - uniform_cone_index(np.pi))
    result = score(found, CONE, narrow)
    assert result.terms["beamwidth_db"] == pytest.approx(expected, rel=1e-9)  # rounding only
    assert result.value == pytest.approx(expected / np.sqrt(3), rel=1e-9)  # half weight beside the index


def test_throat_reflection_is_the_power_lost():
    found = piston(impedance=np.full(33, 3.0 + 0.0j))
    # |R| = 1/2, so that three quarters pass: 10 log(4/3) = 1.2494 dB.
    result = score(found, CONE, target_of(directivity_index(found)))
    assert result.terms["throat_reflection_db"] == pytest.approx(1.249387, abs=1e-6)
    assert result.value == pytest.approx(0.0, abs=1e-9)  # within what is tolerated
    worse = score(replace(found, throat_impedance=np.full(33, 0.1 + 0.0j)), CONE, target_of(directivity_index(found)))
    lost = -10 * np.log10(4 * 0.1 / 1.1**2)
    assert worse.value == pytest.approx(0.05 * (lost - 1.5), rel=1e-9)  # rounding only
    assert "throat_reflection_db" not in score(piston(), CONE, target_of(8.0)).terms


def test_contributions_add_up_to_the_score():
    found = piston(impedance=np.full(33, 0.1 + 0.0j))
    deviating = target_of(directivity_index(found) + 0.3, beamwidth=np.full(33, 0.5 * np.pi))
    for target in (deviating, target_of(9.0)):
        result = score(found, CONE, target)
        parts = contributions(result)
        assert list(parts) == list(result.terms)
        assert sum(parts.values()) == pytest.approx(result.value, rel=1e-12)  # rounding only
        assert parts["throat_reflection_db"] > 0 == parts["smoothness_frequency_db"]


def test_contribution_is_the_share_of_the_squares():
    # (0.6^2 + 0.5 x 0.3^2) / 1.5 = 0.27, and (0.05 x (4 - 2))^2 = 0.01; the root of 0.28 is 0.5291503.
    terms = {"index_db": 0.6, "beamwidth_db": 0.3, "smoothness_angle_db": 4.0, "throat_reflection_db": 1.5}
    parts = contributions(Score(float(np.sqrt(0.28)), terms, {}))
    expected = {"index_db": 0.24, "beamwidth_db": 0.03, "smoothness_angle_db": 0.01, "throat_reflection_db": 0.0}
    assert parts == pytest.approx({name: square / 0.5291503 for name, square in expected.items()}, rel=1e-6)
    assert set(contributions(Score(0.0, {"index_db": 0.0}, {})).values()) == {0.0}
    for needed in ("0.5", "0.05 dB", "1 dB (smoothness over frequency)", "1.5 dB (throat reflection)"):
        assert needed in HOW_TERMS_COUNT


def test_smoothness_over_angle_is_the_rise_away_from_the_axis():
    found = piston(0.005)
    pressure = np.array(found.pressure)
    pressure[:, 0, 12] *= 10 ** (5 / 20)  # 60 degrees
    result = score(replace(found, pressure=pressure), CONE, target_of(8.0))
    # The piston itself falls by up to 1.5 dB on the way to 60 degrees at the top of the band.
    assert result.terms["smoothness_angle_db"] == pytest.approx(4.8, abs=0.3)


def test_smoothness_over_frequency_is_the_ripple_and_no_slope():
    found = piston(0.005)
    steady = score(found, CONE, target_of(8.0)).terms["smoothness_frequency_db"]
    assert steady < 0.05
    # A cosine whose period is two thirds of an octave: a third of an octave away it has the other sign, so that the
    # ripple read is twice the level's: 2 * 1 dB / sqrt(2) rms, less what the mean over the sphere takes along.
    wave = np.cos(2 * np.pi * np.log2(FREQUENCY / 1000.0) / (2 / 3))
    pressure = np.array(found.pressure)
    angle = found.observation.off_axis
    near = angle < 12 * DEGREE
    pressure[:, :, near] *= 10 ** (wave[:, None, None] / 20)
    terms = score(replace(found, pressure=pressure), CONE, target_of(8.0)).terms
    share = np.sqrt(near.sum() / (angle < 60.1 * DEGREE).sum())
    assert terms["smoothness_frequency_db"] == pytest.approx(np.sqrt(2) * share, rel=0.1)


def test_limits_are_apart_from_the_value():
    found = piston()
    kept, broken = target_of(8.0), target_of(8.0, limits=replace(LIMITS, depth=(0.1, 0.2)))
    fine, outside = score(found, CONE, kept), score(found, CONE, broken)
    assert fine.value == outside.value
    assert fine.feasible
    assert not outside.feasible
    assert outside.constraints["depth_mm"] == pytest.approx(10.0, abs=1e-6)  # 90 mm deep, 100 wanted


def test_feasible_means_no_limit_above_zero():
    assert Score(1.0, {}, {"depth_mm": 0.0, "throat_angle_deg": -3.0}).feasible
    assert not Score(1.0, {}, {"depth_mm": 1e-9, "throat_angle_deg": -3.0}).feasible


def test_frequencies_outside_the_wanted_band_and_invalid_ones_do_not_count():
    found = piston()
    index = np.array(directivity_index(found))
    half = slice(8, 25)
    target = target_of(index[half] + 1.0, frequency=FREQUENCY[half])
    pressure = np.array(found.pressure)
    pressure[12] = np.nan
    valid = np.arange(33) != 12
    assert score(replace(found, pressure=pressure, valid=valid), CONE, target).value == pytest.approx(1.0, abs=1e-9)


def test_too_little_valid_is_refused():
    found = piston()
    with pytest.raises(ValueError, match=r"less than 75% of the wanted band, 1000 to 1.6e\+04 Hz, is observed"):
        score(replace(found, valid=np.arange(33) < 20), CONE, target_of(8.0))


def test_pressure_that_is_not_a_number_is_refused():
    found = piston()
    pressure = np.array(found.pressure)
    pressure[3, 0, 5] = np.nan
    with pytest.raises(ValueError, match="not a number"):
        score(replace(found, pressure=pressure), CONE, target_of(8.0))


@pytest.mark.parametrize("count", [2, 5, 22, 30, 48])
def test_observation_holds_the_targets_own_frequencies(count):
    own = np.geomspace(900.0, 16000.0, count)
    observation = search_observation(target_of(8.0, frequency=own))
    assert 20 <= observation.frequency.size <= 48
    assert set(own) <= set(observation.frequency)
    assert observation.off_axis[[0, -1]] == pytest.approx([0.0, np.pi])
    assert observation.far_field


@pytest.mark.parametrize(
    "own",
    [np.linspace(500.0, 20000.0, 400), np.geomspace(20.0, 40e3, 1000), np.array([*np.geomspace(900, 1000, 60), 14e3])],
    ids=["even", "the most there can be", "close together"],
)
def test_of_very_many_frequencies_each_is_near_a_scored_one(own):
    target = target_of(8.0, frequency=own)
    kept, observed = own_frequencies(target), search_observation(target).frequency
    assert set(kept) <= set(own)
    assert set(kept) <= set(observed)
    assert observed[[0, -1]].tolist() == own[[0, -1]].tolist()
    assert np.abs(np.log2(own[:, None] / kept)).min(axis=1).max() < (1 + 1e-9) / 24
    assert kept.size <= 2 + 24 * np.log2(own[-1] / own[0])  # each step but the last is longer than a 24th
    assert observed.size <= kept.size + 32


def test_where_a_crossover_begins_is_scored():
    target = target_of(8.0, frequency=np.array([1000.0, 16000.0]), crossover=WantedCrossover(0.1, 1234.5))
    assert 1234.5 in search_observation(target).frequency


def off_at(place, by):
    """A target with its own frequencies and another index at one of them, and the piston that has all the others."""
    own = np.array([1000.0, 1700.0, 5000.0, 13000.0, 14000.0])
    index = piston_index(2 * np.pi * own * 0.06 / AIR.speed_of_sound)
    index[place] += by
    return target_of(index, frequency=own)


@pytest.mark.parametrize("place", [0, -1])
def test_either_end_of_a_target_counts(place):
    target, even = off_at(place, 2.33), off_at(place, 0.0)
    found = piston(target=target)
    assert score(found, CONE, target).terms["index_db"] > score(found, CONE, even).terms["index_db"] + 0.1


def test_a_measurement_between_the_wanted_frequencies_is_read_off_at_them():
    """A piston seen at twelfths of an octave that miss the target's last frequency; 2.33 dB off is seen there."""
    target = off_at(-1, 2.33)
    seen = target_of(8.0, frequency=900.0 * 2.0 ** (np.arange(50) / 12.0))
    part = wanted_part(piston(target=seen), target)
    assert set(target.frequency) <= set(part.observation.frequency)
    size = 2 * np.pi * part.observation.frequency * 0.06 / AIR.speed_of_sound
    # Between twelfths of an octave a piston's power and pattern bend by less than a twentieth of a dB.
    assert directivity_index(part) == pytest.approx(piston_index(size), abs=0.05)
    assert not_counted(piston(target=seen), target).size == 0


def test_what_lies_between_distant_or_invalid_frequencies_is_not_guessed():
    target = off_at(-1, 0.0)
    seen = piston(target=target_of(8.0, frequency=900.0 * 2.0 ** (np.arange(50) / 12.0)))
    valid = seen.observation.frequency < 13600.0  # the last before it is 13,592 Hz
    assert not_counted(replace(seen, valid=valid), target).tolist() == [14000.0]
    short = at_frequencies(seen, seen.observation.frequency < 13600.0)
    assert not_counted(short, target).tolist() == [14000.0]
    octaves = at_frequencies(seen, np.arange(50) % 6 == 0)  # halves of an octave apart
    assert not_counted(octaves, target).size >= 3


def test_half_a_band_is_not_taken_for_the_whole():
    """A measurement to 4 kHz is valid everywhere it was made, and less than half of what is asked for."""
    seen = piston()
    with pytest.raises(ValueError, match="less than 75% of the wanted band"):
        score(at_frequencies(seen, seen.observation.frequency <= 4000.0), CONE, target_of(8.0))
