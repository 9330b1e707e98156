"""What `room --listen` adds: impulse responses and sounds as each seat hears them, and a page that plays them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from evenflare import files
from evenflare.commands.written import Written
from evenflare.files import InputError
from evenflare.text import from_path

if TYPE_CHECKING:
    from evenflare.directivity.types import Directivity
    from evenflare.dsp.filters_file import Equaliser
    from evenflare.room.room import Room
    from evenflare.studies.listening import LevelledSound, SeatImpulses
    from evenflare.units import ComplexArray, FloatArray

Ears = Literal["binaural", "plain"]
FOLDER, PAGE, RECORD = "listening", "listening.html", "listening.json"
LONGEST = 60.0
"""s of a sound of the user's."""
LOWEST_RATE, HIGHEST_RATE = 8000, 400_000
"""Hz of a sound of the user's."""
SILENT = 1e-6
"""Of the greatest magnitude, below which a filter has no phase of its own."""
LETTERS = "AB"
"""Of the designs, in the names of files."""


class Sound(NamedTuple):
    """A sound to play: how its files begin, what people call it, and its samples (1 or 2, N)."""

    file: str
    label: str
    samples: FloatArray


def sounds_to_play(paths: Sequence[Path]) -> list[Sound]:
    """Our own sounds, or those of WAV files. InputError if one cannot be played."""
    from evenflare.studies.listening_sounds import SOUNDS

    if not paths:
        return [Sound(name, name.replace("_", " "), make()[None, :]) for name, make in SOUNDS.items()]
    return [Sound(f"sound_{number}", from_path(path.stem), _read(path)) for number, path in enumerate(paths, start=1)]


def _read(path: Path) -> FloatArray:
    """Samples (1 or 2, N) at the rate that is listened at."""
    from scipy.signal import resample_poly

    from evenflare.measurement.wav import channels_of, read_wav
    from evenflare.studies.loudness import RATE

    count = channels_of(path)
    if count > 2:
        raise InputError(f"{path}: holds {count} channels: must be 1 or 2. Mix it down")
    read = [read_wav(path, channel=channel) for channel in range(1, count + 1)]
    rate = round(read[0][1])
    samples = np.array([each for each, _ in read])
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise InputError(
            f"{path}: has {rate} samples a second: must be {LOWEST_RATE} to {HIGHEST_RATE}. Export it at {RATE}"
        )
    if samples.shape[1] > LONGEST * rate:
        raise InputError(
            f"{path}: lasts {samples.shape[1] / rate:.3g} s: must be at most {LONGEST:g} s. Cut out the passage to hear"
        )
    divisor = int(np.gcd(RATE, rate))
    return np.asarray(resample_poly(samples, RATE // divisor, rate // divisor, axis=-1))


def write_listening(
    designs: Sequence[tuple[str, Directivity, Equaliser | None]],
    room: Room,
    folder: Path,
    *,
    ears: Ears,
    sounds: Sequence[Sound],
    command: str,
) -> Written:
    """Everything to listen with, into `listening/` of a folder. InputError if it cannot be written."""
    from evenflare.measurement.wav import write_wav
    from evenflare.report.room import listening as page
    from evenflare.results import formats
    from evenflare.studies import listening as studies
    from evenflare.studies.loudness import RATE

    own = folder / FOLDER
    impulses = [
        studies.seat_impulses(
            room, directivity, shape=_shape(room, directivity, equaliser), binaural=ears == "binaural"
        )
        for _, directivity, equaliser in designs
    ]
    files_by: list[dict[str, object]] = []
    for letter, seats in zip(LETTERS, impulses, strict=False):
        for number, seat in enumerate(seats, start=1):
            for file, taps in _impulse_files(letter, number, seat).items():
                write_wav(own / file, taps, sample_rate=RATE)
    for sound in sounds:
        heard = {
            _sound_file(sound, place, number, direct): studies.rendered(
                sound.samples, impulses[place][number - 1], direct=direct
            )
            for number in range(1, len(room.seats) + 1)
            for place, direct in studies.versions([each for each, _, _ in designs])
        }
        for index, (file, played) in enumerate(studies.matched(heard).items()):
            write_wav(own / file, studies.dithered(played.samples, seed=index), sample_rate=RATE, bits=16)
            files_by.append(_file_record(file, sound, played))
    record = {
        "what": "what each seat hears",
        "sample_rate_hz": RATE,
        "ears": ears,
        "designs": {letter: name for letter, (name, _, _) in zip(LETTERS, designs, strict=False)},
        "seats": [seat.name for seat in room.seats],
        "level_matched_by": "loudness (ITU-R BS.1770-4), each sound the same at every seat and for every design",
        "sounds": files_by,
    }
    files.write_text(own / RECORD, formats.json_text(record))
    text = page.page(
        [each for each, _, _ in designs], room, [(each.file, each.label) for each in sounds], ears=ears, command=command
    )
    files.write_text(own / PAGE, text)
    return [
        (f"{FOLDER}/{PAGE}", "plays what each seat hears, A, B and the direct sound alone; start with the volume low"),
        (f"{FOLDER}/{RECORD}", "what was played how loud"),
        (f"{FOLDER}/impulse_*.wav", "impulse responses in Pa for the drive of the directivity, 32-bit floats"),
        (f"{FOLDER}/*_seat_*.wav", "sounds as heard, 16 bits with dither, brought to one loudness"),
    ]


def _shape(room: Room, directivity: Directivity, equaliser: Equaliser | None) -> ComplexArray:
    """Filters, and the phase that goes with the axis behind them where both are minimum-phase, at the steps (K,)."""
    from evenflare.dsp.fir import minimum_phase
    from evenflare.studies.listening import axis_level, faded, steps

    frequency = steps(room)
    level = axis_level(directivity, frequency)
    wanted = level * faded(frequency)
    if equaliser is not None:
        wanted = wanted * np.abs(equaliser.response(np.minimum(frequency, 0.5 * max(equaliser.sections))))
    return np.asarray(minimum_phase(np.maximum(wanted, SILENT * wanted.max())) / level)


def _impulse_files(letter: str, number: int, seat: SeatImpulses) -> dict[str, FloatArray]:
    """Taps (C, N) by the name of their file."""
    from scipy.fft import irfft

    ends = ["", "_second"]
    return {
        f"impulse_{letter}_seat_{number}{end}{part}.wav": irfft(spectrum, speaker.count)
        for end, speaker in zip(ends, seat.speakers, strict=False)
        for part, spectrum in (("", speaker.whole), ("_direct", speaker.direct))
    }


def _sound_file(sound: Sound, place: int, number: int, direct: bool) -> str:
    return f"{sound.file}_{LETTERS[place]}_seat_{number}{'_direct' if direct else ''}.wav"


def _file_record(file: str, sound: Sound, played: LevelledSound) -> dict[str, object]:
    heard = played.loudness if np.isfinite(played.loudness) else None
    return {"file": file, "sound": sound.label, "loudness_before_lufs": heard, "gain_db": played.gain}
