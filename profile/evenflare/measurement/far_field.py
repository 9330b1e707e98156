"""From a finite distance to the far field, by waves that spread from the point about which it was measured."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import lpmv, spherical_jn, spherical_yn

from evenflare.directivity.types import Directivity
from evenflare.metrics import SAME_ANGLE, directivity_index, sphere_weights
from evenflare.units import ComplexArray, FloatArray

DEGREES = 0.85
"""Of the degrees that the step of angle could tell at most, that are fitted."""
FEWER = 0.7
"""Of those, with which the result is told again for its error."""
POOR = 0.15
"""Share of the pressure that the waves may leave unexplained; a frequency with more has no far field here."""

POOR_DB = 0.5
"""dB of the error, likewise."""


@dataclass(frozen=True)
class FarField:
    """What would be heard far away.

    directivity : the same directions at infinite distance; valid where the waves explain what was heard.
    error       : (F,) dB, standard uncertainty that this adds to the index.
    """

    directivity: Directivity
    error: FloatArray


def far_field(directivity: Directivity) -> FarField | None:
    """A measured directivity in the far field; None where the angles do not go all round.

    In each plane the pressure at the distance is a sum over spherical waves h_n(kr) P_n^m(cos) of azimuthal orders 0
    to 2, which is what two planes tell; each is carried outward by itself. Outward the higher ones only fade, so that
    noise does not grow. In half space both sides of the baffle are alike. ValueError if it is of the far field already.
    Source: E. G. Williams (1999), Fourier Acoustics, chapter 6 (from memory).
    """
    seen = directivity.observation
    if seen.far_field:
        raise ValueError("is of the far field already")
    try:
        sphere_weights(seen, half_space=directivity.half_space)
    except ValueError:
        return None
    if seen.plane.size > 2:
        return None
    step = float(np.max(np.diff(_outward(directivity)[0])))
    most = int(DEGREES * np.pi / step)
    if most < 4:
        return None
    whole, missed = _carried(directivity, most)
    fewer, _ = _carried(directivity, max(int(FEWER * most), 3))
    valid = directivity.valid & (missed < POOR)
    far = replace(
        directivity,
        observation=replace(seen, distance=float("inf")),
        pressure=whole,
        valid=valid,
        error_estimate=None,
        far_field_index=None,
    )
    other = replace(far, pressure=fewer)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.hypot(directivity_index(far) - directivity_index(other), 20.0 / np.log(10.0) * missed**2)
    return FarField(replace(far, valid=valid & (error < POOR_DB)), np.asarray(error))


def _carried(directivity: Directivity, most: int) -> tuple[ComplexArray, FloatArray]:
    """Far pressure (F, P, A), Pa m, from waves up to a degree, and the share (F,) of the pressure they leave."""
    size = directivity.wavenumber * directivity.observation.distance
    outward, sides = _outward(directivity)
    degree = list(range(most + 1))
    far = np.stack([_far_factor(n, size) for n in degree], axis=1) / directivity.wavenumber[:, None]
    here = directivity.observation.distance * np.exp(1j * size)
    even = [0.5 * (plus + minus) for plus, minus in sides]
    odd = [0.5 * (plus - minus) for plus, minus in sides]
    parts = [(0, even[0])] if len(sides) == 1 else [(0, 0.5 * (even[0] + even[1])), (2, 0.5 * (even[0] - even[1]))]
    ring = np.sqrt(np.sin(outward) + 0.5 * np.sin(0.5 * outward[1]))
    carried, left, whole = [], np.zeros(size.size), np.zeros(size.size)
    for order, heard in [*parts, *((1, each) for each in odd)]:
        kept = [n for n in degree if n >= order and not (directivity.half_space and (n + order) % 2)]
        table = np.stack([lpmv(order, n, np.cos(outward)) / _scale(order, n) for n in kept], axis=1)
        amount = heard @ (np.linalg.pinv(table * ring[:, None]) * ring).T
        # What the waves leave, noise and beams too narrow for them, goes on as it is.
        carried.append(heard * here[:, None] + (amount * (far[:, kept] - here[:, None])) @ table.T)
        left += np.sum(np.abs((heard - amount @ table.T) * ring) ** 2, axis=1)
        whole += np.sum(np.abs(heard * ring) ** 2, axis=1)
    mean, turned = carried[0], [0.0, 0.0] if len(sides) == 1 else [carried[1], -carried[1]]
    found = np.zeros_like(directivity.pressure)
    for plane, leaning in enumerate(carried[len(parts) :]):
        for column, angle in enumerate(directivity.observation.off_axis):
            at = np.flatnonzero(np.abs(outward - abs(angle)) < SAME_ANGLE * 1e3)
            if at.size:
                found[:, plane, column] = (mean + turned[plane] + np.sign(angle) * leaning)[:, at[0]]
    return found, np.sqrt(left / np.maximum(whole, 1e-300))


def _outward(directivity: Directivity) -> tuple[FloatArray, list[tuple[ComplexArray, ComplexArray]]]:
    """Angles (B,) from the axis outward that were heard, and of each plane the pressures (F, B) on either side.

    A side that was not measured is the other's mirror image.
    """
    angle, ahead = directivity.observation.off_axis, ~directivity.behind
    outward = np.unique(np.abs(angle[ahead]).round(9))
    sides = []
    for plane in range(directivity.observation.plane.size):
        both = []
        for sign in (1.0, -1.0):
            own = [np.flatnonzero(np.abs(angle - sign * each) < 1e-6) for each in outward]
            other = [np.flatnonzero(np.abs(angle + sign * each) < 1e-6) for each in outward]
            columns = [int((mine if mine.size else mirrored)[0]) for mine, mirrored in zip(own, other, strict=True)]
            both.append(directivity.pressure[:, plane, columns])
        sides.append((both[0], both[1]))
    return outward, sides


def _far_factor(degree: int, size: FloatArray) -> ComplexArray:
    """j^(n+1) / h_n(x) (F,), second kind: what is left far away of a wave that is 1 at x."""
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        hankel = spherical_jn(degree, size) - 1j * spherical_yn(degree, size)
        found = 1j ** (degree + 1) / hankel
    return np.where(np.isfinite(found), found, 0.0)


def _scale(order: int, degree: int) -> float:
    """Keeps associated Legendre functions near 1."""
    return float(max(degree, 1) ** order)
