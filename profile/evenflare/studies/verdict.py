"""Whether a target is met and where it is not: every scored frequency against the tolerance, limits, room, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from evenflare.closed_forms import uniform_cone_index
from evenflare.directivity.between import SAME_FREQUENCY
from evenflare.directivity.types import Directivity
from evenflare.metrics import beamwidth, directivity_index, standard_curves
from evenflare.objective import Score, not_counted, own_frequencies, wanted_part
from evenflare.target.target import Target, wanted_beamwidth, wanted_index
from evenflare.units import DEGREE, BoolArray, FloatArray
from evenflare.words import hertz, signed, unit_apart

JUST_OUTSIDE = 1e-9
"""dB beyond the tolerance that are a rounding's."""
MOST_NAMED = 4
"""Frequencies that a sentence names."""


@dataclass(frozen=True)
class Reading:
    """One wanted curve at the scored frequencies with a weight.

    name      : "index", "beamwidth", "horizontal beamwidth" or "vertical beamwidth".
    frequency : (F,) Hz.
    found, wanted : (F,) dB of an index, rad of a beamwidth; the space's angle of a beam that never falls 6 dB.
    deviation : (F,) dB; of beamwidths that of the indices of even beams as wide, found less wanted.
    tolerance : (F,) dB.
    own       : (F,) whether the target's own frequency.
    """

    name: str
    frequency: FloatArray
    found: FloatArray
    wanted: FloatArray
    deviation: FloatArray
    tolerance: FloatArray
    own: BoolArray

    @property
    def outside(self) -> BoolArray:
        """(F,) where it leaves the tolerance."""
        return np.asarray(np.abs(self.deviation) > self.tolerance + JUST_OUTSIDE)

    @property
    def line(self) -> str:
        """What was found, a sentence."""
        what = f"{self.name[0].upper()}{self.name[1:]}"
        count = int(self.outside.sum())
        if not count:
            return f"{what}: inside the tolerance at all {self.frequency.size} scored frequencies."
        own = int((self.outside & self.own).sum())
        worst = int(np.argmax(np.where(self.outside, np.abs(self.deviation) - self.tolerance, -np.inf)))
        allowed = f"±{self.tolerance[worst]:.2g} dB allowed"
        if self.name == "index":
            said = f"{signed(self.deviation[worst])} dB at {hertz(self.frequency[worst])} ({allowed})"
        else:
            found, wanted = (f"{each[worst] / DEGREE:.0f}°" for each in (self.found, self.wanted))
            said = f"{found} instead of {wanted} at {hertz(self.frequency[worst])}"
            said += f" ({signed(self.deviation[worst])} dB as an index, {allowed})"
        return (
            f"{what}: outside the tolerance at {count} of {self.frequency.size} scored frequencies, {own} of them"
            f" among the target's own {int(self.own.sum())}; worst {said}."
        )


@dataclass(frozen=True)
class TargetVerdict:
    """How a directivity stands to a target.

    readings : the index, then beamwidths where any are wanted.
    broken   : limits that are not kept, by name, and by how much in the name's unit.
    left_out : (K,) Hz, the target's own frequencies that are not counted: not observed or not valid.
    room     : dB, how uneven reflected sound is against direct sound, None without a room;
    plays_from : Hz, from where that counts,
    rooms    : in how many rooms, of which it is the mean.
    """

    readings: tuple[Reading, ...]
    broken: Mapping[str, float]
    left_out: FloatArray
    room: float | None = None
    plays_from: float = 0.0
    rooms: int = 1

    @property
    def met(self) -> bool:
        """Whether everything that has a tolerance or limit keeps it, wherever it is asked for."""
        return not (self.broken or self.left_out.size or any(reading.outside.any() for reading in self.readings))

    @property
    def headline(self) -> str:
        """The answer in one sentence."""
        if self.met:
            return "The target is met: everything lies inside the tolerance, and all limits are kept."
        outside = [reading.name for reading in self.readings if reading.outside.any()]
        parts = [f"{' and '.join(outside)} leave{'' if len(outside) > 1 else 's'} the tolerance"] if outside else []
        if self.broken:
            parts.append(f"{len(self.broken)} limit{' is' if len(self.broken) == 1 else 's are'} broken")
        if self.left_out.size:
            parts.append("not all that is wanted could be judged")
        return f"The target is not met: {'; '.join(parts)}."

    @property
    def lines(self) -> list[str]:
        """Where it is met and where not, a sentence each."""
        found = [reading.line for reading in self.readings]
        if self.left_out.size:
            named = ", ".join(hertz(each) for each in self.left_out[:MOST_NAMED])
            more = f" and {self.left_out.size - MOST_NAMED} more" if self.left_out.size > MOST_NAMED else ""
            found.append(f"Wanted but not counted, since there is no valid result: {named}{more}.")
        if self.room is not None:
            found.append(
                f"Room: reflected sound departs from the direct sound's balance by {self.room:.2f} dB rms"
                f"{f' on the mean over {self.rooms} rooms' if self.rooms > 1 else ''}, from"
                f" {hertz(self.plays_from)} on."
            )
        if self.broken:
            broken = ", ".join(f"{unit_apart(name)} by {excess:.3g}" for name, excess in self.broken.items())
            found.append(f"Limits: breaks {broken}.")
        else:
            found.append("Limits: all kept.")
        return found


def verdict(directivity: Directivity, score: Score, target: Target) -> TargetVerdict:
    """How a directivity, whose score is known, stands to a target. ValueError where it cannot be scored."""
    seen = wanted_part(directivity.resolved or directivity, target)
    frequency = seen.observation.frequency
    wanted, tolerance, weight = wanted_index(target, frequency)
    asked = weight > 0.0
    own = np.abs(np.log(frequency[:, None] / own_frequencies(target))).min(axis=1) <= SAME_FREQUENCY

    def reading(name: str, found: FloatArray, wish: FloatArray, deviation: FloatArray) -> Reading:
        at, allowed = frequency[asked], tolerance[asked]
        return Reading(name, at, found[asked], wish[asked], deviation[asked], allowed, own[asked])

    index = directivity_index(seen) if target.index_kind == "sphere" else standard_curves(seen).sound_power_index
    readings = [reading("index", index, wanted, index - wanted)]
    space = np.pi if seen.half_space else 2.0 * np.pi
    for plane, azimuth in target.planes.items():
        wish = wanted_beamwidth(target, frequency, plane=azimuth)
        if wish is None:
            continue
        wish, found = np.minimum(wish, space), beamwidth(seen, plane=azimuth)
        found = np.where(np.isnan(found), space, found)
        name = f"{plane.removeprefix('_')} beamwidth" if plane else "beamwidth"
        readings.append(reading(name, found, wish, uniform_cone_index(found) - uniform_cone_index(wish)))
    broken = {name: excess for name, excess in score.constraints.items() if excess > 0.0}
    in_room = score.terms.get("room_db"), target.plays_from, len(target.rooms)
    return TargetVerdict(tuple(readings), broken, not_counted(directivity, target), *in_room)
