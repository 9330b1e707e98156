"""Targets: the directivity wanted of a waveguide, the limits it must keep, and where it is sought."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike
from pydantic import AfterValidator, Field, model_validator

from evenflare.air import Air
from evenflare.closed_forms import cap_index, cap_pattern, piston_index, piston_pattern
from evenflare.directivity import Directivity, Observation
from evenflare.files import InputError
from evenflare.metrics import standard_curves
from evenflare.schema import (
    AirTable,
    DriverTable,
    MountingTable,
    Table,
    checked,
    counted,
    fault,
    number,
    parsed,
    rising,
)
from evenflare.units import DEGREE, MILLIMETRE, FloatArray, read_only
from evenflare.waveguide import FAMILIES, Driver, Limits, Mounting

CAP_UP_TO = 2.0
"""k times the mouth's radius below which a mouth on a sphere is judged as a cap of that sphere."""
NEGLIGIBLE_EXCESS = 0.05
"""dB of wanted index above the piston's that is not worth a warning."""
SMALLEST_IN_BAFFLE = 3.0
"""dB; a source in a baffle, however small, radiates into half of the sphere: 10 log10(2)."""
REFUSED_EXCESS = 3.0
"""dB of wanted index above the piston's; from 0 to here it warns."""
BAND_SLACK = 1e-9
"""Of a frequency: an end of the band that was worked out in logarithms is still inside."""
CANDIDATES = 3000

MINIMAL = """[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1000, 16000]
index_db = [6.0, 9.5]
tolerance_db = [0.5, 1.0]
[limits]
depth_mm = [60, 110]
mouth_diameter_mm = [180, 260]"""


@dataclass(frozen=True)
class Crossover:
    """Another driver, whose index the waveguide takes over at `frequency` (Hz): a piston of `piston_radius` (m)."""

    piston_radius: float
    frequency: float


@dataclass(frozen=True)
class Target:
    """What is wanted, in SI; indices and tolerances in dB.

    index_kind   : "sphere", over the whole sphere on axis, or "sound_power", listening window less sound power.
    frequency    : (K,) Hz, rising; between them all is linear in log frequency, outside them nothing is wanted.
    index_db     : (K,) wanted index.
    tolerance_db : (K,) > 0.
    weight       : (K,) >= 0, besides that of the tolerance.
    beamwidth    : (K,) rad, full angle at -6 dB, or None.
    crossover    : or None.
    families     : that take part in the search, sharing `candidates`.
    source       : the file, for messages.
    """

    name: str
    driver: Driver
    mounting: Mounting
    air: Air
    index_kind: Literal["sphere", "sound_power"]
    frequency: FloatArray
    index_db: FloatArray
    tolerance_db: FloatArray
    weight: FloatArray
    beamwidth: FloatArray | None
    crossover: Crossover | None
    limits: Limits
    families: tuple[str, ...] = FAMILIES
    candidates: int = CANDIDATES
    seed: int = 1
    source: str = field(default="target", compare=False)

    def __post_init__(self) -> None:
        for name in ("frequency", "index_db", "tolerance_db", "weight", "beamwidth"):
            values = getattr(self, name)
            if values is None:
                continue
            array = read_only(values)
            if array.ndim != 1 or array.shape != np.shape(self.frequency):
                raise ValueError(f"{name} has shape {array.shape}: must be one value for each frequency")
            object.__setattr__(self, name, array)
        if self.frequency.size < 2 or np.any(np.diff(self.frequency) <= 0):
            raise ValueError("frequency must be two strictly rising values at least")


Frequency = Annotated[float, number(20, 40e3)]
Frequencies = Annotated[list[Frequency], Field(min_length=2, max_length=1000), AfterValidator(rising)]


def _ordered(ends: list[float]) -> list[float]:
    if not ends[0] < ends[1]:
        raise fault("must be [lowest, greatest]. Swap them" if ends[0] > ends[1] else "must differ. Widen the range")
    return ends


class CrossoverTable(Table):
    """[wanted.crossover]."""

    piston_radius_mm: Annotated[float, number(10, 500)] = Field(examples=[105])
    frequency_hz: Annotated[float, number(100, 20e3)] = Field(examples=[1100])

    def value(self) -> Crossover:
        """In SI."""
        return Crossover(self.piston_radius_mm * MILLIMETRE, self.frequency_hz)


class WantedTable(Table):
    """[wanted]."""

    index: Literal["sphere", "sound_power"] = "sphere"
    frequency_hz: Frequencies = Field(examples=[[1000, 16000]])
    index_db: list[Annotated[float, number(-10, 40)]] = Field(examples=[[6.0, 9.5]])
    tolerance_db: list[Annotated[float, number(0.01, 20)]] = Field(examples=[[0.5, 1.0]])
    weight: list[Annotated[float, number(0, 1000)]] | None = None
    beamwidth_deg: list[Annotated[float, number(5, 360)]] | None = None
    crossover: CrossoverTable | None = None

    @model_validator(mode="after")
    def _equal_lengths(self) -> WantedTable:
        wanted = len(self.frequency_hz)
        for key in ("index_db", "tolerance_db", "weight", "beamwidth_deg"):
            values = getattr(self, key)
            if values is not None and len(values) != wanted:
                raise fault(
                    f"{key} holds {counted(len(values), 'value')}: must be {wanted}, one for each frequency_hz."
                    " Complete the list"
                )
        if self.weight is not None and max(self.weight) == 0:
            raise fault("weight is 0 everywhere: must be above 0 somewhere. Raise it, or leave it out")
        if self.crossover is not None and not self.crossover.frequency_hz < self.frequency_hz[-1]:
            raise fault(
                f"crossover.frequency_hz = {self.crossover.frequency_hz:g}: must be below the last of frequency_hz,"
                f" {self.frequency_hz[-1]:g}. Lower it, or want more"
            )
        return self


class LimitsTable(Table):
    """[limits]."""

    depth_mm: Annotated[
        list[Annotated[float, number(5, 1000)]], Field(min_length=2, max_length=2), AfterValidator(_ordered)
    ] = Field(examples=[[60, 110]])
    mouth_diameter_mm: Annotated[
        list[Annotated[float, number(15, 2000)]], Field(min_length=2, max_length=2), AfterValidator(_ordered)
    ] = Field(examples=[[180, 260]])
    smallest_concave_radius_mm: Annotated[float, number(0, 500)] = 0.0
    throat_angle_deg: (
        Annotated[list[Annotated[float, number(0, 80)]], Field(min_length=2, max_length=2), AfterValidator(_ordered)]
        | None
    ) = None
    greatest_wall_angle_deg: Annotated[float, number(10, 90)] = 90.0
    throat_angle_mismatch_deg: Annotated[float, number(0, 90)] = 90.0

    def value(self) -> Limits:
        """In SI."""
        usual = Limits()
        angle = self.throat_angle_deg
        return Limits(
            depth=(self.depth_mm[0] * MILLIMETRE, self.depth_mm[1] * MILLIMETRE),
            mouth_diameter=(self.mouth_diameter_mm[0] * MILLIMETRE, self.mouth_diameter_mm[1] * MILLIMETRE),
            smallest_concave_radius=self.smallest_concave_radius_mm * MILLIMETRE,
            greatest_wall_angle=self.greatest_wall_angle_deg * DEGREE,
            throat_angle=usual.throat_angle if angle is None else (angle[0] * DEGREE, angle[1] * DEGREE),
            throat_angle_mismatch=self.throat_angle_mismatch_deg * DEGREE,
        )


Family = Literal["conical", "exponential", "hyperbolic", "tractrix", "oblate_spheroidal", "free"]


class SearchTable(Table):
    """[search]."""

    families: Annotated[list[Family], Field(min_length=1)] = Field(default_factory=lambda: list(get_args(Family)))
    candidates: Annotated[int, number(10, 1_000_000, whole=True)] = CANDIDATES
    seed: Annotated[int, number(0, 2**31 - 1, whole=True)] = 1

    @model_validator(mode="after")
    def _no_repeats(self) -> SearchTable:
        twice = next((name for name in self.families if self.families.count(name) > 1), None)
        if twice:
            raise fault(f'families: names "{twice}" twice. Remove one')
        return self


class TargetTable(Table):
    """A whole target file."""

    name: Annotated[str, Field(min_length=1, max_length=200)] = ""
    driver: DriverTable
    mounting: MountingTable = MountingTable()
    air: AirTable = AirTable()
    wanted: WantedTable
    limits: LimitsTable
    search: SearchTable = SearchTable()

    @model_validator(mode="after")
    def _consistent(self) -> TargetTable:
        widest, radius = self.limits.mouth_diameter_mm[1], self.mounting.radius_mm
        if widest <= 1.05 * self.driver.exit_diameter_mm:
            raise fault(
                f"[limits] mouth_diameter_mm = [.., {widest:g}]: must reach beyond 1.05 times [driver]"
                f" exit_diameter_mm = {self.driver.exit_diameter_mm:g}. Raise it"
            )
        if radius is not None and 2 * radius < widest:
            raise fault(
                f"[mounting] radius_mm = {radius:g}: must be at least half the largest of [limits] mouth_diameter_mm,"
                f" {widest / 2:g}. Raise it, or lower that limit"
            )
        low, high = self.limits.throat_angle_deg or [angle / DEGREE for angle in Limits().throat_angle]
        exit_angle, apart = self.driver.exit_half_angle_deg, self.limits.throat_angle_mismatch_deg
        if not low - apart - 1e-9 <= exit_angle <= high + apart + 1e-9:
            raise fault(
                f"[limits] throat_angle_mismatch_deg = {apart:g}: must reach from [driver] exit_half_angle_deg ="
                f" {exit_angle:g} to throat_angle_deg = [{low:g}, {high:g}]. Raise it, or change that range"
            )
        beam = max(self.wanted.beamwidth_deg or [0.0])
        if radius is None and beam > 180:
            raise fault(
                f"[wanted] beamwidth_deg = {beam:g}: must be at most 180 in a baffle, where 180 means that the level"
                ' never falls 6 dB. Lower it, or write [mounting] kind = "sphere"'
            )
        return self


def read_target(path: Path | str) -> Target:
    """The target of a target file. InputError that lists every fault. Whether it can be met, `reachability` says."""
    path = Path(path)
    table = checked(parsed(path, minimal=MINIMAL), TargetTable, path=path)
    wanted = table.wanted
    return Target(
        name=table.name or path.stem,
        driver=table.driver.value(),
        mounting=table.mounting.value(),
        air=table.air.value(),
        index_kind=wanted.index,
        frequency=read_only(wanted.frequency_hz),
        index_db=read_only(wanted.index_db),
        tolerance_db=read_only(wanted.tolerance_db),
        weight=read_only(np.ones(len(wanted.frequency_hz)) if wanted.weight is None else wanted.weight),
        beamwidth=None if wanted.beamwidth_deg is None else read_only(np.array(wanted.beamwidth_deg) * DEGREE),
        crossover=None if wanted.crossover is None else wanted.crossover.value(),
        limits=table.limits.value(),
        families=tuple(table.search.families),
        candidates=table.search.candidates,
        seed=table.search.seed,
        source=str(path),
    )


def wanted_index(target: Target, frequency: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wanted index and its tolerance, dB, and the target's own weight, each (F,), at `frequency` (F,) Hz.

    Linear in log frequency between the given points; outside them nan, nan and 0. The weight leaves out that of the
    tolerance, 1 / tolerance^2.
    With a crossover the index up to its frequency is that of the other driver, a piston in a baffle; in the octave
    above it goes, linearly in log frequency, from the piston's index at the crossover to the given one.
    Source of the piston's index: see `closed_forms.piston_index`; of the blend: own choice.
    """
    f = np.asarray(frequency, dtype=np.float64)
    index = _between(target, f, target.index_db)
    crossover = target.crossover
    if crossover is not None:
        below = np.minimum(f, crossover.frequency)
        other = piston_index(2 * np.pi * below * crossover.piston_radius / target.air.speed_of_sound)
        share = np.clip(np.log2(f / crossover.frequency), 0.0, 1.0)
        index = (1.0 - share) * other + share * index
    weight = _between(target, f, target.weight)
    return index, _between(target, f, target.tolerance_db), np.where(np.isnan(weight), 0.0, weight)


def wanted_beamwidth(target: Target, frequency: ArrayLike) -> FloatArray | None:
    """Wanted full angle (F,) rad at `frequency` (F,) Hz, nan outside the given points; None if none is wanted."""
    if target.beamwidth is None:
        return None
    return _between(target, np.asarray(frequency, dtype=np.float64), target.beamwidth)


def _between(target: Target, frequency: FloatArray, values: FloatArray) -> FloatArray:
    ends = target.frequency[0] * (1 - BAND_SLACK), target.frequency[-1] * (1 + BAND_SLACK)
    inside = (frequency >= ends[0]) & (frequency <= ends[1])
    return np.where(inside, np.interp(np.log(frequency), np.log(target.frequency), values), np.nan)


def largest_reachable(target: Target, frequency: ArrayLike) -> FloatArray:
    """Index (F,) dB, of the kind the target means, that the largest allowed mouth gives if it moves as one flat piston.

    In a baffle the piston's closed form. On a sphere the axially moving cap's up to k r = 2, where it meets the flat
    piston's, and the piston's above: a beam narrower than the sphere does not feel it.
    Common practice, not a strict bound: a mouth whose rim leads its centre gives a little more. frequency : (F,) Hz.
    """
    radius, sphere = 0.5 * target.limits.mouth_diameter[1], target.mounting.radius
    size = 2 * np.pi * np.atleast_1d(np.asarray(frequency, dtype=np.float64)) * radius / target.air.speed_of_sound
    angles = np.linspace(0.0, np.pi, 19)
    means_sphere = target.index_kind == "sphere"
    index = piston_index(size) if means_sphere else _standard_index(piston_pattern(size, angles), half_space=True)
    low = np.flatnonzero(size < CAP_UP_TO)
    if sphere is not None and low.size:
        half_angle = float(np.arcsin(min(1.0, radius / sphere)))
        on_sphere = size[low] * sphere / radius
        if means_sphere:
            cap = cap_index(on_sphere, half_angle=half_angle)
        else:
            cap = _standard_index(cap_pattern(on_sphere, angles, half_angle=half_angle), half_space=False)
        index[low] = np.minimum(index[low], cap)
    return index


def _standard_index(pattern: ArrayLike, *, half_space: bool) -> FloatArray:
    """The standard's sound-power index (F,) dB of round patterns (F, 19), 0 to 180 degrees in tens."""
    pressure = np.asarray(pattern, dtype=np.complex128)[:, None, :]
    angles = np.linspace(0.0, np.pi, 19)
    counted = Observation(frequency=np.arange(1.0, len(pressure) + 1), off_axis=angles)
    pressure[:, :, (angles > 0.5 * np.pi + 1e-9) & half_space] = 0.0
    found = Directivity(counted, pressure, np.ones(len(pressure), dtype=bool), 1.0, 1.0, half_space=half_space)
    return standard_curves(found).sound_power_index


def reachable_from(target: Target, index_db: float) -> float:
    """Hz from which the largest allowed mouth gives an index as in `largest_reachable`; inf if not by 100 kHz."""
    grid = np.geomspace(10.0, 100e3, 4001)
    enough = np.flatnonzero(largest_reachable(target, grid) >= index_db)
    return float(grid[enough[0]]) if enough.size else float("inf")


def reach_statement(target: Target) -> str:
    """What the limits allow, in one sentence for before a search."""
    mouth = target.limits.mouth_diameter[1] / MILLIMETRE
    wanted, _, weight = wanted_index(target, target.frequency)
    steps = [f"{level:.1f} dB from {reachable_from(target, level):.0f} Hz" for level in np.unique(wanted[weight > 0])]
    return (
        f"The largest mouth that [limits] allow, {mouth:g} mm, can give an index of {', '.join(steps)}"
        f" (moving as one piston {_place(target)}: common practice, not a strict bound)."
    )


def _place(target: Target) -> str:
    return "in a baffle" if target.mounting.radius is None else "on the sphere"


def reachability(target: Target) -> list[str]:
    """Warnings where the wanted index lies up to 3 dB above what the largest mouth can give; empty if nowhere.

    Errors: InputError where it lies further above. Both say what is reachable, and from which frequency.
    """
    grid = np.unique(np.append(np.geomspace(target.frequency[0], target.frequency[-1], 200), target.frequency))
    wanted, _, weight = wanted_index(target, grid)
    excess = np.where(weight > 0, wanted - largest_reachable(target, grid), -np.inf)
    worst, lowest = int(excess.argmax()), float(np.min(wanted[weight > 0], initial=np.inf))
    warnings = []
    if target.mounting.radius is None and target.index_kind == "sphere" and lowest < SMALLEST_IN_BAFFLE:
        warnings.append(
            f"{target.source} [wanted] index_db = {lowest:.2f}: may not be met, even a small source in a baffle has"
            ' 3.01. Raise it, or choose [mounting] kind = "sphere"'
        )
    if not excess[worst] > NEGLIGIBLE_EXCESS:
        return warnings
    at, level, mouth = grid[worst], wanted[worst], target.limits.mouth_diameter[1] / MILLIMETRE
    limit = f"must be at most {REFUSED_EXCESS:g} dB above it" if excess[worst] > REFUSED_EXCESS else "may not be met"
    text = (
        f"{target.source} [wanted] index_db = {level:.2f} at {at:.0f} Hz: lies {excess[worst]:.1f} dB above the"
        f" {level - excess[worst]:.1f} dB that the largest mouth, {mouth:g} mm, can give there as one piston"
        f" {_place(target)} (common practice, not a strict bound): {limit}. It gives {level:.2f} dB from"
        f" {reachable_from(target, float(level)):.0f} Hz. Lower index_db, begin frequency_hz there, or raise [limits]"
        " mouth_diameter_mm"
    )
    if excess[worst] > REFUSED_EXCESS:
        raise InputError(text)
    return [*warnings, text]
