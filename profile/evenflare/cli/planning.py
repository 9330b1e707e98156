"""The command that plans a measurement before anybody goes outside."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, list_written, warn
from evenflare.files import InputError, check_folder

RANGES = {
    "source_height_m": (0.01, 500.0),
    "microphone_height_m": (0.01, 500.0),
    "distance_m": (0.05, 1000.0),
    "mouth_mm": (1.0, 10000.0),
    "mouth_height_mm": (1.0, 10000.0),
    "index_db": (0.01, 10.0),
    "wall_m": (0.01, 1000.0),
    "from_hz": (1.0, 100000.0),
    "to_hz": (1.0, 100000.0),
    "step_deg": (0.5, 30.0),
    "temperature_c": (-20.0, 50.0),
    "humidity_percent": (0.0, 100.0),
    "repeats": (1.0, 100.0),
}


def add(command: AddCommand) -> None:
    """Its options."""
    plan = command(
        "plan",
        "Plan a measurement: reflection-free window, lowest frequency, far field, angles, a checklist to print",
        "example: evenflare plan --source-height-m 3.1 --microphone-height-m 3.1 --distance-m 2 --mouth-mm 240\n"
        "example: evenflare plan --source-height-m 5 --microphone-height-m 5 --distance-m 3 --mouth-mm 300\n"
        "           --step-deg 5 --from-hz 150 --out outside\n\n"
        "prints what the place allows, the steps and the cautions; with --out also writes plan.html (to print and\n"
        "tick), angles.csv and session.toml, the session file for evenflare measure.\n"
        "Window: the ground's reflection after the direct sound, by the image source; the gate is 0.9 of it, the\n"
        "lowest frequency 1 over the gate. Far field: from twice the mouth's square over the wavelength.\n"
        "Masts fall and sweeps deafen: read the cautions.",
    )
    plan.add_argument("--source-height-m", type=float, required=True, help="of the mouth's centre above the ground")
    plan.add_argument("--microphone-height-m", type=float, required=True, help="above the ground")
    plan.add_argument("--distance-m", type=float, required=True, help="from the turntable's axis to the microphone")
    plan.add_argument("--mouth-mm", type=float, required=True, help="the mouth's largest width")
    plan.add_argument("--mouth-height-mm", type=float, help="of an oblong mouth: says what two orbits leave open")
    plan.add_argument(
        "--index-db", type=float, default=0.3, help="standard uncertainty wanted of the index of an oblong mouth (0.3)"
    )
    plan.add_argument("--wall-m", type=float, help="from the line between both to the nearest surface beside it")
    plan.add_argument("--from-hz", type=float, help="lowest frequency wanted; says what it takes")
    plan.add_argument("--to-hz", type=float, default=20000.0, help="highest frequency wanted (default 20000)")
    plan.add_argument("--step-deg", type=float, default=10.0, help="between angles (default 10, as in CTA-2034-A)")
    plan.add_argument(
        "--symmetry",
        choices=["round", "two_planes", "left_right", "none"],
        default="left_right",
        help="of the loudspeaker (default left_right): lets the turntable's zero be fitted, and",
    )
    plan.add_argument("--half", action="store_true", help="leaves out the sides and planes that the symmetry gives")
    plan.add_argument("--baffle", action="store_true", help="the mouth lies in a baffle: nothing beyond 90 degrees")
    plan.add_argument("--repeats", type=int, default=1, help="readings of each direction (default 1)")
    plan.add_argument("--sweep", action="store_true", help="session.toml for sweeps, as evenflare capture takes them")
    plan.add_argument("--temperature-c", type=float, default=20.0, help="default 20")
    plan.add_argument("--humidity-percent", type=float, default=50.0, help="default 50")
    plan.add_argument("--out", type=path, help="folder for the page and the files, made if missing")


def _plan(options: argparse.Namespace) -> int:
    for key, (low, high) in RANGES.items():
        value = getattr(options, key)
        if value is not None and not low <= value <= high:
            raise InputError(f"--{key.replace('_', '-')} {value:g}: must be {low:g} to {high:g}. Correct it")
    if abs(90.0 / options.step_deg - round(90.0 / options.step_deg)) > 1e-9:
        raise InputError(
            f"--step-deg {options.step_deg:g}: must go into 90 a whole number of times. Take for example 10 or 5"
        )
    if options.from_hz is not None and not options.from_hz < options.to_hz:
        raise InputError(f"--from-hz {options.from_hz:g}: must be below --to-hz {options.to_hz:g}. Lower it")
    from evenflare.commands.planning import plan_command
    from evenflare.measurement.plan import MeasuringPlace
    from evenflare.units import CELSIUS_ZERO, DEGREE, MILLIMETRE, PERCENT

    place = MeasuringPlace(
        distance=options.distance_m,
        source_height=options.source_height_m,
        microphone_height=options.microphone_height_m,
        mouth=options.mouth_mm * MILLIMETRE,
        wall=options.wall_m,
        temperature=options.temperature_c + CELSIUS_ZERO,
        humidity=options.humidity_percent * PERCENT,
        symmetry=options.symmetry,
        step=options.step_deg * DEGREE,
        repeats=options.repeats,
        baffle=options.baffle,
        spare=options.half,
        mouth_height=None if options.mouth_height_mm is None else options.mouth_height_mm * MILLIMETRE,
    )
    if options.out is not None:
        check_folder(options.out)
    done = plan_command(
        place,
        options.out,
        wanted_from=options.from_hz,
        wanted_to=options.to_hz,
        wanted_index=options.index_db,
        command=options.words,
        swept=options.sweep,
    )
    for line in done.lines:
        print(line)
    for title, lines in (("Checklist", done.steps), ("Cautions", done.cautions)):
        print(f"\n{title}:")
        for line in lines:
            print(f"  [ ] {line}")
    if done.written:
        print()
        list_written(done.written, options.out)
    warn(done.warnings)
    return DONE


COMMANDS = {"plan": _plan}
"""What each does; the exit code."""
