"""A cabinet as a linear operator on the waves of a mouth: what is heard around it, and what its edges send back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from evenflare.directivity.types import Observation, unit_vectors
from evenflare.exterior.scattering import Scatterer, Space, parity_of, scattered
from evenflare.exterior.waves import Waves, all_waves, angular, mouth_waves, moved, radial, waves_at
from evenflare.units import ComplexArray, FloatArray


@dataclass(frozen=True)
class CabinetResponse:
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


FLUSH = 5e-6
"""m from the plane of a face, within which a node lies in it: a mirror image of it may be off by what `mirrors_of` lets
pass."""


def mouth_degree(kr: float) -> int:
    """The highest degree, even, that counts of a mouth's waves: the rest are too weak a source to be heard."""
    return 2 * math.ceil((1.1 * kr + 5.0) / 2)


def around_degree(ka: float) -> int:
    """The highest degree of the field around a body that a sphere of radius a holds."""
    return int(np.ceil(1.05 * ka + 8.0))


def waves_of(k: float, *, radius: float, reach: float, is_round: bool) -> tuple[Waves, Waves]:
    """The waves of a mouth that a circle of `radius` holds, and those about a body that a ball of `reach` holds, m."""
    mouth = mouth_waves(mouth_degree(k * radius), is_round=is_round)
    return mouth, all_waves(around_degree(k * reach))


@dataclass(frozen=True)
class Opening:
    """Where in a flat face of a cabinet something moves.

    centre   : (3,) m, from the cabinet's middle.
    turn     : (3, 3) what lies to the right, above and ahead of it, in the cabinet's axes; the front's is theirs.
    radius   : m, of the circle about its centre that holds all that moves.
    is_round : whether all that moves there does so alike all round.
    """

    centre: tuple[float, float, float]
    radius: float
    is_round: bool
    turn: tuple[tuple[float, float, float], ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

    def seen(self, place: FloatArray) -> FloatArray:
        """(N, 3) places from the cabinet's middle, as right, up and ahead of the centre."""
        return np.asarray((place - np.array(self.centre)) @ np.array(self.turn).T)


def responses(
    k: float,
    body: Scatterer,
    openings: Sequence[Opening],
    *,
    reach: float,
    cores: int = 1,
    space: Space | None = None,
) -> list[CabinetResponse]:
    """The cabinet's, at wavenumber k, rad/m, for each opening in its flat faces, all from one elimination. A ball of
    `reach`, m, holds it.

    space : see scattered.
    """
    mesh, seen = body.mesh, body.images
    waves = [waves_of(k, radius=each.radius, reach=reach, is_round=each.is_round) for each in openings]
    around = waves[0][1]
    parts = [_incident(k, body, each, mouth) for each, (mouth, _) in zip(openings, waves, strict=True)]
    motion = np.concatenate([slope for _, slope in parts], axis=2)
    scale = np.abs(motion).max(axis=(0, 1))
    q = scattered(k, body, motion / scale, cores=cores, space=space) * scale
    whole = len(seen.signs) * mesh.weight[:, None]
    parity, regular = parity_of(around, mesh.mirrors), waves_at(k, mesh.place, mesh.normal, around, outgoing=False)
    far = np.zeros((around.size, motion.shape[2]), dtype=np.complex128)
    for p in range(len(seen.signs)):
        mine = np.flatnonzero(parity == p)
        own, sloped = (each[:, mine] for each in regular)
        far[mine] = (whole * sloped).T @ q[p] + (whole * own).T @ motion[p]
    far *= (-1j * k * (2 * around.degree + 1) / (4 * np.pi))[:, None]
    found = []
    ends = np.cumsum([mouth.size for mouth, _ in waves])
    for end, opening, (mouth, _), (value, slope) in zip(ends, openings, waves, parts, strict=True):
        columns = np.arange(end - mouth.size, end)
        back = np.zeros((mouth.size, mouth.size), dtype=np.complex128)
        for p in range(len(seen.signs)):
            back += (whole * slope[p]).T @ q[p][:, columns] + (whole * value[p]).T @ slope[p]
        back *= (-2j * k * (2 * mouth.degree + 1) / (4 * np.pi))[:, None]
        from_it = moved(k, mouth, np.array(opening.centre), around, turn=np.array(opening.turn))
        found.append(CabinetResponse(k, mouth, around, far[:, columns] + from_it, back))
    return found


def _incident(k: float, body: Scatterer, opening: Opening, mouth: Waves) -> tuple[ComplexArray, ComplexArray]:
    """(I, N, W) by parity, at the nodes: the waves of an opening, and their slopes along the normals."""
    mesh, seen = body.mesh, body.images
    # At the images of the nodes, and from these by parity.
    value = np.empty((len(seen.signs), mesh.size, mouth.size), dtype=np.complex128)
    slope = np.empty_like(value)
    for i, signs in enumerate(seen.signs):
        place, normal = opening.seen(mesh.place * signs), mesh.normal * signs @ np.array(opening.turn).T
        value[i], slope[i] = waves_at(k, place, normal, mouth, outgoing=True)
        # The face is left at rest by every wave: there only the slope counts, and a wave itself may be huge.
        flush = np.abs(place[:, 2]) < FLUSH
        slope[i][flush] = value[i][flush] = 0.0
    share = seen.patterns / len(seen.signs)
    return np.tensordot(share, value, axes=1), np.tensordot(share, slope, axes=1)


def observed(
    responses: Sequence[CabinetResponse], observation: Observation, *, middle: FloatArray, reach: float
) -> tuple[ComplexArray, ...]:
    """Of each response (W, P A), the pressure in every direction for each wave of the mouth, of a cabinet whose middle
    lies at `middle` (3,), m, from the point from which directions and distance count: not the observation's own point
    of reference. A ball of `reach`, m, about the middle holds it.

    Errors: ValueError if a point lies inside the ball about the cabinet.
    """
    direction = unit_vectors(observation.off_axis, observation.plane[:, None]).reshape(-1, 3)
    place = direction if observation.far_field else observation.distance * direction - middle
    distance = np.linalg.norm(place, axis=1)
    if not observation.far_field and distance.min() < reach:
        along = direction @ middle
        least = float(np.max(along + np.sqrt(np.maximum(along**2 + reach**2 - middle @ middle, 0.0))))
        raise ValueError(
            f"distance_m = {observation.distance:g}: must be at least {np.ceil(1e3 * least) / 1e3:g}, so that every"
            f" point lies outside the sphere of {reach:.3g} m about the cabinet's middle. Raise it, or leave it out for"
            " the far field"
        )
    # The waves of a lower wavenumber are the first of those of the highest.
    most = max((each.around for each in responses), key=lambda waves: waves.size, default=None)
    if most is None:
        return ()
    seen = np.ascontiguousarray(angular(place / distance[:, None], most).T)
    return tuple(_observed(each, seen, direction, distance, observation.far_field, middle) for each in responses)


def _observed(
    response: CabinetResponse,
    seen: FloatArray,
    direction: FloatArray,
    distance: FloatArray,
    is_far: bool,
    middle: FloatArray,
) -> ComplexArray:
    """See observed. seen : (L or more, Q) the share of direction of the waves about the cabinet's middle."""
    k, degree = response.wavenumber, response.around.degree
    if is_far:
        turned = response.far * (1j ** (degree + 1) / k)[:, None]
        # A real matrix times both parts of a complex one: half the work.
        parts = np.concatenate([turned.real, turned.imag], axis=1).T @ seen[: degree.size]
        found = parts[: turned.shape[1]] + 1j * parts[turned.shape[1] :]
        return np.asarray(found * np.exp(1j * k * direction @ middle))
    h, _ = radial(k * distance, int(degree.max()), outgoing=True)
    return np.ascontiguousarray(response.far.T @ (seen[: degree.size] * h.T[degree]))
