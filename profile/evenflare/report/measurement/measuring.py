"""The page of a measurement: what can be trusted, what was wrong with which reading, what to repeat."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from evenflare.measurement.assemble import Assembled
from evenflare.measurement.checked import Checked
from evenflare.measurement.orbits import plane_name
from evenflare.report.kit import sheet
from evenflare.results.readings import message
from evenflare.studies.trust import valid_words
from evenflare.units import DEGREE, MILLISECOND
from evenflare.words import hertz

HEAD = (
    *("file", "verdict", "plane", "off axis", "peak, dB", "clipped", "signal over noise, dB", "arrival, ms"),
    *("polarity", "late, ms", "level beside, dB", "repeats", "from repeats, dB"),
)
"""Of the table of readings."""
MANY = 16
"""Rows above which the table of readings scrolls, and sentences on single readings that stand before it."""


def page(
    found: Assembled,
    record: Mapping[str, Any],
    *,
    lines: Sequence[str],
    shown: Mapping[str, sheet.Picture],
    written: Sequence[tuple[str, str]],
    command: str,
) -> str:
    """The page, with its pictures by the names of their files.

    record : as `session.json` has it. lines : what is told of the result, without full stops.
    """
    wrong = [remark.words for each in found.readings for remark in each.remarks]
    lacking = {each.file for each in found.missing}
    told = [each for each in record["warnings"] if each not in wrong and not _of_missing(each, lacking)]
    repeat = wrong + [f"{each.file}: missing in {plane_name(each.azimuth)}. Measure it" for each in found.missing]
    parts = (
        [sheet.PageSection("What is wrong, and what to do", [f"{each}." for each in _few(repeat)])] if repeat else []
    )
    first = [f"Trusted {valid_words(found.directivity)}", *message(found)]
    parts += [
        sheet.PageSection("Found", [f"{line}." for line in lines if line not in first]),
        _readings(found, shown),
        *_pictured("Level over frequency and angle", shown, "directivity_map"),
        *_pictured("Curves", shown, "on_axis", "index_and_beamwidth", "standard_curves", "off_axis_curves"),
        *_pictured("Low end", shown, "low_end"),
        *_pictured("Decay and distortion", shown, "decay", "distortion"),
        *_pictured("Alignment", shown, "alignment"),
        _budget(found, shown),
        sheet.PageSection("Assumed", [f"{_sentence(each)}." for each in record["assumed"]]),
    ]
    return sheet.sheet(
        record["name"],
        f"Measured: {record['session']}, {len(found.readings)} readings, mounting {record['mounting']}."
        " Made by evenflare.",
        parts=parts,
        written=written,
        command=command,
        warnings=told,
        message=[f"{each}." for each in first],
    )


def _of_missing(words: str, files: set[str]) -> bool:
    return "missing in a run" in words and any(file in words for file in files)


def _few(said: Sequence[str]) -> list[str]:
    more = [f"{len(said) - MANY} more, each in the table of the readings"] if len(said) > MANY else []
    return [*said[:MANY], *more]


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def _pictured(title: str, shown: Mapping[str, sheet.Picture], *starts: str) -> list[sheet.PageSection]:
    found = [each for start in starts for name, each in shown.items() if name.startswith(start)]
    return [sheet.PageSection(title, pictures=found)] if found else []


def _readings(found: Assembled, shown: Mapping[str, sheet.Picture]) -> sheet.PageSection:
    """A row a reading; those that are wrong or missing come first and stand out."""
    rows = [
        [each.file, "missing", plane_name(each.azimuth), _angle(each.off_axis), *["–"] * 9] for each in found.missing
    ]
    rows += [_row(each) for each in found.readings if each.verdict != "good"]
    odd = len(rows)
    rows += [_row(each) for each in found.readings if each.verdict == "good"]
    # What no reading tells is left out: text has no peak, one reading a direction no repeats.
    shows = [i for i in range(len(HEAD)) if any(row[i] not in ("–", "1") for row in rows)]
    return sheet.PageSection(
        "Each reading",
        [
            "Peak re full scale; signal over noise, the median over the trusted frequencies; arrival from the first"
            " sample; polarity, arrival and level beside the two readings next to it; how far it lies from the other"
            " repeats of its direction. A dash: cannot be told.",
        ],
        head=[HEAD[i] for i in shows],
        rows=[[row[i] for i in shows] for row in rows],
        pictures=[each for name, each in shown.items() if name == "readings.png"],
        marked=frozenset(range(odd)),
        tall=len(rows) > MANY,
    )


def _row(each: Checked) -> list[str]:
    return [
        each.file,
        each.verdict,
        plane_name(each.azimuth),
        _angle(each.off_axis),
        _number(each.peak, 1),
        "–" if each.clipped is None else "yes" if each.clipped else "no",
        _number(each.signal_to_noise, 0),
        _number(each.arrival / MILLISECOND, 3),
        {1.0: "as beside", -1.0: "inverted"}.get(each.polarity, "–"),
        _number(each.late / MILLISECOND, 3),
        _number(each.level, 2),
        str(each.repeats),
        _number(each.apart, 2),
    ]


def _budget(found: Assembled, shown: Mapping[str, sheet.Picture]) -> sheet.PageSection:
    """At a frequency an octave, the combined uncertainty and its largest part."""
    seen, valid = found.directivity.observation.frequency, found.directivity.valid
    rows = []
    for wanted in (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0):
        at = int(abs(seen - wanted).argmin())
        if abs(math.log2(seen[at] / wanted)) < 0.5 and valid[at]:
            row = [hertz(seen[at])]
            for budget in found.budgets.values():
                largest = max(budget.parts, key=lambda part: float(part.size[at]))
                row += [f"{budget.combined[at]:.2f}", f"{largest.name} {largest.size[at]:.2f}"]
            rows.append(row)
    names = {"index": "index", "on_axis_level": "level on axis"}
    head = ["frequency", *(cell for each in found.budgets for cell in (f"{names[each]}, dB", "mostly through, dB"))]
    return sheet.PageSection(
        "Uncertainty",
        [
            "Standard uncertainties by JCGM 100, each part in budget.csv; twice as much to either side holds about 95 %"
            " of cases.",
        ],
        head=head,
        rows=rows,
        pictures=[each for name, each in shown.items() if name == "budget.png"],
    )


def _angle(off_axis: float) -> str:
    return f"{off_axis / DEGREE:.4g}°".replace("-", "−")


def _number(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−") if math.isfinite(value) else "–"


CAPTIONS = {
    "readings": "Readings with a fault are ringed, in one of the panels. Level: less what a curve through the others"
    " tells. Late: later than both beside it; one that is early is below zero.",
    "directivity_map": "Level re on axis over frequency and angle, contours at −3, −6, −12 and −18 dB. A stripe along"
    " one angle is one wrong file.",
    "on_axis": "As the microphone heard it; the travel time is taken out of the phase.",
    "index_and_beamwidth": "The shade is the standard uncertainty of the index.",
    "standard_curves": "Re the listening window, so that the driver's own response does not show.",
    "off_axis_curves": "At frequencies an octave apart.",
    "alignment": "Pairs that agree are the turntable's offset; one that stands apart has a wrong file. The shade is a"
    " standard error.",
    "low_end": "Below the shaded overlap a reading close to the mouth, taken to the rig's distance by the model.",
    "decay": "What stands out rings on after the rest; grey: hidden by the gate or by noise.",
    "distortion": "Harmonics where they stand above their floor; thin: the floor.",
    "budget": "Parts below a tenth of the whole are left out.",
}
"""By what the name of a picture begins with."""


def caption(name: str) -> str:
    """Of a picture by the name of its file."""
    return next((words for start, words in CAPTIONS.items() if name.startswith(start)), "")
