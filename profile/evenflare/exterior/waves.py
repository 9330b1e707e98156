"""Spherical waves about any centre, with their gradients: h_n(kr) or j_n(kr) times P_nm(cos t) and cos or sin(m a).

P_nm is scaled to the mean square of P_n, and m > 0 carries sqrt(2), so that all waves of one n have the same mean
square over the sphere, 1 / (2n + 1). Hankel functions are of the second kind: outgoing with exp(+j w t).
Source: Abramowitz & Stegun (1964), 8.5.3, 8.5.4 and 10.1.19 to 10.1.21, scaled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import spherical_jn, spherical_yn

from evenflare.compiled import njit
from evenflare.units import ComplexArray, FloatArray, IntArray, read_only


@dataclass(frozen=True)
class Waves:
    """A list of waves (W,). order m is signed: cos(m a) from 0 up, sin(|m| a) below."""

    degree: IntArray
    order: IntArray

    @property
    def size(self) -> int:
        """W."""
        return self.degree.size

    def parity(self, axis: int) -> IntArray:
        """(W,) 0 where a wave is even about the plane through its centre across an axis (0 x, 1 y, 2 z), else 1."""
        m, sine = np.abs(self.order), self.order < 0
        if axis == 2:
            return (self.degree + m) % 2
        return (m + sine) % 2 if axis == 0 else sine.astype(np.int64)

    def of(self, keep: IntArray) -> Waves:
        """Some of them, by index or mask."""
        return Waves(read_only(self.degree[keep], np.int64), read_only(self.order[keep], np.int64))


def all_waves(top: int) -> Waves:
    """Every wave up to degree `top`, degree by degree."""
    found = [(n, m) for n in range(top + 1) for m in range(-n, n + 1)]
    degree, order = np.array(found, dtype=np.int64).T
    return Waves(read_only(degree, np.int64), read_only(order, np.int64))


def mouth_waves(top: int, *, is_round: bool) -> Waves:
    """What a mouth in a baffle sends out: of a round one n even and m = 0; of an oblong one m even too, as cosines."""
    found = [(n, m) for n in range(0, top + 1, 2) for m in range(0, (0 if is_round else n) + 1, 2)]
    degree, order = np.array(found, dtype=np.int64).T
    return Waves(read_only(degree, np.int64), read_only(order, np.int64))


def associated(x: FloatArray, order: int, degree: int) -> FloatArray:
    """(Q, degree + 1) associated Legendre functions of an order at x (Q,), of P_n's mean square; 0 below it.

    Source: the recurrence of fully normalised functions (Abramowitz & Stegun 1964, 8.5.3, scaled).
    """
    return _associated(np.ascontiguousarray(x), order, degree)  # type: ignore[no-any-return]


@njit(cache=True, nogil=True)
def _associated(x, order, degree):  # type: ignore[no-untyped-def]
    """As `associated`, point after point: hundreds of degrees of few points."""
    result = np.zeros((x.size, degree + 1))
    if order > degree:
        return result
    now, before = np.ones(x.size), np.zeros(x.size)
    # Of unit mean square, up from the first.
    for m in range(1, order + 1):
        now *= np.sqrt((2 * m + 1) / (2 * m)) * np.sqrt(1.0 - x * x)
    for n in range(order, degree + 1):
        size = np.sqrt(2.0 * n + 1.0)
        up = np.sqrt((4.0 * (n + 1) ** 2 - 1) / ((n + 1) ** 2 - order**2))
        down = np.sqrt((n * n - order**2) / (4.0 * n * n - 1)) if n > 0 else 0.0
        for q in range(x.size):
            result[q, n] = now[q] / size
            before[q], now[q] = now[q], up * (x[q] * now[q] - down * before[q])
    return result


def polar(x: FloatArray, top: int, m: int) -> tuple[FloatArray, FloatArray]:
    """P_nm(x) and sin(t) dP_nm/dt, (Q, top + 1) each, at x = cos t (Q,)."""
    value = associated(x, m, top)
    degree = np.arange(top + 1)
    lower = np.concatenate([np.zeros((x.size, 1)), value[:, :-1]], axis=1)
    slope = degree * x[:, None] * value - np.sqrt(np.maximum(degree * degree - m * m, 0.0)) * lower
    return value, slope


def radial(x: FloatArray, top: int, *, outgoing: bool) -> tuple[ComplexArray, ComplexArray]:
    """h_n(x) (or j_n(x)) and its derivative, (Q, top + 1) each, by the degree below."""
    n, x = np.arange(max(top, 1) + 1), np.asarray(x)[:, None]
    value = spherical_jn(n, x).astype(np.complex128)
    if outgoing:
        value -= 1j * spherical_yn(n, x)
    slope = np.empty_like(value)
    slope[:, 0] = -value[:, 1]
    slope[:, 1:] = value[:, :-1] - (n[1:] + 1) / x * value[:, 1:]
    return value[:, : top + 1], slope[:, : top + 1]


def waves_at(
    k: float, place: FloatArray, normal: FloatArray, waves: Waves, *, outgoing: bool
) -> tuple[ComplexArray, ComplexArray]:
    """The waves about the origin and their derivatives along `normal`, (Q, W) each, at places (Q, 3), m."""
    r = np.linalg.norm(place, axis=1)
    top = int(waves.degree.max())
    value_r, slope_r = radial(k * r, top, outgoing=outgoing)
    x = place[:, 2] / r
    azimuth = np.arctan2(place[:, 1], place[:, 0])
    across = np.maximum(np.hypot(place[:, 0], place[:, 1]), 1e-12 * r)
    to_r = np.sum(place * normal, axis=1) / r
    # Unit vectors of t and of the azimuth, along the normal.
    radial_part = (place[:, 0] * normal[:, 0] + place[:, 1] * normal[:, 1]) / across
    to_t = radial_part * x - normal[:, 2] * across / r
    to_a = (place[:, 0] * normal[:, 1] - place[:, 1] * normal[:, 0]) / across
    value = np.empty((len(place), waves.size), dtype=np.complex128)
    slope = np.empty((len(place), waves.size), dtype=np.complex128)
    for m in np.unique(np.abs(waves.order)):
        p, p_t = polar(x, top, int(m))
        p_t = p_t * (r / across)[:, None]
        for sine in (False, True):
            mine = np.flatnonzero((np.abs(waves.order) == m) & ((waves.order < 0) == sine))
            if not mine.size:
                continue
            n = waves.degree[mine]
            scale = np.sqrt(2.0) if m > 0 else 1.0
            turn = (np.sin if sine else np.cos)(m * azimuth)[:, None] * scale
            turned = (np.cos(m * azimuth) if sine else -np.sin(m * azimuth))[:, None] * scale * m
            h, h_r = value_r[:, n], slope_r[:, n]
            value[:, mine] = h * p[:, n] * turn
            slope[:, mine] = (
                k * h_r * p[:, n] * turn * to_r[:, None]
                + h / r[:, None] * p_t[:, n] * turn * to_t[:, None]
                + h * p[:, n] * turned * (to_a / across)[:, None]
            )
    return value, slope


def angular(direction: FloatArray, waves: Waves) -> FloatArray:
    """The waves' share of direction, (Q, W), at unit vectors (Q, 3)."""
    azimuth = np.arctan2(direction[:, 1], direction[:, 0])
    top = int(waves.degree.max())
    value = np.empty((len(direction), waves.size))
    for m in np.unique(np.abs(waves.order)):
        p, _ = polar(direction[:, 2], top, int(m))
        for sine in (False, True):
            mine = np.flatnonzero((np.abs(waves.order) == m) & ((waves.order < 0) == sine))
            scale = np.sqrt(2.0) if m > 0 else 1.0
            value[:, mine] = p[:, waves.degree[mine]] * ((np.sin if sine else np.cos)(m * azimuth) * scale)[:, None]
    return value


def moved(k: float, waves: Waves, offset: FloatArray, onto: Waves, *, turn: FloatArray | None = None) -> ComplexArray:
    """(L, W) outgoing waves about a centre at `offset` (3,), m, as outgoing waves `onto` about the origin.

    turn : (3, 3) the axes of the waves, in those of the others; left out, they are the same.

    By their far fields, j^(n+1) times the angular part and exp(j k d . offset), on a grid that integrates products of
    both exactly: Gauss in cos t, evenly in azimuth. Holds beyond the distance of the centres.
    """
    top = int(onto.degree.max())
    nodes, weights = np.polynomial.legendre.leggauss(top + int(waves.degree.max()) + 2)
    azimuth = 2 * np.pi * np.arange(2 * nodes.size) / (2 * nodes.size)
    result = np.zeros((onto.size, waves.size), dtype=np.complex128)
    sine = np.sqrt(1.0 - nodes * nodes)
    rows = {m: np.flatnonzero(onto.order == m) for m in np.unique(onto.order)}
    polars = {m: polar(nodes, top, int(m))[0] for m in np.unique(np.abs(onto.order))}
    spread = np.stack(
        [(np.sin(-m * azimuth) if m < 0 else np.cos(m * azimuth)) * (np.sqrt(2.0) if m else 1.0) for m in rows]
    )
    for i, (x, s) in enumerate(zip(nodes, sine, strict=True)):
        direction = np.stack([s * np.cos(azimuth), s * np.sin(azimuth), np.full_like(azimuth, x)], axis=1)
        own = direction if turn is None else direction @ turn.T
        far = angular(own, waves) * np.exp(1j * k * direction @ offset)[:, None]
        around = (spread @ far) / azimuth.size
        for row, (m, mine) in enumerate(rows.items()):
            result[mine] += 0.5 * weights[i] * polars[abs(m)][i, onto.degree[mine]][:, None] * around[row]
    phase = 1j ** (waves.degree[None, :] - onto.degree[:, None])
    return np.asarray(result * (2 * onto.degree + 1)[:, None] * phase)
