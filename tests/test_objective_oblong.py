"""The score of what differs between its planes, and constancy, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ellipse import AIR, elliptical_piston
from evenflare.closed_forms import uniform_cone_index
from evenflare.directivity.types import Directivity
from evenflare.metrics import PLANES, beamwidth, directivity_index, standard_curves
from evenflare.objective import Score, axis_weight, contributions, score, search_observation
from evenflare.target.target import Target
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Limits, Mounting, Oblong, Waveguide

FREQUENCY = np.geomspace(1000.0, 16000.0, 33)
LIMITS = Limits(depth=(0.04, 0.11), mouth_diameter=None, mouth_width=(0.1, 0.26), mouth_height=(0.06, 0.2))
ROUND = Limits(depth=(0.04, 0.11), mouth_diameter=(0.18, 0.26))
WIDE = Waveguide(Oblong(Conical(0.09, 45 * DEGREE), Conical(0.09, 25 * DEGREE)))
CONE = Waveguide(Conical(0.09, 45 * DEGREE))
ROUNDING = 1e-9


def target_of(index, *, limits=LIMITS, frequency=FREQUENCY, **others) -> Target:
    ones = np.ones(frequency.size)
    values = {
        "name": "synthetic",
        "driver": Driver(),
        "mounting": Mounting(),
        "air": AIR,
        "index_kind": "sphere",
        "frequency": frequency,
        "index_db": index * ones,
        "tolerance_db": 0.5 * ones,
        "weight": ones,
        "beamwidth": None,
        "crossover": None,
        "limits": limits,
    }
    return Target(**(values | others))


def piston(**sizes) -> Directivity:
    return elliptical_piston(FREQUENCY, observation=search_observation(target_of(8.0)), **sizes)


def widths(directivity: Directivity) -> dict[str, np.ndarray]:
    """The beamwidth of each plane as a target's field, never 6 dB down as the half space."""
    return {
        f"beamwidth_{name}": np.nan_to_num(beamwidth(directivity, plane=azimuth), nan=np.pi)
        for name, azimuth in PLANES.items()
    }


def rms(values, weight):
    return np.sqrt(np.sum(weight * values**2) / np.sum(weight))


def weight_of(directivity: Directivity):
    width = np.ones(33)
    width[[0, -1]] = 0.5  # trapezoidal rule over even steps of log frequency
    return axis_weight(directivity) * width


def test_observation_has_three_planes():
    seen = search_observation(target_of(8.0))
    assert seen.plane / DEGREE == pytest.approx([0, 45, 90])
    assert seen.symmetry == "two_planes"
    around = search_observation(target_of(8.0, limits=ROUND))
    assert (around.plane.tolist(), around.symmetry) == ([0.0], "round")
    for axis in ("frequency", "off_axis"):
        assert getattr(seen, axis).tolist() == getattr(around, axis).tolist()


def test_target_itself_scores_zero():
    found = piston()
    for kind, index in (
        ("sphere", directivity_index(found)),
        ("sound_power", standard_curves(found).sound_power_index),
    ):
        result = score(found, WIDE, target_of(index, index_kind=kind, constancy_weight=2.0, **widths(found)))
        assert result.value == pytest.approx(0.0, abs=ROUNDING)
        assert list(result.terms) == [
            *("index_db", "beamwidth_horizontal_db", "beamwidth_vertical_db"),
            *("constancy_horizontal_db", "constancy_vertical_db", "smoothness_frequency_db", "smoothness_angle_db"),
        ]
        assert result.constraints["mouth_width_mm"] < 0
        assert result.constraints["depth_mm"] < 0


def test_each_plane_is_judged_by_its_own_wanted_beamwidth():
    found = piston()
    wanted = widths(found)
    index = directivity_index(found)
    half = wanted["beamwidth_vertical"] / 2
    result = score(found, WIDE, target_of(index, **(wanted | {"beamwidth_vertical": half})))
    assert result.terms["beamwidth_horizontal_db"] == pytest.approx(0.0, abs=ROUNDING)
    deviation = uniform_cone_index(2 * half) - uniform_cone_index(half)
    by_hand = rms(deviation, weight_of(found))
    assert result.terms["beamwidth_vertical_db"] == pytest.approx(by_hand, rel=ROUNDING)
    # Each beamwidth at half weight beside the index: 0.5 of 2.
    assert result.value == pytest.approx(by_hand / 2, rel=ROUNDING)
    swapped = score(found, WIDE, target_of(index, **dict(zip(wanted, reversed(wanted.values()), strict=True))))
    assert min(swapped.terms[f"beamwidth_{name}_db"] for name in PLANES) > 1.0
    alone = score(found, WIDE, target_of(index, beamwidth_vertical=half))
    assert "beamwidth_horizontal_db" not in alone.terms
    assert alone.value == pytest.approx(by_hand / np.sqrt(3), rel=ROUNDING)  # 0.5 of 1.5


def test_constant_offset_of_a_beam_costs_nothing_in_constancy():
    found = piston(half_width=0.20, half_height=0.18)  # narrow enough for no plane to be as wide as the half space
    wanted = widths(found)
    assert all(np.all(angle < 0.75 * np.pi) for angle in wanted.values())
    # Half a dB less of the even beam's index at each frequency: sin^2 of the quarter angle times 10^0.05.
    wider = {name: 4 * np.arcsin(np.sin(angle / 4) * 10 ** (0.5 / 20)) for name, angle in wanted.items()}
    result = score(found, WIDE, target_of(directivity_index(found), constancy_weight=1.0, **wider))
    for plane in PLANES:
        assert result.terms[f"beamwidth_{plane}_db"] == pytest.approx(0.5, rel=1e-6)  # rounding of arc sines
        assert result.terms[f"constancy_{plane}_db"] == pytest.approx(0.0, abs=1e-6)


def test_constancy_is_the_standard_deviation_of_the_distance():
    found = piston()
    wanted = widths(found)
    wanted["beamwidth_horizontal"] = np.full(33, np.pi / 2)
    target = target_of(directivity_index(found), constancy_weight=3.0, **wanted)
    result = score(found, WIDE, target)
    weight = weight_of(found)
    distance = uniform_cone_index(widths(found)["beamwidth_horizontal"]) - uniform_cone_index(np.pi / 2)
    mean = np.sum(weight * distance) / np.sum(weight)
    spread, whole = rms(distance - mean, weight), rms(distance, weight)
    assert result.terms["constancy_horizontal_db"] == pytest.approx(spread, rel=ROUNDING)
    assert spread < 0.99 * whole  # the two can be told apart
    # 1 + 2 x 0.5 + 2 x 3 = 8 in all.
    assert result.value == pytest.approx(np.sqrt((0.5 * whole**2 + 3 * spread**2) / 8), rel=ROUNDING)
    parts = contributions(result)
    assert sum(parts.values()) == pytest.approx(result.value, rel=ROUNDING)
    assert parts["constancy_horizontal_db"] == pytest.approx(3 * spread**2 / 8 / result.value, rel=ROUNDING)


def test_constancy_without_a_wanted_beam_is_about_its_mean_from_where_it_narrows():
    found = piston(half_width=0.06, half_height=0.03)
    result = score(found, WIDE, target_of(directivity_index(found), constancy_weight=1.0))
    weight = weight_of(found)
    firsts = []
    for plane, azimuth in PLANES.items():
        width = beamwidth(found, plane=azimuth)
        first = int(np.argmax(np.isfinite(width)))
        firsts.append(first)
        index, counted = uniform_cone_index(np.nan_to_num(width[first:], nan=np.pi)), weight[first:]
        by_hand = rms(index - np.sum(counted * index) / np.sum(counted), counted)
        assert result.terms[f"constancy_{plane}_db"] == pytest.approx(by_hand, rel=ROUNDING)
    assert 0 < firsts[0] < firsts[1]  # some of the band is left out, and more in the plane of the lesser size
    assert "beamwidth_horizontal_db" not in result.terms


def test_beam_that_never_narrows_is_constant():
    found = piston(half_width=0.004, half_height=0.003)
    result = score(found, WIDE, target_of(directivity_index(found), constancy_weight=1.0))
    assert result.terms["constancy_horizontal_db"] == result.terms["constancy_vertical_db"] == 0.0


def test_round_target_has_one_constancy_and_by_default_none():
    found = elliptical_piston(FREQUENCY, half_height=0.06, observation=search_observation(target_of(8.0, limits=ROUND)))
    values = {"limits": ROUND, "beamwidth": np.full(33, np.pi / 2)}
    plain = score(found, CONE, target_of(9.0, **values))
    assert list(plain.terms)[:2] == ["index_db", "beamwidth_db"]
    assert not any(name.startswith("constancy") for name in plain.terms)
    asked = score(found, CONE, target_of(9.0, constancy_weight=1.0, **values))
    assert {name: asked.terms[name] for name in plain.terms} == plain.terms
    index, beam, even = (asked.terms[f"{name}_db"] for name in ("index", "beamwidth", "constancy"))
    assert 0 < even < beam
    assert asked.value == pytest.approx(np.sqrt((index**2 + 0.5 * beam**2 + even**2) / 2.5), rel=ROUNDING)


def test_equal_planes_score_as_the_round_one():
    index = directivity_index(piston(half_height=0.06)) + 0.4
    beam = np.full(33, np.pi / 2)
    around = elliptical_piston(FREQUENCY, half_height=0.06, observation=search_observation(target_of(8, limits=ROUND)))
    one = score(around, CONE, target_of(index, limits=ROUND, beamwidth=beam, constancy_weight=1.0)).terms
    two = score(
        piston(half_height=0.06),
        CONE,
        target_of(index, beamwidth_horizontal=beam, beamwidth_vertical=beam, constancy_weight=1.0),
    ).terms
    assert two["index_db"] == pytest.approx(one["index_db"], rel=ROUNDING)
    for name in ("beamwidth", "constancy"):
        for plane in PLANES:
            assert two[f"{name}_{plane}_db"] == pytest.approx(one[f"{name}_db"], rel=ROUNDING)
    for name in ("smoothness_frequency_db", "smoothness_angle_db"):
        assert two[name] == pytest.approx(one[name], rel=ROUNDING)


def test_smoothness_reads_every_plane():
    found = piston(half_width=0.005, half_height=0.004)
    target = target_of(8.0)
    steady = score(found, WIDE, target).terms
    for plane in range(3):
        pressure = np.array(found.pressure)
        pressure[:, plane, 12] *= 10 ** (5 / 20)  # 60 degrees
        rough = score(replace(found, pressure=pressure), WIDE, target).terms
        assert rough["smoothness_angle_db"] > steady["smoothness_angle_db"] + 3.0
        pressure = np.array(found.pressure)
        pressure[::2, plane, 1:12] *= 10 ** (3 / 20)
        rough = score(replace(found, pressure=pressure), WIDE, target).terms
        assert rough["smoothness_frequency_db"] > steady["smoothness_frequency_db"] + 0.5


def test_contributions_know_the_weight_of_constancy():
    # (0.6^2 + 0.5 x 0.4^2 + 2 x 0.3^2) / 3.5 = 0.62 / 3.5; its root is 0.4208834.
    terms = {"index_db": 0.6, "beamwidth_vertical_db": 0.4, "constancy_vertical_db": 0.3, "smoothness_angle_db": 1.9}
    value = float(np.sqrt(0.62 / 3.5))
    parts = contributions(Score(value, terms, {}, constancy_weight=2.0))
    shares = {"index_db": 0.36, "beamwidth_vertical_db": 0.08, "constancy_vertical_db": 0.18, "smoothness_angle_db": 0}
    assert parts == pytest.approx({name: share / 3.5 / 0.4208834 for name, share in shares.items()}, rel=1e-6)


def test_oblong_waveguide_is_not_judged_by_a_round_target_and_a_round_one_by_an_oblong_target_is():
    with pytest.raises(ValueError, match=r"mouth_diameter_mm is for round waveguides: must be mouth_width_mm and"):
        score(piston(), WIDE, target_of(8.0, limits=ROUND))
    assert {"mouth_width_mm", "mouth_height_mm"} < set(score(piston(), CONE, target_of(8.0)).constraints)


def test_plane_that_was_not_observed_is_named():
    found = elliptical_piston(FREQUENCY, planes_deg=(0, 45))
    with pytest.raises(ValueError, match="plane at 90 degrees was not observed"):
        score(found, WIDE, target_of(8.0, beamwidth_vertical=np.full(33, 1.0)))
