"""Boundary elements in space against the series of a rigid sphere: met by plane waves, and with a moving cap."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from enclosures import (
    added,
    capped_sphere,
    directions,
    far_of,
    one_thread,  # noqa: F401
    plane_wave,
    sphere,
    turned,
    whole,
)
from evenflare import closed_forms
from evenflare.exterior import scattering
from evenflare.exterior.panels import meshed
from evenflare.exterior.scattering import ready
from evenflare.units import DEGREE

RADIUS = 0.1


@pytest.mark.parametrize(("size", "allowed"), [(0.5, 1e-4), (3.0, 1e-3), (6.0, 0.01)])
def test_plane_waves_from_anywhere(size: float, allowed: float) -> None:
    """All eight parts at once: waves off every mirror plane. Allowed: of the wave's own pressure; about three times
    what panels of an eighth of the circumference were seen to miss.

    Source: Morse & Ingard, Theoretical Acoustics (1968), section 8.2, with the Wronskian (from memory).
    """
    k = size / RADIUS
    body = ready(meshed(sphere(RADIUS), 0.08))
    slope, pressure = plane_wave(k, directions(3))
    q, _ = added(k, body, slope)
    surface = whole(body.mesh)
    found = q + pressure(surface.place, surface.normal)
    n = np.arange(40)
    hankel_slope = spherical_jn(n, size, True) - 1j * spherical_yn(n, size, True)
    cosine = surface.place @ directions(3).T / RADIUS
    legendre = eval_legendre(n, cosine[..., None])
    wanted = legendre @ ((2 * n + 1) * 1j**n * -1j / (size**2 * hankel_slope))
    np.testing.assert_allclose(found, wanted, atol=allowed)


@pytest.mark.parametrize("rotation", [(0.0, 0.0, 0.0), (0.7, -0.9, 0.4)], ids=["on_axis", "off_axis"])
@pytest.mark.parametrize("size", [0.5, 3.0])
def test_cap_on_a_sphere(size: float, rotation: tuple[float, float, float]) -> None:
    """Its pressure in sixty directions all round, by the series; without mirrors, turned out of every axis too."""
    k, half_angle = size / RADIUS, 40 * DEGREE
    matrix = Rotation.from_rotvec(rotation).as_matrix()
    mesh, cap = capped_sphere(RADIUS, half_angle, 0.07)
    mesh = turned(mesh, matrix)
    q, moved = added(k, ready(mesh), lambda *_: cap[:, None].astype(np.complex128))
    seen = directions(60)
    found = far_of(k, mesh, q, moved, seen)[:, 0]
    off_axis = np.arccos(np.clip(seen @ matrix[:, 2], -1.0, 1.0))
    area = 2 * np.pi * RADIUS**2 * (1 - np.cos(half_angle))
    pattern = closed_forms.cap_pattern([size], off_axis, half_angle=half_angle, motion="radial")[0]
    wanted = area / (4 * np.pi) * pattern
    # 0.1 % of the loudest direction, 0.01 dB: seen 0.04 %.
    np.testing.assert_allclose(found, wanted, atol=1e-3 * np.abs(wanted).max())


@pytest.mark.parametrize("most", [100, 4], ids=["few_steps", "too_few"])
def test_steps_and_factors_have_one_answer(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where steps do not come to an end factors are made all the same."""
    mesh, cap = capped_sphere(RADIUS, 40 * DEGREE, 0.07)
    body, motion = ready(mesh), lambda *_: cap[:, None].astype(np.complex128)
    monkeypatch.setattr(scattering, "NODES_EACH", mesh.size + 1)
    wanted, _ = added(30.0, body, motion)
    monkeypatch.setattr(scattering, "NODES_EACH", 1)
    monkeypatch.setattr(scattering, "MOST_STEPS", most)
    found, _ = added(30.0, body, motion)
    assert np.any(found != wanted) == (most > 4)  # steps were taken: they do not end at the same rounding
    np.testing.assert_allclose(found, wanted, atol=1e-11 * np.abs(wanted).max())  # ten times where steps end
