"""A cabinet as a linear operator on the waves of a mouth: what is heard around it, and what its edges send back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.exterior.panels import Mesh
from evenflare.exterior.scattering import Body, parity_of, scattered
from evenflare.exterior.waves import Waves, all_waves, mouth_waves, moved, waves_at
from evenflare.units import ComplexArray, FloatArray


@dataclass(frozen=True)
class Response:
    """A cabinet at one wavenumber, rad/m. Waves as in `waves`, without any scale.

    mouth : the waves of the mouth, about its centre, and
    around : those about the cabinet's middle.
    far   : (L, W) outgoing waves about the middle, of the whole field, for each outgoing wave of the mouth.
    back  : (W, W) regular waves about the mouth's centre, which the edges send back.
    """

    wavenumber: float
    mouth: Waves
    around: Waves
    far: ComplexArray
    back: ComplexArray


def mouth_degree(kr: float) -> int:
    """The highest degree, even, that counts of a mouth's waves: the rest are too weak a source to be heard."""
    return 2 * int(np.ceil((1.1 * kr + 5.0) / 2))


def around_degree(ka: float) -> int:
    """The highest degree of the field around a body that a sphere of radius a holds."""
    return int(np.ceil(1.05 * ka + 8.0))


def response(
    k: float, body: Body, centre: FloatArray, *, radius: float, reach: float, is_round: bool, cores: int = 1
) -> Response:
    """The cabinet's, for a mouth whose centre lies at `centre` (3,) on its flat front, and which a circle of `radius`
    holds; a sphere of `reach` about the middle holds the cabinet. m.
    """
    mesh, seen = body.mesh, body.images
    mouth = mouth_waves(mouth_degree(k * radius), is_round=is_round)
    around = all_waves(around_degree(k * reach))
    parity = parity_of([around.parity(axis) for axis in mesh.mirrors])
    # At the images of the nodes, and from these by parity.
    value = np.empty((len(seen.signs), mesh.size, mouth.size), dtype=np.complex128)
    slope = np.empty_like(value)
    for i, signs in enumerate(seen.signs):
        value[i], slope[i] = waves_at(k, mesh.place * signs - centre, mesh.normal * signs, mouth, outgoing=True)
        # The front is left at rest by every wave: there only the slope counts, and a wave itself may be huge.
        front = _in_front(mesh, signs, centre)
        slope[i][front] = value[i][front] = 0.0
    share = seen.patterns / len(seen.signs)
    value, slope = np.tensordot(share, value, axes=1), np.tensordot(share, slope, axes=1)
    scale = np.abs(slope).max(axis=(0, 1))
    q = scattered(k, body, slope / scale, cores=cores) * scale
    far = np.zeros((around.size, mouth.size), dtype=np.complex128)
    whole = len(seen.signs) * mesh.weight[:, None]
    for p in range(len(seen.signs)):
        mine = np.flatnonzero(parity == p) if mesh.mirrors else np.arange(around.size)
        regular, sloped = waves_at(k, mesh.place, mesh.normal, around.of(mine), outgoing=False)
        far[mine] = (whole * sloped).T @ q[p] + (whole * regular).T @ slope[p]
    far *= (-1j * k * (2 * around.degree + 1) / (4 * np.pi))[:, None]
    far += moved(k, mouth, centre, around)
    back = np.zeros((mouth.size, mouth.size), dtype=np.complex128)
    for p in range(len(seen.signs)):
        back += (whole * slope[p]).T @ q[p] + (whole * value[p]).T @ slope[p]
    back *= (-2j * k * (2 * mouth.degree + 1) / (4 * np.pi))[:, None]
    return Response(k, mouth, around, far, back)


def _in_front(mesh: Mesh, signs: FloatArray, centre: FloatArray) -> FloatArray:
    return np.asarray(np.abs(mesh.place[:, 2] * signs[2] - centre[2]) < 1e-9)
