"""The filters that the ways of a loudspeaker's file have ahead of their slopes, and at which sample rates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from evenflare.dsp.crossover import Crossing
from evenflare.dsp.crossover_search import Open, Range
from evenflare.dsp.equalisation import SAMPLE_RATES
from evenflare.dsp.filters_file import Equaliser, read_equaliser
from evenflare.dsp.fit import TOP as HIGHEST_CENTRE
from evenflare.dsp.fit import SectionLimits
from evenflare.dsp.own_filters import FittedEqualiser, OwnFilters, fitted_equaliser
from evenflare.dsp.placing import Way
from evenflare.dsp.slopes import Slope
from evenflare.dsp.speaker_checks import TOP
from evenflare.dsp.speaker_drivers import named
from evenflare.dsp.speaker_tables import LowerTable, WaveguideTable
from evenflare.files import InputError
from evenflare.schema import gathered, shown
from evenflare.units import FloatArray

PROTECTING = 4
"""Order of a high-pass where none is given; common practice, no source."""
ASIDE = 2.0
"""How far beyond its crossings a way is equalised, as a ratio, where no band is given: with slopes of fourth order it
is 24 dB down there."""


def usual_rates(highest: float) -> tuple[int, ...]:
    """The usual sample rates, Hz, that can hold a slope with a corner at `highest` Hz."""
    return tuple(rate for rate in SAMPLE_RATES if highest <= TOP * rate)


def own_filters(
    path: Path,
    tables: Sequence[WaveguideTable | LowerTable],
    ways: Sequence[Way],
    choice: Open,
    frequency: FloatArray,
    rates: tuple[int, ...],
) -> tuple[OwnFilters, ...]:
    """Of every way, from the top: its equaliser fitted, its high-pass as the file has it.

    frequency : (F,) Hz, of the sum. rates: of the file, Hz.
    Errors: InputError, which names table and key, where a high-pass or an equaliser does not fit its way.
    """
    every = sorted({*rates, *usual_rates(choice.crossings[0].frequency[1])})

    def of_way(place: int) -> OwnFilters:
        table, way = tables[place], ways[place]
        above = choice.crossings[place - 1].frequency if place > 0 else None
        below = choice.crossings[place].frequency if place < len(choice.crossings) else None
        passing = _high_pass(path, table, way, above, rates)
        if table.equaliser is not None and table.equaliser_in_filters:
            return OwnFilters(_read(path, table.equaliser, way, rates), passing)
        if table.equaliser_sections is None:
            return OwnFilters(None, passing)
        low = frequency[0] if below is None else max(frequency[0], below[0] / ASIDE)
        high = frequency[-1] if above is None else min(frequency[-1], above[1] * ASIDE)
        if passing is not None:
            low = max(low, passing.frequency)  # below, the driver is spared: nothing is lifted
        start = f"{path} [{way.name}] equaliser_band_hz"
        if table.equaliser_band_hz is None:
            low, high = max(low, way.driver.band[0]), min(high, way.driver.band[1], 0.99 * HIGHEST_CENTRE * every[0])
            start = f"{path} [{way.name}] equaliser_sections = {table.equaliser_sections}"
        else:
            low, high = table.equaliser_band_hz
            start += f" = [{low:g}, {high:g}]"
        try:
            return OwnFilters(_fitted(table, way, (float(low), float(high)), every), passing)
        except ValueError as error:
            raise InputError(f"{start}: {error}") from error

    return tuple(gathered(*(lambda place=place: of_way(place) for place in range(len(ways)))))


def _fitted(table: WaveguideTable | LowerTable, way: Way, band: Range, rates: Sequence[int]) -> FittedEqualiser:
    assert table.equaliser_sections is not None
    assert table.equalised_to != "nothing"  # checked by the table
    if not band[1] > 2.0 * band[0]:
        raise ValueError(f"from {band[0]:.4g} to {band[1]:.4g} Hz is less than an octave. Widen equaliser_band_hz")
    limits = SectionLimits(table.equaliser_sections)
    if table.equaliser_boost_db is not None:
        limits = replace(limits, boost=table.equaliser_boost_db, gain=max(limits.gain, table.equaliser_boost_db))
    return fitted_equaliser(way, table.equalised_to, band=band, limits=limits, sample_rates=rates)


def _read(path: Path, equaliser: str, way: Way, rates: Sequence[int]) -> Equaliser:
    found = named(path, way.name, "equaliser", equaliser, read_equaliser)
    for rate in rates:
        if rate not in found.sections:
            known = ", ".join(map(str, sorted(found.sections)))
            raise InputError(
                f"{path} [{way.name}] equaliser = {shown(equaliser)}: holds sections at {known} Hz, none at {rate}:"
                " must have all of [filters] sample_rates_hz. Write it again with these, or remove equaliser_in_filters"
            )
    return found


def _high_pass(
    path: Path, table: WaveguideTable | LowerTable, way: Way, above: Range | None, rates: Sequence[int]
) -> Crossing | None:
    if (corner := table.high_pass_hz) is None:
        return None
    most, whose = (
        (TOP * rates[0], "what the lowest sample rate holds") if above is None else (above[0], "its crossover")
    )
    if not corner < most:
        raise InputError(
            f"{path} [{way.name}] high_pass_hz = {corner:g}: must be below {whose}, {most:g} Hz, or the way plays"
            " nothing. Lower it"
        )
    return Crossing(Slope("butterworth", table.high_pass_order or PROTECTING), corner)
