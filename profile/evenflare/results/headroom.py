"""What a crossover's tables and record say of level: how loud it plays, and how it is from end to end."""

from __future__ import annotations

from typing import Any

import numpy as np

from evenflare.dsp.biquad import response
from evenflare.dsp.headroom import GivingOut
from evenflare.dsp.joining import Joined
from evenflare.results.formats import Columns
from evenflare.units import FloatArray, amplitude_db

DANGER = (
    "caution: levels near these limits harm hearing within minutes, and drivers; raise the level slowly, with ears"
    " protected"
)


def headroom_columns(joined: Joined) -> dict[str, FloatArray | list[str]]:
    """One row per frequency: how loud the loudspeaker can play, which way gives out first, and each way's own."""
    found = joined.headroom
    assert found is not None  # some way has a limit
    names = [way.name for way in joined.speaker.sounds.ways]
    first = [int(each) for each in np.argmin(found.greatest, axis=0)]
    return {
        "frequency_hz": joined.speaker.sounds.frequency,
        "greatest_db": found.greatest.min(axis=0),
        "first": [names[way] for way in first],
        "cause": [found.causes[way][at] for at, way in enumerate(first)],
        **{f"{name}_greatest_db": each for name, each in zip(names, found.greatest, strict=True)},
        "valid": joined.total.valid.astype(np.float64),
    }


def evened_columns(joined: Joined) -> Columns:
    """What is wanted from end to end and the level of the sections that bring the sum there; empty where nothing is."""
    even, wanted = joined.evened, joined.speaker.whole_range
    if even is None or wanted is None:
        return {}
    frequency, rate = joined.speaker.sounds.frequency, joined.speaker.sample_rates[-1]
    return {
        "target_db": np.where(even.within(frequency), wanted.level(frequency) + even.level, np.nan),
        "evened_db": amplitude_db(response(even.biquads(rate), frequency, sample_rate=rate)),
    }


def headroom_record(joined: Joined) -> dict[str, Any] | None:
    """Which way gives out first and at which level, then the others."""
    found = joined.headroom
    if found is None:
        return None
    names = [way.name for way in joined.speaker.sounds.ways]

    def plain(each: GivingOut) -> dict[str, Any]:
        return {
            "way": names[each.way],
            "cause": each.cause,
            "frequency_hz": each.frequency,
            "level_db": each.level,
        }

    return {
        "gives_out": [plain(each) for each in found.order],
        "without_limit": [name for name, each in zip(names, joined.speaker.levels.limits, strict=True) if not each],
    }


def evened_record(joined: Joined) -> dict[str, Any] | None:
    """What is wanted from end to end, and how near the sum comes."""
    even, wanted = joined.evened, joined.speaker.whole_range
    if even is None or wanted is None:
        return None
    lowest = joined.speaker.sounds.ways[-1]
    return {
        "from_hz": even.band[0],
        "to_hz": even.band[1],
        "alignment": [{"frequency_hz": each.frequency, "quality": each.quality} for each in wanted.alignment.pairs],
        "box": [{"frequency_hz": each.frequency, "quality": each.quality} for each in lowest.box.pairs],
        "tilt_db_per_octave": wanted.tilt,
        "tilt_from_hz": wanted.tilt_from,
        "passband_db": even.level,
        "left_rms_db": even.rms,
        "boost_short_by_db": even.limited,
        "sections": {
            str(rate): [
                {"kind": each.kind, "frequency_hz": each.frequency, "gain_db": each.gain, "quality": each.quality}
                for each in made
            ]
            for rate, made in even.sections.sections.items()
        },
    }


def trims_record(joined: Joined) -> dict[str, float] | None:
    """By way, dB that bring them to one level behind amplifiers of equal gain."""
    trims = joined.speaker.levels.trims
    names = [way.name for way in joined.speaker.sounds.ways]
    return None if trims is None else dict(zip(names, trims, strict=True))
