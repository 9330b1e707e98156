"""The caps of the march."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenflare.radiation.wavefront import launched, sweep
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Driver, Mounting, OblateSpheroidal, Tractrix, Waveguide
from shapes import through


class TestWavefront:
    @settings(max_examples=40, deadline=None)
    @given(
        inner=st.tuples(st.floats(20, 60), st.floats(20, 60), st.floats(30, 120)),
        radius=st.one_of(st.none(), st.floats(0.125, 0.5)),
        exit_angle=st.floats(0, 25),
    )
    def test_caps_never_cross(self, inner: tuple[float, float, float], radius: float | None, exit_angle: float) -> None:
        first, second, third = inner
        middles = [(15, 0.5 * (12.7 + first)), (50, 0.5 * (first + second)), (90, 0.5 * (second + third))]
        corners = [(0, 12.7), (30, first), (70, second), (110, third)]
        shape = through(*sorted(middles + corners))
        assume(shape.meridian(12.7e-3).dense.angle.max() <= 0.5 * np.pi)
        whole = sweep(Waveguide(shape, Driver(12.7e-3, exit_angle * DEGREE), Mounting(radius)))
        for stretch in whole:
            apex = stretch.path.caps(np.linspace(stretch.t[0], stretch.t[-1], 200)).apex
            assert np.all(np.diff(apex) > -1e-12)

    def test_launching_cap(self) -> None:
        """At the end of the body before a roundover, at a sharp rim, and where a tractrix turns away."""

        def angle(waveguide: Waveguide) -> tuple[float, float]:
            before, _ = launched(sweep(waveguide))
            caps = before[-1].path.caps(before[-1].t[-1:])
            return float(caps.z[0]), float(caps.b[0]) / DEGREE

        cone = angle(Waveguide(Conical(0.1, 45 * DEGREE)))
        assert cone == pytest.approx((0.1, 45))
        rounded = Waveguide(OblateSpheroidal(0.1, 40 * DEGREE, 0.02))
        arc = rounded.meridian.pieces[1].frame_at(np.array([0.0]))
        assert angle(rounded) == pytest.approx((float(arc.z[0]), float(arc.angle[0]) / DEGREE))
        # kappa r = sin^2 a / cos a = 1 at cos a = (sqrt(5) - 1)/2; to the grid of 65 points.
        assert angle(Waveguide(Tractrix(0.1)))[1] == pytest.approx(51.83, abs=2)

    def test_an_undercut_is_refused(self) -> None:
        with pytest.raises(ValueError, match="the wall turns to .* degrees at z = .* mm: must be at most 90"):
            sweep(Waveguide(through((0, 12.7), (30, 40), (20, 60))))

    def test_a_sphere_smaller_than_the_mouth_is_refused(self) -> None:
        with pytest.raises(ValueError, match="radius_mm = 80: must be at least the mouth's radius, 100"):
            sweep(Waveguide(Tractrix(0.1), Driver(), Mounting(0.08)))
