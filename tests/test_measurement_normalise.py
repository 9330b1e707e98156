"""What microphone and air do to a response, taken out again."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from evenflare.measurement.normalise import air_gain, at_frequencies, source_only, within
from evenflare.measurement.readings import Response, Rig
from evenflare.units import CELSIUS_ZERO, amplitude_db

RIG = Rig(distance=2.0, temperature=CELSIUS_ZERO + 20.0, humidity=0.5, mounting="free_standing")


def response(frequency, pressure, *, phase_known: bool = True) -> Response:
    return Response(0.0, 0.0, 1, np.asarray(frequency), np.asarray(pressure), phase_known, Path("invented.txt"))


@pytest.mark.parametrize(
    ("celsius", "percent", "hertz", "per_kilometre"),
    # ISO 9613-1:1993, table 1, dB/km at 101.325 kPa (from memory, three digits).
    [(20, 50, 1000.0, 4.66), (20, 50, 4000.0, 29.7), (10, 70, 1000.0, 3.66)],
)
def test_air_puts_back_what_iso_9613_1_says_it_took(celsius, percent, hertz, per_kilometre):
    rig = dataclasses.replace(RIG, temperature=CELSIUS_ZERO + celsius, humidity=percent / 100, distance=100.0)
    exact = 1000.0 * 10 ** (0.1 * round(10 * np.log10(hertz / 1000.0)))  # of the band so called
    gain = float(amplitude_db(air_gain(np.array([exact]), rig))[0])
    assert gain == pytest.approx(0.1 * per_kilometre, rel=0.01)  # three digits, over 100 m


def test_readings_without_losses_are_left_alone():
    rig = dataclasses.replace(RIG, lossy=False)
    np.testing.assert_array_equal(air_gain(np.array([1e3, 2e4]), rig), 1.0)


def test_a_microphone_is_divided_out():
    frequency = np.geomspace(100.0, 20e3, 30)
    own = 10 ** (0.05 * 3.0 * np.log2(frequency / 1e3)) * np.exp(-2j * np.pi * frequency * 20e-6)
    factor = source_only(frequency, RIG, microphone=response(frequency, own))
    np.testing.assert_allclose(factor * own, air_gain(frequency, RIG), rtol=1e-12)


def test_between_its_frequencies_a_level_is_straight_over_octaves():
    known = response([1e3, 4e3], [1.0, 10.0])  # 20 dB over two octaves
    found = at_frequencies(known, np.array([500.0, 1e3, 2e3, 4e3, 8e3]))
    np.testing.assert_allclose(amplitude_db(np.abs(found)), [0.0, 0.0, 10.0, 20.0, 20.0], atol=1e-12)


def test_a_microphone_without_phase_leaves_phases_alone():
    known = response([1e3, 4e3], [2.0, 2.0], phase_known=False)
    np.testing.assert_allclose(at_frequencies(known, np.array([2e3])), 2.0)


def test_only_calibrated_frequencies_are_trusted():
    known = response([100.0, 10e3], [1.0, 1.0])
    np.testing.assert_array_equal(within(known, np.array([99.0, 100.0, 1e4, 10001.0])), [False, True, True, False])
    assert within(None, np.array([1.0, 1e6])).all()
