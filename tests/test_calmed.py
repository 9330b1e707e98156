"""Walls through points that have waves, as an inspected part's: the march, whose caps leave them out, and others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation.boundary import boundary_of
from evenflare.radiation.boundary_elements import Fineness, body_solver
from evenflare.radiation.calmed import calmed
from evenflare.radiation.march import at_resolution, march_solver
from evenflare.radiation.resolution import OBLONG
from evenflare.units import FloatArray
from evenflare.waveguide import Conical, Free, OblateSpheroidal, Oblong, Shape, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.traced import traced

AIR = Air()
SEEN = Observation(np.array([4000.0, 8000.0, 9500.0, 13000.0, 16000.0]), np.zeros(1))
FINE = Fineness(checked=False).refined().refined()


def _waves(knots: int, height: float, seed: int) -> WallDeviation:
    values = np.random.default_rng(seed).normal(size=knots) * height
    return WallDeviation(
        shares=tuple(np.linspace(0.0, 1.0, knots).tolist()), waves=tuple((v,) for v in values.tolist())
    )


def _index(waveguide: Waveguide, seen: Observation = SEEN) -> FloatArray:
    found = march_solver("full")(waveguide, seen, AIR).far_field_index
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("shape", "waves"),
    [
        (OblateSpheroidal(0.08, np.radians(45)), _waves(25, 3e-5, 7)),
        (OblateSpheroidal(0.06, np.radians(42), 0.012), _waves(11, 5e-5, 3)),
        (Conical(0.04, np.radians(55), 0.01), _waves(20, 5e-5, 1)),
        (
            Conical(0.07, np.radians(30), 0.005),
            WallDeviation(shares=(0.0, 0.45, 0.5, 0.55, 1.0), waves=((0.0,), (0.0,), (3e-4,), (0.0,), (0.0,))),
        ),
    ],
    ids=["spheroid", "rolled spheroid", "shallow cone", "bump"],
)
def test_march_and_boundary_elements_agree_on_a_wall_with_waves(shape: Shape, waves: WallDeviation) -> None:
    part = traced(deviated(Waveguide(shape), waves))
    by_elements = body_solver(FINE)(boundary_of(part), SEEN, AIR).far_field_index
    # dB, the march's own error of such walls as drawn; 0.05 to 0.5 while caps followed the waves.
    assert _index(part) == pytest.approx(by_elements, abs=0.02)
    moved = np.abs(by_elements - _index(Waveguide(shape))).max()
    assert moved > 0.05  # dB: waves that are heard


def test_an_oblong_wall_with_waves() -> None:
    seen = Observation(np.array([3000.0, 9000.0, 12000.0]), np.zeros(1))
    planes = (OblateSpheroidal(0.06, np.radians(45), 0.012), OblateSpheroidal(0.06, np.radians(30), 0.012))
    drawn = Oblong(*planes)
    part = traced(deviated(Waveguide(drawn), _waves(16, 1e-4, 2)), section=drawn.section)
    finer = replace(OBLONG["full"].refined(), fineness=4.0, steps=5.0, apart=0.0, edges=())
    expected = at_resolution(finer)(part, seen, AIR).far_field_index
    # dB, the march's own error; 0.18 while caps followed the waves.
    assert _index(part, seen) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    "shape",
    [
        Conical(0.09, np.radians(40), 0.02),
        Free(0.08, np.radians(20), (10.0, 6.0, -4.0, 2.0, 8.0), 0.015),
        Free(0.07, np.radians(50), (-5.0, -5.0, -3.0, 0.0), 0.015),
    ],
    ids=["rolled", "S", "concave"],
)
def test_walls_as_designed_are_followed_as_they_are(shape: Shape) -> None:
    pieces = Waveguide(shape).meridian.pieces
    found, wavy = calmed(pieces)
    assert not wavy
    assert all(mine is given for mine, given in zip(found, pieces, strict=True))


def test_a_guide_keeps_a_roundover_and_leaves_out_waves() -> None:
    shape = Conical(0.09, np.radians(40), 0.02)
    part = Waveguide(shape)
    made = traced(deviated(part, _waves(25, 1e-4, 7)))
    (guides, wavy), t = calmed(made.meridian.pieces), np.linspace(0.0, 1.0, 200)
    assert wavy
    angle, walls = (
        np.concatenate([piece.frame_at(t).angle for piece in each]) for each in (guides, made.meridian.pieces)
    )
    # Of what the waves let the angle fall by a ninth is left.
    assert np.maximum(-np.diff(angle), 0.0).sum() < 0.2 * np.maximum(-np.diff(walls), 0.0).sum()
    assert angle[-1] == pytest.approx(0.5 * np.pi, abs=0.2)  # rad; caps pivot about the rim for the rest
