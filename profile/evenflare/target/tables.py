"""Target files as users write them: what is wanted, the limits and the search, in the units that the keys name."""

from __future__ import annotations

import itertools
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field, create_model, model_validator

from evenflare.design.driver import DriverTable
from evenflare.design.mounting import OBLONG_BODY, MountingTable
from evenflare.names import FileName, Name
from evenflare.room.room_file import MOST_ROOMS
from evenflare.schema import AirTable, Table, counted, fault, number, one_of, rising
from evenflare.target.limited import OBLONG_MOUTH, LimitsTable, boundable, limits_table
from evenflare.target.robust import MOST_DEVIATIONS
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import AnyCabinet, Limits, families

CANDIDATES = 3000
LEAST_WIDENING = 1.05
"""Mouth over exit, that the limits must allow."""
ROOM_WEIGHT = 0.5
"""Of the room's squared unevenness against 1 of the index, from which much of it follows."""
HIGHEST_START = 4000.0
"""Hz, up to which a waveguide may begin to play and still have two octaves that count in a room."""
BEAMS = ("beamwidth_deg", "beamwidth_horizontal_deg", "beamwidth_vertical_deg")

MINIMAL = """[driver]
exit_diameter_mm = 25.4
[wanted]
frequency_hz = [1000, 16000]
index_db = [6.0, 9.5]
tolerance_db = [0.5, 1.0]
[limits]
depth_mm = [60, 110]
mouth_diameter_mm = [180, 260]"""

_ROUND_MOUTH = "[limits] mouth_diameter_mm instead of mouth_width_mm and mouth_height_mm"

Frequency = Annotated[float, number(20, 40e3)]
Frequencies = Annotated[list[Frequency], Field(min_length=2, max_length=1000), AfterValidator(rising)]
Angles = list[Annotated[float, number(5, 360)]]


class WantedCrossoverTable(Table):
    """[wanted.crossover]."""

    piston_radius_mm: Annotated[float, number(10, 500)] = Field(examples=[105])
    frequency_hz: Annotated[float, number(100, 20e3)] = Field(examples=[1100])


def _one_or_more(value: Any) -> Any:
    """One file is as good as a list of it."""
    return [value] if isinstance(value, str) else value


class WantedRoomTable(Table):
    """[wanted.room]: room files, or folders of them, in which reflected sound is to be as even as the direct."""

    room: Annotated[list[FileName], BeforeValidator(_one_or_more), Field(min_length=1, max_length=MOST_ROOMS)] = Field(
        examples=["living_room.toml"]
    )
    weight: Annotated[float, number(0.01, 100)] = ROOM_WEIGHT
    from_hz: Annotated[float, number(20, HIGHEST_START)] | None = None


class WantedTable(Table):
    """[wanted]."""

    index: Literal["sphere", "sound_power"] = "sphere"
    frequency_hz: Frequencies = Field(examples=[[1000, 16000]])
    index_db: list[Annotated[float, number(-10, 40)]] = Field(examples=[[6.0, 9.5]])
    tolerance_db: list[Annotated[float, number(0.01, 20)]] = Field(examples=[[0.5, 1.0]])
    weight: list[Annotated[float, number(0, 1000)]] | None = None
    beamwidth_deg: Angles | None = None
    beamwidth_horizontal_deg: Angles | None = None
    beamwidth_vertical_deg: Angles | None = None
    constancy_weight: Annotated[float, number(0, 10)] = 0.0
    crossover: WantedCrossoverTable | None = None
    room: WantedRoomTable | None = None

    @model_validator(mode="after")
    def _equal_lengths(self) -> WantedTable:
        wanted = len(self.frequency_hz)
        for key in ("index_db", "tolerance_db", "weight", *BEAMS):
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


FamilyName = Annotated[str, one_of(families)]


class SearchTable(Table):
    """[search]."""

    families: Annotated[list[FamilyName], Field(min_length=1)] = Field(default_factory=lambda: list(families()))
    candidates: Annotated[int, number(10, 1_000_000, whole=True)] = CANDIDATES
    seed: Annotated[int, number(0, 2**31 - 1, whole=True)] = 1
    trade: list[str] | None = None
    robust: bool = False
    process: FileName | None = None
    robust_k: Annotated[float, number(0, MOST_DEVIATIONS)] | None = None

    @model_validator(mode="after")
    def _robust_with_a_process(self) -> SearchTable:
        if self.robust and self.process is None:
            raise fault(
                'process: missing beside robust = true. Name one, for example process = "router", or a process file'
            )
        alone = next((key for key in ("process", "robust_k") if getattr(self, key) is not None), None)
        if alone and not self.robust:
            raise fault(f"{alone}: says nothing without robust = true. Add that, or remove it")
        if self.robust and self.trade is not None:
            raise fault(
                "robust and trade exclude each other: a front is of drawn shapes. Remove one, and choose from the front"
                " by what `evenflare tolerance` says of its shapes"
            )
        return self

    @model_validator(mode="after")
    def _no_repeats(self) -> SearchTable:
        twice = next((name for name in self.families if self.families.count(name) > 1), None)
        if twice:
            raise fault(f'families: names "{twice}" twice. Remove one')
        return self


class TargetTable(Table):
    """A whole target file."""

    name: Name = ""
    driver: DriverTable
    mounting: MountingTable = MountingTable()
    air: AirTable = AirTable()
    wanted: WantedTable
    limits: LimitsTable
    search: SearchTable = SearchTable()

    @model_validator(mode="after")
    def _bounds_are_of_a_family(self) -> TargetTable:
        taking_part = boundable(self.search.families)
        for place, (key, _) in self.limits.bounded.items():
            if key not in taking_part:
                having = [name for name in families() if key in boundable([name])]
                raise fault(
                    f"[limits] {place}: belongs to {', '.join(having)}, and [search] families names none of them."
                    " Remove it, or add one of them"
                )
        return self

    @model_validator(mode="after")
    def _mouth_fits(self) -> TargetTable:
        for key, (_, widest) in self.limits.mouth.items():
            if widest <= LEAST_WIDENING * self.driver.exit_diameter_mm:
                raise fault(
                    f"[limits] {key} = [.., {widest:g}]: must reach beyond {LEAST_WIDENING:g} times [driver]"
                    f" exit_diameter_mm = {self.driver.exit_diameter_mm:g}. Raise it"
                )
        radius, kind = self.mounting.radius_mm, self.mounting.kind
        if kind == "sphere" and self.limits.oblong:
            raise fault(
                '[mounting] kind = "sphere": must be "baffle", "cabinet" or "free_standing" for an oblong mouth, a'
                f' sphere takes a round one only. Write kind = "baffle" without radius_mm, or {_ROUND_MOUTH}'
            )
        if self.limits.oblong and self.mounting.round_only:
            raise fault(f"[mounting] {self.mounting.round_only}. {OBLONG_BODY}, or {_ROUND_MOUTH}")
        if radius is not None and self.limits.mouth_diameter_mm is not None:
            widest = self.limits.mouth_diameter_mm[1]
            if 2 * radius < widest:
                raise fault(
                    f"[mounting] radius_mm = {radius:g}: must be at least half the largest of [limits]"
                    f" mouth_diameter_mm, {widest / 2:g}. Raise it, or lower that limit"
                )
        return self

    @model_validator(mode="after")
    def _some_wall_keeps_them(self) -> TargetTable:
        """What no wall at all can keep; what no member of the families keeps, the search finds out."""
        limits, exit_radius = self.limits, 0.5 * self.driver.exit_diameter_mm
        slack = 0.5 * Limits().throat_diameter_mismatch / MILLIMETRE
        low, high = limits.throat_angle_deg or [angle / DEGREE for angle in Limits().throat_angle]
        steepest, shallowest = limits.greatest_wall_angle_deg, limits.smallest_draft_deg
        if low > steepest:
            raise fault(
                f"[limits] throat_angle_deg = [{low:g}, {high:g}]: must begin below greatest_wall_angle_deg ="
                f" {steepest:g}. Lower it, or raise that"
            )
        # Around the throat the wall is bent on its radius over the cosine of its angle (Meusnier).
        bend = (exit_radius + slack) / np.cos(min(high, steepest) * DEGREE)
        if limits.smallest_concave_radius_mm > bend:
            raise fault(
                f"[limits] smallest_concave_radius_mm = {limits.smallest_concave_radius_mm:g}: must be at most"
                f" {bend:.3g}, on which a round throat of [driver] exit_diameter_mm = {2 * exit_radius:g} is bent at"
                f" its steepest, {min(high, steepest):g} degrees. Lower it"
            )
        for key, (narrowest, widest) in limits.mouth.items():
            reached = 2.0 * (exit_radius + slack + limits.depth_mm[1] * np.tan(steepest * DEGREE))
            if steepest < 90.0 and narrowest > reached:
                raise fault(
                    f"[limits] {key} = [{narrowest:g}, ..]: must begin at {reached:.4g} at most, what a wall of"
                    f" greatest_wall_angle_deg = {steepest:g} reaches within depth_mm = {limits.depth_mm[1]:g}. Lower"
                    " it, or raise one of those"
                )
            reached = 2.0 * (exit_radius - slack + limits.depth_mm[0] * np.tan(shallowest * DEGREE))
            if widest < reached:
                raise fault(
                    f"[limits] {key} = [.., {widest:g}]: must reach {reached:.4g} at least, to which a wall of"
                    f" smallest_draft_deg = {shallowest:g} opens within depth_mm = {limits.depth_mm[0]:g}. Raise it, or"
                    " lower one of those"
                )
        return self

    @model_validator(mode="after")
    def _room_needs_a_body(self) -> TargetTable:
        if self.wanted.room is not None and self.mounting.kind == "baffle":
            raise fault(
                "[wanted.room]: a waveguide in an infinite baffle sends nothing behind it, so no room can hold it:"
                ' [mounting] kind must be "cabinet", "free_standing" (for instance outline = "round_cabinet") or'
                ' "sphere". Write one of them, or remove [wanted.room]'
            )
        return self

    @model_validator(mode="after")
    def _body_fits(self) -> TargetTable:
        """Whether the outline can be built around the smallest and largest mouth at the least and greatest depth.

        Each candidate's outline is built again, and its wall must keep clear of it.
        """
        mounting = self.mounting
        if mounting.kind == "cabinet" and mounting.solid_stl is None:
            cabinet = mounting.value(Path()).cabinet
            assert cabinet is not None  # of that kind
            if apart := self.cabinet_fault(cabinet):
                raise fault(apart)
        if mounting.kind != "free_standing":
            return self
        body = mounting.named_body
        if body is None:
            key = mounting.points_place.split(" ")[1] if mounting.points_place else "outline"
            what = (
                "is for design files, its first point is the rim of one mouth" if mounting.points_place else "missing"
            )
            raise fault(
                f'[mounting] {key}: {what}. Write outline = "rolled_shell" or "round_cabinet" with its sizes, which are'
                " built around each mouth"
            )
        mouths = [(key, size) for key, sizes in self.limits.mouth.items() for size in sizes]
        for depth, (key, size) in itertools.product(self.limits.depth_mm, mouths):
            try:
                body.pieces((depth * MILLIMETRE, 0.5 * size * MILLIMETRE), depth * MILLIMETRE)
            except ValueError as error:
                raise fault(
                    f"{error}. [limits] allow depth_mm = {depth:g} with {key} = {size:g}: the outline must hold every"
                    " mouth they allow"
                ) from None
        return self

    def cabinet_fault(self, cabinet: AnyCabinet) -> str | None:
        """What is wrong if a cabinet, whose STL may stand in another file, does not hold every mouth and depth."""
        limits = self.limits
        widest = [0.5 * MILLIMETRE * most for _, most in limits.mouth.values()]
        try:
            cabinet.check(widest[0], widest[-1], limits.depth_mm[1] * MILLIMETRE, is_round=not limits.oblong)
        except ValueError as error:
            return f"{error}. The cabinet must hold every mouth that [limits] allow"
        return None

    @model_validator(mode="after")
    def _throat_fits(self) -> TargetTable:
        # A calibrated driver's angle stands in another file, and is checked once that is read.
        apart = None if self.driver.calibrated else self.throat_fault(self.driver.exit_half_angle_deg)
        if apart:
            raise fault(apart)
        return self

    def throat_fault(self, exit_angle: float) -> str | None:
        """What is wrong if no throat that the limits allow comes near enough to an exit's half-angle, in degrees."""
        low, high = self.limits.throat_angle_deg or [angle / DEGREE for angle in Limits().throat_angle]
        apart = self.limits.throat_angle_mismatch_deg
        if low - apart - 1e-9 <= exit_angle <= high + apart + 1e-9:
            return None
        return (
            f"[limits] throat_angle_mismatch_deg = {apart:g}: must reach from [driver] exit_half_angle_deg ="
            f" {exit_angle:g} to throat_angle_deg = [{low:g}, {high:g}]. Raise it, or change that range"
        )

    @model_validator(mode="after")
    def _beams_fit(self) -> TargetTable:
        wanted = {key: angles for key in BEAMS if (angles := getattr(self.wanted, key)) is not None}
        for key, angles in wanted.items():
            if self.limits.oblong and key == BEAMS[0]:
                raise fault(
                    f"[wanted] {key}: is for a round mouth. Write {BEAMS[1]} and {BEAMS[2]}, or give {_ROUND_MOUTH}"
                )
            if not self.limits.oblong and key != BEAMS[0] and self.mounting.kind != "cabinet":
                raise fault(
                    f"[wanted] {key}: is for an oblong mouth, or one in a cabinet. Write {BEAMS[0]}, or give"
                    f" {OBLONG_MOUTH}"
                )
            if key != BEAMS[0] and BEAMS[0] in wanted:
                raise fault(
                    f"[wanted] {BEAMS[0]} and {key} exclude each other: keep {BEAMS[0]} for both planes alike, or"
                    f" {BEAMS[1]} and {BEAMS[2]}"
                )
            if self.mounting.kind == "baffle" and max(angles) > 180:
                remedy = "Lower it" if self.limits.oblong else 'Lower it, or write [mounting] kind = "sphere"'
                raise fault(
                    f"[wanted] {key} = {max(angles):g}: must be at most 180 in a baffle, where 180 means that the level"
                    f" never falls 6 dB. {remedy}"
                )
        return self


def target_table() -> type[TargetTable]:
    """A whole target file, with what the families that there are can be bound by."""
    return _whole(limits_table())


@cache
def _whole(limits: type[LimitsTable]) -> type[TargetTable]:
    return create_model("WholeTargetTable", __base__=TargetTable, __doc__=TargetTable.__doc__, limits=(limits, ...))
