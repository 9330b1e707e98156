"""Readings held against their neighbours, and what becomes of those that are wrong."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from evenflare.measurement.heard import by_direction
from evenflare.measurement.neighbours import Beside, beside, faults
from evenflare.measurement.readings import Impulse, Remark, Response, Session
from evenflare.units import BoolArray, ComplexArray, FloatArray


class Judged(NamedTuple):
    """Indices of the readings that count by direction, whether all of a direction are wrong (D,), what is wrong in
    words and as values, and how every reading lies beside its neighbours.
    """

    groups: list[list[int]]
    suspect: BoolArray
    remarks: list[Remark]
    faults: list[dict[str, Any]]
    beside: Beside

    @property
    def warnings(self) -> list[str]:
        """The words alone."""
        return [each.words for each in self.remarks]


def judged(
    session: Session,
    readings: Sequence[Impulse] | Sequence[Response],
    pressure: ComplexArray,
    *,
    frequency: FloatArray,
    usable: BoolArray,
    phase_known: bool = True,
    noise: FloatArray | None = None,
) -> Judged:
    """Readings (R, F) by direction without those that their neighbours contradict, where others of it remain.

    A direction whose only readings are wrong keeps them, and is `suspect`.
    """
    azimuth, off_axis = (np.array([getattr(each, at) for each in readings]) for at in ("azimuth", "off_axis"))
    known: dict[str, Any] = {
        "frequency": frequency,
        "usable": usable,
        "speed_of_sound": session.rig.air.speed_of_sound,
        "phase_known": phase_known,
        "noise": noise,
    }
    found = faults(azimuth, off_axis, pressure, **known)
    names = [reading.file.name for reading in readings]
    wrong = {each.reading for each in found}
    groups, suspect, dropped = [], [], set()
    for group in by_direction(session):
        kept = [index for index in group if index not in wrong]
        groups.append(kept or group)
        suspect.append(not kept)
        dropped |= set(group) - set(kept) if kept else set()
    said = []
    for each in found:
        more = "; left out, the direction's other readings stand" if each.reading in dropped else ""
        said.append(Remark(each.reading, each.what, each.words(names) + more))
    return Judged(
        groups,
        np.array(suspect, dtype=np.bool_),
        said,
        [each.findings(names) for each in found],
        beside(azimuth, off_axis, pressure, found, **known),
    )
