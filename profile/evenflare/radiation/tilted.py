"""What it does to the sound that the driver sits askew: a seat that is not square, a part clamped askew when its back
was cut.

Baffle and waveguide stay where they are; the driver's exit is turned about the throat's centre, and its points keep
their velocity along their normals. A loudspeaker that hangs by its driver turns its whole pattern besides, which is
not counted here. To first order the exit adds sound that is odd in the plane in which it leans, of azimuthal order 1
in a round waveguide; it changes polar responses, but neither the axis nor the power. To second order the index
changes: by the power of that odd sound, which adds up, and by what the odd sound's own meeting with the leaning exit
gives back to the even sound, on axis and in power. Both are counted.

What flows at the exit's edge past a wall that stands wider there on one side and narrower on the other is kept: the
exit gives what it gives at every azimuth. Where the wall does not go on in the exit's own direction that makes the
second order's terms go with the logarithm of how finely the edge is looked at, and the change of the index is good to
its order of magnitude only: a cone of 34 degrees from a flat exit has 2 to 4 dB per rad^2 at 14 kHz, depending on the
setting, which is a thousandth of a dB at one degree. Slopes do not suffer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenflare.air import Air
from evenflare.directivity.types import Observation
from evenflare.radiation import Setting
from evenflare.radiation.field import far_on_axis, overlap, pressure
from evenflare.radiation.march import bands_of, profile_of, refuse_too_large, resolution_of
from evenflare.radiation.medium import Axis, Medium, RoundMedium, first_cap, medium
from evenflare.radiation.one_thread import one_thread
from evenflare.radiation.own_error import DB_PER_SHARE, level_slope
from evenflare.radiation.resolution import Resolution
from evenflare.radiation.source import velocity_of
from evenflare.radiation.throat import Exit, ThroatResponse, throat_response
from evenflare.units import DEGREE, ComplexArray, FloatArray, read_only
from evenflare.waveguide import Waveguide

NONE = 1e-12
"""Share of a tilt toward an axis that is none."""


@dataclass(frozen=True)
class Tilted:
    """What a small tilt of the driver against the waveguide does, at an observation's F frequencies, P planes and A
    angles.

    observation : where.
    pressure    : (F, P, A) of the waveguide as drawn, as Directivity's.
    slope       : (F, P, A) its change for each rad by which the driver's axis leans toward `toward`. Of a round
                  waveguide cos(plane - toward) times its value in the plane of the tilt; across the axis it turns its
                  sign.
    toward      : rad, the azimuth toward which the driver's axis leans: there the exit lies deeper.
    bend        : (F,) dB for each rad squared, of the directivity index on axis in the far field: a tilt of t rad
                  changes it by bend t^2.
    rim         : m, by which the mouth's rim lies out of square to the driver, there and across, for each rad: its
                  radius there, of an oblong mouth as if it were an ellipse.
    """

    observation: Observation
    pressure: ComplexArray
    slope: ComplexArray
    toward: float
    bend: FloatArray
    rim: float

    @property
    def level(self) -> FloatArray:
        """(F, P, A) dB for each rad: the change of the level, re on axis too, where a tilt changes nothing. 0 where
        there is no sound.
        """
        return level_slope(self.pressure, self.slope)

    @property
    def level_per_degree(self) -> FloatArray:
        """(F, P, A) dB for each degree."""
        return self.level * DEGREE

    @property
    def level_per_rise(self) -> FloatArray:
        """(F, P, A) dB for each m by which the mouth's rim lies out of square."""
        return self.level / self.rim

    def index_change(self, angle: float) -> FloatArray:
        """(F,) dB, of the directivity index by a tilt of `angle`, rad."""
        return self.bend * angle**2


def tilted(
    waveguide: Waveguide, observation: Observation, air: Air, *, toward: float = 0.0, setting: Setting = "full"
) -> Tilted:
    """What a small tilt of the driver does to the sound of a waveguide that stays, by the march at a setting.

    toward : rad, azimuth toward which the driver's axis leans: its exit's plane is z = -tilt (x cos + y sin).
    The exit is rigid to odd sound, as pistons are. A body that stands free is taken for a sphere: above -20 dB levels
    changed by what boundary elements say within 0.06 dB per degree (measured on two shells, 3 to 15 kHz). A source that
    keeps its pressure, or has an impedance, moves as it does without the tilt: the change of the throat's impedance is
    of second order, and changes no index.
    Errors: ValueError as any solver's, for a waveguide in a cabinet, and for an oblong one that stands free, whose
            surroundings are known for sound alone that is even about the mouth's planes.
    """
    mounting = waveguide.mounting
    if mounting.cabinet is not None or (mounting.body is not None and not waveguide.is_round):
        raise ValueError(
            f'[mounting] kind = "{mounting.kind}": what surrounds the mouth is solved for sound that is even about its'
            " planes, and a tilt's is odd. Take the same waveguide in a baffle, or a round one that stands free"
        )
    with one_thread():
        return _tilted(waveguide, observation, air, toward, resolution_of(waveguide, setting))


def _tilted(waveguide: Waveguide, observation: Observation, air: Air, toward: float, resolution: Resolution) -> Tilted:
    wavenumber = 2 * np.pi * observation.frequency / air.speed_of_sound
    top = float(wavenumber[-1])
    even = medium(waveguide, resolution, top)
    lean: dict[Axis, float] = {"x": float(np.cos(toward)), "y": float(np.sin(toward))}
    if waveguide.is_round:
        lean = {"x": 1.0}  # toward whatever it leans
    odd = {axis: medium(waveguide, resolution, top, odd_in=axis) for axis, share in lean.items() if abs(share) > NONE}
    refuse_too_large(max(each.bytes_needed(each.sweep, top, resolution) for each in (even, *odd.values())))
    parts = []
    for band in bands_of(wavenumber, resolution.edges):
        here = replace(observation, frequency=observation.frequency[band])
        sound = _drawn(waveguide, even, wavenumber[band], resolution, air)
        slope, bend = np.zeros(here.shape, dtype=np.complex128), np.zeros(wavenumber[band].size)
        for axis, other in odd.items():
            outgoing, added = _leaning(sound, other, axis, resolution)
            slope += lean[axis] * _heard(outgoing, wavenumber[band], other, here, toward)
            bend += lean[axis] ** 2 * added
        moves = velocity_of(waveguide.driver.source, here.frequency, sound.impedance, air=air)[:, None, None]
        nominal = pressure(sound.outgoing, wavenumber[band], end=even.end, observation=here)
        parts.append((moves * nominal, moves * slope, bend))
    found = [np.concatenate(each) for each in zip(*parts, strict=True)]
    nominal, slope = (read_only(each, np.complex128) for each in found[:2])
    return Tilted(observation, nominal, slope, toward, read_only(found[2]), _rim(waveguide, toward))


def _rim(waveguide: Waveguide, toward: float) -> float:
    if waveguide.is_round:
        return waveguide.meridian.mouth_radius
    mouth = waveguide.surface.mouth
    return float(np.hypot(mouth.half_width * np.cos(toward), mouth.half_height * np.sin(toward)))


@dataclass(frozen=True)
class _Drawn:
    """The sound of a waveguide as drawn at wavenumbers (F,), for 1 m/s rms over the exit.

    drive    : (F,) the exit's flux over 2 pi.
    throat   : (F, S) the pressure in the throat's modes.
    outgoing : (F, D), and impedance (F,) as BandSolution's.
    """

    waveguide: Waveguide
    medium: Medium
    wavenumber: FloatArray
    response: ThroatResponse
    drive: ComplexArray
    throat: ComplexArray
    outgoing: ComplexArray
    impedance: ComplexArray


def _drawn(waveguide: Waveguide, even: Medium, wavenumber: FloatArray, resolution: Resolution, air: Air) -> _Drawn:
    response = throat_response(even, wavenumber, resolution)
    driver = waveguide.driver
    drive = np.asarray(1j * wavenumber * air.impedance * driver.exit_area / (2 * np.pi), dtype=np.complex128)
    sources = even.excited(even.sweep, response.order.size, profile_of(driver))
    throat = drive[:, None] * (response.impedance @ sources[-1])
    outgoing = drive[:, None] * (response.outgoing @ sources[-1])
    return _Drawn(waveguide, even, wavenumber, response, drive, throat, outgoing, throat @ sources[0] / air.impedance)


def _leaning(sound: _Drawn, odd: Medium, axis: Axis, resolution: Resolution) -> tuple[ComplexArray, FloatArray]:
    """The odd waves (F, D) for each rad toward an axis, and what they and those of second order do to the index, (F,)
    dB for each rad squared.
    """
    turned = throat_response(odd, sound.wavenumber, resolution)
    exit_ = Exit(
        *first_cap(odd.sweep),
        profile_of(sound.waveguide.driver),
        (sound.response.order, sound.response.degree),
        (turned.order, turned.degree),
        0.5 * np.pi if axis == "y" else 0.0,
    )
    flux = exit_.odd_flux(sound.throat, sound.drive, sound.wavenumber)
    outgoing, throat = (np.einsum("fds,fs->fd", each, flux) for each in (turned.outgoing, turned.impedance))
    back = exit_.even_flux(throat, sound.throat, sound.drive, sound.wavenumber)
    back = np.einsum("fds,fs->fd", sound.response.outgoing, back)
    end, ends = sound.medium.end, (sound.medium.end, sound.medium.end)
    on_axis = far_on_axis(back, sound.wavenumber, end=end) / far_on_axis(sound.outgoing, sound.wavenumber, end=end)
    own = overlap(sound.outgoing, sound.outgoing, ends=ends).real
    added = overlap(outgoing, outgoing, ends=(odd.end, odd.end)).real
    power = (added + 2 * overlap(sound.outgoing, back, ends=ends).real) / own
    return outgoing, 0.5 * DB_PER_SHARE * (2 * on_axis.real - power)


def _heard(
    outgoing: ComplexArray, wavenumber: FloatArray, odd: Medium, observation: Observation, toward: float
) -> ComplexArray:
    """(F, P, A); of a round waveguide, whose odd waves go as the cosine of the azimuth from the tilt's."""
    if not isinstance(odd, RoundMedium):
        return pressure(outgoing, wavenumber, end=odd.end, observation=observation)
    in_the_plane = pressure(outgoing, wavenumber, end=odd.end, observation=replace(observation, plane=np.zeros(1)))
    return np.asarray(in_the_plane * np.cos(observation.plane - toward)[:, None])
