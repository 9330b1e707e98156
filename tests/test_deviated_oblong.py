"""Oblong walls moved along their normal in space, against the drawn one's normals and against closed forms."""

import itertools

import numpy as np
import pytest

from evenflare.units import FloatArray
from evenflare.waveguide import (
    Conical,
    Mounting,
    OblateSpheroidal,
    Oblong,
    Points,
    RolledShell,
    RoundCabinet,
    RoundedRectangle,
    Section,
    Superellipse,
    Surface,
    Waveguide,
)
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.moved_oblong import moved_wall
from evenflare.waveguide.sections import UnitCurve

ROLLED = Conical(0.09, np.radians(45), 0.02), Conical(0.09, np.radians(28), 0.012)
FLARED = OblateSpheroidal(0.09, np.radians(45)), OblateSpheroidal(0.09, np.radians(30))
SECTIONS: dict[str, Section] = {
    "ellipse": Superellipse(),
    "squarish": Superellipse(4.0),
    "pairs": Superellipse(((0.03, 2.5), (0.09, 3.5))),
    "rounded rectangle": RoundedRectangle(0.02),
}
WALLS = {
    f"{name}, {section}": Oblong(*walls, SECTIONS[section])
    for name, walls in (("rolled", ROLLED), ("flared", FLARED))
    for section in SECTIONS
}
OFF = 3e-7
"""m; what is of second order is then a thousandth."""
AZIMUTHS = (0.0, np.pi / 6, np.pi / 3, np.pi / 2)
WAVES = tuple(tuple(float(each) for each in row) for row in np.random.default_rng(3).normal(size=(9, 4)) * OFF)
KINDS = {
    "offset": WallDeviation(offset=OFF),
    "bow": WallDeviation(bow=-OFF),
    "ovality": WallDeviation(ovality=OFF),
    "step": WallDeviation(throat_step=OFF),
    "waves": WallDeviation(shares=tuple(np.linspace(0.0, 1.0, 9)), azimuths=AZIMUTHS, waves=WAVES),
}
PSI = np.radians([0.0, 3.0, 15.0, 30.0, 42.0, 50.0, 65.0, 80.0, 90.0])


def _beyond(surface: Surface, places: FloatArray) -> FloatArray:
    """(N,) how far places (N, 3) lie out of the air of a wall, as a share of its section: 0 on it."""
    x, y, z = np.abs(places[:, 0]), np.abs(places[:, 1]), np.clip(places[:, 2], 0.0, surface.depth)
    found = np.empty(z.size)
    for which, (low, high) in enumerate(itertools.pairwise(surface.cuts)):
        here = (z >= low) & (z <= high)
        axes = surface.axes(z[here], stretch=which)
        psi = np.arctan2(y[here] / axes.b, x[here] / axes.a)
        found[here] = np.hypot(x[here] / axes.a, y[here] / axes.b) - surface.factor(z[here], axes.a, axes.b, psi)
    return found


def _moved_by(surface: Surface, places: FloatArray, away: FloatArray) -> FloatArray:
    """(N,) m from places along directions to a wall: by halving."""
    near, far = np.full(len(places), -2e-5), np.full(len(places), 2e-5)
    for _ in range(27):
        middle = 0.5 * (near + far)
        inside = _beyond(surface, places + middle[:, None] * away) < 0.0
        near, far = np.where(inside, middle, near), np.where(inside, far, middle)
    return 0.5 * (near + far)


CASES = [(wall, "waves") for wall in WALLS] + [
    (wall, kind) for wall in ("rolled, squarish", "flared, rounded rectangle") for kind in KINDS if kind != "waves"
]


@pytest.mark.parametrize(("wall", "kind"), CASES)
def test_every_place_moves_by_the_departure_along_its_normal(wall: str, kind: str) -> None:
    shape, deviation = WALLS[wall], KINDS[kind]
    drawn, made = Waveguide(shape).surface, deviated(Waveguide(shape), deviation).surface
    wanted = moved_wall(shape, deviation, 12.7e-3)
    for which, (low, high) in enumerate(itertools.pairwise(drawn.cuts)):
        z = low + (high - low) * np.array([0.02, 0.2, 0.5, 0.9, 0.97, 0.995])
        patch = drawn.patch(z, PSI, stretch=which)
        places, away = patch.points.reshape(-1, 3), -patch.normals.reshape(-1, 3)
        arc, _ = wanted.wall.mean.at_depth(places[:, 2])
        off, _, _ = wanted.departure.at(arc, places[:, 2], np.arctan2(places[:, 1], places[:, 0]))
        # Second order: where the departure becomes level at a rim it changes by itself over some mm.
        assert _moved_by(made, places, away) == pytest.approx(off, abs=2e-3 * OFF)


def test_offset_of_an_elliptical_cone_has_its_closed_form() -> None:
    tangents, radius, off = (np.tan(np.radians(45)), np.tan(np.radians(28))), 12.7e-3, 1e-5
    shape = Oblong(Conical(0.09, np.radians(45)), Conical(0.09, np.radians(28)))
    made = deviated(Waveguide(shape), WallDeviation(offset=off)).surface
    z, psi = (each.ravel() for each in np.meshgrid(np.linspace(0.01, 0.08, 6), np.linspace(0.1, 1.5, 7)))
    a, b = radius + z * tangents[0], radius + z * tangents[1]
    x, y = a * np.cos(psi), b * np.sin(psi)
    # The gradient of (x/a)^2 + (y/b)^2 = 1, with a and b that grow with z.
    gradient = np.stack([x / a**2, y / b**2, -(x**2) * tangents[0] / a**3 - y**2 * tangents[1] / b**3], axis=-1)
    normal = gradient / np.linalg.norm(gradient, axis=-1, keepdims=True)
    places = np.stack([x, y, z], axis=-1)
    # The curvature of at most 1/12 mm, times the square of what the wall moves.
    assert _moved_by(made, places, normal) == pytest.approx(off, abs=1e-8)


def test_round_wall_given_as_oblong_stays_round_and_goes_as_the_round_one() -> None:
    shape = ROLLED[0]
    waves = WallDeviation(
        offset=1e-4, throat_step=2e-4, scale=0.01, shares=(0.0, 0.5, 1.0), waves=((0.0,), (2e-4,), (1e-4,))
    )
    of_round = deviated(Waveguide(shape), waves).surface
    made = deviated(Waveguide(Oblong(shape, shape)), waves).surface
    assert made.mouth == pytest.approx(of_round.mouth, abs=1e-9)
    z = np.linspace(0.0, 0.0995, 60) * made.depth / 0.1
    expected, found = (each.axes(z[z < 0.07], stretch=0) for each in (of_round, made))
    # Where along the arc a wave lies is known to 1e-9 m.
    for column in range(4):
        assert found[column] == pytest.approx(expected[column], abs=1e-8)
    assert made.factor(z, found.a[0], found.b[0], np.full_like(z, 0.7)) == pytest.approx(1.0, abs=1e-12)  # rounding


def test_oval_is_wider_across_x_by_its_amplitude_and_round_in_the_diagonal() -> None:
    made = deviated(Waveguide(FLARED[0]), WallDeviation(ovality=1e-4)).surface
    axes = made.axes(np.array([0.0]), stretch=0)
    assert axes.a - axes.b == pytest.approx(2e-4, rel=1e-3)  # the wall at the throat runs along the axis
    factor = made.factor(np.zeros(1), axes.a, axes.b, np.array([np.pi / 4]))[0]
    diagonal = np.hypot(axes.a[0], axes.b[0]) * factor * np.sqrt(0.5)
    assert diagonal == pytest.approx(12.7e-3, abs=1e-6)  # to second order


def test_curves_of_a_moved_section_have_the_derivatives_of_its_factor() -> None:
    shape = WALLS["rolled, squarish"]
    made = deviated(
        Waveguide(shape),
        WallDeviation(
            shares=(0.0, 0.5, 1.0), azimuths=AZIMUTHS, waves=((0.0,) * 4, (2e-4, 0.0, -1e-4, 1e-4), (0.0,) * 4)
        ),
    ).surface
    section, mouth, h = made.section, made.mouth, 1e-5

    def at(z: FloatArray, psi: FloatArray) -> tuple[FloatArray, FloatArray]:
        factor = section.factor(z, psi, mouth=mouth)
        return factor * np.cos(psi), factor * np.sin(psi)

    z, psi = (each.ravel() for each in np.meshgrid(np.linspace(0.01, 0.06, 5), np.linspace(0.2, 1.4, 6)))
    curve: UnitCurve = section.curve(z, psi, mouth=mouth)
    scale, step = 1e-3, h * 0.1
    expected = {
        "x": at(z, psi)[0],
        "y": at(z, psi)[1],
        "x_t": (at(z, psi + h)[0] - at(z, psi - h)[0]) / (2 * h),
        "y_t": (at(z, psi + h)[1] - at(z, psi - h)[1]) / (2 * h),
        "x_z": (at(z + step, psi)[0] - at(z - step, psi)[0]) / (2 * step),
        "y_z": (at(z + step, psi)[1] - at(z - step, psi)[1]) / (2 * step),
    }
    for name, values in expected.items():
        # Differences over 1e-3 rad of something whose third derivatives are some 1e2 times it.
        assert getattr(curve, name) == pytest.approx(values, abs=scale * (10.0 if name.endswith("z") else 0.1)), name


def test_joints_at_one_depth_stay_at_one() -> None:
    made = deviated(Waveguide(ROLLED[0]), WallDeviation(ovality=3e-4)).surface
    assert len(made.cuts) == 3  # throat, where the roundover begins, mouth
    assert np.abs(made.horizontal.depth - made.vertical.depth) < 1e-12  # rounding


def test_corners_and_walls_of_points_are_moved() -> None:
    walls = Points(((0.0, 0.0127), (0.03, 0.03), (0.06, 0.08))), Points(((0.0, 0.0127), (0.03, 0.025), (0.06, 0.06)))
    made = deviated(Waveguide(Oblong(*walls)), WallDeviation(offset=1e-4)).surface
    assert made.mouth_width == pytest.approx(0.16 + 2e-4 / np.cos(np.arctan2(0.05, 0.03)), abs=1e-9)  # straight


def test_what_leaves_no_wall_and_what_no_mounting_takes_is_refused() -> None:
    with pytest.raises(ValueError, match=r"folds at z_mm = .* must move by less"):
        deviated(Waveguide(WALLS["rolled, ellipse"]), WallDeviation(offset=0.013)).surface.depth  # noqa: B018
    with pytest.raises(ValueError, match="folds at z_mm"):
        deviated(Waveguide(WALLS["flared, rounded rectangle"]), WallDeviation(offset=-0.02)).surface.depth  # noqa: B018
    body = RoundCabinet(0.3, 0.2)
    for mounting in (Mounting(radius=0.2), Mounting(body=body)):
        with pytest.raises(ValueError, match="cannot become oval"):
            deviated(Waveguide(ROLLED[0], mounting=mounting), WallDeviation(ovality=1e-4))
    shell = Mounting(body=RolledShell(0.01, 0.12, 0.03))
    oval = deviated(Waveguide(ROLLED[0], mounting=shell), WallDeviation(ovality=1e-4))
    assert oval.oblong_body is not None
