"""What a cabinet of finite width does to the lows: a quick estimate, from a point source on a rigid sphere.

Far below the frequency whose wavelength is the cabinet's girth, sound goes all round it: on axis half the pressure of
an infinite baffle, 6 dB less; the power falls by 3 dB. Far above, it is as in the baffle.

Limits: a sphere has no edges, whose diffraction adds ripples of some 2 dB to a box; the driver is in the middle of the
front and small; nothing is said of directions off axis, and a wall or the floor nearby takes the step back in part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from evenflare.closed_forms import cap_index, cap_pattern
from evenflare.dsp.biquad import Biquad, low_shelf, response
from evenflare.units import FloatArray, amplitude_db, power_db

FULL = float(amplitude_db(2.0))
"""dB, the whole step on axis: half the pressure."""

LOWEST = 0.6
"""Of the frequency half-way up a step: from there at least it must be known for a shelf to be fitted."""


@dataclass(frozen=True)
class BaffleStep:
    """The step of a cabinet.

    radius      : m, of the sphere with the same frontal area; None where the cabinet itself was solved.
    half_way    : Hz, where the level on axis is 3 dB below that in an infinite baffle.
    frequency   : Hz, of the low shelf that takes the step back, with
    gain        : dB and
    quality     : of it.
    left        : dB rms, what the shelf leaves from an octave below `half_way` to two above.
    """

    radius: float | None
    half_way: float
    frequency: float
    gain: float
    quality: float
    left: float

    def shelf(self, sample_rate: float) -> Biquad:
        """The shelf at a sample rate (Hz)."""
        return low_shelf(self.frequency, gain_db=self.gain, quality=self.quality, sample_rate=sample_rate)

    def left_on_axis(self, frequency: FloatArray, *, speed_of_sound: float) -> FloatArray:
        """(F,) of the pressure in an infinite baffle, what a sphere of `radius` leaves on axis; 1 without one."""
        if self.radius is None:
            return np.ones(frequency.size)
        return np.asarray(10.0 ** (on_axis_step(frequency, self.radius, speed_of_sound=speed_of_sound) / 20.0))


def on_axis_step(frequency: FloatArray, radius: float, *, speed_of_sound: float) -> FloatArray:
    """Level (F,) dB on axis of a point source on a rigid sphere of `radius` (m), re that in an infinite baffle.

    -6.02 dB where the sphere is small against the wavelength, 0 dB where it is large.
    Source: Beranek and Mellow, Acoustics (2012), section 12.5.
    """
    size = 2.0 * np.pi * frequency * radius / speed_of_sound
    return amplitude_db(cap_pattern(size, np.zeros(1), half_angle=0.0)[:, 0]) - FULL


def power_step(frequency: FloatArray, radius: float, *, speed_of_sound: float) -> FloatArray:
    """The same of the sound power: -3.01 dB where small. From the level on axis and the index. Source as above."""
    size = 2.0 * np.pi * frequency * radius / speed_of_sound
    index = cap_index(size, half_angle=0.0)
    return on_axis_step(frequency, radius, speed_of_sound=speed_of_sound) - index + power_db(2.0)


def baffle_step(width: float, height: float, *, speed_of_sound: float) -> BaffleStep:
    """The step of a cabinet of a front width and height, m, taken as the sphere with the same frontal area."""
    radius = float(np.sqrt(width * height / np.pi))
    corner = speed_of_sound / (2.0 * np.pi * radius)  # where the wavelength is the girth
    at = corner * np.geomspace(0.02, 8.0, 400)
    found = fitted(at, on_axis_step(at, radius, speed_of_sound=speed_of_sound))
    assert found is not None  # the frequencies reach over the whole step
    return replace(found, radius=radius)


def fitted(frequency: FloatArray, step: FloatArray) -> BaffleStep | None:
    """The shelf that takes back a level `step` (F,) dB on axis, re an infinite baffle, at rising frequencies (F,) Hz.

    None unless they reach from `LOWEST` of where half of it is done to above that.
    """
    above = np.flatnonzero(step > -3.0)
    if not above.size or frequency[0] > LOWEST * frequency[above[0]]:
        return None
    half_way = float(frequency[above[0]])
    near = (frequency > 0.5 * half_way) & (frequency < 4.0 * half_way)

    def error(row: FloatArray) -> FloatArray:
        shelf = low_shelf(float(np.exp(row[0])), gain_db=float(row[1]), quality=float(row[2]), sample_rate=RATE)
        return amplitude_db(response([shelf], frequency[near], sample_rate=RATE)) + step[near]

    bounds = ([np.log(0.1 * half_way), 0.0, 0.4], [np.log(10.0 * half_way), FULL, 0.9])
    done = least_squares(error, [np.log(half_way), 5.0, 0.6], bounds=bounds)
    corner, gain, quality = (float(each) for each in (np.exp(done.x[0]), *done.x[1:]))
    return BaffleStep(None, half_way, corner, gain, quality, float(np.sqrt(np.mean(done.fun**2))))


RATE = 96000.0
"""Hz, of the shelf while it is fitted; far above its corner the rate does not matter."""
