"""Closed bodies of revolution by a general boundary-element library, which shares no code with the boundary elements.

Needs the library bempp-cl. With the normal n into the air, the body's surface meets (1/2 - K) p = -V dp/dn with the
library's layers of exp(i k r) / (4 pi r), on flat triangles as `boundary_reference` does. It has no cure for the
resonances of the solid: frequencies must lie between them. Source: Pierce, Acoustics (1981), section 4-6 (from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from boundary_reference import Panels, extrapolated, layers, mirrored, strip
from evenflare.air import Air
from evenflare.radiation.boundary import Boundary
from evenflare.units import ComplexArray, FloatArray, amplitude_db, power_db
from evenflare.waveguide import Frame, joined

REFINEMENTS = (1, 2, 3)


class Sound(NamedTuple):
    """Of a body whose first part moves along its normal, for 1 m/s rms times its source area.

    index     : dB, on axis.
    levels    : (A,) dB re 1 Pa m, in the far field.
    impedance : mean pressure over what moves / (density * speed_of_sound * velocity), velocity over the source area.
    """

    index: FloatArray
    levels: FloatArray
    impedance: ComplexArray


def solved(body: Boundary, frequency: float, *, off_axis: FloatArray, panel: float, air: Air) -> tuple[Sound, Sound]:
    """Extrapolated to panels of no size, and by how much the last refinement still moved that.

    panel : m, about the size of the coarsest panels; a fifth of a wavelength will do.
    """
    found = [_on_panels(body, frequency, off_axis=off_axis, panel=panel, refinement=n, air=air) for n in REFINEMENTS]
    limits, moved = zip(*(extrapolated(list(each)) for each in zip(*found, strict=True)), strict=True)
    return Sound(*limits), Sound(*moved)


def _on_panels(
    body: Boundary, frequency: float, *, off_axis: FloatArray, panel: float, refinement: int, air: Air
) -> Sound:
    panels = _panels(body, panel=panel, refinement=refinement)
    k = 2.0 * np.pi * frequency / air.speed_of_sound
    single, double, area = layers(panels, k)
    moving = panels.zones == 0
    speed = body.source_area / (4.0 * area[moving].sum())
    gradient = 1j * 2.0 * np.pi * frequency * air.density * speed * moving
    pressure = np.linalg.solve(np.diag(0.5 * area) - double, -single @ gradient)
    power = 4.0 * speed * float(np.sum((area * pressure)[moving]).real)

    corners = panels.corners[panels.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2.0  # of the panel's area
    inside = np.array([[4.0, 1.0, 1.0], [1.0, 4.0, 1.0], [1.0, 1.0, 4.0]]) / 6.0  # exact to the second degree
    points = np.einsum("qc,mcd->mqd", inside, corners)
    direction = np.stack([np.sin(off_axis), np.zeros_like(off_axis), np.cos(off_axis)])
    phase = np.exp(-1j * k * points @ direction).mean(axis=1)
    all_round = np.tile(pressure, 4)[:, None] * (normal @ direction) * 1j * k + (np.tile(area * gradient, 4))[:, None]
    far = -np.sum(phase * all_round, axis=0) / (4.0 * np.pi)
    on_axis = far[np.argmin(np.abs(off_axis))]
    return Sound(
        power_db(4.0 * np.pi * np.abs(on_axis) ** 2 / air.impedance / power),
        amplitude_db(np.abs(far)),
        np.asarray(np.conj(np.average(pressure[moving], weights=area[moving])) / air.impedance),
    )


def _panels(body: Boundary, *, panel: float, refinement: int) -> Panels:
    """Rings of corners from the axis in front to that behind; polygons have the area of their circles."""
    rows: list[Frame] = []
    zones: list[int] = []
    for zone, part in enumerate(body.parts):
        length = float(np.mean(part.piece.frame_at(np.linspace(0.0, 1.0, 65)).speed))
        count = refinement * max(2, round(length / panel))
        rows.append(part.piece.frame_at(np.linspace(0.0, 1.0, count + 1)[0 if zone == 0 else 1 :]))
        zones += [zone] * count
    rings = joined(rows)
    corners: list[FloatArray] = []
    triangles: list[tuple[int, int, int]] = []
    counts: list[int] = []
    before = np.zeros(0, dtype=int)
    for z, r in zip(rings.z, rings.r, strict=True):
        count = max(2 * refinement, round(refinement * 0.5 * np.pi * r / panel)) if r > 1e-9 else 0
        azimuth = np.linspace(0.0, 0.5 * np.pi, count + 1)
        radius = r * np.sqrt(azimuth[1] / np.sin(azimuth[1])) if count else 0.0
        here = sum(map(len, corners)) + np.arange(count + 1)
        corners.append(
            np.stack([radius * np.cos(azimuth), radius * np.sin(azimuth), np.full_like(azimuth, z)], axis=-1)
        )
        if before.size:
            added = strip(before, here)
            triangles += added
            counts.append(len(added))
        before = here
    return mirrored(np.concatenate(corners), np.array(triangles)[:, ::-1], np.repeat(zones, counts))
