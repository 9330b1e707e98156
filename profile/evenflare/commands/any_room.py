"""What `room` does with several rooms: the number of each design in each, its mean, worst and spread."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from evenflare import files
from evenflare.commands.remarks import air_warnings
from evenflare.commands.rooms import Played, not_counted
from evenflare.commands.written import Findings
from evenflare.files import InputError
from evenflare.report.kit import canvas
from evenflare.report.room import any_room
from evenflare.results import any_room as tables
from evenflare.results import formats
from evenflare.room.evenness import Band, balance
from evenflare.room.room import Room
from evenflare.room.room_file import MOST_ROOMS
from evenflare.studies.any_room import DesignInRooms

FILE, TABLE, PAGE = "rooms.json", "rooms.csv", "rooms.html"


def several_rooms(
    played: Sequence[Played],
    rooms: Sequence[Room],
    room_paths: Sequence[Path],
    folder: Path,
    *,
    plays: Band,
    command: str,
    warnings: Sequence[str],
) -> Findings:
    """Designs in several rooms, written into `folder`, all or nothing. InputError as `rooms.room_command`."""
    if len(rooms) > MOST_ROOMS:
        raise InputError(f"{len(rooms)} rooms: must be {MOST_ROOMS} at most. Leave some out")
    designs = [_in_rooms(each, rooms, plays) for each in played]
    drawn = {any_room.PICTURE: any_room.picture(designs)}
    shown = {name: canvas.png(figure) for name, figure in drawn.items()}
    written = [
        (FILE, "numbers by design and room, their mean, worst and spread"),
        (TABLE, "a row per design and room"),
        (PAGE, "all of it on one page"),
        (any_room.PICTURE, "picture"),
    ]
    paths = [str(path) for path in room_paths]
    what = f"{' and '.join(each.path for each in designs)} in the rooms of {', '.join(paths)}."
    header = [
        "designs in several rooms",
        *(
            f"design {place}: {each.name}; id {each.design_id or 'not known'}; directivity {each.path}; filters"
            f" {each.filters or 'none'}"
            for place, each in enumerate(designs, start=1)
        ),
        *any_room.lines(designs),
        "units: m, s, dB; absorption and reverberation time at 1 kHz",
    ]
    text = formats.csv_text(tables.rooms_columns(designs), header=header)
    with files.together():
        record = tables.rooms_record(designs, paths=paths, command=command)
        files.write_text(folder / FILE, formats.json_text(record))
        files.write_text(folder / TABLE, text)
        page = any_room.page(designs, drawn, shown=shown, what=what, written=written, command=command)
        files.write_text(folder / PAGE, page)
        for name, content in shown.items():
            with files.replacing(folder / name) as temporary:
                temporary.write_bytes(content)
    air = [words for room in rooms for words in air_warnings(Path(room.name), room.air)]
    return Findings(any_room.lines(designs), written, [*warnings, *air, *any_room.warnings(designs)])


def _in_rooms(played: Played, rooms: Sequence[Room], plays: Band) -> DesignInRooms:
    stored = played.stored
    try:
        filtering = played.filtering()
        found = [balance(room, stored.directivity, filtering=filtering, plays=plays) for room in rooms]
        unknown, kept_out = not_counted(played, found[0], plays)
    except ValueError as error:
        raise InputError(f"{stored.path}: {error}") from error
    return DesignInRooms(
        played.name,
        stored.design_id,
        str(stored.path),
        played.filters,
        tuple(rooms),
        tuple(found),
        unknown,
        kept_out,
    )
