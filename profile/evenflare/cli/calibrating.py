"""Commands that calibrate the model by prototypes: what a measurement says of the driver, and the log of all."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import ANSWER_IS_NO, DONE, compiled, list_written, tell, tell_findings
from evenflare.files import InputError, check_folder

FITTED = {
    "angle": "exit_half_angle_deg",
    "taper": "throat_taper",
    "speed": "speed_of_sound_m_per_s",
    "growth": "profile_growth_mm",
    "bow": "profile_bow_mm",
    "source": "source_impedance_factor_db",
    "gain": "source_gain_db",
}
"""What --fit takes, and the unknown that each stands for."""
ACTIONS = ("add", "list", "export", "plot")


def add(command: AddCommand) -> None:
    """Their options."""
    _add_calibrate(command)
    _add_journal(command)


def _add_calibrate(command: AddCommand) -> None:
    calibrate = command(
        "calibrate",
        "Fit what a model cannot know to a measured prototype: how the exit moves, the air, the wall as it was cut",
        "example: evenflare calibrate prototype/design.toml measured --out calibration\n\n"
        "MEASURED is a folder that measure or solve wrote, or a SOFA file. Every third angle is kept from the fit and\n"
        "checks it; where these agree less well, or nothing is explained, the exit code is 1.\n"
        "fitted (default all; --fit angle --fit taper: these only): angle, effective half-angle of the exit, which is\n"
        "the wavefront's curvature there; taper, how much more the exit's middle moves; speed, of sound; growth and\n"
        "bow, the wall's error along its depth, at the mouth and half-way; and where the design's [driver] states a\n"
        'source of kind "impedance" with its blocked pressure, source and gain, from the level on axis.\n'
        "writes calibrated.toml (values with 95 % intervals), calibration.csv, calibration.html and pictures.\n"
        'Design and target files take its driver over with [driver] calibrated = "calibrated.toml" (from their\n'
        "folder) instead of exit_half_angle_deg and velocity_profile; solve, score and search then use it.",
    )
    calibrate.add_argument("design", type=path, help="design file (TOML) of the prototype")
    calibrate.add_argument("measured", type=path, metavar="MEASURED", help="folder of measure, or .sofa")
    calibrate.add_argument(
        "--wall",
        type=path,
        metavar="INSPECTED",
        help="folder of inspect: the prototype's wall as it was built, instead of fitting growth and bow",
    )
    calibrate.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    calibrate.add_argument(
        "--fit",
        action="append",
        choices=list(FITTED),
        default=[],
        metavar="NAME",
        help=f"{', '.join(FITTED)}; may be given again (default all that can be)",
    )
    calibrate.add_argument(
        "--hold-out", type=int, default=3, metavar="N", help="keep every Nth angle from the fit (default 3)"
    )
    calibrate.add_argument(
        "--frequencies", type=int, default=24, help="at most so many, evenly spread in octaves (default 24)"
    )
    calibrate.add_argument(
        "--method", choices=["march", "boundary_elements"], help="the solver that is fitted (default as in solve)"
    )
    calibrate.add_argument("--setting", choices=["screen", "full"], default="full", help="of the solver (default full)")


def _add_journal(command: AddCommand) -> None:
    journal = command(
        "journal",
        "Keep a log of prototypes: what was built, measured and changed, and how the deviation shrank",
        "example: evenflare journal prototypes.sqlite add --design design.toml --comparison compared\n"
        "example: evenflare journal prototypes.sqlite list\n"
        "example: evenflare journal prototypes.sqlite export > prototypes.csv\n"
        "example: evenflare journal prototypes.sqlite plot --out history\n\n"
        "add: an entry with the whole design, and what compare, calibrate and inspect found; on disk when it ends.\n"
        "list: a line a prototype, and what changed from the one before. export: CSV on standard output, or with\n"
        "--text everything in words. plot: journal.png, journal.csv and journal.txt into --out.",
    )
    journal.add_argument("journal", type=path, metavar="FILE", help="the journal (SQLite), made by the first add")
    journal.add_argument("action", choices=ACTIONS, metavar="ACTION", help=", ".join(ACTIONS))
    journal.add_argument("--design", type=path, help="add: design file (TOML) of the prototype")
    journal.add_argument("--comparison", type=path, help="add: folder that compare wrote, or its comparison.json")
    journal.add_argument("--calibration", type=path, help="add: folder that calibrate wrote, or its calibrated.toml")
    journal.add_argument("--inspection", type=path, help="add: folder that inspect wrote, or its inspection.json")
    journal.add_argument(
        "--file", type=path, action="append", default=[], help="add: a file or folder that belongs to it"
    )
    journal.add_argument("--name", help="add: of the prototype (default the design's)")
    journal.add_argument("--note", default="", help="add: in your own words")
    journal.add_argument("--text", action="store_true", help="export: everything in words instead of CSV")
    journal.add_argument("--out", type=path, help="plot: folder for the results, made if missing")


def _calibrate(options: argparse.Namespace) -> int:
    from evenflare.commands.calibrating import CalibrationRequest, calibrate_command

    for option, low, high in (("hold_out", 2, 100), ("frequencies", 4, 500)):
        value = getattr(options, option)
        if not low <= value <= high:
            name = f"--{option.replace('_', '-')}"
            raise InputError(f"{name} {value}: must be {low} to {high}. {'Raise' if value < low else 'Lower'} it")
    check_folder(options.out)
    compiled(options.quiet)
    done = calibrate_command(
        options.design,
        options.measured,
        options.out,
        CalibrationRequest(
            fit=[FITTED[name] for name in options.fit],
            hold_out=options.hold_out,
            frequencies=options.frequencies,
            method=options.method,
            setting=options.setting,
            wall=options.wall,
        ),
        command=options.words,
        progress=lambda words: None if options.quiet else tell(words),
    )
    tell_findings(done, options.out)
    return DONE if done.helps else ANSWER_IS_NO


def _journal(options: argparse.Namespace) -> int:
    from evenflare.commands import journal

    adding = ("design", "comparison", "calibration", "inspection", "file", "name", "note")
    belongs = {**dict.fromkeys(adding, "add"), "text": "export", "out": "plot"}
    for option, action in belongs.items():
        if getattr(options, option) and options.action != action:
            raise InputError(f"--{option}: belongs to {action}, not to {options.action}. Remove it")
    if options.action == "add":
        if options.design is None:
            raise InputError("--design: missing, add keeps the whole design. Add for example --design design.toml")
        given = {option: getattr(options, option) for option in adding if option != "file"}
        print(journal.add_entry(options.journal, belonging=options.file, **given))
    elif options.action == "plot":
        if options.out is None:
            raise InputError("--out: missing, plot writes into a folder. Add for example --out history")
        check_folder(options.out)
        list_written(journal.write_history(options.journal, options.out), options.out)
    else:
        print(
            journal.told(options.journal, "csv" if options.action == "export" and not options.text else options.action)
        )
    return DONE


COMMANDS = {"calibrate": _calibrate, "journal": _journal}
"""What each does; the exit code."""
