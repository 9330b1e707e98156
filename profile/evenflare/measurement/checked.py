"""Every reading by itself and against those beside it: what `readings.csv` holds, and whether it must be repeated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from evenflare.measurement.heard import by_direction
from evenflare.measurement.judged import Judged
from evenflare.measurement.readings import Impulse, Remark, Response, Session
from evenflare.measurement.recorded import clipped
from evenflare.units import BoolArray, ComplexArray, FloatArray, amplitude_db, power_db

Verdict = Literal["good", "weak", "left out", "repeat"]
WEAK = "no arrival"
"""What is said of a reading that may be as weak as it is, behind a loudspeaker for example."""


@dataclass(frozen=True)
class Checked:
    """One reading; nan where a number is not known.

    file            : its name. azimuth, off_axis : rad. repeat : 1 for the first of its direction.
    peak            : dB re full scale.
    clipped         : None where the file is no recording.
    signal_to_noise : dB, median over the trusted frequencies.
    arrival         : s, from the first sample of the impulse response.
    polarity        : 1 as those beside it, -1 inverted.
    late            : s, later than both of those beside it.
    level           : dB above what those beside it tell.
    repeats         : how many readings its direction has.
    apart           : dB above the mean of its direction's other readings that count, median over the trusted
                      frequencies; nan if there is none.
    verdict         : "weak" if it hardly stands out of its noise, "left out" if it is wrong and others of its direction
                      stand for it, "repeat" if it is wrong and counts.
    remarks         : what is wrong with it.
    """

    file: str
    azimuth: float
    off_axis: float
    repeat: int
    peak: float
    clipped: bool | None
    signal_to_noise: float
    arrival: float
    polarity: float
    late: float
    level: float
    repeats: int
    apart: float
    verdict: Verdict
    remarks: tuple[Remark, ...]


def checked(
    session: Session,
    pressure: ComplexArray,
    judgement: Judged,
    *,
    usable: BoolArray,
    remarks: Sequence[Remark] = (),
    arrival: FloatArray | None = None,
    noise: FloatArray | None = None,
) -> tuple[Checked, ...]:
    """All readings (R,) of a session, in their order.

    pressure   : (R, F), an evident drift taken out. usable : (F,).
    remarks    : what is wrong with any of them beside what `judgement` says.
    arrival    : (R,) s. noise : (R, F) mean square.
    """
    said = [*judgement.remarks, *remarks]
    level = amplitude_db(np.maximum(np.abs(pressure[:, usable]), 1e-300))
    above = None if noise is None else level - power_db(np.maximum(noise[:, usable], 1e-300))
    fellows = {i: group for group in by_direction(session) for i in group}
    counted = {i for group in judgement.groups for i in group}
    found = []
    readings: Sequence[Impulse | Response] = session.readings
    for i, reading in enumerate(readings):
        mine = tuple(each for each in said if each.reading == i)
        others = [k for k in fellows[i] if k in counted and k != i]
        apart = level[i] - level[others].mean(axis=0) if others else np.zeros(0)
        samples = reading.samples if isinstance(reading, Impulse) else None
        found.append(
            Checked(
                file=reading.file.name,
                azimuth=reading.azimuth,
                off_axis=reading.off_axis,
                repeat=reading.repeat,
                peak=np.nan if samples is None else float(amplitude_db(max(np.abs(samples).max(), 1e-300))),
                clipped=None if samples is None else clipped(samples),
                signal_to_noise=np.nan if above is None else _median(above[i]),
                arrival=np.nan if arrival is None else float(arrival[i]),
                polarity=float(judgement.beside.polarity[i]),
                late=float(judgement.beside.late[i]),
                level=float(judgement.beside.level[i]),
                repeats=len(fellows[i]),
                apart=_median(apart),
                verdict=_verdict(mine, counts=i in counted),
                remarks=mine,
            )
        )
    return tuple(found)


def _verdict(remarks: Sequence[Remark], *, counts: bool) -> Verdict:
    if not counts:
        return "left out"
    if any(each.what != WEAK for each in remarks):
        return "repeat"
    return "weak" if remarks else "good"


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")
