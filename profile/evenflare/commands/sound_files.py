"""What `measure` writes of distortion and decay: tables, and a line each for what stands out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files

if TYPE_CHECKING:
    from evenflare.measurement.assemble import Assembled


def write_sound(found: Assembled, folder: Path, *, name: str, cautions: Sequence[str]) -> list[tuple[str, str]]:
    """The files, and what each holds. Errors: InputError if the folder cannot be written."""
    from evenflare.results import formats, sound_quality

    written: list[tuple[str, str]] = []

    def table(file: str, columns: formats.Columns, what: str, *notes: str) -> None:
        header = [f"{what} of: {name}", *notes, *cautions]
        files.write_text(folder / file, formats.csv_text(columns, header=header))
        written.append((file, what))

    if found.distortion is not None:
        table(
            "distortion.csv",
            sound_quality.distortion_columns(found.distortion),
            "harmonics of distortion on axis over the exciting frequency",
            "units: Hz, dB re the fundamental at the exciting frequency",
            "a harmonic is empty where it does not stand 10 dB above its floor, what noise and hum give in its place",
        )
    if found.decay is not None:
        table(
            "decay.csv",
            sound_quality.decay_columns(found.decay),
            "decay on axis over frequency and periods",
            "units: Hz, periods after the arrival, dB re the loudest at that frequency",
            "heard through a Gaussian burst of 2 periods standard deviation; empty where noise hides it",
        )
        table(
            "resonances.csv",
            sound_quality.resonance_columns(found.decay),
            "decays on axis that stand out",
            f"units: Hz, dB, periods; seen from {found.decay.frequency[0]:.0f} to {found.decay.frequency[-1]:.0f} Hz",
        )
    return written


def sound_lines(found: Assembled) -> list[str]:
    """One of distortion and one of resonances, where something stands out."""
    from evenflare.results import sound_quality

    lines = [] if found.distortion is None else [sound_quality.distortion_words(found.distortion)]
    lines += [] if found.decay is None else [sound_quality.decay_words(found.decay)]
    return [line for line in lines if line]
