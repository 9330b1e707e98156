"""The driver in files that users write: its exit, how that moves, and the source behind it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from evenflare.columns import numbers
from evenflare.design.walls import csv_file, faults_at
from evenflare.files import InputError, is_file, is_folder
from evenflare.names import FileName
from evenflare.schema import Table, checked, counted, fault, number, parsed, rising, shown
from evenflare.units import DEGREE, MILLIMETRE, FloatArray
from evenflare.waveguide import Driver, Source
from evenflare.waveguide.driver import SourceKind

LARGEST_IMPEDANCE = 1e6
"""Over density times speed of sound."""
LARGEST_PRESSURE = 1e6
"""Pa."""

SAME_DIAMETER = 0.05
"""mm between the exit that was calibrated and the one that is to move alike."""
BY_CALIBRATION = ("exit_half_angle_deg", "velocity_profile")
"""What a calibrated driver says itself."""
CALIBRATED = """[driver]
exit_diameter_mm = 25.4
exit_half_angle_deg = 4.2
[fitted.exit_half_angle_deg]
value = 4.2"""

INLINE = ("source_frequencies_hz", "source_resistance", "source_reactance", "source_pressure_pa")
"""A source's impedance in the file itself, one list for each column of the CSV."""


def _profile(pairs: list[list[float]]) -> list[list[float]]:
    share, velocity = zip(*pairs, strict=True)
    for name, end, wanted in (("first", share[0], "0, at the axis"), ("last", share[-1], "1, at the edge")):
        if end != float(wanted[0]):
            raise fault(f"the {name} share of the exit's radius is {end:g}: must be {wanted}. Add a pair for it")
    for place, (before, after) in enumerate(itertools.pairwise(share), start=2):
        if after <= before:
            raise fault(
                f"value {place} is at {after:g} after {before:g}: must rise from each to the next. Sort the pairs"
            )
    if max(velocity) == 0.0:
        raise fault("is 0 everywhere: must be above 0 somewhere. Raise a velocity")
    return pairs


Share = Annotated[list[Annotated[float, number(0, 100)]], Field(min_length=2, max_length=2)]


class DriverTable(Table):
    """[driver]."""

    exit_diameter_mm: Annotated[float, number(10, 150)] = Field(examples=[25.4])
    exit_half_angle_deg: Annotated[float, number(0, 60)] = 0.0
    velocity_profile: Annotated[list[Share], Field(min_length=2, max_length=200), AfterValidator(_profile)] | None = (
        None
    )
    source: SourceKind = "velocity"
    source_impedance_csv: FileName | None = None
    source_frequencies_hz: (
        Annotated[
            list[Annotated[float, number(1, 200e3)]], Field(min_length=2, max_length=10000), AfterValidator(rising)
        ]
        | None
    ) = None
    source_resistance: list[Annotated[float, number(0, LARGEST_IMPEDANCE)]] | None = None
    source_reactance: list[Annotated[float, number(-LARGEST_IMPEDANCE, LARGEST_IMPEDANCE)]] | None = None
    source_pressure_pa: list[Annotated[float, number(1e-9, LARGEST_PRESSURE)]] | None = None
    calibrated: FileName | None = None

    @model_validator(mode="after")
    def _one_motion(self) -> DriverTable:
        stated = [key for key in BY_CALIBRATION if key in self.model_fields_set]
        if self.calibrated is not None and stated:
            raise fault(
                f"calibrated and {stated[0]} exclude each other: how the exit moves stands in the calibrated file."
                " Remove one"
            )
        return self

    @model_validator(mode="after")
    def _one_source(self) -> DriverTable:
        inline = [key for key in INLINE if getattr(self, key) is not None]
        given = [*(["source_impedance_csv"] if self.source_impedance_csv is not None else []), *inline]
        if self.source != "impedance":
            if given:
                raise fault(
                    f'{given[0]}: does not belong to source = "{self.source}". Remove it, or write source = "impedance"'
                )
            return self
        if not given:
            raise fault(
                'source_impedance_csv: missing, source = "impedance" has one. Add for example source_impedance_csv ='
                ' "driver.csv", with columns frequency_hz, resistance and reactance'
            )
        if self.source_impedance_csv is not None and inline:
            raise fault(f"source_impedance_csv and {inline[0]} exclude each other: remove one")
        if inline:
            count = None
            for key in INLINE[:3]:
                values = getattr(self, key)
                if values is None:
                    raise fault(f"{key}: missing beside {inline[0]}. Add it, or name a source_impedance_csv instead")
                count = count or len(values)
            for key in inline:
                if len(getattr(self, key)) != count:
                    raise fault(
                        f"{key} holds {counted(len(getattr(self, key)), 'value')}: must be {count}, one for each of"
                        f" {INLINE[0]}. Complete the list"
                    )
        return self

    def value(self, path: Path) -> Driver:
        """In SI. `path` is the file's, from whose folder others are sought. InputError names the file and the line."""
        if self.calibrated is not None:
            return self._calibrated(path, self.calibrated)
        return Driver(
            0.5 * self.exit_diameter_mm * MILLIMETRE,
            self.exit_half_angle_deg * DEGREE,
            None if self.velocity_profile is None else tuple((pair[0], pair[1]) for pair in self.velocity_profile),
            self._source(path),
        )

    def _calibrated(self, path: Path, name: str) -> Driver:
        key = f"{path} [driver] calibrated = {shown(name)}"
        found, source = read_calibrated(path.parent / name, key=key), self._source(path)
        if abs(2 * found.exit_radius / MILLIMETRE - self.exit_diameter_mm) > SAME_DIAMETER:
            raise InputError(
                f"{key}: is of an exit of {2 * found.exit_radius / MILLIMETRE:g} mm: must be that of exit_diameter_mm ="
                f" {self.exit_diameter_mm:g}. Name the calibration of this driver, or correct the diameter"
            )
        if found.source.kind == "velocity":
            found = replace(found, source=source)
        elif source.kind != "velocity":
            raise InputError(
                f'{key}: holds a source, and source = "{source.kind}" stands beside it. Remove source and what belongs'
                " to it"
            )
        return replace(found, exit_radius=0.5 * self.exit_diameter_mm * MILLIMETRE)

    def _source(self, path: Path) -> Source:
        if self.source != "impedance":
            return Source(self.source)
        if self.source_impedance_csv is None:
            resistance, reactance = self.source_resistance or [], self.source_reactance or []
            pressure = self.source_pressure_pa or [1.0] * len(resistance)
            impedance = tuple(map(complex, resistance, reactance))
            return Source("impedance", tuple(self.source_frequencies_hz or ()), impedance, tuple(pressure))
        file = csv_file(path.parent, self.source_impedance_csv, key=f"{path} [driver] source_impedance_csv")
        return read_source(file)


class CalibratedTable(Table):
    """What of a calibrated file other files take over."""

    driver: DriverTable


def read_calibrated(file: Path, *, key: str) -> Driver:
    """The driver of a calibrated file. `key` begins what is said of a file that is missing or another.

    InputError if it is missing, broken, or was not written by a calibration.
    """
    remedy = "Name the calibrated.toml that evenflare calibrate has written; it is sought from the folder of this file"
    if not is_file(file):
        raise InputError(f"{key}: {'is a folder' if is_folder(file) else 'is not there'}. {remedy}")
    data = parsed(file, minimal=CALIBRATED)
    if not isinstance(data.get("fitted"), dict) or "driver" not in data:
        lacking = next(name for name in ("driver", "fitted") if not isinstance(data.get(name), dict))
        raise InputError(f"{key}: is no calibrated driver, it lacks [{lacking}]. {remedy}")
    table = checked({"driver": data["driver"]}, CalibratedTable, path=file).driver
    if table.calibrated is not None:
        raise InputError(f"{file} [driver] calibrated = {shown(table.calibrated)}: leads on to another file. Remove it")
    return table.value(file)


def read_source(file: Path) -> Source:
    """A source from a CSV with columns frequency_hz, resistance, reactance (pressure over velocity at the exit, over
    density times speed of sound) and, if wanted, pressure_pa (the blocked pressure, rms; 1 unless given).

    InputError names the line.
    """
    bounds = {
        "frequency_hz": (1.0, 200e3),
        "resistance": (0.0, LARGEST_IMPEDANCE),
        "reactance": (-LARGEST_IMPEDANCE, LARGEST_IMPEDANCE),
        "pressure_pa": (1e-9, LARGEST_PRESSURE),
    }
    frequency, impedance, pressure = list[float](), list[complex](), list[float]()
    columns = ("frequency_hz", "resistance", "reactance")
    for row in numbers(file, columns, optional=("pressure_pa",), noun=("frequency", "frequencies")):
        for name, value in row.values.items():
            low, high = bounds[name]
            if not low <= value <= high:
                remedy = "Raise it" if value < low else "Lower it" if value > high else "Correct it"
                raise InputError(f"{row.where(name)}: must be {low:.10g} to {high:.10g}. {remedy}")
        if frequency and row.values["frequency_hz"] <= frequency[-1]:
            raise InputError(
                f"{row.where('frequency_hz')}: must be above the line before, {frequency[-1]:g}. Sort the lines, or"
                " remove one that is given twice"
            )
        frequency.append(row.values["frequency_hz"])
        impedance.append(complex(row.values["resistance"], row.values["reactance"]))
        pressure.append(row.values.get("pressure_pa", 1.0))
    if len(frequency) < 2:
        held = f"only {frequency[0]:g} Hz" if frequency else "no frequencies"
        raise InputError(f"{file}: holds {held}: must hold two frequencies at least. Add the others")
    with faults_at(str(file)):
        return Source("impedance", tuple(frequency), tuple(impedance), tuple(pressure))


def check_covered(driver: Driver, frequency: FloatArray, *, path: Path, asked: str) -> None:
    """InputError if the driver's source is not known over all of `frequency` (Hz), which `asked` calls for."""
    if driver.source.covers(frequency):
        return
    given = driver.source.frequency
    low, high = float(np.min(frequency)), float(np.max(frequency))
    between = max(low, given[0]), min(high, given[-1])
    or_less = f", or ask for {between[0]:g} to {between[1]:g} Hz only" if between[0] < between[1] else ""
    raise InputError(
        f"{path} [driver] the source's impedance is given from {given[0]:g} to {given[-1]:g} Hz: must cover {asked},"
        f" {low:g} to {high:g} Hz. Add the missing frequencies{or_less}"
    )
