"""What a loudspeaker file says of level: how loud each way can play, how they match, what is wanted of the sum."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.dsp import loudness
from evenflare.dsp.alignments import LowAlignment, check_transform, cone_share, fall_off
from evenflare.dsp.drivers import Radiator
from evenflare.dsp.fit import SectionLimits
from evenflare.dsp.headroom import trims
from evenflare.dsp.level_tables import LevelTable
from evenflare.dsp.loudness import Cause, Ratings
from evenflare.dsp.placing import Way
from evenflare.dsp.speaker_tables import LowerTable, SpeakerTable
from evenflare.dsp.whole_range import WholeRange
from evenflare.files import InputError
from evenflare.units import MILLIMETRE, FloatArray

OUTSIDE = 6.0
"""dB that sections may raise outside their band at most; common practice, no source."""


@dataclass(frozen=True)
class Levels:
    """What is known of level.

    limits  : of each way by cause, (F,) dB SPL on axis at 1 m, the greatest that it can play.
    trims   : dB that bring the ways to one level behind equal amplifiers; None where a sensitivity is not given.
    assumed : in words.
    """

    limits: tuple[Mapping[Cause, FloatArray], ...]
    trims: list[float] | None
    assumed: tuple[str, ...]


def box_of(way: LevelTable) -> LowAlignment:
    """How a way's box lets it fall off."""
    return way.box.value() if isinstance(way, LowerTable) and way.box is not None else LowAlignment()


def lowest_wanted(table: SpeakerTable) -> float | None:
    """Hz, down to which the lows that the file speaks of reach: an octave below each corner; None if it has none."""
    wanted = None if table.whole_range is None else table.whole_range.value()
    corners = [pair.frequency for made in (wanted, box_of(table.woofer)) if made is not None for pair in made.pairs]
    return 0.5 * min(corners) if corners else None


def whole_range_of(path: Path, table: SpeakerTable) -> WholeRange | None:
    """What the sum is to be from end to end. InputError if no filter makes the alignment of the woofer's box."""
    wanted, own = table.whole_range, box_of(table.woofer)
    if wanted is None:
        return None
    aligned = wanted.value()
    if aligned is None:
        aligned = own
    try:
        check_transform(own, aligned)
    except ValueError as error:
        raise InputError(
            f'{path} [whole_range] alignment = "{wanted.alignment}": {error}. Take "vented" or "assisted", or leave'
            " alignment out for the box's own"
        ) from error
    limits = SectionLimits(wanted.sections, boost=wanted.boost_db, outside=min(OUTSIDE, wanted.boost_db))
    return WholeRange(aligned, wanted.tilt_db_per_octave, wanted.tilt_from_hz, (wanted.from_hz, wanted.to_hz), limits)


def levels_of(
    path: Path,
    tables: Sequence[LevelTable],
    ways: Sequence[Way],
    drivers: Sequence[tuple[Radiator, int]],
    frequency: FloatArray,
    *,
    density: float,
    step: FloatArray | None = None,
) -> Levels:
    """What the ways can play at `frequency` (F,) Hz.

    drivers : of each way before any equaliser, and how many there are.
    step    : (F,) of the pressure on axis in an infinite baffle, what a cabinet of finite size leaves of it.
    InputError where an excursion is given of a driver that is known by its response alone.
    """
    found, assumed = [], []
    for table, way, (driver, count) in zip(tables, ways, drivers, strict=True):
        on_axis = driver.far(frequency, np.zeros(1), np.zeros(1))[:, 0] * (1.0 if step is None else step)
        if isinstance(table, LowerTable) and table.piston_radius_mm is not None:
            source = loudness.of_piston(
                frequency,
                on_axis,
                radius=table.piston_radius_mm * MILLIMETRE,
                density=density,
                fall_off=fall_off(way.box, frequency),
                cone_share=cone_share(way.box, frequency),
            )
        elif driver.unit_velocity:
            source = loudness.of_exit(frequency, on_axis)
            if table.power_w is not None:
                assumed.append(f"{way.name.replace('_', ' ')}: its level for a voltage is even over frequency")
        else:
            source = loudness.of_response(frequency, on_axis, passband=way.passband)
        try:
            found.append(loudness.limits(_ratings(table), source, drivers=count))
        except ValueError as error:
            raise InputError(
                f"{path} [{way.name}] excursion_mm = {table.excursion_mm:g}: {error}. Give level_limit_db instead, or a"
                " waveguide as it was solved, for unit velocity"
            ) from error
    together = trims([each.sensitivity_db for each in tables], [count for _, count in drivers])
    return Levels(tuple(found), together, tuple(assumed))


def _ratings(table: LevelTable) -> Ratings:
    return Ratings(
        table.sensitivity_db,
        table.power_w,
        table.impedance_ohm,
        None if table.excursion_mm is None else table.excursion_mm * MILLIMETRE,
        table.level_limit_db,
    )
