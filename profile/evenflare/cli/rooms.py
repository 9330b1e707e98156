"""The command that puts designs into a room."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, tell_findings
from evenflare.files import InputError, check_folder

HEARD = (20.0, 20e3)
"""Hz."""
KEYS = """\
ROOM.toml, in metres from one corner of the floor (targets/rooms/living_room.toml is a whole one):
  [size]         length_m (x), width_m (y), height_m (z)
  [absorption]   frequency_hz, and a number or a list of shares 0 to 1 for wall_x_0, wall_x_length, wall_y_0,
                 wall_y_width, floor, ceiling, or all_surfaces for whatever is not named
  [source]       position_m = [x, y, z] of the directivity's reference point; aim_at_m = [x, y, z], or yaw_deg (from x
                 toward y) and pitch_deg (up), 0 where left out
  [second_source] the other loudspeaker of a pair, as [source]
  [[seats]]      name, position_m; up to 12
  [air]          as in a design file
  [reflections]  order = 12 of image sources; tail = "eyring" or "sabine" for what comes after them
A target file asks for rooms with [wanted.room] room = "living_room.toml", or a list of files and folders, weight = 0.5:
the term room_db of the score is this command's number without filters, the mean over the rooms, from where the
waveguide plays (from_hz there, --from-hz here), from fewer frequencies; a search optimises for it."""


def add(command: AddCommand) -> None:
    """Its options."""
    room = command(
        "room",
        "Put a directivity, or two to compare, into a room: what each seat hears, direct and reflected",
        "example: evenflare room solved targets/rooms/living_room.toml --out heard --filters filters/equaliser.json\n"
        "example: evenflare room solved_a solved_b targets/rooms/living_room.toml --out compared --listen\n\n"
        "DIRECTIVITY is a folder that solve, measure or crossover (speaker/) wrote, or a SOFA file: of a body that\n"
        "stands in the room, not of a waveguide in an infinite baffle; valid from 200 Hz to 16 kHz, or less counts.\n"
        "prints how far reflected and direct sound differ in balance (dB rms over seats and third-octaves, each by\n"
        "what the filters leave of it), beside what the room itself brings and how far small moves scatter that; of\n"
        "two, which is evener.\n"
        "writes room.html, room.json, seats.csv (third-octaves), seats_fine.csv (24ths), room_curves.csv,\n"
        "arrivals.csv (the first reflections), time_windows.csv (levels by time, C50), pictures; of two\n"
        "directivities, each table once for each, ending in _1 and _2.\n"
        "ROOM may be a folder of room files (targets/rooms/dozen holds invented ones), and --room adds more: then\n"
        "the number of each room, mean, worst and spread; writes rooms.html, rooms.json, rooms.csv, any_room.png.\n"
        "Where a room has a second source: pair.csv and pair_map.png, by how much either loudspeaker draws the image.\n"
        "With --listen: listening/ with impulse responses and sounds as WAV, and listening.html. Start at a low\n"
        "volume.\n\n" + KEYS,
    )
    room.add_argument(
        "directivity", type=path, nargs="+", metavar="DIRECTIVITY", help="folder of solve or measure, or .sofa"
    )
    room.add_argument("room", type=path, metavar="ROOM.toml", help="room file (TOML), or a folder of them")
    room.add_argument(
        "--room",
        dest="more",
        type=path,
        action="append",
        default=[],
        metavar="ROOM",
        help="another room file, or folder of them; may be given again",
    )
    room.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    room.add_argument(
        "--filters",
        type=path,
        action="append",
        default=[],
        metavar="FILE",
        help="equaliser.json of evenflare equalise; once for each directivity, in their order",
    )
    room.add_argument("--from-hz", type=float, help="where it plays from, as behind a crossover; default 200")
    room.add_argument("--to-hz", type=float, help="where it plays up to; default 16000")
    room.add_argument(
        "--listen",
        choices=("binaural", "plain"),
        nargs="?",
        const="binaural",
        help="also write what each seat hears as WAV files, and a page that plays them: binaural (headphones, where"
        " nothing is given) or plain (one channel)",
    )
    room.add_argument(
        "--sound",
        type=path,
        action="append",
        default=[],
        metavar="WAV",
        help="with --listen: a sound to hear in the room instead of our own noise, clicks and drum; may be repeated",
    )


def _room(options: argparse.Namespace) -> int:
    from evenflare.commands import rooms

    for option, value in (("--from-hz", options.from_hz), ("--to-hz", options.to_hz)):
        if value is not None and not HEARD[0] <= value <= HEARD[1]:
            raise InputError(
                f"{option} {value:g}: must be {HEARD[0]:g} to {HEARD[1]:g}. Name a frequency in Hz, or leave it out"
            )
    if options.sound and not options.listen:
        raise InputError("--sound names what to listen to: must come with --listen. Add --listen, or leave it out")
    check_folder(options.out)
    done = rooms.room_command(
        options.directivity,
        [options.room, *options.more],
        options.out,
        filters=options.filters,
        command=options.words,
        from_hz=options.from_hz,
        to_hz=options.to_hz,
        listen=options.listen,
        sounds=options.sound,
    )
    tell_findings(done, options.out)
    return DONE


COMMANDS = {"room": _room}
"""What each does; the exit code."""
