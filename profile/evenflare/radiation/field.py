"""Pressure and sound power outside the last cap, from the coefficients of its expansion."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from evenflare.air import Air
from evenflare.compiled import njit
from evenflare.directivity.types import Observation
from evenflare.exterior.waves import associated
from evenflare.radiation.in_cabinet import InCabinet
from evenflare.radiation.on_sphere import OnSphere
from evenflare.radiation.termination import End
from evenflare.units import ComplexArray, FloatArray, IntArray, power_db, read_only


def pressure(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End, observation: Observation) -> ComplexArray:
    """(F, P, A) at the observation's planes and angles, Pa at its distance, or Pa m in the far field.

    outgoing : (F, D), of the waves of the end about its centre.
    Far field: h_n(kr) -> j^(n+1) exp(-j k r)/(k r); the reference point's offset d along the axis from the centre
    is the phase exp(j k d cos t), where d = centre - reference.
    Errors   : ValueError if a point lies inside the smallest sphere about the mouth.
    """
    if isinstance(end, InCabinet):
        result, rest = end.pressure(outgoing, wavenumber, observation), 1.0 - end.share(wavenumber)
        rows = np.flatnonzero(rest > 0.0)
        if rows.size:
            bare = pressure(outgoing[rows], wavenumber[rows], end=end.bare, observation=observation)
            result[rows] += rest[rows, None, None] * bare
        return result
    offset = end.centre_z - observation.reference_z
    cosine = np.cos(observation.off_axis)
    degree, order = end.waves(outgoing.shape[1])
    if observation.far_field:
        behind = (cosine < -1e-9) & end.half_space
        far = outgoing * (1j ** (degree + 1)) / wavenumber[:, None]
        angular = _angular(cosine.tobytes(), degree.tobytes(), np.abs(order).tobytes())
        result = np.stack([far @ plane.T for plane in _turned(angular, order, observation)], axis=1)
        result *= np.exp(1j * wavenumber[:, None] * offset * cosine)[:, None, :]
    else:
        r = observation.distance
        distance = np.sqrt(r * r + offset * offset - 2 * r * offset * cosine)
        cosine_there = np.clip((r * cosine - offset) / distance, -1.0, 1.0)
        behind = (cosine_there < -1e-9) & end.half_space
        if np.any(behind & (cosine > 1.0 - 1e-12)):
            raise ValueError(
                f"distance_m = {r:g}: the point on axis lies behind the baffle."
                " Raise it, or move reference_z_mm forward"
            )
        if distance[~behind].min(initial=np.inf) < end.radius:
            raise ValueError(
                f"distance_m = {r:g}: must keep every point outside the sphere of {end.radius:.3g} m about the"
                " mouth. Raise it, or leave it out for the far field"
            )
        angular = _angular(cosine_there.tobytes(), degree.tobytes(), np.abs(order).tobytes())
        turned = np.stack(_turned(angular, order, observation), axis=1)
        result = np.zeros((wavenumber.size, observation.plane.size, cosine.size), dtype=np.complex128)
        result[:, :, ~behind] = _waves_at(outgoing, degree, wavenumber[:, None] * distance[~behind], turned[~behind])
    result[:, :, behind] = 0.0
    if isinstance(end, OnSphere):
        result *= end.share(wavenumber, observation)[:, None, :]
    return np.asarray(result)


def _turned(angular: FloatArray, order: IntArray, observation: Observation) -> list[FloatArray]:
    """For each plane the waves (A, D) at its angles; a negative angle lies across the axis, where odd orders turn."""
    across = np.where((observation.off_axis[:, None] < 0.0) & (order % 2 == 1), -1.0, 1.0)
    weight = np.where(order != 0, np.sqrt(2.0), 1.0) * across
    turn = np.where(order < 0, 0.5 * np.pi, 0.0)  # cos(x - pi / 2) = sin(x)
    return [angular * (weight * np.cos(np.abs(order) * azimuth - turn)) for azimuth in observation.plane]


@lru_cache(maxsize=8)
def _angular(cosine: bytes, degree: bytes, order: bytes) -> FloatArray:
    """(A, D) polar parts of waves (D,) at cosines (A,), kept because a search asks for the same ones again."""
    x, n, m = np.frombuffer(cosine), np.frombuffer(degree, dtype=np.int64), np.frombuffer(order, dtype=np.int64)
    result = np.zeros((x.size, n.size))
    for each in np.unique(m):
        mine = m == each
        result[:, mine] = associated(x, int(each), int(n.max()))[:, n[mine]]
    return read_only(result)


@njit(cache=True)
def _waves_at(outgoing, degree, x, angular):  # type: ignore[no-untyped-def]
    """(F, P, A) sums of outgoing (F, D) times h_n(x) of the second kind times angular (A, P, D), at x (F, A).

    The recurrence upward is stable for h: what it loses is the part in phase, where that is no part of h to speak of.
    """
    angles, planes, _ = angular.shape
    result = np.zeros((len(x), planes, angles), dtype=np.complex128)
    h = np.empty(degree.max() + 1, dtype=np.complex128)
    for f in range(len(x)):
        # What a band of lower frequencies leaves out would be too large for its waves' number.
        waves = outgoing.shape[1]
        while waves > 0 and outgoing[f, waves - 1] == 0.0:
            waves -= 1
        top = degree[:waves].max() if waves > 0 else 0
        for a in range(angles):
            before = np.exp(-1j * x[f, a]) / x[f, a]  # of degree -1
            h[0] = 1j * before
            for n in range(1, top + 1):
                h[n] = (2 * n - 1) / x[f, a] * h[n - 1] - (h[n - 2] if n > 1 else before)
            for p in range(planes):
                total = 0.0j
                for d in range(waves):
                    total += outgoing[f, d] * h[degree[d]] * angular[a, p, d]
                result[f, p, a] = total
    return result


def sound_power(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End, air: Air) -> FloatArray:
    """(F,) W from rms coefficients: the terms are orthogonal over the sphere, or over the half in a baffle.

    4 pi share / (rho c k^2) sum |c_n|^2 / (2n + 1), share 1 or 1/2.
    Source: Morse & Ingard (1968), section 7.2 (from memory).
    """
    return np.asarray(4 * np.pi / (air.impedance * wavenumber**2) * _mean_square(outgoing, wavenumber, end))


def far_on_axis(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End) -> ComplexArray:
    """(F,) the pressure on axis in the far field, to a factor: sum c_n j^n. Only waves of order 0 reach the axis."""
    if isinstance(end, InCabinet):
        found, rest = end.on_axis(outgoing, wavenumber), 1.0 - end.share(wavenumber)
        return found + rest * far_on_axis(outgoing, wavenumber, end=end.bare)
    if isinstance(end, OnSphere):
        observation = Observation(wavenumber, np.zeros(1), reference_z=end.centre_z)
        return np.asarray(pressure(outgoing, wavenumber, end=end, observation=observation)[:, 0, 0] * wavenumber / 1j)
    degree, order = end.waves(outgoing.shape[1])
    return np.asarray((outgoing * (order == 0)) @ (1j**degree))


def far_field_index(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End) -> FloatArray:
    """(F,) dB: the directivity index on axis, |sum c_n j^n|^2 / (share sum |c_n|^2 / (2n + 1)), share 1 or 1/2."""
    on_axis = far_on_axis(outgoing, wavenumber, end=end)
    return power_db(np.abs(on_axis) ** 2 / _mean_square(outgoing, wavenumber, end))


def on_axis_index(on_axis: ComplexArray, power: FloatArray, wavenumber: FloatArray, *, air: Air) -> FloatArray:
    """As far_field_index, from `far_on_axis` and `sound_power` (F,) that are known; nan where that is not above 0, as
    a coarse solution's may be.
    """
    known = np.where(power > 0.0, power, np.nan)
    return power_db(4 * np.pi * np.abs(on_axis) ** 2 / (air.impedance * wavenumber**2 * known))


def overlap(one: ComplexArray, other: ComplexArray, *, ends: tuple[End, End]) -> ComplexArray:
    """(F,) the mean over all directions of conj(one) times other, from their waves (F, D) and the ends of these."""
    known = [np.array(end.waves(each.shape[1])) for end, each in zip(ends, (one, other), strict=True)]
    many = 1 + 2 * max(int(np.abs(waves[1]).max()) for waves in known)
    _, i, j = np.intersect1d(*(waves[0] * many + waves[1] for waves in known), return_indices=True)
    return np.asarray(np.sum(np.conj(one[:, i]) * other[:, j] / (2 * known[0][0][i] + 1), axis=1))


def _mean_square(outgoing: ComplexArray, wavenumber: FloatArray, end: End) -> FloatArray:
    if isinstance(end, InCabinet | OnSphere):
        return end.mean_square(outgoing, wavenumber)
    degree, _ = end.waves(outgoing.shape[1])
    return np.asarray((0.5 if end.half_space else 1.0) * np.sum(np.abs(outgoing) ** 2 / (2 * degree + 1), axis=1))
