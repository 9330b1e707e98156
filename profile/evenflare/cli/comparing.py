"""Commands that hold measurements against the model, and two of a kind against each other: compare, spread."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import ANSWER_IS_NO, DONE, tell_findings
from evenflare.files import InputError, check_folder


def add(command: AddCommand) -> None:
    """Their options."""
    compare = command(
        "compare",
        "Compare a measured directivity with a predicted one, or two of a kind: deviation over frequency and angle",
        "example: evenflare solve prototype/design.toml --like measured --out predicted\n"
        "example: evenflare compare measured predicted --out compared --tolerance-db 1\n"
        "example: evenflare compare runs/desk runs/shelf --out desk_against_shelf\n\n"
        "Both are folders that measure or solve wrote, SOFA files, or a search's folder, whose winner is meant: a\n"
        "measurement and a prediction, two predictions, or two measurements; what they are, their files say.\n"
        "Both are seen at one distance in the same air (solve --like sees to that), and at a finite distance from one\n"
        "point of the axis; in the far field the second is brought to the first's point.\n"
        "Deviation is measured less predicted level, or the first's less the second's, each re its own on axis, where\n"
        "both lie above -20 dB and are valid. Within a tolerance X: at most X dB rms over all (about zero, weighted\n"
        "by area), and at most 3 X dB rms in any one direction. Exit code 0 within or without a tolerance, 1 outside.\n"
        "writes comparison.json, deviation.csv, report.html and pictures.",
    )
    compare.add_argument(
        "measured", type=path, metavar="MEASURED", help="folder of measure, or .sofa; or the first of a kind"
    )
    compare.add_argument(
        "predicted", type=path, metavar="PREDICTED", help="folder of solve or search, or .sofa; or the second"
    )
    compare.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    compare.add_argument("--tolerance-db", type=float, metavar="X", help="dB, for a verdict")
    compare.add_argument(
        "--reference",
        choices=["on_axis", "listening_window"],
        default="on_axis",
        help="what levels count from (default on_axis; listening_window where a dip on axis shifts everything)",
    )

    spread = command(
        "spread",
        "Tell how several units scatter, and how each differs from a reference unit",
        "example: evenflare spread unit_1 unit_2 unit_3 --out between_units --reference-unit unit_2\n\n"
        "The folders are those of measure, or SOFA files, measured from the same point and distance. Levels count\n"
        "from each unit's own on axis. The same unit measured again and again tells what the measurement repeats.\n"
        "writes spread.json, spread.csv, report.html and pictures.",
    )
    spread.add_argument("units", type=path, nargs="+", metavar="FOLDER", help="a folder or .sofa for each unit")
    spread.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    spread.add_argument(
        "--reference-unit", type=path, metavar="FOLDER", help="the unit that counts (default the first)"
    )


def _compare(options: argparse.Namespace) -> int:
    from evenflare.commands.comparing import compare_command

    tolerance = options.tolerance_db
    if tolerance is not None and not 0.0 < tolerance < 100.0:
        raise InputError(f"--tolerance-db {tolerance:g}: must be above 0 and below 100. Ask for example for 1")
    check_folder(options.out)
    done = compare_command(
        options.measured,
        options.predicted,
        options.out,
        tolerance=tolerance,
        reference=options.reference,
        command=options.words,
    )
    tell_findings(done, options.out)
    return DONE if done.within else ANSWER_IS_NO


def _spread(options: argparse.Namespace) -> int:
    from evenflare.commands.comparing import spread_command

    check_folder(options.out)
    done = spread_command(options.units, options.out, reference_unit=options.reference_unit, command=options.words)
    tell_findings(done, options.out)
    return DONE


COMMANDS = {"compare": _compare, "spread": _spread}
"""What each does; the exit code."""
