"""The page of an inspected part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from evenflare.report.inspection import coloured, figures, words
from evenflare.report.kit import sheet
from evenflare.results.inspection import PartVerdict, state_words
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Waveguide

CAPTIONS = {
    "deviation_map.png": "Blue nearer to the axis than drawn, orange further from it; grey: no points. Dotted: ends of"
    " the zones. Ring: the worst place.",
    "deviation_along_depth.png": "Points that count, from all azimuths, and their median; + is further from the axis.",
    "index_of_part.png": "The wall as built is solved as the drawn one is, so that errors of the method cancel.",
}
"""By the names of the files."""


def pictures(found: PartVerdict, waveguide: Waveguide) -> dict[str, Any]:
    """Figures by the names of their files."""
    return {
        "deviation_map.png": figures.deviation_map(found, waveguide),
        "deviation_along_depth.png": figures.along_depth(found, waveguide),
        "index_of_part.png": figures.with_limit(figures.index(found.sound), found.within_db),
    }


def caption(name: str) -> str:
    """Of a picture by the name of its file."""
    return CAPTIONS[name]


def page(
    found: PartVerdict,
    waveguide: Waveguide,
    *,
    title: str,
    what: str,
    notes: Sequence[str],
    shown: Mapping[str, sheet.Picture],
    warnings: Sequence[str],
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with its pictures by the names of their files. notes : how the part was solved, sentences."""
    parts = [
        sheet.PageSection("What was found", [f"{line}." for line in words.lines(found)[: _before_kinds(found)]]),
        sheet.PageSection("Pictures", pictures=list(shown.values())),
        sheet.PageSection(
            "Kinds of deviation",
            [
                "Values with one standard error; what they are, and whether to do something about them, stands below.",
            ],
            head=("Kind", "Value", "By itself, dB of index"),
            rows=words.rows(found),
        ),
        sheet.PageSection(
            "Zones",
            ["Outside, or inside, is a zone where that is beyond the doubt of registration and noise (5 %)."]
            if found.toleranced
            else ["No tolerance was named: zones of equal depth, without limits."],
            head=("z, mm", "Points", "Mean off, mm", "Allowed, mm", "Outside, %", "Worst at", "Verdict"),
            rows=[_zone_row(found, i) for i in range(len(found.held.zones))],
            marked=frozenset(
                i for i, each in enumerate(found.held.zones) if found.toleranced and each.state == "outside"
            ),
        ),
        sheet.PageSection(
            "What to do about it",
            [
                *(words.advice(found) or ["No deviation stands out from the scan's own doubt."]),
                "Of deviations above two standard errors; common practice, no source. Small ones need nothing done.",
            ],
        ),
        sheet.PageSection("What the kinds are", [f"{told.name}: {told.means}." for told in words.WORDS.values()]),
        sheet.PageSection("How it was found", list(notes)),
    ]
    return sheet.sheet(
        title,
        what,
        parts=parts,
        written=written,
        command=command,
        warnings=warnings,
        message=[f"{words.answer(found)}."],
        view=coloured.space(found.inspection, waveguide, limit=figures.reach(found)),
    )


def _before_kinds(found: PartVerdict) -> int:
    """The kinds have a table of their own."""
    return len(words.lines(found)) - len(words.WORDS)


def _zone_row(found: PartVerdict, number: int) -> list[str]:
    each = found.held.zones[number]
    zone = each.zone
    ends = [f"{zone.from_z / MILLIMETRE:.1f}–{zone.to_z / MILLIMETRE:.1f}", str(each.points)]
    if not each.points:
        return [*ends, "–", "–", "–", "–", "no points"]
    mean = f"{words.signed_mm(each.mean.value)} ± {each.mean.standard_error / MILLIMETRE:.3f}"
    if not found.toleranced:
        return [*ends, mean, "–", "–", "–", "–"]
    allowed = f"−{zone.minus / MILLIMETRE:.3f} to +{zone.plus / MILLIMETRE:.3f}"
    where = "–" if np.isnan(each.z) else f"{each.z / MILLIMETRE:.1f} mm, {each.azimuth / DEGREE:.0f}°"
    return [*ends, mean, allowed, f"{100 * each.outside:.1f}", where, state_words(each.state)]
