"""Walls moved along their normal, against what geometry says of offsets, and differences."""

import numpy as np
import pytest

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.metrics import directivity_index
from evenflare.radiation import solver
from evenflare.radiation.boundary import boundary_of
from evenflare.waveguide import (
    BodyPoints,
    Cabinet,
    Conical,
    Mounting,
    OblateSpheroidal,
    Points,
    RolledShell,
    RoundCabinet,
    Shape,
    Tractrix,
    Waveguide,
)
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.wall_places import wall_places

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
    places = wall_places(drawn)
    assert np.interp([a.z[off.argmax()]], places.z, places.share) == pytest.approx([0.5], abs=1e-3)  # half a place


def test_waves_up_to_a_rolled_rim_turn_no_wall_beyond_the_mouths_plane() -> None:
    waves = tuple((float(each),) for each in np.random.default_rng(1).normal(size=31) * 1e-4)
    made = deviated(
        Waveguide(SHAPES["rolled cone"]), WallDeviation(shares=tuple(np.linspace(0.0, 1.0, 31)), waves=waves)
    ).meridian
    assert made.dense.angle.max() <= 0.5 * np.pi + 1e-9  # rounding
    assert made.dense.z.max() == pytest.approx(made.depth, abs=1e-12)  # rounding
    assert made.depth == pytest.approx(0.09 - waves[-1][0], abs=1e-12)  # the rim moves along the axis


def test_step_is_of_the_throats_radius_and_gone_within_an_exits_radius() -> None:
    for shape in SHAPES.values():
        drawn, made = Waveguide(shape), deviated(Waveguide(shape), WallDeviation(throat_step=2e-4))
        assert made.meridian.throat_radius == pytest.approx(12.9e-3, abs=1e-12)  # rounding
        wall, moved = drawn.meridian.pieces[0], made.meridian.pieces[0]
        beyond = np.linspace(0.6, 1.0, 9)  # of a piece more than 34 mm long
        # Nothing but for the slide along the wall, of nothing.
        assert moved.frame_at(beyond).r == pytest.approx(wall.frame_at(beyond).r, abs=1e-12)


def test_what_folds_is_refused() -> None:
    for shape, off in ((SHAPES["rolled cone"], 0.021), (SHAPES["spheroid"], -0.013)):
        with pytest.raises(ValueError, match=r"folds at z_mm = .* must move by less"):
            deviated(Waveguide(shape), WallDeviation(offset=off)).depth  # noqa: B018


def test_cusp_of_a_tractrix_counts_as_an_edge() -> None:
    drawn = Waveguide(Tractrix(0.09))
    made = deviated(drawn, WallDeviation(offset=1e-4)).meridian
    # The mouth's plane moves by what the wall does; a curve that folds there over half a micrometre is let be.
    assert made.depth == pytest.approx(drawn.depth - 1e-4, abs=1e-9)


WIDER = WallDeviation(offset=3e-4, scale=0.005)


def test_mountings_move_with_the_rim_as_far_as_they_must() -> None:
    shape = SHAPES["spheroid"]
    rim = Waveguide(shape).meridian.mouth_radius
    sphere = deviated(Waveguide(shape, mounting=Mounting(radius=rim)), WIDER)
    assert sphere.mounting.radius == sphere.meridian.mouth_radius > rim
    large = deviated(Waveguide(shape, mounting=Mounting(radius=2 * rim)), WIDER)
    assert large.mounting.radius == 2 * rim
    outline = ((0.08, rim), (0.05, rim + 0.02), (-0.03, 0.05), (-0.04, 0.03), (-0.04, 0.0))
    bodies = (
        RoundCabinet(2 * rim + 0.04, 0.085, 0.02),  # whose edge takes all the mouth leaves, whose depth all the seat
        BodyPoints(outline),
        RolledShell(0.01, 0.12, 0.03),
    )
    for body in bodies:
        made = deviated(Waveguide(shape, mounting=Mounting(body=body)), WIDER)
        first = made.outside[0].frame_at(np.array([0.0]))
        assert (first.z[0], first.r[0]) == pytest.approx((made.depth, made.meridian.mouth_radius), abs=1e-9)
        assert boundary_of(made).ends.z.size > 0  # without a gap
    cabinet = Cabinet(2 * rim, 2 * rim, 0.085)
    made = deviated(Waveguide(shape, mounting=Mounting(cabinet=cabinet)), WIDER)
    assert made.mounting.cabinet == cabinet
    assert made.meridian.mouth_radius > rim
    with pytest.raises(ValueError, match="must be at least"):
        Waveguide(shape, mounting=Mounting(cabinet=Cabinet(2 * rim - 1e-4, 2 * rim, 0.085))).meridian  # noqa: B018


def test_what_waves_do_is_found_by_both_methods() -> None:
    """Elements and panels must follow the waves, not only the drawn wall."""
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
    assert apart < 0.05 * change  # measured 0.01: elements miss such a wall by 2 micrometres, panels by one
