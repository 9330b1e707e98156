"""Walls moved along their normal, against what geometry says of offsets, and differences."""

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.metrics import directivity_index
from evenflare.radiation import solver
from evenflare.waveguide import Conical, OblateSpheroidal, Points, Shape, Waveguide
from evenflare.waveguide.deviated import WallDeviation, deviated, shares_of

SHAPES = {
    "rolled cone": Conical(0.09, np.radians(40), 0.02),
    "spheroid": OblateSpheroidal(0.08, np.radians(45)),
    "corner": Points(((0.0, 0.0127), (0.03, 0.03), (0.06, 0.08))),
}
BUMP = WallDeviation(shares=(0.0, 0.4, 0.5, 0.6, 1.0), waves=((0.0,), (0.0,), (3e-4,), (0.0,), (0.0,)))


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("off", [3e-4, -3e-4])
def test_offset_is_its_distance_from_the_drawn_wall(shape: Shape, off: float) -> None:
    drawn = Waveguide(shape)
    t = np.linspace(0.0, 1.0, 20001)
    wall = [piece.frame_at(t) for piece in drawn.meridian.pieces]
    z, r = (np.concatenate([frame[i] for frame in wall]) for i in (0, 1))
    for piece in deviated(drawn, WallDeviation(offset=off)).meridian.pieces:
        moved = piece.frame_at(np.linspace(0.0, 1.0, 41)[1:-1])
        near = np.array([np.hypot(z - a, r - b).min() for a, b in zip(moved.z, moved.r, strict=True)])
        # Sliding leaves the curve by curvature times its square; at a concave corner the nearest wall is across it.
        inside = (moved.z > 1e-3) & (moved.z < drawn.depth - 1e-3) & (np.abs(moved.z - 0.03) > 1e-3)
        assert near[inside] == pytest.approx(abs(off), rel=3e-3)


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
@pytest.mark.parametrize("deviation", [WallDeviation(offset=3e-4), WallDeviation(bow=4e-4), BUMP])
def test_angle_speed_and_curvature_are_those_of_differences(shape: Shape, deviation: WallDeviation) -> None:
    h = 1e-6
    for piece in deviated(Waveguide(shape), deviation).meridian.pieces:
        t = np.linspace(0.03, 0.97, 31)
        before, wall, after = (piece.frame_at(t + step) for step in (-h, 0.0, h))
        dz, dr = after.z - before.z, after.r - before.r
        # Rounding of 1e-17 m over a step that makes some 1e-7 m.
        assert wall.angle == pytest.approx(np.arctan2(dr, dz), abs=1e-7)
        assert wall.speed == pytest.approx(np.hypot(dz, dr) / (2.0 * h), rel=1e-7)


def test_throat_and_flat_mouth_stay_in_their_planes_and_a_rolled_rim_moves() -> None:
    flat = deviated(Waveguide(SHAPES["spheroid"]), WallDeviation(offset=3e-4)).meridian
    assert flat.ends.z == pytest.approx([0.0, 0.08], abs=1e-12)  # rounding
    rolled = deviated(Waveguide(SHAPES["rolled cone"]), WallDeviation(offset=3e-4)).meridian
    assert rolled.ends.z == pytest.approx([0.0, 0.0897], abs=1e-12)  # a rim at 90 degrees moves along the axis


def test_scale_is_about_the_throats_centre() -> None:
    drawn, larger = (
        deviated(Waveguide(SHAPES["spheroid"]), each).meridian.ends
        for each in (WallDeviation(), WallDeviation(scale=0.01))
    )
    assert larger.z == pytest.approx(1.01 * drawn.z, abs=1e-15)  # rounding
    assert larger.r == pytest.approx(1.01 * drawn.r, rel=1e-15)  # rounding


def test_waves_stay_between_their_knots_and_are_found_at_their_place() -> None:
    drawn = Waveguide(SHAPES["spheroid"])
    (before,) = drawn.meridian.pieces
    (after,) = deviated(drawn, BUMP).meridian.pieces
    t = np.linspace(0.0, 1.0, 2001)
    a, b = before.frame_at(t), after.frame_at(t)
    off = (b.r - a.r) * np.cos(a.angle) - (b.z - a.z) * np.sin(a.angle)
    assert off.min() > -1e-15  # rounding
    assert off.max() == pytest.approx(3e-4, rel=1e-5)  # at the nearest of 2001 places
    assert shares_of(drawn.meridian, [a.z[off.argmax()]]) == pytest.approx([0.5], abs=1e-3)  # half a place


def test_a_rolled_rim_under_waves_does_not_turn_back() -> None:
    drawn = Waveguide(SHAPES["rolled cone"])
    waves = WallDeviation(shares=(0.0, 0.8, 0.9, 1.0), waves=((0.0,), (0.0,), (-2e-4,), (2e-4,)))
    for piece in deviated(drawn, waves).meridian.pieces:
        assert piece.frame_at(np.linspace(0.0, 1.0, 401)).angle.max() < 0.5 * np.pi + 1e-9  # rounding


def test_what_waves_do_is_found_by_both_methods() -> None:
    """Between knots a wall must bend no more than its waves do: steps, level at each knot, no method resolves."""
    drawn = Waveguide(OblateSpheroidal(0.09, np.radians(45)))
    shares, waves = np.linspace(0.0, 1.0, 17), 2e-4 * np.sin(1.3 * np.arange(17))
    made = deviated(drawn, WallDeviation(shares=tuple(shares), waves=tuple((each,) for each in waves)))
    seen = Observation(np.geomspace(3000.0, 15000.0, 12), np.linspace(0.0, np.pi, 37), np.zeros(1))
    changes = []
    for method in ("march", "boundary_elements"):
        before, after = (directivity_index(solver("full", method=method)(each, seen, Air())) for each in (drawn, made))
        changes.append(after - before)
    apart, change = (np.sqrt(np.mean(each**2)) for each in (changes[0] - changes[1], changes[1]))
    assert change > 0.2  # dB: there is something to find
    # Measured 0.48: cubics still bend more than their waves do at a knot. With steps it was 1.1.
    assert apart < 0.7 * change
