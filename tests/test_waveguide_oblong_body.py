"""A rolled shell around a mouth that is not round: convex, smooth, the round one where the mouth is, and refusals."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pytest

from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import (
    BodyPoints,
    Driver,
    Mounting,
    OblateSpheroidal,
    Oblong,
    Points,
    RolledShell,
    RoundCabinet,
    RoundedRectangle,
    Superellipse,
    Waveguide,
)
from evenflare.waveguide.body import volume
from evenflare.waveguide.oblong_body import OblongBody

WIDE, HIGH = OblateSpheroidal(0.1, 43.5 * DEGREE, 0.012), OblateSpheroidal(0.1, 27 * DEGREE, 0.012)
SHELL = RolledShell(0.02, 0.12, 0.04, 0.01)
BODIES = {
    "ellipse": (Superellipse(), SHELL),
    "flat sides": (Superellipse(4.0), SHELL),
    "nearly a rectangle": (Superellipse(20.0), SHELL),
    "pointed": (Superellipse(1.5), SHELL),
    "rounded rectangle": (RoundedRectangle(0.015), SHELL),
    "sharp edges": (Superellipse(2.5), RolledShell(0.0, 0.12, 0.04)),
    "wide back": (Superellipse(), RolledShell(0.01, 0.3, 0.04, 0.03)),
}
BULGING = Points(((0.0, 0.0127), (0.015, 0.045), (0.06, 0.07)))
NARROWER = Points(((0.0, 0.0127), (0.015, 0.03), (0.06, 0.05)))


ELLIPSE = Superellipse()


def free(shell, section=ELLIPSE, *, across=(WIDE, HIGH)) -> Waveguide:
    return Waveguide(Oblong(*across, section), Driver(), Mounting(body=shell))


def body(name) -> OblongBody:
    section, shell = BODIES[name]
    found = free(shell, section).oblong_body
    assert found is not None
    return found


@pytest.mark.parametrize("name", BODIES)
def test_convex(name) -> None:
    """No place lies beyond a plane that touches the film anywhere: so it folds nowhere, and the normals are right."""
    places, normals = (each.reshape(-1, 3) for each in body(name).sampled(25, 9))
    beyond = places @ normals.T - np.sum(places * normals, axis=1)
    assert beyond.max() < 1e-9  # m: rounding
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, rtol=1e-12)


@pytest.mark.parametrize("name", BODIES)
def test_stretches_meet_without_a_crease(name) -> None:
    found, psi = body(name), np.linspace(0.0, 0.5 * np.pi, 9)
    ends = [[found.point_at(each, psi, np.full(9, v)) for v in (0.0, 1.0)] for each in found.stretches]
    for (_, before), (after, _) in itertools.pairwise(ends):
        np.testing.assert_allclose(before[0], after[0], atol=1e-12)  # m: rounding
    if found.stretches == ("rim", "taper", "edge", "back"):
        for (_, before), (after, _) in itertools.pairwise(ends):
            np.testing.assert_allclose(before[1], after[1], atol=1e-12)
    rim = found.surface.patch(np.array([found.surface.depth]), psi, stretch=len(found.surface.cuts) - 2).points[0]
    np.testing.assert_allclose(ends[0][0][0], rim, atol=1e-9)  # m: a depth is found to 1e-13 along the wall
    np.testing.assert_allclose(ends[-1][1][0][:, :2], 0.0, atol=1e-15)


def test_round_mouth() -> None:
    """The outline and the volume (Pappus) of the body of revolution."""
    found = free(SHELL, across=(WIDE, WIDE)).oblong_body
    outline = Waveguide(WIDE, Driver(), Mounting(body=SHELL)).outside
    v = np.linspace(0.0, 1.0, 5)
    for stretch, piece in zip(found.stretches, outline, strict=True):
        places, frame = found.point_at(stretch, np.full(5, 0.7), v)[0], piece.frame_at(v)
        np.testing.assert_allclose(np.hypot(places[:, 0], places[:, 1]), frame.r, atol=1e-12)
        np.testing.assert_allclose(places[:, 2], frame.z, atol=1e-12)
    assert found.volume == pytest.approx(volume(outline), rel=1e-3)  # a hull over points: seen 3e-4


@pytest.mark.parametrize(("psi", "axis", "meridian"), [(0.0, 0, WIDE), (0.5 * np.pi, 1, HIGH)])
def test_outline_in_either_plane(psi, axis, meridian) -> None:
    found, v = body("flat sides"), np.linspace(0.0, 1.0, 5)
    outline = SHELL.pieces((0.1, meridian.meridian(Driver().exit_radius).mouth_radius), 0.1)
    for stretch, piece in zip(found.stretches, outline, strict=True):
        places, frame = found.point_at(stretch, np.full(5, psi), v)[0], piece.frame_at(v)
        np.testing.assert_allclose(places[:, axis], frame.r, atol=1e-12)
        np.testing.assert_allclose(places[:, 1 - axis], 0.0, atol=1e-12)
        np.testing.assert_allclose(places[:, 2], frame.z, atol=1e-12)


def test_inside_and_outside() -> None:
    found = body("ellipse")
    axis = np.array([[0.0, 0.0, -0.041], [0.0, 0.0, -0.02], [0.0, 0.0, 0.101], [0.0, -0.085, 0.08], [-0.06, 0.0, 0.05]])
    np.testing.assert_array_equal(found.beyond(axis) > 0.0, [True, False, True, True, False])


def asked(message: str, key: str) -> float:
    return float(re.search(rf"{key} = ([0-9.]+) gives it", message)[1])


def test_a_back_too_narrow_is_refused_with_the_width_that_does() -> None:
    shell = RolledShell(0.005, 0.03, 0.01)
    with pytest.raises(ValueError, match=r"too near to the waveguide's wall .* from the horizontal") as caught:
        _ = free(shell, across=(BULGING, NARROWER)).surface
    enough = asked(str(caught.value), "back_diameter_mm")
    assert free(RolledShell(0.005, enough * MILLIMETRE, 0.01), across=(BULGING, NARROWER)).oblong_body is not None
    with pytest.raises(ValueError, match="too near"):
        _ = free(RolledShell(0.005, (enough - 0.3) * MILLIMETRE, 0.01), across=(BULGING, NARROWER)).oblong_body


def test_edges_and_sizes_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match=r"back_edge_radius_mm = 60: must be 0 to ([0-9.]+), so") as caught:
        _ = free(RolledShell(0.02, 0.12, 0.04, 0.06), RoundedRectangle(0.015)).surface
    enough = float(re.search(r"0 to ([0-9.]+)", str(caught.value))[1]) * MILLIMETRE
    assert free(RolledShell(0.02, 0.12, 0.04, enough), RoundedRectangle(0.015)).oblong_body is not None
    with pytest.raises(ValueError, match="rim_radius_mm = 75: must be 0 to 69.9, less than half of the way"):
        _ = free(RolledShell(0.075, 0.12, 0.04)).surface
    with pytest.raises(ValueError, match="back_depth_mm = 4: must be at least 5"):
        _ = free(RolledShell(0.02, 0.12, 0.004)).surface


def test_bodies_of_revolution_only() -> None:
    for other, named in ((RoundCabinet(0.3, 0.3), "round_cabinet"), (BodyPoints(((0.1, 0.1), (-0.1, 0.0))), "points")):
        with pytest.raises(ValueError, match=rf'outline = "{named}": must be "rolled_shell" for a mouth that is not'):
            _ = free(other).oblong_body
    assert Waveguide(WIDE, Driver(), Mounting(body=SHELL)).oblong_body is None
    assert Waveguide(Oblong(WIDE, HIGH)).oblong_body is None
