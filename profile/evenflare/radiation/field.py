"""Pressure and sound power outside the last cap, from the coefficients of its expansion."""

from __future__ import annotations

import numpy as np
from numpy.polynomial.legendre import legvander
from scipy.special import spherical_jn, spherical_yn

from evenflare.air import Air
from evenflare.directivity import Observation
from evenflare.radiation.termination import Radiation
from evenflare.units import ComplexArray, FloatArray


def pressure(
    outgoing: ComplexArray, wavenumber: FloatArray, *, radiation: Radiation, observation: Observation
) -> ComplexArray:
    """(F, A) at the observation's angles, Pa at its distance, or Pa m in the far field.

    outgoing : (F, D), of h_n(kr) P_n(cos t) about the expansion's centre; wavenumber (F,) rad/m.
    Far field: h_n(kr) -> j^(n+1) exp(-j k r)/(k r); the reference point's offset d along the axis from the centre
    is the phase exp(j k d cos t), where d = centre - reference.
    Errors   : ValueError if a point lies inside the smallest sphere about the mouth.
    """
    offset = radiation.centre_z - observation.reference_z
    cosine = np.cos(observation.off_axis)
    degree = radiation.degrees.astype(np.int64)
    if observation.far_field:
        angular = legvander(cosine, int(degree[-1]))[:, degree]
        far = outgoing * (1j ** (degree + 1)) / wavenumber[:, None]
        result = (far @ angular.T) * np.exp(1j * wavenumber[:, None] * offset * cosine)
        behind = cosine < -1e-9
    else:
        r = observation.distance
        distance = np.sqrt(r * r + offset * offset - 2 * r * offset * cosine)
        cosine_there = np.clip((r * cosine - offset) / distance, -1.0, 1.0)
        behind = cosine_there < -1e-9
        if radiation.share == 1.0:
            behind = np.zeros_like(behind)
        if distance[~behind].min(initial=np.inf) < radiation.radius:
            raise ValueError(
                f"distance_m = {r:g}: must keep every point outside the sphere of {radiation.radius:.3g} m about the"
                " mouth. Raise it, or leave it out for the far field"
            )
        angular = legvander(cosine_there, int(degree[-1]))[:, degree]
        result = np.zeros((wavenumber.size, cosine.size), dtype=np.complex128)
        for i in np.flatnonzero(~behind):
            kr = wavenumber[:, None] * distance[i]
            result[:, i] = np.sum(outgoing * _hankel_at(degree, kr) * angular[i], axis=1)
    if radiation.share < 1.0:
        result[:, behind] = 0.0
    return np.asarray(result)


def _hankel_at(degree: FloatArray, kr: FloatArray) -> ComplexArray:
    return np.asarray(spherical_jn(degree, kr) - 1j * spherical_yn(degree, kr))


def sound_power(outgoing: ComplexArray, wavenumber: FloatArray, *, radiation: Radiation, air: Air) -> FloatArray:
    """(F,) W from rms coefficients: the terms are orthogonal over the sphere, or over the half in a baffle.

    4 pi share / (rho c k^2) sum |c_n|^2 / (2n + 1). Source: Morse & Ingard (1968), section 7.2 (from memory).
    """
    terms = np.abs(outgoing) ** 2 / (2 * radiation.degrees + 1)
    return np.asarray(4 * np.pi * radiation.share / (air.impedance * wavenumber**2) * terms.sum(axis=1))
