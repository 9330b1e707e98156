"""Whether the largest mouth that a target allows can do what is wanted, as a piston; where by far not, a refusal."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from evenflare.closed_forms import (
    cap_index,
    cap_pattern,
    elliptical_piston_index,
    elliptical_piston_pattern,
    piston_index,
    piston_pattern,
)
from evenflare.directivity.types import Directivity, Observation, Symmetry
from evenflare.files import InputError
from evenflare.metrics import ORBIT, PLANES, SAME_ANGLE, standard_curves
from evenflare.target.target import Target, wanted_index
from evenflare.units import MILLIMETRE, ComplexArray, FloatArray
from evenflare.waveguide.body import volume
from evenflare.words import hertz

CAP_UP_TO = 2.0
"""k times the mouth's radius below which a mouth on a sphere is judged as a cap of that sphere."""
NEGLIGIBLE_EXCESS = 0.05
"""dB of wanted index above the piston's that is not worth a warning."""
SMALLEST_IN_BAFFLE = 3.0
"""dB; a source in a baffle, however small, radiates into half of the sphere: 10 log10(2)."""
LATER = (0.2, 0.8)
"""Octaves by which winners of searches had an index of 5 to 8 dB later than the piston: eight in a baffle, mouths of
150 to 360 mm, a third to a half as deep. `studies.reach` says it for a target."""
REFUSED_EXCESS = 3.0
"""dB of wanted index above the piston's; from 0 to here it warns."""


def largest_reachable(target: Target, frequency: ArrayLike) -> FloatArray:
    """Index (F,) dB, of the kind the target means, that the largest allowed mouth gives if it moves as one flat piston.

    In a baffle the closed form of the round piston, or of the elliptical one as wide and as high as an oblong mouth may
    be. On a sphere the axially moving cap's up to k r = 2, where it meets the flat piston's, and the piston's above: a
    beam narrower than the sphere does not feel it. A free-standing body counts as a sphere of its volume.
    Common practice, and more than waveguides give: their sound leaves from less than the whole mouth, its rim lags, and
    what is given to an even beam above is missing here, see LATER. No strict bound either: squarer corners than the
    ellipse's give a little more. frequency : (F,) Hz.
    """
    half_width, half_height = (0.5 * ends[1] for ends in target.limits.mouth)
    wavenumber = 2 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=np.float64)) / target.air.speed_of_sound
    if not target.oblong:
        return _round_reachable(wavenumber * half_width, target, radius=half_width)
    if target.index_kind == "sphere":
        return elliptical_piston_index(wavenumber, half_width=half_width, half_height=half_height)
    planes = tuple(PLANES.values())
    ellipse = elliptical_piston_pattern(
        wavenumber, ORBIT, azimuth=planes, half_width=half_width, half_height=half_height
    )
    return _standard_index(ellipse, half_space=True)


def _round_reachable(size: FloatArray, target: Target, *, radius: float) -> FloatArray:
    """`largest_reachable` of a round mouth of `radius` (m), over k times that."""
    sphere = _sphere(target, radius=radius)
    means_sphere = target.index_kind == "sphere"
    index = (
        piston_index(size) if means_sphere else _standard_index(_round(piston_pattern(size, ORBIT)), half_space=True)
    )
    low = np.flatnonzero(size < CAP_UP_TO)
    if sphere is not None and low.size:
        half_angle = float(np.arcsin(min(1.0, radius / sphere)))
        on_sphere = size[low] * sphere / radius
        if means_sphere:
            cap = cap_index(on_sphere, half_angle=half_angle)
        else:
            cap = _standard_index(_round(cap_pattern(on_sphere, ORBIT, half_angle=half_angle)), half_space=False)
        index[low] = np.minimum(index[low], cap)
    return index


def _sphere(target: Target, *, radius: float) -> float | None:
    """m, of the sphere that a mouth of `radius` (m) is on; of a body or cabinet that of equal volume."""
    body = target.mounting.body
    if (cabinet := target.mounting.cabinet) is not None:
        return max(radius, float(np.cbrt(0.75 * cabinet.volume / np.pi)))
    if body is None:
        return target.mounting.radius
    depth = target.limits.depth[1]
    return max(radius, float(np.cbrt(0.75 * volume(body.pieces((depth, radius), depth)) / np.pi)))


def _round(pattern: ArrayLike) -> ComplexArray:
    """A round pattern (F, A) as that of one plane (F, 1, A)."""
    return np.asarray(pattern, dtype=np.complex128)[:, None, :]


def _standard_index(pattern: ArrayLike, *, half_space: bool) -> FloatArray:
    """The standard's sound-power index (F,) dB of patterns (F, P, 19), 0 to 180 degrees in tens.

    One plane stands for all, of a round pattern; two are the horizontal and the vertical one.
    """
    pressure = np.array(pattern, dtype=np.complex128)
    planes = np.array(list(PLANES.values())[: pressure.shape[1]])
    symmetry: Symmetry = "round" if planes.size == 1 else "two_planes"
    counted = Observation(np.arange(1.0, len(pressure) + 1), ORBIT, planes, symmetry=symmetry)
    pressure[:, :, (0.5 * np.pi + SAME_ANGLE < ORBIT) & half_space] = 0.0
    found = Directivity(counted, pressure, np.ones(len(pressure), dtype=bool), 1.0, 1.0, half_space=half_space)
    return standard_curves(found).sound_power_index


def reachable_from(target: Target, index_db: ArrayLike) -> FloatArray:
    """Hz from which the largest allowed mouth gives an index as in `largest_reachable`; inf if not by 100 kHz.

    Shaped as `index_db`.
    """
    grid = np.geomspace(10.0, 100e3, 4001)
    enough = largest_reachable(target, grid) >= np.asarray(index_db)[..., None]
    return np.where(enough.any(axis=-1), grid[enough.argmax(axis=-1)], np.inf)


def _largest_mouth(target: Target) -> str:
    sizes = [f"{ends[1] / MILLIMETRE:g}" for ends in target.limits.mouth]
    if not target.oblong:
        return f"{sizes[0]} mm"
    return f"{' x '.join(sizes)} mm"


def _place(target: Target) -> str:
    return (
        "in a baffle"
        if target.oblong
        else {
            "baffle": "in a baffle",
            "sphere": "on the sphere",
            "free_standing": "on a sphere of the body's volume",
            "cabinet": "on a sphere of the cabinet's volume",
        }[target.mounting.kind]
    )


def reachability(target: Target) -> list[str]:
    """Warnings where the wanted index lies up to 3 dB above what the largest mouth can give; empty if nowhere.

    Errors: InputError where it lies further above. Both say what is reachable, and from which frequency.
    """
    grid = np.unique(np.append(np.geomspace(target.frequency[0], target.frequency[-1], 200), target.frequency))
    wanted, _, weight = wanted_index(target, grid)
    excess = np.where(weight > 0, wanted - largest_reachable(target, grid), -np.inf)
    worst, lowest = int(excess.argmax()), float(np.min(wanted[weight > 0], initial=np.inf))
    warnings = []
    if target.mounting.kind == "baffle" and target.index_kind == "sphere" and lowest < SMALLEST_IN_BAFFLE:
        other = "" if target.oblong else ', or choose [mounting] kind = "sphere"'
        warnings.append(
            f"{target.source} [wanted] index_db = {lowest:.2f}: may not be met, even a small source in a baffle has"
            f" 3.01. Raise it{other}"
        )
    if not excess[worst] > NEGLIGIBLE_EXCESS:
        return warnings
    at, level = grid[worst], wanted[worst]
    keys = "mouth_width_mm or mouth_height_mm" if target.oblong else "mouth_diameter_mm"
    limit = f"must be at most {REFUSED_EXCESS:g} dB above it" if excess[worst] > REFUSED_EXCESS else "may not be met"
    first = float(reachable_from(target, float(level)))
    later = " to ".join(hertz(first * 2.0**octaves) for octaves in LATER)
    gives = "at no frequency" if np.isinf(first) else f"from {first:.0f} Hz, waveguides from about {later}"
    text = (
        f"{target.source} [wanted] index_db = {level:.2f} at {at:.0f} Hz: lies {excess[worst]:.1f} dB above the"
        f" {level - excess[worst]:.1f} dB that the largest mouth, {_largest_mouth(target)}, can give there as one"
        f" piston {_place(target)} (common practice, not a strict bound): {limit}. It gives {level:.2f} dB"
        f" {gives}. Lower index_db, begin frequency_hz there, or raise [limits] {keys}"
    )
    if excess[worst] > REFUSED_EXCESS:
        raise InputError(text)
    return [*warnings, text]
