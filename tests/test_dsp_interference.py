"""Dips that other directions lack are found with their place; those that all share are not."""

from __future__ import annotations

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation
from evenflare.dsp.equaliser import Aim, filtered, wanted
from evenflare.dsp.interference import around, dips, grid, interpolated, levels_on
from evenflare.units import DEGREE

AIR = Air()
FREQUENCY = np.geomspace(500.0, 20000.0, 120)
ANGLES = np.arange(0.0, 180.1, 5.0) * DEGREE
BAND = (700.0, 18000.0)


def field(axial_db: float = 0.0, everywhere_db: float = 0.0, at: float = 5000.0, width: float = 0.12) -> Directivity:
    """Omnidirectional; a bell-shaped dip (octaves) at a frequency on the axis only, and one in all directions."""
    bell = np.exp(-0.5 * (np.log2(FREQUENCY / at) / width) ** 2)
    level = np.zeros((FREQUENCY.size, 1, ANGLES.size))
    level[:, 0, ANGLES < 12 * DEGREE] -= axial_db * bell[:, None]
    level -= everywhere_db * bell[:, None, None]
    pressure = 10.0 ** (level / 20.0) + 0j
    return Directivity(Observation(FREQUENCY, ANGLES), pressure, np.full(120, True), AIR.density, AIR.speed_of_sound)


def test_a_dip_on_axis_alone_is_left_alone_and_named_with_its_place() -> None:
    found = wanted(field(axial_db=9.0), Aim(), band=BAND)
    (dip,) = found.dips
    # The grid has 24 points to the octave and the dip is averaged over a twelfth.
    assert dip.frequency == pytest.approx(5000.0, rel=0.03)
    assert dip.low < 5000.0 < dip.high
    assert dip.depth == pytest.approx(9.0, abs=1.0)
    assert dip.shared == pytest.approx(0.0, abs=0.1)
    lacking = dip.lacking[0] == 1.0
    np.testing.assert_array_equal(lacking, ANGLES > 12 * DEGREE)
    assert np.abs(found.correction).max() < 0.3  # flat elsewhere: nothing to do


def test_a_dip_in_all_directions_is_corrected() -> None:
    found = wanted(field(everywhere_db=9.0), Aim(), band=BAND)
    assert found.dips == ()
    assert found.correction.max() - found.correction.min() == pytest.approx(9.0, abs=1.0)  # smoothing


def test_of_both_at_one_place_only_the_shared_part_is_corrected() -> None:
    found = wanted(field(axial_db=8.0, everywhere_db=4.0), Aim(), band=BAND)
    (dip,) = found.dips
    assert dip.depth == pytest.approx(8.0, abs=1.0)
    assert dip.shared == pytest.approx(4.0, abs=0.6)
    assert found.correction.max() - found.correction.min() == pytest.approx(4.0, abs=0.6)


def test_the_filter_changes_nothing_about_what_is_interference() -> None:
    before = field(axial_db=9.0)
    gain = np.exp(1j * np.linspace(0.0, 3.0, 120)) * np.geomspace(1.0, 4.0, 120)
    after = wanted(filtered(before, gain), Aim(), band=BAND)
    (one,), (other,) = wanted(before, Aim(), band=BAND).dips, after.dips
    assert other.depth == pytest.approx(one.depth, abs=0.1)  # shoulders move a little on a slope
    assert other.frequency == pytest.approx(one.frequency, rel=0.03)


def test_shallow_dips_are_corrected_as_anything_else() -> None:
    assert wanted(field(axial_db=0.8), Aim(), band=BAND).dips == ()
    assert wanted(field(axial_db=3.0), Aim(dip=6.0), band=BAND).dips == ()


def test_a_wide_hollow_of_the_index_is_no_interference() -> None:
    assert wanted(field(axial_db=6.0, at=3000.0, width=1.5), Aim(), band=BAND).dips == ()


def test_dips_are_a_hull_of_the_index_and_take_nothing_elsewhere() -> None:
    at = grid(500.0, 8000.0)
    aim = -6.0 * np.exp(-0.5 * (np.log2(at / 2000.0) / 0.1) ** 2)
    found, taken = dips(at, aim, others=np.zeros(at.size), levels=np.zeros((at.size, 1, 3)), least=1.0)
    assert len(found) == 1
    assert taken.min() == pytest.approx(-6.0, abs=0.05)
    assert np.all(taken <= 0.0)
    assert np.all(taken[(at < 1000.0) | (at > 4000.0)] == 0.0)


def test_levels_are_straight_over_log_frequency_and_held_beyond() -> None:
    known = np.array([100.0, 1000.0])
    found = interpolated(known, np.array([[0.0], [10.0]]), np.array([50.0, 316.22776601683796, 4000.0]))
    np.testing.assert_allclose(found[:, 0], [0.0, 5.0, 10.0], atol=1e-12)


def test_mean_over_directions_of_an_even_field_is_its_level_and_needs_more_than_the_axis() -> None:
    directivity = field()
    at = grid(*BAND)
    np.testing.assert_allclose(around(levels_on(directivity, at), directivity), 0.0, atol=1e-12)
    alone = Directivity(
        Observation(FREQUENCY, np.zeros(1)),
        np.ones((120, 1, 1), dtype=complex),
        np.full(120, True),
        AIR.density,
        AIR.speed_of_sound,
    )
    with pytest.raises(ValueError, match="only the axis was observed"):
        around(levels_on(alone, at), alone)
