"""The command that shows what a search can trade for what."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, tell_findings


def add(command: AddCommand) -> None:
    """Its options."""
    front = command(
        "front",
        "Print the candidates of a search that no other beats in two or more quantities at once, as CSV",
        "example: evenflare front runs/shelf\n"
        "example: evenflare front runs/shelf --of score,mouth_diameter_mm,smallest_concave_radius_mm\n"
        "example: evenflare front runs/shelf --of index_db,depth_mm --target targets/shelf.toml --out traded\n\n"
        "Quantities are columns of history: the score, its terms, sizes and parameters. Lower is better for the\n"
        "score, terms, depth and mouth, higher for smallest_concave_radius_mm; for another one say which, as in\n"
        "wall_angle_deg:lower. Only candidates judged at one setting that keep the limits are compared. A text that a\n"
        "spreadsheet would take for a formula begins with an apostrophe.\n"
        "with --out writes front.csv and front.png, and with --target front/*.toml, designs of its ends and its knee,\n"
        "where a little less of one quantity costs most of another. Works while the search runs.",
    )
    front.add_argument("run_folder", type=path, metavar="RUN", help="the folder given to search --out")
    front.add_argument(
        "--of",
        metavar="NAME,NAME,...",
        default="score,depth_mm",
        help="quantities, two or more (default score,depth_mm)",
    )
    front.add_argument(
        "--stage",
        choices=["estimate", "screen", "full"],
        help="setting at which candidates are compared (default full where the whole front was judged there,"
        " else screen)",
    )
    front.add_argument("--out", type=path, metavar="FOLDER", help="folder for table and picture, made if missing")
    front.add_argument(
        "--target", type=path, metavar="TARGET", help="the run's target file: writes designs of ends and knee as well"
    )


def _front(options: argparse.Namespace) -> int:
    from evenflare.commands import fronts

    asked = {"names": options.of.split(","), "stage": options.stage, "command": options.words}
    if options.out is None:
        print(fronts.front_text(options.run_folder, target_path=options.target, **asked), end="")
        return DONE
    done = fronts.front_command(options.run_folder, options.out, target_path=options.target, **asked)
    tell_findings(done, options.out)
    return DONE


COMMANDS = {"front": _front}
"""What each does; the exit code."""
