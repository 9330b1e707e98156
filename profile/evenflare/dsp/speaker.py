"""A loudspeaker as its file describes it: ways in their places, and what is open between them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.design.file import read_design
from evenflare.directivity.folder import read_directivity
from evenflare.dsp import boxed
from evenflare.dsp.alignments import transform
from evenflare.dsp.baffle_step import BaffleStep, baffle_step
from evenflare.dsp.biquad import Biquad, response
from evenflare.dsp.crossover_search import Open, OpenCrossing, OpenSetting, Range
from evenflare.dsp.drivers import Radiator
from evenflare.dsp.handover import parting
from evenflare.dsp.measured import ReadMeasured
from evenflare.dsp.own_filters import OwnFilters, behind
from evenflare.dsp.people import People
from evenflare.dsp.placing import UnfilteredWays, Way, heard
from evenflare.dsp.speaker_checks import HIGHEST, check_covered, check_near, check_rates
from evenflare.dsp.speaker_drivers import WayDriver, driver_from, in_cabinet, lower_driver, named
from evenflare.dsp.speaker_filters import own_filters
from evenflare.dsp.speaker_levels import Levels, box_of, levels_of, lowest_wanted, whole_range_of
from evenflare.dsp.speaker_places import Solving, people_of, positions_of, solved_pistons
from evenflare.dsp.speaker_tables import MEET, MINIMAL, LowerTable, SpeakerTable, WaveguideTable
from evenflare.dsp.whole_range import WholeRange
from evenflare.exterior.cabinets import top_wavenumber
from evenflare.files import InputError
from evenflare.schema import checked, gathered, parsed, shown
from evenflare.text import from_path
from evenflare.units import MILLIMETRE, MILLISECOND, ComplexArray, FloatArray
from evenflare.waveguide import AnyCabinet

BELOW = 4.0
"""How far below the lowest crossing a sum is looked at, as a ratio, where nothing else is asked for."""
LOWEST = 100.0


@dataclass(frozen=True)
class Speaker:
    """Ways on a common grid, what is open between them, and how they are to be written.

    sounds       : what the ways send, from the top.
    choice       : what is open; a frequency that was to be where the directivities meet is given.
    band         : Hz, over which the sum is to be even.
    heard_by     : where people may be, at the frequencies of `sounds`.
    step         : the baffle step as a sphere has it, where a front is given: a quick estimate.
    solved_steps : of each way in the front of a cabinet, by its name, as the cabinet has it.
    own_filters  : of each way, ahead of its slopes; `sounds` are behind them.
    sample_rates : Hz, rising; curves are those of the last.
    fir_length   : s; None for what the lowest linear-phase corner needs.
    levels       : what each way can play, and how they are matched.
    whole_range  : what the sum is to be from end to end, if that is asked for.
    assumed      : what was taken for granted, in words.
    """

    name: str
    design_id: str
    path: Path
    sounds: UnfilteredWays
    choice: Open
    band: Range
    heard_by: People
    power_share: float
    seed: int
    step: BaffleStep | None
    solved_steps: dict[str, BaffleStep]
    own_filters: tuple[OwnFilters, ...]
    sample_rates: tuple[int, ...]
    fir_length: float | None
    levels: Levels
    whole_range: WholeRange | None
    assumed: tuple[str, ...]

    def aligned(self, way: int, rate: int) -> tuple[Biquad, ...]:
        """Sections, at a sample rate (Hz), that make the wanted alignment of the lowest way's; none for the others."""
        if self.whole_range is None or way < len(self.sounds.ways) - 1:
            return ()
        return transform(self.sounds.ways[way].box, self.whole_range.alignment, sample_rate=rate)

    def aligned_responses(self, frequency: FloatArray, rate: int) -> ComplexArray:
        """(N, F) of these at `frequency` (F,) Hz."""
        ways = range(len(self.sounds.ways))
        return np.array([response(self.aligned(way, rate), frequency, sample_rate=rate) for way in ways])


def read_speaker(path: Path, *, reading: ReadMeasured, cores: int = 1, solving: Solving | None = None) -> Speaker:
    """The loudspeaker of a file; ways in a cabinet are solved on so many cores, or read where they were before.

    reading : reads the measured responses that it names.
    InputError that lists what is wrong with it, or with the directivities it names.
    """
    table = checked(parsed(path, minimal=MINIMAL), SpeakerTable, path=path)
    above = named(path, "waveguide", "directivity", table.waveguide.directivity, read_directivity)
    speed = above.directivity.speed_of_sound
    lower = table.lower()
    cabinet = _cabinet(path, table)
    step = _front(table, speed)
    front = None if step is None or cabinet is not None else step.radius
    drivers = gathered(
        lambda: driver_from(path, "waveguide", table.waveguide, above),
        *(
            lambda name=name, way=way: lower_driver(path, name, way, speed, cabinet, front=front, reading=reading)
            for name, way in lower.items()
        ),
    )
    top = drivers[0]
    assert isinstance(top, WayDriver)  # it has no pistons
    waveguide = top.driver
    if cabinet is not None and waveguide.half_space:
        raise InputError(
            f"{path} [cabinet]: the waveguide's directivity is that in an infinite baffle. Solve it in this cabinet,"
            ' with [mounting] kind = "cabinet" in its design, or remove [cabinet]'
        )
    if table.baffle is not None and not waveguide.half_space:
        raise InputError(
            f"{path} [baffle]: the ways radiate all round, so the step of the cabinet is in them already."
            " Remove the table"
        )
    corners = [
        None if way.crossover.frequency_hz == MEET else _range(way.crossover.frequency_hz) for way in lower.values()
    ]
    frequency = _frequencies(path, table, corners, waveguide)
    axis = table.analysis.axis_below_mm * MILLIMETRE
    ways, bare, steps = [], [], {}
    tables: list[WaveguideTable | LowerTable] = [table.waveguide, *lower.values()]
    boxes = solved_pistons(
        path,
        lower,
        {name: each for name, each in zip(lower, drivers[1:], strict=True) if isinstance(each, list)},
        corners,
        frequency,
        speed_of_sound=speed,
        cores=cores,
        solving=solving,
    )
    assumed: list[str] = []
    for place, (name, way, read) in enumerate(zip(("waveguide", *lower), tables, drivers, strict=True)):
        positions = positions_of(way, cabinet, axis)
        count = len(positions)
        if isinstance(read, list):
            assert cabinet is not None  # pistons stand in it
            assert isinstance(way, LowerTable)
            count = len(read)
            to_mouth = boxed.middle(read) - cabinet.centre
            positions = ((float(to_mouth[0]), float(to_mouth[1]) + axis, float(to_mouth[2])),)
            solved = boxed.driver_of(boxes[name], speed_of_sound=speed)
            if way.face == "front" and (own := boxed.step_of(solved, frequency)) is not None:
                steps[name] = own
            read = in_cabinet(path, name, way, read, solved, reading=reading)
        assumed += read.assumed
        bare.append((read.bare, count))
        level = way.equalised_to if way.equaliser_sections is None else "nothing"
        ways.append(Way(name, read.driver, positions, level, _passband(corners, place), box_of(way)))
    distance = np.inf if table.analysis.distance_m is None else table.analysis.distance_m
    check_near(path, ways, distance)
    try:
        sounds = heard(ways, frequency, distance=distance, density=above.directivity.density)
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error
    crossings = []
    for place, (name, lower_way) in enumerate(lower.items()):
        given = corners[place]
        corner = _meeting(path, name, sounds, place + 1) if given is None else given
        crossings.append(OpenCrossing(lower_way.crossover.slopes(), corner))
    settings = tuple(_setting(way) for way in tables)
    try:
        choice = Open(tuple(crossings), settings)
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error
    rates = tuple(table.filters.sample_rates_hz)
    check_covered(path, ways, [each for each in lower if lower[each].measured], choice, frequency)
    check_rates(path, choice, frequency, rates)
    filters = own_filters(path, tables, ways, choice, frequency, rates)
    sounds = behind(sounds, filters, sample_rate=rates[-1])
    left = None if step is None else step.left_on_axis(frequency, speed_of_sound=speed)
    levels = levels_of(path, tables, ways, bare, frequency, density=sounds.density, step=left)
    return Speaker(
        table.name or from_path(path.stem),
        above.design_id,
        path,
        sounds,
        choice,
        _even_band(path, table, choice, frequency),
        people_of(path, table, sounds),
        table.search.power_share,
        table.search.seed,
        step,
        steps,
        filters,
        rates,
        None if table.filters.fir_ms is None else table.filters.fir_ms * MILLISECOND,
        levels,
        whole_range_of(path, table),
        tuple(dict.fromkeys([*_assumed(sounds, filters, cabinet), *assumed, *levels.assumed])),
    )


def _cabinet(path: Path, table: SpeakerTable) -> AnyCabinet | None:
    """The box that all ways stand in, if it is given."""
    if table.cabinet is None:
        return None
    if table.cabinet.design is None:
        given = f"solid_stl = {shown(table.cabinet.solid_stl)}"
        found = table.cabinet.mounting().value(path, table="cabinet").cabinet
        assert found is not None  # it is none but a cabinet
    else:
        given = f"design = {shown(table.cabinet.design)}"
        design = named(path, "cabinet", "design", table.cabinet.design, read_design)
        if (found := design.waveguide.mounting.cabinet) is None:
            raise InputError(f"{path} [cabinet] {given}: is not in a cabinet. Give the cabinet's sizes")
    try:
        top_wavenumber(found)
    except ValueError as error:
        raise InputError(f"{path} [cabinet] {given}: {error}") from error
    return found


def _front(table: SpeakerTable, speed: float) -> BaffleStep | None:
    """The baffle step of the front that the file gives."""
    if (front := table.baffle) is None:
        return None
    return baffle_step(front.width_mm * MILLIMETRE, front.height_mm * MILLIMETRE, speed_of_sound=speed)


def _range(value: object) -> Range:
    assert isinstance(value, tuple)
    return float(value[0]), float(value[1])


def _setting(way: WaveguideTable | LowerTable) -> OpenSetting:
    delay = way.delay_ms[0] * MILLISECOND, way.delay_ms[1] * MILLISECOND
    inverted = (None,) if way.polarity is None else tuple(each == "inverted" for each in way.polarity)
    return OpenSetting(delay, way.gain_db, inverted)


def _frequencies(path: Path, table: SpeakerTable, corners: list[Range | None], waveguide: Radiator) -> FloatArray:
    """Hz, evenly on a logarithmic axis."""
    known = [each[0] for each in corners if each is not None]
    wanted = lowest_wanted(table)
    usual = LOWEST if not known else min(known) / BELOW
    low = table.analysis.from_hz or max(usual if wanted is None else min(usual, wanted), 10.0)
    high = table.analysis.to_hz or min(waveguide.band[1], HIGHEST)
    if not high >= 4.0 * low:
        raise InputError(
            f"{path} [analysis]: from {low:g} to {high:g} Hz is less than two octaves. Lower from_hz, raise to_hz, or"
            " solve the waveguide to a higher frequency"
        )
    if high > waveguide.band[1] * (1 + 1e-6):
        raise InputError(
            f"{path} [analysis] to_hz = {high:g}: the waveguide is valid up to {waveguide.band[1]:g} Hz. Lower it"
        )
    return np.geomspace(low, high, 1 + int(np.ceil(table.analysis.per_octave * np.log2(high / low))))


def _even_band(path: Path, table: SpeakerTable, choice: Open, frequency: FloatArray) -> Range:
    """Hz over which the sum is to be even: about the crossings, where they change something."""
    low = table.search.from_hz or choice.crossings[-1].frequency[0] / BELOW
    high = table.search.to_hz or choice.crossings[0].frequency[1] * BELOW
    low, high = max(low, float(frequency[0]) * (1 - 1e-6)), min(high, float(frequency[-1]) * (1 + 1e-6))
    if np.count_nonzero((frequency >= low) & (frequency <= high)) < 8:
        raise InputError(
            f"{path} [search]: from {low:g} to {high:g} Hz there are fewer than 8 frequencies to make even. Widen"
            " from_hz and to_hz, or raise [analysis] per_octave"
        )
    return low, high


def _passband(corners: list[Range | None], place: int) -> Range:
    """Hz between the middles of the crossings below and above a way, half an octave within each."""
    middle = [None if each is None else float(np.sqrt(each[0] * each[1])) for each in corners]
    above = middle[place - 1] if place > 0 else None
    below = middle[place] if place < len(middle) else None
    return (0.0 if below is None else below * np.sqrt(2.0)), (np.inf if above is None else above / np.sqrt(2.0))


def _meeting(path: Path, name: str, sounds: UnfilteredWays, lower: int) -> Range:
    """The frequency at which the indices of a way and the one above it meet and part."""
    found = parting(sounds, lower)
    if found is None:
        raise InputError(
            f'{path} [{name}.crossover] frequency_hz = "{MEET}": nowhere where both are valid does the directivity'
            f" index of {name} rise through that of {sounds.ways[lower - 1].name} and stay above it. Give a frequency,"
            " or another size"
        )
    return found, found


def _assumed(sounds: UnfilteredWays, filters: tuple[OwnFilters, ...], cabinet: AnyCabinet | None) -> list[str]:
    if cabinet is not None:
        space = (
            f"pistons stand in {boxed.alone_words(cabinet)}, closed and rigid, whose edges and sides are in what they"
            " radiate; the other ways' cones and mouth are rigid and flush for them"
        )
    elif sounds.half_space:
        space = (
            "all ways stand in one infinite baffle and radiate into half space; a cabinet differs below its baffle step"
        )
    else:
        space = "every way radiates all round as by itself, on its own cabinet; the others do not scatter its sound"
    words = [
        space,
        "a way outside its valid band keeps the pattern and level of the band's end",
    ]
    if any(way.level != "nothing" for way in sounds.ways):
        words.append(
            "a way that is equalised is so in level and phase, by an equaliser of its own before the crossover"
        )
    if any(each.fitted is not None for each in filters):
        words.append(
            "an equaliser that is fitted makes its way's level even; its phase follows, and what the driver's phase has"
            " beyond that stays"
        )
    return words
