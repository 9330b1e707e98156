"""Pressure and sound power outside the last cap, from the coefficients of its expansion."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.polynomial.legendre import legvander
from scipy.special import spherical_jn, spherical_yn

from evenflare.air import Air
from evenflare.directivity import Observation
from evenflare.radiation.termination import End
from evenflare.units import ComplexArray, FloatArray, IntArray, power_db, read_only


def pressure(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End, observation: Observation) -> ComplexArray:
    """(F, A) at the observation's angles, Pa at its distance, or Pa m in the far field.

    outgoing : (F, D), of h_n(kr) P_n(cos t) about the end's centre, n = 0, spacing, 2 spacing, ...
    Far field: h_n(kr) -> j^(n+1) exp(-j k r)/(k r); the reference point's offset d along the axis from the centre
    is the phase exp(j k d cos t), where d = centre - reference.
    Errors   : ValueError if a point lies inside the smallest sphere about the mouth.
    """
    offset = end.centre_z - observation.reference_z
    cosine = np.cos(observation.off_axis)
    degree = end.spacing * np.arange(outgoing.shape[1])
    in_baffle = end.spacing == 2
    if observation.far_field:
        behind = (cosine < -1e-9) & in_baffle
        far = outgoing * (1j ** (degree + 1)) / wavenumber[:, None]
        angular = _angular(observation.off_axis.tobytes(), int(degree[-1]))[:, degree]
        result = (far @ angular.T) * np.exp(1j * wavenumber[:, None] * offset * cosine)
    else:
        r = observation.distance
        distance = np.sqrt(r * r + offset * offset - 2 * r * offset * cosine)
        cosine_there = np.clip((r * cosine - offset) / distance, -1.0, 1.0)
        behind = (cosine_there < -1e-9) & in_baffle
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
        angular = np.asarray(legvander(cosine_there, int(degree[-1]))[:, degree], dtype=np.float64)
        result = np.zeros((wavenumber.size, cosine.size), dtype=np.complex128)
        for i in np.flatnonzero(~behind):
            kr = wavenumber[:, None] * distance[i]
            result[:, i] = np.sum(outgoing * hankel(degree, kr) * angular[i], axis=1)
    result[:, behind] = 0.0
    return np.asarray(result)


@lru_cache(maxsize=8)
def _angular(off_axis: bytes, degree: int) -> FloatArray:
    """(A, degree + 1) Legendre polynomials at the angles (A,), kept because a search asks for the same ones again."""
    return read_only(legvander(np.cos(np.frombuffer(off_axis)), degree))


def hankel(degree: IntArray, x: FloatArray) -> ComplexArray:
    """Spherical Hankel function of the second kind, h_n(x) = j_n(x) - j y_n(x)."""
    return np.asarray(spherical_jn(degree, x) - 1j * spherical_yn(degree, x))


def sound_power(outgoing: ComplexArray, wavenumber: FloatArray, *, end: End, air: Air) -> FloatArray:
    """(F,) W from rms coefficients: the terms are orthogonal over the sphere, or over the half in a baffle.

    4 pi share / (rho c k^2) sum |c_n|^2 / (2n + 1), share 1 or 1/2.
    Source: Morse & Ingard (1968), section 7.2 (from memory).
    """
    return np.asarray(4 * np.pi / end.spacing / (air.impedance * wavenumber**2) * _sum_of_squares(outgoing, end))


def far_field_index(outgoing: ComplexArray, *, end: End) -> FloatArray:
    """(F,) dB: the directivity index on axis, |sum c_n j^n|^2 / (share sum |c_n|^2 / (2n + 1)), share 1 or 1/2."""
    on_axis = outgoing @ (1j ** (end.spacing * np.arange(outgoing.shape[1])))
    return power_db(np.abs(on_axis) ** 2 * end.spacing / _sum_of_squares(outgoing, end))


def _sum_of_squares(outgoing: ComplexArray, end: End) -> FloatArray:
    degree = end.spacing * np.arange(outgoing.shape[1])
    return np.asarray(np.sum(np.abs(outgoing) ** 2 / (2 * degree + 1), axis=1))
