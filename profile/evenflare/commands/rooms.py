"""What `room` does: designs in a room, or in several, their tables and their page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from evenflare import files
from evenflare.commands.remarks import air_warnings
from evenflare.commands.written import Findings, Written
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.files import InputError
from evenflare.schema import counted, gathered

if TYPE_CHECKING:
    from evenflare.commands.listening import Ears, Sound
    from evenflare.commands.pairs import PairMade
    from evenflare.dsp.filters_file import Equaliser
    from evenflare.room.evenness import Balance, Band
    from evenflare.room.room import Room
    from evenflare.studies.seats import DesignInRoom
    from evenflare.units import FloatArray

FILE, PAGE = "room.json", "room.html"
MOST_DESIGNS = 2
LET_THROUGH = 0.25
"""Weight from which on a third is said to be let through by filters: 12 dB under the loudest."""


@dataclass(frozen=True)
class Played:
    """A directivity, a name that tells it from others, and the filters that it is played through, if any."""

    stored: Stored
    name: str
    equaliser: Equaliser | None

    def filtering(self) -> FloatArray | None:
        """Squared magnitude of the filters where `room.response.respond` asks for it; None without."""
        from evenflare.room.paths import fine_bands, observed_bands

        fine = fine_bands(observed_bands(self.stored.directivity))
        return None if self.equaliser is None else self.gain(fine)

    def gain(self, frequency: FloatArray) -> FloatArray:
        """Squared magnitude (F,) of the filters at a frequency (F,) Hz; 1 without."""
        if self.equaliser is None:
            return np.ones(frequency.size)
        return np.asarray(np.abs(self.equaliser.response(frequency)) ** 2)

    @property
    def filters(self) -> str:
        """The file of the filters, or empty."""
        return "" if self.equaliser is None else str(self.equaliser.path)


def room_command(
    directivities: Sequence[Path],
    room_paths: Sequence[Path],
    folder: Path,
    *,
    filters: Sequence[Path],
    command: str,
    from_hz: float | None = None,
    to_hz: float | None = None,
    listen: Ears | None = None,
    sounds: Sequence[Path] = (),
) -> Findings:
    """Put one or two directivities into the rooms of files or folders and write everything into `folder`, all or
    nothing: of one room what every seat hears, of several the number of each.

    filters : files of equalisers: none, or one for each directivity in their order.
    from_hz, to_hz : where they play, None for what counts of all.
    listen  : as what to write what the seats of a single room hear, or None for no sound.
    sounds  : WAV files to listen to; none for our own.
    Errors  : InputError if a file or what is asked for is at fault.
    """
    from evenflare.commands.listening import sounds_to_play
    from evenflare.room.evenness import PLAYS

    if len(directivities) > MOST_DESIGNS:
        raise InputError(f"{len(directivities)} directivities: must be one, or two to compare. Leave some out")
    if len(filters) not in (0, len(directivities)):
        raise InputError(
            f"--filters names {counted(len(filters), 'file')}: must be {len(directivities)}, one for each directivity"
            " in their order, or none. Give it again, or leave it out"
        )
    found = gathered(
        *(lambda path=path: _rooms(path) for path in room_paths),
        *(lambda path=path: read_directivity(path) for path in directivities),
        *(lambda path=path: _equaliser(path) for path in filters),
    )
    rooms = [room for each in found[: len(room_paths)] for room in each]
    stored = found[len(room_paths) : len(room_paths) + len(directivities)]
    equalisers = found[len(room_paths) + len(directivities) :]
    named = zip(stored, _names(stored), equalisers or [None] * len(stored), strict=True)
    played = [Played(*each) for each in named]
    plays = (PLAYS[0] if from_hz is None else from_hz, PLAYS[1] if to_hz is None else to_hz)
    misfits = _misfits(stored, equalisers)
    if len(rooms) > 1:
        from evenflare.commands.any_room import several_rooms

        if listen:
            raise InputError(f"--listen: is for a single room, {len(rooms)} are named. Name one of them")
        return several_rooms(played, rooms, room_paths, folder, plays=plays, command=command, warnings=misfits)
    heard = _Heard(listen, sounds_to_play(sounds)) if listen else None
    return _one_room(
        played, rooms[0], room_paths[0], folder, plays=plays, command=command, misfits=misfits, heard=heard
    )


class _Heard(NamedTuple):
    """How to listen, and to what."""

    ears: Ears
    sounds: Sequence[Sound]


def _one_room(
    played: Sequence[Played],
    room: Room,
    room_path: Path,
    folder: Path,
    *,
    plays: Band,
    command: str,
    misfits: Sequence[str],
    heard: _Heard | None,
) -> Findings:
    from evenflare.commands.listening import write_listening
    from evenflare.commands.pairs import pair_made
    from evenflare.report.room import words

    designs = [_heard(each, room, plays) for each in played]
    found = [pair_made(room, each.stored.directivity) for each in played]
    pairs = [each for each in found if each]
    with files.together():
        written = _write(designs, pairs, room_path, folder, command=command)
        if heard is not None:
            written += write_listening(
                [(each.name, each.stored.directivity, each.equaliser) for each in played],
                room,
                folder,
                ears=heard.ears,
                sounds=heard.sounds,
                command=command,
            )
    many = len(designs) > 1
    return Findings(
        [
            f"Room: {words.room_words(room)}",
            *words.evener_words(designs),
            *(f"{each.name}: {line}" if many else line for each in designs for line in words.lines(each)),
            *words.clarity_words(designs),
            *(f"{each.name}: {pair.line}" if many else pair.line for each, pair in zip(designs, pairs, strict=False)),
        ],
        written,
        [*misfits, *air_warnings(room_path, room.air), *words.warnings(designs)],
    )


def _rooms(path: Path) -> list[Room]:
    from evenflare.room.room_file import read_rooms

    return read_rooms(path)


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


def _heard(played: Played, room: Room, plays: Band) -> DesignInRoom:
    """A directivity in the room, through its equaliser."""
    from evenflare.room.response import respond
    from evenflare.studies.seats import DesignInRoom, counting

    stored = played.stored
    try:
        response = respond(room, stored.directivity, filtering=played.filtering(), plays=plays)
        unknown, kept_out = not_counted(played, response.balance, plays)
    except ValueError as error:
        raise InputError(f"{stored.path}: {error}") from error
    counted = counting(response.balance.thirds, response.balance.weight)
    low, high = counted
    if played.equaliser is not None:
        low, high = max(low, played.equaliser.band[0]), min(high, played.equaliser.band[1])
    band = (low, high) if high >= 2.0 * low else counted
    return DesignInRoom(
        played.name, stored.design_id, str(stored.path), played.filters, band, response, unknown, kept_out
    )


def not_counted(
    played: Played, found: Balance, plays: Band
) -> tuple[tuple[tuple[float, ...], float], tuple[float, ...]]:
    """Thirds (Hz) in which it plays without being observed, and their share; those that filters let through though
    `plays` leaves them out: whatever band is asked for hides neither.
    """
    from evenflare.room.evenness import PLAYS, by_power, missing
    from evenflare.room.paths import counted_of

    if played.equaliser is None:
        thirds, share = missing(found, plays=plays, gain=None)
        return (tuple(thirds.tolist()), share), ()
    thirds, share = missing(found, plays=PLAYS, gain=played.gain)
    outside = np.setdiff1d(counted_of(found.thirds), counted_of(found.thirds, *plays))
    let = found.thirds[outside[by_power(found.radiated[outside]) >= LET_THROUGH]]
    return (tuple(thirds.tolist()), share), tuple(let.tolist())


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
    from evenflare.report.room import room, room_figures, words
    from evenflare.results import formats
    from evenflare.results import room as room_tables

    of = [""] if len(designs) == 1 else [f"_{place}" for place in range(1, len(designs) + 1)]
    drawn = room_figures.pictures(designs)
    for pair, end in zip(pairs, of, strict=False):
        drawn[f"pair_map{end}.png"] = pair.figure
    shown = {name: canvas.png(figure) for name, figure in drawn.items()}
    texts: dict[str, tuple[str, str]] = {}
    parts: list[sheet.PageSection] = []
    for each, end in zip(designs, of, strict=True):
        response = each.response
        seats = ", ".join(f"{place} {seat.name}" for place, seat in enumerate(response.room.seats, start=1))
        header = [
            f"design: {each.name}; id {each.design_id or 'not known'}; directivity {each.path}",
            f"filters: {each.filters or 'none'}",
            f"room: {words.room_words(response.room)}",
            f"{words.evenness_words(response)}",
            "units: Hz, dB, s; levels re 20 uPa, sound power re 1 pW, for the drive of the directivity",
            f"seats: {seats}",
            formats.LOUD,
        ]
        for name, columns, what in (
            ("seats", room_tables.seat_columns(response.thirds), "each seat in third-octaves"),
            ("seats_fine", room_tables.seat_columns(response.fine), "each seat in 24ths of an octave"),
            ("room_curves", room_tables.room_columns(response), "what the seats share, the estimate, and the room"),
            ("arrivals", room_tables.arrival_columns(response.reflections), "the first reflections of each seat"),
            ("time_windows", room_tables.window_columns(response.windows), "each seat by time after the direct sound"),
        ):
            about = what if len(designs) == 1 else f"{what}: {each.name}"
            texts[f"{name}{end}.csv"] = (about, formats.csv_text(columns, header=[what, *header]))
        for pair in pairs[len(parts) : len(parts) + 1]:
            what, picture = "both loudspeakers at each seat", f"pair_map{end}.png"
            texts[f"pair{end}.csv"] = (what, formats.csv_text(pair.columns, header=[what, *header]))
            drawing = sheet.picture_of(pair.figure, shown[picture], alt="Plan of the room.", caption=pair.caption)
            parts.append(pair.section(drawing, of="" if len(designs) == 1 else f"{each.name}: "))
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
