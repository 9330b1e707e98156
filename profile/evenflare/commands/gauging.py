"""What is asked of a design's wall, and the gauges that check it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from evenflare.commands.making import process_faults
from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id
from evenflare.design.tolerance_file import read_tolerance
from evenflare.files import InputError
from evenflare.manufacture.gauges.asked import WallAsked, asked_of, remedy_words
from evenflare.manufacture.gauges.probe import PROBE_RADIUS, probe_points, write_probe_points
from evenflare.manufacture.gauges.templates import templates, write_templates
from evenflare.manufacture.process.types import Process
from evenflare.report.shop.gauge_sheet import write_gauge_sheet
from evenflare.units import MILLIMETRE


@dataclass(frozen=True)
class Gauging:
    """What was asked for about the wall: a file of its tolerance, and whether gauges are made; m, the probe's ball."""

    tolerance: Path | None = None
    gauges: bool = False
    probe_radius: float = PROBE_RADIUS


def wall_asked(design: Design, process: Process | None, gauging: Gauging) -> WallAsked | None:
    """What is asked of the design's wall; None where nothing says.

    Errors: InputError if the tolerance is of another design, or gauges are to be made of nothing.
    """
    tolerance = None
    if gauging.tolerance is not None:
        tolerance = read_tolerance(gauging.tolerance)
        if tolerance.design_id != design_id(design):
            raise InputError(
                f"--tolerance {gauging.tolerance} design_id = {tolerance.design_id}: is of another design, this one is"
                f" {design_id(design)}. Give its own file, or write one with evenflare tolerance"
            )
    with nullcontext() if process is None else process_faults(process):
        asked = asked_of(design.waveguide, process, tolerance)
    if asked is None and gauging.gauges:
        raise InputError(
            "--gauges: needs zones of the wall, and nothing gives any. Add --tolerance tolerance.json, or --process"
            " PROCESS"
        )
    return asked


def asked_warnings(asked: WallAsked | None) -> list[str]:
    """What to do where the process cannot keep what is asked."""
    return [] if asked is None else remedy_words(asked)


def write_gauges(
    design: Design, asked: WallAsked, folder: Path, *, radius: float, depths: Sequence[float] | None
) -> Written:
    """Write `gauges.dxf`, `probe_points.csv`, `gauges.pdf`. radius : m, of the ball; depths : m, of plates, or None."""
    identity, name = design_id(design), design.name
    made = templates(design.waveguide, asked, design_id=identity, name=name, depths=depths)
    points = probe_points(design.waveguide, asked, radius=radius)
    drawings = write_templates(made, folder, design_id=identity, name=name)
    write_probe_points(points, asked, folder / "probe_points.csv", radius=radius, design_id=identity, name=name)
    write_gauge_sheet(design, asked, made, points, folder / "gauges.pdf", radius=radius)
    return [
        *((path.name, f"go and no-go templates, in mm: {len(made)} in all") for path in drawings),
        ("probe_points.csv", f"{len(points)} places to probe, ball of radius {radius / MILLIMETRE:g} mm"),
        ("gauges.pdf", "how to use both"),
    ]
