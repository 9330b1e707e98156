"""The commands and their options: what can be asked for, and how a slip in the asking is told."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence

from evenflare import __version__
from evenflare.cli import (
    calibrating,
    capturing,
    comparing,
    crossing,
    fronts,
    inspecting,
    listening,
    measurement,
    opening,
    planning,
    rooms,
    tolerance,
)
from evenflare.cli.arguments import Parser, depths, nearest, path
from evenflare.cli.telling import INPUT_ERROR
from evenflare.files import short

ABOUT = """\
From a directivity target to a searched waveguide, made, measured, filtered, and heard at the seats.

commands, each with an example (COMMAND --help says more):
  search    evenflare search targets/shelf.toml --out runs/shelf
  history   evenflare history runs/shelf > candidates.csv
  front     evenflare front runs/shelf --of score,depth_mm
  pick      evenflare pick runs/shelf --number 17 --out candidate.toml
  solve     evenflare solve runs/shelf/best.toml --out solved
  cabinet   evenflare cabinet targets/sideboard.toml
  score     evenflare score runs/shelf/best.toml --target targets/shelf.toml
  export    evenflare export runs/shelf/best.toml --out to_cut --process router
  tolerance evenflare tolerance runs/shelf/best.toml --process router --within-db 1 --out tolerance
  inspect   evenflare inspect runs/shelf/best.toml part.stl --out inspected --within-db 0.5
  check     evenflare check
  plan      evenflare plan --source-height-m 3.1 --microphone-height-m 3.1 --distance-m 2 --mouth-mm 240
  capture   evenflare capture plan/session.toml --from-hz 800 --loopback-channel 2
  measure   evenflare measure readings/session.toml --out measured
  compare   evenflare compare measured predicted --out compared --tolerance-db 1
  spread    evenflare spread unit_1 unit_2 unit_3 --out between_units
  calibrate evenflare calibrate prototype/design.toml measured --out calibration
  journal   evenflare journal prototypes.sqlite list
  equalise  evenflare equalise solved --out filters --from-hz 1000 --high-pass-hz 900
  crossover evenflare crossover speaker.toml --out crossed
  room      evenflare room solved targets/rooms/living_room.toml --out heard
  open      evenflare open targets/shelf.toml

exit codes: 0 done; 1 done, and the answer is no (no feasible design, a limit broken, a failed check or
proof, outside a tolerance); 2 input or environment error; 3 internal error; 130 interrupted,
finished work kept."""

DESIGN_KEYS = """\
[solid] in the design file: kind = "block" (default) or "shell"; wall_mm (default 6), flange_diameter_mm (default the
mouth's and 40), flange_thickness_mm (default 10), bolt_circle_mm (default half-way between mouth and flange), bolts
(default 8; listed in points.csv, not drilled in the mesh). Oblong: flange_width_mm and flange_height_mm (default the
mouth's and 40) instead of a diameter and a bolt circle. Cut from it: the driver's recess (seat_diameter_mm,
seat_clearance_mm, seat_depth_mm, seat_bolts, seat_bolt_circle_mm, seat_hole_diameter_mm, seat_hole_depth_mm), holes for
screws through the front (front_bolts, front_bolt_inset_mm, default 10, front_screw or front_hole_diameter_mm,
front_countersunk), the front rim's edge_radius_mm, or rebate_width_mm and rebate_depth_mm."""


def parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    """The options of a command line. Ends the program where they are at fault, or only help is asked for."""
    top = parser()
    options, unknown = top.parse_known_args(arguments)
    if unknown:
        command: argparse.ArgumentParser = options.parser
        known = ["--help", *re.findall(r"--[a-z][a-z-]*", command.format_usage())]
        hint = nearest(unknown[0].partition("=")[0], known) if unknown[0].startswith("-") else ""
        words = f"unrecognized arguments: {short(' '.join(unknown))}. {hint}"
        command.exit(INPUT_ERROR, f"{command.prog}: {words}See {command.prog} --help\n")
    return options


def parser() -> argparse.ArgumentParser:
    """The commands and their options."""
    raw = argparse.RawDescriptionHelpFormatter
    top = Parser(prog="evenflare", description=ABOUT, formatter_class=raw, allow_abbrev=False)
    top.add_argument("--version", action="version", version=f"evenflare {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)

    def command(name: str, does: str, more: str) -> argparse.ArgumentParser:
        added = commands.add_parser(
            name, help=does, description=f"{does}.", epilog=more, formatter_class=raw, allow_abbrev=False
        )
        added.set_defaults(parser=added)
        added.add_argument("--quiet", action="store_true", help="no progress and no notes on standard error")
        return added

    search = command(
        "search",
        "Search the shapes that a target allows; the same command on the same folder continues, and asks for more",
        "example: evenflare search targets/shelf.toml --out runs/shelf --candidates 3000\n"
        "example: evenflare search targets/shelf.toml --out runs/mine --from my_profile.csv --from runs/shelf#17\n\n"
        "writes into the folder: best.toml, best/ (as solve and export), report.html, candidates.sqlite.\n"
        "best.toml and report.html are rewritten once a minute while it runs. Ctrl-C keeps the best so far. A target\n"
        "that asks something else, or another seed, needs a new folder; comments and numbers of candidates do not.",
    )
    search.add_argument("target", type=path, help="target file (TOML)")
    search.add_argument("--out", type=path, required=True, help="folder of the run, made if missing")
    search.add_argument(
        "--from",
        type=path,
        action="append",
        default=[],
        dest="starts",
        metavar="SHAPE",
        help="begin from this shape too: a design (TOML), points (CSV: z_mm, r_mm), the best of a run (its folder) or"
        " its candidate 17 (RUN#17); may be given several times",
    )
    search.add_argument("--candidates", type=int, help="shapes to ask for, instead of the target's")
    search.add_argument("--minutes", type=float, help="be done after this time, with winner, pictures and all")
    search.add_argument("--seed", type=int, help="instead of the target's; the same seed asks for the same shapes")
    search.add_argument("--workers", type=int, help="processes (default: all cores)")
    search.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="the workers of a Dask cluster instead, as tcp://host:8786 (pip install 'evenflare[cluster]')",
    )

    history = command(
        "history",
        "Print every scored candidate of a search as CSV on standard output",
        "example: evenflare history runs/shelf > candidates.csv\n\n"
        "A row per number (the order asked for) and stage. Works while the search runs. A text that a spreadsheet\n"
        "would take for a formula begins with an apostrophe.",
    )
    history.add_argument("run_folder", type=path, metavar="RUN", help="the folder given to search --out")

    fronts.add(command)

    pick = command(
        "pick",
        "Make a design of any candidate of a search",
        "example: evenflare pick runs/shelf --number 17 --out candidate.toml\n\n"
        "The number is that of a row of history. The folder of the run is all that it takes. A candidate that breaks\n"
        "limits has a shape too; one that is no waveguide has none.",
    )
    pick.add_argument("run_folder", type=path, metavar="RUN", help="the folder given to search --out")
    pick.add_argument("--number", type=int, help="of the candidate (default: the best)")
    pick.add_argument("--out", type=path, required=True, metavar="DESIGN", help="design file to write (TOML)")
    pick.add_argument("--target", type=path, help="target file of the run, for a folder that holds no copy of it")

    solve = command(
        "solve",
        "Solve the radiation of one design",
        "example: evenflare solve runs/shelf/best.toml --out solved --setting full\n"
        "example: evenflare solve runs/shelf/best.toml --out judged --method boundary_elements\n"
        "example: evenflare solve prototype/design.toml --like measured --out predicted\n\n"
        "writes directivity.csv, summary.csv, standard_curves.csv, provenance.json and pictures; oblong: balloon.csv;\n"
        "round: agreement.csv, both methods side by side (a warning where the index differs by more than 0.3 dB rms\n"
        "or 1 dB anywhere), and cabinet_effect.csv: in a baffle, on a cabinet, free-standing.\n"
        "methods: march (waves on spherical caps; in a baffle, a cabinet or a sphere, round or oblong; a free-standing"
        " body it\ntakes for a sphere), boundary_elements (any body as it is, or a cabinet; an independent"
        " judge, slower).\n"
        "settings: full (index typically within 0.02 dB, up to 0.1 near a dip on axis), screen (typically 0.1 dB, up\n"
        "to 1 dB at the top), estimate (2 to 5 dB rms above a few kHz, a first look).\n\n" + DESIGN_KEYS,
    )
    solve.add_argument("design", type=path, help="design file (TOML)")
    solve.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    solve.add_argument(
        "--method",
        choices=["march", "boundary_elements"],
        help="the solver (default march; boundary_elements where the mounting is free-standing)",
    )
    solve.add_argument(
        "--like",
        type=path,
        metavar="MEASURED",
        help="frequencies, angles, distance, reference point and air of that measurement (folder or .sofa)",
    )
    solve.add_argument("--setting", choices=["estimate", "screen", "full"], default="full", help="default full")

    cabinet = command(
        "cabinet",
        "Solve the cabinet of a design or a target ahead, for every waveguide that will sit in it",
        "example: evenflare cabinet targets/sideboard.toml\n"
        "example: EVENFLARE_CACHE=/srv/cabinets evenflare cabinet speaker/design.toml\n\n"
        "What is solved is kept, a file for each frequency, in evenflare/cabinets of the user's cache folder\n"
        "($XDG_CACHE_HOME or ~/.cache; EVENFLARE_CACHE names another); remove it to have the room back. Ctrl-C keeps\n"
        "what is done, and the same command goes on. solve and search do this by themselves.",
    )
    cabinet.add_argument(
        "file", type=path, metavar="DESIGN_OR_TARGET", help='file (TOML) with [mounting] kind = "cabinet"'
    )

    score = command(
        "score",
        "Score a design against a target: weighted rms deviation in dB, its terms, and the limits",
        "example: evenflare score runs/shelf/best.toml --target targets/shelf.toml --json\n\n"
        "Exit code 1 if a limit is broken.",
    )
    score.add_argument("design", type=path, help="design file (TOML)")
    score.add_argument("--target", type=path, required=True, help="target file (TOML)")
    score.add_argument("--json", action="store_true", help="one JSON object instead of words")

    export = command(
        "export",
        "Write what a machinist pulls: solid, point list, the design itself, a report; programs for a process",
        "example: evenflare export runs/shelf/best.toml --out to_cut --chord-error-mm 0.05 --tool-radius-mm 3\n"
        "example: evenflare export runs/shelf/best.toml --out to_cut --process router\n"
        "example: evenflare export runs/shelf/best.toml --out to_cut --tolerance tolerance.json --gauges\n\n"
        "writes solid.stl (mm, throat plane z = 0), points.csv (wall, normals, tool), design.toml, report.html.\n"
        "Oblong: points.csv is rows around the wall; points_azimuth_0.csv, _45, _90 and sections.csv stand beside it.\n"
        "With a process also solid.3mf, drawing.pdf, drawing.dxf, setup_sheet.pdf and, by process:\n"
        "  router   roughing.nc, finishing.nc, back.nc, toolpath.csv, proof.json\n"
        "  lathe    turning.nc, toolpath.csv, proof.json (round parts)\n"
        "  sheets   layers.dxf, layers.csv, layer_points.csv, glue_up.txt\n"
        "  casting  pattern.stl, pattern.csv\n"
        "or a TOML file of your own machine, tools and stock. Programs are read back and cut in software first: one\n"
        "that gouges more than the tolerance, or runs through material, is not written, and the exit code is 1.\n"
        "--tolerance states what evenflare tolerance found, zone by zone, on drawing and sheets and in points.csv.\n"
        "--gauges: gauges.dxf (go and no-go templates), probe_points.csv, gauges.pdf (how to use them).\n"
        "Rotating tools and dust hurt: read the cautions in points.csv, and prove every program in the air first.\n\n"
        + DESIGN_KEYS,
    )
    export.add_argument("design", type=path, help="design file (TOML)")
    export.add_argument("--out", type=path, required=True, help="folder for the files, made if missing")
    export.add_argument(
        "--process", metavar="PROCESS", help="router, lathe, sheets, casting, or the path of a process file (TOML)"
    )
    export.add_argument(
        "--chord-error-mm", type=float, default=0.05, help="largest departure of a chord (default 0.05)"
    )
    export.add_argument(
        "--tool-radius-mm",
        type=float,
        help="ball or turning nose radius of points.csv (default 3, or the process' finishing tool)",
    )
    export.add_argument(
        "--tolerance", type=path, metavar="FILE", help="tolerance.json of this design, as evenflare tolerance writes it"
    )
    export.add_argument(
        "--gauges",
        action="store_true",
        help="also templates and places to probe, for the zones of --tolerance, or else of the process",
    )
    export.add_argument("--probe-radius-mm", type=float, default=1.0, help="of the probe's ball (default 1)")
    export.add_argument(
        "--step",
        action="store_true",
        help="also solid.step, true surfaces for a CAD program",
    )
    export.add_argument(
        "--sections-mm",
        type=depths,
        metavar="Z,Z,...",
        help="oblong: depths of the sections in sections.csv (default throat, every 10 mm, mouth), and of the plates"
        " of --gauges (default the middle of each zone)",
    )

    command(
        "check",
        "Check this installation against closed forms, in seconds",
        "example: evenflare check\n\nExit code 1 if a check fails.",
    )
    inspecting.add(command)
    planning.add(command)
    capturing.add(command)
    measurement.add(command)
    comparing.add(command)
    calibrating.add(command)
    listening.add(command)
    crossing.add(command)
    rooms.add(command)
    opening.add(command)
    tolerance.add(command)
    return top
