"""A measured directivity with its uncertainty budgets and what it is in the far field, and what there is to say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenflare.directivity.types import Directivity
from evenflare.measurement.between_planes import Mouth, model_uncertainty
from evenflare.measurement.budget import Budget
from evenflare.measurement.far_field import FarField, far_field
from evenflare.measurement.heard import Heard
from evenflare.measurement.index_budget import Told, index_budget, level_budget
from evenflare.measurement.readings import Session
from evenflare.measurement.turntable import Alignment
from evenflare.metrics import directivity_index
from evenflare.units import ComplexArray, FloatArray

TOLD_FROM = 0.1
"""dB, from which a difference between distance and far field is told: half of what a good measurement repeats to."""
LARGE_DB = 0.5
"""dB, standard uncertainty of the index from which its largest part is told."""


@dataclass(frozen=True)
class Doubted:
    """The directivity with `error_estimate` and `far_field_index`; the rest as `assemble.Assembled`."""

    directivity: Directivity
    budgets: Mapping[str, Budget]
    far: FarField | None
    findings: Mapping[str, Any]
    warnings: list[str]


def doubts_of(
    directivity: Directivity,
    heard: Heard,
    session: Session,
    *,
    alignments: Mapping[float, Alignment],
    shorter: ComplexArray | None,
    mouth: Mouth,
    model: Directivity | None,
) -> Doubted:
    """Budgets of index and level on axis, and the far field.

    shorter : (F, P, A) the pressure through a shorter gate. model : a solution in the same planes, or None.
    """
    fitted = [each.angle for each in alignments.values() if each.angle is not None and each.angle.significant]
    told = Told(
        shorter=shorter,
        angle_error=max((each.error for each in fitted), default=0.0),
        drift=None if heard.drift is None else (heard.drift.left, heard.drift.freedom),
        model=None if model is None else _of_model(model, directivity),
        mouth=mouth,
    )
    index = index_budget(directivity, heard, session.doubts, told)
    budgets = {"on_axis_level": level_budget(directivity, heard, session.doubts, told)}
    warnings = [] if heard.drift is None else heard.drift.words(session)
    far = None
    if index is not None:
        budgets = {"index": index, **budgets}
        directivity = replace(directivity, error_estimate=index.combined)
        warnings += _largest(directivity, index)
        far = far_field(directivity) if heard.phase_known else None
    if index is not None and far is not None:
        far = FarField(replace(far.directivity, error_estimate=np.hypot(far.error, index.combined)), far.error)
        known = np.where(far.directivity.valid, directivity_index(far.directivity), np.nan)
        directivity = replace(directivity, far_field_index=known)
    said, difference = _near(directivity, far)
    return Doubted(
        directivity,
        budgets,
        far,
        {
            "error_estimate_from": None if index is None else ", ".join(_counting(directivity, index)) or "nothing",
            "budget": {name: _told(each, directivity) for name, each in budgets.items()},
            "drift": None if heard.drift is None else heard.drift.findings(session),
            "far_field": difference,
        },
        warnings + said,
    )


def _of_model(model: Directivity, measured: Directivity) -> FloatArray:
    own = np.log(model.observation.frequency)
    return np.asarray(np.interp(np.log(measured.observation.frequency), own, model_uncertainty(model)))


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _counting(directivity: Directivity, budget: Budget) -> list[str]:
    """Names of the parts that hold a hundredth of the variance or more, the largest first."""
    sizes = {part.name: _rms(part.size[directivity.valid]) for part in budget.parts}
    whole = sum(size**2 for size in sizes.values())
    return [name for name in sorted(sizes, key=lambda name: -sizes[name]) if sizes[name] ** 2 > 0.01 * whole > 0.0]


def _told(budget: Budget, directivity: Directivity) -> dict[str, Any]:
    """For session.json: rms over the trusted frequencies, dB."""
    mine = directivity.valid
    return {
        "parts": {
            part.name: {"rms_db": _rms(part.size[mine]), "kind": part.kind, "told_by": part.told_by}
            for part in budget.parts
        },
        "combined_rms_db": _rms(budget.combined[mine]),
        "expanded_95_rms_db": _rms(budget.expanded()[mine]),
    }


def _largest(directivity: Directivity, budget: Budget) -> list[str]:
    """Where the index is known badly, and through what."""
    frequency = directivity.observation.frequency
    poor = directivity.valid & (budget.combined > LARGE_DB)
    if not np.any(poor):
        return []
    part = max(budget.parts, key=lambda each: _rms(each.size[poor]))
    if part.name == "repeats":
        return []  # which of them lie apart is told by direction
    remedies = {
        "planes": "the planes differ, and two of them do not tell the power of such a mouth: name the design in the"
        " session, or hold the index against a prediction in the same planes (evenflare compare)",
        "steps": "measure at smaller steps",
        "gate": "go higher, for a longer gate",
        "noise": "measure louder, or in a quieter hour",
        "angle": "measure at smaller steps, state [uncertainty] angle_deg",
    }
    return [
        f"the directivity index is known to {budget.combined[poor].max():.1f} dB only (standard uncertainty) between"
        f" {frequency[poor][0]:.0f} and {frequency[poor][-1]:.0f} Hz, mostly through {part.name}:"
        f" {remedies.get(part.name, 'see budget.csv')}"
    ]


def _near(directivity: Directivity, far: FarField | None) -> tuple[list[str], dict[str, Any] | None]:
    """How the index at the distance differs from the far field's, in words and plain values."""
    seen = directivity.observation
    if far is None:
        return [], None
    mine = far.directivity.valid
    if not np.any(mine):
        return [], None
    difference = (directivity_index(directivity) - directivity_index(far.directivity))[mine]
    frequency, error = seen.frequency[mine], far.directivity.error_estimate[mine]  # type: ignore[index]
    at = int(np.argmax(np.abs(difference)))
    found = {
        "greatest_difference_db": float(difference[at]),
        "at_hz": float(frequency[at]),
        "to_hz": float(frequency[-1]),
        "error_rms_db": _rms(error),
    }
    if abs(difference[at]) < TOLD_FROM:
        return [], found
    large = np.abs(difference) >= TOLD_FROM
    return [
        f"at {seen.distance:g} m the index is not yet that of the far field: it differs by up to"
        f" {difference[at]:+.2f} ± {error[at]:.2f} dB, by {TOLD_FROM:g} dB or more between"
        f" {frequency[large][0]:.0f} and {frequency[large][-1]:.0f} Hz. far_field_index_db has the far field's,"
        " --far-field the whole of it; compare"
        " with evenflare solve --like, which predicts for the same distance"
    ], found
