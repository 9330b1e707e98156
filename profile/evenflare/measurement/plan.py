"""What a measurement will be able to tell, worked out from the place before going there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from evenflare.air import STANDARD_PRESSURE, Air, absorption, air_at
from evenflare.directivity.types import Symmetry
from evenflare.measurement.window import (
    GATE_SHARE,
    far_field_distance,
    far_field_limit,
    lowest_frequency,
    reflection_free_time,
    rim_lag,
)
from evenflare.units import DEGREE, FloatArray, read_only

SHOWN: FloatArray = np.array([1e3, 2e3, 5e3, 1e4, 2e4])
"""Hz, of the table over frequency."""
RIG_DELAY = 0.01
"""s that a recorder may add before the sound leaves. Judgement, no source."""


@dataclass(frozen=True)
class MeasuringPlace:
    """Where it is to be measured, and what. SI, rad.

    distance                         : m along the line that sound travels, > the difference of the heights.
    source_height, microphone_height : m above the ground, > 0.
    mouth                            : m, the largest width of what radiates.
    mouth_height                     : m, of an oblong one across it, or None.
    wall                             : m from that line to the nearest other surface beside it, or None.
    step                             : rad between angles.
    baffle                           : whether the mouth lies in a baffle, with nothing to measure behind it.
    spare                            : whether what the symmetry gives is left out.
    """

    distance: float
    source_height: float
    microphone_height: float
    mouth: float
    wall: float | None = None
    temperature: float = 293.15
    humidity: float = 0.5
    pressure: float = STANDARD_PRESSURE
    symmetry: Symmetry = "left_right"
    step: float = 10.0 * DEGREE
    repeats: int = 1
    baffle: bool = False
    spare: bool = False
    mouth_height: float | None = None

    @property
    def air(self) -> Air:
        """Of that weather."""
        return air_at(self.temperature, self.humidity, pressure=self.pressure)


@dataclass(frozen=True)
class MeasurementPlan:
    """What the place allows.

    ground, wall      : s after the direct sound until either reflection; None without a wall.
    free              : s, the lesser of the two.
    gate              : s from the arrival to the end of the taper, 0.9 of `free`.
    lowest            : Hz, 1 over the gate, and
    lowest_even       : twice that, from which a level is good to about 1 dB.
    record            : s that a recording must last at least.
    far_field_to      : Hz, up to which the distance is in the mouth's far field.
    angles_to         : Hz, up to which the step tells what lies between the angles.
    frequency         : (F,) Hz of the next three.
    far_field         : (F,) m, distance from which the far field begins.
    lag               : (F,) rad, by which the rim's wave lags the centre's at the distance.
    loss              : (F,) dB, that the air takes on the way.
    angles            : by plane name, (A,) rad to be measured.
    """

    place: MeasuringPlace
    ground: float
    wall: float | None
    free: float
    gate: float
    lowest: float
    lowest_even: float
    record: float
    far_field_to: float
    angles_to: float
    frequency: FloatArray
    far_field: FloatArray
    lag: FloatArray
    loss: FloatArray
    angles: dict[str, FloatArray]

    def __post_init__(self) -> None:
        for name in ("frequency", "far_field", "lag", "loss"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def readings(self) -> int:
        """How many are to be taken."""
        return self.place.repeats * sum(angles.size for angles in self.angles.values())


def plan(place: MeasuringPlace) -> MeasurementPlan:
    """The plan of a place. ValueError if the distance is not above the difference of the heights.

    The step suffices up to c / (mouth x step): the pattern of a mouth D changes over lambda / D at the quickest.
    Source: sampling theorem for an aperture (from memory); CTA-2034-A's orbits are those of 10 degrees.
    """
    rise = place.source_height - place.microphone_height
    if not place.distance > abs(rise):
        raise ValueError(
            f"distance {place.distance:g} m: must be above the difference of the heights, {abs(rise):g} m. Correct one"
        )
    speed = place.air.speed_of_sound
    ground = reflection_free_time(
        float(np.sqrt(place.distance**2 - rise**2)),
        place.source_height,
        microphone_height=place.microphone_height,
        speed_of_sound=speed,
    )
    wall = None
    if place.wall is not None:
        wall = reflection_free_time(place.distance, place.wall, microphone_height=place.wall, speed_of_sound=speed)
    free = ground if wall is None else min(ground, wall)
    gate = GATE_SHARE * free
    lost = absorption(SHOWN, place.temperature, humidity=place.humidity, pressure=place.pressure)
    return MeasurementPlan(
        place=place,
        ground=ground,
        wall=wall,
        free=free,
        gate=gate,
        lowest=lowest_frequency(gate),
        lowest_even=2.0 * lowest_frequency(gate),
        record=place.distance / speed + gate + RIG_DELAY,
        far_field_to=far_field_limit(place.mouth, place.distance, speed_of_sound=speed),
        angles_to=speed / (place.mouth * place.step),
        frequency=SHOWN,
        far_field=far_field_distance(place.mouth, SHOWN, speed_of_sound=speed),
        lag=rim_lag(place.mouth, SHOWN, distance=place.distance, speed_of_sound=speed),
        loss=lost * place.distance,
        angles=angles_of(place.symmetry, step=place.step, baffle=place.baffle, spare=place.spare),
    )


def angles_of(symmetry: Symmetry, *, step: float, baffle: bool = False, spare: bool = False) -> dict[str, FloatArray]:
    """Off-axis angles (A,) rad to be measured, by plane: both orbits whole, or as few as the symmetry allows.

    step  : rad, goes into the quarter-circle a whole number of times. At 10 degrees whole orbits are those of
            ANSI/CTA-2034-A (the vertical one repeats 0 and 180).
    spare : leave out the sides and planes that the symmetry gives.
    """
    end = 0.5 * np.pi if baffle else np.pi
    half: FloatArray = np.asarray(np.arange(round(end / step) + 1) * step)
    # Straight behind is one direction, whichever side it is reached from.
    whole: FloatArray = np.concatenate([-half[:0:-1] if baffle else -half[-2:0:-1], half])
    if not spare:
        return {"horizontal": whole, "vertical": whole}
    if symmetry == "round":
        return {"horizontal": half}
    return {
        "horizontal": whole if symmetry == "none" else half,
        "vertical": half if symmetry == "two_planes" else whole,
    }
