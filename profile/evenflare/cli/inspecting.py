"""The command that holds finished parts against their drawing: inspect."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.designs import prepare_cabinet
from evenflare.cli.telling import ANSWER_IS_NO, DONE, compiled, list_written, slow, warn
from evenflare.files import InputError, check_folder

LARGEST_PROBE = 20.0
"""mm."""


def add(command: AddCommand) -> None:
    """Its options."""
    inspect = command(
        "inspect",
        "Hold a finished part against its drawing, solve it as it was built, and say whether it is good enough",
        "example: evenflare inspect runs/desk/best.toml part.stl --out inspected --within-db 0.5\n"
        "example: evenflare inspect design.toml probed.csv --probe-radius-mm 1.5 --datums --out inspected \\\n"
        "           --tolerance tolerance/tolerance.json --target targets/desk.toml\n"
        "example: evenflare inspect design.toml inspected_1 inspected_2 part_3.ply --out parts --process casting\n\n"
        "SCAN is a mesh or cloud of points (STL, PLY), probed points (CSV of x, y, z, or of z, r), or a profile\n"
        "traced in one plane; several, or folders of earlier inspections in their order, are held against each other\n"
        "too. Exit code 1 where the directivity index changes by more than --within-db, or the tolerance's limit.\n"
        "writes inspection.json, deviations.csv, index_change.csv, as_built.toml, as_built/ (as solve) and\n"
        "report.html; of several parts a folder each, and parts.json, parts.csv, report.html with control charts and\n"
        "drifts; with a process process.toml, corrected: [accuracy] as measured, and a casting's contraction.",
    )
    inspect.add_argument("design", type=path, help="design file (TOML) of the part")
    inspect.add_argument("scans", type=path, nargs="+", metavar="SCAN", help="a scan, or a folder of inspect")
    inspect.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    inspect.add_argument("--process", metavar="PROCESS", help="that made the part, by name or file, as in export")
    inspect.add_argument("--tolerance", type=path, metavar="FILE", help="tolerance.json of evenflare tolerance")
    inspect.add_argument("--target", type=path, help="target file (TOML), by which drawn wall and part are scored")
    inspect.add_argument(
        "--within-db", type=float, metavar="X", help="by which the index may change (default the tolerance's)"
    )
    inspect.add_argument("--unit", choices=["mm", "cm", "m", "inch"], help="of the scan, where its file does not tell")
    inspect.add_argument(
        "--probe-radius-mm", type=float, default=0.0, metavar="R", help="of the ball whose centres were probed"
    )
    way = inspect.add_mutually_exclusive_group()
    way.add_argument(
        "--datums",
        action="store_const",
        const="datums",
        dest="to",
        help="register to the flat face in the throat's plane, or else the mouth's (default where the scan holds one)",
    )
    way.add_argument(
        "--best-fit",
        action="store_const",
        const="best_fit",
        dest="to",
        help="register to the wall alone (default else)",
    )


def _inspect(options: argparse.Namespace) -> int:
    from evenflare.commands.inspected_parts import inspect_command
    from evenflare.commands.inspecting import check_within, request_of
    from evenflare.units import MILLIMETRE

    check_within(options.within_db)
    radius = options.probe_radius_mm
    if not 0.0 <= radius <= LARGEST_PROBE:
        raise InputError(f"--probe-radius-mm {radius:g}: must be 0 to {LARGEST_PROBE:g}. Give the ball's radius in mm")
    check_folder(options.out)
    design, asked, said = request_of(
        options.design,
        process=options.process,
        tolerance=options.tolerance,
        target=options.target,
        within_db=options.within_db,
        unit=options.unit,
        probe_radius=radius * MILLIMETRE,
        to=options.to,
    )
    compiled(options.quiet)
    prepare_cabinet(options.design, quiet=options.quiet)
    with slow(options.quiet, "Laying scans on the drawn wall, and solving drawn wall and parts"):
        done = inspect_command(
            design,
            options.scans,
            options.out,
            asked,
            design_path=options.design,
            process=options.process,
            command=options.words,
        )
    for line in done.lines:
        print(line)
    warn([*said, *done.warnings])
    list_written(done.files, options.out)
    return DONE if done.within else ANSWER_IS_NO


COMMANDS = {"inspect": _inspect}
"""What it does; the exit code."""
