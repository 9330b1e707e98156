"""Files of a loudspeaker as users write them: its ways, where they stand, and how they part."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from evenflare.design.mounting import Aside
from evenflare.dsp.cabinet_table import CabinetTable
from evenflare.dsp.level_tables import BoxTable, LevelTable, WholeRangeTable
from evenflare.dsp.measured_table import MeasuredTable
from evenflare.dsp.slopes import ORDERS, Kind, Slope
from evenflare.names import FileName, Name
from evenflare.schema import Table, fault, number, rising, shown
from evenflare.waveguide.faces import SIDES, Side, Way

MINIMAL = """[waveguide]
directivity = "solved"
[woofer]
piston_radius_mm = 80
below_mm = 240
[woofer.crossover]
kind = "linkwitz_riley"
order = 4
frequency_hz = [700, 1500]"""

KINDS = ("linkwitz_riley", "butterworth", "linear_phase")
MEET = "meet"
"""Instead of a frequency: where the indices of both ways meet."""


def _pair(value: Any, low: float, high: float) -> tuple[float, float]:
    ends = value if isinstance(value, list) else [value, value]
    bare = all(isinstance(each, int | float) and not isinstance(each, bool) for each in ends)
    if len(ends) != 2 or not bare:
        raise fault("must be a number, or two to search between, as [least, greatest]. Write it so")
    for each in ends:
        if not low - 1e-9 * abs(low) <= each <= high + 1e-9 * abs(high):
            remedy = "Raise" if each < low else "Lower" if each > high else "Correct"
            raise fault(f"must be {low:g} to {high:g}. {remedy} {each:g}")
    if isinstance(value, list) and not ends[0] < ends[1]:
        raise fault("must be [least, greatest]. Swap them, or write one number")
    return float(ends[0]), float(ends[1])


def open_number(low: float, high: float) -> BeforeValidator:
    """A check for a number, or a range [least, greatest] to search, from `low` to `high`; as a pair."""
    return BeforeValidator(lambda value: _pair(value, low, high))


def one_or_more(allowed: tuple[Any, ...]) -> BeforeValidator:
    """A check for one of the values allowed, or a list of them to choose from; as a list."""

    def check(value: Any) -> Any:
        given = value if isinstance(value, list) else [value]
        words = ", ".join(shown(each) for each in allowed)
        if not given:
            raise fault(f"must be one of {words}, or a list of them. Name one")
        for each in given:
            if isinstance(each, bool) or each not in allowed:
                raise fault(f"must be one of {words}, or a list of them. Replace {shown(each)}")
        return list(dict.fromkeys(given))

    return BeforeValidator(check)


def _corner(value: Any) -> Any:
    if value == MEET:
        return MEET
    if isinstance(value, str):
        raise fault(f'must be a frequency, two to search between, or "{MEET}". Replace it')
    return _pair(value, 20, 20e3)


def _places(value: Any) -> Any:
    given = value if isinstance(value, list) else [value]
    bare = all(isinstance(each, int | float) and not isinstance(each, bool) for each in given)
    if not bare or not 1 <= len(given) <= 2:
        raise fault("must be a distance in mm, or of two woofers two of them, as [200, 420]. Write it so")
    for each in given:
        if not -3000 <= each <= 3000:
            raise fault(f"must be -3000 to 3000, negative for above. Correct {each:g}")
    return [float(each) for each in given]


def _numbers(value: Any) -> bool:
    return isinstance(value, list) and all(
        isinstance(each, int | float) and not isinstance(each, bool) and math.isfinite(each) for each in value
    )


def _band(value: Any) -> Any:
    if not (isinstance(value, list) and len(value) == 2):
        raise fault("must be [lowest, highest] in Hz. Write it so")
    return _pair(value, 5, 40e3)


def _face(value: Any) -> Any:
    if isinstance(value, str) and value in SIDES:
        return value
    if not (_numbers(value) and len(value) == 3 and any(value)):
        names = ", ".join(f'"{each}"' for each in SIDES)
        raise fault(
            f"must be one of {names}, or the direction that the face looks to as three numbers [right, up, forward],"
            " not all 0. Correct it"
        )
    length = math.hypot(*value)
    return tuple(each / length for each in value)


def _spots(value: Any) -> Any:
    given = value if isinstance(value, list) and value and isinstance(value[0], list) else [value]
    if not (1 <= len(given) <= 2 and all(_numbers(each) and len(each) == 3 for each in given)):
        raise fault("must be a place in mm, [right, up, forward], or of two woofers two of them. Write it so")
    for each in itertools.chain.from_iterable(given):
        if not -5000 <= each <= 5000:
            raise fault(f"must be -5000 to 5000 along each axis. Correct {each:g}")
    return [tuple(float(each) for each in one) for one in given]


Face = Annotated[Side | Way, BeforeValidator(_face)]
Spots = Annotated[list[Way], BeforeValidator(_spots)]
Open = tuple[float, float]
Band = Annotated[Open, BeforeValidator(_band)]
Places = Annotated[list[float], BeforeValidator(_places)]


class CrossoverTable(Table):
    """[woofer.crossover] and those of the other lower ways: how it parts from the way above it."""

    kind: Annotated[list[Kind], one_or_more(KINDS)] = Field(examples=["linkwitz_riley"])
    order: Annotated[list[int], one_or_more(tuple(range(1, 17)))] = Field(examples=[4])
    frequency_hz: Annotated[Open | Literal["meet"], BeforeValidator(_corner)] = Field(examples=[[700, 1500]])

    @model_validator(mode="after")
    def _some_slope(self) -> CrossoverTable:
        if not self.slopes():
            kinds = "; ".join(f"{kind}: {', '.join(map(str, ORDERS[kind]))}" for kind in self.kind)
            raise fault(f"order = {shown(self.order)}: fits no kind that is given. Orders are {kinds}")
        return self

    def slopes(self) -> tuple[Slope, ...]:
        """Every kind with every order that it can have."""
        return tuple(Slope(kind, order) for kind in self.kind for order in self.order if order in ORDERS[kind])


class WayTable(Table):
    """What every way has."""

    equalised_to: Literal["on_axis", "listening_window", "nothing"] = "on_axis"
    equaliser: FileName | None = None
    equaliser_in_filters: bool = False
    delay_ms: Annotated[Open, open_number(0, 20)] = (0.0, 0.0)
    gain_db: Annotated[Open, open_number(-40, 20)] = (0.0, 0.0)
    polarity: Annotated[list[str], one_or_more(("normal", "inverted"))] | None = None
    equaliser_sections: Annotated[int, number(1, 20, whole=True)] | None = None
    equaliser_band_hz: Band | None = None
    equaliser_boost_db: Annotated[float, number(0, 30)] | None = None
    high_pass_hz: Annotated[float, number(5, 20e3)] | None = None
    high_pass_order: Annotated[int, number(1, 8, whole=True)] | None = None
    forward_mm: Annotated[float, number(-1000, 1000)] = 0.0

    @model_validator(mode="after")
    def _one_equaliser(self) -> WayTable:
        if self.equaliser is not None and self.equalised_to != "nothing":
            raise fault(
                f'equaliser and equalised_to = "{self.equalised_to}" exclude each other: the way would be equalised'
                ' twice. Write equalised_to = "nothing" beside an equaliser'
            )
        if self.equaliser_sections is not None and self.equalised_to == "nothing":
            raise fault(
                'equaliser_sections and equalised_to = "nothing" exclude each other: the sections are fitted to it.'
                " Remove one of them"
            )
        if self.equaliser_in_filters and self.equaliser is None:
            raise fault("equaliser_in_filters = true: is given without equaliser. Add that, or remove it")
        of_another = {
            "equaliser_band_hz": "equaliser_sections",
            "equaliser_boost_db": "equaliser_sections",
            "high_pass_order": "high_pass_hz",
        }
        for key, needs in of_another.items():
            if getattr(self, key) is not None and getattr(self, needs) is None:
                raise fault(f"{key}: is given without {needs}. Add that, or remove it")
        return self


class WaveguideTable(LevelTable, WayTable):
    """[waveguide]: the highest way."""

    elsewhere: ClassVar[Mapping[str, str]] = {
        "piston_radius_mm": "is for the other ways. Name the folder that solve or measure wrote: directivity",
        "crossover": "stands in the way below, as [woofer.crossover]. Move it there",
    }
    directivity: FileName = Field(examples=["solved"])


class LowerTable(LevelTable, WayTable):
    """[midrange], [lower_midrange]: a way below."""

    directivity: FileName | None = Field(default=None)
    piston_radius_mm: Annotated[float, number(5, 500)] | None = Field(default=None, examples=[80])
    sphere_radius_mm: Annotated[float, number(10, 2000)] | None = None
    below_mm: Places | None = Field(default=None, examples=[240])
    beside_mm: Annotated[float, number(-3000, 3000)] = 0.0
    face: Face = "front"
    x_mm: Aside | None = None
    y_mm: Places | None = None
    at_mm: Spots | None = None
    measured: MeasuredTable | None = None
    crossover: CrossoverTable
    box: BoxTable | None = None

    @property
    def places(self) -> list[float]:
        """mm, the heights that are given, or how far below the waveguide."""
        return self.y_mm or self.below_mm or []

    @model_validator(mode="after")
    def _one_place(self) -> LowerTable:
        given = [key for key in ("below_mm", "y_mm", "at_mm") if getattr(self, key) is not None]
        if len(given) > 1:
            raise fault(f"{given[0]} and {given[1]} exclude each other: keep one")
        if not given:
            raise fault("below_mm: missing, as is y_mm. Add for example below_mm = 240")
        if self.at_mm is not None and self.x_mm is not None:
            raise fault("x_mm and at_mm exclude each other: keep one")
        if self.at_mm is not None and self.piston_radius_mm is None:
            raise fault("at_mm: is for a piston. Give below_mm, or piston_radius_mm instead of directivity")
        if self.beside_mm and self.below_mm is None:
            raise fault("beside_mm: goes with below_mm; beside y_mm write x_mm. Replace it")
        stands = self.below_mm is None or self.sphere_radius_mm is not None
        if self.face != "front" and not (stands and self.piston_radius_mm is not None):
            raise fault(
                f"face = {shown(self.face)}: is for a piston with a y_mm of its own, or at_mm, in a [cabinet], or with"
                " sphere_radius_mm. Write it, or remove face"
            )
        return self

    @model_validator(mode="after")
    def _one_source(self) -> LowerTable:
        if (self.directivity is None) == (self.piston_radius_mm is None):
            both = self.directivity is not None
            raise fault(
                "directivity and piston_radius_mm exclude each other: keep one"
                if both
                else "directivity: missing, as is piston_radius_mm. Add for example piston_radius_mm = 80"
            )
        if self.measured is not None and self.piston_radius_mm is None:
            raise fault("measured: needs piston_radius_mm, whose pattern it has where no angle was measured. Add that")
        if self.sphere_radius_mm is not None and self.piston_radius_mm is None:
            raise fault("sphere_radius_mm belongs to piston_radius_mm: a directivity has its cabinet in it. Remove it")
        if self.box is not None and self.piston_radius_mm is None:
            raise fault("box: is for a piston; a directivity has its box in it. Remove the table")
        if self.sphere_radius_mm is not None and not (self.piston_radius_mm or 0.0) < self.sphere_radius_mm:
            raise fault(
                f"sphere_radius_mm = {self.sphere_radius_mm:g}: must be above piston_radius_mm ="
                f" {self.piston_radius_mm:g}. Raise it"
            )
        return self


class MidrangeTable(LowerTable):
    """A lower way of one driver."""

    @model_validator(mode="after")
    def _one_driver(self) -> MidrangeTable:
        places: list[Any] = self.at_mm or self.places
        if len(places) > 1:
            key = next(key for key in ("at_mm", "y_mm", "below_mm") if getattr(self, key) is not None)
            what = "place" if key == "at_mm" else "distance"
            raise fault(f"{key} = {shown(places)}: must be one {what}; only the woofer may be two. Keep one")
        return self


class SpeakerAnalysisTable(Table):
    """[analysis]: over which frequencies and from where."""

    from_hz: Annotated[float, number(10, 20e3)] | None = None
    to_hz: Annotated[float, number(100, 40e3)] | None = None
    per_octave: Annotated[int, number(3, 48, whole=True)] = 12
    distance_m: Annotated[float, number(0.3, 1000)] | None = None
    axis_below_mm: Annotated[float, number(-3000, 3000)] = 0.0


class SpeakerSearchTable(Table):
    """[search]: what counts and where, and the seed."""

    from_hz: Annotated[float, number(10, 20e3)] | None = None
    to_hz: Annotated[float, number(100, 40e3)] | None = None

    power_share: Annotated[float, number(0, 1)] = 0.5
    heights_mm: Annotated[Open, open_number(-2000, 2000)] = (-200.0, 200.0)
    distances_m: Annotated[Open, open_number(0.3, 100)] | None = None
    tilt_weight: Annotated[float, number(0, 10)] = 0.5
    seed: Annotated[int, number(0, 2**31 - 1, whole=True)] = 1


class FiltersTable(Table):
    """[filters]: at what rates they are written."""

    sample_rates_hz: Annotated[
        list[Annotated[int, number(8000, 768000, whole=True)]],
        Field(min_length=1, max_length=8),
        AfterValidator(rising),
    ] = Field(default=[44100, 48000, 96000])
    fir_ms: Annotated[float, number(1, 500)] | None = None


class BaffleTable(Table):
    """[baffle]: the front of the cabinet, for the baffle step."""

    width_mm: Annotated[float, number(50, 3000)] = Field(examples=[220])
    height_mm: Annotated[float, number(50, 5000)] = Field(examples=[400])


class SpeakerTable(Table):
    """The whole file."""

    name: Name | None = None
    waveguide: WaveguideTable
    midrange: MidrangeTable | None = None
    lower_midrange: MidrangeTable | None = None
    woofer: LowerTable
    analysis: SpeakerAnalysisTable = SpeakerAnalysisTable()
    search: SpeakerSearchTable = SpeakerSearchTable()
    filters: FiltersTable = FiltersTable()
    baffle: BaffleTable | None = None
    cabinet: CabinetTable | None = None
    whole_range: WholeRangeTable | None = None

    @model_validator(mode="after")
    def _one_space(self) -> SpeakerTable:
        for name, way in self.lower().items():
            if self.cabinet is None and (
                own := [key for key in ("x_mm", "y_mm", "at_mm") if getattr(way, key) is not None]
            ):
                raise fault(
                    f"[{name}] {own[0]}: counts from the middle of a cabinet's face, and there is no [cabinet]. Add it,"
                    " or give below_mm"
                )
            if self.cabinet is not None and way.piston_radius_mm is not None and way.forward_mm != 0.0:
                raise fault(
                    f"[{name}] forward_mm = {way.forward_mm:g}: must be 0 for a piston in a [cabinet], flush in its"
                    " face. Remove it"
                )
            if self.cabinet is not None and way.beside_mm:
                raise fault(
                    f"[{name}] beside_mm = {way.beside_mm:g}: is for ways without a [cabinet]. Write x_mm and y_mm"
                )
            if self.cabinet is not None and way.sphere_radius_mm is not None:
                raise fault(
                    f"[{name}] sphere_radius_mm: stands for a cabinet, and there is a [cabinet]. Remove one of them"
                )
        return self

    def lower(self) -> dict[str, LowerTable]:
        """The ways below the waveguide by name, from the top."""
        ways: dict[str, LowerTable | None] = {
            "midrange": self.midrange,
            "lower_midrange": self.lower_midrange,
            "woofer": self.woofer,
        }
        return {name: way for name, way in ways.items() if way is not None}
