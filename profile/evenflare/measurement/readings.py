"""What a rig has read: sounds and responses by direction, how the rig stood, and what was assumed about both."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np

from evenflare.air import STANDARD_PRESSURE, Air, air_at
from evenflare.directivity.types import Symmetry
from evenflare.units import DEGREE, ComplexArray, FloatArray, read_only

Kind = Literal["impulse_response", "sweep", "response"]
MountingKind = Literal["baffle", "sphere", "free_standing", "cabinet"]
Order = Literal["runs", "directions"]


@dataclass(frozen=True)
class Impulse:
    """One recorded sound: an impulse response, or what the microphone heard of a sweep.

    azimuth     : rad, of the plane: 0 horizontal, pi/2 vertical.
    off_axis    : rad, -pi to pi, + toward +x or up.
    repeat      : 1 for the first reading of a direction.
    samples     : (N,) as the file holds them, 1 at full scale; times `Session.full_scale` they are Pa.
    sample_rate : Hz.
    file        : where it was read.
    """

    azimuth: float
    off_axis: float
    repeat: int
    samples: FloatArray
    sample_rate: float
    file: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples))


@dataclass(frozen=True)
class Response:
    """One response over frequency, of a direction; a microphone's own has the direction 0.

    azimuth, off_axis, repeat, file : as `Impulse`.
    frequency   : (F,) Hz, > 0, strictly rising.
    pressure    : (F,) complex rms Pa, phasors exp(+j w t), travel time in its phase; a microphone's own has no unit.
    phase_known : False where only the level was read: `pressure` is then real.
    """

    azimuth: float
    off_axis: float
    repeat: int
    frequency: FloatArray
    pressure: ComplexArray
    phase_known: bool
    file: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", read_only(self.frequency))
        object.__setattr__(self, "pressure", read_only(self.pressure, np.complex128))


class Remark(NamedTuple):
    """What is wrong with one reading: its index, what in a word or two, and a sentence with file and remedy."""

    reading: int
    what: str
    words: str


@dataclass(frozen=True)
class Rig:
    """How source and microphone stood.

    distance          : m, from the turntable's axis, where it crosses the waveguide's, to the microphone.
    temperature       : K.
    humidity          : relative, 0 to 1.
    mounting          : what surrounded the mouth; "baffle" is a half space.
    source_height     : m above the ground, as
    microphone_height : is; None where not stated, and then no reflection is foreseen.
    pressure          : Pa, of the atmosphere.
    rotation_centre_z : m from the throat plane along the waveguide's axis: distance and angles count from there. None
                        for the mouth plane where no design says where that lies.
    lossy             : whether what was read has the losses of the air between in it.
    wall              : m from the line between source and microphone to the nearest surface beside it, or None.
    """

    distance: float
    temperature: float
    humidity: float
    mounting: MountingKind
    source_height: float | None = None
    microphone_height: float | None = None
    pressure: float = STANDARD_PRESSURE
    rotation_centre_z: float | None = None
    lossy: bool = True
    wall: float | None = None

    @property
    def air(self) -> Air:
        """Of that weather."""
        return air_at(self.temperature, self.humidity, pressure=self.pressure)


@dataclass(frozen=True)
class Doubts:
    """How well the rig is known: standard uncertainties. Defaults are judgement, no source.

    angle      : rad, of each reading.
    position   : m, of the turntable's axis from the point that is stated for it, in each direction.
    distance   : m.
    microphone : dB, of its sensitivity or calibration.
    drift      : dB, of level from reading to reading, where no repeats tell it.
    """

    angle: float = 0.2 * DEGREE
    position: float = 3e-3
    distance: float = 5e-3
    microphone: float = 0.3
    drift: float = 0.03


@dataclass(frozen=True)
class Gate:
    """The part of an impulse response that is used, s; None where the session leaves it open.

    length : from the arrival to the end of the taper.
    lead   : kept before the arrival.
    taper  : the last part of `length`, over which it falls to nothing.
    """

    length: float | None = None
    lead: float | None = None
    taper: float | None = None


@dataclass(frozen=True)
class NearField:
    """One reading close to the mouth, for frequencies that the gate leaves out.

    reading  : on axis; an `Impulse` of the session's kind, or a `Response`.
    overlap  : Hz, from and to, over which it is scaled to the gated reading and gives way to it.
    distance : m, from the mouth plane, > 0. position: m, standard uncertainty of it.
    radius   : m, of a flat piston in a baffle that stands for the source, or None to ask the design.
    length   : s, of the record from the arrival on; None for all of it.
    """

    reading: Impulse | Response
    overlap: tuple[float, float]
    distance: float = 5e-3
    position: float = 1e-3
    radius: float | None = None
    length: float | None = None


@dataclass(frozen=True)
class Session:
    """A measurement of one waveguide, every file read.

    name       : the user's.
    path       : the session file.
    design     : the design file that was built, or None.
    rig        : how it stood.
    kind       : what the readings are: `Impulse` for "impulse_response" and "sweep", `Response` for "response".
    readings   : at least one; by plane, then angle, then repeat. Sounds share one sample rate.
    symmetry   : what a side or plane that is missing is taken to be.
    gate       : as far as stated.
    microphone : its own response, to be divided out, or None.
    reference  : (N,) the sweep as it was played, at the recordings' sample rate; for "sweep" only.
    sweep_from : Hz, and
    sweep_to   : Hz, ends of the sweep's band; None to tell them from the reference.
    full_scale : Pa per unit of a sound's samples; 1 where not stated, and then levels are relative only.
    absolute   : whether levels are those of the sound, by a stated full scale or 0 dB.
    frequency  : (F,) Hz asked for, strictly rising, or None.
    smoothing  : 1 / this of an octave, or None for none.
    reach      : m, half the mouth's largest width where a design is known: sound comes from no farther aside.
    assumed    : what the files do not say and was taken to be, in words.
    doubts     : how well the rig is known.
    order      : in which the readings were taken: all directions once and then again, or each direction's repeats one
                 after the other; None where not stated.
    near       : a reading close to the mouth, or None.
    """

    name: str
    path: Path
    design: Path | None
    rig: Rig
    kind: Kind
    readings: tuple[Impulse, ...] | tuple[Response, ...]
    symmetry: Symmetry
    gate: Gate = Gate()
    microphone: Response | None = None
    reference: FloatArray | None = None
    sweep_from: float | None = None
    sweep_to: float | None = None
    full_scale: float = 1.0
    absolute: bool = False
    frequency: FloatArray | None = None
    smoothing: float | None = None
    reach: float | None = None
    assumed: tuple[str, ...] = ()
    doubts: Doubts = Doubts()
    order: Order | None = None
    near: NearField | None = None

    def __post_init__(self) -> None:
        for name in ("reference", "frequency"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))
