"""Oblong waveguides that stand free: against sources inside the body, the judge of revolution, and themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from enclosures import layers
from evenflare import radiation
from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.exterior.loudspeaker import loudspeaker
from evenflare.exterior.scattering import ready, scattered
from evenflare.radiation import standing
from evenflare.radiation.boundary_elements import judge_solver
from evenflare.radiation.loudspeaker_elements import whole_solver
from evenflare.radiation.march import march_solver
from evenflare.units import DEGREE, amplitude_db
from evenflare.waveguide import (
    Driver,
    Mounting,
    OblateSpheroidal,
    Oblong,
    RolledShell,
    RoundedRectangle,
    Superellipse,
    Waveguide,
)

AIR = Air()
WIDE, HIGH = OblateSpheroidal(0.06, 43.5 * DEGREE, 0.012), OblateSpheroidal(0.06, 30 * DEGREE, 0.012)
SHELL = RolledShell(0.015, 0.09, 0.03, 0.01)
SHAPES = {
    "ellipse": (Superellipse(), SHELL),
    "flat sides": (Superellipse(4.0), SHELL),
    "rounded rectangle": (RoundedRectangle(0.015), SHELL),
    "sharp edges": (Superellipse(2.5), RolledShell(0.0, 0.09, 0.03)),
}


def shaped(name: str) -> Waveguide:
    section, shell = SHAPES[name]
    return Waveguide(Oblong(WIDE, HIGH, section), Driver(), Mounting(body=shell))


def seen(*frequency: float, distance: float = np.inf) -> Observation:
    return Observation(
        np.array(frequency),
        np.arange(0.0, 181.0, 15.0) * DEGREE,
        np.array([0.0, 45.0, 90.0]) * DEGREE,
        distance=distance,
        symmetry="two_planes",
    )


@pytest.mark.parametrize("name", SHAPES)
def test_the_body_closes(name: str) -> None:
    """Gauss's theorem: the areas of a closed surface, each along its normal, add up to nothing, and its nodes see half
    of all directions; and what moves is 1 m/s over the exit's area.
    """
    waveguide = shaped(name)
    speaker = loudspeaker(waveguide, 0.05, wall=0.03)
    mesh = speaker.mesh
    assert abs(np.sum(mesh.weight * mesh.normal[:, 2])) < 1e-4 * mesh.weight.sum()  # seen 6e-6
    assert speaker.images * np.sum(mesh.weight * speaker.moving) == pytest.approx(waveguide.driver.exit_area, rel=1e-12)
    np.testing.assert_allclose(ready(mesh, room=speaker.room).free_term, 0.5, atol=0.02)  # seen 0.006, at a sharp rim


def source(k: float, place: np.ndarray, normal: np.ndarray, at: float) -> tuple[np.ndarray, np.ndarray]:
    """exp(-j k r) / (4 pi r) of a point source on the axis, and its slope along the normals."""
    away = place - np.array([0.0, 0.0, at])
    r = np.linalg.norm(away, axis=1)
    value = np.exp(-1j * k * r) / (4 * np.pi * r)
    return value, -(1j * k + 1.0 / r) * value * np.sum(away * normal, axis=1) / r


def off(waveguide: Waveguide, size: float, wavenumbers: list[float]) -> np.ndarray:
    """Of the pressure on the surface, rms, if it moves as a point source within the solid would have it move."""
    speaker = loudspeaker(waveguide, size, wall=size)
    body = ready(speaker.mesh, room=speaker.room)
    at, found = speaker.throat[2] - 0.015, []
    for k in wavenumbers:
        exact, slope = source(k, speaker.mesh.place, speaker.mesh.normal, at)
        motion = np.zeros((4, speaker.mesh.size, 1), dtype=np.complex128)
        motion[0, :, 0] = -slope
        q = scattered(k, body, motion)[0, :, 0]
        weight = speaker.mesh.weight
        found.append(np.sqrt(np.sum(weight * np.abs(q - exact) ** 2) / np.sum(weight * np.abs(exact) ** 2)))
    return np.array(found)


def test_source_inside_the_solid() -> None:
    """A manufactured solution: it is the field of a point source between throat and back, waveguide's air and all."""
    waveguide = shaped("flat sides")
    coarse, fine = (off(waveguide, size, [20.0])[0] for size in (0.03, 0.015))
    assert fine < 1e-3  # seen 2e-4
    assert np.log2(coarse / fine) > 2.0  # of cells with three by three nodes: seen 2.6


def test_resonances_inside_do_no_harm() -> None:
    """Where the solid, were it hollow and soft, would resonate, the equation on the surface alone is singular."""
    waveguide, size = shaped("ellipse"), 0.05
    speaker = loudspeaker(waveguide, size, wall=size)
    body, mesh = ready(speaker.mesh, room=speaker.room), speaker.mesh

    def alone(k: float) -> tuple[np.ndarray, np.ndarray]:
        """The matrix of the equation on the surface alone, even about both planes, and its right side."""
        matrix, right = np.diag(body.free_term).astype(np.complex128), np.zeros(mesh.size, dtype=np.complex128)
        _, slope = source(k, mesh.place, mesh.normal, speaker.throat[2] - 0.015)
        for i, signs in enumerate(body.images.signs):
            own = np.arange(mesh.size) if i == 0 else np.full(mesh.size, -1)
            double, single = layers(k, mesh.place * signs, own, mesh)
            matrix -= double
            right -= single @ slope
        return matrix, right

    def smallest(k: float) -> float:
        return float(np.linalg.svd(alone(k)[0], compute_uv=False)[-1])

    k = minimize_scalar(smallest, bounds=(83.0, 88.0), method="bounded", options={"xatol": 0.1, "maxiter": 7}).x
    assert smallest(k) < 0.005  # 0.08 away from resonances
    exact, _ = source(k, mesh.place, mesh.normal, speaker.throat[2] - 0.015)
    apart = np.linalg.norm(np.linalg.solve(*alone(k)) - exact) / np.linalg.norm(exact)
    assert off(waveguide, size, [k])[0] < 0.025  # seen 0.011, as beside the resonance: cells are large
    assert apart > 0.05  # seen 0.4: the points below the surface are what helps


def test_round_mouth() -> None:
    """Against boundary elements of revolution, which share neither panels nor kernels."""
    round_, twice = (
        Waveguide(WIDE, Driver(), Mounting(body=SHELL)),
        Waveguide(Oblong(WIDE, WIDE), Driver(), Mounting(body=SHELL)),
    )
    observation = seen(700.0, 2500.0)
    judged = judge_solver("full")(round_, replace(observation, symmetry="round", plane=np.zeros(1)), AIR)
    found = radiation.solver("full", method="boundary_elements")(twice, observation, AIR)
    np.testing.assert_allclose(found.far_field_index, judged.far_field_index, atol=0.02)  # dB: seen 0.004
    level = amplitude_db(np.abs(judged.pressure / judged.on_axis[:, None, None]))
    apart = amplitude_db(np.abs(found.pressure / judged.pressure))
    assert np.abs(np.where(level > -20.0, apart, 0.0)).max() < 0.1  # dB: seen 0.03
    np.testing.assert_allclose(found.throat_impedance, judged.throat_impedance, rtol=0.01)  # seen 0.0024


def test_power_and_planes_and_distance() -> None:
    """What goes in at the throat comes out all round; turned by a right angle it is the same waveguide."""
    solve, observation = whole_solver("screen"), seen(1500.0)
    one = solve(shaped("rounded rectangle"), observation, AIR)
    entering = one.throat_impedance.real * AIR.impedance * Driver().exit_area
    np.testing.assert_allclose(entering, one.sound_power, rtol=0.005)  # seen 2e-4
    turned = replace(shaped("rounded rectangle"), shape=Oblong(HIGH, WIDE, RoundedRectangle(0.015)))
    other = solve(turned, observation, AIR)
    loudest = np.abs(one.pressure).max()
    # Of the loudest: the quarter is cut alike both ways; seen 1e-4.
    np.testing.assert_allclose(one.pressure / loudest, other.pressure[:, ::-1] / loudest, atol=2e-3)
    far = solve(shaped("rounded rectangle"), seen(1500.0, distance=30.0), AIR)
    # 30 m are 150 times the body: a point there sees it by 1e-2 rad of phase beside its far field.
    np.testing.assert_allclose(np.abs(far.pressure) * 30.0 / loudest, np.abs(one.pressure) / loudest, atol=5e-3)


def test_joined_to_the_march(monkeypatch) -> None:
    """Boundary elements up to their highest frequency, the march above it, both between."""
    waveguide = shaped("ellipse")
    monkeypatch.setattr(standing, "top_frequency", lambda *_: 1600.0)
    found = standing.standing_solver("screen")(waveguide, seen(1000.0, 1450.0, 3000.0), AIR)
    judged = whole_solver("screen")(waveguide, seen(1000.0, 1450.0), AIR)
    marched = march_solver("full")(waveguide, seen(1450.0, 3000.0), AIR)
    part = standing.share(np.array([1450.0]), 1600.0)[0]
    assert 0.2 < part < 0.8
    np.testing.assert_array_equal(found.pressure[0], judged.pressure[0])
    np.testing.assert_array_equal(found.pressure[2], marched.pressure[1])
    np.testing.assert_allclose(found.pressure[1], part * judged.pressure[1] + (1 - part) * marched.pressure[0])
    np.testing.assert_allclose(found.sound_power[1], part * judged.sound_power[1] + (1 - part) * marched.sound_power[0])
    assert found.error_estimate[0] == judged.error_estimate[0]
    assert found.error_estimate[2] >= standing.APART["screen"]
    assert "solved to 1600 Hz" in found.provenance["body"]


def test_how_far_up() -> None:
    """A body twice as large reaches half as far, at every setting; a mesh is never above the most nodes."""
    waveguide = shaped("ellipse")
    tops = [standing.top_frequency(waveguide, AIR, setting) for setting in ("estimate", "screen", "full")]
    assert tops == sorted(tops)
    twice = replace(
        waveguide,
        shape=Oblong(OblateSpheroidal(0.12, 43.5 * DEGREE, 0.024), OblateSpheroidal(0.12, 30 * DEGREE, 0.024)),
        driver=Driver(2 * Driver().exit_radius),
        mounting=Mounting(body=RolledShell(0.03, 0.18, 0.06, 0.02)),
    )
    assert 0.4 < standing.top_frequency(twice, AIR, "full") / tops[2] < 0.6  # steps of a quarter octave


def test_march_on_a_sphere() -> None:
    """A small source in free space at low frequency, the same near and far; and in front, in short waves, as in a
    baffle.
    """
    waveguide = shaped("ellipse")
    march = march_solver("screen")
    low = march(waveguide, seen(30.0), AIR)
    assert low.far_field_index[0] == pytest.approx(0.0, abs=0.02)  # dB: k a = 0.05
    assert not low.half_space
    assert "rigid sphere" in low.provenance["approximation"]
    near = march(waveguide, seen(2000.0, distance=40.0), AIR).pressure * 40.0
    far = march(waveguide, seen(2000.0), AIR).pressure
    loudest = np.abs(far).max()
    np.testing.assert_allclose(np.abs(near) / loudest, np.abs(far) / loudest, atol=5e-3)  # 40 m are 200 times the body
    with pytest.raises(ValueError, match="must keep every point outside"):
        march(waveguide, seen(2000.0, distance=0.1), AIR)
    high, baffled = (march(each, seen(16000.0), AIR) for each in (waveguide, replace(waveguide, mounting=Mounting())))
    front = seen(16000.0).off_axis < 40 * DEGREE
    apart = np.abs(high.pressure[:, :, front] / baffled.pressure[:, :, front])
    np.testing.assert_allclose(amplitude_db(apart), 0.0, atol=0.25)  # dB: k R = 22; seen 0.16
    # The index is the whole pattern's, summed on directions of its own.
    x, weight = np.polynomial.legendre.leggauss(40)
    rows = Observation(
        np.array([2000.0]), np.arccos(x)[::-1], (np.arange(12) + 0.5) * 15.0 * DEGREE, symmetry="two_planes"
    )
    square = np.mean(np.abs(march(waveguide, rows, AIR).pressure[0]) ** 2, axis=0) @ weight[::-1] / 2
    index = 10 * np.log10(np.abs(far[0, 0, 0]) ** 2 / square)
    assert march(waveguide, seen(2000.0), AIR).far_field_index[0] == pytest.approx(index, abs=1e-6)  # both exact
