"""The low end that a gate leaves out: a reading close to the mouth, taken to the rig's distance by a model.

Far below the frequency whose wavelength is the mouth's girth, the pressure at the mouth's centre follows the source's
volume velocity, and so does the pressure far away, each by a factor that the body around the mouth decides. The near
reading times the model's ratio of both has the far response's course; its level and delay are those that the gated
reading has over the overlap.
Source: D. B. Keele, J. AES 22 (1974) 154; C. Struck and S. Temme, J. AES 42 (1994) 934 (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenflare.bands import midbands
from evenflare.directivity.types import Directivity
from evenflare.files import InputError
from evenflare.measurement.budget import Budget, Contribution, evened, uniform
from evenflare.measurement.merging import UNLIKE_DB, Scale, blended, scaled
from evenflare.measurement.near_field_model import BEYOND, UPPER, FarOverNear, NearModel, place_course
from evenflare.measurement.near_response import DENSITY, NearResponse, near_response
from evenflare.measurement.readings import NearField, Session
from evenflare.units import MILLISECOND, BoolArray, ComplexArray, FloatArray

LEAST_SHARED = 3
"""Frequencies that the overlap must hold."""
GENEROUS = 2.0
"""Times the gate's lowest frequency, from which its level is good to less than 1 dB (common practice)."""
SLANT = 1.0
"""Octaves over which a difference of course that the overlap shows is taken to go on below it. Judgement."""
ALTERNATE = 0.8
"""rad, that the phase between both may differ from 0 or half a turn before it is told."""


@dataclass(frozen=True)
class LowEnd:
    """Near field and gated reading as one.

    directivity : on axis merged, at all frequencies; in other directions below the overlap the model's, times that.
    share       : (F,) 0 to 1: of the near field on axis, and in other directions of the model.
    gated       : (F,) dB re 20 uPa on axis, nan where the gate lets nothing be known.
    near        : (F,) dB, the near field taken to the rig's distance; nan where it cannot be trusted.
    budget      : of the merged level on axis.
    model       : what took it there.
    findings    : for session.json. warnings: in words.
    """

    directivity: Directivity
    share: FloatArray
    gated: ComplexArray
    near: ComplexArray
    budget: Budget
    model: FarOverNear
    findings: Mapping[str, Any]
    warnings: tuple[str, ...]


def low_end(
    session: Session, directivity: Directivity, level: Budget, model: NearModel, *, gate: float | None
) -> LowEnd:
    """A session's near field joined to what it measured at a distance.

    directivity : as `assemble` gives it. level: budget of its level on axis. gate: s, from arrival to the taper's end.
    model       : of the source, whose near and far pressure it tells.
    Errors: InputError where the overlap lies outside what either reading tells.
    """
    near, air = session.near, session.rig.air
    assert near is not None  # nothing else is asked for
    frequency = _frequencies(session, directivity, near)
    seen = replace(directivity.observation, frequency=frequency)
    told = near_response(session, near, frequency)
    says = model(seen, near.distance, air)
    low, high = near.overlap
    far = _on_grid(directivity, frequency)
    valid_far = np.isin(frequency, directivity.observation.frequency[directivity.valid])
    within = (frequency >= low) & (frequency <= high)
    _check(session, near, says, within=within, far=valid_far, close=told.valid, frequency=frequency)
    both = within & valid_far & told.valid
    taken = told.pressure * says.ratio
    phase = told.phase_known and all(getattr(each, "phase_known", True) for each in session.readings)
    scale = scaled(frequency[both], far[both], taken[both], gate=gate, phase=phase)
    factor = 10.0 ** (0.05 * scale.level) * (-1.0 if scale.inverted else 1.0)
    turn = 0.0 if scale.delay is None else -2.0 * np.pi * frequency * scale.delay
    taken = taken * factor * np.exp(1j * turn)
    lowest = _lowest(frequency, told.valid, low)
    share = np.cos(0.5 * np.pi * np.clip(np.log(frequency / low) / np.log(high / low), 0.0, 1.0)) ** 2
    share = np.where(frequency >= high * (1.0 - 1e-9), 0.0, share)
    valid = np.where(share > 0.0, (frequency >= lowest) & told.valid, True) & np.where(share < 1.0, valid_far, True)
    merged = blended(far, taken, share, phase=phase)
    joined = _directions(directivity, frequency, merged, share, says, valid=valid)
    parts = _parts(session, near, level, directivity, frequency, share=share, scale=scale, says=says, told=told)
    budget = Budget(parts)
    findings = {
        "overlap_hz": [low, high],
        "valid_from_hz": float(lowest),
        "model": says.told_by,
        "scale_db": scale.level,
        "scale_spread_db": scale.spread,
        "slant_db_per_octave": scale.slant,
        "delay_ms": None if scale.delay is None else scale.delay / MILLISECOND,
        "inverted": scale.inverted,
        "centre_follows_to_hz": UPPER * air.speed_of_sound / (2.0 * np.pi * says.reach),
        "combined_at_lowest_db": float(budget.combined[np.argmin(np.abs(frequency - lowest))]),
    }
    return LowEnd(
        joined,
        share,
        np.where(valid_far, far, np.nan),
        np.where(told.valid & (frequency <= 2.0 * high), taken, np.nan),
        budget,
        says,
        findings,
        tuple(_warnings(session, near, scale, says, gate=gate)),
    )


def _frequencies(session: Session, directivity: Directivity, near: NearField) -> FloatArray:
    """(F,) Hz: the measurement's own, and where the session asks for none as many per octave down to the lowest."""
    own = directivity.observation.frequency
    if session.frequency is not None:
        if not own[0] < near.overlap[0]:
            raise InputError(
                f"{session.path} [analysis]: {own[0]:g} Hz is the lowest frequency asked for: must be below"
                f" [near_field] overlap_from_hz = {near.overlap[0]:g}, or the near field adds nothing. Lower from_hz,"
                " or leave [near_field] out"
            )
        return own
    added = midbands(DENSITY, lowest=10.0, highest=float(own[0]) * (1.0 - 1e-6)) if own[0] > 11.0 else own[:0]
    return np.concatenate([added, own])


def _on_grid(directivity: Directivity, frequency: FloatArray) -> ComplexArray:
    """Pressure (F,) on axis; 0 where it was not measured."""
    found = np.zeros(frequency.size, dtype=np.complex128)
    found[np.isin(frequency, directivity.observation.frequency)] = directivity.on_axis
    return found


def _check(
    session: Session,
    near: NearField,
    says: FarOverNear,
    *,
    within: BoolArray,
    far: BoolArray,
    close: BoolArray,
    frequency: FloatArray,
) -> None:
    """InputError unless both readings tell enough of the overlap."""
    low, high = near.overlap
    start = f"{session.path} [near_field]"
    follows = session.rig.air.speed_of_sound / (2.0 * np.pi * says.reach)
    if high > BEYOND * follows:
        raise InputError(
            f"{start} overlap_to_hz = {high:g}: must be at most {BEYOND * follows:.0f}, above which the pressure at the"
            f" centre of a mouth {2e3 * says.reach:.0f} mm wide no longer follows the source. Lower it"
        )
    if not np.any(far):
        raise InputError(f"{start}: no frequency of the gated readings can be trusted. Go higher, for a longer gate")
    first = float(frequency[far][0])
    if low < first * (1.0 - 1e-9):
        raise InputError(
            f"{start} overlap_from_hz = {low:g}: must be at least {first:.0f}, the lowest frequency that the gated"
            " readings tell. Raise it, or go higher, for a longer gate"
        )
    if not np.any(close):
        raise InputError(
            f"{near.reading.file}: less than 20 dB above its noise everywhere. Record it again, louder, or with"
            " less noise"
        )
    inside = close & within
    if not np.all(close[within]):
        at, ends = float(frequency[within & ~close][0]), frequency[close]
        raise InputError(
            f"{start} overlap {low:g} to {high:g} Hz: {near.reading.file.name} tells nothing at {at:.0f} Hz, only from"
            f" {ends[0]:.0f} to {ends[-1]:.0f} Hz. Move the overlap there, or record louder"
        )
    if np.count_nonzero(inside & far) < LEAST_SHARED:
        raise InputError(
            f"{start} overlap {low:g} to {high:g} Hz: holds {np.count_nonzero(inside & far)} frequencies that both"
            f" readings tell: must be {LEAST_SHARED} at least. Widen it, or ask for more per octave in [analysis]"
        )


def _lowest(frequency: FloatArray, valid: BoolArray, low: float) -> float:
    """Hz, down to which the near field can be trusted without a gap."""
    below = np.flatnonzero((frequency <= low) & ~valid)
    first = int(below[-1]) + 1 if below.size else 0
    return float(frequency[first])


def _directions(
    directivity: Directivity,
    frequency: FloatArray,
    on_axis: ComplexArray,
    share: FloatArray,
    says: FarOverNear,
    *,
    valid: BoolArray,
) -> Directivity:
    """On axis as merged; elsewhere the measured pressure re on axis gives way to the model's."""
    measured = says.relative.copy()
    rows = np.isin(frequency, directivity.observation.frequency)
    measured[rows] = (
        directivity.pressure / np.where(directivity.on_axis == 0.0, 1.0, directivity.on_axis)[:, None, None]
    )
    part = share[:, None, None]
    pressure = (part * says.relative + (1.0 - part) * measured) * on_axis[:, None, None]
    error = None
    if directivity.error_estimate is not None:
        own = np.zeros(frequency.size)
        own[rows] = np.nan_to_num(directivity.error_estimate)
        error = (1.0 - share) * own + share * says.error
    return Directivity(
        replace(directivity.observation, frequency=frequency),
        pressure,
        valid,
        directivity.density,
        directivity.speed_of_sound,
        half_space=directivity.half_space,
        error_estimate=error,
    )


def _parts(
    session: Session,
    near: NearField,
    level: Budget,
    directivity: Directivity,
    frequency: FloatArray,
    *,
    share: FloatArray,
    scale: Scale,
    says: FarOverNear,
    told: NearResponse,
) -> tuple[Contribution, ...]:
    """Of the merged level on axis: what is alike at all frequencies holds throughout, since the scale is the far one's;
    gate, noise and repeats of the far readings count as far as these do, the near field's own as far as it does.
    """
    own, low, high = directivity.observation.frequency, *near.overlap
    parts = []
    for part in level.parts:
        size = np.interp(np.log(frequency), np.log(own), part.size)
        if part.name in ("gate", "noise", "repeats"):
            size = (1.0 - share) * size
        parts.append(replace(part, size=size))
    within = (frequency >= low) & (frequency <= high)

    def bends(course: FloatArray) -> FloatArray:
        return np.asarray(course - course[within].mean())

    gated = next((part.size for part in level.parts if part.name == "gate"), np.zeros(own.size))
    held = float(np.mean(np.interp(np.log(frequency[within]), np.log(own), gated)))
    scaling = np.hypot(scale.spread, held) / np.sqrt(scale.freedom)
    below = np.clip(np.log2(np.sqrt(low * high) / frequency), 0.0, SLANT)
    modelled = np.sqrt(says.error**2 + uniform(bends(says.course)) ** 2 + uniform(scale.slant * below) ** 2)
    place = bends(
        place_course(frequency, reach=says.reach, distance=near.distance, position=near.position, air=session.rig.air)
    )
    room = evened(frequency, np.where(told.valid, told.room, 0.0))
    free = max(scale.freedom - 1.0, 1.0)
    return (
        *parts,
        Contribution(
            "scale", share * scaling, freedom=free, kind="A", told_by="how both readings differ within the overlap"
        ),
        Contribution("model", share * modelled, told_by=says.told_by),
        Contribution(
            "near_field", share * np.hypot(place, room), told_by="the microphone's place, and a shorter record"
        ),
        Contribution("near_noise", share * told.noise, kind="A", told_by="the near record without sound"),
    )


def _warnings(session: Session, near: NearField, scale: Scale, says: FarOverNear, *, gate: float | None) -> list[str]:
    low, high = near.overlap
    name, follows = near.reading.file.name, session.rig.air.speed_of_sound / (2.0 * np.pi * says.reach)
    found = []
    if scale.inverted:
        found.append(f"{name}: is of the other polarity than the readings at a distance; it was turned round. Check it")
    if scale.delay is not None and abs(scale.off) > ALTERNATE:
        found.append(
            f"{name}: its phase differs from the gated reading's by {abs(scale.off):.1f} rad beside a delay: one of"
            " them may have another filter, or the overlap is badly gated"
        )
    if scale.spread > UNLIKE_DB:
        found.append(
            f"near field and gated reading differ by {scale.spread:.1f} dB rms within the overlap of {low:g} to"
            f" {high:g} Hz: check [near_field] distance_mm and the model's mounting, or move the overlap up"
        )
    if high > UPPER * follows * (1.0 + 1e-9):
        found.append(
            f"the overlap reaches to {high:g} Hz: above {follows:.0f} Hz the pressure at the centre of a mouth"
            f" {2e3 * says.reach:.0f} mm wide follows the source less and less. Lower overlap_to_hz where the gate"
            " allows"
        )
    if gate is not None and low < GENEROUS / gate * (1.0 - 1e-9):
        found.append(
            f"the overlap begins at {low:g} Hz, where the gate tells levels to about 1 dB only; from"
            f" {GENEROUS / gate:.0f} Hz it is better"
        )
    return found
