"""Points of a panel and polynomials over it, compiled: what the layers' integrals over near panels are made of."""

from __future__ import annotations

import math

import numpy as np

from evenflare.compiled import njit
from evenflare.radiation.panels import COEFFICIENTS, GRADE
from evenflare.units import FloatArray


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def barycentric(nodes: FloatArray) -> FloatArray:
    """Reciprocals of the products of differences: Lagrange polynomials' leading factors."""
    scale = np.ones(nodes.size)
    for i in range(nodes.size):
        for j in range(nodes.size):
            if i != j:
                scale[i] /= nodes[i] - nodes[j]
    return scale


@njit(cache=True, nogil=True, inline="always", fastmath=True)  # type: ignore[untyped-decorator]
def lagrange(u: float, n: int, nodes: FloatArray, scale: FloatArray) -> float:
    """At u the polynomial that is 1 at node n and 0 at the others."""
    value: float = scale[n]
    for m in range(nodes.size):
        if m != n:
            value *= u - nodes[m]
    return value


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def on_panel(shape: FloatArray, grade: int, u: float) -> tuple[float, float, float, float]:
    """z and r at u, and their slopes over u."""
    x, slope = u, 1.0
    if grade != 0:
        share = 0.5 * (1.0 + grade * u)
        x = grade * (2.0 * share**GRADE - 1.0)
        slope = GRADE * share ** (GRADE - 1)
    z, r, dz, dr = shape[0, COEFFICIENTS - 1], shape[1, COEFFICIENTS - 1], 0.0, 0.0
    for n in range(COEFFICIENTS - 2, -1, -1):
        dz, dr = dz * x + z, dr * x + r
        z, r = z * x + shape[0, n], r * x + shape[1, n]
    return z, r, dz * slope, dr * slope


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def between(shape: FloatArray, grade: int, u: float, offset: float) -> tuple[float, float]:
    """z and r at u + offset less those at u, to the digits of the offset: the polynomials' quotients of differences."""
    x, there, apart = u, u + offset, offset
    if grade != 0:
        share, other = 0.5 * (1.0 + grade * x), 0.5 * (1.0 + grade * there)
        x, there = grade * (2.0 * share**GRADE - 1.0), grade * (2.0 * other**GRADE - 1.0)
        powers = 0.0
        for n in range(GRADE):
            powers += share**n * other ** (GRADE - 1 - n)
        apart *= powers
    z, r = shape[0, COEFFICIENTS - 1], shape[1, COEFFICIENTS - 1]
    quotient_z, quotient_r = z, r
    for n in range(COEFFICIENTS - 2, 0, -1):
        z, r = z * x + shape[0, n], r * x + shape[1, n]
        quotient_z, quotient_r = quotient_z * there + z, quotient_r * there + r
    return apart * quotient_z, apart * quotient_r


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def nearest(z: float, r: float, shape: FloatArray) -> tuple[float, float, float]:
    """The panel's own parameter nearest the point, its distance, and the arc's speed there."""
    x, least = 0.0, 1e300  # not infinite: fast arithmetic may not compare with that
    for n in range(5):
        probe = 0.475 * (n - 2)  # no end, where a cusp may stop the parameter and the search with it
        near_z, near_r, _, _ = on_panel(shape, 0, probe)
        distance = (near_z - z) ** 2 + (near_r - r) ** 2
        if distance < least:
            x, least = probe, distance
    for _ in range(8):
        near_z, near_r, dz, dr = on_panel(shape, 0, x)
        speed2 = dz * dz + dr * dr
        if speed2 < 1e-30:
            break
        moved = min(1.0, max(-1.0, x - ((near_z - z) * dz + (near_r - r) * dr) / speed2))
        if abs(moved - x) < 1e-12:
            x = moved
            break
        x = moved
    near_z, near_r, dz, dr = on_panel(shape, 0, x)
    return x, math.hypot(near_z - z, near_r - r), math.hypot(dz, dr)


@njit(cache=True, nogil=True, fastmath=True)  # type: ignore[untyped-decorator]
def drawn(x: float, grade: int) -> float:
    """u at the panel's own parameter."""
    if grade == 0:
        return x
    share: float = max(0.0, 0.5 * (1.0 + grade * x)) ** (1.0 / GRADE)
    return grade * (2.0 * share - 1.0)
