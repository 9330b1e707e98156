"""Patterns of shells that carry the driver's seat: without allowance, draft and contraction they are the part."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import trimesh

from evenflare.design.file import Solid
from evenflare.manufacture import build, solid_sizes, volume
from evenflare.manufacture.casting.pattern import build_pattern
from evenflare.manufacture.part.features import features_of
from evenflare.manufacture.part.fitting import fitted
from evenflare.manufacture.process.file import read_process
from evenflare.units import DEGREE
from evenflare.units import MILLIMETRE as MM
from evenflare.waveguide import Conical, OblateSpheroidal, Waveguide

SHAPES = {
    "rolled": Waveguide(Conical(70 * MM, 45 * DEGREE, 12 * MM)),
    "oblate": Waveguide(OblateSpheroidal(100 * MM, 40 * DEGREE, 3 * MM)),
}
CASTING = read_process("casting").casting
BARE = dataclasses.replace(CASTING, contraction=0.0, machining_allowance=0.0, allowance_grade=None, draft=0.0)
SEATS = {
    "flat": {"seat_diameter": 70 * MM, "seat_depth": 4 * MM},
    "bolted": {
        "seat_diameter": 70 * MM,
        "seat_depth": 4 * MM,
        "seat_bolts": 3,
        "seat_bolt_circle": 58 * MM,
        "seat_hole_diameter": 4 * MM,
        "seat_hole_depth": 5 * MM,
    },
}


def part_of(name, seat, kind="shell"):
    waveguide, solid = SHAPES[name], Solid(kind, wall=4 * MM, **SEATS[seat])
    sizes = solid_sizes(waveguide.meridian, solid)
    return waveguide, sizes, fitted(waveguide, sizes, features_of(solid))


@pytest.mark.parametrize("kind", ["block", "shell"])
@pytest.mark.parametrize("seat", SEATS)
@pytest.mark.parametrize("name", SHAPES)
def test_a_bare_pattern_is_the_part_before_its_holes_are_drilled(name, seat, kind):
    waveguide, sizes, features = part_of(name, seat, kind)
    made = build_pattern(waveguide, sizes, BARE, chord_error=0.05 * MM, seat=features.seat, fillet=0.0)
    # The same half-section twice, by two ways round: rounding, and the micrometre within which points are one.
    part = volume(build(waveguide.meridian, sizes, chord_error=0.05 * MM, features=features))
    assert volume(made.mesh) == pytest.approx(part, rel=1e-6)


@pytest.mark.parametrize("name", SHAPES)
def test_a_cast_seat_leaves_metal_to_machine_and_draws(name):
    waveguide, sizes, features = part_of(name, "bolted")
    made = build_pattern(waveguide, sizes, CASTING, chord_error=0.1 * MM, seat=features.seat)
    mesh = trimesh.Trimesh(made.mesh.vertices / made.factor, made.mesh.faces)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    # The recess is narrower and its floor stands an allowance behind the throat plane.
    radius, deep = 0.5 * made.recess[0], made.recess[1]
    assert radius < 0.5 * features.seat.diameter - made.allowance + 1e-9
    assert made.back + deep == pytest.approx(-made.allowance)
    # The outside, seen from behind, never narrows: each facet that looks outward looks back or sideways by the draft.
    normal, centre = mesh.face_normals, mesh.triangles_center
    outward = np.einsum("ij,ij->i", normal[:, :2], centre[:, :2]) > 0.05 * np.hypot(*centre[:, :2].T)
    # The draft's sine, less the rounding of facets; what looks to the axis is bore.
    assert (normal[outward, 2] < -np.sin(CASTING.draft) + 1e-3).all()
