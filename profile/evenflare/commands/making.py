"""Export for a process: the files of a machine, of sheets or of a foundry, beside the solid and the points."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from evenflare import files
from evenflare.commands.written import Written
from evenflare.design.file import Design, Solid, design_id
from evenflare.manufacture.casting.pattern_files import export_pattern
from evenflare.manufacture.milling.ambiguous import cycle_warning
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.run_time import run_time
from evenflare.manufacture.milling.slender import slender_words
from evenflare.manufacture.part.features import Features, features_of
from evenflare.manufacture.part.fitting import changes, fitted
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.part.step import write_step
from evenflare.manufacture.part.step_oblong import write_oblong_step
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.part.threemf import read_model, write_3mf
from evenflare.manufacture.printing.print_files import export_prints
from evenflare.manufacture.process.types import DriverSeat, Process
from evenflare.manufacture.proof.programs import Proved, prove_programs, write_programs
from evenflare.manufacture.proof.proof import write_proof
from evenflare.manufacture.sheets.layer_files import export_layers
from evenflare.units import MILLIMETRE, MINUTE
from evenflare.waveguide.cloud import cloud

PROGRAMS = (
    *("pins.nc", "roughing.nc", "rest.nc", "semi_finishing.nc", "finishing.nc", "front_holes.nc", "countersinks.nc"),
    *("profile.nc", "rebate.nc", "edge.nc", "outside.nc", "turning_roughing.nc", "turning.nc", "turning_back.nc"),
    *("facing_back.nc", "back.nc", "driver_holes.nc"),
    *("outside_roughing.nc", "outside_finishing.nc", "outside_back.nc"),
    *("outside_back_roughing.nc", "outside_back_finishing.nc"),
)
"""What a machine may be given; the list of points that goes with them is toolpath.csv."""
OTHERS = (
    *("toolpath.csv", "layers*.dxf", "layers.csv", "layer_points.csv", "glue_up.txt", "pattern.stl", "core.stl"),
    *("gauges*.dxf", "probe_points.csv", "piece_*.3mf", "pieces.csv"),
)
"""What else would be made beside another solid, were it left there."""
TABLES = ("[machine]", "[stock]", "[seat]", "[casting]", "[print]")
"""Of a process file."""
OURS = "evenflare"
"""Stands in the first lines of each."""
HEAD = 4000
DEFAULT_TOOL_RADIUS = 3 * MILLIMETRE


@dataclass(frozen=True)
class Settled:
    """A design and a process as the part is made: both have its seat. changes : what was not asked like that, in words.

    features : fitted to the part.
    """

    design: Design
    process: Process | None
    features: Features
    changes: tuple[str, ...] = ()


def settled(design: Design, process: Process | None) -> Settled:
    """What is cut from a design's part. With a process the design that comes out states all of it, so that every other
    process makes the same part of it.

    Errors: InputError where something does not fit.
    """
    waveguide, solid = design.waveguide, design.solid
    asked = features_of(solid, process)
    wall = None if waveguide.is_round else cloud(waveguide.surface)
    with process_faults(process):
        features = fitted(waveguide, sizes_of(waveguide, solid), asked, wall=wall)
    if process is None:
        return Settled(design, None, features, tuple(changes(asked, features)))
    stated, process = replace(design, solid=_with_seat(solid, features.seat)), replace(process, seat=features.seat)
    return Settled(stated, process, features, tuple(changes(asked, features)))


def _with_seat(solid: Solid, seat: DriverSeat) -> Solid:
    """The design's [solid] with the seat as made: what it does not state itself is written down."""
    if not seat.is_cut:
        return replace(solid, seat=False)
    if solid.seat_diameter is None:
        deep = None if solid.kind == "body" else seat.depth
        solid = replace(solid, seat_diameter=seat.diameter, seat_depth=deep, seat_bolts=seat.bolts or None)
    if not seat.bolts:
        return solid
    return replace(
        solid, seat_bolt_circle=seat.bolt_circle, seat_hole_diameter=seat.hole_diameter, seat_hole_depth=seat.hole_depth
    )


def proved_programs(design: Design, process: Process) -> Proved:
    """A design's programs, proved. Errors: InputError where tools, stock or machine do not do for the part."""
    waveguide = design.waveguide
    sizes, features = sizes_of(waveguide, design.solid), features_of(design.solid, process)
    with process_faults(process):
        return prove_programs(
            waveguide, process, sizes, design_id=design_id(design), name=design.name, features=features
        )


def slender_warnings(process: Process | None, proved: Proved) -> list[str]:
    """A sentence on each tool of its programs that stands out far."""
    tools = dict.fromkeys(each.tool for each in proved.programs)
    return [] if process is None else [words for tool in tools for words in slender_words(process, tool)]


@contextmanager
def process_faults(process: Process | None) -> Iterator[None]:
    """What a table of the process asks for in vain, told as the process' and not as the design's."""
    try:
        yield
    except files.InputError as error:
        if process is not None and str(error).startswith(TABLES):
            raise files.InputError(f'process "{process.name}" {error}') from error
        raise


def tool_radius(given: float | None, process: Process | None) -> float:
    """m, of the tool whose path points.csv lists: as given, else of the process' finishing tool, else 3 mm."""
    if given is not None:
        return given
    if process is not None and process.finishing_tool:
        return process.tool(process.finishing_tool).corner_radius
    return DEFAULT_TOOL_RADIUS


def make(
    design: Design, solid: SolidFile, process: Process, proved: Proved, folder: Path, *, chord_error: float
) -> Written:
    """Write what a process adds to a design's export into `folder`; programs only if their proof passed.

    solid : of the design, as exported.
    Errors: InputError if there are no such layers or pattern, or a file cannot be written.
    """
    waveguide, identity, name = design.waveguide, design_id(design), design.name
    mass = f"{solid.volume * process.density:.2f} kg of {process.material}"
    written: Written = [("solid.3mf", f"the solid with its unit inside; {mass}")]
    write_3mf(solid.mesh, folder / "solid.3mf", title=title_of(design))
    if "sheets" in process.makes:
        with process_faults(process):
            layers = export_layers(
                waveguide,
                design.solid,
                process,
                folder,
                chord_error=chord_error,
                design_id=identity,
                name=name,
                style=process.stock.layer_edges,
                front=features_of(design.solid, process).front,
            )
        count, share = len(layers.lamination.layers), layers.lamination.share_used
        layers_told = "1 layer" if count == 1 else f"{count} layers"
        written += [
            *((path.name, "outlines of the layers at finished size, in mm") for path in layers.drawings),
            (layers.table.name, f"{layers_told}, where each lies, sizes of its openings; {share:.0%} of the sheets"),
            (layers.points.name, "the same outlines as points"),
            (layers.glue_up.name, "the order of glue-up, for the bench"),
        ]
    if "pattern" in process.makes:
        with process_faults(process):
            cast = export_pattern(
                waveguide, design.solid, process, folder, chord_error=chord_error, design_id=identity, name=name
            )
        written += [
            (cast.mesh.name, f"the pattern, enlarged by {cast.pattern.factor:.5f}; raw casting {cast.mass:.2f} kg"),
            *(() if cast.core is None else [(cast.core.name, "the core that forms the throat, for the core box")]),
            (cast.sheet.name, "sizes on pattern, casting and part, and how it is moulded"),
        ]
    if "prints" in process.makes:
        with process_faults(process):
            prints = export_prints(
                waveguide, solid, process, folder, chord_error=chord_error, design_id=identity, name=name
            )
        count = len(prints.pieces)
        written += [
            *((path.name, f"piece {number} of {count}, enlarged") for number, path in enumerate(prints.pieces, 1)),
            (prints.sheet.name, "sizes and mass of each piece, joints and pins, what needs support"),
        ]
    if proved.proof is None:
        return written
    if proved.may_be_written:
        write_programs(proved, folder)
        written += [(f"{program.name}.nc", _told(program, process)) for program in proved.programs]
        written.append(("toolpath.csv", "all programs as one list of points"))
    write_proof(proved.proof, folder / "proof.json")
    gouge = max(each.gouge.size for each in proved.proof.programs) / MILLIMETRE
    verdict = "passed" if proved.may_be_written else "FAILED, so the programs were not written"
    written.append(("proof.json", f"cut in software, {verdict}: greatest gouge {gouge:.4f} mm"))
    return written


def program_warnings(process: Process | None, proved: Proved) -> list[str]:
    """What to look up before a turning program is run, where a control may take its words for something else."""
    if process is None or not proved.may_be_written:
        return []
    told, turned = cycle_warning(process), [each.name for each in proved.programs if each.kind == "turning"]
    return [f"{', '.join(f'{name}.nc' for name in turned)}: {told}"] if told and turned else []


def title_of(design: Design) -> str:
    """What a solid's file says it is."""
    return f"{design_id(design)} {design.name}"


def make_step(design: Design, solid: SolidFile, folder: Path) -> Written:
    """Write the solid of a design as `solid.step`.

    Errors: InputError as write_step and write_oblong_step, or if the file cannot be written.
    """
    path, title, within = folder / "solid.step", title_of(design), ""
    if isinstance(solid.sizes, Sizes):
        write_step(design.waveguide.meridian, solid.sizes, path, title=title, features=solid.features)
    else:
        surface = design.waveguide.surface
        error = write_oblong_step(surface, solid.sizes, path, title=title, features=solid.features)
        what = "the wall is" if solid.sizes.body is None else "the wall and its outside are"
        within = f"; {what} splines within {max(error / MILLIMETRE, 1e-4):.4f} mm"
    return [("solid.step", f"the solid with true surfaces, for a CAD program{within}")]


def _is_ours(path: Path) -> bool:
    if path.suffix == ".3mf":
        return OURS in read_model(path, HEAD)
    with path.open("rb") as file:
        return OURS.encode() in file.read(HEAD)


def _told(program: Program, process: Process) -> str:
    minutes = max(1.0, run_time(program, process) / MINUTE)
    lowest = program.lowest / MILLIMETRE
    return f"{program.kind}, tool {program.tool.name}, lowest Z {lowest:.2f} mm, {minutes:.0f} min"


def clear_stale(folder: Path, written: Written) -> list[str]:
    """Remove what an earlier export left to be cut, and this one did not write: beside another solid it would be cut.

    Only files that say they are ours. Returns their names.
    """
    kept, gone = {name for name, _ in written}, []
    for path in sorted(each for name in (*PROGRAMS, *OTHERS) for each in folder.glob(name)):
        if path.name not in kept and path.is_file() and _is_ours(path):
            path.unlink()
            gone.append(path.name)
    return gone
