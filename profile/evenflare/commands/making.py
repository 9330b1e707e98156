"""Export for a process: the files of a machine, of sheets or of a foundry, beside the solid and the points."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from evenflare import files
from evenflare.commands.written import Written
from evenflare.design.file import Design, design_id
from evenflare.manufacture.casting.pattern_files import export_pattern
from evenflare.manufacture.milling.program import Program
from evenflare.manufacture.milling.slender import slender_words
from evenflare.manufacture.part.outline import Sizes
from evenflare.manufacture.part.rings import sizes_of
from evenflare.manufacture.part.step import write_step
from evenflare.manufacture.part.stl import SolidFile
from evenflare.manufacture.part.threemf import write_3mf
from evenflare.manufacture.process.types import Process
from evenflare.manufacture.proof.programs import Proved, prove_programs, write_programs
from evenflare.manufacture.proof.proof import write_proof
from evenflare.manufacture.sheets.layer_files import export_layers
from evenflare.units import MILLIMETRE, MINUTE

PROGRAMS = ("roughing.nc", "semi_finishing.nc", "finishing.nc", "turning_roughing.nc", "turning.nc", "back.nc")
"""What a machine may be given; the list of points that goes with them is toolpath.csv."""
OTHERS = (
    *("toolpath.csv", "layers*.dxf", "layers.csv", "layer_points.csv", "glue_up.txt", "pattern.stl", "core.stl"),
    *("gauges*.dxf", "probe_points.csv"),
)
"""What else would be made beside another solid, were it left there."""
TABLES = ("[machine]", "[stock]", "[seat]", "[casting]")
"""Of a process file."""
OURS = "evenflare"
"""Stands in the first lines of each."""
HEAD = 4000
DEFAULT_TOOL_RADIUS = 3 * MILLIMETRE


def proved_programs(design: Design, process: Process) -> Proved:
    """A design's programs, proved. Errors: InputError where tools, stock or machine do not do for the part."""
    waveguide = design.waveguide
    sizes = sizes_of(waveguide, design.solid)
    with process_faults(process):
        return prove_programs(waveguide, process, sizes, design_id=design_id(design), name=design.name)


def slender_warnings(process: Process | None, proved: Proved) -> list[str]:
    """A sentence on each tool of its programs that stands out far."""
    tools = dict.fromkeys(each.tool for each in proved.programs)
    return [] if process is None else [words for tool in tools for words in slender_words(process, tool)]


@contextmanager
def process_faults(process: Process) -> Iterator[None]:
    """What a table of the process asks for in vain, told as the process' and not as the design's."""
    try:
        yield
    except files.InputError as error:
        if str(error).startswith(TABLES):
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
    if proved.proof is None:
        return written
    if proved.may_be_written:
        write_programs(proved, folder)
        written += [(f"{program.name}.nc", _told(program)) for program in proved.programs]
        written.append(("toolpath.csv", "all programs as one list of points"))
    write_proof(proved.proof, folder / "proof.json")
    gouge = max(each.gouge.size for each in proved.proof.programs) / MILLIMETRE
    verdict = "passed" if proved.may_be_written else "FAILED, so the programs were not written"
    written.append(("proof.json", f"cut in software, {verdict}: greatest gouge {gouge:.4f} mm"))
    return written


def title_of(design: Design) -> str:
    """What a solid's file says it is."""
    return f"{design_id(design)} {design.name}"


def make_step(design: Design, solid: SolidFile, folder: Path) -> Written:
    """Write the solid of a round design as `solid.step`.

    Errors: InputError if the design is oblong, or the file cannot be written.
    """
    if not isinstance(solid.sizes, Sizes):
        raise files.InputError("--step: writes round waveguides only, and this one is oblong. Leave it out")
    write_step(
        design.waveguide.meridian, solid.sizes, folder / "solid.step", title=title_of(design), features=solid.features
    )
    return [("solid.step", "the solid with true surfaces, for a CAD program; without holes of bolts")]


def _is_ours(path: Path) -> bool:
    with path.open("rb") as file:
        return OURS.encode() in file.read(HEAD)


def _told(program: Program) -> str:
    minutes = max(1.0, program.duration / MINUTE)
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
