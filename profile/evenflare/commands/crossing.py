"""What `crossover` does: ways joined, their filters written, and a page of what is heard."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files
from evenflare.commands.measured_ways import read_measured
from evenflare.commands.taking_home import WHAT, write_home
from evenflare.commands.written import Findings, Written

if TYPE_CHECKING:
    from evenflare.dsp.joining import Joined
    from evenflare.dsp.speaker_places import Solving

FILE, PAGE, SUM = "crossover.json", "crossover.html", "speaker"
BEFORE = (
    "A way's high-pass, and an equaliser that was fitted for it (equaliser_sections) or that the file puts there"
    "\n(equaliser_in_filters), are the first of its sections. Any other equaliser that a way has before"
    "\nthe crossover, as the loudspeaker file says, comes in front of this: it is not in this folder."
)

LEVELS = (
    "units: Hz, dB SPL on axis at 1 m of the loudspeaker, of a steady tone, rms; empty: no limit is given; cause: by"
    " what the way gives out"
)


@dataclass(frozen=True)
class Crossed(Findings):
    """`sound` is False where the ways cancel each other on the axis or where people may be."""

    sound: bool = True


def crossover_command(path: Path, folder: Path, *, command: str, solving: Solving | None = None) -> Crossed:
    """Join the loudspeaker of a file and write everything into `folder`, all or nothing.

    solving : told of every way's frequencies in a cabinet.
    Errors: InputError if the file, or a directivity that it names, is at fault.
    """
    from evenflare.dsp.joining import join
    from evenflare.dsp.speaker import read_speaker
    from evenflare.report.filters import crossing

    speaker = read_speaker(path, reading=read_measured, cores=os.cpu_count() or 1, solving=solving)
    joined = join(speaker)
    written, faults = _write(joined, folder, command=command)
    warnings = [*crossing.warnings(joined), *faults]
    return Crossed(crossing.lines(joined), written, warnings, sound=not joined.cancelled)


def _write(joined: Joined, folder: Path, *, command: str) -> tuple[Written, list[str]]:
    from evenflare.dsp.filter_set import of_crossover
    from evenflare.report.filters import crossing, crossing_figures
    from evenflare.report.kit import canvas
    from evenflare.results import crossover, formats, headroom, tables
    from evenflare.results.filters import taps_text

    speaker = joined.speaker
    header = [
        f"crossover of: {speaker.name}; waveguide id {speaker.design_id}",
        *(crossing.crossing_words(joined, place) for place in range(len(joined.handovers))),
        *(f"assumed: {each}" for each in speaker.assumed),
        formats.LOUD,
    ]
    units = (
        "units: Hz, dB, degrees; levels re a way's own level on axis in its passband; taken_out: what its own equaliser"
        " takes, re 1 Pa at 1 m; filter: all that the coefficients do, baffle_shelf too; a baffle step and its shelf,"
        " which take each other back, are both left out of the levels of ways and sum"
    )
    drawn = crossing_figures.pictures(joined)
    firs = [
        (f"fir_{way}_{rate}.txt", each)
        for rate, made in joined.firs.items()
        for way, each in zip(crossover.names(joined), made, strict=True)
    ]
    written = [
        (FILE, "all filters by way and sample rate, and what is heard where ways part"),
        ("coefficients.csv", "second-order sections by way and sample rate; the header states their signs"),
        *((name, "linear-phase slopes of a way, a tap a line") for name, _ in firs),
        *([] if joined.headroom is None else [("headroom.csv", "how loud it can play, and which way gives out first")]),
        ("crossover_curves.csv", "filters, ways and sum over frequency: levels, indices, beamwidths, power"),
        ("vertical_lobes.csv", "vertical levels of the sum at each crossover"),
        (f"{SUM}/", "the directivity of the sum, as solve writes it: equalise and room read it"),
        *WHAT,
        (PAGE, "all of it on one page"),
        *((name, "picture") for name in drawn),
    ]
    what = f"Crossover of {speaker.name}, from {speaker.path}."
    lobes = ["vertical lobes", *header, "units: Hz, degrees, dB re on axis; up positive"]
    with files.together():
        files.write_text(folder / FILE, formats.json_text(crossover.record(joined, command=command)))
        files.write_text(folder / "coefficients.csv", crossover.coefficients_text(joined, header))
        faults = write_home(
            of_crossover(joined), folder, title=speaker.name, header=header, either=False, notes=[BEFORE]
        )
        for name, each in firs:
            files.write_text(folder / name, taps_text(each, header))
        curves = formats.csv_text(crossover.columns(joined), header=["crossover curves", *header, units])
        files.write_text(folder / "crossover_curves.csv", curves)
        files.write_text(folder / "vertical_lobes.csv", formats.csv_text(crossover.lobe_columns(joined), header=lobes))
        if joined.headroom is not None:
            loud = ["headroom", *header, headroom.DANGER, LEVELS]
            files.write_text(folder / "headroom.csv", formats.csv_text(headroom.headroom_columns(joined), header=loud))
        tables.write_solution(
            folder / SUM,
            crossover.coarse(joined.total),
            name=speaker.name,
            design_id=speaker.design_id,
            provenance={"command": command, "crossover": str(folder / FILE)},
            cautions=("the sum of all ways behind the crossover, 1 Pa at 1 m from each in its passband", formats.LOUD),
        )
        files.write_text(folder / PAGE, crossing.page(joined, drawn, what=what, written=written, command=command))
        for name, figure in drawn.items():
            canvas.save(figure, folder / name)
    return written, faults
