"""A session made into the directivity that a solver would have given, and what was found on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from evenflare.coarseness import coarse_words
from evenflare.directivity.types import Directivity, Observation
from evenflare.files import InputError
from evenflare.measurement.between_angles import SAME_ANGLE
from evenflare.measurement.between_planes import Mouth
from evenflare.measurement.budget import Budget
from evenflare.measurement.checked import Checked
from evenflare.measurement.decay import Decay
from evenflare.measurement.distortion import Distortion
from evenflare.measurement.doubts import doubts_of
from evenflare.measurement.far_field import FarField
from evenflare.measurement.heard import Heard
from evenflare.measurement.missing_angles import Missing, missing_readings, missing_words
from evenflare.measurement.orbits import Orbit, mirrored_in, plane_name, shared_grid
from evenflare.measurement.readings import Session
from evenflare.measurement.responses import heard_responses
from evenflare.measurement.sounds import heard_sounds
from evenflare.measurement.straightened import straightened
from evenflare.measurement.turntable import Alignment, Misalignment, align
from evenflare.measurement.uncertainty import (
    LEAST_SIGNAL_DB,
    noise_findings,
    noise_floor,
    odd_repeats,
    repeat_findings,
    signal_to_noise,
)
from evenflare.units import DEGREE, MILLIMETRE, ComplexArray, IntArray, amplitude_db

LARGEST_ASIDE = 0.1
"""m, that a waveguide's axis may pass from the turntable's where no design says how wide its mouth is."""
UNLIKE_DB = 0.5
"""Median difference on axis between the planes, above which it is told."""


@dataclass(frozen=True)
class Assembled:
    """A measured directivity, and what is known of its making.

    findings : for session.json: plain values, None for what is not known.
    budgets  : of the "index", where the angles cover the sphere, and the "on_axis_level".
    far      : in the far field, where the angles and phases tell it.
    readings : each by itself.
    missing  : readings that lack in runs that are otherwise even.
    turntable: by azimuth, rad.
    distortion, decay : on axis, as `Heard` has them.
    """

    directivity: Directivity
    findings: Mapping[str, Any]
    budgets: Mapping[str, Budget]
    far: FarField | None
    readings: tuple[Checked, ...] = ()
    missing: tuple[Missing, ...] = ()
    turntable: Mapping[float, Alignment] = field(default_factory=dict)
    distortion: Distortion | None = None
    decay: Decay | None = None


def assemble(session: Session, *, mouth: Mouth = "unknown", model: Directivity | None = None) -> Assembled:
    """The directivity that a session measured, at its distance, about its rotation centre.

    Sounds are deconvolved and gated, one delay taken for all angles; microphone and air divided out; repeats averaged;
    the turntable's angle zero and lateral offset fitted by plane where the source is stated to be mirror-symmetric
    there, and corrected where significant; planes brought to one grid by the stated symmetry.
    Pressure is Pa where full scale was stated; its phase is that of the travel from the reference point, and the time
    that rig and driver add is in `reference_delay_ms`. `error_estimate` is the combined standard uncertainty of the
    index, by its budget.
    mouth : what the design that was built has, which says what two planes leave open.
    model : a solution of it in the same planes and angles, which says it better.
    Errors: InputError as `heard_sounds` and `heard_responses`.
    """
    heard = heard_responses(session) if session.kind == "response" else heard_sounds(session)
    rig, air = session.rig, session.rig.air
    findings = dict(heard.findings)
    warnings, assumed = list(findings.pop("warnings", ())), list(findings.pop("assumed", ()))
    if air.remark:
        warnings.append(air.remark)
    half_space = rig.mounting == "baffle"
    orbits: dict[float, Orbit] = {}
    alignments: dict[float, Alignment] = {}
    missing: list[Missing] = []
    above = signal_to_noise(heard)
    usable = heard.trusted if above is None else heard.trusted & (above >= LEAST_SIGNAL_DB)
    for azimuth in dict.fromkeys(heard.azimuth.tolist()):
        rows = _rows(heard, azimuth)
        off_axis, pressure, files = heard.off_axis[rows], heard.pressure[rows], [heard.files[row] for row in rows]
        suspect = heard.suspect[rows]
        alignment = align(
            off_axis[~suspect],
            pressure[~suspect],
            frequency=heard.frequency,
            usable=usable,
            distance=rig.distance,
            speed_of_sound=air.speed_of_sound,
            phase_known=heard.phase_known,
            mirrored=mirrored_in(azimuth, session.symmetry),
            half_space=half_space,
            noise=noise_floor(heard),
        )
        _possible(session, azimuth, alignment)
        alignments[azimuth] = alignment
        orbits[azimuth] = _orbit(session, heard, rows, alignment, heard.pressure)
        if any(alignment.corrected) and np.any((heard.frequency > alignment.highest) & heard.trusted):
            warnings.append(
                f"{plane_name(azimuth)}: above {alignment.highest:.0f} Hz the angles are too far apart to move what was"
                " read between them for the turntable's offset: there each side has the mean of both. Set its zero, or"
                " measure at smaller steps"
            )
        gone = missing_readings(azimuth, off_axis, files)
        missing += gone
        warnings += missing_words(plane_name(azimuth), gone)
        if alignment.vague:
            warnings.append(
                f"{plane_name(azimuth)}: the readings tell {' and '.join(alignment.vague)}, too poorly to correct by:"
                " nothing was corrected for it. More signal over the noise, or smaller steps, would tell it"
            )
        files = [name for name, wrong in zip(files, suspect, strict=True) if not wrong]
        warnings += _odd(azimuth, alignment, files)
        assumed += _uncorrected(azimuth, alignment)
    warnings += _unlike_planes(orbits, heard)
    shorter = None
    if heard.shorter is not None:
        less = {at: _orbit(session, heard, _rows(heard, at), each, heard.shorter) for at, each in alignments.items()}
        less = shared_grid(less, session.symmetry, half_space=half_space)[0]
        shorter = np.stack([orbit.pressure.T for orbit in less.values()], axis=1)
    orbits, more_assumed, more_warnings = shared_grid(orbits, session.symmetry, half_space=half_space)
    observation = Observation(
        heard.frequency,
        next(iter(orbits.values())).off_axis,
        plane=np.array(list(orbits)),
        distance=rig.distance,
        reference_z=rig.rotation_centre_z or 0.0,
        symmetry=session.symmetry,
    )
    if rig.rotation_centre_z is None:
        assumed.append("reference point: z = 0 is written, since no design says where the mouth plane lies")
    travel = np.exp(-2j * np.pi * heard.frequency * rig.distance / air.speed_of_sound)
    directivity = Directivity(
        observation,
        np.stack([orbit.pressure.T for orbit in orbits.values()], axis=1) * travel[:, None, None],
        usable,
        air.density,
        air.speed_of_sound,
        half_space=half_space,
    )
    coarse = coarse_words(directivity)
    if coarse:
        warnings.append(coarse)
    doubted = doubts_of(directivity, heard, session, alignments=alignments, shorter=shorter, mouth=mouth, model=model)
    findings |= {
        "smoothing_per_octave": session.smoothing,
        "angle_offset_deg": {plane_name(azimuth): _degrees(each.angle) for azimuth, each in alignments.items()},
        "turntable": {plane_name(azimuth): _turntable(each) for azimuth, each in alignments.items()},
        "repeats": repeat_findings(heard),
        "signal_to_noise_on_axis": noise_findings(heard),
        **doubted.findings,
        "assumed": assumed + more_assumed,
        "warnings": warnings + more_warnings + odd_repeats(heard) + _noisy(directivity, heard) + doubted.warnings,
    }
    return Assembled(
        doubted.directivity,
        findings,
        doubted.budgets,
        doubted.far,
        readings=heard.checked,
        missing=tuple(missing),
        turntable=alignments,
        distortion=heard.distortion,
        decay=heard.decay,
    )


def _orbit(session: Session, heard: Heard, rows: IntArray, alignment: Alignment, pressure: ComplexArray) -> Orbit:
    """One plane's directions (rows of `heard`) at their nominal angles, moved as far as the angles tell it."""
    off_axis = heard.off_axis[rows]
    straight = straightened(
        off_axis,
        pressure[rows],
        frequency=heard.frequency,
        alignment=alignment,
        distance=session.rig.distance,
        speed_of_sound=session.rig.air.speed_of_sound,
        half_space=session.rig.mounting == "baffle",
        suspect=heard.suspect[rows],
    )
    return Orbit(off_axis, straight)


def _rows(heard: Heard, azimuth: float) -> IntArray:
    """Of one plane, angles rising."""
    rows = np.flatnonzero(heard.azimuth == azimuth)
    return np.asarray(rows[np.argsort(heard.off_axis[rows])])


def _possible(session: Session, azimuth: float, alignment: Alignment) -> None:
    """InputError if the axis comes out beside everything that could sound."""
    limit = LARGEST_ASIDE if session.reach is None else session.reach
    found = alignment.lateral
    if found is None or not found.significant or abs(found.value) <= limit:
        return
    what = f"{limit / MILLIMETRE:.0f} mm" + (", half the mouth" if session.reach is not None else "")
    raise InputError(
        f"{session.path} [files] {plane_name(azimuth)}: by the arrivals the waveguide's axis stands"
        f" {abs(found.value) / MILLIMETRE:.0f} mm aside of the turntable's: must be within {what}. The arrivals cannot"
        " be right: check the reference, and that all files are of one run"
    )


def _degrees(estimate: Misalignment | None) -> float | None:
    return None if estimate is None else estimate.value / DEGREE


def _turntable(alignment: Alignment) -> dict[str, Any]:
    """Each offset with its standard error, and whether it was corrected; None where the run does not tell it."""
    found: dict[str, Any] = {}
    for name, estimate, unit in (
        ("angle_offset_deg", alignment.angle, DEGREE),
        ("sideways_mm", alignment.lateral, MILLIMETRE),
        ("sound_ahead_of_centre_mm", alignment.along, MILLIMETRE),
    ):
        found[name] = None if estimate is None else estimate.value / unit
        found[name.replace("_deg", "_error_deg").replace("_mm", "_error_mm")] = (
            None if estimate is None else estimate.error / unit
        )
    angle, lateral = alignment.corrected
    return {
        **found,
        "angle_corrected": angle != 0.0,
        "sideways_corrected": lateral != 0.0,
        "angles_suffice_to_hz": alignment.highest or None,
    }


def _odd(azimuth: float, alignment: Alignment, names: list[str]) -> list[str]:
    return [
        f"{plane_name(azimuth)}: {names[plus]} and {names[minus]} differ far more than the other mirrored pairs:"
        " one of them may be wrong. Listen to both, or measure them again"
        for plus, minus in alignment.odd
    ]


def _uncorrected(azimuth: float, alignment: Alignment) -> list[str]:
    if alignment.angle is not None:
        return []
    return [
        f"{plane_name(azimuth)}: the turntable's 0 is on axis; it cannot be fitted without mirrored angles on both"
        " sides, a symmetry that says they sound alike, and levels that change over angle"
    ]


def _unlike_planes(orbits: Mapping[float, Orbit], heard: Heard) -> list[str]:
    """Where the planes were each read on axis, how far those readings of one direction lie apart."""
    axis = {
        azimuth: orbit.pressure[np.abs(orbit.off_axis).argmin()]
        for azimuth, orbit in orbits.items()
        if np.abs(orbit.off_axis).min() < SAME_ANGLE
    }
    if len(axis) < 2 or not np.any(heard.trusted):
        return []
    first, second = (amplitude_db(np.maximum(np.abs(each[heard.trusted]), 1e-300)) for each in list(axis.values())[:2])
    apart = float(np.median(np.abs(first - second)))
    if apart <= UNLIKE_DB:
        return []
    names = " and ".join(plane_name(azimuth) for azimuth in list(axis)[:2])
    return [
        f"on axis the planes {names} differ by {apart:.1f} dB (median), though it is one direction: gain or placement"
        " changed between the runs"
    ]


def _noisy(directivity: Directivity, heard: Heard) -> list[str]:
    lost = heard.frequency[heard.trusted & ~directivity.valid]
    if lost.size == 0:
        return []
    which = f"{lost.size} frequencies from {lost[0]:.0f} to {lost[-1]:.0f} Hz are"
    if lost.size == 1:
        which = f"{lost[0]:.0f} Hz is"
    return [f"{which} not trusted: on axis less than {LEAST_SIGNAL_DB:g} dB above the noise"]
