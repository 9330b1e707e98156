"""The command that says how far a wall may lie from the drawn one."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import ANSWER_IS_NO, DONE, NowAndThen, compiled, tell_findings
from evenflare.files import InputError, check_folder

RANGES = {
    "within_db": (0.01, 20.0),
    "share": (0.5, 0.999),
    "correlation_length_mm": (2.0, 500.0),
    "to_hz": (100.0, 40000.0),
    "units": (0, 100000),
}
"""What each option may be."""


def add(command: AddCommand) -> None:
    """Its options."""
    tolerance = command(
        "tolerance",
        "How far the wall may lie from the drawn one, zone by zone, and how many units of a process keep that",
        "example: evenflare tolerance runs/shelf/best.toml --within-db 0.5 --out tolerance\n"
        "example: evenflare tolerance runs/shelf/best.toml --process router --target targets/shelf.toml"
        " --within-db 1 --out tolerance\n\n"
        "X of --within-db bounds how much the directivity index changes at any frequency looked at: those of the\n"
        "design's [analysis], or of the target. Worst case: every piece of the wall as long as the process's\n"
        "correlation length (10 mm without a process) at either limit, proved by solving the worst of such walls.\n"
        "With a process, from its [accuracy]: the band for walls that scatter as its do, and units drawn and solved.\n"
        "writes report.html, tolerance.json, zones.csv, sensitivity.csv, units.csv and pictures.\n"
        "Exit code 1 if fewer units of the process keep than --share.",
    )
    tolerance.add_argument("design", type=path, help="design file (TOML)")
    tolerance.add_argument("--within-db", type=float, required=True, metavar="X", help="change of the index, dB")
    tolerance.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    tolerance.add_argument("--process", help="router, lathe, sheets, casting, or the path of a process file (TOML)")
    tolerance.add_argument("--target", type=path, help="target file (TOML): its frequencies, and what the score does")
    tolerance.add_argument(
        "--share", type=float, default=0.95, help="of units that must keep, 0.5 to 0.999 (default 0.95)"
    )
    tolerance.add_argument(
        "--units", type=int, metavar="N", help="units to draw and solve (default 200, oblong 40; 0: none)"
    )
    tolerance.add_argument(
        "--correlation-length-mm", type=float, metavar="L", help="instead of the process's (default without one: 10)"
    )
    tolerance.add_argument("--to-hz", type=float, default=16000.0, help="highest frequency looked at (default 16000)")


def _tolerance(options: argparse.Namespace) -> int:
    from evenflare.cli.designs import prepare_cabinet
    from evenflare.commands.tolerance import ToleranceRequest, tolerance_command
    from evenflare.units import MILLIMETRE

    for name, (low, high) in RANGES.items():
        value = getattr(options, name)
        if value is not None and not low <= value <= high:
            option = f"--{name.replace('_', '-')}"
            remedy = "Raise" if value < low else "Lower"
            raise InputError(f"{option} {value:g}: must be {low:g} to {high:g}. {remedy} it")
    if options.units is not None and options.process is None:
        raise InputError("--units: belongs to --process, whose units are drawn. Add --process, or remove it")
    check_folder(options.out)
    compiled(options.quiet)
    prepare_cabinet(options.design, quiet=options.quiet)
    now_and_then = NowAndThen()

    def progress(what: str, done: int, total: int) -> None:
        if not options.quiet:
            now_and_then.say(f"{done}/{total} {what}", "")

    length = options.correlation_length_mm
    found = tolerance_command(
        options.design,
        options.out,
        ToleranceRequest(
            within=options.within_db,
            target=options.target,
            process=options.process,
            length=None if length is None else length * MILLIMETRE,
            share=options.share,
            units=options.units,
            highest=options.to_hz,
        ),
        command=options.words,
        progress=progress,
    )
    tell_findings(found.findings, options.out)
    return DONE if found.keeps else ANSWER_IS_NO


COMMANDS = {"tolerance": _tolerance}
"""What each does; the exit code."""
