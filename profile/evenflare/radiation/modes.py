"""The basis on a cap: Zernike polynomials, of one azimuthal order m for a round waveguide, of many for an oblong one.

A mode of order m is its radial function times cos(m psi), and times sqrt(2) where m is above 0.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial import legendre
from scipy.special import eval_jacobi

from evenflare.units import FloatArray, IntArray, read_only


@lru_cache(maxsize=64)
def radial_quadrature(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss nodes (count,) in u on [0, 1] and weights of du/2, which sum to 1/2."""
    x, w = legendre.leggauss(count)
    return read_only(0.5 * (x + 1.0)), read_only(0.25 * w)


@lru_cache(maxsize=64)
def tabulated_modes(count: int, points: int, order: int) -> tuple[FloatArray, FloatArray]:
    """`zernike` of one order at the nodes of `radial_quadrature(points)`: (points, count) each."""
    values, slopes = zernike(order, count, radial_quadrature(points)[0])
    return read_only(values), read_only(slopes)


def orders_and_degrees(azimuth_cost: float, cost: float, odd: int) -> tuple[IntArray, IntArray, FloatArray]:
    """The modes of an oblong waveguide up to a cost: their azimuthal orders m and radial degrees j, and their costs.

    A mode cos(m psi) of radial degree j, m even, or odd if `odd` is 1, costs j + azimuth_cost m. They come in rising
    order of cost, so that a smaller basis is the beginning of a larger one.
    """
    found = [
        (j + azimuth_cost * m, m, j)
        for m in range(odd, int(cost / azimuth_cost) + 2, 2)
        for j in range(max(0, int(cost - azimuth_cost * m) + 2))
        if j + azimuth_cost * m <= cost + 1e-9
    ]
    found.sort()
    costs, orders, degrees = zip(*found, strict=True)
    return np.array(orders, dtype=np.int64), np.array(degrees, dtype=np.int64), np.array(costs)


def zernike(order: int, count: int, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The first `count` radial functions that go with cos(order psi), and their derivatives by eta, at u = eta^2 (Q,).

    sqrt(2 (2j + m + 1)) eta^m P_j^(0, m)(2u - 1), each (Q, count): orthonormal over du/2, and smooth on the axis.
    Source: Born & Wolf, Principles of Optics, 9.2; derivative of a Jacobi polynomial: DLMF 18.9.15.
    """
    x, j, m = 2.0 * u[:, None] - 1.0, np.arange(count), float(order)
    scale = np.sqrt(2.0 * (2.0 * j + m + 1.0))
    polynomial = eval_jacobi(j, 0.0, m, x)
    slope = 0.5 * (j + m + 1.0) * eval_jacobi(np.maximum(j - 1, 0), 1.0, m + 1.0, x) * (j > 0)
    eta = np.sqrt(u)[:, None]
    values = scale * eta**m * polynomial
    slopes = scale * eta ** (m + 1.0) * 4.0 * slope
    if order > 0:
        slopes += scale * m * eta ** (m - 1.0) * polynomial
    return values, slopes


@lru_cache(maxsize=32)
def tabulated_zernike(orders: int, count: int, points: int, odd: int) -> tuple[FloatArray, FloatArray]:
    """`zernike` of the orders 0, 2, ..., or 1, 3, ... if `odd` is 1 (`orders` of them), at `radial_quadrature(points)`:
    (orders, count, points).
    """
    u = radial_quadrature(points)[0]
    tables = [zernike(odd + 2 * i, count, u) for i in range(orders)]
    return read_only(np.array([values.T for values, _ in tables])), read_only(np.array([each.T for _, each in tables]))
