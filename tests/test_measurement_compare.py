"""Measured against predicted: closed forms, sums by hand, and what must not change the figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from comparing import AIR, FREQUENCY, FRONT, ORBIT, PLANES, cap, field, of_levels, piston, scattered, with_file
from evenflare.air import Air
from evenflare.closed_forms import piston_index, piston_pattern
from evenflare.measurement.common import common, counted_from
from evenflare.measurement.compare import area_weights, compare, octave_bands
from evenflare.measurement.read_off import ReadOff
from evenflare.units import DEGREE, amplitude_db


def test_pistons_of_two_radii_deviate_by_the_closed_form():
    found = compare(piston(0.06), piston(0.05))
    angle = np.minimum(np.abs(FRONT), 0.5 * np.pi)
    sizes = [2 * np.pi * FREQUENCY * radius / AIR.speed_of_sound for radius in (0.06, 0.05)]
    levels = [amplitude_db(piston_pattern(size, angle)) for size in sizes]
    loud = (levels[0] > -20.0) & (levels[1] > -20.0)
    wanted = np.where(loud, levels[0] - levels[1], np.nan)
    for plane in (0, 1):
        assert np.array_equal(found.counted[:, plane], loud)
        assert found.deviation[:, plane][loud] == pytest.approx(wanted[loud], abs=1e-9)  # rounding
    # Both planes alike; zones between midway angles of the sphere, those at 90 degrees cut off there.
    zone = np.sin(np.abs(FRONT)) * np.sin(2.5 * DEGREE) * 2.0
    zone[[0, -1]] = np.sin(2.5 * DEGREE)
    zone[FRONT.size // 2] = 2.0 * (1.0 - np.cos(2.5 * DEGREE))
    weight = np.broadcast_to(zone, loud.shape)[loud]
    assert found.overall.bias == pytest.approx(np.average(wanted[loud], weights=weight), abs=1e-9)
    assert found.overall.rms == pytest.approx(np.sqrt(np.average(wanted[loud] ** 2, weights=weight)), abs=1e-9)
    f, a = np.unravel_index(np.nanargmax(np.abs(wanted)), wanted.shape)
    assert found.overall.worst.deviation == pytest.approx(wanted[f, a], abs=1e-9)
    assert found.overall.worst.frequency == FREQUENCY[f]
    assert abs(found.overall.worst.off_axis) == pytest.approx(abs(FRONT[a]))
    assert found.overall.cells == 2 * loud.sum()


def test_index_of_pistons_differs_by_the_closed_form():
    read = ReadOff(compare(piston(0.06), piston(0.05)))
    sizes = [2 * np.pi * FREQUENCY * radius / AIR.speed_of_sound for radius in (0.06, 0.05)]
    wanted = piston_index(sizes[0]) - piston_index(sizes[1])
    # Ring zones 5 degrees wide read a beam 25 degrees wide, the narrowest here, 0.03 dB low; others less.
    assert read.index[0] - read.index[1] == pytest.approx(wanted, abs=0.05)
    assert read.rms(read.index) == pytest.approx(np.sqrt(np.mean(wanted**2)), abs=0.01)


def test_figures_by_hand():
    """Zones of 0, 90 and 180 degrees: 1 - cos 45 = 0.292893, twice cos 45 = 1.414214, 0.292893; deviations 0, 1, -2."""
    found = compare(
        of_levels([3.0, 1.0, -3.0], off_axis=[0, 90, 180]), of_levels([0.0, -3.0, -4.0], off_axis=[0, 90, 180])
    )
    assert found.deviation[0, 0] == pytest.approx([0.0, 1.0, -2.0])
    assert found.weights == pytest.approx([0.292893, 1.414214, 0.292893], abs=1e-6)
    assert found.overall.bias == pytest.approx((1.414214 - 2 * 0.292893) / 2, abs=1e-6)
    assert found.overall.rms == pytest.approx(np.sqrt((1.414214 + 4 * 0.292893) / 2), abs=1e-6)
    assert found.overall.worst[0] == pytest.approx(-2.0)
    assert found.overall.worst[1:] == (1000.0, 0.0, np.pi)
    # Weighted Pearson of (0, -2, -6) and (0, -3, -4), by hand with the shares 0.1464466, 0.7071068, 0.1464466.
    share = np.array([0.1464466, 0.7071068, 0.1464466])
    x, y = np.array([0.0, -2.0, -6.0]), np.array([0.0, -3.0, -4.0])
    x, y = x - share @ x, y - share @ y
    assert found.overall.correlation == pytest.approx(
        share @ (x * y) / np.sqrt((share @ x**2) * (share @ y**2)), abs=1e-6
    )


def test_zones_add_up_to_the_sphere():
    assert area_weights(np.arange(0, 181, 10) * DEGREE).sum() == pytest.approx(2.0)  # 4 pi over 2 pi
    assert area_weights(np.arange(0, 181, 10) * DEGREE, half_space=True).sum() == pytest.approx(1.0)
    assert area_weights(FRONT, half_space=True).sum() == pytest.approx(2.0)  # both sides
    assert np.all(area_weights(np.arange(0, 181, 10) * DEGREE, half_space=True)[10:] == 0.0)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 2**32 - 1), gain=st.floats(-40, 40), phase=st.floats(-3, 3))
def test_deviation_is_antisymmetric_and_blind_to_what_drives(seed, gain, phase):
    one, other = (scattered(cap(0.3), seed=seed + i, level_db=2.0) for i in (0, 1))
    factor = 10.0 ** (0.05 * gain * np.sin(np.arange(FREQUENCY.size))) * np.exp(1j * phase)
    driven = replace(one, pressure=one.pressure * factor[:, None, None])
    found, again, turned = compare(one, other), compare(driven, other), compare(other, one)
    assert np.allclose(found.deviation, again.deviation, atol=1e-9)
    assert np.allclose(found.deviation, -turned.deviation, atol=1e-12)
    assert turned.overall.bias == pytest.approx(-found.overall.bias, abs=1e-12)
    assert turned.overall.rms == pytest.approx(found.overall.rms)
    assert turned.overall.correlation == pytest.approx(found.overall.correlation)
    assert found.overall.rms >= abs(found.overall.bias)
    assert abs(found.overall.worst.deviation) >= found.overall.rms


def test_nothing_deviates_from_itself():
    found = compare(cap(0.3), cap(0.3))
    assert (found.overall.bias, found.overall.rms, found.overall.correlation) == (0.0, 0.0, pytest.approx(1.0))
    assert found.within(1e-9)
    assert found.suspects == ()


def test_levels_that_do_not_vary_have_no_correlation():
    found = compare(field(1.0, off_axis=[0, 90, 180]), field(2.0, off_axis=[0, 90, 180]))
    assert np.isnan(found.overall.correlation)
    assert found.overall.rms == 0.0


def test_cells_with_one_level_below_twenty_are_left_out_and_counted():
    found = compare(
        of_levels([0.0, -19.9, -20.1, -3.0], off_axis=[0, 60, 90, 180]),
        of_levels([0.0, -19.8, -5.0, -25.0], off_axis=[0, 60, 90, 180]),
    )
    assert found.counted[0, 0].tolist() == [True, True, False, False]
    assert found.one_sided == 2
    # The direction as a whole does not drop out: -3 against -25 raised to -20.
    assert found.worst_direction.rms == pytest.approx(17.0)
    assert found.worst_direction.off_axis == pytest.approx(np.pi)


@pytest.mark.parametrize("angle", [-150.0, -20.0, 10.0, 45.0, 90.0])
@pytest.mark.parametrize("plane", [0, 1])
def test_one_wrong_file_of_72_is_the_worst_cell_and_named(angle, plane):
    good = scattered(cap(0.3), seed=5, level_db=0.1)
    found = compare(with_file(good, plane=plane, angle_deg=angle, of_deg=angle + 60.0), cap(0.3))
    worst = found.overall.worst
    assert (worst.azimuth, worst.off_axis / DEGREE) == (PLANES[plane], pytest.approx(angle))
    assert [(each.azimuth, each.off_axis / DEGREE) for each in found.suspects] == [
        (PLANES[plane], pytest.approx(angle))
    ]
    assert found.suspects[0] == found.worst_direction
    assert compare(good, cap(0.3)).suspects == ()


def test_a_wrong_file_is_outside_though_the_rms_over_all_is_not():
    found = compare(with_file(cap(0.3), plane=0, angle_deg=15.0, of_deg=120.0), cap(0.3))
    tolerance = 1.2 * found.overall.rms
    assert found.worst_direction.rms > 3.0 * tolerance
    assert not found.within(tolerance)
    assert found.within(found.worst_direction.rms / 2.9)


def test_rms_alone_can_be_outside():
    found = compare(cap(0.3), cap(0.6))
    assert found.overall.rms > 0.1
    assert found.worst_direction.rms < 3.0 * found.overall.rms
    assert not found.within(0.999 * found.overall.rms)
    assert found.within(1.001 * found.overall.rms)


def lopsided(angles, planes, symmetry):
    """Levels that tell every direction of space apart: -(angle / 20) - azimuth-dependent."""
    a, p = np.meshgrid(np.array(angles, float), np.array(planes, float))
    turn = np.mod(p + np.where(a < 0, 180.0, 0.0), 360.0)
    return of_levels(-np.abs(a) / 20.0 - turn / 100.0 * (a != 0), off_axis=angles, plane=planes, symmetry=symmetry)


def test_directions_that_the_prediction_lacks_follow_from_its_symmetry():
    signed = np.arange(-90, 91, 30)
    flat = field(1.0, off_axis=signed, plane=[0, 90])
    one_plane = of_levels([0.0, -1.0, -2.0, -3.0], off_axis=[0, 30, 60, 90], symmetry="round")
    assert compare(flat, one_plane).deviation[0] == pytest.approx(np.array(2 * [[3.0, 2.0, 1.0, 0.0, 1.0, 2.0, 3.0]]))
    quarter = of_levels(
        [[0, -1, -2, -3], [0, -4, -5, -6]], off_axis=[0, 30, 60, 90], plane=[0, 90], symmetry="two_planes"
    )
    expected = np.array([[3.0, 2.0, 1.0, 0.0, 1.0, 2.0, 3.0], [6.0, 5.0, 4.0, 0.0, 4.0, 5.0, 6.0]])
    assert compare(flat, quarter).deviation[0] == pytest.approx(expected)
    own = compare(flat, lopsided(signed, [0, 90], "none")).deviation[0]
    assert own[0] == pytest.approx([6.3, 4.8, 3.3, 0.0, 1.5, 3.0, 4.5])  # 180 and 0 degrees of azimuth
    assert own[1] == pytest.approx([7.2, 5.7, 4.2, 0.0, 2.4, 3.9, 5.4])  # 270 and 90


def test_without_a_symmetry_a_missing_plane_is_not_made_up():
    both, one = (field(1.0, off_axis=[-90, 0, 90], plane=planes) for planes in ([0, 90], [0]))
    found = compare(both, one)
    assert found.observation.plane.tolist() == [0.0]
    assert found.directions_left_out == 3


def test_common_frequencies_and_angles_are_compared_and_the_rest_counted():
    one = field(1.0, frequency=[500, 1000, 2000, 3000], off_axis=[0, 10, 20, 30])
    other = field(1.0, frequency=[1000.00005, 1500, 3000], off_axis=[0, 20, 30.005, 40])
    pair = common(one, other)
    assert pair.first.observation.frequency.tolist() == [1000.0, 3000.0]
    assert pair.first.observation.off_axis / DEGREE == pytest.approx([0, 20, 30])
    assert (pair.frequencies_left_out, pair.directions_left_out) == (2, 1)
    assert pair.second.observation is pair.first.observation


@pytest.mark.parametrize("symmetry", ["two_planes", "left_right"])
def test_a_round_sound_is_held_against_every_plane_of_one_that_is_not(symmetry):
    sides = [0, 30, 60] if symmetry == "two_planes" else [-60, -30, 0, 30, 60]
    level = np.array([[[-0.1 * abs(angle) - plane / 90 - 0.01 * (angle < 0) for angle in sides] for plane in (0, 90)]])
    oblong = of_levels(level, off_axis=sides, plane=[0, 90], symmetry=symmetry)
    round_one = of_levels([[[0.0, -3.0, -6.0]]], off_axis=[0, 30, 60], symmetry="round")
    one, other = compare(round_one, oblong), compare(oblong, round_one)
    assert one.observation.shape == other.observation.shape == oblong.observation.shape
    assert one.deviation == pytest.approx(-other.deviation, abs=1e-9)  # rounding


def point_source(source_z, reference_z):
    """Of a point on the axis, m, its far field counted from another: the way to a direction is shorter by how far the
    source lies ahead in it, times the cosine (geometry).
    """
    angle = np.array([0.0, 40.0, 90.0, 170.0])
    wavenumber = 2.0 * np.pi * FREQUENCY[:, None, None] / AIR.speed_of_sound
    pressure = np.exp(1j * wavenumber * (source_z - reference_z) * np.cos(angle * DEGREE))
    return field(pressure, frequency=FREQUENCY, off_axis=angle, distance=np.inf, reference_z=reference_z)


def test_far_fields_are_counted_from_one_point_and_nearer_ones_are_not():
    moved = counted_from(point_source(0.04, 0.1), 0.02)
    assert moved.observation.reference_z == 0.02
    assert moved.pressure == pytest.approx(point_source(0.04, 0.02).pressure, abs=1e-12)  # rounding of phases
    pair = common(point_source(0.04, 0.0), point_source(0.04, 0.09))
    assert pair.moved == pytest.approx(-0.09)
    assert pair.second.pressure == pytest.approx(pair.first.pressure, abs=1e-12)
    with pytest.raises(ValueError, match="at a finite distance another reference point sees other directions"):
        counted_from(field(1.0, off_axis=[0, 90]), 0.0)


def test_frequencies_that_either_cannot_be_trusted_at_do_not_count():
    level = [[[0.0, 1.0]], [[0.0, 5.0]], [[0.0, 1.0]]]
    more = {"frequency": [500, 1000, 2000], "off_axis": [0, 30]}
    found = compare(of_levels(level, valid=[True, False, True], **more), of_levels(np.zeros((3, 1, 2)), **more))
    assert found.overall.worst.deviation == pytest.approx(1.0)
    assert found.overall.cells == 4
    with pytest.raises(ValueError, match="no common frequency at which both are valid"):
        compare(of_levels(level, valid=[False] * 3, **more), of_levels(level, **more))


WHOLE = {"off_axis": [0, 90, 180]}
UNLIKE = {
    "distance": ({"distance": 1.0}, "unequal distance, 2 m and 1 m"),
    "far field": ({"distance": np.inf}, "unequal distance, 2 m and the far field"),
    "reference point": ({"reference_z": 0.0}, "unequal reference point, 90 and 0 mm from the throat plane"),
    "air": ({"air": Air(345.0, 1.2041)}, "unequal air, 343.20 m/s with 1.2041 kg/m³ and 345.00 m/s with 1.2041 kg/m³"),
    "frequencies": ({"frequency": [999.0]}, "no frequency in common"),
    "axis": ({"off_axis": [10, 90, 180]}, "no reading on axis"),
    "angles": ({"off_axis": [0, 45]}, "no plane with two angles in common"),
}


@pytest.mark.parametrize(("change", "words"), UNLIKE.values(), ids=UNLIKE)
def test_what_cannot_be_compared_is_refused(change, words):
    with pytest.raises(ValueError, match=words):
        compare(field(1.0, **WHOLE), field(1.0, **(WHOLE | change)))


def test_what_is_as_good_as_equal_is_compared():
    compare(field(1.0, **WHOLE), field(1.0, **WHOLE, distance=2.0005, reference_z=0.09005, air=Air(343.21, 1.2042)))


def test_bands_hold_what_lies_in_them():
    frequency = 1000.0 * 2.0 ** np.arange(-2, 2.01, 0.25)
    assert octave_bands(frequency) == pytest.approx([251.19, 501.19, 1000.0, 1995.26, 3981.07], abs=0.01)  # IEC 61260-1
    level = np.zeros((frequency.size, 2, 3))
    level[(frequency > 1412.6) & (frequency < 2818.3), 1, 1:] = 2.0  # edges of the 2 kHz band, IEC 61260-1 annex
    more = {"frequency": frequency, "off_axis": [0, 60, 120], "plane": [0, 90]}
    found = compare(of_levels(level, **more), of_levels(np.zeros_like(level), **more))
    share = 1.0 - found.weights[0] / found.weights.sum()
    for band in found.bands:
        hit = band.azimuth != 0.0 and abs(band.midband - 1995.26) < 1.0
        part = 0.5 if band.azimuth is None else 1.0
        assert band.figures.bias == pytest.approx(2.0 * part * share if hit else 0.0)
    assert sum(band.figures.cells for band in found.bands if band.azimuth is None) == found.overall.cells
    assert [figures.bias > 0 for _, figures in found.planes] == [False, True]


def test_listening_window_looks_past_a_peak_on_axis():
    """On axis twice the pressure: the window's nine squares add up to 8 + 4, so the rest lies 10 log 12/9 lower."""
    angles = np.arange(-180, 180, 10)[1:]
    predicted = field(1.0, off_axis=[*angles, 180], plane=[0, 90])
    measured = field(np.where(np.array([*angles, 180]) == 0, 2.0, 1.0), off_axis=[*angles, 180], plane=[0, 90])
    off = np.arange(36) != np.flatnonzero(angles == 0)[0]
    on_axis, window = (compare(measured, predicted, reference=each) for each in ("on_axis", "listening_window"))
    assert on_axis.deviation[0][:, off] == pytest.approx(np.full((2, 35), -20 * np.log10(2)))
    assert window.deviation[0][:, off] == pytest.approx(np.full((2, 35), -10 * np.log10(12 / 9)))


def test_in_half_space_the_front_alone_is_compared_with_the_same_quadrature():
    free = cap(0.3, off_axis=ORBIT, distance=np.inf)
    found = compare(free, piston(0.03, off_axis=ORBIT))
    assert not found.counted[:, :, np.abs(ORBIT) > 0.5 * np.pi + 1e-6].any()
    assert found.measured.half_space
    omni = field(1.0, off_axis=np.arange(0, 181, 10), symmetry="round", half_space=True)
    everywhere = field(1.0, off_axis=np.arange(0, 181, 10), symmetry="round")
    read = ReadOff(compare(everywhere, omni))
    for index in read.index:
        assert index == pytest.approx(10 * np.log10(2.0))  # half the sphere


def test_one_gain_makes_level_and_power_comparable():
    measured = cap(0.3)
    louder = replace(measured, pressure=measured.pressure * 10 ** (7.0 / 20.0))
    read = ReadOff(compare(louder, measured))
    assert read.gain == pytest.approx(7.0)
    assert read.rms(read.on_axis) == pytest.approx(0.0, abs=1e-9)
    assert read.rms(read.power) == pytest.approx(0.0, abs=1e-9)


def test_angles_that_leave_out_part_of_the_sphere_give_no_index():
    front = {"off_axis": np.arange(-60, 61, 10), "plane": [0, 90]}
    read = ReadOff(compare(field(1.0, **front), field(1.0, **front)))
    assert (read.index, read.power, read.rms(read.index)) == (None, None, None)
    assert "no off-axis angle between 60 and 180 degrees" in read.uncovered
