"""The command that reads what a rig has written."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, INTERRUPTED, list_written, slow, tell, warn
from evenflare.files import InputError, check_folder


def add(command: AddCommand) -> None:
    """Its options."""
    measure = command(
        "measure",
        "Make a directivity of what a rig has written: impulse responses, sweeps, text responses, AES69 files",
        "example: evenflare measure --write-session readings\n"
        "example: evenflare measure readings/session.toml --out measured\n"
        "example: evenflare measure readings/session.toml --watch\n\n"
        "writes report.html (what can be trusted, what to repeat), directivity.csv, summary.csv, standard_curves.csv,\n"
        "readings.csv (each by itself), budget.csv (the index's uncertainty by its parts), directivity.sofa (AES69),\n"
        "session.json (what was found and assumed), provenance.json and pictures; of sounds decay.csv and\n"
        "resonances.csv, of sweeps distortion.csv, with [near_field] low_end.csv and full_range/;\n"
        "--responses: also a text file a direction; --far-field: also what it is far away. [uncertainty] says how\n"
        "well the rig is known. --write-session drafts session.toml from the names of a folder's files.\n"
        "--watch says of each recording, as it comes, whether it is good or to be repeated, and what is still missing\n"
        "of the session's [plan]; with --out it then goes on. SESSION may be the folder of session.toml there.\n\n"
        "The session file names the readings, the angle in each name, paths from its own folder:\n"
        "  [rig]   distance_m = 2.0, source_height_m, microphone_height_m, wall_m, temperature_c, humidity_percent,\n"
        "          mounting\n"
        '  [files] kind = "impulse_response" (WAV), "sweep" (WAV, with reference = the sweep), "response" (text: Hz,\n'
        '          dB, degrees if known; air_losses = "out" if taken out already) or "sofa" (sofa = the file)\n'
        '          horizontal = "turn_{off_axis_deg}.wav", vertical = ..., {repeat} for repeats\n'
        '          symmetry = "round", "two_planes", "left_right" or "none": what a side or plane not measured is\n'
        "  [gate]  length_ms (left out: 0.9 of the reflection-free time), [microphone] calibration, full_scale_pa,\n"
        "  [analysis] frequencies_hz, or from_hz, to_hz, per_octave; smoothing_per_octave (left out: none)\n"
        "  [near_field] file = a reading close to the mouth, overlap_from_hz, overlap_to_hz: the low end\n"
        "A sweep through a waveguide is loud at its mouth: start low, and protect your ears.",
    )
    measure.add_argument("session", type=path, nargs="?", metavar="SESSION", help="session file (TOML)")
    measure.add_argument("--out", type=path, help="folder for the results, made if missing")
    measure.add_argument("--responses", action="store_true", help="also write the responses as text")
    measure.add_argument("--far-field", action="store_true", help="also the directivity in the far field")
    measure.add_argument(
        "--model", type=path, metavar="FOLDER", help="solution of it: tells what two planes leave open of the index"
    )
    measure.add_argument(
        "--watch",
        nargs="?",
        const="",
        metavar="FOLDER",
        help="check each recording as it comes, until all of the plan are there (FOLDER: of session.toml)",
    )
    measure.add_argument("--no-bell", action="store_true", help="with --watch: no bell for what is to be repeated")
    measure.add_argument(
        "--write-session", type=path, metavar="FOLDER", help="draft FOLDER/session.toml from the files there instead"
    )


def _measure(options: argparse.Namespace) -> int:
    if options.write_session is not None:
        return _draft(options)
    if options.session is None and options.watch:
        options.session = path(options.watch)
    if options.session is None:
        raise InputError("SESSION: missing. Name a session file, or draft one with --write-session FOLDER")
    if options.watch is not None:
        options.session, code = _watch(options)
        if options.out is None or code != DONE:
            return code
    if options.out is None:
        raise InputError("--out: missing. Add for example --out measured")
    from evenflare.commands.measuring import measure_command

    check_folder(options.out)
    with slow(options.quiet, "Reading the files of the session"):
        done = measure_command(
            options.session,
            options.out,
            command=options.words,
            responses=options.responses,
            model=options.model,
            far_field=options.far_field,
        )
    for line in done.lines:
        print(line)
    _tell_assumed(done.assumed)
    list_written(done.written, options.out)
    warn(done.warnings)
    return DONE


def _watch(options: argparse.Namespace) -> tuple[Path, int]:
    """Say what each file is until the plan is complete; the session file and an exit code."""
    from evenflare.commands.watching import POLL, Watch

    if options.out is not None:
        check_folder(options.out)
    watch = Watch(options.session)
    folders = watch.planned.folders
    if options.watch and Path(options.watch).resolve() not in [each.resolve() for each in (*folders, options.session)]:
        raise InputError(
            f"--watch {options.watch}: by {options.session} the readings lie in {', '.join(map(str, folders))}. Leave"
            " the folder out, or correct [files]"
        )
    bell = sys.stderr.isatty() and not options.no_bell
    session = watch.planned.session.path
    warn(watch.bench.notes)
    if not options.quiet:
        plan = "" if watch.planned.wanted else f"; {session} has no [plan], so nothing is told to be missing"
        tell(f"Watching {', '.join(map(str, folders))}; Ctrl-C ends it{plan}")
    try:
        while True:
            said = watch.look(time.monotonic())
            for each in said:
                print(each.words, flush=True)
            if bell and any(each.bad for each in said):
                sys.stderr.write("\a")
                sys.stderr.flush()
            if watch.complete:
                return session, DONE
            time.sleep(POLL)
    except KeyboardInterrupt:
        for line in watch.summary():
            print(line)
        tell("interrupted; every reading is where it was")
        return session, INTERRUPTED


def _draft(options: argparse.Namespace) -> int:
    from evenflare.measurement.session_writing import write_session

    given = {
        "SESSION": options.session,
        "--out": options.out,
        "--responses": options.responses,
        "--far-field": options.far_field,
        "--model": options.model,
        "--watch": options.watch is not None,
        "--no-bell": options.no_bell,
    }
    for name, value in given.items():
        if value:
            raise InputError(f"{name}: does not belong to --write-session, which only drafts a session file. Remove it")
    draft = write_session(options.write_session)
    print(f"Drafted {draft.path}: check every line, and fill in what is marked FILL IN")
    _tell_assumed(draft.assumed)
    return DONE


def _tell_assumed(assumed: list[str] | tuple[str, ...]) -> None:
    if assumed:
        print("Assumed:")
        for each in assumed:
            print(f"  {each}")


COMMANDS = {"measure": _measure}
"""What each does; the exit code."""
