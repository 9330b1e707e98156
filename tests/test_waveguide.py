"""A waveguide as a value: equal, frozen, sent between processes, refused where it has no wall."""

from __future__ import annotations

import copy
import dataclasses
import pickle
import re

import numpy as np
import pytest

from evenflare.waveguide import Conical, Driver, Free, Mounting, OblateSpheroidal, Tractrix, Waveguide
from shapes import BENCHMARK, CONE

MM = 1e-3
R0 = 12.7 * MM
SEVEN_DIGITS = 5e-7
"""Relative: values worked out by hand have seven digits."""


class TestWaveguide:
    def test_it_is_frozen_and_equal_to_its_like(self):
        one = Waveguide(OblateSpheroidal(0.1, 0.7, 0.02), Driver(), Mounting(0.2))
        assert one == Waveguide(OblateSpheroidal(0.1, 0.7, 0.02), Driver(), Mounting(0.2))
        assert one != Waveguide(OblateSpheroidal(0.1, 0.7, 0.02))
        assert len({one, copy.deepcopy(one)}) == 1
        with pytest.raises(dataclasses.FrozenInstanceError):
            one.shape = Conical(0.1, 0.7)

    @pytest.mark.parametrize("name", BENCHMARK)
    def test_it_travels_between_processes_before_and_after_its_wall_is_asked_for(self, name):
        fresh = Waveguide(BENCHMARK[name].shape)
        sent = pickle.loads(pickle.dumps(fresh))
        assert sent == fresh
        assert fresh.meridian.mouth_radius > 0.09
        again = pickle.loads(pickle.dumps(fresh))
        assert again == fresh
        assert np.array_equal(again.meridian.dense.r, sent.meridian.dense.r)

    def test_a_sphere_smaller_than_the_mouth_is_refused(self):
        with pytest.raises(
            ValueError, match=r"radius_mm = 100: must be at least the mouth's radius, 112\.7\. Raise it"
        ):
            _ = Waveguide(CONE.shape, Driver(), Mounting(0.1)).meridian
        assert Waveguide(CONE.shape, Driver(), Mounting(0.12)).meridian == CONE.meridian

    def test_kinds_of_mounting(self):
        assert (Mounting().kind, Mounting(0.2).kind) == ("baffle", "sphere")

    def test_exit_area_is_that_of_the_flat_disc(self):
        assert Driver(R0).exit_area == pytest.approx(5.067075e-4, rel=SEVEN_DIGITS)  # pi r^2 by hand

    @pytest.mark.parametrize(
        ("shape", "message"),
        [
            (Conical(0.05, 0.5, 0.2), "roundover_radius_mm = 200 leaves no wall within depth_mm = 50"),
            (Tractrix(0.1, 0.05, 0.08), "roundover_radius_mm = 80 leaves no wall within depth_mm = 50"),
            (Tractrix(0.1, 0.05, 5.0), "roundover_radius_mm = 5000 leaves no wall within depth_mm = 50"),
            (Tractrix(0.0127), "the tractrix of 12.7 mm is not wider than the exit (12.7 mm): lower its cutoff_hz"),
            (Tractrix(0.1, 0.3), "depth_mm = 300: this tractrix ends at 176.1 mm"),
            (Free(0.1, 0.5, (15.0, 15.0)), "curvature_per_m turns the wall to 114.6 degrees: must be at most 90"),
        ],
    )
    def test_parameters_without_a_wall_are_refused_with_the_remedy(self, shape, message):
        with pytest.raises(ValueError, match=re.escape(message)):
            _ = Waveguide(shape).meridian
