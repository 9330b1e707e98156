"""The tables of a session file and what their values may be."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from evenflare.directivity.types import Symmetry
from evenflare.measurement.readings import Doubts, Gate, MountingKind, Order
from evenflare.names import FileName, Name
from evenflare.schema import Barometer, Humidity, Table, Temperature, fault, number, rising
from evenflare.units import DEGREE, MILLIMETRE, MILLISECOND, FloatArray

MINIMAL = """[rig]
distance_m = 2.0
[files]
kind = "impulse_response"
horizontal = "turn_{off_axis_deg}.wav"
symmetry = "round\""""

Height = Annotated[float, number(0.01, 500)]
Frequency = Annotated[float, number(1, 100000)]
Angles = Annotated[
    list[Annotated[float, number(-180, 360)]], Field(min_length=1, max_length=1000), AfterValidator(rising)
]


LEAST_OVERLAP = 1.25
"""Ratio of the ends of the band over which near and far readings are held against each other: a third of an octave."""


class RigTable(Table):
    """[rig]: how source and microphone stood, and the weather."""

    distance_m: Annotated[float, number(0.05, 1000)] = Field(examples=[2.0])
    source_height_m: Height | None = None
    microphone_height_m: Height | None = None
    wall_m: Annotated[float, number(0.01, 1000)] | None = None
    temperature_c: Temperature | None = None
    humidity_percent: Humidity | None = None
    pressure_kpa: Barometer | None = None
    rotation_centre_z_mm: Annotated[float, number(-2000, 2000)] | None = None
    mounting: MountingKind | None = None


class FilesTable(Table):
    """[files]: which files, and what they are."""

    kind: Literal["impulse_response", "sweep", "response", "sofa"] = Field(examples=["impulse_response"])
    horizontal: FileName | None = None
    vertical: FileName | None = None
    sofa: FileName | None = None
    symmetry: Symmetry | None = None
    reference: FileName | None = None
    sweep_from_hz: Frequency | None = None
    sweep_to_hz: Frequency | None = None
    channel: Annotated[int, number(1, 64, whole=True)] | None = None
    zero_db_pa: Annotated[float, number(1e-9, 1e9)] | None = None
    air_losses: Literal["in", "out"] | None = None
    order: Order | None = None

    @model_validator(mode="after")
    def _consistent(self) -> FilesTable:
        orbits = [key for key in ("horizontal", "vertical") if getattr(self, key) is not None]
        if self.kind == "sofa":
            if self.sofa is None:
                raise fault('sofa: missing beside kind = "sofa". Add for example sofa = "prototype.sofa"')
            self._alone(*orbits, "reference", "sweep_from_hz", "sweep_to_hz", "channel", "zero_db_pa")
            return self
        self._alone("sofa")
        if not orbits:
            ending = "txt" if self.kind == "response" else "wav"
            raise fault(f'horizontal: missing. Add for example horizontal = "turn_{{off_axis_deg}}.{ending}"')
        if self.kind == "sweep" and self.reference is None:
            raise fault(
                'reference: missing beside kind = "sweep", the sweep as it was played.'
                ' Add for example reference = "sweep.wav"'
            )
        if self.kind != "sweep":
            self._alone("reference", "sweep_from_hz", "sweep_to_hz")
        elif (self.sweep_from_hz or 0.0) >= (self.sweep_to_hz or np.inf):
            raise fault(
                f"sweep_from_hz = {self.sweep_from_hz:g}: must be below sweep_to_hz = {self.sweep_to_hz:g}. Lower it"
            )
        if self.kind == "response":
            self._alone("channel")
        else:
            self._alone("zero_db_pa", "air_losses")
        return self

    def _alone(self, *others: str) -> None:
        """Fault if one of the keys is given that this kind has no use for."""
        for key in others:
            if getattr(self, key) is not None:
                raise fault(f'{key}: does not belong to kind = "{self.kind}". Remove it, or correct the kind')


class GateTable(Table):
    """[gate]: the part of an impulse response that is used; of responses, the length that was used by another."""

    length_ms: Annotated[float, number(0.2, 2000)] | None = None
    lead_ms: Annotated[float, number(0, 100)] | None = None
    taper_ms: Annotated[float, number(0, 2000)] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> GateTable:
        if self.taper_ms is not None and self.length_ms is not None and self.taper_ms > self.length_ms:
            raise fault(
                f"taper_ms = {self.taper_ms:g}: must be at most length_ms = {self.length_ms:g}, whose last part it is."
                " Lower it"
            )
        return self

    def value(self) -> Gate:
        """In s."""
        return Gate(*(None if ms is None else ms * MILLISECOND for ms in (self.length_ms, self.lead_ms, self.taper_ms)))


class MicrophoneTable(Table):
    """[microphone]: its own response, and what full scale of its recordings is."""

    calibration: FileName | None = None
    full_scale_pa: Annotated[float, number(1e-9, 1e9)] | None = None


class UncertaintyTable(Table):
    """[uncertainty]: how well the rig is known, standard uncertainties."""

    angle_deg: Annotated[float, number(0, 10)] = 0.2
    position_mm: Annotated[float, number(0, 500)] = 3.0
    distance_mm: Annotated[float, number(0, 1000)] = 5.0
    microphone_db: Annotated[float, number(0, 10)] = 0.3
    drift_db: Annotated[float, number(0, 10)] = 0.03

    def value(self) -> Doubts:
        """In SI."""
        return Doubts(
            self.angle_deg * DEGREE,
            self.position_mm * MILLIMETRE,
            self.distance_mm * MILLIMETRE,
            self.microphone_db,
            self.drift_db,
        )


class PlanTable(Table):
    """[plan]: the readings that are to be taken."""

    horizontal_deg: Angles | None = None
    vertical_deg: Angles | None = None
    repeats: Annotated[int, number(1, 100, whole=True)] = 1


class NearFieldTable(Table):
    """[near_field]: one reading close to the mouth, for the low end."""

    file: FileName = Field(examples=["near.wav"])
    overlap_from_hz: Frequency = Field(examples=[250])
    overlap_to_hz: Frequency = Field(examples=[500])
    distance_mm: Annotated[float, number(1, 100)] = 5.0
    position_mm: Annotated[float, number(0, 50)] = 1.0
    radius_mm: Annotated[float, number(5, 500)] | None = None
    length_ms: Annotated[float, number(5, 10000)] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> NearFieldTable:
        if not self.overlap_to_hz >= LEAST_OVERLAP * self.overlap_from_hz:
            raise fault(
                f"overlap_to_hz = {self.overlap_to_hz:g}: must be at least {LEAST_OVERLAP:g} times overlap_from_hz ="
                f" {self.overlap_from_hz:g}, so that both readings can be held against each other. Raise it"
            )
        return self


class ResultTable(Table):
    """[analysis]: at which frequencies the result is wanted, and how smooth."""

    elsewhere: ClassVar[dict[str, str]] = {
        "distance_m": "is the rig's here. Write it below [rig]",
        "off_axis_step_deg": "is what was measured here. Remove it",
    }

    frequencies_hz: Annotated[list[Frequency], Field(min_length=1, max_length=5000), AfterValidator(rising)] | None = (
        None
    )
    from_hz: Frequency | None = None
    to_hz: Frequency | None = None
    per_octave: Annotated[float, number(0.5, 96)] | None = None
    smoothing_per_octave: Annotated[float, number(1, 96)] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> ResultTable:
        spread = {key: getattr(self, key) for key in ("from_hz", "to_hz", "per_octave")}
        given = [key for key, value in spread.items() if value is not None]
        if self.frequencies_hz is not None and given:
            raise fault(f"frequencies_hz and {given[0]} exclude each other: remove one")
        if given and len(given) < len(spread):
            lacking = next(key for key in spread if key not in given)
            example = {"from_hz": 200, "to_hz": 20000, "per_octave": 24}[lacking]
            raise fault(f"{lacking}: missing beside {given[0]}. Add for example {lacking} = {example}")
        if given and not self._low < self._high:
            raise fault(f"from_hz = {self._low:g}: must be below to_hz = {self._high:g}. Lower it, or raise to_hz")
        return self

    @property
    def _low(self) -> float:
        return self.from_hz or 0.0

    @property
    def _high(self) -> float:
        return self.to_hz or 0.0

    @property
    def frequency(self) -> FloatArray | None:
        """(F,) Hz, rising, or None where nothing is asked for."""
        if self.frequencies_hz is not None:
            return np.array(self.frequencies_hz)
        if self.per_octave is None:
            return None
        count = int(np.floor(self.per_octave * np.log2(self._high / self._low) + 1e-9))
        return np.asarray(self._low * 2.0 ** (np.arange(count + 1) / self.per_octave))


class SessionFile(Table):
    """A session file."""

    name: Name | None = None
    design: FileName | None = None
    rig: RigTable
    files: FilesTable
    gate: GateTable = GateTable()
    microphone: MicrophoneTable = MicrophoneTable()
    analysis: ResultTable = ResultTable()
    uncertainty: UncertaintyTable = UncertaintyTable()
    plan: PlanTable = PlanTable()
    near_field: NearFieldTable | None = None

    @model_validator(mode="after")
    def _consistent(self) -> SessionFile:
        sounds = self.files.kind in ("impulse_response", "sweep")
        heights = [key for key in ("source_height_m", "microphone_height_m") if getattr(self.rig, key) is None]
        if sounds and self.gate.length_ms is None and heights:
            raise fault(
                f"[rig] {heights[0]}: missing, and without it no reflection-free time is known for the gate."
                f" Add for example {heights[0]} = 3.0, or [gate] length_ms = 5.0"
            )
        shaped = {
            "[gate] lead_ms": self.gate.lead_ms,
            "[gate] taper_ms": self.gate.taper_ms,
            "[microphone] full_scale_pa": self.microphone.full_scale_pa,
        }
        for key, value in shaped.items():
            if not sounds and value is not None:
                raise fault(f'{key}: does not belong to [files] kind = "{self.files.kind}", no sound. Remove it')
        for plane in ("horizontal", "vertical"):
            name, angles = getattr(self.files, plane), getattr(self.plan, f"{plane}_deg")
            if angles is not None and name is None:
                raise fault(f"[plan] {plane}_deg: no {plane} in [files] names such readings. Add it, or remove this")
            if angles is not None and self.plan.repeats > 1 and "{repeat}" not in name:
                raise fault(
                    f"[plan] repeats = {self.plan.repeats}: [files] {plane} must tell repeats apart. Write {{repeat}}"
                    " into it, as in turn_{off_axis_deg}_{repeat}.wav"
                )
        return self
