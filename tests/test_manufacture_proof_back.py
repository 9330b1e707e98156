"""Proof of the back's program: recess and holes as asked pass, and each departure is found with its place."""

from __future__ import annotations

import numpy as np
import pytest

from cutting import program, tool
from evenflare.manufacture import Sizes
from evenflare.manufacture.process.types import DriverSeat
from evenflare.manufacture.proof.proof import prove
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, Waveguide

CONE = Waveguide(Conical(0.03, 45 * DEGREE))
SIZES = Sizes("block", 6 * MM, 95 * MM, 10 * MM, 85 * MM, 0)
SEAT = DriverSeat(
    diameter=60 * MM, depth=3 * MM, bolt_circle=46 * MM, bolts=3, hole_diameter=6 * MM, hole_depth=10 * MM
)
GRID = 0.1 * MM


PLACES = 23 * MM * np.array([[-1.0, 0.0], [0.5, np.sqrt(0.75)], [0.5, -np.sqrt(0.75)]])
"""Of the holes, seen from behind: the first on the part's +x, which a part flipped about y turns to -x."""


def around(radius, z):
    turn = np.linspace(0.0, 2 * np.pi, 721)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(turn.size, z)])


def back(*, radius=30 * MM, depth=3 * MM, places=None, hole_depth=10 * MM):
    """A flat end mill of 6 mm over the recess in rings, then down at each hole."""
    rings = [around(r, -depth) for r in np.linspace(1 * MM, radius - 3 * MM, 12)]
    downs = []
    for x, y in PLACES if places is None else places:
        downs += [[x, y, 5 * MM], [x, y, -3 * MM - hole_depth], [x, y, 5 * MM]]
    return program(np.vstack([[[0.0, 0.0, 5 * MM]], *rings, [[0.0, 0.0, 5 * MM]], downs]), tool("flat"), name="back")


def proved(cut):
    return prove(CONE, [cut], sizes=SIZES, tolerance=0.02 * MM, scallop_height=0.01 * MM, seat=SEAT, grid=GRID)


def test_recess_and_holes_as_asked_pass():
    found = proved(back())
    assert found.passed
    assert (
        found.programs[0].gouge.size < 1e-6
    )  # rounding; the recess's wall is met from within by chords of a half degree
    assert found.programs[0].leftover.size < 2e-6  # those chords: 27 mm (1 - cos 0.25 deg) = 0.3 um
    assert found.programs[0].plug == 0.0


@pytest.mark.parametrize(
    ("options", "gouge_mm"),
    [
        ({"depth": 3.05 * MM}, 0.05),
        ({"radius": 30.05 * MM}, 0.05),
        ({"hole_depth": 10.05 * MM}, 0.05),
    ],
)
def test_recess_too_deep_or_wide_and_hole_too_deep_are_found(options, gouge_mm):
    found = proved(back(**options))
    assert not found.passed
    assert found.programs[0].gouge.size == pytest.approx(gouge_mm * MM, abs=1e-6)  # chords, 0.3 um


def test_hole_in_the_wrong_place_is_found_there():
    places = PLACES.copy()
    places[1, 0] = -places[1, 0]
    found = proved(back(places=places)).programs[0]
    assert found.gouge.size == pytest.approx(10 * MM)
    assert np.hypot(found.gouge.place[0] - places[1][0], found.gouge.place[1] - places[1][1]) < 3 * MM
    assert found.leftover.size == pytest.approx(10 * MM)  # the hole that is missing


def test_seat_that_is_not_cut_is_left_over():
    found = proved(program([[0.0, 0.0, 5 * MM], [1 * MM, 0.0, 5 * MM]], tool("flat"), name="back")).programs[0]
    assert found.leftover.size > 12 * MM
    assert found.leftover_within is False
