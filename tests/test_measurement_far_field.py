"""The far field from a finite distance, against sounds that are known at both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.closed_forms import cap_index, cap_pattern, elliptical_piston_pattern
from evenflare.directivity.types import Observation
from evenflare.measurement.far_field import far_field
from evenflare.metrics import directivity_index, levels_re_on_axis
from evenflare.units import DEGREE
from near_field import AIR, cap_near, piston_near

FREQUENCY = np.geomspace(250.0, 4000.0, 13)
ORBITS = Observation(
    FREQUENCY, np.arange(-170, 181, 10) * DEGREE, plane=np.array([0.0, 0.5 * np.pi]), distance=1.2, symmetry="none"
)
RADIUS, HALF_ANGLE = 0.2, 0.6


def cap_truth(frequency):
    return cap_index(2.0 * np.pi * frequency * RADIUS / AIR.speed_of_sound, half_angle=HALF_ANGLE)


def test_index_of_a_cap_at_an_arm_s_length_becomes_that_of_the_far_field():
    near = cap_near(ORBITS, radius=RADIUS, half_angle=HALF_ANGLE)
    truth = cap_truth(FREQUENCY)
    low = FREQUENCY < 2000.0
    # What there is to correct: a quarter of a decibel and more below 2 kHz, 1.1 dB at 4 kHz.
    assert np.abs(directivity_index(near) - truth)[low].max() > 0.25
    found = far_field(near)
    assert found is not None
    assert found.directivity.valid.all()
    error = directivity_index(found.directivity) - truth
    # What is left is the error of zones ten degrees wide, which the far field itself has in these directions.
    pattern = cap_pattern(2.0 * np.pi * FREQUENCY * RADIUS / AIR.speed_of_sound, ORBITS.off_axis, half_angle=HALF_ANGLE)
    exact = replace(found.directivity, pressure=np.repeat(pattern[:, None], 2, axis=1))
    zones = directivity_index(exact) - truth
    assert np.all(np.abs(error - zones) <= 2.0 * found.error + 0.02)  # 0.02 dB: waves of the higher degrees
    assert np.all(np.abs(error[low]) < 0.05)


def test_noise_is_not_raised():
    rng = np.random.default_rng(3)
    near = cap_near(ORBITS, radius=RADIUS, half_angle=HALF_ANGLE)
    scale = 1e-2 * np.abs(near.on_axis)[:, None, None]
    noise = (rng.normal(size=near.pressure.shape) + 1j * rng.normal(size=near.pressure.shape)) * scale / np.sqrt(2.0)
    quiet, loud = far_field(near), far_field(replace(near, pressure=near.pressure + noise))
    change = directivity_index(loud.directivity) - directivity_index(quiet.directivity)
    direct = directivity_index(replace(near, pressure=near.pressure + noise)) - directivity_index(near)
    # The axis alone scatters by 0.06 dB rms; 13 frequencies: its size is known to a fifth.
    assert np.sqrt(np.mean(change**2)) < 2.0 * np.sqrt(np.mean(direct**2)) + 0.03


def test_pattern_of_an_oblong_piston_in_a_baffle_becomes_that_of_the_far_field():
    sizes = {"half_width": 0.12, "half_height": 0.08}
    seen = Observation(
        np.array([1000.0, 2500.0]),
        np.arange(0, 91, 5) * DEGREE,
        plane=np.array([0.0, 0.5 * np.pi]),
        distance=0.8,
        symmetry="two_planes",
    )
    near = piston_near(seen, **sizes)
    k = 2.0 * np.pi * seen.frequency / AIR.speed_of_sound
    far = np.abs(elliptical_piston_pattern(k, seen.off_axis, azimuth=seen.plane, **sizes))
    wanted = 20.0 * np.log10(np.maximum(far, 1e-9))
    loud = wanted > -12.0  # a null is another matter
    before = np.abs(levels_re_on_axis(near) - wanted)[loud].max()
    after = np.abs(levels_re_on_axis(far_field(near).directivity) - wanted)[loud].max()
    assert before > 0.3
    assert after < 0.2 * before  # azimuthal orders above 2 are left as they are


def test_half_an_orbit_has_no_far_field_and_the_far_field_none_either():
    part = replace(ORBITS, off_axis=np.arange(-90, 91, 10) * DEGREE)
    assert far_field(cap_near(part, radius=RADIUS, half_angle=HALF_ANGLE)) is None
    near = cap_near(ORBITS, radius=RADIUS, half_angle=HALF_ANGLE)
    with pytest.raises(ValueError, match="far field already"):
        far_field(replace(near, observation=replace(ORBITS, distance=float("inf"))))
