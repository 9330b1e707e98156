"""What `room` does: designs in a room, their tables and their page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from evenflare import files
from evenflare.commands.remarks import air_warnings
from evenflare.commands.written import Findings, Written
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.files import InputError
from evenflare.schema import counted, gathered

if TYPE_CHECKING:
    from evenflare.commands.listening import Ears
    from evenflare.commands.pairs import PairMade
    from evenflare.dsp.filters_file import Equaliser
    from evenflare.room.room import Room
    from evenflare.studies.seats import DesignInRoom

FILE, PAGE = "room.json", "room.html"
MOST_DESIGNS = 2


def room_command(
    directivities: Sequence[Path],
    room_path: Path,
    folder: Path,
    *,
    filters: Sequence[Path],
    command: str,
    listen: Ears | None = None,
    sounds: Sequence[Path] = (),
) -> Findings:
    """Put one or two directivities into the room of a file and write everything into `folder`, all or nothing.

    filters : files of equalisers: none, or one for each directivity in their order.
    listen  : as what to write what the seats hear, or None for no sound.
    sounds  : WAV files to listen to; none for our own.
    Errors  : InputError if a file or what is asked for is at fault.
    """
    from evenflare.commands.listening import sounds_to_play, write_listening
    from evenflare.commands.pairs import pair_made
    from evenflare.report.room import room as words

    if len(directivities) > MOST_DESIGNS:
        raise InputError(f"{len(directivities)} directivities: must be one, or two to compare. Leave some out")
    if len(filters) not in (0, len(directivities)):
        raise InputError(
            f"--filters names {counted(len(filters), 'file')}: must be {len(directivities)}, one for each directivity"
            " in their order, or none. Give it again, or leave it out"
        )
    room, *found = gathered(
        lambda: _room(room_path),
        *(lambda path=path: read_directivity(path) for path in directivities),
        *(lambda path=path: _equaliser(path) for path in filters),
    )
    stored, equalisers = found[: len(directivities)], found[len(directivities) :]
    names = _names(stored)
    designs = [
        _heard(each, name, room, equaliser)
        for each, name, equaliser in zip(stored, names, equalisers or [None] * len(stored), strict=True)
    ]
    pairs = [pair_made(room, each.directivity) for each in stored]
    played = sounds_to_play(sounds) if listen else []
    many = len(designs) > 1
    with files.together():
        written = _write(designs, [each for each in pairs if each], room_path, folder, command=command)
        if listen:
            heard = zip(names, (each.directivity for each in stored), equalisers or [None] * len(stored), strict=True)
            written += write_listening(list(heard), room, folder, ears=listen, sounds=played, command=command)
    return Findings(
        [
            f"Room: {words.room_words(designs[0].response)}",
            *(f"{each.name}: {line}" if many else line for each in designs for line in words.lines(each)),
            *(f"{name}: {pair.line}" if many else pair.line for name, pair in zip(names, pairs, strict=True) if pair),
        ],
        written,
        [*_misfits(stored, equalisers), *air_warnings(room_path, room.air), *words.warnings(designs)],
    )


def _room(path: Path) -> Room:
    from evenflare.room.room_file import read_room

    return read_room(path)


def _equaliser(path: Path) -> Equaliser:
    from evenflare.dsp.filters_file import read_equaliser

    return read_equaliser(path)


def _names(stored: Sequence[Stored]) -> list[str]:
    """A name for each that tells them apart."""
    names = [each.name for each in stored]
    if len(set(names)) == len(names):
        return names
    names = [f"{each.name} ({each.path.name})" for each in stored]
    return names if len(set(names)) == len(names) else [f"{each.name} ({each.path})" for each in stored]


def _heard(stored: Stored, name: str, room: Room, equaliser: Equaliser | None) -> DesignInRoom:
    """A directivity in the room, through its equaliser."""
    from evenflare.room.paths import fine_bands, observed_bands
    from evenflare.room.response import respond
    from evenflare.studies.seats import DesignInRoom

    try:
        filtering = None
        if equaliser is not None:
            fine = fine_bands(observed_bands(stored.directivity))
            filtering = np.abs(equaliser.response(fine)) ** 2
        response = respond(room, stored.directivity, filtering=filtering)
    except ValueError as error:
        raise InputError(f"{stored.path}: {error}") from error
    counted = response.thirds.frequency[response.counted]
    low, high = float(counted[0]), float(counted[-1])
    if equaliser is not None:
        low, high = max(low, equaliser.band[0]), min(high, equaliser.band[1])
    band = (low, high) if high >= 2.0 * low else (float(counted[0]), float(counted[-1]))
    used = "" if equaliser is None else str(equaliser.path)
    return DesignInRoom(name, stored.design_id, str(stored.path), used, band, response)


def _misfits(stored: Sequence[Stored], equalisers: Sequence[Equaliser]) -> list[str]:
    """Filters that were made for another design."""
    return [
        f"{own.path} was made for {own.name} (id {own.design_id}), not for {each.name} (id {each.design_id})"
        for each, own in zip(stored, equalisers, strict=False)
        if own.design_id and each.design_id and own.design_id != each.design_id
    ]


def _write(
    designs: Sequence[DesignInRoom], pairs: Sequence[PairMade], room_path: Path, folder: Path, *, command: str
) -> Written:
    from evenflare.report.kit import canvas, sheet
    from evenflare.report.room import room, room_figures
    from evenflare.results import formats
    from evenflare.results import room as room_tables

    of = [""] if len(designs) == 1 else [f"_{place}" for place in range(1, len(designs) + 1)]
    drawn = room_figures.pictures(designs)
    for place, pair in enumerate(pairs):
        drawn[f"pair_map{of[place]}.png"] = pair.figure
    shown = {name: canvas.png(figure) for name, figure in drawn.items()}
    texts: dict[str, tuple[str, str]] = {}
    parts: list[sheet.PageSection] = []
    for each, end in zip(designs, of, strict=True):
        response = each.response
        seats = ", ".join(f"{place} {seat.name}" for place, seat in enumerate(response.room.seats, start=1))
        header = [
            f"design: {each.name}; id {each.design_id or 'not known'}; directivity {each.path}",
            f"filters: {each.filters or 'none'}",
            f"room: {room.room_words(response)}",
            f"{room.evenness_words(response)}",
            "units: Hz, dB, s; levels re 20 uPa, sound power re 1 pW, for the drive of the directivity",
            f"seats: {seats}",
            formats.LOUD,
        ]
        for name, columns, what in (
            ("seats", room_tables.seat_columns(response.thirds), "each seat in third-octaves"),
            ("seats_fine", room_tables.seat_columns(response.fine), "each seat in 24ths of an octave"),
            ("room_curves", room_tables.room_columns(response), "what the seats share, the estimate, and the room"),
        ):
            about = what if len(designs) == 1 else f"{what}: {each.name}"
            texts[f"{name}{end}.csv"] = (about, formats.csv_text(columns, header=[what, *header]))
        for pair in pairs[len(parts) : len(parts) + 1]:
            what = "both loudspeakers at each seat"
            texts[f"pair{end}.csv"] = (what, formats.csv_text(pair.columns, header=[what, *header]))
            picture = sheet.picture_of(
                pair.figure, shown[f"pair_map{end}.png"], alt="Plan of the room.", caption=pair.caption
            )
            parts.append(pair.section(picture, of="" if len(designs) == 1 else f"{each.name}: "))
    written = [
        (FILE, "numbers by design and seat"),
        *((name, about) for name, (about, _) in texts.items()),
        (PAGE, "all of it on one page; what matters, first"),
        *((name, "picture") for name in drawn),
    ]
    what = f"{' and '.join(each.path for each in designs)} in the room of {room_path}."
    with files.together():
        record = room_tables.record(designs, room_path=str(room_path), command=command)
        if pairs:
            record["pairs"] = [pair.record for pair in pairs]
        files.write_text(folder / FILE, formats.json_text(record))
        for name, (_, text) in texts.items():
            files.write_text(folder / name, text)
        page = room.page(designs, drawn, shown=shown, what=what, written=written, command=command, more=parts)
        files.write_text(folder / PAGE, page)
        for name, content in shown.items():
            with files.replacing(folder / name) as temporary:
                temporary.write_bytes(content)
    return written
