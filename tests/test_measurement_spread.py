"""Several units: their scatter against numpy's statistics, and each against the reference unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from comparing import AIR, FREQUENCY, cap, field, of_levels, scattered, with_file
from evenflare import metrics
from evenflare.measurement.compare import area_weights, compare
from evenflare.measurement.spread import air_shift, spread
from evenflare.units import DEGREE


@pytest.fixture(scope="module")
def units():
    return {f"unit {i}": scattered(cap(0.3), seed=i, level_db=0.4, gain_db=0.5 * i) for i in range(5)}


def test_scatter_is_numpys_sample_standard_deviation(units):
    found = spread(units)
    levels = np.array([metrics.levels_re_on_axis(each) for each in units.values()])
    counted = (levels > -20.0).all(axis=0)
    assert np.array_equal(found.counted, counted)
    assert found.standard_deviation[counted] == pytest.approx(np.std(levels, axis=0, ddof=1)[counted])
    assert found.mean[counted] == pytest.approx(levels.mean(axis=0)[counted])
    assert found.span[counted] == pytest.approx((levels.max(axis=0) - levels.min(axis=0))[counted])
    assert np.isnan(found.standard_deviation[~counted]).all()
    overall = found.figures()
    weights = np.broadcast_to(area_weights(found.observation.off_axis), counted.shape)[counted]
    variance = np.var(levels, axis=0, ddof=1)[counted]
    assert overall.standard_deviation == pytest.approx(np.sqrt(np.average(variance, weights=weights)))
    assert overall.largest[0] == pytest.approx(np.sqrt(variance.max()))
    assert overall.cells == counted.sum()


def test_scatter_is_that_which_the_units_were_seeded_with():
    """Each level less its own on axis: two errors of 0.4 dB, so 0.4 sqrt 2 dB."""
    many = {str(i): scattered(cap(0.3), seed=i, level_db=0.4) for i in range(20)}
    # The reading on axis is shared by all angles: 24 frequencies of 20 units know that half of the variance to
    # sqrt(2 / 456) = 7 %, the whole to 3 % and its root to 2 %; three of these.
    assert spread(many).figures().standard_deviation == pytest.approx(0.4 * np.sqrt(2.0), rel=0.06)


def test_units_stand_against_the_golden_one_as_against_a_prediction(units):
    found = spread(units, reference_unit="unit 2")
    assert list(found.against_reference) == ["unit 0", "unit 1", "unit 3", "unit 4"]
    for name, each in found.against_reference.items():
        assert each.overall == compare(units[name], units["unit 2"]).overall
    level = {name: metrics.on_axis_level(each) for name, each in units.items()}
    for name, gain in found.gains.items():
        assert gain == pytest.approx(np.mean(level[name] - level["unit 2"]))
    assert spread(units).reference_unit == "unit 0"


def test_bands_and_index(units):
    found = spread(units)
    assert sum(each.cells for _, _, each in found.bands) == found.figures().cells
    total = sum(each.cells for midband, azimuth, each in found.bands if azimuth == 0.0)
    assert total == found.counted[:, 0].sum()
    assert found.index == pytest.approx(np.array([metrics.directivity_index(each) for each in units.values()]))
    front = {"off_axis": [0, 20, 40], "frequency": [500.0, 1000.0]}
    assert spread({"a": field(1.0, **front), "b": field(2.0, **front)}).index is None


def test_one_unit_twice_does_not_scatter():
    found = spread({"a": cap(0.3), "again": cap(0.3)})
    assert found.figures().standard_deviation == 0.0
    assert found.against_reference["again"].overall.rms == 0.0


def test_two_units_by_hand():
    """Levels 0, -2 and 0, -5: mean -3.5, standard deviation 3 / sqrt 2, range 3."""
    found = spread({"a": of_levels([1.0, -1.0], off_axis=[0, 90]), "b": of_levels([2.0, -3.0], off_axis=[0, 90])})
    assert found.mean[0, 0] == pytest.approx([0.0, -3.5])
    assert found.standard_deviation[0, 0] == pytest.approx([0.0, 3.0 / np.sqrt(2.0)])
    assert found.span[0, 0] == pytest.approx([0.0, 3.0])
    assert found.gains == {"a": 0.0, "b": pytest.approx(1.0)}


def test_only_what_all_units_hold_is_compared():
    units = {
        "a": field(1.0, frequency=[500, 1000, 2000], off_axis=[0, 30, 60, 90]),
        "b": field(1.0, frequency=[500, 1000], off_axis=[0, 30, 60]),
        "c": field(1.0, frequency=[1000, 2000], off_axis=[0, 30, 90]),
    }
    found = spread(units, reference_unit="c")
    assert found.observation.frequency.tolist() == [1000.0]
    assert found.observation.off_axis / DEGREE == pytest.approx([0, 30])


def test_a_wrong_file_of_one_unit_is_its_worst(units):
    wrong = {**units, "unit 3": with_file(units["unit 3"], plane=1, angle_deg=-35.0, of_deg=80.0)}
    found = spread(wrong)
    assert found.figures().largest[2:] == (0.5 * np.pi, pytest.approx(-35.0 * DEGREE))
    assert {name: len(each.suspects) for name, each in found.against_reference.items()} == {
        "unit 1": 0,
        "unit 2": 0,
        "unit 3": 1,
        "unit 4": 0,
    }


def test_units_of_another_day_are_compared_and_their_air_told(units):
    warm = {**units, "unit 1": replace(units["unit 1"], speed_of_sound=1.01 * AIR.speed_of_sound)}
    assert air_shift(spread(warm)) == pytest.approx(0.01)
    assert air_shift(spread(units)) == 0.0


@pytest.mark.parametrize(
    ("changed", "reference_unit", "words"),
    [
        ({"unit 1": cap(0.3, distance=1.0)}, None, "unit 0 and unit 1: unequal distance, 2 m and 1 m"),
        ({}, "unit 9", "reference unit unit 9: must be one of unit 0, unit 1"),
    ],
)
def test_what_cannot_be_compared_is_refused(units, changed, reference_unit, words):
    with pytest.raises(ValueError, match=words):
        spread({**units, **changed}, reference_unit=reference_unit)


def test_one_unit_is_too_few():
    with pytest.raises(ValueError, match="must be two at least"):
        spread({"a": cap(0.3)})


def test_frequencies_count_where_every_unit_is_valid(units):
    half = {**units, "unit 4": replace(units["unit 4"], valid=FREQUENCY > 2000.0)}
    assert np.array_equal(spread(half).valid, FREQUENCY > 2000.0)
    assert not spread(half).counted[FREQUENCY <= 2000.0].any()
