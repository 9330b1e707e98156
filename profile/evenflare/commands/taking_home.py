"""The folder of filters that a processor is loaded from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files
from evenflare.commands.written import Written

if TYPE_CHECKING:
    from evenflare.dsp.filter_set import WayFilters

HOME = "take_home"
WHAT: Written = [(f"{HOME}/", "all filters for a processor, in floating and fixed point: see its README.txt")]


def write_home(
    ways: Sequence[WayFilters],
    folder: Path,
    *,
    title: str,
    header: Sequence[str],
    either: bool,
    notes: Sequence[str] = (),
) -> list[str]:
    """Write every way's filters into `folder`/take_home; what cannot be used, a sentence each.

    either : sections and finite impulse response are each the whole correction.
    notes  : sentences of the README on what else there is to do.
    """
    from evenflare.results import filters, filters_home

    home = folder / HOME
    fixed, costs, faults = filters_home.fixed_texts(ways, header)
    texts = {
        "README.txt": filters_home.readme(ways, title=title, either=either, notes=notes),
        "sections_float.csv": filters_home.sections_text(ways, header),
        "sections_fixed.csv": fixed,
        "fixed_point.csv": costs,
        "ways.csv": filters_home.ways_text(ways, header),
    }
    if any(way.firs for way in ways):
        texts["fir_fixed.csv"] = filters_home.fir_text(ways, header)
    sounds = {}
    for way in ways:
        for rate, taps in way.firs.items():
            name = f"fir_{way.name}_{rate}"
            texts[f"{name}.txt"] = filters.taps_text(taps, header)
            texts[f"{name}_pcm24.txt"] = filters_home.taps_text(taps, header)
            sounds[f"{name}.wav"] = filters_home.plain_wav(taps.taps, rate)
            sounds[f"{name}_pcm24.wav"] = filters_home.pcm_wav(filters_home.fixed_taps(taps)[0], rate)
    for name, text in texts.items():
        files.write_text(home / name, text)
    for name, data in sounds.items():
        with files.replacing(home / name) as temporary:
            temporary.write_bytes(data)
    return faults
