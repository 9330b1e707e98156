"""The radial basis on a cap: Legendre polynomials in 2 eta^2 - 1, even in eta and orthonormal over eta d(eta)."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial import legendre

from evenflare.units import FloatArray, read_only


def radial_modes(count: int, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The first `count` modes and their derivatives by u = eta^2 at u (Q,), each (Q, count).

    sqrt(2 (2n + 1)) P_n(2u - 1), so that the integral of a product over u from 0 to 1, du/2, is 0 or 1.
    Source: the radial Zernike polynomials of azimuthal order 0 (Born & Wolf, Principles of Optics, 9.2).
    """
    x = 2.0 * u - 1.0
    scale = np.sqrt(2.0 * (2.0 * np.arange(count) + 1.0))
    values = legendre.legvander(x, count - 1)
    slopes = np.zeros_like(values)
    # P'_{n+1} = P'_{n-1} + (2n + 1) P_n
    for n in range(count - 1):
        slopes[:, n + 1] = (2 * n + 1) * values[:, n] + (slopes[:, n - 1] if n > 0 else 0.0)
    return values * scale, 2.0 * slopes * scale


@lru_cache(maxsize=64)
def radial_quadrature(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss nodes (count,) in u on [0, 1] and weights of du/2, which sum to 1/2."""
    x, w = legendre.leggauss(count)
    return read_only(0.5 * (x + 1.0)), read_only(0.25 * w)


@lru_cache(maxsize=64)
def tabulated_modes(count: int, points: int) -> tuple[FloatArray, FloatArray]:
    """`radial_modes` at the nodes of `radial_quadrature(points)`."""
    values, slopes = radial_modes(count, radial_quadrature(points)[0])
    return read_only(values), read_only(slopes)
