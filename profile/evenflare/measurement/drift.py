"""What repeats say of a drift of level and of travel time over the session, and readings with it taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from evenflare.measurement.readings import Session
from evenflare.measurement.robust import weighed
from evenflare.measurement.turntable import lags
from evenflare.units import BoolArray, ComplexArray, FloatArray, IntArray, amplitude_db

LEAST_GROUPS = 3
"""Directions that must have been repeated."""
EVIDENT = 4.0
"""Standard errors of a trend from which it is taken out: of a normal scatter one in sixteen thousand."""
LEAST_LEVEL = 0.02
"""dB over the session, and
LEAST_DELAY s, below which no trend is worth taking out."""
LEAST_DELAY = 0.3e-6
LOUD_DB = -20.0
"""re the loudest reading of a frequency: weaker ones are mostly noise."""
BEND = 0.125
"""Of a trend over the session, by which it may leave its straight line where two runs only tell it: a drift that dies
out evenly over the session bends by so much in its middle."""


@dataclass(frozen=True)
class Trend:
    """A straight line over the session, the first reading to the last: its rise, its standard error, whether it is
    `evident`, and was taken out.
    """

    rise: float
    error: float
    evident: bool
    taken_out: bool


@dataclass(frozen=True)
class Drift:
    """What was found.

    level   : dB. delay : s, of travel; None where phases are not known.
    left    : dB, standard uncertainty of a reading's level from what is left of the drift, and its
    freedom : degrees of freedom.
    ordered : whether the session says in which order it was read.
    """

    level: Trend
    delay: Trend | None
    left: float
    freedom: float
    ordered: bool

    def findings(self, session: Session) -> dict[str, Any]:
        """Plain values for session.json."""
        found: dict[str, Any] = {
            "level_db": self.level.rise,
            "level_error_db": self.level.error,
            "level_corrected": self.level.taken_out,
            "left_db": self.left,
        }
        if self.delay is not None:
            found |= {
                "travel_time_us": 1e6 * self.delay.rise,
                "travel_time_error_us": 1e6 * self.delay.error,
                "temperature_k": self.warming(session),
                "travel_time_corrected": self.delay.taken_out,
            }
        return found

    def warming(self, session: Session) -> float:
        """K, that would change the travel time so: it goes as the root of the temperature."""
        travel = session.rig.distance / session.rig.air.speed_of_sound
        return 0.0 if self.delay is None else -2.0 * session.rig.temperature * self.delay.rise / travel

    def words(self, session: Session) -> list[str]:
        """What a user must know."""
        said = []
        if self.level.evident:
            said.append(f"the level by {self.level.rise:+.2f} ± {self.level.error:.2f} dB")
        late = self.delay
        if late is not None and late.evident:
            said.append(
                f"the travel time by {1e6 * late.rise:+.1f} ± {1e6 * late.error:.1f} microseconds, as"
                f" {self.warming(session):+.1f} K would"
            )
        if not said:
            return []
        if not self.ordered:
            return [
                f"from each direction's first reading to its last there drifted {' and '.join(said)}: not corrected,"
                ' since [files] order does not say whether whole runs ("runs") or each direction ("directions") were'
                " repeated. State it"
            ]
        return [f"over the session there drifted {' and '.join(said)}: taken out. Let the rig warm up, note the air"]


def undrifted(
    session: Session, found: ComplexArray, *, frequency: FloatArray, usable: BoolArray, phase_known: bool = True
) -> tuple[ComplexArray, Drift | None]:
    """Readings (R, F) with an evident drift taken out, about the middle of the session; None without repeats.

    A straight line over the place of a reading in the session, and a level of each direction's own, are fitted to
    levels and arrivals: robust, so that one wrong file does not speak for all. Sources: least squares with fixed
    effects; Huber (1964) as in `turntable`.
    """
    groups = _groups(session)
    repeated = [index for index in np.unique(groups) if np.count_nonzero(groups == index) > 1]
    if len(repeated) < LEAST_GROUPS or not np.any(usable):
        return found, None
    place = _places(session)
    level = amplitude_db(np.maximum(np.abs(found[:, usable]), 1e-300))
    loud = level > level.max(axis=0) + LOUD_DB
    rows, levels, delays = [], [], []
    for index in repeated:
        mine = np.flatnonzero(groups == index)
        heard = loud[mine].all(axis=0)
        if np.count_nonzero(heard) < 3:
            continue
        own = np.median(level[mine][:, heard] - level[mine][:, heard].mean(axis=0), axis=1)
        rows.append(place[mine] - place[mine].mean())
        levels.append(own - own.mean())
        if phase_known:
            late = lags(found[mine[0], usable], found[np.ix_(mine, usable)], frequency=frequency[usable])
            delays.append(late - late.mean())
    if len(rows) < LEAST_GROUPS:
        return found, None
    along = np.concatenate(rows)
    ordered = session.order is not None
    trends = [
        _trend(along, np.concatenate(values), least, ordered)
        for values, least in ((levels, LEAST_LEVEL), (delays, LEAST_DELAY))
        if values
    ]
    rise, late_rise = trends[0], trends[1] if len(trends) > 1 else None
    if rise.taken_out:
        found = found * 10.0 ** (-0.05 * rise.rise * place)[:, None]
    if late_rise is not None and late_rise.taken_out:
        found = found * np.exp(2j * np.pi * np.outer(late_rise.rise * place, frequency))
    spread = float(np.std(place))
    runs = max(np.count_nonzero(groups == index) for index in repeated)
    bend = BEND * abs(rise.rise) / np.sqrt(3.0) if runs < 3 else 0.0
    left = float(np.hypot(spread * (rise.error if rise.taken_out else np.hypot(rise.rise, rise.error)), bend))
    return found, Drift(rise, late_rise, left, float(len(along) - len(rows) - 1), ordered)


def _trend(along: FloatArray, values: FloatArray, least: float, ordered: bool) -> Trend:
    value, error = weighed(along[:, None], values)
    evident = abs(value) > max(EVIDENT * error, least)
    return Trend(value, error, evident, ordered and evident)


def _groups(session: Session) -> IntArray:
    """(R,) number of the direction of each reading; the axis and straight behind are one in all planes."""
    seen: dict[tuple[int, int], int] = {}
    found = []
    for each in session.readings:
        angle = round(each.off_axis / 1e-6)
        pole = angle == 0 or abs(abs(each.off_axis) - np.pi) < 1e-6
        found.append(
            seen.setdefault((0 if pole else round(each.azimuth / 1e-6), abs(angle) if pole else angle), len(seen))
        )
    return np.array(found)


def _places(session: Session) -> FloatArray:
    """(R,) when each was read, -1/2 for the first and 1/2 for the last; without an order by the number of repeat."""
    repeat = np.array([each.repeat for each in session.readings], dtype=float)
    if session.order is None:
        span = max(float(np.ptp(repeat)), 1.0)
        return np.asarray((repeat - repeat.mean()) / span)
    turn = np.argsort(repeat, kind="stable") if session.order == "runs" else np.arange(repeat.size)
    place = np.empty(repeat.size)
    place[turn] = np.linspace(-0.5, 0.5, repeat.size)
    return place
