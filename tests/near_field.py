"""Sound at a finite distance, known in closed form or by quadrature that shares nothing with the product's solvers."""

from __future__ import annotations

import numpy as np
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from evenflare.air import Air
from evenflare.directivity.types import Directivity, Observation

AIR = Air()


def cap_near(seen: Observation, *, radius: float, half_angle: float, air: Air = AIR, degrees: int = 90) -> Directivity:
    """An axially moving cap on a rigid sphere, seen from a finite distance about the cap's pole.

    Sum over U_n P_n h_n(kr) / h_n'(kR) (Beranek and Mellow, 12.6), r and angle about the sphere's centre, which lies
    `radius` behind the reference point. Pa for 1 m/s, up to a constant phase.
    """
    distance = seen.distance
    along, across = distance * np.cos(seen.off_axis) + radius, distance * np.sin(seen.off_axis)
    path, cosine = np.hypot(along, across), along / np.hypot(along, across)
    k = 2.0 * np.pi * seen.frequency / air.speed_of_sound
    edge = np.cos(half_angle)
    found = np.zeros((k.size, seen.off_axis.size), dtype=complex)
    node, weight = np.polynomial.legendre.leggauss(400)
    at = 0.5 * (1.0 - edge) * node + 0.5 * (1.0 + edge)
    for n in range(degrees):
        amount = (n + 0.5) * 0.5 * (1.0 - edge) * np.sum(weight * at * eval_legendre(n, at))
        slope = spherical_jn(n, k * radius, True) - 1j * spherical_yn(n, k * radius, True)
        size = np.outer(k, path)
        with np.errstate(all="ignore"):
            part = amount * (spherical_jn(n, size) - 1j * spherical_yn(n, size)) / slope[:, None]
        found += np.where(np.isfinite(part), part, 0.0) * eval_legendre(n, cosine)
    pressure = np.repeat(found[:, None, :], seen.plane.size, axis=1)
    return Directivity(seen, pressure, np.ones(k.size, dtype=bool), air.density, air.speed_of_sound)


def piston_near(
    seen: Observation, *, half_width: float, half_height: float, air: Air = AIR, rings: int = 24, turns: int = 96
) -> Directivity:
    """A flat elliptical piston in a baffle, seen from a finite distance about its centre: Rayleigh's integral.

    The mean of exp(-j k R) / R over the aperture; Gauss by radius, even by turn: both converge exponentially.
    """
    node, share = np.polynomial.legendre.leggauss(rings)
    radius, turn = 0.5 * (node + 1.0), np.arange(turns) * 2.0 * np.pi / turns
    x, y = half_width * np.outer(radius, np.cos(turn)).ravel(), half_height * np.outer(radius, np.sin(turn)).ravel()
    weight = np.repeat(share * radius, turns) / turns
    k = 2.0 * np.pi * seen.frequency / air.speed_of_sound
    found = np.zeros(seen.shape, dtype=complex)
    for p, plane in enumerate(seen.plane):
        for a, angle in enumerate(seen.off_axis):
            if abs(angle) > 0.5 * np.pi + 1e-9:
                continue
            away = seen.distance * np.sin(angle)
            height = seen.distance * np.cos(angle)
            path = np.sqrt((away * np.cos(plane) - x) ** 2 + (away * np.sin(plane) - y) ** 2 + height**2)
            found[:, p, a] = np.exp(-1j * np.outer(k, path)) / path @ weight
    return Directivity(seen, found, np.ones(k.size, dtype=bool), air.density, air.speed_of_sound, half_space=True)
