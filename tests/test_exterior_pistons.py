"""Pistons in the faces of a box: by reciprocity, by superposition, in the limit of low frequencies, and refused."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import trimesh

import solids
from enclosures import (
    added,
    directions,
    one_thread,  # noqa: F401
    whole,
)
from evenflare.closed_forms import piston_pattern
from evenflare.exterior import cabinets
from evenflare.exterior.panels import meshed
from evenflare.exterior.patches import box
from evenflare.exterior.pistons import Piston, PistonField, piston_waves, radiated
from evenflare.exterior.scattering import ready, scattered
from evenflare.exterior.solids import room_below, solid_mesh
from evenflare.exterior.waves import mouth_waves, polar, waves_at
from evenflare.units import ComplexArray, FloatArray
from evenflare.waveguide import AnyCabinet, SolidCabinet, solid_of
from evenflare.waveguide.cabinet import Cabinet, Edge
from evenflare.waveguide.faces import SIDES, Side, Way, looking

BOX = Cabinet(0.2, 0.3, 0.25, Edge(0.02), Edge(0.02))
K = 12.0
"""rad/m: the box is half a wavelength."""


def alone(piston: Piston, wavenumber: FloatArray) -> PistonField:
    return radiated([piston], [wavenumber])[0]


@pytest.mark.parametrize("size", [0.1, 2.0, 9.0])
def test_waves_of_a_piston_in_a_baffle_are_its_closed_form(size: float) -> None:
    """2 J1(x) / x, 1 on axis: Kinsler et al., Fundamentals of Acoustics, section 7.4."""
    waves, angle = mouth_waves(40, is_round=True), np.linspace(0.0, 0.5 * np.pi, 19)
    k = size / 0.1
    pattern = polar(np.cos(angle), 40, 0)[0][:, waves.degree]
    found = pattern @ (piston_waves(k, 0.1, waves) * 1j ** (waves.degree + 1) / k)
    np.testing.assert_allclose(found, piston_pattern([size], angle)[0], atol=1e-13)  # rounding


SEEN = directions(20)
NEAR = 0.6 * directions(7)
"""m from the middle: the ball about the box reaches 0.22 m."""


@cache
def at_nodes(cabinet: AnyCabinet) -> tuple[FloatArray, FloatArray, ComplexArray]:
    """Nodes and normals of the whole cabinet, and (N, 27) the pressure of waves from SEEN and of sources at NEAR."""
    if isinstance(cabinet, Cabinet):
        mesh = meshed(box(cabinet), 0.06)
        body = ready(mesh)
    else:
        mesh = solid_mesh(cabinet.solid, 0.06)
        body = ready(mesh, room=room_below(mesh, cabinet.solid))

    def arriving(place: FloatArray, normal: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        waves = np.exp(1j * K * place @ SEEN.T)
        apart = place[:, None, :] - NEAR
        r = np.linalg.norm(apart, axis=-1)
        sources = np.exp(-1j * K * r) / r
        slope = -(1j * K + 1.0 / r) * sources * np.einsum("qwc,qc->qw", apart, normal) / r
        slopes = np.concatenate([1j * K * (normal @ SEEN.T) * waves, slope], axis=1)
        return np.concatenate([waves, sources], axis=1), slopes

    q, _ = added(K, body, lambda place, normal: arriving(place, normal)[1])
    everywhere = whole(mesh)
    return everywhere.place, everywhere.normal, q + arriving(everywhere.place, everywhere.normal)[0]


OWN_FRONT = replace(BOX, front_edge=Edge())
BENT = SolidCabinet(solids.solid(solids.wedge(0.2, 0.3, 0.25)))
"""A body without symmetry, four of whose faces are tilted: right and left by 3 and 11 degrees."""
SEATS = [
    *((BOX, face) for face in SIDES),
    (OWN_FRONT, "right"),
    (OWN_FRONT, "back"),
    *((BENT, face) for face in SIDES),
    (BENT, (-0.9, 0.1, -0.2)),
]


@pytest.fixture
def fine_cells(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Pistons are solved on cells of half the size, and nothing of it stays in memory."""

    def forget() -> None:
        for kept in (cabinets._OPERATORS, cabinets._KEPT):
            kept.clear()
        for cached in (cabinets.top_wavenumber, cabinets._unknowns, cabinets._body):
            cached.cache_clear()

    forget()
    monkeypatch.setattr(cabinets, "PER_WAVELENGTH", 2.0 * cabinets.PER_WAVELENGTH)
    yield
    forget()


@pytest.mark.usefixtures("fine_cells")
@pytest.mark.parametrize(("cabinet", "face"), SEATS)
def test_piston_and_listener_change_places(cabinet: AnyCabinet, face: Side | Way) -> None:
    """A small piston heard at a place, and a source at that place heard where the piston is: the same in either way.

    The source is solved by itself, with none of what turns waves for a face.
    Source: reciprocity, Pierce, Acoustics (1981), section 4-9 (from memory).
    """
    place, normal, pressure = at_nodes(cabinet)
    seat = looking(cabinet, face)[0]
    # Off the middle of its face both ways, and well within what is flat.
    at = (place - seat.middle) @ seat.turn.T
    room = np.array([seat.room(x, y) if abs(z) < 1e-6 else 0.0 for x, y, z in at])
    fits = (normal @ seat.turn[2] > 1.0 - 1e-9) & (room > 0.03)
    node = int(np.argmax(np.where(fits, np.minimum(at[:, 0], at[:, 1]), -np.inf)))
    assert at[node, :2].min() > 0.01
    piston = Piston(cabinet, face, float(at[node, 0]), float(at[node, 1]), 0.004)
    np.testing.assert_allclose(piston.place, place[node], atol=1e-12)  # rounding
    found = alone(piston, np.array([K]))
    # In a baffle the source is heard twice as loud, as 1 Pa m is: so half of what is heard on the box.
    # Seen 2e-3; 1e-2 on the usual cells, and a wrong turn is off by half of the loudest.
    far = found.far(SEEN)[0] * np.exp(1j * K * SEEN @ piston.place)
    np.testing.assert_allclose(far, 0.5 * pressure[node, :20], atol=4e-3 * np.abs(far).max())
    near = found.pressure_at(NEAR - piston.place)[0]
    np.testing.assert_allclose(near, 0.5 * pressure[node, 20:], atol=4e-3 * np.abs(near).max())


def test_a_mirror_image_of_a_face_may_be_off_by_the_rounding_of_a_file() -> None:
    """A body that narrows to the back, in single precision far from its file's origin: nodes of the half that mirrors
    make lie some 50 nm beside the plane of the face there.
    """
    sizes = (-0.1234, 0.0817), (0.1234, 0.1113)
    corners = [[x, 1.3 * y, z] for z, half in sizes for x in (-half, half) for y in (-half, half)]
    aside = np.array([0.7312345, 0.4123457, 0.1234567])
    hull = trimesh.convex.convex_hull(np.array(corners) + aside)
    tapered = SolidCabinet(solid_of(np.array(hull.triangles).astype(np.float32).astype(float)))
    assert tapered.solid.mirrors == (0, 1)
    left, right = (alone(Piston(tapered, each, 0.0, 0.02, 0.05), np.array([K])) for each in ("left", "right"))
    wanted = right.far(SEEN * [-1.0, 1.0, 1.0])
    # Of the rounding itself, 1e-7 of the size, next to nothing is heard.
    np.testing.assert_allclose(left.far(SEEN), wanted, atol=1e-4 * np.abs(wanted).max())


def test_two_ways_hear_each_other_alike() -> None:
    """A piston in the front heard where one in the side is, and that one where the first is. Source: as above."""
    mesh = meshed(box(BOX), 0.1)
    everywhere = whole(mesh)
    nodes = [
        int(np.argmin(np.linalg.norm(everywhere.place - at, axis=1)))
        for at in ([0.03, -0.06, 0.125], [0.1, 0.08, 0.02])
    ]
    found = []
    for node, other, face in ((*nodes, "front"), (*nodes[::-1], "right")):
        turn, place = SIDES[face], everywhere.place[node]
        piston = Piston(BOX, face, float(turn[0] @ place), float(turn[1] @ place), 0.004)
        waves = mouth_waves(4, is_round=True)
        sent = piston_waves(K, piston.radius, waves)

        def motion(at: FloatArray, normal: FloatArray) -> ComplexArray:
            from_it = (at - piston.place) @ turn.T  # noqa: B023
            flush = np.abs(from_it[:, 2]) < 1e-9
            from_it[flush, 0] += 1.0  # its own face stands still for it
            slope = waves_at(K, from_it, normal @ turn.T, waves, outgoing=True)[1] @ sent  # noqa: B023
            return np.where(flush, 0.0, slope)[:, None]

        q, _ = added(K, ready(mesh), motion)
        away = (everywhere.place[[other]] - piston.place) @ turn.T
        direct = waves_at(K, away, everywhere.normal[[other]], waves, outgoing=True)[0] @ sent
        found.append(q[other, 0] + direct[0])
    assert abs(found[0] - found[1]) < 1e-2 * abs(found[0])  # cells of a fifth of a wavelength


def test_a_large_piston_is_the_mean_of_small_ones() -> None:
    """By a rule of seven points, of the fifth degree, over its face. Source: Abramowitz & Stegun (1964), 25.4.61."""
    radius, k, seen = 0.06, np.array([K]), directions(30)
    turn = np.pi / 3.0 * np.arange(6)
    reach = radius * np.sqrt(2.0 / 3.0)
    points = [(0.0, 0.0, 0.25), *((reach * np.cos(a), reach * np.sin(a), 0.125) for a in turn)]
    total = np.zeros(30, dtype=np.complex128)
    for x, y, weight in points:
        small = Piston(BOX, "right", 0.01 + x, 0.02 + y, 1e-4)
        total += weight * alone(small, k).far(seen)[0] * np.exp(1j * K * seen @ small.place)
    large = Piston(BOX, "right", 0.01, 0.02, radius)
    found = alone(large, k).far(seen)[0] * np.exp(1j * K * seen @ large.place)
    # The rule leaves (ka)^6 / 4600, 3e-5 here; small pistons 6 mm from where the flat ends have few waves: seen 1e-3.
    np.testing.assert_allclose(found, total, atol=4e-3 * np.abs(found).max())


@pytest.mark.parametrize("face", ["front", "left"])
def test_far_below_every_size_a_piston_is_a_point_in_the_open(face) -> None:
    """Half the pressure of the baffle, in every direction, at 16 Hz: 6 dB less on axis, 3 dB in power."""
    found = alone(Piston(BOX, face, 0.0, 0.03, 0.06), np.array([0.3])).far(directions(20))
    np.testing.assert_allclose(np.abs(found), 0.5, rtol=5e-3)  # the square of the box over the wavelength: seen 2e-3


def test_far_away_the_pressure_is_the_far_one() -> None:
    found = alone(Piston(BOX, "left", 0.02, 0.03, 0.03), np.array([3.0, K]))
    seen, distance = directions(12), 1e5
    turned = np.exp(1j * np.outer(found.wavenumber, np.full(12, distance))) * distance
    # What is left falls as k a^2 / r, 1e-5 of the pressure.
    np.testing.assert_allclose(found.pressure_at(distance * seen) * turned, found.far(seen), atol=2e-5)
    with pytest.raises(ValueError, match="outside the ball that holds it"):
        found.pressure_at(np.zeros((1, 3)))


@pytest.mark.parametrize(
    ("face", "x", "radius", "words"),
    [
        (
            "front",
            0.0,
            0.09,
            "piston_radius_mm = 90: does not fit on the flat of the front, at x_mm = 0 from its middle",
        ),
        ("front", 0.03, 0.07, "Make it 50 at most, or move it toward the middle"),
        ("left", 0.2, 0.02, "x_mm = 200 from its middle. Move it toward the middle"),
    ],
)
def test_a_piston_that_does_not_fit_is_refused_with_what_would(face, x, radius, words) -> None:
    with pytest.raises(ValueError, match=words):
        Piston(BOX, face, x, 0.0, radius)


def test_a_side_ends_where_its_edges_begin_which_the_front_may_have_elsewhere() -> None:
    """One who looks at the right side has the front, sharp here, to the left."""
    Piston(OWN_FRONT, "right", -0.075, 0.0, 0.05)
    with pytest.raises(ValueError, match="x_mm = 75 from its middle. Make it 30 at most"):
        Piston(OWN_FRONT, "right", 0.075, 0.0, 0.05)


def test_ways_at_one_frequency_are_solved_at_once_and_as_each_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """The equations are factorised once for all of them; what was on disk already is not solved again."""
    cabinet, calls = replace(BOX, width=0.21), []

    def counted(k: float, *rest, **named) -> ComplexArray:  # type: ignore[no-untyped-def]
        calls.append(k)
        return scattered(k, *rest, **named)

    monkeypatch.setattr("evenflare.exterior.operator.scattered", counted)
    ways = [
        Piston(cabinet, "front", 0.0, -0.05, 0.05),
        Piston(cabinet, "right", 0.01, 0.02, 0.04),
        Piston(cabinet, "back", 0.0, 0.03, 0.06),
    ]
    low, both = np.array([6.0]), np.array([6.0, K])
    by_itself = alone(ways[0], both)
    assert calls == [K, 6.0]
    together = radiated(ways, [both, both, low])
    assert calls == [K, 6.0, K, 6.0]
    assert [each.wavenumber.size for each in together] == [2, 2, 1]
    # From the same equations to rounding, kept in single precision.
    np.testing.assert_allclose(together[0].far(SEEN), by_itself.far(SEEN), atol=1e-6)
    moved = alone(replace(ways[1], x=0.0100001), both)
    np.testing.assert_allclose(together[1].far(SEEN), moved.far(SEEN), atol=1e-4)  # 0.1 um aside


@pytest.mark.parametrize(
    ("face", "ahead", "up"),
    [
        ("front", (0, 0, 1), (0, 1, 0)),
        ("back", (0, 0, -1), (0, 1, 0)),
        ("left", (-1, 0, 0), (0, 1, 0)),
        ("right", (1, 0, 0), (0, 1, 0)),
        ("top", (0, 1, 0), (0, 0, -1)),
        ("bottom", (0, -1, 0), (0, 0, 1)),
    ],
)
def test_a_face_has_its_right_where_one_who_looks_at_it_does(face, ahead, up) -> None:
    """Of three axes at right angles, as x, y and z are: right is up times ahead."""
    np.testing.assert_array_equal(SIDES[face], [np.cross(up, ahead), up, ahead])
